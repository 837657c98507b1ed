package match

import (
	"math"
	"math/bits"
	"slices"
)

// maxPulls is how many pulls a Filter weighs; later ones are only counted.
const maxPulls = 512

// Filter weighs what the pulls of one pass of one joint were.
type Filter struct {
	m       *model
	hyps    []hyp  // weights normalised: their sum is 1
	wait    normal // of the walks so far, the same for all hypotheses: see learnWait
	grip    normal // of the times after unfinished pulls
	waits   []waitSeen
	pulls   int // weighed
	over    int // counted only
	lastAt  float64
	lastQ   Pull
	lastX   features // of the last pull
	reading []uint64
	dropped float64
	after   *after                 // what Pull gave last, so that trying a pull and then taking it costs once
	told    [][]Explanation        // what each pull was, once all of them were asked for
	late    [fewBack][]Explanation // what the last ones were, the very last first, once they were asked for
}

// after is the filter after one more pull.
type after struct {
	q Pull
	f *Filter
}

// same reports whether two pulls are the same reading, told alike.
func (q *Pull) same(o *Pull) bool {
	return q.Reading != 0 && q.Reading == o.Reading && q.AtS == o.AtS && q.Torque == o.Torque && q.Placed == o.Placed && q.Asked == o.Asked && q.Gap == o.Gap && q.Tool == o.Tool
}

// hyp is one reading of all pulls so far.
type hyp struct {
	lw       float64 // log weight, without the next two
	lr       float64 // what repeats' features give to it
	lt       float64 // what later waits change in what the waits gave
	done     uint64  // tight
	passed   uint64  // that the technician is through with
	low      uint64  // unfinished
	unseen   uint64  // tightened by a pull that did not arrive
	loosened uint64
	sig      uint64 // of the labels, fresh or not, of all pulls
	last     int8   // where the last pull was; −1: nowhere yet
	partial  int8   // the one in progress; −1: none
	blind    int8   // the one that is left out again, as in the pass before; −1: none
	filled   bool   // a tight one was pulled in its place
	nseen    uint8
	habits   uint8
	tally    tally
	// Of the fresh pulls: how many had a trace, and how many of those showed a
	// snug point, and a breakaway at their peak.
	traced, snugs, breaks uint16
	turn                  normal
	dur                   normal // see last
	peak                  normal
	rate                  normal
	quarter               normal
	again                 normal  // closing round: rotation of repeats
	arc                   normal  // of unfinished pulls: rotation
	part                  float64 // degrees that the one in progress has turned so far; NaN: not told
	un                    undone
	seen                  [4]seen
	path                  *node
}

// undone is what a hypothesis had learned before the pull that ended the last
// tightening: to be taken back if a further swing shows that it did not end it.
type undone struct {
	turn, dur, peak normal
	part            float64 // degrees turned before that pull
	tally           tally
}

// seen is what a pull on a tight fastener told.
type seen struct {
	turn, last, rate float64
	peak             float64 // of a pull that told nothing but torque; else NaN
	net              bool    // the rotation is a trace's, spring-back taken off
}

// node is a pull's explanation within one hypothesis.
type node struct {
	parent   *node
	kind     kind
	fastener int8
	wait     uint8 // what the time before it was
	unseen   bool  // a pull that did not arrive came before
}

// New begins a pass. p nil means Default. N is held between 1 and
// MaxFasteners: those above are not weighed, and Tight gives them 0.
func New(p *Params, j Joint) *Filter {
	if p == nil {
		p = Default()
	}
	m := newModel(p, j)
	f := &Filter{m: m, lastAt: math.NaN(), wait: m.wait.start(), grip: m.grip.start()}
	h := hyp{last: -1, partial: -1, blind: -1, turn: m.turn.start(), dur: m.last.start(), peak: m.peak.start(), rate: m.rate.start(), quarter: m.quarter.start(), again: m.again.start(), arc: m.arc.start()}
	if !j.Closing {
		f.hyps = m.leftAgain(h)
		return f
	}
	f.hyps = m.closing(h)
	return f
}

// leftMost is how many fasteners that may be left out again are followed, and LeftLeast
// the least chance that is worth it. Our choice.
const (
	leftMost  = 4
	LeftLeast = 1e-3
)

// leftAgain gives the hypotheses before a pass: nobody is left out again, or one that was
// in the pass before.
func (m *model) leftAgain(h hyp) []hyp {
	out := []hyp{h}
	all := 0.0
	for range leftMost {
		best := -1
		for f := range min(len(m.j.Left), len(m.order)) {
			if m.j.Left[f] >= LeftLeast && (best < 0 || m.j.Left[f] > m.j.Left[best]) && !slices.ContainsFunc(out, func(o hyp) bool { return int(o.blind) == f }) {
				best = f
			}
		}
		if best < 0 {
			break
		}
		k := h
		k.blind, k.passed = int8(best), 1<<best
		chance := m.p.LeftAgain * min(m.j.Left[best], 1) * (1 - all)
		k.lw = math.Log(chance)
		all += chance
		out = append(out, k)
	}
	out[0].lw = math.Log(1 - all)
	normalise(out)
	return out
}

// orderOf returns the order in which a joint's fasteners are expected, and
// where in it each is. Those that the order forgets come last; those that
// there are not, or come twice, are left out.
func orderOf(j Joint) (order, at []int) {
	n := min(max(j.N, 1), MaxFasteners)
	at = make([]int, n)
	for i := range at {
		at[i] = -1
	}
	add := func(f int) {
		if f >= 0 && f < n && at[f] < 0 {
			at[f] = len(order)
			order = append(order, f)
		}
	}
	for _, f := range j.Order {
		add(f)
	}
	for f := range n {
		add(f)
	}
	return order, at
}

// closing gives the hypotheses before a closing round: all tight, or all but
// one.
func (m *model) closing(h hyp) []hyp {
	h.turn = m.turn.start()
	h.done = m.all
	out := []hyp{h}
	left := 1.0
	for f := range m.order {
		q := 0.002
		if f < len(m.j.Before) {
			q = 1 - min(max(m.j.Before[f], 0.001), 1-1e-6)
		}
		k := h
		k.done &^= 1 << f
		k.lw = math.Log(q)
		left *= 1 - q
		out = append(out, k)
	}
	out[0].lw = math.Log(left)
	normalise(out)
	return out
}

// Pulls returns how many pulls were given.
func (f *Filter) Pulls() int { return f.pulls + f.over }

// Overrun tells that there were more pulls than a Filter weighs, so that its
// answers no longer hold: a person must say what is tight.
func (f *Filter) Overrun() bool { return f.over > 0 }

// Dropped returns the share of weight that was let go of so far to keep the
// number of hypotheses bounded: each share counted when it was let go.
func (f *Filter) Dropped() float64 { return f.dropped }

// Share returns the same filter for use in another goroutine.
func (f *Filter) Share() *Filter {
	g := *f
	g.forget()
	return &g
}

// forget lets go of what was worked out of another filter.
func (f *Filter) forget() { f.after, f.told, f.late = nil, nil, [fewBack][]Explanation{} }

// Tried returns the filter after one more pull if that was the last that Pull
// was asked about, else nil.
func (f *Filter) Tried(q Pull) *Filter {
	if a := f.after; a != nil && a.q.same(&q) {
		return a.f
	}
	return nil
}

// Pull returns the filter after one more pull.
func (f *Filter) Pull(q Pull) *Filter {
	if g := f.Tried(q); g != nil {
		return g
	}
	g := *f
	g.forget()
	if f.pulls >= maxPulls {
		g.over++
		return &g
	}
	f.after = &after{q: q, f: &g}
	g.reading = append(slices.Clip(f.reading), q.Reading)
	g.pulls++
	x := f.m.features(q, f.lastAt)
	e := expander{m: f.m, q: &q, x: &x, same: f.pulls > 0 && (q.SameCounter || sameCycle(f.lastQ, q))}
	x.after = f.pulls > 0 && f.lastX.low
	x.gap = q.Gap > 0
	x.day = Spread{}.and(f.m.wait.seen(f.wait), dayCarried)
	x.whole = x.whole && !f.gripped()
	if f.pulls > 0 {
		e.before = &f.lastX
	}
	e.wait = f.m.waits(f.wait, f.grip, &x)
	g.wait, g.grip = f.m.learnWait(f.wait, f.grip, &x)
	g.lastX = x
	if e.same && e.before != nil {
		g.lastX = f.lastX
	}
	g.hyps, g.dropped = e.run(f.hyps, f.dropped)
	if len(f.waits) == f.pulls && f.pulls < mostWaits {
		g.waits = append(slices.Clip(f.waits), waitSeen{x: x.wait, whole: x.whole, learned: g.wait != f.wait, then: e.wait})
		if !known(x.turn) && !known(x.rate) {
			g.weighWaits()
		}
	}
	if q.AtS == q.AtS && !(q.AtS < f.lastAt) {
		g.lastAt = q.AtS
	}
	q.Trace = nil
	g.lastQ = q
	return &g
}

// sameCycle tells whether two pulls are so alike, and so near, that a tool
// must have sent one cycle twice: nobody pulls twice within 50 ms.
func sameCycle(a, b Pull) bool {
	d := b.AtS - a.AtS
	like := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
	return !b.Numbered && a.Torque == b.Torque && like(a.Angle, b.Angle) && like(a.Duration, b.Duration) && d >= 0 && d < 0.05 && a.Tool.Name == b.Tool.Name
}

// normalise makes the weights' sum 1.
func normalise(hs []hyp) {
	t := total(hs)
	for i := range hs {
		hs[i].lw -= t
	}
}

// total is the logarithm of the sum of the weights.
func total(hs []hyp) float64 {
	top := math.Inf(-1)
	for i := range hs {
		top = max(top, hs[i].weight())
	}
	s := 0.0
	for i := range hs {
		s += math.Exp(hs[i].weight() - top)
	}
	return top + math.Log(s)
}

func (h *hyp) weight() float64 { return h.lw + h.lr + h.lt }

// next is the fastener that the order wants now: the first, from the last one
// pulled on, that the technician is not through with. −1 if there is none.
func (m *model) next(h *hyp) int {
	rest := m.all &^ h.passed
	if rest == 0 {
		return -1
	}
	from := 0
	if h.last >= 0 && h.passed&(1<<h.last) != 0 {
		from = m.at[h.last] + 1
	}
	for i := range m.order {
		f := m.order[(from+i)%len(m.order)]
		if rest&(1<<f) != 0 {
			return f
		}
	}
	return -1
}

func count(set uint64) float64 { return float64(bits.OnesCount64(set)) }
