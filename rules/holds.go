package rules

import (
	"fmt"

	"witnessmark/events"
)

// followHold opens the hold point of a step whose work is done, or withdraws it
// where the work is open again, and reports whether the step is done.
func (t *tx) followHold(i int, full bool) bool {
	st, p := &t.job.Steps[i], &t.job.Proc.Steps[i]
	byWord := p.Joint == nil && p.Measure == nil
	switch {
	case p.Hold == "" || full && (st.Done || st.HoldPassed):
		return full
	case full && st.Hold == nil:
		by := t.by
		if st.Accepted {
			by = t.job.Technician // a lead who accepts may release too
		}
		t.add(events.HoldOpened{Job: t.job.ID, Step: p.ID, Hold: p.Hold, By: by, AtUs: t.at})
	case !full && st.Hold != nil && (!byWord || st.Done || len(t.job.openItems(i)) > 0):
		t.add(events.HoldWithdrawn{Job: t.job.ID, Step: p.ID, Why: t.why, AtUs: t.at})
	}
	return false
}

func (j *Job) applyHold(o events.OutcomeData) {
	switch o := o.(type) {
	case events.HoldOpened:
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Hold, j.Steps[i].HoldPassed = &o, false
		}
	case events.HoldReleased:
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].HoldPassed = true
		}
	case events.HoldWithdrawn:
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Hold, j.Steps[i].HoldPassed = nil, false
		}
	}
}

// askAnew forgets what was attested at a step that has to be done again. What a
// torque or measure step asked stays: sealant does not come off with one bolt.
func (j *Job) askAnew(i int) {
	st, p := &j.Steps[i], &j.Proc.Steps[i]
	st.Hold, st.HoldPassed = nil, false
	if p.Joint == nil && p.Measure == nil {
		st.Items = nil
		j.staleEnds(p.ID)
	}
}

// AtHold reports whether a step's work is done and waits for its hold point.
func (st *StepState) AtHold() bool { return st.Hold != nil && !st.HoldPassed && !st.Done }

// holdLine says for people what a hold point waits for.
func (j *Job) holdLine(i int) string {
	return fmt.Sprintf("%s: done, and waits for %s to release it", j.title(i), holdWho(j.Proc.Steps[i].Hold))
}

func holdWho(hold string) string {
	if hold == events.ByLead {
		return "a lead"
	}
	return "a second person"
}

// leaveHold raises work that went on past a hold point.
func (t *tx) leaveHold(i int, why string) {
	t.raiseStep(i, events.AlertHoldPoint,
		fmt.Sprintf("%s waits at its hold point, and work went on: %s.", t.job.title(i), why),
		fmt.Sprintf("Stop. Call %s who did none of the work to look at it and release it.", holdWho(t.job.Proc.Steps[i].Hold)))
}

// holdReleased lets a second, different person release a hold point.
func (t *tx) holdReleased(r *request, d events.HoldReleaseAsked) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	st, p := &t.job.Steps[i], &t.job.Proc.Steps[i]
	switch {
	case p.Hold == "":
		t.refuse(r, "no_hold", fmt.Sprintf("%s is no hold point", t.job.title(i)), "Go on with the work.")
	case st.Done:
		t.refuse(r, "already_done", fmt.Sprintf("%s is done and released", t.job.title(i)), "Go on with the next step.")
	case st.Hold == nil:
		t.refuse(r, "not_waiting", fmt.Sprintf("the work of %s is not done yet", t.job.title(i)), "Do what is listed first.", t.job.openStep(i)...)
	case p.Hold == events.ByLead && !t.mayDecide(r, "release this hold point"):
	case t.job.workedOn(i, r.By):
		t.refuse(r, "own_hold", fmt.Sprintf("%s worked on %s; nobody releases his own work", t.s.personName(r.By), t.job.title(i)),
			fmt.Sprintf("Call %s who did none of it.", holdWho(p.Hold)))
	default:
		hold := *st.Hold
		t.by = hold.By
		t.add(events.HoldReleased{Job: d.Job, Step: d.Step, Note: d.Note, By: r.By, AtUs: t.at})
		if p.Joint == nil && p.Measure == nil {
			t.add(events.StepFinished{Job: d.Job, Step: d.Step, By: hold.By, Answer: hold.Answer, AtUs: t.at})
		}
		t.follow()
	}
}

// WorkedOn reports whether a person did any of the work of step i, which has
// come to its hold point.
func (j *Job) WorkedOn(i int, person string) bool { return j.workedOn(i, person) }

// workedOn reports whether a person did any of step i's work: finished it,
// took a reading that counts, or answered what it asks.
func (j *Job) workedOn(i int, person string) bool {
	st := &j.Steps[i]
	if st.Hold != nil && st.Hold.By == person || st.Value != nil && st.Value.Judged.By == person {
		return true
	}
	for k := range st.Fasteners {
		for _, m := range st.Fasteners[k].Marks {
			if m.Reading != 0 && m.Judged.By == person {
				return true
			}
		}
	}
	for k := range st.Items {
		if st.Items[k].By == person {
			return true
		}
	}
	return false
}
