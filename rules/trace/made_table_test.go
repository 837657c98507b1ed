package trace_test

import (
	"math"
	"testing"

	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

var spec = trace.Spec{Target: quantity.NewtonMetres(100)}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.4g, want %.4g ± %.2g", what, got, want, tol)
	}
}

// The traces here are made: no open set has traces of hand wrenches, labelled
// re-hits, break-overs or breakaways.

func TestFreshPull(t *testing.T) {
	f := trace.Measure(fresh().make(), spec)
	near(t, "peak", f.PeakNm, 101, 0.2)
	near(t, "snug", f.SnugNm, 20, 1)
	near(t, "snug to peak, with wind-up", f.SnugDeg, 50+windUp*0.81, 1)
	near(t, "net rotation above half", f.NetDeg, 50*(101-50.5)/81, 0.6)
	near(t, "spring-back", f.SpringDeg, windUp, 0.25)
	near(t, "rate", f.RateNmDeg, 81/(50+windUp*0.81), 0.05)
	near(t, "run-in", f.RunInNm, 13, 1)
	if f.BreakNm > 0 || f.Codes != 0 || f.Swings != 1 {
		t.Errorf("breakaway %v, codes %v, %d swings", f.BreakNm, f.Codes.Strings(), f.Swings)
	}
}

func TestRepeatHardlyTurns(t *testing.T) {
	f := trace.Measure(repeat().make(), spec)
	near(t, "net rotation", f.NetDeg, 0.2, 0.3)
	if f.SnugNm > 0 {
		t.Errorf("snug at %v in a tight joint", f.SnugNm)
	}
}

// A tight fastener stands still until the torque is there again; a loose one does
// not, and one that an earlier pass had left moves long before.
func TestStill(t *testing.T) {
	for name, x := range map[string]struct {
		p     pull
		still bool
	}{
		"fresh": {fresh(), false}, "repeat": {repeat(), true}, "moves on at its torque": {pull{start: 98, snug: 98, top: 104, turn: 5}, true},
		"second pass": {pull{start: 65, snug: 65, top: 101, turn: 25}, false},
	} {
		f := trace.Measure(x.p.make(), spec)
		if got := f.Codes.Has(trace.Still); got != x.still {
			t.Errorf("%s: still %v, want %v (nothing moved up to %.4g of %.4g N·m)", name, got, x.still, f.StillNm, f.PeakNm)
		}
	}
}

func TestBreakaway(t *testing.T) {
	f := trace.Measure(pull{start: 104, snug: 104, top: 103, drop: 0.06, turn: 6}.make(), spec)
	near(t, "peak of static friction", f.BreakNm, 104, 3)
	near(t, "drop", f.BreakDrop, 0.05, 0.03)
	f = trace.Measure(pull{start: 90, snug: 90, top: 104, turn: 8}.make(), spec)
	near(t, "first movement", f.MoveNm, 90, 1.5)
	near(t, "net rotation", f.NetDeg, 8, 0.3)
}

func TestFindings(t *testing.T) {
	with := func(f func(*pull)) trace.Codes {
		p := fresh()
		f(&p)
		return trace.Measure(p.make(), spec).Codes
	}
	for name, c := range map[string]struct{ got, want trace.Codes }{
		"click":      {with(func(p *pull) { p.click = true }), trace.Click},
		"stripping":  {with(func(p *pull) { p.after = 25 }), trace.Strip | trace.Flat},
		"stick-slip": {with(func(p *pull) { p.ripple = 8 }), trace.StickSlip},
		"slow":       {with(func(p *pull) { p.us = 12000 }), trace.Slow},
		"sound":      {with(func(*pull) {}), 0},
	} {
		if c.got != c.want {
			t.Errorf("%s: found %v, want %v", name, c.got.Strings(), c.want.Strings())
		}
	}
}

// A pull that leaves its line shows it at its own first sight, whether its torque
// creeps on or falls; a sound one does not, nor a wrench that breaks over.
func TestFlat(t *testing.T) {
	second := pull{start: 65, snug: 65, top: 101, turn: 25}
	stiff := pull{start: 70, snug: 70, top: 101, turn: 40, wind: 12, kept: 0.2} // a tool whose spring-back is less than its wind-up
	for name, x := range map[string]struct {
		p    pull
		flat bool
	}{
		"sound": {fresh(), false}, "repeat": {repeat(), false}, "second pass": {second, false}, "second pass, less spring-back": {stiff, false}, "breaks over": {pull{start: 6, snug: 20, top: 101, run: 120, turn: 50, click: true}, false},
		"strips": {pull{start: 6, snug: 20, top: 101, run: 120, turn: 50, after: 50}, true}, "stretches": {pull{start: 6, snug: 20, top: 96, run: 120, turn: 48, creep: 50}, true},
		"second pass strips": {pull{start: 65, snug: 65, top: 101, turn: 25, after: 25}, true}, "second pass stretches": {pull{start: 65, snug: 65, top: 96, turn: 22, creep: 25}, true},
		"stick and slip": {pull{start: 6, snug: 20, top: 101, run: 120, turn: 50, ripple: 8}, false}, "hard": {pull{start: 6, snug: 20, top: 101, run: 40, turn: 12}, false},
	} {
		f := trace.Measure(x.p.make(), spec)
		if got := f.Codes.Has(trace.Flat); got != x.flat {
			t.Errorf("%s: flat %v, want %v (%.3g° beyond its line)", name, got, x.flat, f.FlatDeg)
		}
	}
}

func TestSwingsAndReHits(t *testing.T) {
	a, b, c := pull{start: 6, snug: 20, top: 50, run: 60, turn: 20}, pull{start: 50, snug: 50, top: 80, turn: 20}, pull{start: 80, snug: 80, top: 101, turn: 12}
	f := trace.Measure(join(a.make(), b.make(), c.make()), spec)
	if f.Swings != 3 {
		t.Fatalf("%d swings, want 3", f.Swings)
	}
	near(t, "net rotation of all swings", f.NetDeg, 20+12, 1)
	f = trace.Measure(join(fresh().make(), repeat().make()), spec)
	if f.Swings != 2 {
		t.Fatalf("%d swings, want 2", f.Swings)
	}
	near(t, "re-hit", math.Min(f.Swing[0].NetDeg, f.Swing[1].NetDeg), 0.2, 0.3)
	many := join(repeat().make(), repeat().make())
	for range 4 {
		many = join(many, many)
	}
	if f = trace.Measure(many, spec); f.Swings != 32 {
		t.Errorf("%d swings, want 32", f.Swings)
	}
}

// TestDipIsNoRelease: a dip to a fifth for 30 ms stays one swing, one of 60 ms
// with the angle back by the spring-back makes two.
func TestDipIsNoRelease(t *testing.T) {
	for _, c := range []struct {
		samples, swings, dips int
		back                  float64
	}{{25, 1, 1, 0}, {50, 2, 0, 3}, {50, 1, 0, 0}} {
		tr := fresh().make()
		i := len(tr.Torque) - 200 // torque is on its way up
		for tr.Torque[i] > 85 {
			i--
		}
		for j := i; j < i+c.samples; j++ {
			tr.Torque[j] = 0.2 * tr.Torque[i-1]
			tr.Angle[j] = tr.Angle[i-1] - c.back
		}
		if f := trace.Measure(tr, spec); f.Swings != c.swings || f.Dips != c.dips {
			t.Errorf("%d samples, angle back %v: %d swings, %d dips, want %d, %d", c.samples, c.back, f.Swings, f.Dips, c.swings, c.dips)
		}
	}
}

// TestPeakLoss holds the table of the data set's README at its own rates.
func TestPeakLoss(t *testing.T) {
	for _, c := range []struct{ hz, want float64 }{{400, 0.009}, {200, 0.021}, {100, 0.045}, {50, 0.13}, {20, 0.42}, {10, 0.75}} {
		near(t, "loss", trace.PeakLoss(c.hz), c.want, 1e-9)
	}
	last := 1.0
	for hz := 1.0; hz < 5000; hz *= 1.1 {
		l := trace.PeakLoss(hz)
		if !(l > 0 && l <= last) {
			t.Errorf("at %.4g Hz %v after %v", hz, l, last)
		}
		last = l
	}
	for _, hz := range []float64{0, -1, math.NaN()} {
		if trace.PeakLoss(hz) != 1 {
			t.Errorf("at %v Hz: want 1", hz)
		}
	}
}
