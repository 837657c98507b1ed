package rules

import (
	"fmt"

	"witnessmark/events"
)

// unplacedReading looks up an unplaced reading, or refuses.
func (t *tx) unplacedReading(r *request, seq uint64) (events.ReadingUnplaced, bool) {
	u, ok := t.s.Unplaced[seq]
	if !ok {
		t.refuse(r, "unknown_reading", fmt.Sprintf("reading %d is not unplaced", seq), "Look at the unplaced readings: it may have been claimed or dismissed already.")
	}
	return u, ok
}

// claimAsked counts an unplaced reading for the place that a person names. A
// reading of a wrong or doubtful tool, or of unknown time, takes a lead.
func (t *tx) claimAsked(r *request, d events.ReadingClaimAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) || !t.reasoned(r, d.Reason) {
		return
	}
	u, ok := t.unplacedReading(r, d.Reading)
	if !ok || t.s.leadClaims(&u) && !t.mayDecide(r, "claim a reading of a tool that did not fit, or of unknown time") {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	if t.job.Proc.Steps[i].Press != nil {
		t.claimPress(r, &d, &u, i)
		return
	}
	w, ok := t.claimSlot(r, &d, i)
	if !ok {
		return
	}
	if w.dim() != u.Value.Dimension() {
		t.refuse(r, "wrong_quantity", fmt.Sprintf("reading %d is a %s, %s wants a %s", d.Reading, u.Value.Dimension(), t.job.title(i), w.dim()), "Claim it for another step, or dismiss it.")
		return
	}
	t.unplaced = d.Reading
	tool, _ := t.tool(u.Tool)
	t.count(&w, &reading{
		seq: u.Reading, tool: u.Tool, bench: u.Bench, text: u.Text, unit: u.Unit, value: u.Value,
		angle: u.Angle, at: u.AtUs, by: r.By, claimed: d.Reason,
	}, &tool, w.grade())
	t.settleAsking(&u)
	t.follow()
}

// leadClaims reports whether only a lead may claim a reading.
func (s *State) leadClaims(u *events.ReadingUnplaced) bool {
	a := s.Alerts[u.Alert]
	if a == nil {
		return false
	}
	switch a.Kind {
	case events.AlertWrongTool, events.AlertUnknownTool, events.AlertToolStatus:
		return true
	}
	return false
}

// claimSlot finds the slot that a claim names, or refuses.
func (t *tx) claimSlot(r *request, d *events.ReadingClaimAsked, i int) (slot, bool) {
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	if d.Fastener == "" {
		w, ok := t.job.measureSlot(i)
		if !ok {
			t.refuse(r, "unknown_fastener", fmt.Sprintf("%s takes no measured value", t.job.title(i)), "Name the fastener that the reading is for.")
			return slot{}, false
		}
		return w, t.newer(r, d.Reading, st.Value)
	}
	k, ok := t.fastenerOf(r, i, d.Fastener)
	if !ok {
		return slot{}, false
	}
	f := &st.Fasteners[k]
	if f.Held {
		t.refuse(r, "held", fmt.Sprintf("fastener %s is held until a lead decides", d.Fastener), "Call a lead; claim the reading afterwards.")
		return slot{}, false
	}
	pass := st.passAt(p.Joint, k)
	return t.job.fastenerSlot(i, pass, k), t.newer(r, d.Reading, &f.Marks[pass])
}

// newer refuses a claim of a reading that is older than the one that counts: a
// fastener is judged by its last pull.
func (t *tx) newer(r *request, reading uint64, m *Mark) bool {
	if m == nil || m.Reading < reading {
		return true
	}
	t.refuse(r, "later_reading", fmt.Sprintf("reading %d, which is later, counts there already", m.Reading), "Void that reading first if it is the mistaken one, or dismiss this one.")
	return false
}

func (t *tx) dismissAsked(r *request, d events.ReadingDismissAsked) {
	if !t.mayWork(r) || !t.reasoned(r, d.Reason) {
		return
	}
	u, ok := t.unplacedReading(r, d.Reading)
	if !ok {
		return
	}
	t.unplaced = d.Reading
	t.open(u.Job)
	t.add(events.ReadingDismissed{Reading: d.Reading, By: r.By, Reason: d.Reason})
	t.settleAsking(&u)
	t.follow()
}

// settleAsking settles the alert that asked about a reading, once that was the
// last it asked about, where the alert belongs to no job: follow looks after
// those of the job.
func (t *tx) settleAsking(u *events.ReadingUnplaced) {
	a := t.s.Alerts[u.Alert]
	if a == nil || t.job != nil && a.Job == t.job.ID {
		return
	}
	if asksAboutReadings(&a.AlertRaised) && !t.waits(&a.AlertRaised) {
		t.settle(u.Alert, t.who, "claimed or dismissed")
	}
}

// voidAsked takes a mistaken reading out of what counts. Nothing is edited:
// the reading and its verdict stay, and the fastener is open again. A
// technician may void a reading of his own while no later step has been begun;
// a lead any. What is held for a lead, only a lead may void.
func (t *tx) voidAsked(r *request, d events.ReadingVoidAsked) {
	if !t.mayWork(r) || !t.reasoned(r, d.Reason) {
		return
	}
	if t.voidPress(r, d) {
		return
	}
	id, i, k, pass := t.s.findMark(d.Reading)
	if id == "" {
		t.refuse(r, "not_counting", fmt.Sprintf("reading %d counts for nothing in an open job", d.Reading), "Look at the job's record: a later reading may have replaced it.")
		return
	}
	if !t.activeJob(r, id) {
		return
	}
	p := &t.job.Proc.Steps[i]
	o := events.ReadingVoided{Reading: d.Reading, Job: id, Step: p.ID, Pass: pass, By: r.By, Reason: d.Reason}
	m, held := t.job.Steps[i].Value, false
	if k >= 0 {
		f := &t.job.Steps[i].Fasteners[k]
		o.Fastener, m, held = p.Joint.Fasteners[k].ID, &f.Marks[pass], f.Held
	}
	if (held || m.Judged.By != r.By || t.job.begunAfter(i)) && !t.mayDecide(r, "void a reading of another person, of a held fastener, or after a later step was begun") {
		return
	}
	t.why = "a reading was voided: " + d.Reason
	t.add(o)
	t.follow()
}

// begunAfter reports whether a step after i has been begun.
func (j *Job) begunAfter(i int) bool {
	for k := i + 1; k < len(j.Steps); k++ {
		if j.Steps[k].begun() {
			return true
		}
	}
	return false
}

// findMark finds the open job and the place where a reading counts: fastener
// is -1 for a measured value, job "" if it counts nowhere.
func (s *State) findMark(reading uint64) (job string, step, fastener, pass int) {
	if reading == 0 {
		return "", 0, 0, 0 // the mark of a place where nothing counts yet
	}
	for id, j := range s.Jobs { // a reading counts in one place: the order does not matter
		for i := range j.Steps {
			if v := j.Steps[i].Value; v != nil && v.Reading == reading {
				return id, i, -1, 0
			}
			for k := range j.Steps[i].Fasteners {
				for p := range j.Steps[i].Fasteners[k].Marks {
					if j.Steps[i].Fasteners[k].Marks[p].Reading == reading {
						return id, i, k, p
					}
				}
			}
		}
	}
	return "", 0, 0, 0
}
