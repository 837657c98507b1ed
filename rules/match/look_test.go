package match

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// explainOne is Explain worked out for one pull by itself.
func explainOne(f *Filter, k int) []Explanation {
	var sum [int(kSame) + 1][MaxFasteners + 1]float64
	for i := range f.hyps {
		h := &f.hyps[i]
		n := h.node(f.pulls - 1 - k)
		sum[n.kind][n.fastener+1] += math.Exp(h.weight())
	}
	var out []Explanation
	for kd := range sum {
		for at, w := range sum[kd] {
			if w > 1e-6 {
				out = addTo(out, Explanation{kind(kd).event(), at - 1, w})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Explanation) int { return cmp.Compare(b.P, a.P) })
	return out
}

// manyPulls gives a joint all its pulls and then so many further ones, of which
// some turn as a first one does.
func manyPulls(n, further int, seed uint64) *Filter {
	rng := rand.New(rand.NewPCG(seed, 7))
	f := New(nil, Joint{N: n, Strict: true, Target: 100, LSL: 94, USL: 106})
	at := 0.0
	for i := range n + further {
		at += 2 + 8*rng.Float64()
		deg := 40 + 4*rng.NormFloat64()
		if i >= n && rng.IntN(4) > 0 || i < n && rng.IntN(20) == 0 {
			deg = 3 * rng.Float64()
		}
		f = f.Pull(made(i, at, 100+2*rng.NormFloat64(), deg))
	}
	return f
}

// What is worked out of all pulls together is, to the last bit, what each gives
// by itself; and it is worked out once.
func TestAllToldAtOnce(t *testing.T) {
	for seed := range uint64(8) {
		f := manyPulls(6+int(seed)*2, 60, seed)
		for k := f.Pulls() - 1; k >= 0; k-- {
			got, want := f.Explain(k), explainOne(f, k)
			if !slices.Equal(got, want) {
				t.Fatalf("seed %d, pull %d of %d:\n got %v\nwant %v", seed, k, f.Pulls(), got, want)
			}
			if again := f.Explain(k); k < f.Pulls()-fewBack && &again[0] != &got[0] {
				t.Fatalf("pull %d is worked out again", k)
			}
		}
		idle, repeats := f.Idle(), f.repeatsWithMiss()
		for k := range f.Pulls() {
			var wantIdle, wantRepeat float64
			for i := range f.hyps {
				h := &f.hyps[i]
				n := h.node(f.pulls - 1 - k)
				switch n.kind {
				case kNext, kOther, kSwing, kFinish, kRetight, kLoosen:
				default:
					wantIdle += math.Exp(h.weight())
				}
				if f.m.left(h) != 0 && (n.kind == kRepeat || n.kind == kLost || n.kind == kOther) {
					wantRepeat += math.Exp(h.weight()) * f.m.stop(h)
				}
			}
			if idle[k] != min(wantIdle, 1) || repeats[k] != wantRepeat {
				t.Fatalf("seed %d, pull %d: idle %v, want %v; repeats %v, want %v", seed, k, idle[k], wantIdle, repeats[k], wantRepeat)
			}
		}
	}
}
