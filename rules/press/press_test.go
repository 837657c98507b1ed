package press

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// made draws a stroke: a chamfer that comes in, a run-in that grows with the
// length, the rise against solid metal, and the ram let go. Forces in N, ways
// in mm; invented.
type made struct {
	chamfer, run, rise float64 // mm
	load, grow         float64 // N at the end of the chamfer, N/mm along the run-in
	stiff              float64 // N/mm
	noise              float64 // N, standard deviation
	points             int
	hold               int // samples held at the greatest force
}

func (m made) force(x float64) float64 {
	switch {
	case x < m.chamfer:
		return m.load * x / m.chamfer
	case x < m.chamfer+m.run:
		return m.load + m.grow*(x-m.chamfer)
	}
	return m.load + m.grow*m.run + m.stiff*(x-m.chamfer-m.run)
}

func (m made) curve(rng *rand.Rand) Curve {
	whole := m.chamfer + m.run + m.rise
	var c Curve
	add := func(x, f float64) {
		c.X, c.Force = append(c.X, x), append(c.Force, f+m.noise*rng.NormFloat64())
	}
	for i := range 20 {
		add(0, 0*float64(i))
	}
	for i := range m.points {
		x := whole * float64(i) / float64(m.points-1)
		add(x, m.force(x))
	}
	for range m.hold {
		add(whole, m.force(whole))
	}
	add(whole, m.force(whole)*0.4)
	add(whole-0.1, 0)
	c.Basis = ByTravel
	return c
}

// A made stroke has a seat where it was made: within 3 % of the way for the
// noise drawn here. By construction.
func TestFindSeatOfMadeStrokes(t *testing.T) {
	for _, c := range []struct {
		name  string
		m     made
		found bool
	}{
		{"level run-in", made{run: 12, rise: 0.8, load: 2500, stiff: 4000, points: 300}, true},
		{"growing run-in", made{run: 12, rise: 0.8, load: 500, grow: 180, stiff: 4000, points: 300}, true},
		{"with a chamfer", made{chamfer: 1.5, run: 11, rise: 0.7, load: 2500, grow: 60, stiff: 4500, points: 300, noise: 40}, true},
		{"noisy, held at the end", made{chamfer: 1, run: 12, rise: 0.8, load: 2500, grow: 60, stiff: 4000, points: 300, noise: 120, hold: 80}, true},
		{"slow gauge", made{run: 12, rise: 2.4, load: 2500, stiff: 1500, points: 20, noise: 40}, true},
		{"four thousand samples", made{chamfer: 1, run: 12, rise: 0.8, load: 2500, grow: 60, stiff: 4000, points: 4000, noise: 100}, true},
		{"stops in the run-in", made{run: 9, load: 2500, grow: 150, points: 200, noise: 60}, false},
		{"stops in the run-in behind a chamfer", made{chamfer: 2, run: 9, load: 2500, grow: 60, points: 200, noise: 60}, false},
		{"stops in the level run-in", made{chamfer: 2, run: 9, load: 3000, points: 200, noise: 60, hold: 60}, false},
		{"binds at once: all rise", made{rise: 1, stiff: 6000, points: 100, noise: 40}, false},
		{"rises, but not enough", made{run: 12, rise: 0.1, load: 2500, stiff: 4000, points: 400, noise: 30}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			for seed := range uint64(20) {
				cv := c.m.curve(rand.New(rand.NewPCG(seed, 7)))
				got := FindSeat(cv, 1500)
				if got.Found != c.found || got.Found == (got.Why != "") {
					t.Fatalf("seed %d: %+v, want found %t", seed, got, c.found)
				}
				if !c.found {
					continue
				}
				at, whole := c.m.chamfer+c.m.run, c.m.chamfer+c.m.run+c.m.rise
				first := 0.0 // the way to contact, which is not counted
				for first < whole && c.m.force(first) < contact*c.m.force(whole) {
					first += 0.001
				}
				if math.Abs(got.X+first-at) > 0.03*whole {
					t.Errorf("seed %d: seat after %.2f mm, made at %.2f", seed, got.X, at-first)
				}
				if want := c.m.force(at); math.Abs(got.Force-want) > 0.1*c.m.force(whole) {
					t.Errorf("seed %d: seat at %.0f N, made at %.0f", seed, got.Force, want)
				}
			}
		})
	}
}

// Over time, a hand pump moves the ram in strokes; the bend is there still.
func TestFindSeatByTime(t *testing.T) {
	m := made{chamfer: 1, run: 12, rise: 0.9, load: 2500, grow: 60, stiff: 4000}
	s := &events.Stroke{}
	for i, x := 0, 0.0; x < 13.9; i++ {
		if i%25 < 15 { // 0.6 s of pumping, 0.4 s of rest
			x += 0.02
		}
		s.TimesUs, s.Force = append(s.TimesUs, int64(i)*40_000), append(s.Force, m.force(x))
	}
	got, seat, c := Judge(s, quantity.Of(1.5, quantity.Kilonewton), quantity.Value{}, quantity.Value{})
	if got != events.SeatReached || c.Basis != ByTime || math.Abs(seat.Force-m.force(13)) > 400 {
		t.Errorf("%s %+v, want a seat near %.0f N", got, seat, m.force(13))
	}
}

func TestJudge(t *testing.T) {
	m := made{run: 12, rise: 0.8, load: 2500, grow: 60, stiff: 4000, points: 300}
	c := m.curve(rand.New(rand.NewPCG(1, 2)))
	s := &events.Stroke{Force: c.Force, Travel: c.X}
	for i := range c.Force {
		s.TimesUs = append(s.TimesUs, int64(i)*20_000)
	}
	noTravel := &events.Stroke{Force: s.Force, TimesUs: s.TimesUs}
	kn, mm := func(x float64) quantity.Value { return quantity.Of(x, quantity.Kilonewton) }, func(x float64) quantity.Value { return quantity.Of(x, quantity.Millimetre) }
	var none quantity.Value
	for _, q := range []struct {
		name         string
		s            *events.Stroke
		jump, lo, hi quantity.Value
		want         events.SeatFound
	}{
		{"jump", s, kn(2), none, none, events.SeatReached},
		{"jump demanded is greater", s, kn(4), none, none, events.SeatNot},
		{"travel", s, none, mm(11.5), mm(12.5), events.SeatReached},
		{"too short a way: something is below the part", s, none, mm(12.5), mm(13.5), events.SeatNot},
		{"window, but no travel", noTravel, none, mm(11.5), mm(12.5), events.SeatUnknown},
		{"jump over time", noTravel, kn(2), none, none, events.SeatReached},
		{"one value", nil, kn(2), none, none, events.SeatUnknown},
		{"damaged", &events.Stroke{TimesUs: []int64{1}, Force: []float64{1, 2}}, kn(2), none, none, events.SeatUnknown},
	} {
		if got, seat, _ := Judge(q.s, q.jump, q.lo, q.hi); got != q.want || (got != events.SeatReached) == (seat.Why == "") {
			t.Errorf("%s: %s %+v, want %s", q.name, got, seat, q.want)
		}
	}
}

func TestDamagedStrokes(t *testing.T) {
	nan := math.NaN()
	for name, s := range map[string]*events.Stroke{
		"empty":     {},
		"no number": {TimesUs: []int64{0, 1}, Force: []float64{1, nan}},
		"runs back": {TimesUs: []int64{5, 1}, Force: []float64{1, 2}},
		"lengths":   {TimesUs: []int64{0, 1}, Force: []float64{1, 2}, Travel: []float64{1}},
	} {
		if _, err := FromStroke(s); !errors.Is(err, ErrShape) {
			t.Errorf("%s: %v, want ErrShape", name, err)
		}
	}
	for _, c := range []Curve{{}, {X: []float64{1}, Force: []float64{-5}}, {X: make([]float64, 50), Force: make([]float64, 50)}} {
		if s := FindSeat(c, 1); s.Found || s.Why == "" {
			t.Errorf("%+v of nothing", s)
		}
	}
}

// FuzzFindSeat: never a panic, and what is found lies in the curve.
func FuzzFindSeat(f *testing.F) {
	f.Add([]byte{0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 2, 9, 20, 40, 60}, 10.0)
	f.Fuzz(func(t *testing.T, b []byte, jump float64) {
		var c Curve
		peak := 0.0
		for i, v := range b {
			c.X, c.Force = append(c.X, float64(i)), append(c.Force, float64(v))
			peak = max(peak, float64(v))
		}
		if s := FindSeat(c, jump); s.Found && !(s.X >= 0 && s.X <= float64(len(b)) && s.Force <= peak && s.Jump > 0) {
			t.Errorf("%v: %+v", b, s)
		}
	})
}

func BenchmarkFindSeat(b *testing.B) {
	c := made{chamfer: 1, run: 12, rise: 0.8, load: 2500, grow: 60, stiff: 4000, points: 4000, noise: 100}.curve(rand.New(rand.NewPCG(1, 7)))
	for b.Loop() {
		FindSeat(c, 1500)
	}
}
