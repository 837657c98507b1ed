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
