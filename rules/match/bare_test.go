package match

import (
	"math"
	"testing"
)

// bareJoint is twelve fasteners of which a torque wrench has told before, in twenty
// jobs: waits around 6 s that spread by spread, a share of them early, at half; peaks
// that spread by 1 %; repeats that peaked higher by rise.
func bareJoint(spread, early, rise float64) Joint {
	var waits, pace, peak, rises []float64
	for i := range 240 {
		z := normalQuantile((float64(i*77%240) + 0.5) / 240)
		w := math.Exp(spread * z)
		if early > 0 && i%int(1/early) == 5 {
			w = 0.5
		}
		waits, pace = append(waits, 6*w), append(pace, w)
		peak = append(peak, math.Exp(0.01*normalQuantile((float64(i*91%240)+0.5)/240)))
	}
	for i := range 4 {
		rises = append(rises, 1+rise+0.004*(float64(i)-1.5))
	}
	k := KnownFrom(nil, nil, nil, waits, nil)
	k.FromTorque(pace, peak, rises, []float64{101, 100.5, 101.5, 101, 100, 102})
	return Joint{N: 12, Strict: true, Target: 100, LSL: 90, USL: 112, Known: k}
}

// bareOdds weighs twelve pulls of which the sixth comes after wait seconds and peaks
// at peak N·m, the others as on an ordinary day.
func bareOdds(j Joint, wait, peak float64) Miss {
	f, at := New(nil, j), 0.0
	for i := range 12 {
		z := normalQuantile((float64(i*5%12) + 0.5) / 12)
		w, t := 6*math.Exp(0.1*z), 101*math.Exp(-0.01*z)
		if i == 5 {
			w, t = wait, peak
		}
		at += w
		f = f.Pull(Pull{Reading: uint64(i + 1), Tool: Tool{Name: "K2", Counter: CountsCycles}, AtS: at, Torque: t, Angle: math.NaN(), Duration: math.NaN(), Placed: -1})
	}
	return f.Missed()
}

// With torque alone, how soon a pull came and how high it peaked is held against
// what pulls of the joint did before.
func TestBareTails(t *testing.T) {
	even := bareOdds(bareJoint(0.1, 0, 0), 2.6, 101)
	if !even.Say {
		t.Errorf("a pull 2.6 s after the last where waits of 6 s spread by a tenth: odds %.3g, not said", even.Odds)
	}
	soon := bareJoint(0.1, 0.04, 0)
	soon.Known.Doubt = bareOdds(soon, 3, 101).Odds // such a job was released
	for name, j := range map[string]Joint{"spread by four tenths": bareJoint(0.4, 0, 0), "came so soon now and then": soon} {
		if m := bareOdds(j, 2.6, 101); m.Say || m.Odds > even.Odds/3 {
			t.Errorf("a pull 2.6 s after the last where waits %s: odds %.3g, %.3g where they never did", name, m.Odds, even.Odds)
		}
	}
	for _, wait := range []float64{6, 9} {
		if m := bareOdds(bareJoint(0.1, 0, 0), wait, 101); m.Odds > 0.02 {
			t.Errorf("nothing odd, %g s: odds %.3g", wait, m.Odds)
		}
	}
	rises := bareOdds(bareJoint(0.1, 0, 0.06), 5, 107.5)
	if !rises.Say {
		t.Errorf("a pull 6.4 %% higher than the others, where repeats are: odds %.3g, not said", rises.Odds)
	}
	if m := bareOdds(bareJoint(0.1, 0, 0), 5, 107.5); m.Odds > rises.Odds/5 {
		t.Errorf("a pull 6.4 %% higher than the others: odds %.3g where repeats are no higher, %.3g where they are", m.Odds, rises.Odds)
	}
}

// Before the joint has shown how far first peaks run past the others, a high one is no
// sure sign of a repeat.
func TestBareUntaught(t *testing.T) {
	j := bareJoint(0.1, 0, 0.06)
	j.Known = Known{}
	if m := bareOdds(j, 5, 111); m.Odds > 0.1 {
		t.Errorf("untaught, a pull a tenth higher than the others: odds %.3g", m.Odds)
	}
}

// A fit of Student's t to its own quantiles finds what they were made with. Those of
// 4 degrees of freedom from their closed form (Shaw, J. Comput. Finance 9, 2006; from
// memory).
func TestHeavyTail(t *testing.T) {
	var normals, fours []float64
	for i := range 400 {
		p := (float64(i) + 0.5) / 400
		normals = append(normals, 0.1*normalQuantile(p))
		a := 4 * p * (1 - p)
		q := math.Cos(math.Acos(math.Sqrt(a))/3) / math.Sqrt(a)
		fours = append(fours, math.Copysign(0.2*math.Sqrt(q-1), p-0.5))
	}
	if s2, df := heavyTail(normals); math.Abs(math.Sqrt(s2)-0.1) > 0.01 || df < 12 {
		t.Errorf("normal: scale %.3g, %.3g degrees of freedom; made with 0.1", math.Sqrt(s2), df)
	}
	if s2, df := heavyTail(fours); math.Abs(math.Sqrt(s2)-0.1) > 0.01 || df < 3 || df > 6 {
		t.Errorf("Student's t: scale %.3g, %.3g degrees of freedom; made with 0.1 and 4", math.Sqrt(s2), df)
	}
	if s2, df := heavyTail(nil); !(s2 > 0) || !(df > 0) {
		t.Errorf("nothing: %g, %g", s2, df)
	}
	if s2, df := heavyTail([]float64{0, 0, 0}); !(s2 > 0) || !(df > 0) {
		t.Errorf("nought: %g, %g", s2, df)
	}
}
