package match

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// Explain returns what pull k (from 0) was, likeliest first, given all pulls
// so far. Those below one in a million are left out. Nil if there is no such
// pull, or it was only counted: see Overrun. The result is the filter's own.
func (f *Filter) Explain(k int) []Explanation {
	if k < 0 || k >= f.pulls {
		return nil
	}
	if f.told == nil && f.pulls-1-k >= fewBack {
		f.told = f.explainAll()
	}
	if f.told != nil {
		return f.told[k]
	}
	back := f.pulls - 1 - k
	if f.late[back] == nil {
		var s sums
		for i := range f.hyps {
			h := &f.hyps[i]
			s.add(h.node(back), math.Exp(h.weight()))
		}
		f.late[back] = s.explained()
	}
	return f.late[back]
}

// fewBack is from how far back on a pull is worth working out what all were: who
// asks for one of these asks for others too.
const fewBack = 3

// explainAll works out what each pull was.
func (f *Filter) explainAll() [][]Explanation {
	out := make([][]Explanation, f.pulls)
	paths, ws := f.paths(func(h *hyp) float64 { return math.Exp(h.weight()) })
	all := 0.0
	for _, w := range ws {
		all += w
	}
	var s sums
	walkBack(paths, f.pulls, func(k int, nodes []*node, at []int32) {
		s.reset()
		if len(nodes) == 1 {
			s.add(nodes[0], all)
		} else {
			for i, w := range ws {
				s.add(nodes[at[i]], w)
			}
		}
		out[k] = s.explained()
	})
	return out
}

// sums adds up weights by what a pull was.
type sums struct {
	by   [int(kSame) + 1][MaxFasteners + 1]float64
	seen []int // which of by are in use
}

const perKind = MaxFasteners + 1

func (s *sums) reset() {
	for _, at := range s.seen {
		s.by[at/perKind][at%perKind] = 0
	}
	s.seen = s.seen[:0]
}

func (s *sums) add(n *node, w float64) {
	at := int(n.kind)*perKind + int(n.fastener) + 1
	if !slices.Contains(s.seen, at) {
		s.seen = append(s.seen, at)
	}
	s.by[n.kind][n.fastener+1] += w
}

func (s *sums) explained() []Explanation {
	slices.Sort(s.seen)
	out := make([]Explanation, 0, len(s.seen))
	for _, at := range s.seen {
		if w := s.by[at/perKind][at%perKind]; w > 1e-6 {
			out = addTo(out, Explanation{kind(at / perKind).event(), at%perKind - 1, w})
		}
	}
	slices.SortStableFunc(out, func(a, b Explanation) int { return cmp.Compare(b.P, a.P) })
	return out
}

// Idle returns for each pull the chance that it made no fastener tight.
func (f *Filter) Idle() []float64 {
	paths, ws := f.paths(func(h *hyp) float64 { return math.Exp(h.weight()) })
	out := f.sumWhere(paths, ws, func(n *node) bool {
		switch n.kind {
		case kNext, kOther, kSwing, kFinish, kRetight, kLoosen:
			return false
		}
		return true
	})
	for k := range out {
		out[k] = min(out[k], 1)
	}
	return out
}

// Rest returns for each pull the chance that it was the rest of an unfinished one
// that had reached the limits before it.
func (f *Filter) Rest() []float64 {
	paths, ws := f.paths(func(h *hyp) float64 { return math.Exp(h.weight()) })
	return f.sumWhere(paths, ws, func(n *node) bool { return n.kind == kRest })
}

// LastRest returns the same of the last pull alone, and the likeliest fastener.
func (f *Filter) LastRest() (p float64, fastener int) {
	most := 0.0
	fastener = -1
	for i := range f.hyps {
		if h := &f.hyps[i]; h.path != nil && h.path.kind == kRest {
			w := math.Exp(h.weight())
			if p += w; w > most {
				most, fastener = w, int(h.path.fastener)
			}
		}
	}
	return min(p, 1), fastener
}

// sumWhere returns for each pull the weight of the paths on which it is of some
// kind.
func (f *Filter) sumWhere(paths []*node, ws []float64, is func(n *node) bool) []float64 {
	out := make([]float64, f.pulls)
	all := 0.0
	for _, w := range ws {
		all += w
	}
	var yes []bool
	walkBack(paths, f.pulls, func(k int, nodes []*node, at []int32) {
		yes = yes[:0]
		any := false
		for _, n := range nodes {
			yes = append(yes, is(n))
			any = any || yes[len(yes)-1]
		}
		switch {
		case !any:
		case len(nodes) == 1:
			out[k] = all
		default:
			for i, w := range ws {
				if yes[at[i]] {
					out[k] += w
				}
			}
		}
	})
	return out
}

// paths returns the explanations of the last pull, one for each hypothesis, and
// their weights; none for those whose weight is 0 or below.
func (f *Filter) paths(weight func(h *hyp) float64) (paths []*node, ws []float64) {
	paths, ws = make([]*node, 0, len(f.hyps)), make([]float64, 0, len(f.hyps))
	for i := range f.hyps {
		if w := weight(&f.hyps[i]); w > 0 {
			paths, ws = append(paths, f.hyps[i].path), append(ws, w)
		}
	}
	return paths, ws
}

// walkBack goes along paths from the last of so many pulls to the first. do gets
// the different nodes at each pull, and which of them each path has: paths that have
// run together are walked once. It writes into paths.
func walkBack(paths []*node, pulls int, do func(k int, nodes []*node, at []int32)) {
	at := make([]int32, len(paths))
	for i := range at {
		at[i] = int32(i)
	}
	nodes := paths
	for k := pulls - 1; k >= 0 && len(nodes) > 0; k-- {
		if len(nodes) > 1 && (k%4 == 0 || len(nodes) < 8) {
			nodes = together(nodes, at)
		}
		do(k, nodes, at)
		for i, n := range nodes {
			nodes[i] = n.parent
		}
	}
}

// together keeps each node once, and changes at accordingly.
func together(nodes []*node, at []int32) []*node {
	var to [4 * MaxFasteners]int32
	if len(nodes) > len(to) {
		return nodes // more than a filter keeps
	}
	n := 0
	for i, x := range nodes {
		k := slices.Index(nodes[:n], x)
		if k < 0 {
			nodes[n] = x
			k = n
			n++
		}
		to[i] = int32(k)
	}
	if n < len(nodes) {
		for i := range at {
			at[i] = to[at[i]]
		}
	}
	return nodes[:n]
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

// Doubt is the odds that a fastener was left out of a joint of which something is known.
// Of a job that was released it tells how far such odds go without a miss. Not ok where
// traces tell, or nothing was taught.
func (f *Filter) Doubt() (odds float64, ok bool) {
	if _, times := f.leastOdds(); times == 0 || f.m.j.Closing {
		return 0, false
	}
	return f.Missed().Odds, true
}

// threshold is the odds from which a miss is said. In a joint whose released jobs came
// to high odds it is higher: its hands do now and then what looks like a miss.
func (f *Filter) threshold() float64 {
	least, times := f.leastOdds()
	return max(least, min(times*f.m.j.Known.Doubt, f.m.p.DoubtMost))
}

// leastOdds is the least that those can be, by what the pulls tell; and how many times
// the odds that released jobs came to they are to be: 0 where those count for nothing.
func (f *Filter) leastOdds() (odds, times float64) {
	m, h := f.m, &f.hyps[heaviest(f.hyps)]
	switch p := m.p; {
	case h.turn.n == 0 && h.rate.n == 0 && !m.bare.taught:
		return p.OddsTorqueUntaught, 0
	case h.turn.n == 0 && h.rate.n == 0:
		return p.OddsTorque, p.DoubtTimes
	case h.traced > 0:
		return p.OddsTrace, 0
	case m.j.Known.FreshAngle.N < taughtBy && m.j.Known.FreshRate.N < taughtBy:
		return p.OddsUntaught, 0
	default:
		return p.Odds, p.DoubtTimesTurned
	}
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

// AssignLeft returns the fastener of each pull, and whether it made that one tight, in
// the likeliest hypothesis in which nothing but one fastener is left; −1 for none. Not
// ok where there is no such hypothesis.
func (f *Filter) AssignLeft(fastener int) (to []int, tight []bool, ok bool) {
	bit, ok := f.bit(fastener)
	if !ok {
		return nil, nil, false
	}
	best := -1
	for i := range f.hyps {
		if h := &f.hyps[i]; f.m.left(h) == bit && (best < 0 || h.weight() > f.hyps[best].weight()) {
			best = i
		}
	}
	if best < 0 {
		return nil, nil, false
	}
	to, tight = make([]int, f.Pulls()), make([]bool, f.Pulls())
	for i := range to {
		to[i] = -1
	}
	n := f.hyps[best].path
	for i := f.pulls - 1; i >= 0; i-- {
		to[i], tight[i] = int(n.fastener), tightens[n.kind] == 1
		n = n.parent
	}
	return to, tight, true
}
