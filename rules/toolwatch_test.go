package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/drift"
)

// evolve folds outcomes as one decision.
func evolve(s *State, at events.Instant, os ...events.OutcomeData) {
	d := events.Decided{Cause: s.Cause + 1, CauseUs: at, Rules: Version}
	for _, o := range os {
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: o})
	}
	Evolve(s, d)
}

const oneDay = events.Instant(86400e6)

func check(tool string, n int, deviation float64) events.CheckJudged {
	return events.CheckJudged{Check: fmt.Sprintf("c%d", n), Tool: tool, Point: quantity.NewtonMetres(60).Value(), Deviation: deviation, Standing: events.StandingGood, AtUs: testStart + events.Instant(n)*oneDay}
}

// signals are those that a check shows.
func signals(s *State, o events.CheckJudged) []events.DriftSignalled {
	t := &tx{s: s, at: o.AtUs, out: []events.Outcome{{Data: o}}}
	t.watchTools()
	var out []events.DriftSignalled
	for _, o := range t.out {
		if d, ok := o.Data.(events.DriftSignalled); ok {
			out = append(out, d)
		}
	}
	return out
}

// TestDriftSignal: a tool that is checked daily jumps by four standard
// deviations: the check that shows it says so, and since when; an adjustment
// ends the series.
func TestDriftSignal(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	c := newScene(t)
	n := 0
	for ; n < 60; n++ {
		o := check("k2", n, 0.5+0.3*r.NormFloat64())
		if got := signals(c.s, o); len(got) > 0 {
			t.Fatalf("a tool in order signalled at check %d: %+v", n, got)
		}
		evolve(c.s, o.AtUs, o)
	}
	var got []events.DriftSignalled
	for ; n < 66 && len(got) == 0; n++ {
		o := check("k2", n, 1.7+0.3*r.NormFloat64())
		got = signals(c.s, o)
		evolve(c.s, o.AtUs, o)
	}
	if len(got) == 0 {
		t.Fatal("a jump of four standard deviations is not signalled")
	}
	d := got[0]
	if !d.High || d.Tool != "k2" || d.Rule == "" || math.Abs(d.Centre-0.5) > 0.2 || d.SinceUs < testStart+58*oneDay || d.SinceUs > d.AtUs || d.ARL0 < 900 || d.Source == "" {
		t.Errorf("%+v", d)
	}
	evolve(c.s, c.at, events.ToolAdjusted{Tool: "k2", AtUs: testStart + 70*oneDay})
	if len(c.s.Series["k2"]) != 0 {
		t.Error("an adjustment does not end the series")
	}
	evolve(c.s, c.at, events.CalibrationJudged{Tool: "k2", Calibration: "K1", Phase: events.PhaseLeft, AtUs: testStart + 71*oneDay,
		Results: []events.CalibrationResult{{Point: quantity.NewtonMetres(60).Value(), Direction: "cw", Unit: "%", Deviation: 0.1}, {Point: quantity.NewtonMetres(60).Value(), Direction: "ccw", Unit: "%", Deviation: 0.2}}})
	evolve(c.s, c.at, check("k2", 72, 0.3))
	if s := c.s.Series["k2"]; len(s) != 2 || len(s[0].AtUs) != 2 || s[1].Direction != "ccw" {
		t.Errorf("as-left and check are not one series: %+v", s)
	}
}

// TestSeriesAreBounded: memory does not follow the number of checks.
func TestSeriesAreBounded(t *testing.T) {
	c := newScene(t)
	for n := range 300 {
		o := check("k2", n, float64(n))
		o.Point = quantity.NewtonMetres(float64(10 + n%40)).Value()
		evolve(c.s, o.AtUs, o)
		evolve(c.s, o.AtUs, check("s5", n, float64(n)))
	}
	if n := len(c.s.Series["k2"]); n != mostSeries {
		t.Errorf("%d series, want %d", n, mostSeries)
	}
	if s := c.s.Series["s5"][0]; len(s.AtUs) != drift.MostCharted || s.Deviation[0] != 200 {
		t.Errorf("%d checks kept from %v on", len(s.AtUs), s.Deviation[0])
	}
}

// tracedJob is a job of CASE with pulls of a tool, to be released.
func tracedJob(c *scene, id, tool string, r *rand.Rand, factor float64) (*Job, []events.PullWeighed) {
	p := c.s.Procedures[ProcKey("CASE", "A")]
	j := newJob(events.JobOpened{Job: id, Weighed: true}, p)
	joint := 3 * math.Exp(0.03*r.NormFloat64())
	var pulls []events.PullWeighed
	for k := range 8 {
		rate := factor * joint * math.Exp(0.06*r.NormFloat64())
		pulls = append(pulls, events.PullWeighed{Reading: uint64(k + 1), Job: id, Step: "case", Tool: tool, AtUs: c.at,
			Explanations: []events.Explanation{{Kind: events.ExplainedNext, P: 0.99}}, Trace: &events.TraceFound{RateNmDeg: rate}})
	}
	j.Steps[0].Weigh[0].Log = []*Evidence{{Op: "pull", Pull: pulls[0]}}
	return j, pulls
}

// TestSuspicion: of four wrenches on like joints one reads 6 % more. It becomes
// suspect, no other does, and nothing is blocked; a check that finds it good ends
// the suspicion.
func TestSuspicion(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	c := newScene(t)
	c.line("release-procedure case")
	var suspected []events.ToolSuspected
	jobs := 0
	for ; jobs < 600 && len(suspected) == 0; jobs++ {
		tool, factor := []string{"k2", "s5", "big", "last"}[jobs%4], 1.0
		if tool == "s5" {
			factor = 1.06
		}
		j, pulls := tracedJob(c, fmt.Sprint("J", jobs), tool, r, factor)
		x := &tx{s: c.s, at: c.at, job: j, out: []events.Outcome{{Data: events.JobReleased{Job: j.ID}}}}
		x.watchTools()
		for _, o := range x.out[1:] {
			suspected = append(suspected, o.Data.(events.ToolSuspected))
		}
		c.s.rates(j, pulls)
	}
	if len(suspected) != 1 || suspected[0].Tool != "s5" || math.Abs(suspected[0].Factor-1.06) > 0.025 || suspected[0].Lower > 1.06 || suspected[0].Upper < 1.06 {
		t.Fatalf("after %d jobs: %+v", jobs, suspected)
	}
	t.Logf("6 %% more: suspect after %d jobs of its own, %d pulls: %s", jobs/4, suspected[0].Pulls, suspected[0].Why)
	evolve(c.s, c.at, suspected[0])
	if _, ok := c.s.Suspects["s5"]; !ok || len(c.s.Alerts) != 0 {
		t.Error("the suspicion is not kept, or raised an alert")
	}
	s, err := Restore(mustSnapshot(t, c.s))
	if err != nil || string(mustSnapshot(t, s)) != string(mustSnapshot(t, c.s)) {
		t.Errorf("a snapshot loses what production said: %v", err)
	}
	evolve(c.s, c.at, check("s5", 1, 0.2))
	if _, ok := c.s.Suspects["s5"]; ok || len(c.s.Peers.Tools()) != 3 {
		t.Error("a good check does not end the suspicion")
	}
	// What the tool did before is not counted again.
	j, pulls := tracedJob(c, "late", "s5", r, 1.06)
	c.s.rates(j, pulls)
	if len(c.s.Peers.Tools()) != 3 {
		t.Error("pulls from before the check were counted")
	}
}
