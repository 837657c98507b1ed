package rules

import (
	"fmt"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// whileRising reports whether an alert was raised by a force that still rose.
func whileRising(a *events.AlertRaised) bool {
	return a.Kind == events.AlertPressForce && a.Reading == 0
}

// causeOf is the journal sequence of the fact that raised an alert.
func causeOf(a *events.AlertRaised) uint64 {
	seq, _, _ := strings.Cut(strings.TrimPrefix(a.Alert, "A"), "-")
	n, _ := strconv.ParseUint(seq, 10, 64)
	return n
}

// rising raises a force above the limit while the press still works, so that
// somebody can stop it. What the pressing was worth is judged at its end.
func (t *tx) rising(e events.ForceRising) {
	if t.s.care(e.Bench) != nil {
		return // a tool is being calibrated or checked there
	}
	t.open(t.s.BenchJob[e.Bench])
	tool, known := t.s.index.tools[e.Tool]
	if t.job == nil || !known || t.job.measuresForce() {
		return
	}
	i := t.job.current()
	if i == len(t.job.Steps) || t.job.Proc.Steps[i].Press == nil {
		return
	}
	w := t.job.pressSlot(i)
	k, wants, ok := t.job.NextPress(i)
	if ok && wants == PressRecheck {
		k = t.job.pressAfter(i, k)
	}
	misfit, _ := tool.misfit(&w, t.at)
	if !ok || k < 0 || misfit != "" {
		return // said when the pressing is over
	}
	unit, ok := quantity.UnitByCode(e.Unit)
	if !ok {
		unit = w.unit
	}
	place := t.job.Proc.Steps[i].Press.Places[k]
	text := ""
	switch {
	case !w.usl.IsZero() && e.Value.Base() > w.usl.Base():
		r := reading{text: e.Text, unit: unit.Code(), value: e.Value}
		text = fmt.Sprintf("%s, %s: the force went to %s while it was pressed, above the limit of %s.", t.job.title(i), place.Title, r.said(w.unit), show(w.usl, w.unit))
	case conditionOf(e.Status) == fault:
		text = fmt.Sprintf("%s, %s: the gauge says %q while it is pressed. The force may be greater than it shows.", t.job.title(i), place.Title, strings.ReplaceAll(e.Status, "_", " "))
	default:
		return
	}
	t.by = t.job.Technician
	t.raise(events.AlertRaised{Kind: events.AlertPressForce, Bench: e.Bench, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Fasteners: []string{place.ID}, Tool: e.Tool,
		Text: text, Todo: "Stop the press now. Let the force off before you come near: parts under load fly. Look for what binds. The place is held: call a lead.", Blocks: true})
}
