package residual_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/residual"
	"witnessmark/rules/trace"
)

func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../../shared/reference/" + name)
	if err != nil {
		t.Skip("SKIPPED: no shared reference data: " + name)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func row(t *testing.T, rows [][]string, id string) []string {
	t.Helper()
	for _, r := range rows {
		if r[0] == id {
			return r
		}
	}
	t.Fatalf("no row %s", id)
	return nil
}

func nm(x float64) quantity.Torque { return quantity.NewtonMetres(x) }

// TestLoosenRatio holds the computed loosening ratios J33, J35 and J37. Pitch
// diameters: ISO 724, d2 = d − 0.649519·P.
func TestLoosenRatio(t *testing.T) {
	rows := table(t, "joint.csv")
	for _, c := range []struct {
		id           string
		d, p, db, mu float64
	}{{"J33", 10, 1.5, 12.815, 0.12}, {"J35", 10, 1.5, 12.815, 0.15}, {"J37", 12, 1.75, 15.065, 0.12}} {
		want, err := strconv.ParseFloat(row(t, rows, c.id)[4], 64)
		if err != nil {
			t.Fatal(err)
		}
		mm := quantity.Millimetres
		got := residual.LoosenRatio(mm(c.p), mm(c.d-0.649519*c.p), mm(c.db), c.mu, c.mu)
		if math.Abs(got-want) > 0.0002 {
			t.Errorf("%s: %.4f, want %.4f", c.id, got, want)
		}
		r, _ := residual.RatioOf(events.ResidualLoosen)
		if got < r.Low || got > r.High {
			t.Errorf("%s: %.4f is outside the published %v to %v", c.id, got, r.Low, r.High)
		}
	}
	if s := row(t, rows, "J38")[4]; !strings.HasPrefix(s, "0.7 to 0.9") {
		t.Errorf("J38 says %q", s)
	}
}

func TestAgreement(t *testing.T) {
	for _, c := range []struct {
		method events.ResidualMethod
		peak   float64
		agrees bool
	}{
		{events.ResidualTighten, 105, true}, {events.ResidualTighten, 60, false}, {events.ResidualTighten, 170, false},
		{events.ResidualLoosen, 80, true}, {events.ResidualLoosen, 71, true}, {events.ResidualLoosen, 40, false}, {events.ResidualLoosen, 110, false},
		{events.ResidualMark, 100, true}, {events.ResidualMark, 70, false},
	} {
		r, err := residual.Judge(residual.Audit{Method: c.method, Peak: nm(c.peak), Resolution: nm(0.1), ToolU: 0.02, Installed: nm(100), InstalledU: 0.02})
		if err != nil || r.Agrees != c.agrees || r.U.NewtonMetres() <= 0.02*c.peak || r.Source == "" || r.Text == "" {
			t.Errorf("%s at %v: %+v, %v", c.method, c.peak, r, err)
		}
	}
}

// TestUncertainty works the budget out by hand: tool 2 % at k = 2 of 80 N·m
// is 0.8; resolution 1 N·m gives 1/√12 = 0.2887; the method 3 % gives 2.4.
func TestUncertainty(t *testing.T) {
	r, err := residual.Judge(residual.Audit{Method: events.ResidualLoosen, Peak: nm(80), Resolution: nm(1), ToolU: 0.02})
	want := 2 * math.Sqrt(0.8*0.8+1.0/12+2.4*2.4)
	if err != nil || math.Abs(r.U.NewtonMetres()-want) > 1e-9 {
		t.Errorf("U %v, want %v (%v)", r.U.NewtonMetres(), want, err)
	}
	if r.Agrees || r.High.NewtonMetres() != 0 || !strings.Contains(r.Text, "No installation torque") {
		t.Errorf("without an installation torque: %+v", r)
	}
}

// TestPrevailingTorque: what a self-locking nut takes is added on and does not
// shrink with the ratio. Figures: least drag of reused nuts, FAA AC 43.13-1B
// table 7-2; the bolt torque is invented.
func TestPrevailingTorque(t *testing.T) {
	for _, r := range table(t, "torque_prevailing.csv")[1:] {
		lbfIn, err := strconv.ParseFloat(r[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		drag := quantity.PoundInches(lbfIn)
		clamp := 10 * drag.NewtonMetres()
		a := residual.Audit{Method: events.ResidualLoosen, Peak: nm(0.8*clamp + drag.NewtonMetres()), Installed: nm(clamp + drag.NewtonMetres()), Prevailing: drag}
		got, err := residual.Judge(a)
		if err != nil || !got.Agrees {
			t.Errorf("%s: %+v, %v", r[2], got, err)
		}
		middle := (got.Low.NewtonMetres() + got.High.NewtonMetres()) / 2
		if want := 0.8*clamp + drag.NewtonMetres(); math.Abs(middle-want) > 1e-9*want {
			t.Errorf("%s: middle %v, want %v", r[2], middle, want)
		}
	}
}

// TestFirstMovement audits a made trace: wind-up to 92 N·m, then it moves on,
// to 104. The peak is not what is judged.
func TestFirstMovement(t *testing.T) {
	tr := &events.Trace{PeriodUs: 2000}
	for i := range 400 {
		torque, angle := 0.46*float64(i), 0.0138*float64(i)
		if i > 200 {
			torque, angle = 92+0.06*float64(i-200), 0.0138*200+0.04*float64(i-200)
		}
		tr.Torque, tr.Angle = append(tr.Torque, torque), append(tr.Angle, angle)
	}
	for i := range 50 {
		tr.Torque, tr.Angle = append(tr.Torque, 104*float64(49-i)/50), append(tr.Angle, 10.7-3*float64(i)/50)
	}
	f := trace.Measure(tr, trace.Spec{Target: nm(100)})
	r, err := residual.Judge(residual.Audit{Method: events.ResidualFirstMovement, Peak: nm(104), Trace: &f, ToolU: 0.02, Installed: nm(95)})
	if err != nil || math.Abs(r.Residual.NewtonMetres()-92) > 1.5 || !r.Agrees {
		t.Errorf("%+v, %v", r, err)
	}
}

func TestWhatCannotBeJudged(t *testing.T) {
	still := trace.Measure(&events.Trace{PeriodUs: 1000, Torque: []float64{0, 50, 0}, Angle: []float64{0, 1, 0}}, trace.Spec{})
	for name, a := range map[string]residual.Audit{
		"no method":   {Peak: nm(10)},
		"no trace":    {Method: events.ResidualFirstMovement, Peak: nm(10)},
		"no movement": {Method: events.ResidualFirstMovement, Peak: nm(10), Trace: &still},
		"no torque":   {Method: events.ResidualTighten},
		"no number":   {Method: events.ResidualLoosen, Peak: nm(math.NaN())},
	} {
		if r, err := residual.Judge(a); err == nil || !strings.Contains(err.Error(), ":") {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
}
