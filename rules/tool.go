package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// misfit says why a tool may not do a piece of work, "" if it may. mine is
// true where the tool was meant for something else (list, kind), false where
// it was meant for this but is not fit for it (date, range).
func (t *toolDates) misfit(w *slot, at events.Instant) (why string, other bool) {
	switch {
	case len(w.tools) > 0 && !slices.Contains(w.tools, t.ID):
		return fmt.Sprintf("this step takes only %s", strings.Join(w.tools, ", ")), true
	case !kindFits(t.Kind, w):
		return fmt.Sprintf("a %s does not fit this step", kindName(t.Kind)), true
	case t.allowed:
		return "", false
	}
	if why := t.unfit(at); why != "" {
		return why, false
	}
	switch {
	case !t.covers(w.limits):
		return fmt.Sprintf("its range %s to %s does not cover %s", show(t.Least, w.unit), show(t.Most, w.unit), w.wanted()), false
	}
	return "", false
}

// covers reports whether the tool's calibrated range holds the target, or,
// where the procedure states none, the limits.
func (t *toolDates) covers(l limits) bool {
	in := func(v quantity.Value) bool {
		return v.Dimension() == t.Least.Dimension() && v.Base() >= t.Least.Base() && v.Base() <= t.Most.Base()
	}
	if !l.target.IsZero() {
		return in(l.target)
	}
	return (l.lsl.IsZero() || in(l.lsl)) && (l.usl.IsZero() || in(l.usl))
}

// kindFits reports whether a kind of tool does such work: the procedure's
// list of kinds if it has one; else a torque wrench tightens, and anything
// that measures the dimension measures. A torque tester never tightens unless
// the procedure says so: its readings are those of a wrench being checked.
func kindFits(k events.ToolKind, w *slot) bool {
	if len(w.kinds) > 0 {
		return slices.Contains(w.kinds, string(k))
	}
	if w.fastener >= 0 {
		return k == events.ToolTorqueWrench
	}
	switch w.dim() {
	case quantity.DimTorque:
		return k == events.ToolTorqueWrench || k == events.ToolTorqueTester
	case quantity.DimLength:
		return k == events.ToolDialIndicator
	case quantity.DimForce:
		return k == events.ToolPressGauge || k == events.ToolSpringScale && !w.press
	}
	return true
}

func kindName(k events.ToolKind) string { return strings.ReplaceAll(string(k), "_", " ") }

// condition sorts a tool's status word.
type condition int

const (
	good    condition = iota
	battery           // low, but the reading stands
	fault             // overload, out of range, or a word that is not known: the reading is not to be trusted
)

// conditionOf sorts a status word. A word that is not known is a fault: no
// fastener is called witnessed on a reading that its tool has doubts about.
func conditionOf(status string) condition {
	switch {
	case status == "" || status == "ok":
		return good
	case strings.Contains(status, "batt"):
		return battery
	}
	return fault
}

func day(at events.Instant) string { return at.Time().Format("2006-01-02") }
