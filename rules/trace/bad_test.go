package trace_test

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"witnessmark/events"
	"witnessmark/rules/trace"
)

// TestBadTraces: each fault gets its code, and what is left stays usable.
func TestBadTraces(t *testing.T) {
	timed := func() *events.Trace {
		tr := fresh().make()
		for i := range tr.Torque {
			tr.TimesUs = append(tr.TimesUs, int64(i)*tr.PeriodUs)
		}
		tr.PeriodUs = 0
		return tr
	}
	for name, c := range map[string]struct {
		spoil func(*events.Trace) *events.Trace
		want  trace.Codes
		turns bool // net rotation is still known
	}{
		"time backwards": {func(tr *events.Trace) *events.Trace {
			tr.TimesUs[300], tr.TimesUs[500] = 10, 20
			return tr
		}, trace.TimeBackwards, true},
		"gap of 100 ms": {func(tr *events.Trace) *events.Trace {
			for i := 600; i < len(tr.TimesUs); i++ {
				tr.TimesUs[i] += 100e3
			}
			return tr
		}, trace.Gap, true},
		"equal times": {func(tr *events.Trace) *events.Trace {
			for i := range tr.TimesUs {
				tr.TimesUs[i] = tr.TimesUs[i/2*2]
			}
			return tr
		}, trace.EqualTimes, true},
		"not a number": {func(tr *events.Trace) *events.Trace {
			tr.Torque[400], tr.Torque[401] = math.NaN(), math.Inf(1)
			return tr
		}, trace.NotANumber, true},
		"angle missing in part": {func(tr *events.Trace) *events.Trace {
			for i := 400; i < 440; i++ {
				tr.Angle[i] = math.NaN()
			}
			return tr
		}, trace.AnglePart, true},
		"angle too short": {func(tr *events.Trace) *events.Trace { tr.Angle = tr.Angle[:100]; return tr }, trace.AnglePart | trace.Lengths | trace.NoAngle, false},
		"times too short": {func(tr *events.Trace) *events.Trace { tr.TimesUs = tr.TimesUs[:len(tr.TimesUs)-20]; return tr }, trace.Lengths, true},
		"no angle":        {func(tr *events.Trace) *events.Trace { tr.Angle = nil; return tr }, trace.NoAngle, false},
		"negative angle": {func(tr *events.Trace) *events.Trace {
			for i := range tr.Angle {
				tr.Angle[i] = -tr.Angle[i]
			}
			return tr
		}, trace.AngleNegative, true},
		"zero shifted": {func(tr *events.Trace) *events.Trace {
			for i := range tr.Torque {
				tr.Torque[i] += 15
			}
			return tr
		}, trace.NoZero, true},
		"ends at the peak": {func(tr *events.Trace) *events.Trace {
			n := slices.Index(tr.Torque, slices.Max(tr.Torque)) + 1
			tr.Torque, tr.Angle, tr.TimesUs = tr.Torque[:n], tr.Angle[:n], tr.TimesUs[:n]
			return tr
		}, trace.NoRelease, true},
	} {
		f := trace.Measure(c.spoil(timed()), spec)
		if f.Codes&^trace.Dip != c.want {
			t.Errorf("%s: found %v, want %v", name, f.Codes.Strings(), c.want.Strings())
		}
		if !(f.PeakNm > 95) {
			t.Errorf("%s: peak %v", name, f.PeakNm)
		}
		if known := f.NetDeg > 25; known != c.turns {
			t.Errorf("%s: net rotation %v", name, f.NetDeg)
		}
	}
}

func TestNothingToFind(t *testing.T) {
	for name, tr := range map[string]*events.Trace{
		"none": nil, "empty": {}, "one sample": {PeriodUs: 1000, Torque: []float64{0}}, "all zero": {PeriodUs: 1000, Torque: make([]float64, 50), Angle: make([]float64, 50)},
		"all not a number": {PeriodUs: 1000, Torque: []float64{math.NaN(), math.NaN()}}, "against the pull": {PeriodUs: 1000, Torque: []float64{-1, -5, -1}},
	} {
		if f := trace.Measure(tr, spec); !f.Codes.Has(trace.Empty) {
			t.Errorf("%s: %v, want empty", name, f.Codes.Strings())
		}
	}
	f := trace.Measure(&events.Trace{PeriodUs: 1000, Torque: []float64{30}, Angle: []float64{0}}, spec)
	if f.PeakNm != 30 || !f.Codes.Has(trace.NoRelease) {
		t.Errorf("one sample: peak %v, %v", f.PeakNm, f.Codes.Strings())
	}
}

func TestSoundTraceAllocatesNothing(t *testing.T) {
	tr := fresh().make()
	if n := testing.AllocsPerRun(50, func() { f := trace.Measure(tr, spec); sink = f.NetDeg }); n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}

// TestOneUnusable: a single figure beyond any tool's is found wherever it stands,
// and one at the bound is none.
func TestOneUnusable(t *testing.T) {
	for at := range 140 {
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.Nextafter(1e7, 2e7), -1e8} {
			tr := fresh().make()
			tr.Torque[at+300] = bad
			tr.Angle[at] = bad
			if f := trace.Measure(tr, spec); !f.Codes.Has(trace.NotANumber|trace.AnglePart) || f.PeakNm > 102 || f.Samples != len(tr.Torque)-1 {
				t.Fatalf("%v at sample %d: %v, peak %v, %d samples", bad, at, f.Codes.Strings(), f.PeakNm, f.Samples)
			}
		}
		tr := fresh().make()
		tr.Torque[at], tr.Torque[at+1] = 1e7, -1e7
		if f := trace.Measure(tr, spec); f.Codes.Has(trace.NotANumber) || f.PeakAt != at || f.PeakNm != 1e7 {
			t.Fatalf("the bound at sample %d: %v, peak %v at %d", at, f.Codes.Strings(), f.PeakNm, f.PeakAt)
		}
	}
}

func TestTraceIsNotChanged(t *testing.T) {
	tr := fresh().make()
	tr.Angle[5] = math.NaN()
	tr.Torque[7] = math.Inf(-1)
	was, angles := slices.Clone(tr.Torque), slices.Clone(tr.Angle)
	trace.Measure(tr, spec)
	for i := range was {
		if was[i] != tr.Torque[i] || angles[i] != tr.Angle[i] && angles[i] == angles[i] {
			t.Fatalf("sample %d was changed", i)
		}
	}
}

// FuzzMeasure: no trace makes it panic, and what it finds can be written as
// JSON: no figure is infinite.
func FuzzMeasure(f *testing.F) {
	f.Add([]byte{1, 2, 3}, int64(1000), false, uint8(0))
	f.Add([]byte("a pull that rises and falls"), int64(0), true, uint8(3))
	f.Fuzz(func(t *testing.T, raw []byte, period int64, loosen bool, spoil uint8) {
		tr := &events.Trace{PeriodUs: period}
		odd := []float64{math.NaN(), math.Inf(1), 1e300, -1e300, 0, 1e-300}
		for i, b := range raw {
			tr.Torque = append(tr.Torque, float64(int8(b)))
			tr.Angle = append(tr.Angle, float64(i)*float64(int8(raw[len(raw)-1-i]))/7)
			tr.TimesUs = append(tr.TimesUs, int64(i)*1000-int64(b%5)*400)
			if spoil&1 != 0 && b%11 == 0 {
				tr.Torque[i] = odd[int(b)%len(odd)]
			}
			if spoil&2 != 0 && b%7 == 0 {
				tr.Angle[i] = odd[int(b)%len(odd)]
			}
			if spoil&4 != 0 && b%13 == 0 {
				tr.TimesUs[i] = math.MinInt64 + int64(b)
			}
		}
		if spoil&8 != 0 {
			tr.Angle = tr.Angle[:len(raw)/2]
		}
		if spoil&16 != 0 {
			tr.TimesUs = tr.TimesUs[:len(raw)/2]
		}
		s := spec
		s.Loosen = loosen
		found := trace.Evaluate(tr, s)
		if _, err := json.Marshal(found); err != nil {
			t.Fatalf("%+v: %v", found, err)
		}
		if found.PeakLoss < 0 || found.PeakLoss > 1 || found.DurationUs < 0 {
			t.Fatalf("%+v", found)
		}
	})
}
