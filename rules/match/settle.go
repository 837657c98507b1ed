package match

import (
	"cmp"
	"math"
	"slices"
)

// settle makes hypotheses of the best candidates.
func (e *expander) settle(hs []hyp, dropped float64) ([]hyp, float64) {
	out, share := e.best()
	out = e.tidy.with(out)
	next := make([]hyp, len(out))
	nodes := make([]node, len(out))
	for i, c := range out {
		h := &hs[c.from]
		next[i] = *h
		nodes[i] = node{parent: h.path, kind: c.kind, fastener: c.fastener, wait: c.flags >> waitShift, unseen: c.flags&unseenNext != 0}
		next[i].lw = c.w - h.lr - h.lt
		e.m.apply(&next[i], c, e.x, e.before)
		next[i].path = &nodes[i]
	}
	if share < 1 {
		next = merge(next)
	}
	normalise(next)
	return next, 1 - (1-dropped)*share
}

// binWeight is the greatest weight of a candidate in a bin, as a share of the
// greatest of all: a bound of what is let go of, without an exponential each.
var binWeight = func() (t [320]float64) {
	for b := range t {
		t[b] = math.Exp(-float64(b) / bins)
	}
	return t
}()

// bins is how finely candidates are sorted by weight, per unit of its
// logarithm.
const bins = 8

// best returns the candidates worth keeping, at most Keep, and the least share of
// weight that they hold: 1 if all were kept. Those of about equal weight stay
// in the order in which they were found.
func (e *expander) best() ([]candidate, float64) {
	p := e.m.p
	var count [320]int32
	bin := func(w float64) int {
		if d := (e.top - w) * bins; d > 0 && d < 319 {
			return int(d)
		} else if d <= 0 {
			return 0
		}
		return 319
	}
	limit := bin(e.top + math.Log(p.Prune))
	for i := range e.out {
		count[bin(e.out[i].w)]++
	}
	room, last := int32(p.Keep), 0
	for ; last < limit && count[last] <= room; last++ {
		room -= count[last]
	}
	var gone, kept float64
	n := 0
	for _, c := range e.out {
		b := bin(c.w)
		if b == last && room > 0 && last < limit {
			room--
		} else if b >= last {
			if b == len(binWeight)-1 { // all that is below the bin before
				gone += math.Exp(c.w - e.top)
			} else {
				gone += binWeight[b]
			}
			continue
		}
		kept += math.Exp(c.w - e.top)
		e.out[n] = c
		n++
	}
	if n == len(e.out) {
		return e.out, 1
	}
	return e.out[:n], kept / (kept + gone)
}

// apply changes a hypothesis by a pull.
func (m *model) apply(h *hyp, c candidate, x, before *features) {
	if c.flags&unseenNext != 0 {
		h.done |= 1 << c.next
		h.unseen |= 1 << c.next
	}
	if c.flags&(passNext|unseenNext) != 0 {
		h.passed |= 1 << c.next
	}
	if c.fastener >= 0 {
		h.last = c.fastener
	}
	h.sig = h.sig*1099511628211 + c.kind.label() + uint64(c.flags&unseenNext)<<8 + 1
	if c.fastener >= 0 && h.low&(1<<c.fastener) != 0 {
		h.sig += 1 << 20 // on one that was begun before: it counts otherwise
	}
	if h.blind >= 0 && c.kind.label() == 2 {
		h.filled = true
	}
	if c.flags&atOnce != 0 && c.flags&unseenNext == 0 && h.habits < 200 {
		h.habits++
	}
	m.learnSwing(h, c, x, before)
	m.touch(h, c, x)
	m.learn(h, c, x)
	m.weighSeen(h)
}

// touch changes the state of the fastener.
func (m *model) touch(h *hyp, c candidate, x *features) {
	if c.fastener < 0 {
		return
	}
	bit := uint64(1) << c.fastener
	h.passed |= bit
	switch c.kind {
	case kNext, kOther, kRetight, kFinish:
		h.partial = -1
		if x.low { // all the way, but not tight enough
			h.low |= bit
			return
		}
		h.done |= bit
		h.low &^= bit
		h.loosened &^= bit
	case kSwing:
		h.low |= bit
		h.partial = c.fastener
	case kLoosen:
		h.done &^= bit
		h.loosened |= bit
		h.passed &^= bit
	case kRepeat, kLost, kRest:
		h.partial = -1
	}
}

// learn takes a pull's features into the hypothesis.
func (m *model) learn(h *hyp, c candidate, x *features) {
	switch c.kind.label() {
	case 1:
		m.learnFresh(h, c, x)
	case 2:
		if x.low {
			return
		}
		if m.j.Closing {
			if known(x.turn) {
				h.again = m.again.with(h.again, x.turn)
			}
			return
		}
		h.keepSeen(m, x.told())
	}
}

func (m *model) learnFresh(h *hyp, c candidate, x *features) {
	if known(x.turn) && c.flags&oddTurn == 0 {
		h.turn = m.turn.with(h.turn, x.turn)
	}
	if known(x.last) {
		h.dur = m.last.with(h.dur, x.last)
	}
	if known(x.rate) {
		h.rate = m.rate.with(h.rate, x.rate)
	}
	if known(x.quarter) && !x.low && !x.unclear && c.flags&oddTurn == 0 && c.kind != kFinish {
		h.quarter = m.quarter.with(h.quarter, x.quarter)
	}
	if x.trace {
		h.traced++
		if x.snug {
			h.snugs++
		}
		if x.brk {
			h.breaks++
		}
	}
	if known(x.peak) && math.Abs(x.peak) < 0.5 {
		h.peak = m.peak.with(h.peak, x.peak)
	}
}

// keepSeen keeps what a repeat told, to be weighed anew after every later
// pull. A fifth one pushes out the first, whose weight stays as it is.
func (h *hyp) keepSeen(m *model, s seen) {
	if !known(s.turn) && !known(s.last) && !known(s.rate) && !known(s.peak) {
		return
	}
	if int(h.nseen) == len(h.seen) {
		l := m.seen(h, &h.seen[0])
		h.lw += l
		copy(h.seen[:], h.seen[1:])
		h.nseen--
	}
	// The candidate's weight holds this repeat's density already.
	h.lw -= m.seen(h, &s)
	h.seen[h.nseen] = s
	h.nseen++
	h.lr = 0
}

// weighSeen weighs a hypothesis's repeats by all its fresh pulls.
func (m *model) weighSeen(h *hyp) {
	l := 0.0
	for i := range h.nseen {
		l += m.seen(h, &h.seen[i])
	}
	h.lr = l
}

// heavier orders hypotheses by weight.
func heavier(a, b hyp) int {
	return cmp.Or(-cmp.Compare(a.weight(), b.weight()), cmp.Compare(a.done, b.done), cmp.Compare(a.passed, b.passed), cmp.Compare(a.last, b.last), cmp.Compare(a.sig, b.sig))
}

// alike reports whether later pulls depend on two hypotheses alike: their states
// are equal, and so are their labels, which determine the statistics.
func (h *hyp) alike(o *hyp) bool {
	return h.sig == o.sig && h.done == o.done && h.passed == o.passed && h.last == o.last && h.partial == o.partial &&
		h.low == o.low && h.blind == o.blind && h.filled == o.filled && h.unseen == o.unseen && h.loosened == o.loosened
}

// merge adds up hypotheses of equal state. The heaviest keeps its path and
// statistics, so that only the places of earlier pulls become approximate.
func merge(hs []hyp) []hyp {
	n := 0
next:
	for i := range hs {
		h := &hs[i]
		for at := range n {
			if !h.alike(&hs[at]) {
				continue
			}
			sum := logAdd(hs[at].weight(), h.weight())
			if h.weight() > hs[at].weight() {
				hs[at] = *h
			}
			hs[at].lw = sum - hs[at].lr - hs[at].lt
			continue next
		}
		hs[n] = *h
		n++
	}
	return hs[:n]
}

// lost adds one cycle that the counter says was lost, of which nothing else is
// known.
func (m *model) lost(hs []hyp) []hyp {
	out := make([]hyp, 0, 2*len(hs))
	for i := range hs {
		h := hs[i]
		n := m.next(&h)
		if n < 0 {
			out = append(out, h)
			continue
		}
		k := h
		k.done |= 1 << n
		k.passed |= 1 << n
		k.unseen |= 1 << n
		k.last = int8(n)
		k.sig = k.sig*1099511628211 + 77
		k.lw += math.Log(m.p.UnseenGap)
		h.lw += math.Log(1 - m.p.UnseenGap)
		out = append(out, k, h)
	}
	slices.SortFunc(out, heavier)
	n, tidy := 0, 0
	for i := range out {
		neat := out[i].tidy()
		if i < m.p.Keep || neat && tidy < keepTidy {
			out[n] = out[i]
			n++
			if neat {
				tidy++
			}
		}
	}
	return out[:n]
}
