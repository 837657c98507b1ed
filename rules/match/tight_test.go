package match

import (
	"math"
	"testing"
)

// What second pulls in one pass turned tells of the others, the less the further their
// torques are apart, and nothing against those of the pass itself.
func TestTightTurns(t *testing.T) {
	of := func(turns ...Turns) []*Known {
		ks := make([]*Known, len(turns))
		for i := range ks {
			ks[i] = &Known{}
		}
		TightTurns(ks, turns)
		return ks
	}
	deg := func(k *Known) float64 { return math.Exp(k.Tight.Mean) }

	none := of(Turns{Target: 50}, Turns{X: []float64{math.NaN()}, Target: 100})
	if none[0].Tight != (Tight{}) || none[1].Tight != (Tight{}) {
		t.Errorf("of nothing: %+v, %+v", none[0].Tight, none[1].Tight)
	}

	// The logarithm of a rotation of 10° has the floor's 0.01 in it (turnLog).
	k := of(Turns{X: []float64{10}, Target: 100}, Turns{Target: 100}, Turns{Target: 50}, Turns{Target: 25}, Turns{})
	if math.Abs(k[0].Tight.Worth-1) > 1e-9 || math.Abs(deg(k[0])-10.1) > 0.05 {
		t.Errorf("its own: %+v", k[0].Tight)
	}
	for i, want := range []float64{10.1, 10.1, 10.1 / math.Sqrt2, 10.1 / 2, 10.1} {
		if math.Abs(deg(k[i])-want) > 0.05 {
			t.Errorf("pass %d: %.3g°, want %.3g°", i, deg(k[i]), want)
		}
	}
	if a, b, c := k[1].Tight, k[2].Tight, k[3].Tight; !(a.Worth < 1 && b.Worth < a.Worth && c.Worth < b.Worth && c.Worth > 0 && a.Var < b.Var && b.Var < c.Var) {
		t.Errorf("no less of passes further away: %+v, %+v, %+v", a, b, c)
	}

	own := []float64{4, 4.2, 3.8, 4.1, 3.9}
	k = of(Turns{X: own, Target: 100}, Turns{X: []float64{12, 13}, Target: 100})
	if d := deg(k[0]); d < 4 || d > 5.5 || !(k[0].Tight.Worth > 5) {
		t.Errorf("five of its own against two of another: %.3g°, worth %.3g", d, k[0].Tight.Worth)
	}
	one := KnownFrom(nil, own, nil, nil, nil).Tight
	if !(one.Var < k[1].Tight.Var) || math.Abs(math.Exp(one.Mean)-4.25) > 0.1 {
		t.Errorf("by itself: %+v", one)
	}
}

// In a hard joint a first pull that reads 17° is two thirds a tool that winds up by 10°: a
// pull of 10° is only then more likely a second one, when that is known of the tool.
func TestTightTurnsTell(t *testing.T) {
	var fresh []float64
	for i := range 60 {
		fresh = append(fresh, 17*math.Exp(0.1*math.Sin(float64(7*i))))
	}
	odds := func(taught bool) float64 {
		k := KnownFrom(fresh, nil, nil, nil, nil)
		if taught { // of another joint
			TightTurns([]*Known{&k, {}}, []Turns{{Target: 100}, {X: []float64{10.2}, Target: 80}})
		}
		f := New(nil, Joint{N: 8, Strict: true, Target: 100, LSL: 90, USL: 110, Known: k})
		for i, a := range []float64{17, 16.2, 18, 10, 16.8, 17.5, 18.1, 16.5} {
			f = f.Pull(Pull{AtS: float64(6 * i), Torque: 101, Angle: a, Duration: math.NaN(), Placed: -1, Reading: uint64(i + 1)})
		}
		return f.Missed().Odds
	}
	if a, b := odds(false), odds(true); !(b > 1.5*a) {
		t.Errorf("odds %.3g untaught, %.3g taught", a, b)
	}
}

// A joint that turns by 0.2° for each N·m that a pass adds, pulled with a tool that winds up
// by 0.1° for each N·m of all: two lines through nothing, worked by hand.
func TestWindUpByPasses(t *testing.T) {
	pass := func(joint int, before, target, settles float64) (Known, Turns) {
		a := 0.2*(target-before) + 0.1*target + settles
		return KnownFrom([]float64{a, a, a, a, a, a, a, a, a, a}, nil, nil, nil, nil), Turns{Joint: joint, Target: target, Before: before}
	}
	var ks []*Known
	var turns []Turns
	add := func(k Known, t Turns) { ks, turns = append(ks, &k), append(turns, t) }
	add(pass(0, 0, 30, 40)) // drawn together first
	add(pass(0, 30, 60, 0))
	add(pass(0, 60, 100, 0))
	add(pass(1, 0, 40, 0))
	add(pass(1, 40, 100, 0))
	add(pass(2, 0, 40, 60))
	add(pass(2, 40, 100, 0)) // the first pass outweighs it
	add(pass(3, 0, 40, 0))
	add(pass(3, 40, 100, 30)) // soft
	add(pass(4, 40, 100, 0))  // the one before it is not among these
	for i, want := range []float64{math.NaN(), 6, 10, math.NaN(), 10, math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()} {
		got, off := windUpBy(ks, turns, i)
		// turnLog's floor takes 1/a° off or adds it: up to 0.2° here.
		if math.IsNaN(want) != math.IsNaN(got) || math.Abs(got-want) > 0.3 {
			t.Errorf("pass %d: %.3g°, want %.3g°", i, got, want)
		}
		if known(got) && !(off > windBetween && off < 0.6) {
			t.Errorf("pass %d: off by %.3g", i, off)
		}
	}
	TightTurns(ks, turns)
	if d := math.Exp(ks[2].Tight.Mean); d < 9.5 || d > 10.5 || !(ks[2].Tight.Worth > 0.1 && ks[2].Tight.Worth < 1) {
		t.Errorf("taught %+v", ks[2].Tight)
	}
	if ks[0].Tight != (Tight{}) {
		t.Errorf("of a first pass: %+v", ks[0].Tight)
	}
	ks[1].FreshAngle.N = windFrom - 1
	if w, _ := windUpBy(ks, turns, 1); known(w) {
		t.Errorf("of few values: %g°", w)
	}
}

// Of torques that rise by one factor, the rotations are in proportion however much of them
// is wind-up: there they tell nothing.
func TestWindUpOfOneFactor(t *testing.T) {
	for _, last := range []float64{99, 99.9, 100, 100.1, 101} {
		var ks []*Known
		var turns []Turns
		for _, p := range [][2]float64{{25, 50}, {50, last}} {
			a := 0.2*(p[1]-p[0]) + 0.1*p[1]
			k := KnownFrom([]float64{a, a, a, a, a, a, a, a, a, a}, nil, nil, nil, nil)
			ks, turns = append(ks, &k), append(turns, Turns{Target: p[1], Before: p[0]})
		}
		TightTurns(ks, turns)
		if k := ks[1].Tight; k.Worth > 0.02 || k != k {
			t.Errorf("to %g N·m: %+v", last, k)
		}
	}
}
