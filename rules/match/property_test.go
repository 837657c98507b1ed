package match

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

// drawPull draws any pull, sensible or not.
func drawPull(t *rapid.T, i int) Pull {
	odd := func(lo, hi float64, what string) float64 {
		switch rapid.IntRange(0, 9).Draw(t, what+" kind") {
		case 0:
			return math.NaN()
		case 1:
			return rapid.SampledFrom([]float64{math.Inf(1), math.Inf(-1), 0, -5, 1e300, -1e300}).Draw(t, what+" odd")
		}
		return rapid.Float64Range(lo, hi).Draw(t, what)
	}
	q := Pull{
		Reading: uint64(i), AtS: odd(0, 1000, "at"), Torque: odd(10, 130, "torque"), Angle: odd(-5, 400, "angle"), Duration: odd(0, 5, "duration"),
		Placed: rapid.IntRange(-2, 9).Draw(t, "placed"), Gap: rapid.IntRange(-1, 9).Draw(t, "gap"),
		SameCounter: rapid.IntRange(0, 9).Draw(t, "same") == 0, Loosening: rapid.IntRange(0, 9).Draw(t, "loosening") == 0,
		Tool: Tool{Counter: Counter(rapid.IntRange(0, 2).Draw(t, "counter"))},
	}
	if rapid.Bool().Draw(t, "traced") {
		q.Trace = &Trace{NetDeg: odd(-5, 400, "net"), RateNmDeg: odd(0, 9, "rate"), Quarter: odd(-0.2, 1.2, "quarter"), Sure: rapid.Bool().Draw(t, "sure"), Breakaway: rapid.Bool().Draw(t, "still"), Snug: rapid.Bool().Draw(t, "snug")}
	}
	return q
}

func sound(t *rapid.T, f *Filter) {
	all := f.AllTight()
	if !(all >= 0 && all <= 1) {
		t.Fatalf("all tight %v", all)
	}
	for i, p := range f.Tight() {
		if !(p >= all-1e-9 && p <= 1) {
			t.Fatalf("fastener %d tight %v, all %v", i, p, all)
		}
	}
	for k := range f.Pulls() {
		sum := 0.0
		for _, e := range f.Explain(k) {
			sum += e.P
		}
		if math.Abs(sum-1) > 1e-3 {
			t.Fatalf("pull %d: explanations sum to %v", k, sum)
		}
	}
	m := f.Missed()
	if !(m.P >= 0 && m.P <= 1 && m.Odds >= 0 && m.LR >= 0 && m.Lost >= 0 && m.Behind >= 0) {
		t.Fatalf("missed %+v", m)
	}
	if d := f.Dropped(); !(d >= -1e-9 && d <= 1) {
		t.Fatalf("dropped %v", d)
	}
	if len(f.hyps) > f.m.p.Keep+keepTidy {
		t.Fatalf("%d hypotheses", len(f.hyps))
	}
	if len(f.Assign()) != f.Pulls() {
		t.Fatal("an assignment for each pull is wanted")
	}
}

// Whatever comes, chances stay chances, a Filter never changes, and the same
// pulls give the same.
func TestAnyPulls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Default()
		p.Keep = 40
		j := Joint{N: rapid.IntRange(0, 8).Draw(t, "n"), Order: rapid.SliceOf(rapid.IntRange(-1, 9)).Draw(t, "order"), Target: 100, LSL: 94, Strict: rapid.Bool().Draw(t, "strict"), Closing: rapid.Bool().Draw(t, "closing"), OtherTargets: []float64{50}}
		f, g := New(p, j), New(p, j)
		for i := range rapid.IntRange(0, 12).Draw(t, "pulls") {
			q := drawPull(t, i)
			before := f.Tight()
			next := f.Pull(q)
			if !reflect.DeepEqual(before, f.Tight()) {
				t.Fatal("a pull changed the filter before it")
			}
			f, g = next, g.Pull(q)
			switch rapid.IntRange(0, 12).Draw(t, "edit") {
			case 0:
				f, g = f.Reset(1), g.Reset(1)
			case 1:
				f, g = f.Accept(2), g.Accept(2)
			case 2:
				f, g = f.Void(uint64(i)), g.Void(uint64(i))
			case 3:
				if k, c, ok := f.Question(); ok {
					f, g = f.Answer(k, c[0]), g.Answer(k, c[0])
				}
			}
			sound(t, f)
		}
		if !reflect.DeepEqual(f.Tight(), g.Tight()) || !reflect.DeepEqual(f.Missed(), g.Missed()) {
			t.Fatal("the same pulls gave something else")
		}
	})
}

// What was let go of bounds how far the answers are off, as long as nothing
// that was let go of would have gained by later pulls.
func TestPruningBound(t *testing.T) {
	for seed := range uint64(6) {
		s := newShop(seed, "angle", int(seed%3))
		s.n = 5
		plan, _ := s.plan(seed%2 == 0)
		exact, rough := Default(), Default()
		exact.Keep, exact.Prune = 1<<20, 1e-13
		rough.Keep = 60
		f, g := New(exact, s.joint(Known{})), New(rough, s.joint(Known{}))
		for _, q := range s.pulls(plan) {
			f, g = f.Pull(q), g.Pull(q)
		}
		if d := math.Abs(f.AllTight() - g.AllTight()); d > g.Dropped()+f.Dropped()+1e-6 {
			t.Errorf("seed %d: off by %.3g, dropped %.3g", seed, d, g.Dropped())
		}
	}
}

// The order in which fresh pulls of equal waits come makes no odds.
func TestPermutedRotations(t *testing.T) {
	lr := func(turns []float64) float64 {
		f := New(nil, Joint{N: 4, Strict: true, Target: 100, LSL: 94})
		for i, a := range turns {
			q := plain(i)
			q.Torque, q.Angle = 100, a
			f = f.Pull(q)
		}
		return f.Missed().Odds
	}
	a, b := lr([]float64{30, 33, 27, 31}), lr([]float64{31, 27, 33, 30})
	if r := a / b; r < 0.5 || r > 2 {
		t.Errorf("odds %.3g and %.3g", a, b)
	}
}
