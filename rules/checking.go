package rules

import (
	"fmt"
	"math"
	"strconv"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
	"witnessmark/rules/drift"
)

// usualPulls is how many pulls a quick check takes. Common practice, no source.
const usualPulls = 3

// falseUnusual is how often a healthy tool's check is called unusual. Our
// choice: about once in a hundred shifts.
const falseUnusual = 0.01

// checkAsked begins a quick check of a torque tool on the bench tester.
func (t *tx) checkAsked(r *request, d events.CheckAsked) {
	if t.s.index.people[r.By].Role != events.RoleMetrology && !t.mayWork(r) {
		return
	}
	tool, ref, ok := t.bothTools(r, d.Tool, d.Reference, d.WithinS)
	if !ok {
		return
	}
	o := events.CheckOpened{
		Check: "K" + strconv.FormatUint(t.seq, 10), Tool: d.Tool, Reference: d.Reference, Bench: r.Bench, Point: d.Point, Pulls: d.Pulls,
		Setting: t.shows(&tool), WithinUs: int64(d.WithinS) * 1_000_000, By: r.By, AtUs: t.at,
	}
	if o.WithinUs == 0 {
		o.WithinUs = usualWithin.Microseconds()
	}
	if o.Pulls == 0 {
		o.Pulls = usualPulls
	}
	if o.Point.IsZero() {
		o.Point = usualPoint(&tool)
	}
	limit := limitOf(&tool)
	switch {
	case tool.Most.Dimension() != quantity.DimTorque:
		t.refuse(r, "wrong_quantity", fmt.Sprintf("%s is no torque tool", t.s.toolName(d.Tool)), "Calibrate an indicator on gauge blocks.")
		return
	case limit == 0:
		t.refuse(r, "no_limit", fmt.Sprintf("the shop file gives neither class nor max_deviation of %s", t.s.toolName(d.Tool)), "Put its type and class by ISO 6789-1 into the shop file.")
		return
	case o.Pulls < 2 || o.Pulls > 20:
		t.refuse(r, "bad_pulls", fmt.Sprintf("%d pulls: want 2 to 20", o.Pulls), "Take three.")
		return
	}
	if wrong := t.outOfRange([]events.CalibrationPair{{Point: o.Point}}, &tool, &ref); len(wrong) > 0 {
		t.refuse(r, "point_outside", "the point cannot be taken", "Choose a point within both ranges.", wrong...)
		return
	}
	notes, ok := t.openingNotes(r, &tool, &ref, events.PhaseFound, []events.CalibrationPair{{Point: o.Point}})
	if !ok {
		return
	}
	o.Note = notes
	t.add(o)
}

// usualPoint is that of the tool's last check, else 60 % of its capacity: the
// middle point of ISO 6789-1.
func usualPoint(tool *toolDates) quantity.Value {
	if n := len(tool.reg.Checks); n > 0 {
		return tool.reg.Checks[n-1].Point
	}
	return tool.Most.WithBase(max(tool.Least.Base(), 0.6*tool.Most.Base()))
}

func (t *tx) checkDropAsked(r *request, d events.CheckDropAsked) {
	p := t.openPairing(r, "", d.Check)
	if p == nil || !t.mayPair(r, p) || !t.reasoned(r, d.Reason) {
		return
	}
	if p.check == "" {
		t.refuse(r, "is_calibration", "it is a calibration", "Drop the calibration.")
		return
	}
	t.add(events.CheckDropped{Check: p.check, Tool: p.tool, By: r.By, Reason: d.Reason})
}

// checkDone judges a check of which the last pull has come.
func (t *tx) checkDone(p *pairing, pairs []events.CalibrationPair) {
	tool, _ := t.tool(p.tool)
	ref, _ := t.tool(p.reference)
	c := tool.reg.Check
	o := events.CheckJudged{
		Check: c.Check, Tool: c.Tool, Reference: c.Reference, Bench: c.Bench, Point: c.Point, Permitted: limitOf(&tool), Note: c.Note,
		Cycles: tool.reg.Cycles, By: c.By, AtUs: t.at,
	}
	for i := range pairs {
		o.Deviations = append(o.Deviations, calibration.Deviation(quantity.NewtonMetres(pairs[i].Tool.Base()), quantity.NewtonMetres(pairs[i].Reference.Base())))
	}
	for _, x := range o.Deviations {
		o.Deviation += x / float64(len(o.Deviations))
	}
	res := 100 * tool.Resolution.Base() / c.Point.Base()
	if b, err := calibration.ToolBudget(refU(&ref, c.Point), res, o.Deviations, calibration.Influences{}); err == nil {
		o.U = b.Expanded()
	}
	o.Standing = checkStanding(&o)
	t.againstHistory(&o, tool.reg)
	if exchanged(pairs, &tool, &ref) {
		o.Standing, o.Unusual = events.StandingUnknown, true
		o.Why = fmt.Sprintf("The readings of %s stand between its own steps of %s, and those of %s on them: the two look exchanged, and it says nothing of either.",
			t.s.toolName(tool.ID), show(tool.Resolution, quantity.Unit{}), t.s.toolName(ref.ID))
	}
	t.add(o)
	switch {
	case o.Standing == events.StandingBad:
		t.foundOff(&tool, events.PhaseFound, "quick check "+o.Check, c.By, c.Bench)
	case o.Standing == events.StandingUnknown:
		t.raise(events.AlertRaised{Kind: events.AlertToolUnusual, Bench: c.Bench, Tool: c.Tool,
			Text: fmt.Sprintf("Quick check %s gave no verdict. %s", c.Check, o.Why),
			Todo: "Look which tool is on which line, and at their steps in the shop file. Then check it again."})
	case o.Unusual:
		t.raise(events.AlertRaised{Kind: events.AlertToolUnusual, Bench: c.Bench, Tool: c.Tool,
			Text: fmt.Sprintf("%s: quick check %s is unusual. %s", t.s.toolName(c.Tool), c.Check, o.Why),
			Todo: "Check it once more with care. If it stays so, have it calibrated. It may be used meanwhile: it is inside its limits."})
	}
}

// exchanged reports whether tool and reference of a check look exchanged.
func exchanged(pairs []events.CalibrationPair, tool, ref *toolDates) bool {
	both := make([]calibration.Pair, len(pairs))
	for i, p := range pairs {
		both[i] = calibration.Pair{Target: quantity.NewtonMetres(p.Point.Base()), Tool: quantity.NewtonMetres(p.Tool.Base()), Reference: quantity.NewtonMetres(p.Reference.Base())}
	}
	c, _ := calibration.ParseClass(tool.Class) // none: it shows what it reads
	return !c.Setting() && calibration.Exchanged(both, quantity.NewtonMetres(tool.Resolution.Base()), quantity.NewtonMetres(ref.Resolution.Base()))
}

// checkStanding holds the mean to the permitted deviation: outside it is bad,
// within the guard band w = U inside it in doubt.
func checkStanding(o *events.CheckJudged) events.Standing {
	switch a := math.Abs(o.Deviation); {
	case !(a <= o.Permitted):
		return events.StandingBad
	case a > o.Permitted-o.U:
		return events.StandingDoubt
	}
	return events.StandingGood
}

// againstHistory compares a check with the tool's earlier ones at that point.
func (t *tx) againstHistory(o *events.CheckJudged, n *Tool) {
	var history [][]float64
	for _, c := range n.Checks {
		if math.Abs(c.Point.Base()-o.Point.Base()) <= 0.02*o.Point.Base() {
			history = append(history, c.Deviations)
		}
	}
	o.History = len(history)
	o.Why = fmt.Sprintf("It reads %+.2f %% off, U = %.2f %%, permitted is ±%.3g %%.", o.Deviation, o.U, o.Permitted)
	q, err := drift.QuickCheck(history, o.Deviations, falseUnusual)
	if err != nil {
		o.Why += fmt.Sprintf(" There are %d earlier checks at this point; from %d on they tell what is usual for it.", len(history), drift.LeastQuick)
		return
	}
	o.Expected, o.Room, o.Unusual = q.Usual, (q.Upper-q.Lower)/2, q.Off || q.Wild
	switch {
	case q.Off:
		o.Why += fmt.Sprintf(" That is not usual for it: by its %d earlier checks %+.2f to %+.2f %% is.", q.Checks, q.Lower, q.Upper)
		if back := 100 * (100/(100+o.Deviation) - 1); q.Lower <= back && back <= q.Upper {
			o.Why += fmt.Sprintf(" The other way round it would be %+.2f %%, as usual: make sure that tool and reference were not exchanged.", back)
		}
	case q.Wild:
		o.Why += fmt.Sprintf(" Its pulls scatter more than usual: by its %d earlier checks a standard deviation up to %.2f %% is usual, these have %.2f %%.", q.Checks, q.Most, q.SD)
	default:
		o.Why += fmt.Sprintf(" That is usual for it: by its %d earlier checks %+.2f to %+.2f %% is.", q.Checks, q.Lower, q.Upper)
	}
}
