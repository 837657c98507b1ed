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
	k.FromTorque(Values{X: pace}, Values{X: peak}, rises, []float64{101, 100.5, 101.5, 101, 100, 102})
	Hands([]*Known{&k}, []Values{{X: pace}}, []Values{{X: peak}})
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

// On a day on which the waits of the pass before spread twice as far, a short one says
// less; and so do the peaks, where the waits of the pass do.
func TestBareDay(t *testing.T) {
	even, wild := bareJoint(0.1, 0, 0), bareJoint(0.1, 0, 0)
	wild.Mood.Spread = Spread{Sum: 240, N: 60}
	if a, b := bareOdds(even, 3.4, 101), bareOdds(wild, 3.4, 101); b.Odds > a.Odds/2 {
		t.Errorf("a pull 3.4 s after the last: odds %.3g, %.3g where the hands spread twice as far before", a.Odds, b.Odds)
	}
}

// One that was left out in the pass before, by all that its pulls told, is likelier left
// out again, and is the one that is named.
func TestLeftAgain(t *testing.T) {
	j := bareJoint(0.1, 0, 0.04)
	alone := bareOdds(j, 5, 104.5)
	j.Left = make([]float64, 12)
	j.Left[8] = 0.3
	again := bareOdds(j, 5, 104.5)
	if again.Odds < 3*alone.Odds || len(again.Candidates) == 0 || again.Candidates[0].Fastener != 8 {
		t.Errorf("odds %.3g alone, %.3g after a pass in which 9 seemed left out; candidates %v", alone.Odds, again.Odds, again.Candidates)
	}
	if m := bareOdds(j, 6, 101); m.Say {
		t.Errorf("nothing odd in this pass: odds %.3g, said", m.Odds)
	}
}

// The last pull of a pass hardly turned: either the place was lost there, or somebody who
// found one left out took a tight one for it. So others are named, too.
func TestBackToTheWrongOne(t *testing.T) {
	f := New(nil, Joint{N: 8, Strict: true, Target: 100, LSL: 90, USL: 112})
	for i := range 8 {
		q := Pull{Reading: uint64(i + 1), Tool: Tool{Name: "K2", Angle: true, Counter: CountsCycles}, AtS: 6 * float64(i), Torque: 100 + 0.2*float64(i%3), Angle: 60 + 3*float64(i%4), Duration: math.NaN(), Placed: -1}
		if i == 7 {
			q.Angle = 1.5
		}
		f = f.Pull(q)
	}
	m := f.Missed()
	if !m.Say || len(m.Candidates) < 4 || m.Candidates[0].Fastener != 7 || m.Candidates[0].P > 0.9 || m.Candidates[2].P < 0.01 {
		t.Errorf("odds %.3g, candidates %v", m.Odds, m.Candidates)
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
	if s2, df := heavyTail1(normals); math.Abs(math.Sqrt(s2)-0.1) > 0.01 || df < 12 {
		t.Errorf("normal: scale %.3g, %.3g degrees of freedom; made with 0.1", math.Sqrt(s2), df)
	}
	if s2, df := heavyTail1(fours); math.Abs(math.Sqrt(s2)-0.1) > 0.01 || df < 3 || df > 6 {
		t.Errorf("Student's t: scale %.3g, %.3g degrees of freedom; made with 0.1 and 4", math.Sqrt(s2), df)
	}
	if s2, df := heavyTail1(nil); !(s2 > 0) || !(df > 0) {
		t.Errorf("nothing: %g, %g", s2, df)
	}
	if s2, df := heavyTail1([]float64{0, 0, 0}); !(s2 > 0) || !(df > 0) {
		t.Errorf("nought: %g, %g", s2, df)
	}
	// What one list has too few values to tell, several do together, however wide each.
	few := [][]float64{nil}
	for i := range 40 {
		var part []float64
		for k := i; k < 400; k += 40 {
			part = append(part, normals[k]*float64(1+i%3))
		}
		few = append(few, part)
	}
	s2, df := heavyTails(few)
	if df < 12 {
		t.Errorf("forty short lists: %.3g degrees of freedom together", df)
	}
	if r := math.Sqrt(s2[2] / s2[1]); r < 1.6 || r > 2.4 {
		t.Errorf("twice as wide: %.3g", r)
	}
	if _, alone := heavyTail1(few[1]); alone > df/1.5 {
		t.Errorf("one short list by itself: %.3g degrees of freedom, together %.3g", alone, df)
	}
}

func heavyTail1(ys []float64) (scale2, df float64) {
	all, df := heavyTails([][]float64{ys})
	return all[0], df
}
