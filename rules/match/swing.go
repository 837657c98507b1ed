package match

import "math"

// A tool may send each swing of a ratchet as a reading of its own. Then a
// fastener's tightening is several pulls: their peaks rise, and only together do
// they turn as far as a fastener of the joint does.

// tally counts the tightenings of a hypothesis: those done in one pull, and those
// that began with a swing; of the latter, further swings and pulls that ended them.
type tally struct{ inOne, swung, more, ended uint8 }

// mostTallied is where counting ends: more teach nothing new.
const mostTallied = 200

func (t *tally) add(n *uint8) {
	if *n < mostTallied {
		*n++
	}
}

// swings is what is believed of a pass's swings before its first pull: whether a
// tightening has any, and whether one more follows.
type swings struct {
	any  [4]beta // the more of a joint's tightenings had some, the odder is one that has none
	more beta
}

// beta is a beta distribution that is believed with so much of the weight.
type beta struct {
	a, b, weight float64
	norm         float64 // logarithm of weight over the beta function
}

func newBeta(a, b, weight float64) beta {
	return beta{a, b, weight, math.Log(weight) - lbeta(a, b)}
}

// chance is that of one more yes after so many, and so many noes.
func (d *beta) chance(yes, no float64) float64 { return (d.a + yes) / (d.a + d.b + yes + no) }

// Where each swing is sent, any share of a joint's tightenings may have some, all and
// none the least likely (oftenA and oftenB); or nearly all have. moreA and moreB:
// after a swing, one more. Assumed.
const (
	oftenA, oftenB = 1.5, 1.5
	moreA, moreB   = 1, 2.5
)

// swingsBefore takes together what is assumed, what the technician did in earlier
// passes, and what earlier jobs taught of the joint. Another technician may hold
// another tool, so that what is taught is never all that is believed.
func (m *model) swingsBefore() (s swings) {
	p, k, o := m.p, &m.j.Known, &m.j.Mood
	often, rest := p.SwingOften, 1.0
	if o.Swung >= 2 {
		often = p.SwingsSeen
	}
	if n := k.Wholes; n >= taughtBy {
		worth, share := min(n, p.SwingTaught), (min(k.Swung, n)+0.5)/(n+1)
		rest = 1 - p.SwingSame
		s.any[3] = newBeta(float64(worth*share), float64(worth*(1-share)), p.SwingSame)
	}
	seen := 1.0
	if n := o.Swung + o.InOne; n > p.SwingWeight {
		seen = p.SwingWeight / n
	}
	s.any[0] = newBeta(p.Swing*p.SwingWeight+float64(seen*o.Swung), p.SwingWeight*(1-p.Swing)+float64(seen*o.InOne), rest*(1-often))
	s.any[1] = newBeta(oftenA, oftenB, rest*often*(1-p.SwingAll))
	s.any[2] = newBeta(p.SwingAllWeight*(1-p.SwingNone), p.SwingAllWeight*p.SwingNone, rest*often*p.SwingAll)
	s.more = beta{a: moreA, b: moreB}
	further := func(more, ended, worth float64) {
		if n := more + ended; n > 0 {
			worth = min(worth, n) / n
			s.more.a += float64(worth * more)
			s.more.b += float64(worth * ended)
		}
	}
	further(max(k.Swings-k.Swung, 0), k.Swung, p.SwingTaught)
	further(max(o.Swings-o.Swung, 0), o.Swung, p.SwingWeight)
	return s
}

// begins is the chance that a tightening begins with a swing, after so many that did
// and so many that were done in one pull.
func (s *swings) begins(swung, inOne float64) float64 {
	var ls, chances [len(s.any)]float64
	top := math.Inf(-1)
	for i := range s.any {
		d := &s.any[i]
		if ls[i] = math.Inf(-1); d.weight > 0 {
			ls[i], chances[i] = d.norm+lbeta(d.a+swung, d.b+inOne), d.chance(swung, inOne)
		}
		top = max(top, ls[i])
	}
	var sum, all float64
	for i := range ls {
		w := math.Exp(ls[i] - top)
		all += w
		sum += float64(w * chances[i])
	}
	return sum / all
}

func lbeta(a, b float64) float64 {
	x, _ := math.Lgamma(a)
	y, _ := math.Lgamma(b)
	z, _ := math.Lgamma(a + b)
	return x + y - z
}

// begins is the chance that the tightening of a fastener begins with a swing, as this
// technician did it so far; of one that was begun before, that a swing follows.
func (e *expander) begins(f int) float64 {
	q := e.beginsAfter(&e.h.tally)
	if e.h.low&(1<<f) != 0 {
		q = min(q, e.goesOn())
	}
	return q
}

func (e *expander) beginsAfter(t *tally) float64 {
	s := &e.swung[(int(t.swung)+3*int(t.inOne))%len(e.swung)]
	if t.swung != s.swung || t.inOne != s.inOne || s.chance == 0 {
		*s = swung{t.swung, t.inOne, e.m.swings.begins(float64(t.swung), float64(t.inOne))}
	}
	return s.chance
}

// goesOn is the chance that another swing follows one.
func (e *expander) goesOn() float64 { return e.goesOnAfter(&e.h.tally) }

func (e *expander) goesOnAfter(t *tally) float64 {
	return e.m.swings.more.chance(float64(t.more), float64(t.ended))
}

// swingLost is the chance that a cycle which was lost before a pull was a swing of
// its tightening, where that has some. Assumed.
const swingLost = 0.5

// inOne is the chance that a pull shows no swing before it, q that of one.
func (x *features) inOne(q float64) float64 {
	if x.gap {
		q *= 1 - swingLost
	}
	return 1 - q
}

// swung keeps a chance of a swing: hypotheses share a few.
type swung struct {
	swung, inOne uint8
	chance       float64
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
	was.tally = h.un.tally
	first := h.tally.inOne > was.tally.inOne
	var ended float64
	switch h.path.kind {
	case kNext, kOther, kRetight:
		ended, _ = e.m.fresh(&was, b)
	case kFinish, kRest:
		ended = e.m.finish(&was, b)
	default:
		return
	}
	q := e.goesOnAfter(&was.tally)
	if first {
		q = e.beginsAfter(&was.tally)
	}
	q /= b.inOne(q) // which was held of it
	was.tally.rests(first)
	q *= 1 - e.goesOnAfter(&was.tally)
	unfinished := e.m.unfinished(&was, b)
	was.part += degreesOf(b.turn)
	e.add(kRest, int(h.last), scale*q, unfinished-ended+e.m.finish(&was, e.x), wRest)
}

// rests counts the pull that seemed to end a tightening as a swing of it.
func (t *tally) rests(first bool) {
	if first {
		t.add(&t.swung)
	} else {
		t.add(&t.more)
	}
}

// gripped tells whether a pass is worked on in swings. Then the wait before a
// tightening holds no more of it than its first swing, and a repeat takes as long.
func (f *Filter) gripped() bool { return f.grip.n >= leastGrips && 2*f.grip.n >= f.wait.n }

// leastGrips is how many times of setting the tool on anew show that. Our choice.
const leastGrips = 4

// degreesOf is the rotation whose turnLog is x.
func degreesOf(x float64) float64 {
	y := math.Exp(x)
	return max(y-floorDeg*floorDeg/y, 0)
}

// learnSwing takes in what a pull tells of the tightening that it is a part of.
func (m *model) learnSwing(h *hyp, c candidate, x, before *features) {
	begun := c.fastener >= 0 && h.low&(1<<c.fastener) != 0
	switch c.kind {
	case kSwing:
		h.tally.rests(!begun)
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
		first := h.tally.inOne > h.un.tally.inOne
		h.turn, h.dur, h.peak, h.tally = h.un.turn, h.un.dur, h.un.peak, h.un.tally
		h.tally.rests(first)
		h.part = h.un.part + degreesOf(before.turn)
		if known(before.turn) {
			h.arc = m.arc.with(h.arc, before.turn)
		}
	default:
		return
	}
	h.un = undone{h.turn, h.dur, h.peak, h.part, h.tally}
	switch {
	case c.kind == kFinish || c.kind == kRest || begun:
		h.tally.add(&h.tally.ended)
	case !x.gap: // else a swing may have been lost
		h.tally.add(&h.tally.inOne)
	}
	if c.kind != kFinish && c.kind != kRest || x.low {
		return
	}
	if _, all := m.turnEnds(h, x); known(all) {
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
		l += m.signLow(h, x)
	}
	if known(x.peak) {
		l += anyPeak
	}
	return l
}

// endsOdd is how often the parts of a tightening do not make up what a fresh pull turns.
// Assumed: seldom, or a pull on a tight fastener would pass for the rest of a swing.
const endsOdd = 0.01

// endsAnywhere is how often what ends a tightening begins to turn anywhere below where the
// swing stopped. Assumed.
const endsAnywhere = 0.2

// finish is the log density of a pull that ends what an unfinished one began: with
// that it turns as a fresh one does.
func (m *model) finish(h *hyp, x *features) (l float64) {
	if known(x.turn) {
		ends, _ := m.turnEnds(h, x)
		l += logAdd(math.Log(1-endsOdd)+ends, math.Log(endsOdd)+anyTurn)
	}
	if known(x.last) {
		l += m.dependent(x) * logAdd(math.Log(0.5)+student5(x.last, h.dur.mean-0.3, 0.6), math.Log(0.5)+anyLast)
	}
	if known(x.rate) {
		l += logAdd(math.Log(0.5)+student5(x.rate, h.rate.mean+0.3, 0.8), math.Log(0.5)+anyRate)
	}
	if x.trace {
		l += x.anySign()
		if known(x.quarter) && !x.unclear { // it took up where the swing had stopped
			l += math.Log((1-endsAnywhere)/m.p.QuarterEnds*math.Exp((min(x.quarter, 1)-1)/m.p.QuarterEnds) + endsAnywhere)
		}
	}
	return l + m.peakFresh(h, x)
}

// windUps are the shares of a tight fastener's turn that a pull may have turned before
// the fastener moved on, the tool winding up, and windUpLogs how likely each is: a
// click or a short arc says nothing of it, and some tools take it off. Assumed.
var (
	windUps    = [...]float64{0, 0.6, 1.2}
	windUpLogs = [...]float64{math.Log(0.4), math.Log(0.3), math.Log(0.3)}
)

// windUp is how far, in degrees, a pull on a tight fastener turns.
func (m *model) windUp(h *hyp, net bool) float64 {
	switch k := m.j.Known.Tight; {
	case net:
		return 0
	case k.Worth >= tightTaught:
		return math.Exp(k.Mean) - floorDeg
	}
	return m.p.RepeatDeg + float64(m.p.RepeatShare*math.Exp(min(h.turn.mean, 8)))
}

// turnEnds is the log density of the rotation of a pull that ends a tightening, by
// that of the whole of it; and the turnLog of that, as it is likeliest. What the pull
// turned before the fastener moved on is none of it.
func (m *model) turnEnds(h *hyp, x *features) (l, all float64) {
	deg := degreesOf(x.turn)
	if !known(h.part + deg) {
		return student5(x.turn, h.turn.mean-0.7, 0.8), math.NaN()
	}
	wind, top := m.windUp(h, x.net), math.Inf(-1)
	l = math.Inf(-1)
	for i, share := range windUps {
		a := turnLog(h.part + deg - float64(share*wind))
		d := windUpLogs[i] + m.turnFresh(h, a) + min(x.turn-a, 0)
		if d > top {
			top, all = d, a
		}
		l = logAdd(l, d)
	}
	return l, all
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
