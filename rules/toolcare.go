package rules

import (
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/rules/calibration"
)

// toolAsked answers requests about tools; false if d is another.
func (t *tx) toolAsked(r *request, d events.Asker) bool {
	switch d := d.(type) {
	case events.ToolMoveAsked:
		t.moveAsked(r, d)
	case events.ToolAdjustAsked:
		t.adjustAsked(r, d)
	case events.CertificateAsked:
		t.certificateAsked(r, d)
	case events.ReadingAssignAsked:
		t.assignAsked(r, d)
	case events.CalibrationAsked:
		t.calibrationAsked(r, d)
	case events.CalibrationPairAsked:
		t.pairAsked(r, d)
	case events.CalibrationUndoAsked:
		t.undoAsked(r, d)
	case events.CalibrationCloseAsked:
		t.closeAsked(r, d)
	case events.CalibrationDropAsked:
		t.dropAsked(r, d)
	case events.CheckAsked:
		t.checkAsked(r, d)
	case events.CheckDropAsked:
		t.checkDropAsked(r, d)
	default:
		return false
	}
	return true
}

// knownTool returns a tool of the register, or refuses.
func (t *tx) knownTool(r *request, id string) (toolDates, bool) {
	d, ok := t.tool(id)
	if !ok {
		t.refuseTool(r, id)
	}
	return d, ok
}

func (t *tx) moveAsked(r *request, d events.ToolMoveAsked) {
	if !t.mayCare(r, "change a tool's state or place") || !t.reasoned(r, d.Reason) {
		return
	}
	tool, ok := t.knownTool(r, d.Tool)
	if !ok {
		return
	}
	state, place := tool.reg.State, tool.reg.Place
	if d.State != "" {
		state = d.State
	}
	if d.Place != "" {
		place = d.Place
	}
	states := []events.ToolState{events.ToolInUse, events.ToolQuarantined, events.ToolAway, events.ToolRetired}
	switch {
	case !slices.Contains(states, state):
		t.refuse(r, "bad_state", fmt.Sprintf("%q is no state of a tool", state), "Choose in_use, quarantined, away or retired.")
	case state == tool.reg.State && place == tool.reg.Place: // so already
	case state == events.ToolInUse && tool.reg.State != state && tool.reg.Standing == events.StandingBad && !t.isLead(r.By):
		t.refuse(r, "found_off", fmt.Sprintf("%s was last found outside its limits", t.s.toolName(d.Tool)), "Adjust and calibrate it first. A lead may put it back into use with a reason.")
	default:
		t.add(events.ToolMoved{Tool: d.Tool, State: state, Place: place, By: r.By, Reason: d.Reason, AtUs: t.at})
	}
}

func (t *tx) isLead(person string) bool {
	return t.s.index.people[person].Role.Leads()
}

func (t *tx) adjustAsked(r *request, d events.ToolAdjustAsked) {
	if !t.mayCare(r, "record an adjustment") {
		return
	}
	tool, ok := t.knownTool(r, d.Tool)
	switch {
	case !ok:
	case d.What == "":
		t.refuse(r, "no_reason", "this needs what was done", "Say in a few words what was adjusted or mended: it stays in the record.")
	case tool.reg.Calibration != nil || tool.reg.Check != nil:
		t.refuse(r, "being_calibrated", fmt.Sprintf("%s is being calibrated or checked", t.s.toolName(d.Tool)), "Close or drop that first.")
	default:
		t.add(events.ToolAdjusted{Tool: d.Tool, What: d.What, By: r.By, Cycles: tool.reg.Cycles, AtUs: t.at})
	}
}

// assignAsked says which tool took a reading of one that nobody registered.
// The reading stays unplaced: it is then claimed like any other.
func (t *tx) assignAsked(r *request, d events.ReadingAssignAsked) {
	if !t.mayCare(r, "assign a reading to a tool") || !t.reasoned(r, d.Reason) {
		return
	}
	u, ok := t.unplacedReading(r, d.Reading)
	if !ok {
		return
	}
	tool, ok := t.knownTool(r, d.Tool)
	if !ok {
		return
	}
	_, registered := t.s.index.tools[u.Tool]
	a := t.s.Alerts[u.Alert]
	switch {
	case registered && (a == nil || a.Kind != events.AlertUnknownTool):
		t.refuse(r, "tool_known", fmt.Sprintf("reading %d is of %s, a tool of the register", d.Reading, t.s.toolName(u.Tool)), "Only a reading of a tool that nobody registered can be assigned.")
	case tool.Most.Dimension() != u.Value.Dimension():
		t.refuse(r, "wrong_quantity", fmt.Sprintf("reading %d is a %s, %s measures a %s", d.Reading, u.Value.Dimension(), t.s.toolName(d.Tool), tool.Most.Dimension()), "Name the tool that took it.")
	default:
		t.add(events.ReadingAssigned{Reading: d.Reading, Tool: d.Tool, By: r.By, Reason: d.Reason, AtUs: t.at})
	}
}

// isHash reports whether s is a SHA-256 in hexadecimal.
func isHash(s string) bool {
	b, err := hex.DecodeString(s)
	return err == nil && len(b) == 32
}

// convSlack is what a bound may be off by being converted from another unit.
func convSlack(t *toolDates) float64 { return 1e-9 * math.Abs(t.Most.Base()) }

// judgeResult fills in what a point of a certificate leaves open.
func judgeResult(p *events.CalibrationResult, k float64, rule calibration.Rule) {
	if p.Least == 0 && p.Most == 0 {
		p.Least, p.Most = p.Deviation, p.Deviation
	}
	if p.N == 0 {
		p.N = 1
	}
	if p.Permitted == 0 || p.U == 0 {
		if p.Standing == "" {
			p.Standing = events.StandingUnknown
		}
		return
	}
	v := rule.Decide(p.Deviation, p.U/k, calibration.Symmetric(p.Permitted))
	p.P = v.P
	if p.Accept == 0 {
		p.Accept = max(0, v.Upper)
	}
	if p.Standing == "" {
		p.Standing = standing(v)
	}
}

// standing is a verdict in one word: outside the limits is bad, inside but not
// accepted is in doubt.
func standing(v calibration.Verdict) events.Standing {
	switch {
	case v.Accept:
		return events.StandingGood
	case v.Inside:
		return events.StandingDoubt
	}
	return events.StandingBad
}

// worst is the standing of a tool by those of its points.
func worst(all []events.CalibrationResult) events.Standing {
	rank := []events.Standing{events.StandingGood, events.StandingUnknown, events.StandingDoubt, events.StandingBad}
	w := 0
	for i := range all {
		w = max(w, slices.Index(rank, all[i].Standing))
	}
	return rank[w]
}

// standOf sets what a certificate says of the tool, and until when it may be
// used.
func (t *tx) standOf(o *events.CertificateEntered, tool *toolDates) {
	if by := worst(o.Results); len(o.Results) > 0 {
		if o.Standing == "" {
			o.Standing = by
		}
		if by != o.Standing {
			o.Note = append(o.Note, fmt.Sprintf("the certificate says %s, its points by a guard band w = U say %s", o.Standing, by))
		}
	}
	if o.Standing != events.StandingGood {
		o.Due = ""
		return
	}
	if o.Due == "" {
		o.Due = dueAfter(tool, o.Date)
	}
	if o.Date < tool.Calibrated {
		o.Note = append(o.Note, fmt.Sprintf("it is older than what is known: calibrated %s", tool.Calibrated))
	}
}

// NeverDue is the due date of a tool that has no bound by the calendar.
const NeverDue = "9999-12-31"

// dueAfter is the last day of use of a tool calibrated on a day.
func dueAfter(tool *toolDates, date string) string {
	from, err := time.Parse(time.DateOnly, date)
	p := period(&tool.Tool)
	if err != nil || p.Months == 0 {
		return NeverDue
	}
	return from.AddDate(0, p.Months, 0).Format(time.DateOnly)
}

// foundOff takes a tool that was found outside its limits out of use and
// raises it. As found, its readings since it was last known good are in doubt.
func (t *tx) foundOff(tool *toolDates, phase events.Phase, by, person, bench string) {
	if tool.reg.State == events.ToolInUse {
		t.add(events.ToolMoved{Tool: tool.ID, State: events.ToolQuarantined, Place: tool.reg.Place, By: person,
			Reason: "found outside its limits by " + by, AtUs: t.at})
	}
	a := events.AlertRaised{Kind: events.AlertToolOff, Bench: bench, Tool: tool.ID,
		Text: fmt.Sprintf("%s was found outside its limits by %s. It is in quarantine.", t.s.toolName(tool.ID), by),
		Todo: "Do not use it. Adjust it and calibrate it as left, or retire it."}
	if phase == events.PhaseFound {
		a.Todo = fmt.Sprintf("Do not use it. What it tightened and measured since it was last known good is in doubt: begin a recall (witnessmark tool recall %s). Then adjust it and calibrate it as left.", tool.ID)
	}
	t.raise(a)
}
