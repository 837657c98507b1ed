package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Pulls that the expected place would take, or would be called high there, and
// that are none of it: a further swing on the joint that was complete too soon, a
// pull on no fastener before a joint is begun, a second one on the last fastener
// before the closing round.

// Our choice: how soon after the last pull one must come to be still at the same
// joint, in usual waits; to be still on the same fastener, in usual waits, and at
// most.
const (
	soonWaits = 3.0
	onceWaits = 0.18      // whoever begins the round at once and pulls quickly needs 0.23 and more in the invented worlds
	onceMost  = 2_500_000 // μs
)

// checkerHigh is how far above the limits of a joint that is not begun a pull must be, as
// a share, to be rather one on a checker where no rotation is told. checkerShare is the
// most that one on a checker turns, as a share of what the joint is known to turn; where
// that is not known, checkerTurn degrees so far above, where no pass wants as much, else
// checkerLeast. Our choice: a checker winds up by a few degrees.
const (
	checkerHigh  = 1.25
	checkerTurn  = 8.0
	checkerLeast = 5.0
	checkerShare = 0.3
)

// swingOfBefore sets a pull aside that is too high for a joint that is not begun,
// and may be an unfinished one on the joint before, which was complete too soon.
// If it was at the new joint all the same, a pull is missing there in the end.
func (t *tx) swingOfBefore(w *slot, r *reading) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || j.Steps[w.step].begun() || w.usl.IsZero() || !(r.value.Base() > w.usl.Base()) {
		return false
	}
	for i := w.step - 1; i >= 0; i-- {
		jt := j.Proc.Steps[i].Joint
		if jt == nil {
			continue
		}
		pass := finalPass(jt)
		at := j.fastenerSlot(i, pass, jt.Passes[pass].Order[0])
		pulls := j.Steps[i].Weigh[pass].pulls()
		if len(pulls) < 2 || !at.mayBeSwing(r) || t.lowInARow(&at, r) >= mostSwings {
			return false
		}
		far := r.value.Base() >= float64(farHigh*w.usl.Base())
		wait := float64(t.pullAt(&at, r).AtUs - pulls[len(pulls)-1].Pull.AtUs)
		if !far && wait > soonWaits*usualWait(pulls) {
			return false
		}
		t.setSwingAside(&at, r)
		return true
	}
	return false
}

// setSwingAside sets a pull aside as an unfinished one on a joint that is complete
// by the number of its pulls.
func (t *tx) setSwingAside(w *slot, r *reading) {
	kind, on, p := t.weighAside(w, r)
	t.setAside(w, r, kind, w.named(on), p)
	a := t.out[len(t.out)-1].Data.(events.PullSetAside)
	a.Why = fmt.Sprintf("%s: an unfinished pull, and there was one for each of its fasteners before", t.job.title(w.step))
	t.out[len(t.out)-1].Data = a
	t.weighWitnesses(w.step, w.pass)
}

// moreWhereWorking sets a pull aside that fits no open place, but is one more on
// the joint where the work is, which is complete, though an earlier one is still
// open or held.
func (t *tx) moreWhereWorking(r *reading) bool {
	j := t.job
	if !j.Weighed || r.value.Dimension() != quantity.DimTorque {
		return false
	}
	s, ok := j.workingAt()
	if !ok || s.step <= j.current() {
		return false
	}
	jt := j.Proc.Steps[s.step].Joint
	if _, more := j.Steps[s.step].next(jt); more >= 0 {
		return false
	}
	pass := finalPass(jt)
	at := j.fastenerSlot(s.step, pass, jt.Passes[pass].Order[0])
	return s.pass == pass && at.holds(r.value) && t.oneMore(r, s.step)
}

// onChecker sets a pull aside that came before anything was pulled at a joint, is above
// what its first fastener wants, or low there and right at a later joint, and turned as a
// checker winds up: tools are tried before they are used, at any torque. If it was at the
// joint all the same, a pull is missing there in the end.
func (t *tx) onChecker(w *slot, r *reading, later *slot) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || !j.untouched(w.step) || w.usl.IsZero() || !(r.value.Base() > w.usl.Base()) && later == nil {
		return false
	}
	if _, slipped := w.slip(r.value, r.unit); slipped {
		return false
	}
	deg, turned := r.turn()
	if !turned || len(j.Aside) > 0 && j.Aside[len(j.Aside)-1].Kind == events.ExplainedNowhere && j.Aside[len(j.Aside)-1].Step == j.Proc.Steps[w.step].ID {
		return false // nobody tries a tool again and again
	}
	if later != nil {
		if later.joint == nil || !j.untouched(later.step) || deg > t.woundUp(later, r) {
			return false
		}
	}
	if deg > t.woundUp(w, r) {
		return false
	}
	t.setAside(w, r, events.ExplainedNowhere, "", 0)
	a := t.out[len(t.out)-1].Data.(events.PullSetAside)
	a.Why = fmt.Sprintf("%s: not what its first fastener wants, with hardly any rotation: on a checker or a vice, no fastener of the joint", j.title(w.step))
	t.out[len(t.out)-1].Data = a
	return true
}

// woundUp is the most that a pull on a checker turns, where it may be the first one at a
// place. To so much more torque a fastener turns so much more.
func (t *tx) woundUp(w *slot, r *reading) float64 {
	if l, known := t.turnLaw(w.step, w.pass, r.seq); known {
		return checkerShare * l.usual() * max(1, r.value.Base()/w.target.Base())
	}
	if r.value.Base() < float64(checkerHigh*w.usl.Base()) {
		return checkerLeast
	}
	for p := w.pass + 1; p < len(w.joint.Passes); p++ {
		if l := t.job.fastenerSlot(w.step, p, w.fastener); l.holds(r.value) {
			return checkerLeast
		}
	}
	return checkerTurn
}

// untouched reports whether nothing was pulled at a step.
func (j *Job) untouched(step int) bool {
	return !j.Steps[step].begun() && !slices.ContainsFunc(j.Steps[step].Weigh, func(w *PassWeigh) bool { return len(w.Log) > 0 })
}

// onNothing keeps a pull that is far above what a joint which is not begun wants, and
// tells no rotation: a later pass takes the fastener further yet, and it may have been on
// a checker or a vice. Somebody is asked.
func (t *tx) onNothing(w *slot, r *reading) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || j.Steps[w.step].begun() || w.usl.IsZero() || r.value.Base() < float64(checkerHigh*w.usl.Base()) {
		return false
	}
	if _, slipped := w.slip(r.value, r.unit); slipped {
		return false
	}
	if _, turned := r.turn(); turned || turnTold(r.angle) {
		return false
	}
	if last := lastOf(w.joint, w.pass); last == w.pass || r.value.Base() > w.joint.Passes[last].USL.Base() {
		return false
	}
	t.unplacedAt(r, events.AlertUnplaced, w.step, fmt.Sprintf("it came before anything was pulled at %s, and is far above the %s that the first pass wants there: it may have been on a checker", j.title(w.step), show(w.target, w.unit)),
		fmt.Sprintf("If it was on no fastener, dismiss it with a reason. If it was on fastener %s, a lead claims it for that one.", w.joint.Fasteners[w.fastener].ID))
	return true
}

// onceMoreBeforeClosing sets a pull aside that would open the closing round, but
// came too soon after the last pull for a walk: a second one on the same fastener.
func (t *tx) onceMoreBeforeClosing(w *slot, r *reading) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || !w.joint.Passes[w.pass].Closing || !w.holds(r.value) || j.passBegun(stretch{w.step, w.pass}) || len(j.Steps[w.step].Weigh[w.pass].Log) > 0 {
		return false
	}
	final := lastOf(w.joint, w.pass)
	pulls := j.Steps[w.step].Weigh[final].pulls()
	if len(pulls) < 3 {
		return false
	}
	at := j.fastenerSlot(w.step, final, w.joint.Passes[final].Order[0])
	o := t.pullAt(&at, r)
	wait := float64(o.AtUs - pulls[len(pulls)-1].Pull.AtUs)
	if o.Late || wait < paceLeast || wait > onceMost || wait > onceWaits*usualWait(pulls) {
		return false
	}
	return t.oneMore(r, w.step)
}

// lowBeforeClosing sets a pull aside that is too low for the closing round, which
// is not begun, and turned as no tight fastener does: an unfinished one of the
// final pass, whose number of pulls was complete too soon.
func (t *tx) lowBeforeClosing(w *slot, r *reading) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || !w.joint.Passes[w.pass].Closing || j.passBegun(stretch{w.step, w.pass}) || len(j.Steps[w.step].Weigh[w.pass].Log) > 0 {
		return false
	}
	final := lastOf(w.joint, w.pass)
	at := j.fastenerSlot(w.step, final, w.joint.Passes[final].Order[0])
	deg, turned := r.turn()
	l, known := t.turnLaw(w.step, final, r.seq)
	if !turned || !known || l.times(deg) < checkerShare || deg < oddDegrees || !at.mayBeSwing(r) || t.lowInARow(&at, r) >= mostSwings {
		return false
	}
	pulls := j.Steps[w.step].Weigh[final].pulls()
	if s, ok := j.workingAt(); !ok || s.step != w.step || len(pulls) < 2 ||
		float64(t.pullAt(&at, r).AtUs-pulls[len(pulls)-1].Pull.AtUs) > soonWaits*usualWait(pulls) {
		return false // the work is elsewhere by now
	}
	t.setSwingAside(&at, r)
	return true
}

// walkedLeast is the least time that a walk to another joint takes, μs; walkedShare the
// share of what a joint's fasteners turn that no tight one does. Our choice.
const (
	walkedLeast = 5_000_000
	walkedShare = 0.15
)

// tooFarAtNext keeps a pull that is above the limits of the joint that comes next, and
// of which nothing is done, but would do for the one that is finished: if it came after
// a pause as of a walk, and turned as no tight fastener does, it was rather made there,
// with the tool set as before. A second one of habit comes at once, or hardly turns.
func (t *tx) tooFarAtNext(w *slot, r *reading) bool {
	j := t.job
	if !j.Weighed || w.joint == nil || w.usl.IsZero() || w.joint.Passes[w.pass].Closing {
		return false
	}
	most := w.usl
	if w.loose() {
		most = w.joint.Passes[lastOf(w.joint, w.pass)].USL
	}
	before, ok := j.repeats(r, true)
	if !ok || !(r.value.Base() > most.Base()) {
		return false
	}
	jt := j.Proc.Steps[before].Joint
	pass := finalPass(jt)
	at := j.fastenerSlot(before, pass, jt.Passes[pass].Order[0])
	last, _ := j.latest(before, before+1, math.MaxUint64) // the closing round, where that is over
	pulls := j.Steps[before].Weigh[last.pass].pulls()
	if len(pulls) < 3 || t.wantsOneMore(j.Proc.Steps[before].ID) {
		return false
	}
	o, usual := t.pullAt(&at, r), usualWait(pulls)
	wait := float64(o.AtUs - pulls[len(pulls)-1].Pull.AtUs)
	if o.Late || usual < paceLeast || wait < walkedLeast || wait <= soonWaits*usual {
		return false
	}
	how := ""
	if deg, turned := r.turn(); turned {
		least := checkerTurn
		if l, known := t.turnLaw(before, pass, r.seq); known {
			least = max(least, walkedShare*l.usual())
		}
		if deg <= least {
			return false
		}
		how = " and turned " + degrees(deg)
	} else if turnTold(r.angle) {
		return false
	}
	name := w.joint.Fasteners[w.fastener].ID
	t.unplacedAt(r, events.AlertExtraPull, w.step,
		fmt.Sprintf("%s is done, and it came %.0f s after%s, as a first pull after a walk does; if it was on fastener %s of %s, which wants %s, that one was pulled too far",
			j.title(before), wait/1e6, how, name, j.title(w.step), w.wanted()),
		fmt.Sprintf("Stop. Look at fastener %s. If it was pulled that far, a lead claims the reading for it and decides; if the pull was elsewhere, dismiss it with a reason.", name))
	return true
}

// wantsOneMore reports whether an open alert asks for one more pull of a step: of one that was
// missed, or that hardly turned.
func (t *tx) wantsOneMore(step string) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Step == step && (a.Kind == events.AlertMissed || a.Kind == events.AlertSeized || a.Kind == events.AlertCounterGap) {
			return true
		}
	}
	return false
}
