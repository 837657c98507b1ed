package match

import (
	"math"
	"sync"
)

// expander weighs all ways on from all hypotheses for one pull.
type expander struct {
	m    *model
	q    *Pull
	x    *features
	same bool
	out  []candidate
	top  float64
	cut  float64 // logarithm of Prune

	before *features // of the pull before; nil for the first
	tidy   tidies    // the best that leave nothing behind

	// of the hypothesis in hand
	h     *hyp
	i     int32
	next  int
	fresh float64
	odd   bool
	rep   float64
	none  float64
	part  float64
	neat  bool // it leaves nothing behind
	tight int  // fasteners that pulls seen made tight
	most  int  // of all that leave nothing behind

	wait waited // the same for all hypotheses

	// What was worked out last: many ways on have one chance, and hypotheses in
	// which the same pulls were first ones expect the same of the next.
	chance, logChance float64
	swung             [16]swung
	known             [4]firstOnes
	nknown            int
}

// firstOnes are the statistics of first pulls, and the density of the pull in hand
// by them.
type firstOnes struct {
	turn, dur, peak, rate normal
	quarter               normal
	traced, snugs, breaks uint16
	fresh, rep            float64
	odd                   bool
}

// first works out the densities of the pull in hand as a first one and, of a whole
// one outside a closing round, as a repeat: once for hypotheses that have seen the
// same.
func (e *expander) first(h *hyp) *firstOnes {
	for i := range min(e.nknown, len(e.known)) {
		if k := &e.known[i]; k.turn == h.turn && k.peak == h.peak && k.dur == h.dur && k.rate == h.rate && k.quarter == h.quarter && k.traced == h.traced && k.snugs == h.snugs && k.breaks == h.breaks {
			return k
		}
	}
	m, x := e.m, e.x
	k := &e.known[e.nknown%len(e.known)]
	e.nknown++
	*k = firstOnes{turn: h.turn, dur: h.dur, peak: h.peak, rate: h.rate, quarter: h.quarter, traced: h.traced, snugs: h.snugs, breaks: h.breaks}
	k.fresh, k.odd = m.fresh(h, x)
	if !x.low && !m.j.Closing {
		s := x.told()
		k.rep = m.repeat(h, x) + m.seen(h, &s)
	}
	return k
}

// log is the logarithm of a chance.
func (e *expander) log(chance float64) float64 {
	if chance != e.chance {
		e.chance, e.logChance = chance, math.Log(chance)
	}
	return e.logChance
}

// scratch keeps the room of candidates, which nobody needs once a pull is weighed.
var scratch = sync.Pool{New: func() any { return new([]candidate) }}

// run returns the hypotheses after the pull, and what was let go of by then.
func (e *expander) run(hs []hyp, dropped float64) ([]hyp, float64) {
	if e.q.Gap > MaxGap {
		q := *e.q
		q.Gap = -1
		e.q = &q
	}
	for range e.q.Gap - 1 {
		hs = e.m.lost(hs)
	}
	e.top = math.Inf(-1)
	e.cut = math.Log(e.m.p.Prune)
	e.tidy = newTidies()
	for i := range hs {
		if hs[i].tidy() {
			e.most = max(e.most, hs[i].seenTight())
		}
	}
	room := scratch.Get().(*[]candidate)
	e.out = (*room)[:0]
	defer func() {
		*room = e.out
		scratch.Put(room)
	}()
	first := heaviest(hs)
	e.from(hs, first)
	for i := range hs {
		if i != first {
			e.from(hs, i)
		}
	}
	return e.settle(hs, dropped)
}

// from adds the ways on from a hypothesis.
func (e *expander) from(hs []hyp, i int) {
	e.h, e.i, e.neat = &hs[i], int32(i), hs[i].tidy()
	e.tight = e.h.seenTight()
	e.ways()
}

// floor is the weight below which a way on from the hypothesis in hand is not
// worth adding. Those that leave nothing behind are held against one another, so
// that the best of them are never lost; and so are those of them in which most
// are tight, since one whose pulls were all first ones is what a clean job is.
func (e *expander) floor() float64 {
	top := e.top
	if e.neat {
		top = min(top, e.tidy.heavy[0].w+tidyShort)
		if e.tight == e.most {
			top = min(top, e.tidy.farthest(e.most+1)+tidyShort)
		}
	}
	return top + e.cut
}

// heaviest is the first hypothesis of the greatest weight: weighed first, it
// spares most ways on from the others.
func heaviest(hs []hyp) int {
	best := 0
	for i := range hs {
		if hs[i].weight() > hs[best].weight() {
			best = i
		}
	}
	return best
}

// hopeless tells whether no way of such chance and density is worth adding.
func (e *expander) hopeless(chance, density float64) bool {
	return !(chance > 0) || e.h.weight()+logAbove(chance)+density < e.floor()
}

// logAbove is no less than ln x, and no more than ln 2 above it, for x above 0:
// enough to see that most ways are not worth a logarithm.
func logAbove(x float64) float64 {
	return float64(int(math.Float64bits(x)>>52&0x7ff)-1022) * math.Ln2
}

// lowTurns is how often a pull on a tight fastener that ends too low turns by any
// amount. Assumed.
const lowTurns = 0.1

// measure works out the densities of the pull under the hypothesis in hand.
func (e *expander) measure() {
	m, h, x := e.m, e.h, e.x
	e.next = m.next(h)
	e.none = m.none(x, anyPeak)
	k := e.first(h)
	e.fresh, e.odd = k.fresh, k.odd
	if x.low {
		e.part = m.unfinished(h, x)
		e.rep = e.none
		if known(x.turn) { // no swing: a tight one hardly turns, however low the pull ended
			e.rep += logAdd(math.Log(1-lowTurns)+m.turnAgain(h, x.turn, x.net)-anyTurn, math.Log(lowTurns))
		}
		return
	}
	if !m.j.Closing {
		e.rep = k.rep
		return
	}
	if e.rep = m.repeat(h, x); known(x.turn) {
		e.rep += logAdd(m.again.log(h.again, x.turn)+math.Log(0.99), math.Log(0.01)+anyTurn)
	}
}

// ways adds the ways on from the hypothesis in hand.
func (e *expander) ways() {
	if e.h.weight() < e.floor() {
		return
	}
	if e.same {
		e.next = e.m.next(e.h)
		e.add(kSame, -1, 1, 0, 0)
		return
	}
	e.measure()
	switch {
	case e.q.Loosening:
		e.loosen()
	case e.m.j.Closing:
		e.round()
	default:
		scale := e.finishing()
		e.after(e.lostBefore(e.asked(scale)))
	}
}

// add adds one way: prior chance, log density without the wait's, flags.
func (e *expander) add(k kind, f int, chance, density float64, flags uint8) {
	if !(chance > 0) || math.IsInf(chance, 1) { // shared out among none
		return
	}
	w := e.h.weight() + density + e.wait[flags>>waitShift]
	if w+logAbove(chance) <= e.floor() && e.q.Placed < 0 {
		return
	}
	w += e.log(chance)
	if e.q.Placed >= 0 {
		switch {
		case f < 0:
			w += math.Log(e.m.p.PlaceWrong * 10)
		case f != e.q.Placed:
			w += math.Log(e.m.p.PlaceWrong)
		}
	}
	if e.odd && k.label() == 1 {
		flags |= oddTurn
	}
	c := candidate{w: w, from: e.i, kind: k, fastener: int8(f), next: int8(e.next), flags: flags}
	if e.neat && e.leavesNone(&c) {
		e.tidy.add(&c, e.tight+int(tightens[k]))
	}
	if w > e.top {
		e.top = w
	} else if !(w > e.top+e.cut) {
		return
	}
	e.out = append(e.out, c)
}

// tighten adds a pull on a fastener that is not tight.
func (e *expander) tighten(f int, chance float64, flags uint8) {
	k := kOther
	q := e.begins(f)
	if e.x.low {
		e.add(kSwing, f, chance*q, e.part, flags|wWalk)
	}
	chance *= e.x.inOne(q)
	switch {
	case e.h.loosened&(1<<f) != 0:
		k = kRetight
	case f == e.next:
		k = kNext
	}
	e.add(k, f, chance, e.fresh, flags|wWalk)
}

// finishing adds the ways on with the fastener in progress, and returns the
// chance that it was left instead.
func (e *expander) finishing() float64 {
	f := int(e.h.partial)
	if f < 0 {
		return 1
	}
	go1 := 1 - e.m.p.LeaveLow
	if q := e.goesOn(); e.x.low {
		e.add(kSwing, f, go1*q, e.part, wGrip)
	} else {
		e.add(kFinish, f, go1*(1-q), e.m.finish(e.h, e.x), wGrip)
	}
	return e.m.p.LeaveLow
}

// asked adds a pull on the fastener that was asked for, whether it is tight or not,
// and returns the chance that it was another all the same.
func (e *expander) asked(scale float64) float64 {
	f := e.q.Placed
	if !e.q.Asked || f < 0 || f >= len(e.m.order) || f == int(e.h.partial) {
		return scale
	}
	p := e.m.p.Asked
	if e.h.done&(1<<f) != 0 {
		e.add(kRepeat, f, scale*p, e.rep, wWalk)
	} else {
		e.tighten(f, scale*p, 0)
	}
	return scale * (1 - p)
}

// lostBefore adds the ways in which a pull on the next one was made before
// this pull, but did not arrive. It returns the chance of none.
func (e *expander) lostBefore(scale float64) float64 {
	p, n := e.m.p, e.next
	if n < 0 {
		return scale
	}
	u := p.Unseen
	switch {
	case e.q.Gap > 0:
		u = p.UnseenGap
	case e.q.Tool.Counter == CountsCycles && e.q.Gap == 0:
		u = p.Contiguous
	}
	e.add(kRepeat, n, scale*u*p.Again, e.rep, unseenNext|atOnce|wOnce)
	after := *e.h
	after.passed |= 1 << n
	after.last = int8(n)
	if f := e.m.next(&after); f >= 0 {
		e.tighten(f, scale*u*(1-p.Again), unseenNext)
	}
	return scale * (1 - u)
}

// after adds all other ways; scale is their chance together.
func (e *expander) after(scale float64) {
	if scale <= 0 {
		return
	}
	p, h := e.m.p, e.h
	free := 1.0
	take := func(c float64) float64 { free -= c; return scale * c }
	hasty := 1.0
	if e.x.brokeOff {
		hasty = p.Interrupted
	}
	if h.done != 0 {
		e.rest(scale)
		if h.blind >= 0 && !h.filled {
			e.inPlace(take(e.due()))
		}
		e.repeats(take(e.habit()), take(p.LostPlace*hasty), take(p.Check))
		e.retight(take(p.Loosened))
	}
	e.add(kNowhere, -1, take(p.Nowhere), e.none, wWalk)
	if len(e.m.j.OtherTargets) > 0 {
		e.add(kElsewhere, -1, take(p.Elsewhere), e.m.none(e.x, e.x.other), wWalk)
	}
	e.others(take, hasty)
	if e.next >= 0 {
		e.tighten(e.next, scale*max(free, 0.05), 0)
	}
}

// habit is the chance of a second pull at once, as this technician did it so
// far.
func (e *expander) habit() float64 {
	p, h := e.m.p, e.h
	if h.last < 0 || h.done&(1<<h.last) == 0 {
		return 0
	}
	m := &e.m.j.Mood
	return (p.Habit*p.HabitWeight + m.Habits + float64(h.habits)) / (p.HabitWeight + m.Pulls + h.whole() + float64(h.habits))
}

// repeats adds pulls on tight fasteners: at once on the last, in place of the
// next, and any other.
func (e *expander) repeats(habit, lost, check float64) {
	h, m := e.h, e.m
	last := int(h.last)
	e.add(kRepeat, last, habit, e.rep, atOnce|wHabit)
	share, others := e.onLast()
	if share > 0 && e.next >= 0 {
		e.add(kLost, last, lost*share, e.rep, passNext|wOnceAgain)
	}
	if others == 0 || e.hopeless(max(lost, check), e.rep+e.wait[wAgain>>waitShift]) {
		return
	}
	for _, f := range m.order {
		if f == last || h.done&(1<<f) == 0 {
			continue
		}
		if e.next >= 0 {
			e.add(kLost, f, lost*(1-share)*m.mistaken(f, last, others), e.rep, passNext|wAgain)
		}
		e.add(kRepeat, f, check/others, e.rep, wAgain)
	}
}

// Who leaves one out in pass after pass, and does not notice it by the number of pulls,
// pulls a tight one in its place: when it is due, at the end, or anywhere. Assumed.
const (
	whenDue  = 0.5
	atEnd    = 0.6
	anywhere = 0.3 // by the end
)

// due is the chance that a tight one is pulled now in place of the one that is left out.
func (e *expander) due() float64 {
	h, m := e.h, e.m
	switch {
	case e.next < 0:
		return atEnd
	case m.at[e.next] > m.at[h.blind] && (h.last < 0 || m.at[h.last] < m.at[h.blind]):
		return whenDue
	}
	return anywhere / float64(len(m.order))
}

// inPlace adds pulls on tight ones in place of the one that is left out.
func (e *expander) inPlace(chance float64) {
	h, m := e.h, e.m
	last := int(h.last)
	share, others := e.onLast()
	e.add(kRepeat, last, chance*share, e.rep, wOnceAgain)
	for _, f := range m.order {
		if f != last && h.done&(1<<f) != 0 {
			e.add(kRepeat, f, chance*(1-share)*m.mistaken(f, last, others), e.rep, wAgain)
		}
	}
}

// onLast is the share of pulls on a tight one in place of another that are on the one
// just done, and how many else are tight.
func (e *expander) onLast() (share, others float64) {
	others = count(e.h.done)
	if last := e.h.last; last < 0 || e.h.done&(1<<last) == 0 {
		return 0, others
	}
	if others--; others == 0 {
		return 1, 0
	}
	return e.m.p.LostAgain, others
}

// mistaken shares the rest of them among the others: half alike, half by how near they are.
func (m *model) mistaken(f, last int, others float64) float64 {
	return 0.5/others + float64(0.5*m.near(f, last, others))
}

// near shares a chance among tight fasteners by how close in order they are to
// the last: half to the one before it, and so on.
func (m *model) near(f, last int, others float64) float64 {
	if last < 0 {
		return 1 / others
	}
	d := m.at[last] - m.at[f]
	if d < 1 || d > 40 {
		return 0
	}
	return math.Ldexp(1, -d)
}

// retight adds a tight one that was loosened without our seeing it.
func (e *expander) retight(chance float64) {
	if f := int(e.h.last); f >= 0 && e.h.done&(1<<f) != 0 && !e.x.low {
		e.add(kRetight, f, chance*e.x.inOne(e.begins(f)), e.fresh, wWalk)
	}
}

// others adds fasteners out of order that are not tight.
func (e *expander) others(take func(float64) float64, hasty float64) {
	p, h, m := e.m.p, e.h, e.m
	open := m.all &^ h.done
	if h.partial >= 0 {
		open &^= 1 << h.partial
	}
	behind := open & h.passed
	if h.blind >= 0 && (e.next >= 0 || h.filled) {
		behind &^= 1 << h.blind // nobody knows of it
	}
	if behind != 0 {
		c := p.BackAmid
		if e.next < 0 {
			c = p.Back
		}
		c = take(c) / count(behind)
		for _, f := range m.order {
			if behind&(1<<f) != 0 {
				e.tighten(f, c, 0)
			}
		}
	}
	if e.next < 0 && behind != 0 {
		e.backWrong(take(min(p.BackWrong*count(h.done), backWrongMost)) / count(h.done))
	}
	ahead := open &^ h.passed
	if e.next < 0 || ahead&^(1<<e.next) == 0 {
		return
	}
	after := *h
	after.passed |= 1 << e.next
	after.last = int8(e.next)
	second := m.next(&after)
	e.tighten(second, take(e.skip()*hasty), passNext)
	jump := p.Jump
	if !m.j.Strict {
		jump *= p.FreeOrder
	}
	jump = take(jump) / (count(ahead) - 1)
	if e.hopeless(jump, e.fresh+e.wait[wWalk>>waitShift]) && e.q.Placed < 0 {
		return
	}
	for _, f := range m.order {
		if f != e.next && ahead&(1<<f) != 0 {
			e.tighten(f, jump, 0)
		}
	}
}

// backWrongMost is the most that BackWrong comes to, however many are tight. Assumed.
const backWrongMost = 0.1

// backWrong adds a pull on a tight one by who found one to be left out, and took that
// for it.
func (e *expander) backWrong(chance float64) {
	for _, f := range e.m.order {
		if e.h.done&(1<<f) != 0 {
			e.add(kRepeat, f, chance, e.rep, wAgain)
		}
	}
}

// skip is the chance that the next one is left out for the one after it. Whoever
// pulled one twice, and goes by the number of pulls, does not notice it; whoever
// does so again and again does not go by the number.
func (e *expander) skip() float64 {
	p := e.m.p
	if e.h.habits == 0 {
		return p.Skip
	}
	return max(p.Skip, p.SkipTwice/float64(len(e.m.order))/float64(e.h.habits))
}

// loosen adds the fasteners that a loosening pull may have been on.
func (e *expander) loosen() {
	h := e.h
	if h.done == 0 {
		e.add(kNowhere, -1, 1, 0, 0)
		return
	}
	n := count(h.done)
	for _, f := range e.m.order {
		if h.done&(1<<f) == 0 {
			continue
		}
		c := 0.3 / n
		if f == int(h.last) {
			c += 0.7
		}
		e.add(kLoosen, f, c, 0, 0)
	}
}

// round adds the ways on in a closing round: each fastener once more.
func (e *expander) round() {
	p, h, m := e.m.p, e.h, e.m
	scale := e.finishing()
	visit := func(f int, c float64) {
		switch {
		case f < 0:
		case h.done&(1<<f) != 0:
			e.add(kRepeat, f, scale*c, e.rep, wWalk)
		default:
			e.tighten(f, scale*c, 0)
		}
	}
	visit(e.next, 0.97)
	if h.last >= 0 && h.done&(1<<h.last) != 0 {
		e.add(kRepeat, int(h.last), scale*e.habit(), e.rep, atOnce|wOnce)
	}
	e.add(kNowhere, -1, scale*p.Nowhere, e.none, wWalk)
	ahead := m.all &^ h.passed
	if e.next >= 0 {
		ahead &^= 1 << e.next
	}
	if ahead == 0 {
		return
	}
	c := (p.Skip + p.Jump) / count(ahead)
	for _, f := range m.order {
		if ahead&(1<<f) != 0 {
			visit(f, c)
		}
	}
}
