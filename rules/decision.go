package rules

import (
	"fmt"

	"witnessmark/events"
)

// decisionAsked is a lead's decision on a fastener or a step: leave it as it
// is (a deviation, with who and why), or do it again.
func (t *tx) decisionAsked(r *request, d events.DecisionAsked) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) || !t.mayDecide(r, "decide about a fastener or a step") || !t.reasoned(r, d.Reason) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	t.why = "a lead sent it back: " + d.Reason
	switch {
	case d.Choice != events.ChoiceAccept && d.Choice != events.ChoiceRedo:
		t.refuse(r, "bad_choice", fmt.Sprintf("%q is no choice", d.Choice), `Choose "accept" or "redo".`)
		return
	case d.Fastener != "" && t.job.Proc.Steps[i].Press != nil:
		t.decidePress(r, &d, i)
	case d.Fastener == "":
		t.decideStep(r, &d, i)
	default:
		t.decideFastener(r, &d, i)
	}
	t.follow()
}

func (t *tx) decideFastener(r *request, d *events.DecisionAsked, i int) {
	k, ok := t.fastenerOf(r, i, d.Fastener)
	if !ok {
		return
	}
	was := t.job.wasFastener(i, k)
	switch {
	case d.Choice == events.ChoiceRedo && was == "waiting":
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("fastener %s has not been pulled yet", d.Fastener), "Pull it.")
	case d.Choice == events.ChoiceRedo:
		t.add(events.FastenerReset{Job: d.Job, Step: d.Step, Fastener: d.Fastener, By: r.By, Reason: d.Reason})
	case was == "witnessed" || was == "accepted":
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("fastener %s is %s", d.Fastener, was), "Nothing needs to be done. To have it done again, choose redo.")
	default:
		if was == "waiting" {
			was = "missed"
		}
		t.add(events.DeviationAccepted{Job: d.Job, Step: d.Step, Fastener: d.Fastener, Was: was, By: r.By, Reason: d.Reason, AtUs: t.at})
	}
}

// wasFastener says how a fastener stands: "high", "low", "doubtful", "held",
// "witnessed", "accepted", "part" (an earlier pass counts) or "waiting".
func (j *Job) wasFastener(i, k int) string {
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	f := &st.Fasteners[k]
	m := f.last()
	switch {
	case f.Accepted:
		return "accepted"
	case m == nil:
		return "waiting"
	case m.Verdict == events.High || m.Verdict == events.Low || m.Verdict == events.Doubtful && !f.Held:
		return string(m.Verdict)
	case f.Held:
		return "held"
	case st.complete(jt, k):
		return "witnessed"
	}
	return "part"
}

func (t *tx) decideStep(r *request, d *events.DecisionAsked, i int) {
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	was := "open"
	switch {
	case st.Accepted:
		was = "accepted"
	case p.Shim != nil && !st.Done:
		was = st.wasShims()
	case p.Measure != nil && st.Value != nil:
		was = string(st.Value.Verdict)
	case p.Joint != nil && len(t.job.openJoint(i)) > 0:
		was = "missed"
	case st.Done:
		was = "done"
	}
	settled := was == "accepted" || was == "done" || was == string(events.Within)
	switch {
	case d.Choice == events.ChoiceRedo:
		t.redoStep(r, d, i)
	case settled:
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("%s is %s", t.job.title(i), was), "Nothing needs to be done. To have it done again, choose redo.")
	default:
		t.add(events.DeviationAccepted{Job: d.Job, Step: d.Step, Was: was, By: r.By, Reason: d.Reason, AtUs: t.at})
	}
}

// redoStep sends a whole step back to be done again.
func (t *tx) redoStep(r *request, d *events.DecisionAsked, i int) {
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	if !st.begun() && st.Hold == nil && len(st.Items) == 0 {
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("%s has not been begun", t.job.title(i)), "Do it.")
		return
	}
	if st.Done || p.Joint == nil && (st.Hold != nil || len(st.Items) > 0) { // first, so that an acceptance of the step no longer counts
		t.add(events.StepReopened{Job: d.Job, Step: d.Step, Why: t.why})
	}
	if p.Measure != nil {
		t.add(events.FastenerReset{Job: d.Job, Step: d.Step, By: r.By, Reason: d.Reason})
	}
	t.redoParts(r, d, i)
	if p.Joint == nil {
		return
	}
	for k := range p.Joint.Fasteners {
		if t.job.wasFastener(i, k) != "waiting" {
			t.add(events.FastenerReset{Job: d.Job, Step: d.Step, Fastener: p.Joint.Fasteners[k].ID, By: r.By, Reason: d.Reason})
		}
	}
}

func (t *tx) ackAsked(r *request, d events.AlertAckAsked) {
	a := t.s.Alerts[d.Alert]
	if a == nil {
		t.refuse(r, "unknown_alert", fmt.Sprintf("no alert %q is open", d.Alert), "It may have been settled already.")
		return
	}
	if a.AckBy == "" { // else granted already
		t.add(events.AlertAcknowledged{Alert: d.Alert, By: r.By, AtUs: t.at})
	}
}

// settleAsked lets a lead set an alert aside, but never one that the rules
// settle themselves once its cause is gone: that would hide it.
func (t *tx) settleAsked(r *request, d events.AlertSettleAsked) {
	a := t.s.Alerts[d.Alert]
	switch {
	case a == nil:
		t.refuse(r, "unknown_alert", fmt.Sprintf("no alert %q is open", d.Alert), "It may have been settled already.")
	case !t.mayDecide(r, "settle an alert") || !t.reasoned(r, d.Reason):
	case asksAboutReadings(&a.AlertRaised) && t.waits(&a.AlertRaised):
		t.refuse(r, "still_stands", "readings that this alert asks about are unplaced", "Claim or dismiss them: that settles the alert.")
	case t.decides(&a.AlertRaised):
		t.refuse(r, "still_stands", "what this alert says is still so", "Do the work, or decide about the fastener or step: that settles the alert.")
	default:
		t.settle(d.Alert, r.By, d.Reason)
	}
}

// decides reports whether an alert is settled by work or by a decision on its
// fasteners or step, and by nothing else.
func (t *tx) decides(a *events.AlertRaised) bool {
	if whileRising(a) {
		return false // its pressing may never arrive: then a lead has the word
	}
	switch a.Kind {
	case events.AlertMissed, events.AlertLow, events.AlertHigh, events.AlertStepSkipped, events.AlertMeasure, events.AlertShims, events.AlertClosing, events.AlertSeized, events.AlertYield,
		events.AlertPressForce, events.AlertPressSeat, events.AlertPressPair, events.AlertPressRecheck:
		return true
	case events.AlertLooseEnd, events.AlertOrderGuard, events.AlertUnanswered, events.AlertOrientation, events.AlertWrongWay, events.AlertStopCheck, events.AlertHoldPoint, events.AlertOpenTime:
		return true
	case events.AlertUnitSlip:
		return !asksAboutReadings(a)
	case events.AlertOutOfOrder, events.AlertToolStatus: // where the fastener is held
		if t.open(a.Job); t.job == nil || len(a.Fasteners) == 0 {
			return false
		}
		return !t.all(a, func(p place) bool { return !p.f.Held })
	}
	return false
}
