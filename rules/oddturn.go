package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// When a rotation is odd, by the law of its joint. Of the station's 2,022 good
// runs (screw-tightening-wear) the final rotation of one in a thousand was 2.4
// times the middle, the greatest 2.5 times, the least a quarter: so where
// nothing else speaks, twice and more has to lie between. With less torque
// than wanted, less is enough: to a lower torque a sound fastener turns less.
// The figures are our choice; bench matching counts what they cost.
const (
	oddDeviations = 4.2
	oddMuch       = 1.6  // times the usual, at least
	oddMuchLow    = 1.75 // where the torque is low: then no deviations are asked
	oddTraced     = 1.35 // where the trace shows that torque went while the rotation went on
	oddLittle     = 0.2  // of the usual, at most
	oddDegrees    = 8.0  // difference in degrees, at least: more than play, wind-up and noise
	oddFewer      = 6.0
	oddOthers     = 2.5 // deviations of the greatest of the others, from which a joint is irregular upwards

	// Deviations where the trace shows a straight way to the peak, and no earlier job
	// taught the spread: no torque went, so nothing but the rotation speaks. What has a longer tail than a normal
	// distribution reaches four and five of them. Our choice.
	straightOff = 5.5

	// Where enough others of the job are there to compare with, one that lies above
	// all of them by a good way is odd sooner. Not in joints that turn little: of
	// the station's good runs (14 degrees), taken by twelves, every fifteenth group
	// (10 of 149) holds one that lies so. For soft joints no such figures were found.
	aloneOthers = 8
	aloneOff    = 3.7  // deviations
	aloneMuch   = 2.0  // times the usual
	aloneTop    = 1.35 // times the greatest of the others
	aloneUsual  = 60.0 // degrees that the others turn, at least

	// So below them; of the station's good runs one of 149 groups of twelve holds
	// one. That is said once the joint is through, see seized.
	aloneBelowOff = 4.1
	aloneLittle   = 0.34 // of the usual, at most
	aloneBottom   = 2.0  // the least of the others, times this one, at least
)

// oddTurn raises that a fastener turned much more, or much less, than the
// others of its joint by the time its torque was right: it may have stretched
// or stripped, or be cross-threaded or bottomed. A pull that turned so little
// that it was rather a repeat is the filter's business, until work goes on:
// see seized. A joint with a window of its own has that judged before.
func (t *tx) oddTurn(w *slot, r *reading, f *finding) {
	p := &w.joint.Passes[w.pass]
	if f.kind != "" && f.kind != events.AlertUnitSlip || lastOf(w.joint, w.pass) != w.pass || p.Closing || p.Loose {
		return
	}
	deg, ok := t.job.turnOf(w.step, w.pass, r)
	if !ok || t.spoils(w, r, f, deg) || f.kind != "" || f.verdict == events.Low || !p.AngleLo.IsZero() {
		return
	}
	l, ok := t.turnLaw(w.step, w.pass, r.seq)
	if !ok || !l.little(deg) || !t.ratherSeized(w, r) {
		return
	}
	name := w.joint.Fasteners[w.fastener].ID
	f.held, f.kind, f.verdict = true, events.AlertSeized, events.Low
	f.text = fmt.Sprintf("%s, fastener %s turned only %s to %s; the others turned about %s. It may be cross-threaded, bottomed or seized.",
		t.job.title(w.step), name, degrees(deg), r.said(w.unit), degrees(l.usual()))
	f.todo = fmt.Sprintf("Leave fastener %s as it is and look at it. A lead decides.", name)
}

// spoils raises rotation without torque.
func (t *tx) spoils(w *slot, r *reading, f *finding, deg float64) bool {
	l, ok := t.turnLaw(w.step, w.pass, r.seq)
	why := t.spoilt(w, r, f.verdict == events.Low, deg, &l, ok)
	if why == "" {
		return false
	}
	if f.held, f.kind = true, events.AlertYield; f.verdict != events.Low {
		f.verdict = events.High
	}
	name := w.joint.Fasteners[w.fastener].ID
	f.text = fmt.Sprintf("%s, fastener %s turned %s to %s%s. %s", t.job.title(w.step), name, degrees(deg), r.said(w.unit), l.others(ok), why)
	f.todo = fmt.Sprintf("Leave fastener %s as it is and look at it. A lead decides.", name)
	return true
}

// spoilt says why a pull that turned by deg may have stripped its fastener, ""
// if nothing speaks for it. A trace that leaves its line says so by itself, at the
// first pull of a joint too; rotation alone has to be far from the others'.
func (t *tx) spoilt(w *slot, r *reading, low bool, deg float64, l *turnLaw, known bool) string {
	p := &w.joint.Passes[w.pass]
	gone, bent, flat := r.shows("strip"), r.shows("yield"), r.shows("flat")
	switch {
	case low && w.earlierPass(r.value), p.TurnsTo(quantity.Degrees(deg)):
		return ""
	case flat && (!known || l.times(deg) >= flatTimes(low)) && !t.givesByRule(w, r.seq):
		if gone {
			return "Its torque went while the rotation went on: it may have stripped."
		}
		return "Its torque stopped rising while the rotation went on: it may have stretched or stripped."
	case !known || deg-l.usual() < oddDegrees:
		return ""
	case gone && l.times(deg) >= oddTraced:
		return "Its torque went while the rotation went on: it may have stripped."
	case bent && low && l.times(deg) >= oddTraced:
		return "Its torque stopped rising while the rotation went on: it may have stretched or stripped."
	case low && l.times(deg) >= oddMuchLow && !t.swungAtNext(w, r):
		return "So much rotation with too little torque: it may have stretched or stripped."
	case low || !p.AngleHi.IsZero() || l.stray(deg) || !l.taught && r.straight() && l.off(deg) < straightOff:
	case l.off(deg) >= oddDeviations && l.times(deg) >= oddMuch || l.alone(deg):
		return "It may have stretched, stripped, or caught late."
	}
	return ""
}

// swungAtNext reports whether of several low pulls in a row, where they were counted,
// one ended where the next joint is pulled to: then all of them may have been there,
// and how far they turned says nothing of this one.
func (t *tx) swungAtNext(w *slot, r *reading) bool {
	b, ok := t.job.nextJoint(w.step)
	if !ok || t.job.Steps[b.step].begun() {
		return false
	}
	here, p := &w.joint.Passes[w.pass], &t.job.Proc.Steps[b.step].Joint.Passes[b.pass]
	pulls := t.job.Steps[w.step].Weigh[w.pass].pulls()
	k := t.job.Steps[w.step].Weigh[w.pass].pullOf(r.seq)
	for i := k; i > 0 && pulls[i].below(here) && pulls[i-1].below(here); i-- {
		if x := pulls[i].Pull.Torque.Base(); p.LSL.Base() <= x && x <= p.USL.Base() {
			return true
		}
	}
	return false
}

// flatLeast is the least rotation, times the usual, of a pull whose trace shows
// that it gave way: flatLow of one that ended too low. Our choice: one that
// turned no further than the others, to the same torque, may have had its whole
// course so, as soft joints do where the tool's steps are coarse beside their slope.
const flatLeast, flatLow = 1.2, 0.9

func flatTimes(low bool) float64 {
	if low {
		return flatLow
	}
	return flatLeast
}

// shows reports whether a reading's trace has a finding.
func (r *reading) shows(finding string) bool {
	return r.found != nil && slices.Contains(r.found.Findings, finding)
}

// straight reports whether a pull has a trace whose torque rose with its rotation up
// to the peak, and no rotation went on beyond it.
func (r *reading) straight() bool {
	return r.found != nil && !r.found.SpringBack.IsZero() && r.found.RateNmDeg > 0 && !r.shows("flat") && !r.shows("strip") && !r.shows("yield") && !r.shows("no_release")
}

// givesByRule reports whether the pulls of a pass leave their line as a rule: a
// joint that is tightened so far on purpose.
func (t *tx) givesByRule(w *slot, but uint64) bool {
	n, all := 0, 0
	for _, e := range t.job.Steps[w.step].Weigh[w.pass].pulls() {
		if e.Pull.Reading == but || e.Pull.Trace == nil {
			continue
		}
		all++
		if r := (reading{found: e.Pull.Trace}); r.shows("flat") {
			n++
		}
	}
	return n >= 2 && 3*n >= all
}

// earlierPass reports whether a low pull is such as an earlier pass of the
// joint wants: a second one of that pass, which turned as there.
func (w *slot) earlierPass(v quantity.Value) bool {
	for p := range w.pass {
		if e := &w.joint.Passes[p]; !e.Closing && v.Base() <= e.USL.Base() {
			return true
		}
	}
	return false
}

// others says what is usual.
func (l *turnLaw) others(known bool) string {
	if !known {
		return ""
	}
	return "; the others turned about " + degrees(l.usual())
}

// lookBack raises what the pulls since have shown of earlier ones of a pass:
// rotation without torque, which the first pulls of a joint cannot show.
func (t *tx) lookBack(w *slot) {
	j := t.job
	st := &j.Steps[w.step]
	p := &w.joint.Passes[w.pass]
	if lastOf(w.joint, w.pass) != w.pass || p.Closing || p.Loose {
		return
	}
	l, ok := t.turnLaw(w.step, w.pass, 0)
	if !ok || l.n < leastPulls {
		return
	}
	pulls, all := st.Weigh[w.pass].pulls(), j.asCounted(w.step, w.pass)
	marked, logs := j.marked(w.step, w.pass), j.turns(w.step, w.pass, 0)
	slices.Sort(logs)
	for k, e := range pulls {
		deg, turned := all[k].deg, all[k].ok
		if !all[k].last {
			continue // a further swing followed
		}
		if m := marked.of(e.Pull.Reading); m != nil && turned && mayBeLittle(logs, deg) && t.littleBefore(w, pulls, k, m, &all[k]) {
			continue
		}
		r := reading{seq: e.Pull.Reading, value: e.Pull.Torque, angle: e.Pull.Angle, found: e.Pull.Trace}
		if !turned || deg-l.usual() < oddDegrees && !r.shows("flat") || t.toldOf(e.Pull.Reading) {
			continue
		}
		low := e.Pull.Torque.Base() < w.lsl.Base()
		others := l
		if l.times(deg) >= oddTraced {
			if without, ok := t.turnLaw(w.step, w.pass, e.Pull.Reading); ok && without.alone(deg) {
				others = without
			}
		}
		why := t.spoilt(w, &r, low, deg, &others, true)
		due := t.dueThen(w.step, w.pass, k)
		if why == "" || due == "" {
			continue
		}
		n := w.joint.Fastener(due)
		if f := &st.Fasteners[n]; f.Held || f.Accepted || st.Weigh[w.pass].seenTo(n, e.Pull.Reading) {
			continue
		}
		t.raise(events.AlertRaised{
			Kind: events.AlertYield, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[w.step].ID, Pass: w.pass, Fasteners: []string{due}, Reading: e.Pull.Reading,
			Likely: []events.FastenerWeight{{Fastener: due, P: 1}}, Blocks: true,
			Text: fmt.Sprintf("%s, fastener %s turned %s to %s%s. %s", j.title(w.step), due, degrees(deg), show(e.Pull.Torque, w.unit), l.others(true), why),
			Todo: fmt.Sprintf("Look at fastener %s. If it is sound, pull it once more; else a lead decides.", due),
		})
	}
}

// mayBeLittle reports whether a rotation is so small beside the others' that it is
// worth looking at closely. Sorted are the logarithms of all, its own among them.
func mayBeLittle(sorted []float64, deg float64) bool {
	n := len(sorted) - 1 // without it
	if n < leastPulls {
		return false
	}
	middle := sorted[n/2]
	if math.Log(deg+turnFloor) <= middle {
		middle = sorted[n/2+1]
	}
	l := turnLaw{middle: middle}
	return l.times(deg) <= oddLittle
}

// littleBefore raises that a pull of a pass turned so little that its fastener may
// be cross-threaded, bottomed or seized, which the first pulls of a joint cannot
// show. What was rather a repeat is told of once work goes on: see seized.
func (t *tx) littleBefore(w *slot, pulls []*Evidence, k int, m *Mark, x *tightened) bool {
	j := t.job
	st, e := &j.Steps[w.step], pulls[k]
	deg := x.deg
	p := &w.joint.Passes[w.pass]
	if !x.ok || e.below(p) || k > 0 && x.from == k && pulls[k-1].below(p) || restsAtOnce(pulls, k, p) || t.toldOf(e.Pull.Reading) {
		return false
	}
	l, ok := t.turnLaw(w.step, w.pass, e.Pull.Reading)
	if !ok || l.n < leastPulls || !l.little(deg) {
		return false
	}
	r := reading{found: e.Pull.Trace}
	repeat := t.repeatChance(w, e.Pull.Reading)
	if k == 0 {
		repeat = 0 // nothing that we saw was tight before it
	}
	sure := seizedOdds(r.notTight(repeat))
	n := w.joint.Fastener(m.Judged.Fastener)
	if f := &st.Fasteners[n]; sure < seizedEnough || f.Held || f.Accepted || st.Weigh[w.pass].seenTo(n, e.Pull.Reading) {
		return false
	}
	t.raiseSeized(w.step, w.pass, m.Judged.Fastener, e, deg, &l, sure)
	return true
}

// seenTo reports whether a person has dealt with a fastener since a pull, or
// with the pull itself.
func (w *PassWeigh) seenTo(fastener int, reading uint64) bool {
	after := false
	for i := range w.Log {
		e := w.Log[i]
		switch {
		case e.Op == "pull" && e.Pull.Reading == reading:
			after = true
		case e.Op == "void" && e.Reading == reading, after && (e.Op == "reset" || e.Op == "accept") && e.Fastener == fastener:
			return true
		}
	}
	return false
}

// toldOf reports whether an open alert is about a reading.
func (t *tx) toldOf(seq uint64) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Reading == seq {
			return true
		}
	}
	return false
}

// little reports whether a rotation is oddly small.
func (l *turnLaw) little(deg float64) bool {
	return l.times(deg) <= oddLittle && l.off(deg) <= -oddDeviations && l.usual()-deg >= oddFewer
}

func degrees(deg float64) string {
	return show(quantity.Degrees(deg).Value(), quantity.Degree)
}

// The chance that a fresh pull seizes, beside the much smaller one with which
// rules/match takes a small rotation for a fresh pull (match.Params.Odd), and
// how sure it must be before it is said at once. Assumed.
//
// A pull on a tight fastener moves nothing until its torque is there again: of all
// 409 on the invented streams none had moved at 85 % of it. rules/match takes 5 in
// 100, so that one which did is by earlyOver less likely a repeat.
const (
	seizesOver   = 10
	seizedEnough = 0.98
	earlyOver    = 20
)

// ratherSeized reports whether a pull that turned too little was rather a
// first pull than one on a tight fastener.
func (t *tx) ratherSeized(w *slot, r *reading) bool {
	if m := &t.job.Steps[w.step].Fasteners[w.fastener].Marks[w.pass]; m.Reading != 0 && m.Reading != r.seq {
		return false // the rest of an unfinished pull
	}
	if t.isNamed(w, events.AlertSeized) { // asked for: it did not turn
		return t.rather(w)
	}
	if st := t.job.Steps[w.step].Weigh[w.pass]; restsAtOnce(st.pulls(), st.pullOf(r.seq), &w.joint.Passes[w.pass]) {
		return false
	}
	return seizedOdds(r.notTight(t.repeatChance(w, r.seq))) >= seizedEnough
}

// restsAtOnce reports whether a pull came at once after another, in a joint that is
// worked on in swings: then it is one more of them, and its rotation tells nothing
// of a fastener.
func restsAtOnce(pulls []*Evidence, k int, p *procedure.Pass) bool {
	return k > 0 && float64(pulls[k].Pull.AtUs-pulls[k-1].Pull.AtUs) < 0.6*usualWait(pulls) && slices.ContainsFunc(pulls[:k], func(e *Evidence) bool { return e.below(p) })
}

// movedEarly reports whether a trace shows that the fastener began to move long
// before the peak: on a tight one nothing does.
func (r *reading) movedEarly() bool {
	return r.found != nil && !r.found.SpringBack.IsZero() && !r.shows("still") && !r.shows("no_release")
}

// notTight takes a trace that shows a fastener moving early into the chance that a
// pull made nothing tight.
func (r *reading) notTight(idle float64) float64 {
	if !r.movedEarly() {
		return idle
	}
	fresh := earlyOver * (1 - idle)
	return idle / (idle + fresh)
}

// seizedOdds turns the chance of a repeat that rules/match gives for a pull
// that hardly turned into the chance that its fastener seized.
func seizedOdds(repeat float64) float64 {
	fresh := seizesOver * (1 - repeat)
	return fresh / (fresh + repeat)
}

// rather reports whether an open alert says of the place's fastener that it rather seized
// than that it was left out. If it was said to be left out, and hardly turns when it is
// pulled again, it was tight, and another was left out.
func (t *tx) rather(w *slot) bool {
	name := w.joint.Fasteners[w.fastener].ID
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertSeized && a.Step == t.job.Proc.Steps[w.step].ID && slices.Contains(a.Fasteners, name) && (len(a.Likely) == 0 || a.Likely[0].P >= 0.5) {
			return true
		}
	}
	return !t.isNamed(w, events.AlertMissed) && !t.job.Steps[w.step].Fasteners[w.fastener].Redo
}

// isNamed reports whether an open alert of a kind names the place's fastener.
func (t *tx) isNamed(w *slot, kind events.AlertKind) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == kind && a.Step == t.job.Proc.Steps[w.step].ID && slices.Contains(a.Fasteners, w.joint.Fasteners[w.fastener].ID) {
			return true
		}
	}
	return false
}

// repeatChance is how likely a weighed pull made nothing tight.
func (t *tx) repeatChance(w *slot, reading uint64) float64 {
	k := t.job.Steps[w.step].Weigh[w.pass].pullOf(reading)
	if k < 0 {
		return 0
	}
	_, _, p := idle(t.job.filterOf(w.step, w.pass).Explain(k))
	return p
}

// turn is the rotation of a pull in degrees: the net one of its trace, else
// what the tool told. A trace that tells far less has lost its beginning.
func (r *reading) turn() (deg float64, ok bool) {
	switch {
	case r.found != nil && r.found.NetAngle.Base() > 0 && !(r.angle.In(quantity.Degree) > cutTrace*r.found.NetAngle.In(quantity.Degree)+cutDegrees):
		return r.found.NetAngle.In(quantity.Degree), true
	case r.angle.Base() > 0:
		return r.angle.In(quantity.Degree), true
	}
	return 0, false
}

// A trace's rotation and the tool's differ by wind-up: by more than these, the
// trace does not hold the whole pull. Our choice.
const (
	cutTrace   = 1.25
	cutDegrees = 20.0
)
