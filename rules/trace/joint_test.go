package trace_test

import (
	"encoding/csv"
	"math"
	"os"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

// joint.csv J31, computed there: a linear build-up from a tenth to all of 100 N·m
// over 27, 324 and 650 degrees (a hard and two soft joints of ISO 5393) rises
// by 3.3333, 0.27778 and 0.13846 N·m a degree.
func TestRateOfHardAndSoftJoints(t *testing.T) {
	f, err := os.Open("../../../shared/reference/joint.csv")
	if err != nil {
		t.Skip("SKIPPED: no shared reference data: joint.csv")
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	there := false
	for _, r := range rows {
		there = there || r[0] == "J31" && r[4] == "3.3333; 0.27778; 0.13846"
	}
	if !there {
		t.Fatal("joint.csv no longer has the rates 3.3333; 0.27778; 0.13846 in J31")
	}
	for deg, want := range map[float64]float64{27: 3.3333, 324: 0.27778, 650: 0.13846} {
		tr := &events.Trace{PeriodUs: 1000}
		for k := range 1001 {
			x := float64(k) / 1000
			tr.Torque, tr.Angle = append(tr.Torque, 10+90*x), append(tr.Angle, deg*x)
		}
		for k := 1; k <= 60; k++ { // let go, and back by the spring-back
			y := float64(k) / 60
			tr.Torque, tr.Angle = append(tr.Torque, 100*(1-y)), append(tr.Angle, deg-3*y)
		}
		m := trace.Measure(tr, trace.Spec{Target: quantity.NewtonMetres(100)})
		if math.Abs(m.RateNmDeg/want-1) > 0.01 {
			t.Errorf("over %g°: %g N·m a degree, want %g", deg, m.RateNmDeg, want)
		}
		if math.Abs(m.TurnDeg-deg) > 0.01*deg {
			t.Errorf("over %g°: turned %g°", deg, m.TurnDeg)
		}
	}
}
