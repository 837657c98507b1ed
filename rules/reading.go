package rules

import (
	"fmt"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/rules/trace"
)

// reading is what placing and judging need of a reading, whether it has just
// been taken or is claimed later.
type reading struct {
	seq     uint64
	tool    string
	bench   string
	mode    events.Mode
	text    string
	unit    string
	value   quantity.Value
	angle   quantity.Value
	at      events.Instant
	by      string // who typed it
	claimed string // reason, if a person assigned it
	stroke  *events.Stroke
	status  string

	trace    *trace.Features    // nil without one
	duration int64              // μs, 0: not told
	numbered bool               // by the tool's own counter
	taken    events.Instant     // by the tool's clock where it is known, else 0
	found    *events.TraceFound // what its trace told, nil without one
	unsound  string             // why the course of its trace is not to be relied on
	raw      *events.Trace      // the trace itself, of a reading just taken

	resolution quantity.Value
}

// slot is where a reading could count: a fastener in a pass of a torque step,
// or a measure step (fastener -1).
type slot struct {
	limits
	step, pass, fastener int
	tools, kinds         []string
	joint                *procedure.Joint // nil for a measure step
	press                bool             // a press step's
}

// taken decides on a reading. The order of the questions is the order of the
// evidence:
//
//  1. Can it be trusted at all: a value, a known tool, a known time?
//  2. Is there an active job at its bench (or named with a typed value)?
//  3. Did somebody point at a place? Then it is for that place.
//  4. Is it inside the limits of the current step's current pass? Then it is
//     for the next fastener there, whatever else it might also be.
//  5. Is it inside the limits of a later pass or step, done with a tool for
//     that? Then work went on, and what was left behind is raised. If the
//     number would also fit the current place in another unit, nobody can say
//     which it was: it stays unplaced, and the alert names both.
//  6. Does the current step want such a reading? Then it is low or high there.
//  7. Does it repeat the step before? Then it is a pull too many.
//  8. Else it stays unplaced.
//
// Settled values of an indicator are treated apart, see settledElsewhere.
func (t *tx) taken(e events.ReadingTaken) {
	r := readingOf(&events.Entry{Seq: t.seq, Event: events.Event{Time: t.at}}, &e)
	if t.s.boxed(e.Device) {
		r.at = t.at // by the shop's clock, as all else
	}
	t.openFor(e)
	tool, known := t.tool(e.Tool)
	r.evaluate(e.Trace, tool.Reports.Threshold)
	var outrun string
	if t.late != nil {
		outrun = t.cameLate(r, *t.late)
	}
	switch {
	case !r.value.Finite():
		r.value = quantity.Value{}
		t.leaveUnplaced(r, events.AlertUnplaced, "it is no number", claimOrDismiss)
	case !known:
		t.leaveUnplaced(r, events.AlertUnknownTool, fmt.Sprintf("the shop file has no tool %q", e.Tool),
			"Put the tool into the shop file and assign the reading to it; or a lead claims it, or it is dismissed with a reason.")
	case outrun != "":
		t.leaveUnplaced(r, events.AlertUnplaced, outrun, claimOrDismiss)
	case t.s.careFor(e.Bench, e.Tool) != nil && e.Mode != events.ModeTyped:
		t.paired(r, t.s.careFor(e.Bench, e.Tool), e.Stale)
	case e.Stale:
		t.leaveUnplaced(r, events.AlertUnplaced, "it had waited in the line before the port was opened, so its time is not known", claimOrDismiss)
	default:
		t.battery(r)
		t.place(r, &tool)
	}
	t.overload(r, &tool)
	t.follow()
}

// readingOf is what placing and judging need of a reading that has just been
// taken, but for what its trace tells.
func readingOf(e *events.Entry, d *events.ReadingTaken) *reading {
	r := &reading{
		seq: e.Seq, tool: d.Tool, bench: d.Bench, mode: d.Mode, text: d.Text, unit: d.Unit,
		value: d.Value, angle: d.Angle, at: e.Time, by: d.By, status: d.ToolStatus, stroke: d.Stroke, duration: d.DurationUs, taken: d.TakenAtUs, numbered: d.ToolCounter != nil,
		raw: d.Trace, resolution: d.Resolution,
	}
	if d.ReceivedAtUs != 0 {
		r.at = d.ReceivedAtUs
	}
	return r
}

const claimOrDismiss = "Claim it for the fastener it belongs to, or dismiss it with a reason."

// openFor takes the job at the reading's bench, or the one that a typed value
// names, into the decision, and says who did it.
func (t *tx) openFor(e events.ReadingTaken) {
	id := t.s.BenchJob[e.Bench]
	if e.Mode == events.ModeTyped && e.Job != "" {
		if id = e.Job; t.s.Jobs[id] == nil || t.s.Jobs[id].Status != JobActive {
			id = ""
		}
	}
	t.open(id)
	t.by = e.By
	if t.job != nil && t.by == "" {
		t.by = t.job.Technician
	}
}

// place finds where a trusted reading belongs; see taken.
func (t *tx) place(r *reading, tool *toolDates) {
	switch {
	case r.mode == events.ModeTyped && !t.s.works(r.by):
		t.leaveUnplaced(r, events.AlertUnplaced, fmt.Sprintf("%q, who typed it, is no technician or lead of this shop", r.by), claimOrDismiss)
	case t.job == nil:
		t.noJob(r)
	case t.pressing(r, tool):
	case t.job.Audit != nil && r.mode != events.ModeTyped && r.value.Dimension() == quantity.DimTorque:
		t.audit(r, tool)
	case r.value.Dimension() == quantity.DimTorque && r.value.Base() < 0:
		t.leaveUnplaced(r, events.AlertUnplaced, "it was pulled in the loosening direction",
			"If a fastener was slackened, a lead sends it back to be done again. Dismiss the reading with a reason.")
	default:
		t.placeInJob(r, tool)
	}
}

// noJob keeps a reading at a bench where nothing is being worked on.
func (t *tx) noJob(r *reading) {
	why := fmt.Sprintf("no job is active at bench %q", r.bench)
	switch {
	case r.mode == events.ModeSettled:
		t.keep(r, "", why)
	case conditionOf(r.status) == fault:
		t.leaveUnplaced(r, events.AlertToolStatus, fmt.Sprintf("the tool says %q, and %s", r.status, why), checkTool)
	default:
		t.leaveUnplaced(r, events.AlertUnplaced, why, claimOrDismiss)
	}
}

const checkTool = "Check the tool before it is used again. Claim the reading or dismiss it with a reason."

func (t *tx) placeInJob(r *reading, tool *toolDates) {
	w, grade, open := t.job.expected()
	if open && grade != events.Placed {
		t.pastClosing(&w, r, tool)
		t.stillSameOne(&w, r)
	}
	if grade != events.Placed {
		if at, ok := t.pastLeft(&w, open, r, tool); ok {
			w, grade, open = at, at.grade(), true
		}
	}
	wants := open && w.takes(r)
	var misfit string
	other := false
	if wants {
		misfit, other = tool.misfit(&w, r.at)
	}
	fits := wants && misfit == ""
	switch {
	case t.guidedReading(r, tool):
	case r.mode == events.ModeSettled:
		t.settledValue(r, tool, &w, wants && !other, misfit)
	case conditionOf(r.status) == fault && !(fits && w.joint != nil):
		t.leaveUnplaced(r, events.AlertToolStatus, fmt.Sprintf("the tool says %q", r.status), checkTool)
	case conditionOf(r.status) != fault && fits && w.joint != nil && grade != events.Placed && !t.job.Steps[w.step].begun() && t.again(r):
	case conditionOf(r.status) != fault && fits && grade != events.Placed && (t.onceMoreBeforeClosing(&w, r) || t.turnedInClosing(&w, r) || t.lowBeforeClosing(&w, r)):
	case conditionOf(r.status) != fault && fits && grade != events.Placed && w.holds(r.value) && (t.staysOn(&w, r, tool) || t.wentOn(&w, r, tool)):
	case conditionOf(r.status) == fault, fits && (grade == events.Placed || w.holds(r.value)):
		t.count(&w, r, tool, grade)
	default:
		t.elsewhere(r, tool, &w, wants, misfit)
	}
}

// again sets a pull aside that is surely one more on the joint before.
func (t *tx) again(r *reading) bool {
	step, ok := t.surelyRepeat(r)
	return ok && t.oneMore(r, step)
}

// settledValue decides on a value that an indicator gave by itself once it
// stood still. An indicator that lies on the bench and is moved, or is being
// set up, gives such values all the time; to take them for work that went on
// would cry wolf. So a settled value counts only where the current step
// measures with such a tool. Elsewhere it is kept without an alert: it can be
// claimed, and what was left behind is still found by the next pull, the next
// confirmation, the pause and the release.
func (t *tx) settledValue(r *reading, tool *toolDates, w *slot, wanted bool, misfit string) {
	switch {
	case !wanted:
		t.keep(r, "", "the current step does not measure with this tool")
	case conditionOf(r.status) == fault:
		t.keep(r, "", fmt.Sprintf("the tool says %q", r.status))
	case misfit != "":
		t.wrongTool(r, w, misfit)
	default:
		t.count(w, r, tool, "")
	}
}

// elsewhere decides on a pull, a typed value or one sent on a key that is not
// simply one more for the expected place: questions 5 to 8 of taken.
func (t *tx) elsewhere(r *reading, tool *toolDates, w *slot, wants bool, misfit string) {
	fits := wants && misfit == ""
	if t.tooHigh(w, r) && t.takeBack(w.step) {
		t.placeInJob(r, tool)
		return
	}
	if wants && !t.job.Steps[w.step].begun() && (fits && t.tooFarAtNext(w, r) || t.repeated(r, wants)) {
		return
	}
	if fits && t.oneMoreBefore(r, w) {
		return
	}
	if fits && t.onChecker(w, r, nil) {
		return
	}
	if wants && w.joint != nil && t.laterPass(r, tool, w, fits) {
		return
	}
	later, went := t.job.later(r, tool)
	if went && fits && t.onChecker(w, r, &later) {
		return
	}
	if !went && t.moreWhereWorking(r) {
		return
	}
	if fits && t.unfinished(w, r, tool) {
		t.count(w, r, tool, w.grade())
		return
	}
	if went && fits && t.justHigh(w, r, &later) {
		t.count(w, r, tool, w.grade())
		return
	}
	if went {
		if meant, slipped := w.slip(r.value, r.unit); fits && slipped && !w.loose() && !t.job.sameUnit(w, r) {
			t.eitherSlipOr(r, w, meant, &later)
			return
		}
		if fits && later.joint != nil && t.job.mayGoOn(w) && t.goOn(w, stretch{later.step, later.pass}, r, tool, eitherWrong) {
			return
		}
		t.count(&later, r, tool, later.grade())
		return
	}
	switch {
	case wants && !fits:
		t.wrongTool(r, w, misfit)
	case t.repeated(r, wants):
	case fits && (t.swingBeyond(w, r, tool) || t.swingOfBefore(w, r) || t.onNothing(w, r)):
	case fits:
		t.count(w, r, tool, w.grade())
	case t.swingAfter(r):
	default:
		t.leaveUnplaced(r, events.AlertUnplaced, "it fits no step that is open", claimOrDismiss)
	}
}

// unfinished reports whether a pull that would fit a later step is rather an
// unfinished one at the expected place, by what it and the pulls before it tell
// (see boundary.go). A third one in a row is taken for work that went on.
func (t *tx) unfinished(w *slot, r *reading, tool *toolDates) bool {
	if !t.job.Weighed || w.joint == nil || w.joint.Passes[w.pass].Closing || !w.mayBeSwing(r) || t.lowInARow(w, r) >= mostSwings {
		return false
	}
	later, ok := t.job.later(r, tool)
	if !ok || t.job.openBetween(w.step, later.step) {
		return true
	}
	if len(t.job.Steps[w.step].Weigh[w.pass].Log) == 0 { // nothing is known of its pulls yet
		return t.inTheMiddle(w) || !later.aimedAt(r) || t.mostlySwings(w)
	}
	_, odds, _ := t.oddsOfGoingOn(w, stretch{later.step, later.pass}, r)
	if open, _ := t.job.openOf(stretch{w.step, w.pass}); open > 1 {
		return odds < wentOnSure/(1-wentOnSure) // the next pull will tell
	}
	return odds < 1
}

// inTheMiddle reports whether a joint's pass has been begun, and more than a
// quarter of its fasteners are still to be pulled.
func (t *tx) inTheMiddle(w *slot) bool {
	st := &t.job.Steps[w.step]
	open := 0
	for _, k := range w.joint.Passes[w.pass].Order {
		if f := &st.Fasteners[k]; !f.Held && !f.doneIn(w.pass) {
			open++
		}
	}
	return st.begun() && open > 1 && 4*open > len(w.joint.Passes[w.pass].Order)
}

// paceLeast is the least usual time between pulls that says anything of where
// they were, μs: quicker ones came together from a tool that had kept them, or
// from a machine.
const paceLeast = 350_000

// mostSwings is how many unfinished pulls in a row are nothing strange. Our
// choice.
const mostSwings = 2

// lowInARow counts the low pulls at the end of what a pass has had, but for those
// that the next one topped: further swings on the same fastener.
func (t *tx) lowInARow(w *slot, r *reading) int {
	pulls := t.job.Steps[w.step].Weigh[w.pass].pulls()
	n, next := 0, r.value.Base()
	for i := len(pulls) - 1; i >= 0 && pulls[i].Pull.Torque.Base() < w.lsl.Base(); i-- {
		x := pulls[i].Pull.Torque.Base()
		if next < float64(tops*x) {
			n++
		}
		next = x
	}
	return n
}

// repeated keeps a pull that is one too many for the step before, if it is.
func (t *tx) repeated(r *reading, wants bool) bool {
	before, ok := t.job.repeats(r, wants)
	if ok && t.oneMore(r, before) {
		return true
	}
	if ok {
		t.unplacedAt(r, events.AlertExtraPull, before, fmt.Sprintf("%s already has a pull for each of its fasteners", t.job.title(before)),
			"Check that each fastener was pulled once: one may have been pulled twice and another not at all. Point at the fastener and pull it, or dismiss the reading with a reason.")
	}
	return ok
}

// wrongTool keeps a reading of a tool that may not do the expected work. It is
// no witness until a lead claims it.
func (t *tx) wrongTool(r *reading, w *slot, misfit string) {
	t.unplacedAt(r, events.AlertWrongTool, w.step, fmt.Sprintf("%s is the wrong tool for %s: %s", t.s.toolName(r.tool), t.job.title(w.step), misfit),
		"Take the right tool and pull again. A lead may claim the reading; else dismiss it with a reason.")
}

// eitherSlipOr keeps a reading that may be one for the expected place in the
// wrong unit, or one for a later step: the number explains both, and a guess
// could call the wrong fastener witnessed.
func (t *tx) eitherSlipOr(r *reading, w *slot, meant quantity.Unit, later *slot) {
	t.unplacedAt(r, events.AlertUnitSlip, -1, fmt.Sprintf(
		"%s may be %s %s for %s, which wants %s, with the tool set to the wrong unit; or it was for %s, which wants %s, and what comes before was left",
		r.said(w.unit), r.text, meant.Symbol(), t.job.where(w), w.wanted(), t.job.where(later), later.wanted()),
		"Stop. Look at the tool's unit and at the part. Claim the reading for the fastener it belongs to, or dismiss it and pull again.")
}

// leaveUnplaced keeps a reading and raises an alert that asks what it was.
func (t *tx) leaveUnplaced(r *reading, kind events.AlertKind, why, todo string) {
	t.unplacedAt(r, kind, -1, why, todo)
}

func (t *tx) unplacedAt(r *reading, kind events.AlertKind, step int, why, todo string) {
	a := events.AlertRaised{
		Kind: kind, Bench: r.bench, Tool: r.tool, Reading: r.seq,
		Text: fmt.Sprintf("%s of %s counts for nothing yet: %s.", r.said(quantity.Unit{}), t.s.toolName(r.tool), why), Todo: todo,
	}
	if t.job != nil {
		a.Job, a.Blocks = t.job.ID, true
		if step >= 0 {
			a.Step = t.job.Proc.Steps[step].ID
		}
	}
	// The alert's id is needed by the reading, which is told first.
	id := t.same(&a)
	if id == "" {
		id = t.nextAlert()
	}
	t.keep(r, id, why)
	t.raise(a)
}

// keep keeps an unplaced reading.
func (t *tx) keep(r *reading, alert, why string) {
	u := events.ReadingUnplaced{
		Reading: r.seq, Bench: r.bench, Tool: r.tool, Value: r.value, Text: r.text, Unit: r.unit,
		Angle: r.angle, AtUs: r.at, Alert: alert, Why: why, By: r.by,
	}
	if t.job != nil {
		u.Job = t.job.ID
		if u.By == "" {
			u.By = t.job.Technician
		}
	}
	t.add(u)
}

// battery raises an alert for a tool whose battery is low, and settles it once
// the tool is well again. The reading stands.
func (t *tx) battery(r *reading) {
	switch conditionOf(r.status) {
	case battery:
		t.raise(events.AlertRaised{
			Kind: events.AlertToolStatus, Bench: r.bench, Tool: r.tool,
			Text: fmt.Sprintf("The battery of %s is low.", t.s.toolName(r.tool)), Todo: "Charge or change it. Readings still count.",
		})
	case good:
		for a := range t.openAlerts("") {
			if a.Kind == events.AlertToolStatus && a.Tool == r.tool && a.Reading == 0 {
				t.settle(a.Alert, "", "the tool no longer says so")
				break
			}
		}
	}
}
