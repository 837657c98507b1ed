package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
)

// newPresses makes the places of a press step; nil for any other step.
func (j *Job) newPresses(i int) []PressState {
	if p := j.Proc.Steps[i].Press; p != nil {
		return make([]PressState, len(p.Places))
	}
	return nil
}

// place returns a place of a press step, the job's own copy to be written to;
// nil if there is none.
func (j *Job) place(step, id string) *PressState {
	p, i := j.Proc.Step(step)
	if p == nil || p.Press == nil {
		return nil
	}
	k := p.Press.Place(id)
	if k < 0 {
		return nil
	}
	j.Steps[i].Presses = slices.Clone(j.Steps[i].Presses)
	return &j.Steps[i].Presses[k]
}

// applyPress folds an outcome about a place of a press step; false if it is
// about something else.
func (j *Job) applyPress(o events.OutcomeData) bool {
	switch o := o.(type) {
	case events.ReadingJudged:
		p := j.place(o.Step, o.Fastener)
		if p == nil {
			return false
		}
		p.Mark = Mark{Reading: o.Reading, Verdict: o.Verdict, Grade: o.Grade, Judged: &o}
		p.Held, p.Redo, p.Accepted, p.Rechecked, p.Good, p.Seat = o.Held, false, false, false, false, ""
	case events.ReadingVoided:
		p := j.place(o.Step, o.Fastener)
		if p == nil || p.Mark.Reading != o.Reading {
			return false
		}
		*p = PressState{Cleared: p.Cleared, Redo: true}
	case events.FastenerReset:
		p := j.place(o.Step, o.Fastener)
		if p == nil {
			return false
		}
		*p = PressState{Redo: true}
	case events.DeviationAccepted:
		p := j.place(o.Step, o.Fastener)
		if p == nil {
			return false
		}
		p.Accepted, p.Held, p.Redo = true, false, false
	case events.PressJudged:
		if p := j.place(o.Step, o.Place); p != nil {
			p.Seat = o.Seat
		}
	case events.PressCleared:
		if p := j.place(o.Step, o.Place); p != nil {
			p.Cleared = true
		}
	case events.PressRecheckNoted:
		if p := j.place(o.Step, o.Place); p != nil {
			p.Rechecked, p.Good, p.Held = true, o.Good, !o.Good
		}
	default:
		return false
	}
	return true
}

// acceptPlaces accepts all that a press step has left open.
func (j *Job) acceptPlaces(i int) {
	j.Steps[i].Presses = slices.Clone(j.Steps[i].Presses)
	for k := range j.Steps[i].Presses {
		if j.PressWants(i, k) != PressNothing || j.Steps[i].Presses[k].Held {
			p := &j.Steps[i].Presses[k]
			p.Accepted, p.Held, p.Redo = true, false, false
		}
	}
}

// openPress returns what is open in press step i.
func (j *Job) openPress(i int) []string {
	var lines []string
	by := map[string][]string{}
	for k, p := range j.Steps[i].Presses {
		id := j.Proc.Steps[i].Press.Places[k].ID
		switch w := j.PressWants(i, k); {
		case w == PressLead:
			by["held until a lead decides"] = append(by["held until a lead decides"], id)
		case w == PressRecheck:
			by["waiting for the re-check"] = append(by["waiting for the re-check"], id)
		case w == PressNothing:
		case p.Mark.Reading != 0 && p.Mark.Verdict == events.Low:
			by["pressed with too little force"] = append(by["pressed with too little force"], id)
		case p.Mark.Reading != 0:
			by["not seated"] = append(by["not seated"], id)
		default:
			by["not pressed"] = append(by["not pressed"], id)
		}
	}
	for _, what := range []string{"not pressed", "pressed with too little force", "not seated", "waiting for the re-check", "held until a lead decides"} {
		if ids := by[what]; len(ids) > 0 {
			lines = append(lines, fmt.Sprintf("%s: %s %s", j.title(i), strings.Join(ids, ", "), what))
		}
	}
	return lines
}

// openParts returns what is open in step i if it has a kit or a press; ok is
// false for any other step.
func (j *Job) openParts(i int) (lines []string, ok bool) {
	p, st := &j.Proc.Steps[i], &j.Steps[i]
	switch {
	case st.Accepted:
		return nil, len(p.Kit) > 0 || p.Press != nil
	case len(p.Kit) > 0:
		for _, m := range j.KitMissing(i) {
			lines = append(lines, fmt.Sprintf("%s: %s", j.title(i), m))
		}
	case p.Press != nil:
		lines = j.openPress(i)
	default:
		return nil, false
	}
	if len(lines) == 0 && p.Statement != "" && !st.Done {
		lines = []string{fmt.Sprintf("%s: not confirmed", j.title(i))}
	}
	return lines, true
}

// partsFull reports whether step i needs nothing more, if it has a kit or a
// press; ok is false for any other step. Where it has a statement too, that is
// confirmed last.
func (j *Job) partsFull(i int) (full, ok bool) {
	p, st := &j.Proc.Steps[i], &j.Steps[i]
	switch {
	case len(p.Kit) > 0:
		full = len(j.KitMissing(i)) == 0
	case p.Press != nil:
		full = j.pressDone(i)
	default:
		return false, false
	}
	return st.Accepted || full && (p.Statement == "" || st.Done), true
}

// decidePress is a lead's decision on a place of a press step.
func (t *tx) decidePress(r *request, d *events.DecisionAsked, i int) {
	k := t.job.Proc.Steps[i].Press.Place(d.Fastener)
	if k < 0 {
		t.refuse(r, "unknown_place", fmt.Sprintf("%s has no place %q", t.job.title(i), d.Fastener), "Look for the place in the procedure.")
		return
	}
	p := &t.job.Steps[i].Presses[k]
	was := "missed"
	switch {
	case p.Accepted:
		was = "accepted"
	case p.Mark.Reading == 0:
	case p.Held:
		was = "held"
		if p.Mark.Verdict == events.High {
			was = string(events.High)
		}
	case p.Mark.Verdict == events.Low:
		was = string(events.Low)
	case p.Seat == events.SeatNot:
		was = "not seated"
	case t.job.PressWants(i, k) == PressRecheck:
		was = "not re-checked"
	default:
		was = "done"
	}
	title := t.job.Proc.Steps[i].Press.Places[k].Title
	switch {
	case d.Choice == events.ChoiceRedo && was == "missed":
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("%s has not been pressed yet", title), "Press it.")
	case d.Choice == events.ChoiceRedo:
		t.add(events.FastenerReset{Job: d.Job, Step: d.Step, Fastener: d.Fastener, By: r.By, Reason: d.Reason})
	case was == "done" || was == "accepted":
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("%s is %s", title, was), "Nothing needs to be done. To have it done again, choose redo.")
	default:
		t.add(events.DeviationAccepted{Job: d.Job, Step: d.Step, Fastener: d.Fastener, Was: was, By: r.By, Reason: d.Reason, AtUs: t.at})
	}
}

// redoParts sends a whole parts or press step back.
func (t *tx) redoParts(r *request, d *events.DecisionAsked, i int) {
	seen := map[string]bool{}
	for _, rec := range t.job.Steps[i].Parts {
		if !seen[rec.Part] {
			seen[rec.Part] = true
			t.add(events.PartUndone{Job: d.Job, Step: d.Step, Part: rec.Part, By: r.By, Reason: d.Reason, AtUs: t.at})
		}
	}
	for k := range t.job.Steps[i].Presses {
		if p := &t.job.Steps[i].Presses[k]; p.Mark.Reading != 0 || p.Accepted {
			t.add(events.FastenerReset{Job: d.Job, Step: d.Step, Fastener: t.job.Proc.Steps[i].Press.Places[k].ID, By: r.By, Reason: d.Reason})
		}
	}
}

// begunParts reports whether a parts or press step has been worked on.
func (st *StepState) begunParts() bool {
	return len(st.Parts) > 0 || slices.ContainsFunc(st.Presses, func(p PressState) bool { return p.Mark.Reading != 0 || p.Accepted || p.Redo || p.Cleared })
}

// pressGone reports whether the cause of an alert about a place is gone.
func (t *tx) pressGone(a *events.AlertRaised) (how string, gone bool) {
	p, i := t.job.Proc.Step(a.Step)
	if p == nil || p.Press == nil || len(a.Fasteners) == 0 {
		return "", false
	}
	k := p.Press.Place(a.Fasteners[0])
	if k < 0 {
		return "", false
	}
	st, w := &t.job.Steps[i].Presses[k], t.job.PressWants(i, k)
	if whileRising(a) { // the pressing itself is still to come, and is judged then
		return "the pressing is over and judged", st.Accepted || st.Mark.Reading > causeOf(a)
	}
	switch a.Kind {
	case events.AlertPressSeat:
		return "pressed again, or decided", st.Accepted || st.Redo || st.Mark.Reading != a.Reading || w == PressNothing
	case events.AlertPressRecheck:
		return "re-checked, or decided", !st.Held && w != PressRecheck
	}
	return "decided", !st.Held
}

// findPress finds the open job and the place where a pressing counts.
func (s *State) findPress(reading uint64) (job string, step, place int) {
	for id, j := range s.Jobs { // a reading counts in one place: the order does not matter
		for i := range j.Steps {
			for k := range j.Steps[i].Presses {
				if reading != 0 && j.Steps[i].Presses[k].Mark.Reading == reading {
					return id, i, k
				}
			}
		}
	}
	return "", 0, 0
}

// voidPress takes a mistaken pressing out of what counts; false if the reading
// counts for no place.
func (t *tx) voidPress(r *request, d events.ReadingVoidAsked) bool {
	id, i, k := t.s.findPress(d.Reading)
	if id == "" {
		return false
	}
	if !t.activeJob(r, id) {
		return true
	}
	p := &t.job.Steps[i].Presses[k]
	if (p.Held || p.Mark.Judged.By != r.By || t.job.begunAfter(i)) && !t.mayDecide(r, "void a pressing of another person, of a held place, or after a later step was begun") {
		return true
	}
	t.why = "a reading was voided: " + d.Reason
	t.add(events.ReadingVoided{Reading: d.Reading, Job: id, Step: t.job.Proc.Steps[i].ID, Fastener: t.job.Proc.Steps[i].Press.Places[k].ID, By: r.By, Reason: d.Reason})
	t.follow()
	return true
}

// claimPress counts an unplaced force for a place that a person names. Its
// course stays in the journal and is not looked at again: the seat is asked.
func (t *tx) claimPress(r *request, d *events.ReadingClaimAsked, u *events.ReadingUnplaced, i int) {
	k := t.job.Proc.Steps[i].Press.Place(d.Fastener)
	switch {
	case k < 0:
		t.refuse(r, "unknown_place", fmt.Sprintf("%s has no place %q", t.job.title(i), d.Fastener), "Name the place that was pressed.")
		return
	case t.job.Steps[i].Presses[k].Held:
		t.refuse(r, "held", fmt.Sprintf("%s is held until a lead decides", d.Fastener), "Call a lead; claim the reading afterwards.")
		return
	case !t.newer(r, d.Reading, &t.job.Steps[i].Presses[k].Mark):
		return
	}
	w := t.job.pressSlot(i)
	if w.dim() != u.Value.Dimension() {
		t.refuse(r, "wrong_quantity", fmt.Sprintf("reading %d is a %s, %s wants a %s", d.Reading, u.Value.Dimension(), t.job.title(i), w.dim()), "Claim it for another step, or dismiss it.")
		return
	}
	t.unplaced = d.Reading
	tool := t.s.index.tools[u.Tool]
	t.countPress(&w, k, &reading{seq: u.Reading, tool: u.Tool, bench: u.Bench, text: u.Text, unit: u.Unit, value: u.Value, at: u.AtUs, by: r.By, claimed: d.Reason}, &tool)
	t.settleAsking(u)
	t.follow()
}
