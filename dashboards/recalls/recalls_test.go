package recalls

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules/recall"
)

var start = events.InstantOf(time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC))

func nm(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }

// journal writes an invented journal straight into a ledger.
type journal struct {
	t   testing.TB
	l   *ledger.Ledger
	seq uint64
	buf []events.Entry
}

func newJournal(t testing.TB) *journal {
	l, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(t.TempDir(), "ledger.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return &journal{t: t, l: l}
}

// decide adds a decision with these outcomes.
func (j *journal) decide(os ...events.OutcomeData) uint64 {
	j.seq++
	d := events.Decided{Cause: j.seq, CauseUs: start, Rules: "t"}
	for _, o := range os {
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: o})
	}
	j.buf = append(j.buf, events.Entry{Seq: j.seq, Event: events.Event{Source: events.SourceRules, Number: j.seq, Time: start, Data: d}})
	if len(j.buf) == 20_000 {
		j.flush()
	}
	return j.seq
}

func (j *journal) flush() {
	j.t.Helper()
	if err := j.l.Apply(j.t.Context(), j.buf); err != nil {
		j.t.Fatal(err)
	}
	j.buf = j.buf[:0]
}

const perJob = 12 // fasteners of an invented joint

// pulls adds n pulls of a tool over 100 days, twelve a job: 100 N·m ± 4 %, the
// third job of four of class A; every tenth job is still open.
func (j *journal) pulls(tool string, n int, r *rand.Rand) []events.ReadingJudged {
	var out []events.ReadingJudged
	for i := range n {
		job := fmt.Sprintf("%s-%05d", tool, i/perJob)
		if i%perJob == 0 {
			j.decide(events.JobOpened{Job: job, UnitSerial: "RA-" + job, Customer: fmt.Sprint("customer ", i/perJob%5), Procedure: "RA-210", Revision: "B"})
		}
		class := "B"
		if i/perJob%4 == 3 {
			class = "A"
		}
		o := events.ReadingJudged{
			Reading: uint64(1_000_000 + len(out)), Job: job, Step: "cover", Fastener: fmt.Sprint(i%perJob + 1), Verdict: events.Within, Value: nm(100 * (1 + 0.008*r.NormFloat64())),
			LSL: nm(96), Target: nm(100), USL: nm(104), U: nm(1), Tool: tool, Class: class, AtUs: start + events.Instant(float64(i)/float64(n)*100*86400e6),
		}
		j.decide(o)
		out = append(out, o)
		if i%perJob == perJob-1 && i/perJob%10 != 0 {
			j.decide(events.JobReleased{Job: job})
		}
	}
	j.flush()
	return out
}

// wrench is an invented recall: good at the start, 5 % high after 100 days.
func wrench() Inquiry {
	return Inquiry{Tool: "k2",
		Good: events.RecallStanding{What: "entered", AtUs: start - 1, Levels: []events.RecallLevel{{Deviation: 0, U: 1}}},
		Bad:  events.RecallStanding{What: "entered", AtUs: start + 100*86400e6, Levels: []events.RecallLevel{{Deviation: 5, U: 1}}},
	}
}

// TestListIsWhatJudgeSays: the list from the ledger holds what recall.Judge finds
// among the same pulls, in the same order, in whole and the first of it.
func TestListIsWhatJudgeSays(t *testing.T) {
	j := newJournal(t)
	r := rand.New(rand.NewPCG(1, 2))
	all := j.pulls("k2", 12_000, r)
	j.pulls("s5", 500, r)
	in := wrench()
	span := SpanOf(in.Good, in.Bad, len(all))
	var rs []recall.Reading
	for i, o := range all {
		rs = append(rs, recall.Reading{ID: fmt.Sprint(o.Reading), Class: o.Class, At: o.AtUs.Time(), Cycles: i, Value: o.Value, Lower: o.LSL, Upper: o.USL, U: 50 * o.U.Base() / o.Value.Base()})
	}
	want, err := span.Judge(rs, Least, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, most := range []int{0, 300} {
		in.Most = most
		got, err := Make(t.Context(), j.l, in)
		if err != nil {
			t.Fatal(err)
		}
		n := len(want.Doubts)
		if most > 0 {
			n = most
		}
		if got.InSpan != len(all) || got.InDoubt != want.InDoubt || len(got.Lines) != n || got.More != (most > 0) || got.Position != j.seq {
			t.Fatalf("%d in span, %d in doubt, %d lines, more %v at %d; want %d, %d, %d", got.InSpan, got.InDoubt, len(got.Lines), got.More, got.Position, len(all), want.InDoubt, n)
		}
		for i := range got.Lines {
			l, d := &got.Lines[i], &want.Doubts[i]
			if fmt.Sprint(l.Reading) != d.Reading.ID || l.P() != d.P() || l.Worst.P != d.Worst.POutside || l.Line != i+1 || l.Customer == "" || l.UnitSerial != "RA-"+l.Job {
				t.Fatalf("line %d: %+v, want %+v", i, l, d)
			}
			if (l.Status == ledger.Released) != ((l.Reading-1_000_000)/perJob%10 != 0) {
				t.Fatalf("line %d: status %s", i, l.Status)
			}
		}
	}
}

// TestReplacedReadingsAreLeftOut: what was pulled again since, or voided, is not
// listed; it was in the span all the same.
func TestReplacedReadingsAreLeftOut(t *testing.T) {
	j := newJournal(t)
	all := j.pulls("k2", 120, rand.New(rand.NewPCG(1, 2)))
	again := all[119]
	again.Reading, again.Tool = 77, "s5"
	j.decide(again)
	j.decide(events.ReadingVoided{Reading: all[118].Reading, Job: all[118].Job, Step: "cover", Fastener: all[118].Fastener})
	j.flush()
	in := wrench()
	in.Least = 1e-9
	l, err := Make(t.Context(), j.l, in)
	if err != nil {
		t.Fatal(err)
	}
	if l.Replaced != 2 || len(l.Lines) != l.InDoubt-2 || slices.ContainsFunc(l.Lines, func(x events.RecallLine) bool { return x.Reading == all[118].Reading || x.Reading == all[119].Reading }) {
		t.Errorf("%d replaced, %d lines of %d", l.Replaced, len(l.Lines), l.InDoubt)
	}
	gs := Groups(l.Lines)
	if len(gs) != 10 || gs[0].Job != l.Lines[0].Job || gs[0].Customer != l.Lines[0].Customer {
		t.Errorf("%d jobs", len(gs))
	}
	seen := map[string]bool{}
	for i, g := range gs {
		if i > 0 && gs[i-1].Customer != g.Customer && seen[g.Customer] {
			t.Errorf("customer %s is in two places", g.Customer)
		}
		seen[g.Customer] = true
	}
	if n := len(l.Requests(events.Ask{}, "R", "why")); n != 1 {
		t.Errorf("%d requests", n)
	}
}

// TestSpanFromHistory: from the newest finding of a tool out of tolerance back to
// when it was last known good, with the deviations of each point.
func TestSpanFromHistory(t *testing.T) {
	j := newJournal(t)
	ctx := t.Context()
	span := func(bad string) (from, to events.RecallStanding, err error) {
		err = j.l.AtOnce(ctx, func(q *ledger.Queries) error { from, to, err = SpanFor(ctx, q, "k2", bad); return err })
		return from, to, err
	}
	j.decide(events.ShopAdopted{Shop: events.Shop{Tools: []events.Tool{{ID: "k2", URel: 0.01, Calibrated: "2026-01-05", Due: "2027-01-05"}}}})
	j.flush()
	if _, _, err := span(""); !errors.Is(err, ErrInquiry) {
		t.Errorf("nothing was found bad: %v", err)
	}
	day := events.Instant(86400e6)
	result := func(point, deviation float64, direction string, st events.Standing) events.CalibrationResult {
		return events.CalibrationResult{Point: nm(point), Direction: direction, Unit: "%", Deviation: deviation, U: 1, Permitted: 4, Standing: st}
	}
	j.decide(events.CheckJudged{Check: "c1", Tool: "k2", Point: nm(60), Deviation: 6, U: 1, Standing: events.StandingBad, AtUs: start})
	j.flush()
	from, to, err := span("")
	if err != nil || from.What != "shop file" || from.Levels[0].U != 1 || to.ID != "c1" || !to.Levels[0].At.IsZero() {
		t.Errorf("%v: %+v to %+v", err, from, to)
	}
	j.decide(events.CalibrationJudged{Calibration: "k-left", Tool: "k2", Phase: events.PhaseLeft, Standing: events.StandingGood, AtUs: start + day, Cycles: 10,
		Results: []events.CalibrationResult{result(40, 0.5, "cw", events.StandingGood), result(200, 0.2, "cw", events.StandingGood)}})
	j.decide(events.CheckJudged{Check: "c2", Tool: "k2", Point: nm(60), Deviation: 1, U: 1, Standing: events.StandingGood, AtUs: start + 40*day, Cycles: 900})
	j.decide(events.CalibrationJudged{Calibration: "k-found", Tool: "k2", Phase: events.PhaseFound, Standing: events.StandingBad, AtUs: start + 60*day, Cycles: 1500,
		Results: []events.CalibrationResult{result(200, 4.5, "cw", events.StandingBad), result(40, -5, "cw", events.StandingBad), result(40, 2, "ccw", events.StandingGood)}})
	j.decide(events.CalibrationJudged{Calibration: "k-left2", Tool: "k2", Phase: events.PhaseLeft, Standing: events.StandingGood, AtUs: start + 60*day + 1, Results: []events.CalibrationResult{result(40, 0, "cw", events.StandingGood)}})
	j.flush()
	if from, to, err = span(""); err != nil || from.ID != "c2" || from.Cycles != 900 || to.ID != "k-found" || len(to.Levels) != 2 || to.Levels[0].Deviation != -5 || to.Levels[1].Deviation != 4.5 {
		t.Errorf("%v: %+v to %+v", err, from, to)
	}
	if from, to, err = span("c1"); err != nil || from.What != "shop file" || to.ID != "c1" {
		t.Errorf("%v: %+v to %+v", err, from, to)
	}
	if _, _, err = span("c2"); !errors.Is(err, ErrInquiry) {
		t.Errorf("a good check: %v", err)
	}
}

// BenchmarkMillionPulls is a recall over a million pulls of one tool, from the
// ledger; see also 'witnessmark bench recall'.
func BenchmarkMillionPulls(b *testing.B) {
	j := newJournal(b)
	j.pulls("k2", 1_000_000, rand.New(rand.NewPCG(1, 2)))
	for name, deviation := range map[string]float64{"few in doubt": 1.5, "most in doubt": 5} {
		b.Run(name, func(b *testing.B) {
			in := wrench()
			in.Bad.Levels[0].Deviation, in.Most = deviation, 200
			for b.Loop() {
				l, err := Make(b.Context(), j.l, in)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(float64(l.InDoubt), "in-doubt")
			}
		})
	}
}
