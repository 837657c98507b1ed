package gauge

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

func at(seconds float64) events.Instant { return events.Instant(1e15 + seconds*1e6) }

// stream samples a course of a value, mm over seconds, with noise and steps.
func stream(seconds, rate, noise, step float64, seed uint64, course func(s float64) float64) []Sample {
	rng := rand.New(rand.NewPCG(seed, 7))
	var out []Sample
	for i := range int(seconds * rate) {
		s := float64(i) / rate
		v := course(s) + noise*rng.NormFloat64()
		if step > 0 {
			v = math.Round(v/step) * step
		}
		out = append(out, Sample{At: at(s), V: quantity.Millimetres(v).Value()})
	}
	return out
}

// rock goes to and fro between 0 and play, holding each end.
func rock(play, hold, move float64) func(float64) float64 {
	return func(s float64) float64 {
		t := math.Mod(s, 2*(hold+move))
		switch {
		case t < hold:
			return 0
		case t < hold+move:
			return play * (t - hold) / move
		case t < 2*hold+move:
			return play
		}
		return play * (1 - (t-2*hold-move)/move)
	}
}

func still(step float64) Stillness {
	return Stillness{Resolution: quantity.Millimetres(step).Value()}
}

// TestPlayInNoise: made data; the truth is known, and the mean of the strokes
// must be within its own expanded uncertainty of it, with noise of up to five
// steps.
func TestPlayInNoise(t *testing.T) {
	for _, noise := range []float64{0, 0.0003, 0.001, 0.002} {
		for seed := range uint64(10) {
			const play = 0.187
			s := stream(30, 25, noise, 0.001, seed, rock(play, 1.5, 0.6))
			ps := still(0.001).Plateaus(s, quantity.Value{})
			var vs []float64
			var points []Point
			for _, p := range ps {
				vs = append(vs, p.V.Base())
				points = append(points, Point{Kind: Stop, V: p.V, Spread: p.Spread, Resolution: quantity.Millimetres(0.001).Value()})
			}
			if got := FindPlay(vs, 0.001); len(got.Strokes) < 10 {
				t.Fatalf("noise %g: %d strokes of %d values at rest", noise, len(got.Strokes), len(vs))
			}
			r, err := Evaluate(Input{Spec: Spec{Method: EndPlay}.Complete(), Points: points, Step: 0.001, Unit: quantity.Millimetre})
			if err != nil {
				t.Fatal(err)
			}
			if d := math.Abs(r.Value.Base() - play); d > r.U.Base() {
				t.Errorf("noise %g, seed %d: %.4f, off by %.4f, U %.4f", noise, seed, r.Value.Base(), d, r.U.Base())
			}
		}
	}
}

func TestStickSlip(t *testing.T) {
	for _, c := range []struct {
		name     string
		values   []float64
		mean     float64
		strokes  int
		rejected int
	}{
		{"clean", []float64{0, 0.2, 0, 0.2, 0, 0.2}, 0.2, 5, 0},
		{"stuck on the way, then slipped on", []float64{0, 0.13, 0.2, 0, 0.2, 0.05, 0, 0.2}, 0.2, 5, 2},
		{"stopped short once", []float64{0, 0.2, 0, 0.12, 0, 0.2, 0}, 0.2, 4, 1},
		{"before it was set", []float64{5, 0, 0.2, 0, 0.2, 0, 0.2}, 0.2, 5, 1},
		{"knocked once", []float64{0, 0.2, 0, 0.2, 0, 0.9, 0, 0.2, 0}, 0.2, 6, 1},
		{"downwards first", []float64{0.2, 0, 0.2, 0, 0.2}, 0.2, 4, 0},
		{"counts the other way", []float64{0, -0.2, 0, -0.2, 0, -0.2}, 0.2, 5, 0},
		{"the same value twice", []float64{0, 0, 0.2, 0.2, 0, 0.2}, 0.2, 3, 2},
		{"nothing", nil, 0, 0, 0},
		{"one", []float64{1}, 0, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := FindPlay(c.values, 0.001)
			if math.Abs(p.Mean-c.mean) > 1e-9 || len(p.Strokes) != c.strokes || p.Rejected != c.rejected {
				t.Errorf("got %+v", p)
			}
		})
	}
}

// TestPlayIsOfTheStops: strokes are never longer than the whole way, whatever
// comes.
func TestPlayIsOfTheStops(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs := rapid.SliceOf(rapid.Float64Range(-5, 5)).Draw(t, "values")
		p := FindPlay(vs, 0.001)
		if p.Rejected < 0 || p.Rejected > len(vs) {
			t.Fatalf("%d of %d rejected", p.Rejected, len(vs))
		}
		for _, s := range p.Strokes {
			if !(s >= 0 && s <= rangeOf(vs)+1e-12) {
				t.Fatalf("stroke %v of %v", s, vs)
			}
		}
		if len(p.Strokes) > 0 && !(p.Mean >= 0 && p.SD >= 0) {
			t.Fatalf("%+v", p)
		}
	})
}

func TestOutOfRoundIsNotEccentric(t *testing.T) {
	f, err := FitTurn(wave(200, 0.002, 70, 0.040, 2))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "eccentricity", f.Eccentricity.Millimetres(), 0.002, 1e-9)
	near(t, "form", f.Form.Millimetres(), 0.080, 1e-4)
	near(t, "movement", f.Movement.Millimetres(), 0.080, 0.005)
}

// TestAnyTurn: whatever the eccentricity and where the readings lie, an exact
// first harmonic comes back.
func TestAnyTurn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ecc, dir, mean := rapid.Float64Range(0.001, 2).Draw(t, "ecc"), rapid.Float64Range(0, 359.9).Draw(t, "dir"), rapid.Float64Range(-5, 5).Draw(t, "mean")
		n := rapid.IntRange(6, 60).Draw(t, "n")
		ps := make([]Polar, n)
		for i := range ps {
			a := 2 * math.Pi * (float64(i) + rapid.Float64Range(-0.4, 0.4).Draw(t, "off")) / float64(n)
			ps[i] = Polar{quantity.Radians(a), quantity.Millimetres(mean + ecc*math.Cos(a-dir*math.Pi/180))}
		}
		f, err := FitTurn(ps)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(f.Eccentricity.Millimetres()-ecc) > 1e-9*(1+ecc+math.Abs(mean)) || f.Form.Millimetres() > 1e-9*(1+math.Abs(mean)) {
			t.Fatalf("%+v", f)
		}
		d := math.Abs(f.Direction.Degrees() - dir)
		if math.Min(d, 360-d) > 1e-5 {
			t.Fatalf("direction %g, want %g", f.Direction.Degrees(), dir)
		}
	})
}

func TestBadTurns(t *testing.T) {
	half := wave(100, 0.1, 0, 0, 0)[:12] // 43° of the turn
	for _, ps := range [][]Polar{nil, half[:3], half} {
		if f, err := FitTurn(ps); err == nil {
			t.Errorf("%d readings of part of a turn gave %+v", len(ps), f)
		}
	}
}

func TestTurnsAreCut(t *testing.T) {
	turn := func(s float64) float64 { // 4 s a turn
		a := 2 * math.Pi * s / 4
		return 0.05*math.Cos(a-1) + 0.02*math.Cos(2*a) + 0.01*math.Cos(3*a+0.5)
	}
	for _, n := range []int{1, 2, 3, 5} {
		for _, given := range []int{n, 0} {
			s := stream(float64(n)*4+0.04, 25, 0.0005, 0.001, 3, turn)
			got := Split(s, given)
			if len(got) != n {
				t.Errorf("%d turns, told %d: cut into %d", n, given, len(got))
				continue
			}
			for _, one := range got {
				f, err := FitTurn(one)
				if err != nil {
					t.Fatal(err)
				}
				near(t, "eccentricity", f.Eccentricity.Millimetres(), 0.05, 0.001)
				near(t, "direction", f.Direction.Degrees(), 180/math.Pi, 4)
			}
		}
	}
}

// TestMarks: unevenly turned, the marks put the high spot where it is.
func TestMarks(t *testing.T) {
	// A quarter in 4, 1, 1 and 1 s.
	edges := []float64{0, 4, 5, 6, 7}
	angle := func(s float64) float64 {
		for k := range 4 {
			if s < edges[k+1] {
				return 90*float64(k) + 90*(s-edges[k])/(edges[k+1]-edges[k])
			}
		}
		return 360
	}
	s := stream(7, 50, 0, 0, 1, func(s float64) float64 { return 0.05 * math.Cos((angle(s)-120)*math.Pi/180) })
	var marks []events.Instant
	for _, e := range edges {
		marks = append(marks, at(e))
	}
	f, err := FitTurn(ByMarks(s, marks))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "direction", f.Direction.Degrees(), 120, 0.5)
	near(t, "eccentricity", f.Eccentricity.Millimetres(), 0.05, 0.0005)
	even, err := FitTurn(Split(s, 1)[0])
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(even.Direction.Degrees()-120) < 20 {
		t.Errorf("taken for even, the high spot should be off; it came out at %.0f°", even.Direction.Degrees())
	}
}

// A turn that begins at its lowest point moves so little there that its ends are
// not seen; its eccentricity and its direction are found all the same, and no form
// error is made up. A part that is out of round stays so. Made data; the truth is
// what was put in.
func TestWholeTurn(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const step = 0.001
	made := func(from, to float64, at func(rad float64) float64) []Polar {
		var ps []Polar
		for i := range 110 {
			rad := 2 * math.Pi * (from + (to-from)*float64(i)/110)
			ps = append(ps, Polar{quantity.Degrees(360 * float64(i) / 110), quantity.Millimetres(math.Round((at(rad)+0.0003*rng.NormFloat64())/step) * step)})
		}
		return ps
	}
	for _, e := range []float64{0.01, 0.025, 0.1} {
		cut := math.Acos(1-1.5*step/e) / (2 * math.Pi)
		low := made(cut, 1-cut, func(rad float64) float64 { return e * (1 - math.Cos(rad)) })
		was, _ := FitTurn(low)
		is, err := FitTurn(Whole(low, 1.5*step))
		if err != nil || math.Abs(is.Eccentricity.Millimetres()-e) > 0.03*e+0.0002 || math.Abs(is.Direction.Degrees()-180) > 4 || is.Form.Millimetres() > 0.004 {
			t.Errorf("%v mm off centre: %+v, %v; as it was cut %+v", e, is, err, was)
		}
	}
	for name, at := range map[string]func(rad float64) float64{
		"two lobes": func(rad float64) float64 { return 0.025 * math.Cos(2*rad+0.3) }, "three": func(rad float64) float64 { return 0.02 * math.Cos(3*rad) },
		"two lobes off centre": func(rad float64) float64 { return 0.02*math.Cos(2*rad) - 0.03*math.Cos(rad) }, "round": func(rad float64) float64 { return 0.03 * math.Cos(rad+1) },
		"nearly round": func(rad float64) float64 { return 0.03*math.Cos(rad+1) + 0.004*math.Cos(2*rad) }, "still": func(float64) float64 { return 0 },
	} {
		ps := made(0, 1, at)
		was, _ := FitTurn(ps)
		is, err := FitTurn(Whole(ps, 1.5*step))
		if err != nil || math.Abs(is.Eccentricity.Millimetres()-was.Eccentricity.Millimetres()) > 0.0005 || is.Form.Millimetres() < 0.9*was.Form.Millimetres() {
			t.Errorf("%s: %+v became %+v, %v", name, was, is, err)
		}
	}
}

func TestTurnEndsByItself(t *testing.T) {
	// Rest 1 s, a turn of 8 s that begins and ends anywhere on the wave, rest.
	for _, phase := range []float64{0, 45, 90, 180, 250} {
		course := func(s float64) float64 {
			a := 2 * math.Pi * math.Min(math.Max(s-1, 0), 8) / 8
			return 0.04 * (math.Cos(a-phase*math.Pi/180) - math.Cos(-phase*math.Pi/180))
		}
		s := stream(12, 25, 0.0003, 0.001, 5, course)
		ended := 0.0
		for n := range s {
			turn, done := still(0.001).Turned(s[:n])
			if !done {
				continue
			}
			ended = s[n].At.Sub(s[0].At).Seconds()
			f, err := FitTurn(Split(turn, 1)[0])
			if err != nil {
				t.Fatal(err)
			}
			near(t, "movement", f.Movement.Millimetres(), 0.08, 0.003)
			near(t, "eccentricity", f.Eccentricity.Millimetres(), 0.04, 0.003)
			break
		}
		if !(ended > 9 && ended < 11.5) {
			t.Errorf("phase %g: the turn ended at %.2f s; it was turned from 1 to 9 s", phase, ended)
		}
	}
}

func TestFlatTop(t *testing.T) {
	clipped := wave(200, 0.05, 0, 0, 0)
	for i := range clipped {
		clipped[i].V = quantity.Millimetres(math.Min(clipped[i].V.Millimetres(), 0.01))
	}
	if !Flat(clipped, 0.001) {
		t.Error("a turn cut off at a fifth of its height is not noticed")
	}
	for _, ecc := range []float64{0.002, 0.005, 0.02, 0.3} {
		w := wave(200, ecc, 0, 0, 0)
		for i := range w {
			w[i].V = quantity.Millimetres(math.Round(w[i].V.Millimetres()*1000) / 1000)
		}
		if Flat(w, 0.001) {
			t.Errorf("eccentricity %g mm: taken for an indicator at its stop", ecc)
		}
	}
}

func TestNeverSettles(t *testing.T) {
	s := stream(20, 25, 0, 0.001, 1, func(s float64) float64 { return 0.05 * math.Sin(7*s) })
	if ps := still(0.001).Plateaus(s, quantity.Value{}); len(ps) > 0 {
		t.Errorf("a swinging value settled %d times", len(ps))
	}
	drift := stream(20, 25, 0, 0.001, 1, func(s float64) float64 { return 0.02 * s })
	if ps := still(0.001).Plateaus(drift, quantity.Value{}); len(ps) > 0 {
		t.Errorf("a drifting value settled %d times", len(ps))
	}
}

func TestNoiseIsFound(t *testing.T) {
	s := stream(20, 25, 0.004, 0.0001, 2, func(s float64) float64 { return 0.05 * s })
	near(t, "noise", Noise(s), 0.004, 0.0006)
}

func TestPlaces(t *testing.T) {
	v := func(xs ...float64) (out []quantity.Length) {
		for _, x := range xs {
			out = append(out, quantity.Millimetres(x))
		}
		return out
	}
	// By hand: a plane 1.0 + 0.1·cos φ at 0, 120 and 240° is 1.1, 0.95, 0.95;
	// across the circle it rises by 0.2, over 70 mm that is 0.1637°.
	a := FindAround(v(1.1, 0.95, 0.95), quantity.Millimetres(70))
	near(t, "tilt", a.Tilt.Millimetres(), 0.2, 1e-9)
	near(t, "angle", a.TiltAngle.Degrees(), 0.1637, 1e-4)
	near(t, "at", math.Mod(a.TiltAt.Degrees()+1e-7, 360), 0, 1e-5)
	near(t, "mean", a.Mean.Millimetres(), 1, 1e-9)
	if a.LeastAt != 1 || a.GreatestAt != 0 {
		t.Errorf("%+v", a)
	}
	near(t, "even", FindAround(v(1, 1, 1), quantity.Length{}).Tilt.Millimetres(), 0, 1e-12)
}

func TestRadius(t *testing.T) {
	// By hand: 0.20 mm at 100 mm is 0.18 mm at 90 mm.
	near(t, "at the pitch radius", AtRadius(quantity.Millimetres(0.2), quantity.Millimetres(100), quantity.Millimetres(90)).Millimetres(), 0.18, 1e-12)
	near(t, "unsaid", AtRadius(quantity.Millimetres(0.2), quantity.Length{}, quantity.Millimetres(90)).Millimetres(), 0.2, 0)
	// By hand: 40 N at 150 mm is 6 N·m.
	near(t, "spring scale", AtArm(quantity.Newtons(40), quantity.Millimetres(150)).NewtonMetres(), 6, 1e-12)
}

func TestDragOfBadTraces(t *testing.T) {
	if _, err := FindDrag(nil, nil); err == nil {
		t.Error("nothing gave a drag")
	}
	if _, err := FindDrag(make([]float64, 50), nil); err == nil {
		t.Error("a tool at rest gave a drag")
	}
	if _, err := FindDrag(make([]float64, 50), make([]float64, 49)); err == nil {
		t.Error("torque and angle of different length gave a drag")
	}
	// Without angle: the start is left out by time.
	var nm []float64
	for i := range 400 {
		nm = append(nm, 2+3*math.Exp(-float64(i)/10))
	}
	d, err := FindDrag(nm, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", d.Mean.NewtonMetres(), 2, 0.02)
	if d.Over.Degrees() != 0 || d.Turned {
		t.Errorf("an angle that nobody told: %+v", d)
	}
}

// TestCoverageOfNearlyNoSpread: repeats that hardly differ leave the other
// parts, which are well known, and no wild factor.
func TestCoverageOfNearlyNoSpread(t *testing.T) {
	var points []Point
	for _, x := range []float64{0, 0.2, 0, 0.2 + 1e-15, 0, 0.2} {
		v := quantity.Millimetres(x).Value()
		points = append(points, Point{Kind: Stop, V: v, Resolution: v.WithBase(0.001)})
	}
	r, err := Evaluate(Input{Spec: Spec{Method: EndPlay}.Complete(), Step: 0.001, Unit: quantity.Millimetre, Points: points})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "coverage", r.Coverage, 2, 0.001)
}

func TestSteepLeverWarns(t *testing.T) {
	p := func(mm float64) Point {
		v := quantity.Millimetres(mm).Value()
		return Point{Kind: Stop, V: v, Resolution: v.WithBase(0.001)}
	}
	run := func(deg float64) Result {
		r, err := Evaluate(Input{Spec: Spec{Method: EndPlay, Lever: quantity.Degrees(deg)}.Complete(), Step: 0.001, Unit: quantity.Millimetre, Points: []Point{p(0), p(0.2), p(0), p(0.2), p(0), p(0.2)}})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	flat, steep := run(15), run(45)
	near(t, "15°", flat.Value.Base(), 0.2*0.965926, 1e-6) // geometry.csv G18
	near(t, "45°", steep.Value.Base(), 0.2*0.707107, 1e-6)
	if len(flat.Warnings) > 0 || !strings.Contains(strings.Join(steep.Warnings, " "), "too great to trust") {
		t.Errorf("warnings %q and %q", flat.Warnings, steep.Warnings)
	}
	if !(steep.U.Base() > 5*flat.U.Base()/2) {
		t.Errorf("a steep stylus should be much less sure: U %.4f against %.4f", steep.U.Base(), flat.U.Base())
	}
}

func TestTroublesSayWhatToDo(t *testing.T) {
	p := func(k Kind, mm float64) Point {
		v := quantity.Millimetres(mm).Value()
		return Point{Kind: k, V: v, Resolution: v.WithBase(0.001)}
	}
	flat := stream(8, 25, 0, 0.001, 1, func(s float64) float64 { return math.Min(0.05*math.Cos(2*math.Pi*s/8), 0.01) })
	for name, in := range map[string]Input{
		"too_few":     {Spec: Spec{Method: EndPlay}.Complete()},
		"no_movement": {Spec: Spec{Method: EndPlay}.Complete(), Points: []Point{p(Stop, 1), p(Stop, 1.001)}},
		"at_stop":     {Spec: Spec{Method: RunOut}.Complete(), Points: []Point{p(Rest, 0)}, Turn: flat},
	} {
		in.Step = 0.001
		_, err := Evaluate(in)
		tr, ok := err.(*Trouble)
		if !ok || tr.Code != name || tr.Todo == "" || tr.Text == "" {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func BenchmarkPlateaus(b *testing.B) {
	s := stream(20, 25, 0.0005, 0.001, 1, rock(0.2, 1.5, 0.5))
	for b.Loop() {
		still(0.001).Plateaus(s, quantity.Value{})
	}
	b.ReportMetric(float64(b.Elapsed())/float64(time.Microsecond)/float64(b.N), "µs/look")
}
