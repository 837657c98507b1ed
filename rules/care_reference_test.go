package rules

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	read "witnessmark/rules/internal/published"
)

// careFlow is an invented shop with one wrench of a class and one reference,
// and a calibration that goes all the way through Decide and Evolve.
type careFlow struct {
	t *testing.T
	r *runner
}

func newCareFlow(t *testing.T, class string, refU float64) *careFlow {
	t.Helper()
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	f := &careFlow{t, &runner{s: New(), at: testStart}}
	shop := events.Shop{ID: "fenholt", Name: "Fenholt Driveline", Benches: []events.Bench{{ID: "axle"}},
		People: []events.Person{{ID: "quim", Role: events.RoleMetrology}},
		Tools: []events.Tool{
			{ID: "w", Kind: events.ToolTorqueWrench, Serial: "1", Least: nm(20), Most: nm(200), URel: 0.01, Class: class, Calibrated: "2026-06-01", Due: "2027-06-01"},
			{ID: "ref", Kind: events.ToolTorqueTester, Serial: "2", Least: nm(1), Most: nm(400), URel: refU, Reference: true, Certificate: "TR-1", Calibrated: "2026-06-01", Due: "2027-06-01"}}}
	if out := f.r.tell(events.ShopDescribed{Shop: shop, Hash: "1"}); len(out) != 1 || f.r.s.Tools["w"] == nil {
		t.Fatalf("the shop is not adopted: %+v", out)
	}
	return f
}

func (f *careFlow) ask() events.Ask { return events.Ask{By: "quim", Bench: "axle"} }

// open begins a calibration and returns its plan.
func (f *careFlow) open(rule string, readings int, points ...float64) []events.CalibrationPair {
	f.t.Helper()
	d := events.CalibrationAsked{Ask: f.ask(), Tool: "w", Reference: "ref", Phase: events.PhaseFound, Rule: rule, Readings: readings}
	for _, p := range points {
		d.Points = append(d.Points, quantity.NewtonMetres(p).Value())
	}
	out := f.r.tell(d)
	o, ok := out[0].Data.(events.CalibrationOpened)
	if !ok {
		f.t.Fatalf("not opened: %+v", out[0].Data)
	}
	return o.Plan
}

// judge fills the plan with one pair of values, preloads apart, and closes it.
func (f *careFlow) judge(tool, ref float64) events.CalibrationJudged {
	f.t.Helper()
	for p, open := f.r.s.PairingAt("axle"); open && p.Row < p.Rows; p, open = f.r.s.PairingAt("axle") {
		a, b := tool, ref
		if p.Plan.Preload {
			a, b = 200, 200
		}
		out := f.r.tell(events.CalibrationPairAsked{Ask: f.ask(), Tool: quantity.NewtonMetres(a).Value(), ToolUnit: "N.m", Reference: quantity.NewtonMetres(b).Value(), ReferenceUnit: "N.m"})
		if ref, refused := out[0].Data.(events.RequestRefused); refused {
			f.t.Fatalf("pair %v %v: %s", a, b, ref.Text)
		}
	}
	for _, o := range f.r.tell(events.CalibrationCloseAsked{Ask: f.ask()}) {
		if j, ok := o.Data.(events.CalibrationJudged); ok {
			return j
		}
	}
	f.t.Fatal("not judged")
	return events.CalibrationJudged{}
}

// decision.csv D10 to D14: 100 N·m ± 4 %, U = 1.0 % of a reference, w = U. The
// rows are in N·m at 100 N·m, where both are the same. Acceptance limit,
// probability of conformity and decision to the printed digits, through a whole
// calibration: all readings alike, no resolution, so that U is the reference's.
func TestDecisionTableThroughACalibration(t *testing.T) {
	lo, hi, _ := strings.Cut(read.Cell(t, "decision.csv", "D10"), " to ")
	for id, y := range map[string]float64{"D11": 102.9, "D12": 103.2, "D13": 104, "D14": 95.5} {
		f := newCareFlow(t, "I C", 0.01)
		f.open("guard", 2, 100)
		j := f.judge(y, 100)
		p, want, _ := strings.Cut(read.Cell(t, "decision.csv", id), "; ")
		r := j.Results[0]
		read.Near(t, id+" probability of conformity", r.P, read.Number(t, p), 0.501e-6)
		read.Near(t, id+" U", r.U, 1, 1e-12)
		read.Near(t, id+" upper acceptance limit", 100+r.Accept, read.Number(t, hi), 1e-9)
		read.Near(t, id+" lower acceptance limit", 100-r.Accept, read.Number(t, lo), 1e-9)
		standing := map[string]events.Standing{"accept": events.StandingGood, "reject (inside tolerance)": events.StandingDoubt, "reject (outside tolerance)": events.StandingBad}[want]
		if standing == "" || r.Standing != standing || j.Standing != standing {
			t.Errorf("%s: %s, as a whole %s, want %s (%q)", id, r.Standing, j.Standing, standing, want)
		}
	}
}

// iso6789.csv I22 to I24: the reference stands below the line. 100 against 96
// is 4.17 % and fails ± 4 %; dividing by the tool's value would give 4.0 and
// pass. 100 against 104 is −3.85 % and passes.
func TestDeviationThroughACalibration(t *testing.T) {
	for _, c := range []struct {
		id   string
		xr   float64
		want events.Standing
	}{{"I22", 96, events.StandingBad}, {"I23", 104, events.StandingGood}, {"I24", 98.5, events.StandingGood}} {
		f := newCareFlow(t, "I C", 0.005)
		f.open("simple", 2, 100)
		j := f.judge(100, c.xr)
		read.Printed(t, "iso6789.csv", c.id, j.Results[0].Deviation)
		if j.Standing != c.want {
			t.Errorf("%s: %s, want %s", c.id, j.Standing, c.want)
		}
		if bad := f.r.s.Tools["w"].State == events.ToolQuarantined; bad != (c.want == events.StandingBad) {
			t.Errorf("%s: in quarantine %t", c.id, bad)
		}
	}
}

// iso6789.csv I26 and I28 to I32 (memory rows): points, readings at each and
// preloads of the plan that the bench page leads through.
func TestPlanOfEachClass(t *testing.T) {
	n := func(id string) int { return int(read.Row(t, "iso6789.csv", id)) }
	for class, want := range map[string]struct {
		points            []float64
		readings, preload int
	}{
		"I A": {[]float64{20, 120, 200}, n("I28"), n("I31")}, "I C": {[]float64{20, 120, 200}, n("I28"), n("I31")},
		"II A": {[]float64{20, 120, 200}, n("I29"), n("I32")}, "II B": {[]float64{200}, n("I30"), n("I32")}, "II C": {[]float64{200}, n("I30"), n("I32")},
	} {
		plan := newCareFlow(t, class, 0.005).open("guard", 0)
		if got := len(plan); got != want.preload+want.readings*len(want.points) {
			t.Errorf("class %s: %d rows, want %d preloads and %d readings at %v", class, got, want.preload, want.readings, want.points)
			continue
		}
		for i, p := range plan {
			at, preload := 200.0, i < want.preload
			if !preload {
				at = want.points[(i-want.preload)/want.readings]
			}
			if p.Preload != preload || math.Abs(p.Point.Base()-at) > 1e-9 || p.Direction != "cw" {
				t.Errorf("class %s row %d: %+v, want %v N·m, preload %t", class, i, p, at, preload)
			}
		}
	}
}

// iso6789.csv I35 (memory): 12 months or 5,000 cycles, whichever is first.
// After 5,000 readings the tool is refused, one before it is not; a good
// calibration makes it good for 12 months and 5,000 cycles more.
func TestDueAfterCyclesOrMonths(t *testing.T) {
	var months, cycles int
	if _, err := fmt.Sscanf(read.Cell(t, "iso6789.csv", "I35"), "%d months or %d cycles", &months, &cycles); err != nil {
		t.Fatal(err)
	}
	f := newCareFlow(t, "I C", 0.005)
	pull := events.ReadingTaken{Device: "w", Tool: "w", Bench: "axle", Mode: events.ModePeak, Text: "100", Unit: "N.m", Value: quantity.NewtonMetres(100).Value()}
	for i := range cycles {
		if why := f.r.s.Unfit("w", f.r.at); why != "" {
			t.Fatalf("refused after %d cycles: %s", i, why)
		}
		f.r.tell(pull)
	}
	if why := f.r.s.Unfit("w", f.r.at); !strings.Contains(why, "5000 cycles") {
		t.Errorf("after %d cycles: %q, want it refused for its cycles", cycles, why)
	}
	f.open("simple", 2, 100)
	if j := f.judge(100, 100); j.Cycles != int64(cycles) || j.Due != testStart.Time().AddDate(0, months, 0).Format("2006-01-02") {
		t.Errorf("calibrated at %d cycles, due %s", j.Cycles, j.Due)
	}
	last := events.InstantOf(testStart.Time().AddDate(0, months, 0))
	if why := f.r.s.Unfit("w", last); why != "" {
		t.Errorf("refused on its last day: %s", why)
	}
	if why := f.r.s.Unfit("w", events.InstantOf(testStart.Time().AddDate(0, months, 1))); why == "" {
		t.Error("not refused the day after")
	}
}

// What a pull of a tool that is being calibrated, or that is refused, shows at
// once: nothing, since it counts for no fastener.
func TestGlanceLeavesCareAlone(t *testing.T) {
	for what, do := range map[string]string{"nothing": "", "quarantine": "move k2 to quarantined by quim because dropped", "calibration": "calibrate k2 with ref at axle as found by quim"} {
		c := newScene(t)
		for _, line := range []string{"release-procedure case", "open J1 at axle using CASE", "K2 26.0 lbf·ft", do} {
			if line != "" {
				c.line(line)
			}
		}
		pull := c.fact(strings.Fields("K2 26.1 lbf·ft"), nil)
		_, shown := Glance(c.s, events.Entry{Seq: c.seq + 1, Event: events.Event{Time: c.at, Data: pull}})
		if shown != (what == "nothing") {
			t.Errorf("with %s a pull shows %t", what, shown)
		}
	}
}
