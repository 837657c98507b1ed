package match

import (
	"math"
	"testing"
)

// However many pulls speak for a miss, some hypotheses in which all is well stay,
// so that the odds are ones that were weighed.
func TestSomeStayTidy(t *testing.T) {
	f := New(nil, Joint{N: 20, Strict: true, Target: 100, LSL: 94, USL: 106, Known: taughtShop()})
	for i := range 20 {
		deg := 40.0
		if i%5 == 4 { // each far too little for a first one
			deg = 2
		}
		f = f.Pull(made(i, 6*float64(i), 101, deg))
		tidy := 0
		for k := range f.hyps {
			if f.hyps[k].tidy() {
				tidy++
			}
		}
		if tidy == 0 {
			t.Fatalf("pull %d: none of %d hypotheses leaves nothing behind", i, len(f.hyps))
		}
	}
	if m := f.Missed(); !m.Say || m.P >= 1 || f.AllTight() <= 0 {
		t.Errorf("%+v, all tight %g", m, f.AllTight())
	}
}

// No odds go beyond what was let go of.
func TestOddsAreBounded(t *testing.T) {
	f := New(nil, four(taughtShop()))
	for i := range 3 { // one short
		f = f.Pull(made(i, 6*float64(i), 101, 40))
	}
	m := f.Missed()
	if !m.Say || m.Odds > 1/max(f.Dropped(), 1e-12)*(1+1e-9) || math.IsInf(m.LR, 0) {
		t.Errorf("odds %g, dropped %g", m.Odds, f.Dropped())
	}
}

// With torque alone a wait is weighed by the later ones too: an even pace that
// shows only afterwards makes an early short wait the more suspicious.
func TestLaterWaitsWeighEarlierOnes(t *testing.T) {
	run := func(gaps []float64) float64 {
		f := New(nil, Joint{N: 12, Strict: true, Target: 100, LSL: 94, USL: 106})
		at := 0.0
		for i, g := range gaps {
			at += g
			q := made(i, at, 101, math.NaN())
			q.Tool.Angle = false
			f = f.Pull(q)
		}
		return f.Missed().Odds
	}
	even := []float64{0, 8.1, 1.5, 7.9, 8.3, 8, 7.8, 8.2, 8.1, 7.9, 8, 8.2}
	uneven := []float64{0, 8.1, 1.5, 3, 14, 5, 11, 2.5, 9, 6, 16, 8}
	if a, b := run(even), run(uneven); a < 10*b {
		t.Errorf("odds %.3g at an even pace, %.3g at an uneven one", a, b)
	}
}

// Taking a value out of a normal again leaves what there was.
func TestWithout(t *testing.T) {
	p := newPrior(1, 0.5, 0.3, 6)
	n := p.start()
	for _, x := range []float64{1.1, 0.9, 1.3} {
		n = p.with(n, x)
	}
	m := p.without(p.with(n, 1.2), 1.2)
	if m.n != n.n || math.Abs(m.mean-n.mean) > 1e-12 || math.Abs(m.b-n.b) > 1e-12 {
		t.Errorf("got %+v, want %+v", m, n)
	}
}

// What differs from job to job is told apart from the spread within one.
func TestIntervalsWithinAndBetweenJobs(t *testing.T) {
	var xs []float64
	for job := range 20 {
		pace := math.Exp(0.4 * normalQuantile((float64(job)+0.5)/20))
		for i := range 12 {
			xs = append(xs, 5*pace*math.Exp(0.1*normalQuantile((float64((i*7+job*5)%12)+0.5)/12)))
		}
	}
	k := KnownFrom(nil, nil, nil, xs, nil).FreshInterval
	if w, b := math.Sqrt(k.Var), math.Sqrt(k.Between); w < 0.05 || w > 0.2 || b < 0.25 || b > 0.55 {
		t.Errorf("within %.3f, between %.3f; made with 0.1 and 0.4", w, b)
	}
}

// How often first pulls turned oddly little is learned.
func TestLowTurnsTeach(t *testing.T) {
	var xs []float64
	for i := range 300 {
		xs = append(xs, 60*(1+0.12*normalQuantile((float64(i)+0.5)/300)))
	}
	plain := KnownFrom(xs, nil, nil, nil, nil)
	for i := range 6 {
		xs[i*50] = 18
	}
	odd := KnownFrom(xs, nil, nil, nil, nil)
	if plain.FreshAngle.Low > 1 || odd.FreshAngle.Low < 5.5 {
		t.Fatalf("%g and %g values are low", plain.FreshAngle.Low, odd.FreshAngle.Low)
	}
	turns := []float64{61, 58, 18, 63}
	a, b := run(New(nil, four(plain)), turns...).Missed().Odds, run(New(nil, four(odd)), turns...).Missed().Odds
	if a < 2*b {
		t.Errorf("a pull of 18°: odds %.3g on a joint that never showed one, %.3g on one that did", a, b)
	}
}
