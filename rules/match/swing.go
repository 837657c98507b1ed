package match

import "math"

// A tool may send each swing of a ratchet as a reading of its own. Then a
// fastener's tightening is several pulls: their peaks rise, and only together do
// they turn as far as a fastener of the joint does.

// swings is what is believed of the share of unfinished pulls before a pass: it is
// either rare, or, with some chance, that of a tool that sends each swing. Both are
// beta distributions.
type swings struct {
	rareA, rareB, often float64
}

// oftenA and oftenB: where each swing is sent, any share of unfinished pulls may be;
// none and all are the least likely. Assumed.
const oftenA, oftenB = 1.5, 1.5

func (m *model) swingsBefore() swings {
	p, k, mood := m.p, &m.j.Known, &m.j.Mood
	a, b := p.Swing*p.SwingWeight+mood.Swings, p.SwingWeight*(1-p.Swing)+mood.Pulls
	s := swings{a, b, p.SwingOften}
	if mood.Swings >= 2 {
		s.often = p.SwingsSeen
	}
	if n := k.Wholes + k.Swings; n >= taughtBy {
		share := (k.Swings + p.Swing*p.SwingWeight) / (n + p.SwingWeight)
		s.rareA, s.rareB = p.SwingTaught*share, p.SwingTaught*(1-share)
	}
	return s
}

// chance is that of an unfinished pull after so many of them and so many that ended
// a tightening.
func (s *swings) chance(parts, wholes float64) float64 {
	rare, often := betas(s.rareA, s.rareB, parts, wholes), betas(oftenA, oftenB, parts, wholes)
	w := s.often / (s.often + (1-s.often)*math.Exp(min(rare-often, 500)))
	return w*(oftenA+parts)/(oftenA+oftenB+parts+wholes) + (1-w)*(s.rareA+parts)/(s.rareA+s.rareB+parts+wholes)
}

// betas is the logarithm of the chance of what was seen, by a beta distribution.
func betas(a, b, parts, wholes float64) float64 {
	return lbeta(a+parts, b+wholes) - lbeta(a, b)
}

func lbeta(a, b float64) float64 {
	x, _ := math.Lgamma(a)
	y, _ := math.Lgamma(b)
	z, _ := math.Lgamma(a + b)
	return x + y - z
}

// swing is the chance of an unfinished pull, as this technician did it so far.
func (e *expander) swing() float64 {
	parts, wholes := e.h.swings, e.h.whole()
	s := &e.swung[(int(parts)+3*int(wholes))%len(e.swung)]
	if parts != s.parts || wholes != s.wholes || s.chance == 0 {
		*s = swung{parts, wholes, e.m.swings.chance(float64(parts), wholes)}
	}
	return s.chance
}

// swung keeps a chance of an unfinished pull: hypotheses share a few.
type swung struct {
	parts          uint8
	wholes, chance float64
}

// whole is the number of tightenings that ended.
func (h *hyp) whole() float64 { return float64(max(h.turn.n, h.peak.n)) }

// rest adds that the pull before did not end its fastener's tightening, though it
// reached the limits, and this one does: it comes higher. What was held of that
// pull is taken back and weighed as an unfinished one, the two together as one
// tightening.
func (e *expander) rest(scale float64) {
	h, b := e.h, e.before
	if e.x.low || h.last < 0 || b == nil || b.low || b.high || e.m.j.Loose && !known(e.x.turn) || !(e.x.peak > b.peak+e.m.p.RestRise) || h.path == nil || h.path.fastener != h.last {
		return
	}
	was := *h
	was.turn, was.dur, was.peak, was.part = h.un.turn, h.un.dur, h.un.peak, h.un.part
	var ended float64
	switch h.path.kind {
	case kNext, kOther, kRetight:
		ended, _ = e.m.fresh(&was, b)
	case kFinish, kRest:
		ended = e.m.finish(&was, b)
	default:
		return
	}
	q := e.swing()
	unfinished := e.m.unfinished(&was, b)
	was.part += degreesOf(b.turn)
	e.add(kRest, int(h.last), scale*q, unfinished-ended+e.m.finish(&was, e.x), wRest)
}

// degreesOf is the rotation whose turnLog is x.
func degreesOf(x float64) float64 {
	y := math.Exp(x)
	return max(y-floorDeg*floorDeg/y, 0)
}

// learnSwing takes in what a pull tells of the tightening that it is a part of.
func (m *model) learnSwing(h *hyp, c candidate, x, before *features) {
	switch c.kind {
	case kSwing:
		if h.partial != c.fastener {
			h.part = 0
		}
		h.part += degreesOf(x.turn)
		if known(x.turn) {
			h.arc = m.arc.with(h.arc, x.turn)
		}
		return
	case kNext, kOther, kRetight:
		h.part = 0
	case kFinish:
	case kRest:
		h.turn, h.dur, h.peak = h.un.turn, h.un.dur, h.un.peak
		h.part = h.un.part + degreesOf(before.turn)
		if known(before.turn) {
			h.arc = m.arc.with(h.arc, before.turn)
		}
	default:
		return
	}
	h.un = undone{h.turn, h.dur, h.peak, h.part}
	if c.kind != kFinish && c.kind != kRest || x.low {
		return
	}
	if all := turnLog(h.part + degreesOf(x.turn)); known(all) {
		h.turn = m.turn.with(h.turn, all)
	}
	if known(x.peak) && math.Abs(x.peak) < 0.5 {
		h.peak = m.peak.with(h.peak, x.peak)
	}
}

// grips adds the log densities of the time after an unfinished pull, x its logarithm,
// by the others of the pass; before two of them, of a walk or none.
func (m *model) grips(n normal, x float64, w *waited) {
	g, rest := w[wOnceWalk>>waitShift], w[wOnce>>waitShift]
	if n.n >= 2 {
		g = logAdd(math.Log(0.9)+m.grip.log(n, x), math.Log(0.1)+g)
		rest = logAdd(g, rest) - math.Ln2
	}
	w[wGrip>>waitShift], w[wRest>>waitShift] = g, rest
}

// unfinished is the log density of the features of a swing that goes on later: it
// turns as far as others of the pass did or, before any, most often a good part of
// a fresh one's rotation.
func (m *model) unfinished(h *hyp, x *features) (l float64) {
	if known(x.turn) {
		most := student5(x.turn, h.turn.mean-0.4, 0.6)
		if h.arc.n > 0 {
			most = m.arc.log(h.arc, x.turn)
		}
		l += logAdd(math.Log(0.6)+most, math.Log(0.4)+anyTurn)
	}
	if known(x.last) {
		l += m.dependent(x) * logAdd(math.Log(0.6)+student5(x.last, h.dur.mean-0.3, 0.5), math.Log(0.4)+anyLast)
	}
	if known(x.rate) {
		l += anyRate
	}
	if x.trace {
		l += 2 * math.Log(0.5)
	}
	if known(x.peak) {
		l += anyPeak
	}
	return l
}

// finish is the log density of a pull that ends what an unfinished one began: with
// that it turns as a fresh one does.
func (m *model) finish(h *hyp, x *features) (l float64) {
	if known(x.turn) {
		l += logAdd(math.Log(0.8)+m.turnEnds(h, x.turn), math.Log(0.2)+anyTurn)
	}
	if known(x.last) {
		l += m.dependent(x) * logAdd(math.Log(0.5)+student5(x.last, h.dur.mean-0.3, 0.6), math.Log(0.5)+anyLast)
	}
	if known(x.rate) {
		l += logAdd(math.Log(0.5)+student5(x.rate, h.rate.mean+0.3, 0.8), math.Log(0.5)+anyRate)
	}
	if x.trace {
		l += 2 * math.Log(0.5)
	}
	return l + m.peakFresh(h, x)
}

// turnEnds is the log density of the rotation of a pull that ends a tightening, by
// that of the whole of it.
func (m *model) turnEnds(h *hyp, x float64) float64 {
	all := turnLog(h.part + degreesOf(x))
	if !known(all) {
		return student5(x, h.turn.mean-0.7, 0.8)
	}
	return m.turnFresh(h, all) + min(x-all, 0)
}

// Parts returns for each pull the first one of the tightening that it is a part of,
// in the likeliest hypothesis: itself, if it is no further swing.
func (f *Filter) Parts() []int {
	nodes := make([]*node, f.pulls)
	n := f.hyps[heaviest(f.hyps)].path
	for k := f.pulls - 1; k >= 0; k-- {
		nodes[k], n = n, n.parent
	}
	out := make([]int, f.pulls)
	at := map[int8]int{} // where the last tightening of each fastener began
	var open int8 = -1   // the one in progress
	for k, n := range nodes {
		out[k] = k
		switch n.kind {
		case kSwing:
			if n.fastener == open {
				out[k] = at[n.fastener]
			}
			open = n.fastener
		case kFinish, kRest:
			if from, ok := at[n.fastener]; ok {
				out[k] = from
			}
			open = -1
		case kSame:
			continue
		default:
			open = -1
		}
		at[n.fastener] = out[k]
	}
	return out
}
