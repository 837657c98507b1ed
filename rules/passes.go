package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
)

// laterPass decides on a pull that is outside the current pass's limits but,
// perhaps, inside those of a later pass of the same joint: somebody went on
// to that pass and left fasteners behind in this one, which is raised.
//
// Where the fasteners left behind have no part in the later pass (guide bolts
// after case bolts), the pull counts there, as it would for a later step.
// Where they have, it may also have been at one of them, pulled too far at
// once; to count it for the first fastener of the later pass could call a
// fastener witnessed that was never pulled so far. So it stays unplaced.
//
// A loose pass with such fasteners takes the pull: it asks for no more than
// its lower limit, and the later pass will want a pull of its own. Where that
// has been begun, it has the pull.
func (t *tx) laterPass(r *reading, tool *toolDates, w *slot, fits bool) bool {
	next, apart, ok := t.job.passGoneTo(r, tool, w)
	if fits && w.loose() && ok && !apart && t.job.Weighed && t.job.passBegun(stretch{next.step, next.pass}) && t.job.mostly(w) {
		t.count(&next, r, tool, next.grade()) // it makes good what is open here
		return true
	}
	if fits && w.loose() && !(ok && apart) {
		if t.looseVerdict(w, r) != events.Within {
			return false
		}
		t.count(w, r, tool, w.grade())
		return true
	}
	if !ok {
		return false
	}
	why := fmt.Sprintf("%s came, which the %s pass wants", r.said(w.unit), passName(w.joint, next.pass))
	if meant, slipped := w.slip(r.value, r.unit); fits && slipped && !w.loose() && !t.job.sameUnit(w, r) {
		t.eitherSlipOr(r, w, meant, &next)
		return true
	}
	if apart {
		missed, low := t.job.leftIn(w)
		t.count(&next, r, tool, next.grade())
		t.leavePass(w, missed, low, why)
		return true
	}
	if t.job.Weighed && t.job.mostly(w) {
		missed, low := t.job.leftIn(w)
		t.count(&next, r, tool, next.grade())
		t.leavePass(w, missed, low, why)
		return true
	}
	t.passSkipped(r, w, &next, why)
	return true
}

// mostly reports whether three in four fasteners of a pass are done, so that a
// pull of the next pass means that work went on, whichever fastener it was at:
// that pass takes all of them further.
func (j *Job) mostly(w *slot) bool {
	order := w.joint.Passes[w.pass].Order
	open := 0
	for _, k := range order {
		if f := &j.Steps[w.step].Fasteners[k]; !f.doneIn(w.pass) {
			open++
		}
	}
	return 4*open <= len(order)
}

// passGoneTo returns the first later pass of w's joint that explains a
// reading, and whether none of the fasteners left behind belongs to it.
func (j *Job) passGoneTo(r *reading, tool *toolDates, w *slot) (next slot, apart, ok bool) {
	st := &j.Steps[w.step]
	for p := w.pass + 1; p < len(w.joint.Passes); p++ {
		order := w.joint.Passes[p].Order
		i := slices.IndexFunc(order, func(k int) bool { return !st.Fasteners[k].Held && !st.Fasteners[k].doneIn(p) })
		if i < 0 {
			continue
		}
		next = j.fastenerSlot(w.step, p, order[i])
		if !next.holds(r.value) {
			continue
		}
		if why, _ := tool.misfit(&next, r.at); why != "" {
			continue
		}
		apart = !slices.ContainsFunc(w.joint.Passes[w.pass].Order, func(k int) bool {
			return !st.Fasteners[k].doneIn(w.pass) && slices.Contains(order, k)
		})
		return next, apart, true
	}
	return slot{}, false, false
}

// leftIn returns the fasteners of w's pass that are still to be done there, in
// drawing order: those whose last pull was low apart.
func (j *Job) leftIn(w *slot) (missed, low []string) {
	st := &j.Steps[w.step]
	for k := range st.Fasteners {
		f := &st.Fasteners[k]
		switch {
		case f.Held || f.doneIn(w.pass) || !slices.Contains(w.joint.Passes[w.pass].Order, k):
		case f.Marks[w.pass].Reading != 0:
			low = append(low, w.joint.Fasteners[k].ID)
		default:
			missed = append(missed, w.joint.Fasteners[k].ID)
		}
	}
	return missed, low
}

// passSkipped keeps a pull of a later pass whose fastener nobody knows. Where
// the pass before has not been begun at all and the order is demanded, the
// order is what is wrong; else the fasteners left in that pass were missed.
func (t *tx) passSkipped(r *reading, w, next *slot, why string) {
	missed, low := t.job.leftIn(w)
	begun := len(missed)+len(low) < len(w.joint.Passes[w.pass].Order)
	if w.joint.Strict && !begun {
		t.unplacedAt(r, events.AlertOutOfOrder, w.step, fmt.Sprintf("%s wants the %s pass first; %s", t.job.title(w.step), passName(w.joint, w.pass), why),
			"Set the tool to the pass that is due. Dismiss the reading, or claim it for the fastener it belongs to.")
		return
	}
	// The reading is told first; it carries the alert that it is about.
	id := t.naming(w, append(slices.Clone(missed), low...))
	if id == "" {
		id = t.nextAlert()
	}
	t.keep(r, id, fmt.Sprintf("%s: the %s pass is not done, so it may have been for any of its fasteners", t.job.title(w.step), passName(w.joint, w.pass)))
	t.leavePass(w, missed, low, why)
}

// naming returns the open alert that names the first of some fasteners as left
// behind, "" if none does.
func (t *tx) naming(w *slot, ids []string) string {
	step := t.job.Proc.Steps[w.step].ID
	for a := range t.openAlerts(t.job.ID) {
		if (a.Kind == events.AlertMissed || a.Kind == events.AlertLow || a.Kind == events.AlertUnitSlip) && a.Step == step &&
			len(ids) > 0 && slices.Contains(a.Fasteners, ids[0]) {
			return a.Alert
		}
	}
	return ""
}

// leavePass raises the fasteners that were left behind in w's pass.
func (t *tx) leavePass(w *slot, missed, low []string, why string) {
	t.raiseLeft(w.step, w.pass, w.pass, missed, low, why)
}
