package rules

import (
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// leastSwing is the least peak of an unfinished pull, as a share of the target.
// Our choice: whoever stops earlier has hardly begun.
const leastSwing = 0.2

// mayBeSwing reports whether a pull is below a place's limits, but not so far
// that it could not be an unfinished one there.
func (w *slot) mayBeSwing(r *reading) bool {
	x := r.value.Base()
	return w.dim() == r.value.Dimension() && x < w.lsl.Base() && x >= float64(leastSwing*w.target.Base())
}

// farHigh is how far above a place's limits a pull must be, before it is rather
// one at another place. Our choice: nobody pulls half as much again and more by
// mistake.
const farHigh = 1.5

// tooHigh reports whether a pull is above the limits of a joint that is being
// worked on.
func (t *tx) tooHigh(w *slot, r *reading) bool {
	return t.job.Weighed && w.joint != nil && w.dim() == r.value.Dimension() && r.value.Base() > w.usl.Base() && t.job.Steps[w.step].begun()
}

// justHigh reports whether a pull above the limits of a joint that is being worked
// on is rather just that than work gone on to a later place: more than a quarter of
// the joint is still to be pulled, and the peak is not what that place aims at, or
// another joint would have been passed over whole, or the tool's uncertainty reaches back
// to the limits and the pulls before say so. Towards the joint's end, all that the pull tells
// has to say so, too; and there a rotation may say so against the peak.
func (t *tx) justHigh(w *slot, r *reading, later *slot) bool {
	if !t.tooHigh(w, r) || w.joint.Passes[w.pass].Closing || w.joint.Passes[w.pass].Loose || r.value.Base() >= float64(farHigh*w.usl.Base()) {
		return false
	}
	middle := t.inTheMiddle(w)
	if later.joint == nil || later.step == w.step && !middle {
		return false
	}
	aimed := later.aimedAt(r)
	if middle && (!aimed || t.job.openBetween(w.step, later.step)) {
		return true
	}
	_, odds, ok := t.oddsOfGoingOn(w, stretch{later.step, later.pass}, r)
	if !aimed {
		return ok && odds < 1
	}
	_, enough := r.turn()
	if middle {
		enough = r.value.Base()*(1-t.s.index.tools[r.tool].URel) <= w.usl.Base()
	}
	return ok && enough && odds < aimedAtOdds
}

// aimedAtOdds are the odds for the later place below which a pull whose peak is what
// that one aims at is high all the same: its rotation is that of the work in hand. Our
// choice.
const aimedAtOdds = 0.1

// closingLow is the share of a closing round's target below which a pull is hardly
// one of that round, where it may be an unfinished one elsewhere: on a tight
// fastener the torque is there at once. Our choice.
const closingLow = 0.7

// swingBeyond takes a pull far above the limits of the expected place, where it
// may be an unfinished one at the next joint, for work that went on there; or one
// far below those of a closing round.
func (t *tx) swingBeyond(w *slot, r *reading, tool *toolDates) bool {
	far := t.tooHigh(w, r) && r.value.Base() >= float64(farHigh*w.usl.Base())
	low := t.job.Weighed && w.joint != nil && w.joint.Passes[w.pass].Closing && w.dim() == r.value.Dimension() && r.value.Base() < float64(closingLow*w.target.Base())
	if !far && !low {
		return false
	}
	for i := w.step + 1; i < len(t.job.Steps); i++ {
		next, ok := t.job.slotOf(i)
		if !ok || next.joint == nil {
			continue
		}
		if why, _ := tool.misfit(&next, r.at); why != "" || !next.mayBeSwing(r) {
			return false
		}
		t.count(&next, r, tool, next.grade())
		return true
	}
	return false
}

// aimedWithin is how near to a target a peak must be to have been aimed at it, as
// a share. Our choice: a trained hand aims to within two or three per cent.
const aimedWithin = 0.06

// aimedAt reports whether a pull's peak is about a place's target: whoever pulls
// to the end aims at it, and a swing ends there only by chance.
func (w *slot) aimedAt(r *reading) bool {
	return w.target.Base() > 0 && math.Abs(r.value.Base()/w.target.Base()-1) < aimedWithin
}

// oneMoreBefore sets a pull aside that is too low for a pass of which nothing
// is done yet, and just what the pass before it, which is done, wanted: one of
// its fasteners was pulled twice.
func (t *tx) oneMoreBefore(r *reading, w *slot) bool {
	if !t.job.Weighed || w.joint == nil || w.pass == 0 || w.joint.Passes[w.pass].Closing || !(r.value.Base() < w.lsl.Base()) {
		return false
	}
	st := &t.job.Steps[w.step]
	for i := range st.Fasteners {
		if f := &st.Fasteners[i]; f.Held || f.Redo || f.Marks[w.pass].counts() {
			return false
		}
	}
	before := t.job.fastenerSlot(w.step, w.pass-1, w.joint.Passes[w.pass-1].Order[0])
	if !before.holds(r.value) || len(st.Weigh[before.pass].Log) == 0 {
		return false
	}
	_, _, p := t.weighAside(&before, r)
	t.setAside(&before, r, events.ExplainedRepeat, "", p)
	t.sayOneMore(w.step, min(p, asideEnough/2))
	return true
}

// openBetween reports whether a step between two is still open.
func (j *Job) openBetween(from, to int) bool {
	for i := from + 1; i < to; i++ {
		if !j.Steps[i].Done {
			return true
		}
	}
	return false
}

// pastClosing changes the expected place, where it is in a closing round, to
// that in a later joint which has been begun and wants such a pull: who went on
// there is not in the closing round, though it is left to be done.
func (t *tx) pastClosing(w *slot, r *reading, tool *toolDates) {
	if !t.job.Weighed || w.joint == nil || !w.joint.Passes[w.pass].Closing {
		return
	}
	for i := len(t.job.Steps) - 1; i > w.step; i-- {
		if t.job.Steps[i].Done || !t.job.Steps[i].begun() {
			continue
		}
		if next, ok := t.job.slotOf(i); ok && next.joint != nil && next.takes(r) && next.holds(r.value) {
			if why, _ := tool.misfit(&next, r.at); why == "" {
				*w = next
			}
			return
		}
	}
}

// swingAfter sets a pull aside that fits no open step, but may be an unfinished
// one on the joint done last: the number of its pulls was complete too soon.
func (t *tx) swingAfter(r *reading) bool {
	if !t.job.Weighed || r.value.Dimension() != quantity.DimTorque {
		return false
	}
	for i := min(t.job.current(), len(t.job.Steps)) - 1; i >= 0; i-- {
		jt := t.job.Proc.Steps[i].Joint
		if jt == nil {
			continue
		}
		pass := finalPass(jt)
		w := t.job.fastenerSlot(i, pass, jt.Passes[pass].Order[0])
		if !w.mayBeSwing(r) || len(t.job.Steps[i].Weigh[pass].Log) == 0 || t.lowInARow(&w, r) >= mostSwings {
			return false
		}
		t.setSwingAside(&w, r)
		return true
	}
	return false
}

// weighAside takes a pull that is to be set aside as evidence on a pass, and
// returns what it most probably was if it made nothing tight.
func (t *tx) weighAside(w *slot, r *reading) (kind events.ExplanationKind, on int, p float64) {
	at := len(t.out)
	t.out = append(t.out, events.Outcome{})
	o := t.pullAt(w, r)
	t.job.filterOf(w.step, w.pass) // kept with the state, as in weighed
	t.job.applyPull(o, t.s.toolOf(r.tool))
	f := t.job.filterOf(w.step, w.pass)
	k := t.job.Steps[w.step].Weigh[w.pass].pullOf(r.seq)
	o.Explanations = t.explain(w, f, k)
	t.out[at].Data = o
	if kind, on, p = idle(f.Explain(k)); kind == "" {
		kind, on = events.ExplainedRepeat, -1
	}
	return kind, on, p
}
