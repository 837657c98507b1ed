package rules

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// OpenWork returns what keeps a job from being released, one line each, in the
// order of the steps and then of the alerts; nil if nothing does.
func (s *State) OpenWork(job *Job) []string {
	t := &tx{s: s, job: job}
	return t.openWork()
}

func (t *tx) openWork() []string {
	var lines []string
	for i := range t.job.Steps {
		lines = append(lines, t.job.openStep(i)...)
	}
	lines = append(lines, t.job.looseLines()...)
	for _, id := range slices.Sorted(maps.Keys(t.s.Unplaced)) {
		if u := t.s.Unplaced[id]; u.Job == t.job.ID && u.Alert != "" {
			r := reading{text: u.Text, unit: u.Unit, value: u.Value}
			lines = append(lines, fmt.Sprintf("reading %d, %s of %s: to be claimed or dismissed", id, r.said(quantity.Unit{}), t.s.toolName(u.Tool)))
		}
	}
	for a := range t.openAlerts(t.job.ID) {
		if a.Blocks && !told(a) && !(asksAboutReadings(a) && t.waits(a)) {
			lines = append(lines, fmt.Sprintf("alert %s (%s): %s", a.Alert, words(string(a.Kind)), a.Text))
		}
	}
	return append(lines, t.openRecalls()...)
}

// told reports whether the steps' own lines already say what an alert says.
func told(a *events.AlertRaised) bool {
	if attestedAlert(a.Kind) {
		return true
	}
	if whileRising(a) {
		return false
	}
	switch a.Kind {
	case events.AlertMissed, events.AlertLow, events.AlertHigh, events.AlertStepSkipped, events.AlertMeasure, events.AlertShims, events.AlertClosing,
		events.AlertPressForce, events.AlertPressSeat, events.AlertPressPair, events.AlertPressRecheck:
		return true
	case events.AlertSeized, events.AlertYield:
		return len(a.Likely) == 0 // held; else its mark stands, and no line speaks of it
	case events.AlertUnitSlip, events.AlertToolStatus:
		return !asksAboutReadings(a)
	}
	return false
}

// openStep returns what is open in step i.
func (j *Job) openStep(i int) []string {
	lines := append(j.openWorkOf(i), j.itemLines(i)...)
	if j.Steps[i].AtHold() {
		lines = append(lines, j.holdLine(i))
	}
	return lines
}

// openWorkOf returns what is open in step i's own work: its readings, its
// confirmation.
func (j *Job) openWorkOf(i int) []string {
	st, p := &j.Steps[i], &j.Proc.Steps[i]
	if lines, ok := j.openParts(i); ok {
		return lines
	}
	switch {
	case p.Joint != nil:
		return j.openJoint(i)
	case st.Done || st.AtHold():
		return nil
	case p.Shim != nil:
		return []string{fmt.Sprintf("%s: %s", j.title(i), j.shimLines(i))}
	case p.Measure != nil && st.Value == nil:
		return []string{fmt.Sprintf("%s: not measured", j.title(i))}
	case p.Measure != nil:
		return []string{fmt.Sprintf("%s: measured %s", j.title(i), st.Value.Verdict)}
	}
	return []string{fmt.Sprintf("%s: not confirmed", j.title(i))}
}

func (j *Job) openJoint(i int) []string {
	var lines []string
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	add := func(ids []string, what string) {
		if len(ids) > 0 {
			lines = append(lines, fmt.Sprintf("%s: %s %s", j.title(i), list(ids), what))
		}
	}
	missed, low := j.undone(i)
	add(missed, "not done ("+passName(jt, st.Pass)+" pass)")
	add(low, "low: to be pulled again")
	add(j.closingLeft(i), "waiting for the closing round: once more at the final torque, none may turn")
	add(j.pick(i, func(k int) bool { return st.Fasteners[k].Held }), "held until a lead decides")
	if jt.Class != procedure.ClassC {
		add(j.pick(i, func(k int) bool { return st.unsettledDoubt(jt, k) }), fmt.Sprintf("doubtful in a joint of class %s: pull again or have a lead accept", jt.Class))
	}
	return lines
}

func (j *Job) pick(i int, is func(fastener int) bool) []string {
	var ids []string
	for k := range j.Steps[i].Fasteners {
		if is(k) {
			ids = append(ids, j.Proc.Steps[i].Joint.Fasteners[k].ID)
		}
	}
	return ids
}

// unsettledDoubt reports whether fastener i is complete on a doubtful value
// that nobody has accepted. Only the last pass decides what it is left with.
func (st *StepState) unsettledDoubt(j *procedure.Joint, i int) bool {
	f := &st.Fasteners[i]
	m := f.last()
	return m != nil && m.Verdict == events.Doubtful && !f.Accepted && !f.Held && st.complete(j, i)
}

func words(code string) string { return strings.ReplaceAll(code, "_", " ") }
