package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// guidedReading takes a reading into the guided measurement that is on: one
// that was typed, or sent on a key, is a point; one on which a streaming tool
// settled is in the samples already. It reports whether it has answered the reading.
func (t *tx) guidedReading(r *reading, tool *toolDates) bool {
	i, spec, ok := t.job.guidedNow()
	if r.claimed != "" {
		return false
	}
	if now := ok && r.value.Dimension() == spec.Dimension(); !now && t.stillThere(r) {
		t.add(events.ReadingGuided{Reading: r.seq, Job: t.job.ID, Step: t.job.Rest.Step, Why: "the tip still stood where the measurement ended"})
		return true
	}
	if !ok {
		return false
	}
	w, _ := t.job.measureSlot(i)
	if f, force := r.value.Force(); force && spec.Method == gauge.Drag && spec.Arm.Millimetres() > 0 {
		if conditionOf(r.status) == fault || len(w.tools) > 0 && !slices.Contains(w.tools, r.tool) ||
			len(w.kinds) > 0 && !slices.Contains(w.kinds, string(tool.Kind)) || tool.unfit(r.at) != "" && !tool.allowed {
			return false
		}
		if t.forceWrong(i, r, tool) {
			return true
		}
		t.guidedPoint(i, r, tool, gauge.AtArm(f, spec.Arm).Value(), fmt.Sprintf("%s at %s", r.said(quantity.Unit{}), show(spec.Arm.Value(), quantity.Millimetre)))
		return true
	}
	if r.value.Dimension() != spec.Dimension() {
		return false
	}
	misfit, other := tool.misfit(&w, r.at)
	switch {
	case other || conditionOf(r.status) == fault:
		return false
	case r.mode == events.ModeSettled && slices.Contains(t.job.Streaming, r.tool):
		t.add(events.ReadingGuided{Reading: r.seq, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Why: "the guided measurement looks into the samples themselves"})
		return true
	case misfit != "":
		return false // the wrong tool, as anywhere
	case spec.Method == gauge.Drag && r.mode == events.ModePeak:
		return t.dragged(i, r, tool)
	}
	t.guidedPoint(i, r, tool, r.value, "")
	return true
}

// forceWrong says why a force at the arm cannot be the drag, if so: the scale is
// at its end or hardly pulled, or a press gauge told a peak, which is what it
// took to start. The reading is kept.
func (t *tx) forceWrong(i int, r *reading, tool *toolDates) bool {
	v := math.Abs(r.value.Base())
	force := tool.Most.Dimension() == quantity.DimForce
	code, text, todo := "", "", ""
	switch {
	case force && !(v >= tool.Least.Base() && v <= tool.Most.Base()):
		code, text = "beyond_scale", fmt.Sprintf("%s told %s: its range is %s to %s.", t.s.toolName(r.tool), r.said(quantity.Unit{}), show(tool.Least, quantity.Unit{}), show(tool.Most, quantity.Unit{}))
		todo = "Take a scale whose range holds it, or hook it on at another radius that the procedure allows."
	case tool.Kind == events.ToolPressGauge && r.mode == events.ModePeak:
		code, text = "peak_only", fmt.Sprintf("%s told %s, its peak, which is what it took to start. Drag is the force while it turns.", t.s.toolName(r.tool), r.said(quantity.Unit{}))
		todo = "Read it while it turns, and type the value."
	default:
		return false
	}
	t.add(events.ReadingGuided{Reading: r.seq, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Why: text})
	t.trouble(i, code, text, todo)
	return true
}

// pulledAtArm reports whether a force is wanted now: that of a spring scale at a
// known radius, for a drag torque.
func (j *Job) pulledAtArm() bool {
	_, spec, ok := j.guidedNow()
	return ok && spec.Method == gauge.Drag && spec.Arm.Millimetres() > 0
}

// restLate is how long after a guided measurement its indicator may still tell
// where it stood at the end; our own choice.
const restLate = 4 * time.Second

// stillThere reports whether a settled reading only tells where the indicator of
// the guided measurement before stood at its end: the measurement is quicker to
// take a value than the tool's own rest.
func (t *tx) stillThere(r *reading) bool {
	x := t.job.Rest
	if x == nil || r.mode != events.ModeSettled || r.tool != x.Tool || r.value.Dimension() != x.V.Dimension() {
		return false
	}
	apart := math.Abs(float64(r.at.Sub(x.AtUs)))
	return apart <= float64(restLate) && math.Abs(r.value.Base()-x.V.Base()) <= 10*max(r.resolution.Base(), usualStep)
}

// guidedPoint takes a reading as the next point.
func (t *tx) guidedPoint(i int, r *reading, tool *toolDates, v quantity.Value, note string) {
	if g := t.job.Steps[i].Guided; g == nil || g.Tool != r.tool && len(g.Points) == 0 || g.Unit == "" {
		t.start(i, r.tool, r.unit)
	}
	g := t.job.Steps[i].Guided
	spec := *t.job.Proc.Steps[i].Measure.Gauge
	ask := spec.Next(g.points(), g.step())
	p := events.PointTaken{Value: v, Resolution: r.resolution, Text: r.text, Unit: r.unit, Fact: r.seq, AtUs: r.at, Typed: r.mode == events.ModeTyped, By: r.by, Note: note}
	if f, force := p.Resolution.Force(); force && v.Dimension() == quantity.DimTorque {
		p.Resolution = gauge.AtArm(f, spec.Arm).Value()
	} else if p.Resolution.Dimension() != v.Dimension() {
		p.Resolution = quantity.Value{}
	}
	switch {
	case spec.Whole() && len(g.Points) <= 1: // read by eye: the whole
		if len(g.Points) == 1 {
			t.add(events.PointDropped{Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Index: 0, By: p.By, Why: "the whole was typed"})
		}
		p.Kind = string(gauge.Value)
	case spec.Whole():
		t.start(i, r.tool, r.unit)
		p.Kind = string(gauge.Value)
	case spec.Method == gauge.Backlash: // read by eye: this place
		p.Kind = string(gauge.Place)
	}
	t.point(i, &ask, p)
	if st := &t.job.Steps[i]; spec.Next(st.Guided.points(), st.Guided.step()).Done {
		t.result(i, tool, nil)
	}
}

// dragged takes a torque tool's trace as a drag torque. A peak alone is what
// it took to start, and no drag.
func (t *tx) dragged(i int, r *reading, tool *toolDates) bool {
	d, err := gauge.Dragged{}, gauge.ErrDrag
	if r.raw != nil {
		d, err = gauge.FindDrag(r.raw.Torque, r.raw.Angle)
	}
	if err != nil {
		t.add(events.ReadingGuided{Reading: r.seq, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Why: "only the peak is known, and that is the start"})
		t.trouble(i, "peak_only", fmt.Sprintf("%s told %s, its peak, which is what it took to start. Drag is the torque while it turns.", t.s.toolName(r.tool), r.said(t.unitOf(i))),
			"Use a tool that sends its trace and turn for more than a turn; or read a beam or a spring scale while it turns, and type the value.")
		return true
	}
	note := fmt.Sprintf("start of %s left out", show(d.Peak.Value(), t.unitOf(i)))
	if over := d.Over.Degrees(); over > 0 {
		note += fmt.Sprintf(", averaged over %.0f°", over)
	}
	t.guidedPoint(i, r, tool, d.Mean.Value(), note)
	return true
}

// measureAsked answers what a person asks of a guided measurement.
func (t *tx) measureAsked(r *request, d events.MeasureAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	m := t.job.Proc.Steps[i].Measure
	switch st := &t.job.Steps[i]; {
	case m == nil || m.Gauge == nil:
		t.refuse(r, "not_guided", fmt.Sprintf("%s is no guided measurement", t.job.title(i)), "Take its value as it comes.")
		return
	case i != t.job.current():
		t.refuse(r, "not_now", fmt.Sprintf("%s is not being measured now", t.job.title(i)), "Do the step that is due; a lead can send a finished one back.")
		return
	case d.Do == events.MeasureAgain && (st.Value != nil || st.Guided != nil):
		t.measureAgain(r, &d, i)
	case st.Value != nil || st.Guided == nil:
		t.refuse(r, "not_begun", fmt.Sprintf("nothing of %s has been taken", m.What), "Set the indicator; the first value is taken by itself.")
		return
	default:
		t.guidedDo(r, &d, i)
	}
	t.follow()
}

// measureAgain measures once more. A result within its limits has finished the step,
// so only one that is out of limits is here.
func (t *tx) measureAgain(r *request, d *events.MeasureAsked, i int) {
	if t.job.Steps[i].Value != nil {
		t.add(events.FastenerReset{Job: d.Job, Step: d.Step, By: r.By, Reason: "measured again"})
	}
	t.endGuided(i, r.By, "measured again")
}

func (t *tx) guidedDo(r *request, d *events.MeasureAsked, i int) {
	g := t.job.Steps[i].Guided
	spec := *t.job.Proc.Steps[i].Measure.Gauge
	ask := spec.Next(g.points(), g.step())
	tool := t.s.index.tools[g.Tool]
	switch d.Do {
	case events.MeasureBack:
		if len(g.Points) == 0 {
			t.refuse(r, "no_point", "no point has been taken yet", "Go on.")
			return
		}
		t.add(events.PointDropped{Job: d.Job, Step: d.Step, Index: len(g.Points) - 1, By: r.By, Why: "taken once more"})
	case events.MeasureMoved:
		t.add(events.PlaceReached{Job: d.Job, Step: d.Step, By: r.By, AtUs: t.at})
		t.advance(i, &tool)
	case events.MeasureTake:
		t.takeNow(r, i, &tool, &ask)
	case events.MeasureMark:
		if spec.Marks == 0 || !ask.Turning {
			t.refuse(r, "no_marks", "no marks are asked for now", "Do what the program asks for.")
			return
		}
		t.add(events.MarkPassed{Job: d.Job, Step: d.Step, By: r.By, AtUs: r.AtUs})
		if len(t.job.Steps[i].Guided.Marks) > spec.Marks {
			t.result(i, &tool, t.job.Steps[i].Guided.Trail)
		}
	case events.MeasureEnd:
		if !ask.Turning || len(g.Trail) < 20 {
			t.refuse(r, "no_turn", "there is no turn yet that could be done", "Turn the part once round while the indicator is connected.")
			return
		}
		t.result(i, &tool, g.Trail)
	default:
		t.refuse(r, "unknown_do", fmt.Sprintf("%q cannot be asked of a measurement", d.Do), "Use a button of the page.")
	}
}

// takeNow takes the value that stands there now, though it has hardly moved
// since the last point.
func (t *tx) takeNow(r *request, i int, tool *toolDates, ask *gauge.Ask) {
	g := t.job.Steps[i].Guided
	p, ok := t.stillness(i).Still(g.Trail)
	switch {
	case ask.Turning:
		t.refuse(r, "turning", "a turn is being taken, not a value at rest", "Turn the part; press “The turn is done” at its end if it is not noticed.")
	case !ok:
		t.refuse(r, "not_still", "the indicator does not stand still, or shows nothing", "Hold still for a second and press again.")
	default:
		t.point(i, ask, events.PointTaken{Value: p.V, Spread: p.Spread, Resolution: g.Step, Samples: p.Count, Fact: t.seq, FromUs: p.From, AtUs: p.To, By: r.By, Note: "taken by a press"})
		t.advance(i, tool)
	}
}
