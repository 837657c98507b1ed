package match

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// Explain returns what pull k (from 0) was, likeliest first, given all pulls
// so far. Those below one in a million are left out. Nil if there is no such
// pull, or it was only counted: see Overrun.
func (f *Filter) Explain(k int) []Explanation {
	if k < 0 || k >= f.pulls {
		return nil
	}
	var sum [int(kSame) + 1][MaxFasteners + 1]float64
	f.each(k, func(n *node, w float64) { sum[n.kind][n.fastener+1] += w })
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

// Idle returns for each pull the chance that it made no fastener tight.
func (f *Filter) Idle() []float64 {
	out := make([]float64, f.pulls)
	for i := range f.hyps {
		w := math.Exp(f.hyps[i].weight())
		n := f.hyps[i].path
		for k := f.pulls - 1; k >= 0; k-- {
			switch n.kind {
			case kNext, kOther, kSwing, kFinish, kRetight, kLoosen:
			default:
				out[k] += w
			}
			n = n.parent
		}
	}
	for k := range out {
		out[k] = min(out[k], 1)
	}
	return out
}

// addTo adds an explanation to one of the same kind and fastener.
func addTo(out []Explanation, e Explanation) []Explanation {
	for i := range out {
		if out[i].Kind == e.Kind && out[i].Fastener == e.Fastener {
			out[i].P += e.P
			return out
		}
	}
	return append(out, e)
}

// each gives pull k's node and the weight of each hypothesis.
func (f *Filter) each(k int, do func(n *node, w float64)) {
	for i := range f.hyps {
		h := &f.hyps[i]
		do(h.node(f.pulls-1-k), math.Exp(h.weight()))
	}
}

// node returns the explanation of the pull that is back pulls before the last.
func (h *hyp) node(back int) *node {
	n := h.path
	for range back {
		n = n.parent
	}
	return n
}

// Tight returns, for each fastener in drawing order, the chance that it is
// tight now.
func (f *Filter) Tight() []float64 {
	out := make([]float64, max(f.m.j.N, 0))
	for i := range f.hyps {
		w := math.Exp(f.hyps[i].weight())
		for d := f.hyps[i].done; d != 0; d &= d - 1 {
			if at := bits.TrailingZeros64(d); at < len(out) {
				out[at] += w
			}
		}
	}
	for i := range out {
		out[i] = min(out[i], 1)
	}
	return out
}

// AllTight returns the chance that all are tight now. 0 if there are more than
// MaxFasteners.
func (f *Filter) AllTight() float64 {
	if f.m.j.N > MaxFasteners {
		return 0
	}
	p := 0.0
	for i := range f.hyps {
		if f.hyps[i].done == f.m.all {
			p += math.Exp(f.hyps[i].weight())
		}
	}
	return min(p, 1)
}

// stop is the chance that a technician stops here.
func (m *model) stop(h *hyp) float64 {
	switch {
	case m.left(h) == 0:
		return 1
	case m.all&^h.passed != 0:
		return m.p.StopEarly
	}
	return m.p.StopHole
}

// left is the set of fasteners that nobody tightened.
func (m *model) left(h *hyp) uint64 { return m.all &^ h.done }

// Missed says how sure it is that a fastener was left out, if the technician
// stops here, thinking that all are done.
func (f *Filter) Missed() Miss {
	var miss, clean, lost float64
	var r Miss
	by := make([]float64, len(f.m.order))
	for i := range f.hyps {
		h := &f.hyps[i]
		w := math.Exp(h.weight())
		left := f.m.left(h)
		if left&h.passed != 0 {
			r.Behind += w
		}
		w *= f.m.stop(h)
		if left == 0 {
			clean += w
			if h.unseen != 0 {
				lost += w
			}
			continue
		}
		miss += w
		for ; left != 0; left &= left - 1 {
			by[bits.TrailingZeros64(left)] += w
		}
	}
	// What was let go of may have been clean: no odds are believed beyond that.
	clean = max(clean, miss*max(f.dropped, 1e-12))
	r.Odds = miss / max(clean, 1e-300)
	r.P, r.Lost = miss/(miss+clean), lost/(miss+clean)
	r.LR = r.Odds / (f.m.p.LostPlace * float64(max(f.pulls, 1)))
	r.Say = r.Odds >= f.threshold()
	for at, w := range by {
		if w > 1e-6*miss {
			r.Candidates = append(r.Candidates, Candidate{at, w / miss})
		}
	}
	slices.SortStableFunc(r.Candidates, func(a, b Candidate) int { return cmp.Compare(b.P, a.P) })
	return r
}

// threshold is the odds from which a miss is said.
func (f *Filter) threshold() float64 {
	m, h := f.m, &f.hyps[heaviest(f.hyps)]
	if h.turn.n == 0 && h.rate.n == 0 {
		return m.p.OddsTorque
	}
	if h.traced > 0 {
		return m.p.OddsTrace
	}
	if m.j.Known.FreshAngle.N < taughtBy && m.j.Known.FreshRate.N < taughtBy {
		return m.p.OddsUntaught
	}
	return m.p.Odds
}

// taughtBy is how many fresh pulls make a joint's distributions known.
const taughtBy = 20

// Assign returns the fastener of each pull in the likeliest hypothesis; −1 for
// none.
func (f *Filter) Assign() []int {
	out := make([]int, f.Pulls())
	for i := range out {
		out[i] = -1
	}
	n := f.hyps[heaviest(f.hyps)].path
	for i := f.pulls - 1; i >= 0; i-- {
		out[i] = int(n.fastener)
		n = n.parent
	}
	return out
}
