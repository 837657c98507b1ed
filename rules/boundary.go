package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/match"
)

// Where one pass of work ends and the next begins, a wrench does not say. If a
// fastener was left out and the work after it wants about the same torque, the
// first pull there fills the gap, the pass looks complete, and all that follows
// is one short, to the end. So pulls at such a boundary are weighed: were they
// the last ones of the one pass, or the first ones of the next? See
// rules/match/model.md, Boundaries.

// stretch is one pass of one joint, as a part of the work of a job.
type stretch struct{ step, pass int }

// Chances that a pass is left one fastener short, two, and more; how much less
// likely each pass left out whole makes it; and how sure it must be that work
// went on before a pull is taken for that. Assumed.
const (
	leftOne     = 0.01
	leftTwo     = 0.004
	leftMore    = 0.003
	leftPass    = 1e-3
	wentOnSure  = 0.95
	eitherWrong = 0.5 // the same where the pull would be told of as it stands, too
	leftEarlier = 0.3 // how much less likely an earlier pass is the one left short than the last
	mostLinks   = 12  // stretches in a row that may have passed a gap on
	mostMoved   = 3   // pulls that are looked back at
	lookBackAt  = 6   // pulls of a stretch after which nothing new is learned of its first
)

// Densities at a boundary, of natural logarithms. Peaks and rotations spread as
// rules/match assumes, with the heavy tails of few values; all assumed.
const (
	peakSpread, peakLoose = 0.03, 0.10
	turnSpread            = 0.25
	ownWorth              = 4    // values that an assumed spread is worth
	oddShare              = 0.05 // of pulls unlike all others
	anyPeak, anyTurn      = 1 / 2.2, 1 / 8.0
	untaughtTurn          = 4.53 // ln 93°, see match.Params.UntaughtDeg
	untaughtRange         = 1.25
	closingTurn           = 1.25 // ln (2.5° + 1°), see match.Params.RepeatDeg
	closingRange          = 0.7
	paceRange             = 0.5
	passToPass            = 0.7 // between the rotations of two passes of a joint
)

// law is how a feature of the pulls of a stretch is distributed.
type law struct{ mean, sd float64 }

func (l law) density(x, any float64) float64 {
	return (1-oddShare)*math.Exp(match.HeavyLog(x, l.mean, l.sd)) + oddShare*any
}

// stretchLaw takes the middle of values, and their spread drawn to what is assumed.
func stretchLaw(xs []float64, sd float64) law {
	slices.Sort(xs)
	l := law{mean: xs[len(xs)/2]}
	ss := ownWorth * sd * sd
	for _, x := range xs {
		d := min(math.Abs(x-l.mean), 3*sd)
		ss += d * d
	}
	l.sd = math.Sqrt(ss / (ownWorth + float64(len(xs))))
	return l
}

// sight is what a pull at a boundary tells.
type sight struct {
	reading uint64
	nm      float64 // torque
	turn    float64 // logarithm; NaN where none is told
	wait    float64 // logarithm of the time since the pull before, s; NaN where not known
}

func (j *Job) sightOf(e *Evidence, before *Evidence) sight {
	s := sight{reading: e.Pull.Reading, nm: e.Pull.Torque.Base(), turn: math.NaN(), wait: math.NaN()}
	if deg, ok := e.turn(); ok {
		s.turn = math.Log(deg + turnFloor)
	}
	if before != nil && !e.Pull.Late {
		s.wait = waitLog(float64(e.Pull.AtUs - before.Pull.AtUs))
	}
	return s
}

// waitLog is NaN where pulls came so close together that their times tell
// nothing.
func waitLog(us float64) float64 {
	if us < paceLeast {
		return math.NaN()
	}
	return math.Log(us / 1e6)
}

// laws are those of a stretch, by its pulls that count, some apart.
type laws struct {
	peak, turn law
	low        float64 // share of unfinished pulls
	lsl        float64
	before     float64 // what the pass before has left, at least
	usual      float64 // logarithm of the usual wait
}

func (j *Job) lawsOf(s stretch, but []sight) laws {
	p := &j.Proc.Steps[s.step].Joint.Passes[s.pass]
	marked := j.marked(s.step, s.pass)
	target := p.Target.Base()
	var peaks, turns []float64
	lows, all := 0.3, 10.0
	pulls, whole := j.Steps[s.step].Weigh[s.pass].pulls(), j.tightenings(s.step, s.pass)
	for k, e := range pulls {
		if slices.ContainsFunc(but, func(x sight) bool { return x.reading == e.Pull.Reading }) {
			continue
		}
		all++
		if e.below(p) {
			lows++
		}
		if marked.of(e.Pull.Reading) == nil {
			continue
		}
		if x := e.Pull.Torque.Base() / target; x > 0 {
			peaks = append(peaks, math.Log(x))
		}
		if x := whole[k]; x.ok {
			turns = append(turns, math.Log(x.deg+turnFloor))
		}
	}
	l := laws{low: lows / all, lsl: p.LSL.Base(), peak: law{0.005, peakSpread}, turn: law{untaughtTurn, untaughtRange}, usual: math.Log(5)}
	l.before = j.leftBefore(s)
	spread := peakSpread
	if p.Loose {
		spread = peakLoose
		l.peak.sd = spread
	}
	if len(peaks) >= 3 {
		l.peak = stretchLaw(peaks, spread)
	}
	l.peak.mean += math.Log(target)
	if k := j.Steps[s.step].Weigh[s.pass].Known.FreshAngle; len(turns) >= 3 {
		l.turn = stretchLaw(turns, turnSpread)
	} else if k.N >= leastPulls {
		l.turn = law{k.Mean, math.Sqrt(k.Whole() + jobToJob*jobToJob)}
	} else if p.Closing {
		l.turn = law{closingTurn, closingRange}
	} else if turns := j.turnsBefore(s); len(turns) >= 3 {
		slices.Sort(turns)
		l.turn = law{turns[len(turns)/2], passToPass}
	}
	if w := usualWait(pulls); len(pulls) > 2 && w > paceLeast {
		l.usual = math.Log(w / 1e6)
	}
	return l
}

// leftBefore is the torque up to which a pull of a stretch turns nothing, N·m: what the
// pass before has left, but for who pulled a little short there.
func (j *Job) leftBefore(s stretch) float64 {
	jt := j.Proc.Steps[s.step].Joint
	if s.pass == 0 || jt.Passes[s.pass].Closing {
		return 0
	}
	return (1 - aimedWithin) * jt.Passes[s.pass-1].Target.Base()
}

// turnsBefore returns the logarithms of the rotations of the joint's pass before a
// stretch, nil where there is none. A joint that turned little there does not turn
// far in the next.
func (j *Job) turnsBefore(s stretch) []float64 {
	if s.pass == 0 {
		return nil
	}
	return j.turns(s.step, s.pass-1, 0)
}

// in is the logarithm of the density of what a pull tells, the wait apart, if
// it belongs to the stretch.
func (l *laws) in(s *sight) float64 {
	x := math.Log(max(s.nm, 1e-6))
	whole := (1 - oddShare) * math.Exp(match.HeavyLog(x, l.peak.mean, l.peak.sd))
	part := l.low * anyPeak
	if s.nm < l.lsl {
		whole *= 0.5 // it did not reach its limit
		if s.nm < l.before {
			part /= turnsNothing
		}
	} else {
		part *= 0.1
		whole += oddShare * anyPeak
	}
	if s.turn == s.turn {
		whole *= l.turn.density(s.turn, anyTurn)
		part *= 0.6*math.Exp(match.HeavyLog(s.turn, l.turn.mean-0.4, max(l.turn.sd, 0.6))) + 0.4*anyTurn
	}
	return math.Log((1-l.low)*whole + part)
}

// waits are the logarithms of the densities of a wait inside a stretch, and
// before the first pull of the next.
func (l *laws) waits(s *sight, otherStep bool) (inside, across float64) {
	if s.wait != s.wait {
		return 0, 0
	}
	pace := math.Exp(match.HeavyLog(s.wait, l.usual, paceRange))
	rest := math.Exp(match.HeavyLog(s.wait, math.Log(40), 1.2))
	walk := math.Exp(match.HeavyLog(s.wait, math.Log(25), 1))
	over := math.Exp(match.HeavyLog(s.wait, l.usual+0.4, paceRange)) // nobody is at another joint sooner than at the next fastener
	inside = math.Log(0.93*pace + 0.07*rest)
	if otherStep {
		return inside, math.Log(0.4*over + 0.5*walk + 0.1*rest)
	}
	return inside, math.Log(0.75*pace + 0.2*walk + 0.05*rest)
}

// leftPrior is the chance that a pass is left so many fasteners short.
func leftPrior(n int) float64 {
	switch n {
	case 0:
		return 1
	case 1:
		return leftOne
	case 2:
		return leftTwo
	}
	return leftMore
}

// boundary weighs whether the last pulls of stretch a were the first ones of b.
// last are a's last pulls, oldest first, and open how many of its fasteners
// have none. It returns the odds of the likeliest number of pulls that were b's,
// and that number; now says that the last one is b's if any is: it has just
// come.
func (j *Job) boundary(a, b stretch, last []sight, open int, now bool) (moved int, odds float64) {
	lb := j.lawsOf(b, last)
	skipped := 1.0
	if a.step != b.step {
		for p := a.pass + 1; p < len(j.Proc.Steps[a.step].Joint.Passes); p++ {
			if !j.Proc.Steps[a.step].Joint.Passes[p].Closing && !j.passBegun(stretch{a.step, p}) {
				skipped *= leftPass
			}
		}
	}
	for n := 1; n <= len(last); n++ {
		these := last[len(last)-n:]
		la := j.lawsOf(a, these) // without them
		score := 0.0
		for i := range these {
			score += lb.in(&these[i]) - la.in(&these[i])
		}
		inside, across := la.waits(&these[0], a.step != b.step)
		left := open + n
		if now {
			left-- // the one that has just come fills none yet
		}
		o := leftPrior(left) * skipped
		if 2*left > len(j.Proc.Steps[a.step].Joint.Passes[a.pass].Order) {
			o *= leftPass // hardly begun
		}
		o *= math.Exp(min(score+across-inside, 500))
		if left > 0 && o > odds {
			moved, odds = n, o
		}
	}
	return moved, odds
}

func (j *Job) passBegun(s stretch) bool {
	return slices.ContainsFunc(j.Steps[s.step].Fasteners, func(f FastenerState) bool { return f.Marks[s.pass].Reading != 0 })
}

// lastSights returns the last pulls of a stretch, oldest first, at most
// mostMoved, none that somebody pointed at.
func (j *Job) lastSights(s stretch) []sight {
	pulls := j.Steps[s.step].Weigh[s.pass].pulls()
	marked := j.marked(s.step, s.pass)
	var out []sight
	for k := len(pulls) - 1; k >= 0 && len(out) < mostMoved; k-- {
		e := pulls[k]
		if e.Pull.Placed != "" || marked.of(e.Pull.Reading) == nil {
			break
		}
		var before *Evidence
		if k > 0 {
			before = pulls[k-1]
		}
		out = append(out, j.sightOf(e, before))
	}
	slices.Reverse(out)
	return out
}

// plain reports whether nothing but pulls has been at a step.
func (j *Job) plain(step int) bool {
	return !slices.ContainsFunc(j.Steps[step].Fasteners, func(f FastenerState) bool { return f.Held || f.Redo || f.Accepted })
}

// openOf counts the fasteners of a stretch that have no pull that counts.
func (j *Job) openOf(s stretch) (open, all int) {
	order := j.Proc.Steps[s.step].Joint.Passes[s.pass].Order
	for _, k := range order {
		if !j.Steps[s.step].Fasteners[k].doneIn(s.pass) {
			open++
		}
	}
	return open, len(order)
}

// after returns the stretch that follows one: the next pass of the joint, else
// the first pass of the next joint; not ok where something else comes between,
// such as a closing round.
func (j *Job) after(s stretch) (next stretch, ok bool) {
	jt := j.Proc.Steps[s.step].Joint
	for p := s.pass + 1; p < len(jt.Passes); p++ {
		if !jt.Passes[p].Closing {
			return stretch{s.step, p}, true
		}
		if slices.ContainsFunc(j.Steps[s.step].Fasteners, func(f FastenerState) bool { return f.NeedsClosing }) {
			return stretch{}, false // at the same torque
		}
	}
	i := s.step + 1
	return stretch{i, 0}, i < len(j.Steps) && j.Proc.Steps[i].Joint != nil
}

// wentOn takes a pull that the expected place would take for work that went on
// to the next stretch, where all that it and the pulls before it tell says so.
func (t *tx) wentOn(w *slot, r *reading, tool *toolDates) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || !j.plain(w.step) || len(j.Steps[w.step].Weigh[w.pass].Log) == 0 {
		return false
	}
	a := stretch{w.step, w.pass}
	open, all := j.openOf(a)
	b, ok := j.after(a)
	if !ok || w.loose() && a.step == b.step || 2*open > all || j.passBegun(b) || len(j.Steps[b.step].Weigh[b.pass].Log) > 0 {
		return false
	}
	next := j.fastenerSlot(b.step, b.pass, j.Proc.Steps[b.step].Joint.Passes[b.pass].Order[0])
	if why, _ := tool.misfit(&next, r.at); why != "" || !t.wouldTake(&next, r) {
		return false
	}
	sure := wentOnSure
	if deg, ok := r.turn(); ok {
		if l, known := t.turnLaw(w.step, w.pass, r.seq); t.spoilt(w, r, false, deg, &l, known) != "" {
			sure = eitherWrong
		}
	}
	return t.goOn(w, b, r, tool, sure)
}

// backChance is the chance that a pull goes back to what was left open before,
// where the work has gone on and the pull would be right there, too: whoever was
// told may go back, and if one that was at the later work filled the gap, nobody
// would be told any more. Assumed.
const backChance = 0.05

// staysOn counts a pull where the work is by now, if what it tells does not say
// that it went back to the place that was left open.
func (t *tx) staysOn(w *slot, r *reading, tool *toolDates) bool {
	j := t.job
	if !j.Weighed || w.joint == nil {
		return false
	}
	a := stretch{w.step, w.pass}
	b, ok := j.workingAt()
	if !ok || b.step < a.step || b.step == a.step && b.pass <= a.pass {
		return false
	}
	if j.nextIn(b) < 0 {
		if b, ok = j.after(b); !ok || j.nextIn(b) < 0 {
			return false
		}
	}
	if b.step == a.step && j.closing(b) {
		return false // at the same torque
	}
	next := j.fastenerSlot(b.step, b.pass, j.nextIn(b))
	if why, _ := tool.misfit(&next, r.at); why != "" || !t.wouldTake(&next, r) {
		return false
	}
	e := Evidence{Op: "pull", Pull: t.pullAt(w, r)}
	s := j.sightOf(&e, nil)
	la, lb := j.lawsOf(a, nil), j.lawsOf(b, nil)
	if backOdds(&la, &lb, &s) >= 1 {
		return false
	}
	t.count(&next, r, tool, next.grade())
	return true
}

// backOdds are the odds that a pull went back to the place that was left open,
// rather than on where the work is.
func backOdds(left, work *laws, s *sight) float64 {
	return backChance / (1 - backChance) * math.Exp(left.in(s)-work.in(s))
}

// ratherMore reports whether a pull that the next joint would take is rather one
// more on a pass that is complete by the count. Each pull there that made nothing
// tight, as far as the evidence goes, is one that is still to come.
func (t *tx) ratherMore(r *reading, step, pass int) bool {
	j := t.job
	w, _, ok := j.expected()
	if !ok || w.joint == nil || w.step <= step || w.joint.Passes[w.pass].Closing || j.Steps[w.step].begun() {
		return false
	}
	a := stretch{step, pass}
	pulls := j.Steps[step].Weigh[pass].pulls()
	if len(pulls) < 2 {
		return false
	}
	more := leftOne
	for _, p := range j.filterOf(step, pass).Idle() {
		more += p
	}
	for _, e := range pulls {
		if j.aside(e.Pull.Reading) != nil {
			more-- // it has come
		}
	}
	more = min(max(more, leftOne), mostMore)
	at := j.fastenerSlot(step, pass, j.Proc.Steps[step].Joint.Passes[pass].Order[0])
	e := Evidence{Op: "pull", Pull: t.pullAt(&at, r)}
	s := j.sightOf(&e, pulls[len(pulls)-1])
	la, lb := j.lawsOf(a, nil), j.lawsOf(stretch{w.step, w.pass}, nil)
	inside, across := la.waits(&s, true)
	return more/(1-more)*math.Exp(la.in(&s)+inside-lb.in(&s)-across) >= moreSure
}

// mostMore is the greatest chance that one more pull comes on a pass that is
// complete by the count; moreSure are the odds from which a pull is taken for
// that. Our choice: if it was at the next joint, a gap would be filled unseen.
const (
	mostMore = 0.9
	moreSure = 19
)

// workingAt returns the stretch that had the latest pull.
func (j *Job) workingAt() (at stretch, ok bool) {
	at, reading := j.latest(0, len(j.Steps), math.MaxUint64)
	return at, reading != 0
}

// latest returns the stretch that had the latest pull before a reading in the steps from
// one up to another, and the reading of that pull; 0 where there was none.
func (j *Job) latest(from, to int, before uint64) (at stretch, reading uint64) {
	for i := from; i < to; i++ {
		for p := range j.Steps[i].Weigh {
			for _, e := range j.Steps[i].Weigh[p].Log {
				if r := e.Pull.Reading; e.Op == "pull" && r < before && r > reading {
					at, reading = stretch{i, p}, r
				}
			}
		}
	}
	return at, reading
}

// wouldTake reports whether a pull inside the limits of a place, or of a loose
// pass, would count there.
func (t *tx) wouldTake(w *slot, r *reading) bool {
	return w.holds(r.value) || w.loose() && w.dim() == r.value.Dimension() && t.looseVerdict(w, r) == events.Within
}

// goOn moves to stretch b what came for it, and counts the pull in hand there, if
// it is sure enough.
func (t *tx) goOn(w *slot, b stretch, r *reading, tool *toolDates, sure float64) bool {
	j := t.job
	a := stretch{w.step, w.pass}
	moved, odds, ok := t.oddsOfGoingOn(w, b, r)
	if !ok || odds < sure/(1-sure) {
		return false
	}
	missed, low := j.leftIn(w)
	why := fmt.Sprintf("%s came, which is rather for %s", r.said(w.unit), j.stretchName(a, b))
	if moved > 1 {
		last := j.lastSights(a)
		t.moveOn(a, b, last[len(last)-(moved-1):])
		missed, low = j.leftIn(w)
	}
	n := j.nextIn(b)
	if n < 0 {
		return false
	}
	next := j.fastenerSlot(b.step, b.pass, n)
	t.count(&next, r, tool, next.grade())
	if a.step == b.step {
		t.leavePass(w, missed, low, why)
	}
	if j.closing(a) {
		t.leaveClosing(a.step, why)
	}
	return true
}

// closing reports whether a stretch is a closing round.
func (j *Job) closing(s stretch) bool { return j.Proc.Steps[s.step].Joint.Passes[s.pass].Closing }

// mayGoOn reports whether the pulls of a place's pass may be moved on to a later
// one.
func (j *Job) mayGoOn(w *slot) bool {
	return j.Weighed && w.joint != nil && !w.joint.Passes[w.pass].Closing && j.plain(w.step)
}

// nextIn returns the fastener of a stretch that is next in order, -1 if none is.
func (j *Job) nextIn(s stretch) int {
	for _, k := range j.Proc.Steps[s.step].Joint.Passes[s.pass].Order {
		if f := &j.Steps[s.step].Fasteners[k]; !f.Held && !f.doneIn(s.pass) {
			return k
		}
	}
	return -1
}

// oddsOfGoingOn weighs a pull that has just come, and the last ones before it,
// as the first ones of stretch b.
func (t *tx) oddsOfGoingOn(w *slot, b stretch, r *reading) (moved int, odds float64, ok bool) {
	j := t.job
	a := stretch{w.step, w.pass}
	pulls := j.Steps[a.step].Weigh[a.pass].pulls()
	var before *Evidence
	if len(pulls) > 0 {
		before = pulls[len(pulls)-1]
	}
	e := Evidence{Op: "pull", Pull: t.pullAt(w, r)}
	last := append(j.lastSights(a), j.sightOf(&e, before))
	open, _ := j.openOf(a)
	moved, odds = j.boundary(a, b, last, open, true)
	return moved, odds, moved > 0
}

// stretchName names stretch b for people who are in a.
func (j *Job) stretchName(a, b stretch) string {
	if a.step == b.step {
		return fmt.Sprintf("the %s pass", passName(j.Proc.Steps[b.step].Joint, b.pass))
	}
	return j.title(b.step)
}

// movedOn and wasNone are why a mark goes where its pull was at another place all the
// time, or made nothing tight. Nobody is told to pull that fastener again, so the next
// pull that comes says no more of it than of any other that is open.
const (
	movedOn = "later pulls showed that it was at another place"
	wasNone = "later pulls showed that it made nothing tight"
)

// moveOn takes pulls out of stretch a and makes them the first ones of b: those
// that b has move on in its order.
func (t *tx) moveOn(a, b stretch, pulls []sight) {
	j := t.job
	type item struct {
		e Evidence
		m *events.ReadingJudged
	}
	var list []item
	from, to := j.Steps[a.step].Weigh[a.pass].pulls(), j.marked(b.step, b.pass)
	marks := j.marksIn(a)
	for _, s := range pulls {
		for _, e := range from {
			if e.Pull.Reading == s.reading {
				list = append(list, item{*e, marks[s.reading]})
			}
		}
	}
	moved := len(list)
	for _, e := range j.Steps[b.step].Weigh[b.pass].pulls() {
		if m := to.of(e.Pull.Reading); m != nil {
			list = append(list, item{*e, m.Judged})
		}
	}
	for i, x := range list {
		s := a
		if i >= moved {
			s = b
		}
		if x.m != nil {
			t.add(events.ReadingVoided{Reading: x.e.Pull.Reading, Job: j.ID, Step: j.Proc.Steps[s.step].ID, Pass: s.pass, Fastener: x.m.Fastener,
				Reason: movedOn})
		}
	}
	order := j.Proc.Steps[b.step].Joint.Passes[b.pass].Order
	for i, x := range list {
		if i >= len(order) {
			break
		}
		w := j.fastenerSlot(b.step, b.pass, order[i])
		if i < moved {
			o := x.e.Pull
			o.Step, o.Pass, o.Explanations = j.Proc.Steps[b.step].ID, b.pass, nil
			t.weighMoved(&w, o)
		}
		t.judgeMoved(&w, &x.e, x.m)
	}
	t.why = "later pulls showed where earlier ones were"
}

// marksIn returns the marks of a stretch, low ones too, by reading.
func (j *Job) marksIn(s stretch) map[uint64]*events.ReadingJudged {
	out := map[uint64]*events.ReadingJudged{}
	for k := range j.Steps[s.step].Fasteners {
		if m := j.Steps[s.step].Fasteners[k].Marks[s.pass]; m.Reading != 0 {
			out[m.Reading] = m.Judged
		}
	}
	return out
}

// weighMoved takes a pull as evidence on another stretch than it was.
func (t *tx) weighMoved(w *slot, o events.PullWeighed) {
	at := len(t.out)
	t.out = append(t.out, events.Outcome{})
	t.job.applyPull(o, t.s.toolOf(o.Tool))
	if k := t.job.Steps[w.step].Weigh[w.pass].pullOf(o.Reading); k >= 0 {
		o.Explanations = t.explain(w, t.job.filterOf(w.step, w.pass), k)
		t.job.applyPull(o, t.s.toolOf(o.Tool))
	}
	t.out[at].Data = o
}

// judgeMoved judges a moved pull at its new place.
func (t *tx) judgeMoved(w *slot, e *Evidence, was *events.ReadingJudged) {
	j := t.job
	r := reading{seq: e.Pull.Reading, tool: e.Pull.Tool, bench: j.Bench, value: e.Pull.Torque, angle: e.Pull.Angle, at: e.Pull.AtUs, found: e.Pull.Trace}
	if was != nil {
		r.bench, r.text, r.unit, r.at, r.by = was.Bench, was.Text, was.Unit, was.AtUs, was.By
	} else {
		r.unit = j.unitOf(w.step, e.Pull.Tool)
		r.text = show(r.value, w.unit)
		if a := j.aside(r.seq); a != nil {
			r.bench, r.text, r.unit, r.by = a.Bench, a.Text, a.Unit, a.By
		}
	}
	tool, _ := t.tool(r.tool)
	f := finding{verdict: w.judge(r.value, uncertainty(tool.Tool, r.value).Base())}
	if w.loose() {
		f.verdict = t.looseVerdict(w, &r)
	}
	o := t.judgement(w, &r, &f, &tool)
	if o.P, o.Grade = j.sureness(w, turnTold(o.Angle)); o.Grade == "" {
		o.Grade = events.Counted
	}
	t.add(o)
}

// lookBackOver asks, once a stretch has had some pulls, whether its first ones
// went to the stretch before it, where they filled the place of a fastener that
// was left out: only now is it known what pulls here are like.
func (t *tx) lookBackOver(b stretch) {
	a, last, ok := t.lookedAt(b)
	if !ok {
		return
	}
	room := t.job.ownOpen(b)
	last = last[max(0, len(last)-room):]
	moved, odds := t.job.boundary(a, b, last, 0, false)
	if moved == 0 {
		return
	}
	if odds *= t.job.firstWait(a, b); odds < wentOnSure/(1-wentOnSure) {
		return
	}
	t.moveOn(a, b, last[len(last)-moved:])
	if !t.shortWhere(a) && !t.job.Proc.Steps[a.step].Joint.Passes[a.pass].Loose {
		t.leaveStretch(a, b)
	}
}

// lookedAt returns the stretch before one and its last pulls, where nothing but
// pulls has been at either and the one before is complete.
func (t *tx) lookedAt(b stretch) (a stretch, last []sight, ok bool) {
	j := t.job
	if !j.Weighed || j.Proc.Steps[b.step].Joint == nil || !j.plain(b.step) || j.Proc.Steps[b.step].Joint.Passes[b.pass].Closing {
		return a, nil, false
	}
	if a, ok = j.before(b); !ok || !j.plain(a.step) || j.ownOpen(a) > 0 {
		return a, nil, false
	}
	last = j.lastSights(a)
	for len(last) > 0 && !t.fits(b, &last[0]) {
		last = last[1:]
	}
	return a, last, len(last) > 0 && len(j.Steps[b.step].Weigh[b.pass].pulls()) > 0
}

// firstWait is what the wait before b's first pull says for a's last ones having
// been b's: then it was one inside b.
func (j *Job) firstWait(a, b stretch) float64 {
	s := j.sightOf(j.Steps[b.step].Weigh[b.pass].pulls()[0], j.Steps[a.step].Weigh[a.pass].last())
	l := j.lawsOf(b, nil)
	inside, across := l.waits(&s, a.step != b.step)
	return math.Exp(inside - across)
}

// leaveStretch raises what stretch a lacks, now that its last pulls were found to
// be b's. What a later pass has made good is nothing to be told of.
func (t *tx) leaveStretch(a, b stretch) {
	w := t.job.fastenerSlot(a.step, a.pass, t.job.Proc.Steps[a.step].Joint.Passes[a.pass].Order[0])
	why := fmt.Sprintf("pulls that were taken for it were rather for %s", t.job.stretchName(a, b))
	if t.job.closing(a) {
		t.leaveClosing(a.step, why)
	} else if missed, low := t.job.leftIn(&w); len(missed)+len(low) > 0 {
		t.leavePass(&w, missed, low, why)
	}
}

// shortWhere asks of a stretch that is short by the count, and has been left,
// whether it is this one that was left short, or one before it whose gap was
// filled by the first pulls of the next, and so on up to here. It moves the
// pulls back into line if one before is likelier.
func (t *tx) shortWhere(b stretch) (moved bool) {
	n := 0
	if t.job.Proc.Steps[b.step].Joint != nil {
		n = t.job.ownOpen(b)
	}
	if n == 0 || n > mostMoved {
		return false
	}
	if t.cameBack(b, n) || t.lowFirst(b, n) {
		return true
	}
	type link struct {
		a, b   stretch
		pulls  []sight
		weight float64
	}
	var chain []link
	weight, best := 1.0, -1
	most := 1.0 // of this one
	if t.job.earlier(b) {
		most = leftEarlier
	}
	sum := most
	for at := b; len(chain) < mostLinks; {
		a, last, ok := t.lookedAt(at)
		if !ok || len(last) < n {
			break
		}
		last = last[len(last)-n:]
		weight *= t.job.likelierAcross(a, at, last) * t.job.firstWait(a, at)
		if weight < 1e-6 {
			break
		}
		x := link{a, at, last, weight}
		earlier := t.job.earlier(a)
		if earlier {
			x.weight *= leftEarlier
		}
		chain = append(chain, x)
		sum += x.weight
		// Where a later pass has made good what an earlier one left, nothing would
		// be told: that takes more.
		if x.weight > most && !earlier {
			best, most = len(chain)-1, x.weight
		}
		at = a
	}
	for i, x := range chain {
		if x.weight/sum >= wentOnSure {
			best = i
		}
	}
	for _, x := range chain[:best+1] {
		t.moveOn(x.a, x.b, x.pulls)
	}
	if best >= 0 {
		t.leaveStretch(chain[best].a, chain[best].b)
	}
	return best >= 0
}

// cameBack asks of a stretch that is short by n whether its first n pulls were
// taken for ones that went back to a place left open before, and moves them if
// so: then that place, of which somebody was told, is open still.
func (t *tx) cameBack(b stretch, n int) bool {
	a, last := t.wentBack(b)
	if len(last) != n || !t.job.plain(a.step) || !t.job.plain(b.step) || !t.fits(b, &last[0]) {
		return false
	}
	la, lb := t.job.lawsOf(a, last), t.job.lawsOf(b, last)
	score := 0.0
	for i := range last {
		score += lb.in(&last[i]) - la.in(&last[i])
	}
	// Either they went back and b was left short besides, or they did not.
	if math.Exp(min(score, 500))*(1-backChance)/(backChance*leftPrior(n)) < wentOnSure/(1-wentOnSure) {
		return false
	}
	t.moveOn(a, b, last)
	t.leaveStretch(a, b)
	return true
}

// wentBack returns the pulls right before b's first one that counted in an
// earlier stretch after the work had gone on from it, oldest first, and that
// stretch; none where there are no such.
func (t *tx) wentBack(b stretch) (a stretch, last []sight) {
	j := t.job
	if len(j.Steps[b.step].Weigh[b.pass].pulls()) == 0 {
		return a, nil
	}
	first := j.Steps[b.step].Weigh[b.pass].pulls()[0].Pull.Reading
	a, r := j.latest(0, b.step, first)
	if r == 0 {
		return a, nil
	}
	between := 0 // pulls that went back
	for s := a; s == a && r != 0; between++ {
		s, r = j.latest(0, b.step, r)
		if s != a && (r == 0 || s.step < a.step || s.step == a.step && s.pass < a.pass) {
			return a, nil // the work came to it in its order
		}
	}
	last = j.lastSights(a)
	if r == 0 || between > len(last) {
		return a, nil
	}
	return a, last[len(last)-between:]
}

// earlier reports whether a later pass of its joint makes good what a stretch
// leaves.
func (j *Job) earlier(s stretch) bool {
	return !j.closing(s) && lastOf(j.Proc.Steps[s.step].Joint, s.pass) != s.pass
}

// likelierAcross is how much likelier the last pulls of a are as the first ones
// of b.
func (j *Job) likelierAcross(a, b stretch, last []sight) float64 {
	la, lb := j.lawsOf(a, last), j.lawsOf(b, last)
	score := 0.0
	for i := range last {
		score += lb.in(&last[i]) - la.in(&last[i])
	}
	inside, across := la.waits(&last[0], a.step != b.step)
	return math.Exp(min(score+across-inside, 500))
}

// ownOpen counts the fasteners of a stretch for which no pull of its own counts.
func (j *Job) ownOpen(s stretch) (n int) {
	for _, k := range j.Proc.Steps[s.step].Joint.Passes[s.pass].Order {
		if f := &j.Steps[s.step].Fasteners[k]; !f.Accepted && !f.Marks[s.pass].counts() {
			n++
		}
	}
	return n
}

// leftNow takes out of lists the fasteners of a step that are done in a pass by now,
// and returns how many are left.
func (t *tx) leftNow(i, at int, lists ...*[]string) (n int) {
	jt, st := t.job.Proc.Steps[i].Joint, &t.job.Steps[i]
	for _, l := range lists {
		*l = slices.DeleteFunc(slices.Clone(*l), func(id string) bool { return st.Fasteners[jt.Fastener(id)].openPass(jt, jt.Fastener(id)) > at })
		n += len(*l)
	}
	return n
}

// fits reports whether a pull is one that a stretch would take.
func (t *tx) fits(b stretch, s *sight) bool {
	p := &t.job.Proc.Steps[b.step].Joint.Passes[b.pass]
	if p.Loose {
		return s.nm >= float64(leastSwing*p.Target.Base())
	}
	return s.nm >= float64(leastSwing*p.Target.Base()) && s.nm <= p.USL.Base()
}

// last returns the last pull among the evidence, nil if there is none.
func (w *PassWeigh) last() *Evidence {
	for i := len(w.Log) - 1; i >= 0; i-- {
		if w.Log[i].Op == "pull" {
			return w.Log[i]
		}
	}
	return nil
}

// before returns the stretch before one, not ok where it is none of pulls alone.
func (j *Job) before(s stretch) (stretch, bool) {
	for i := s.step; i >= 0; i-- {
		jt := j.Proc.Steps[i].Joint
		if jt == nil {
			return stretch{}, false
		}
		from := len(jt.Passes) - 1
		if i == s.step {
			from = s.pass - 1
		}
		for p := from; p >= 0; p-- {
			switch {
			case !jt.Passes[p].Closing, j.passBegun(stretch{i, p}):
				return stretch{i, p}, true
			}
		}
	}
	return stretch{}, false
}
