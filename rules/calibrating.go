package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// usualWithin is within which time the two readings of a pair come. Our choice.
const usualWithin = 60 * time.Second

// calibrationAsked opens a calibration at a bench. Bad input is refused before
// anybody pulls.
func (t *tx) calibrationAsked(r *request, d events.CalibrationAsked) {
	if !t.mayCare(r, "calibrate a tool") {
		return
	}
	tool, ref, ok := t.bothTools(r, d.Tool, d.Reference, d.WithinS)
	if !ok {
		return
	}
	o := events.CalibrationOpened{
		Calibration: "C" + strconv.FormatUint(t.seq, 10), Tool: d.Tool, Reference: d.Reference, Bench: r.Bench, Phase: d.Phase, Rule: d.Rule,
		WithinUs: int64(d.WithinS) * 1_000_000, By: r.By, AtUs: t.at,
	}
	if o.WithinUs == 0 {
		o.WithinUs = usualWithin.Microseconds()
	}
	if o.Rule == "" {
		o.Rule = "guard"
	}
	if o.Phase != events.PhaseFound && o.Phase != events.PhaseLeft {
		t.refuse(r, "bad_phase", fmt.Sprintf("phase %q: want found or left", o.Phase), "Say found for a tool as it came from work, left for one that has been adjusted.")
		return
	}
	if _, err := ParseRule(o.Rule); err != nil {
		t.refuse(r, "bad_rule", err.Error(), "Choose simple, guard, or p=0.98.")
		return
	}
	plan, wrong := planOf(&tool, &d)
	if len(wrong) == 0 {
		wrong = t.outOfRange(plan, &tool, &ref)
	}
	if len(wrong) > 0 {
		t.refuse(r, "plan_wrong", "there is no plan for this calibration", "Put right what is listed, in the shop file or in the request.", wrong...)
		return
	}
	o.Plan = plan
	o.Setting = t.shows(&tool)
	if o.Note, ok = t.openingNotes(r, &tool, &ref, o.Phase, plan); ok {
		t.add(o)
	}
}

// shows reports whether a tool is a setting one that sends nothing, so that its
// value is what it is set to.
func (t *tx) shows(tool *toolDates) bool {
	c, err := calibration.ParseClass(tool.Class)
	return err == nil && c.Setting() && !t.s.talks(tool.ID)
}

// talks reports whether a tool has a device.
func (s *State) talks(tool string) bool {
	return slices.ContainsFunc(s.Shop.Devices, func(d events.Device) bool { return d.Tool == tool })
}

// ParseRule reads a decision rule: "simple", "guard" (w = U), or "p=0.98".
func ParseRule(s string) (calibration.Rule, error) {
	r := calibration.Rule{Kind: calibration.RuleKind(s), Guard: 1}
	switch least, isP := strings.CutPrefix(s, "p="); {
	case s == "simple":
		r.Guard = 0
	case isP:
		p, err := strconv.ParseFloat(least, 64)
		if err != nil {
			return r, fmt.Errorf("decision rule %q: want simple, guard, or p= and a probability", s)
		}
		r = calibration.Rule{Kind: calibration.Confident, Least: p}
	}
	return r, r.Check()
}

// bothTools returns the tool and the reference of a calibration or check, or
// refuses what cannot be begun with them.
func (t *tx) bothTools(r *request, toolID, refID string, withinS int) (tool, ref toolDates, ok bool) {
	if tool, ok = t.knownTool(r, toolID); !ok {
		return tool, ref, false
	}
	if ref, ok = t.knownTool(r, refID); !ok {
		return tool, ref, false
	}
	name, refName := t.s.toolName(toolID), t.s.toolName(refID)
	at := ""
	if n := t.s.care(r.Bench); n != nil {
		at = t.s.toolName(n.ID)
	}
	switch {
	case r.Bench == "":
		t.refuse(r, "no_bench", "this is done at a bench, and none is named", "Name the bench.")
	case toolID == refID:
		t.refuse(r, "same_tool", "a tool cannot be held against itself", "Name another reference.")
	case at != "":
		t.refuse(r, "bench_busy", fmt.Sprintf("%s is being calibrated or checked at this bench", at), "Close or drop that first.")
	case t.s.pairingOf(tool.reg) != nil || t.inUse(refID):
		t.refuse(r, "tool_busy", fmt.Sprintf("%s or %s is being calibrated or checked, or used as a reference, elsewhere", name, refName), "Close or drop that first.")
	case tool.reg.State == events.ToolRetired || tool.reg.State == events.ToolAway:
		t.refuse(r, "tool_state", fmt.Sprintf("%s is %s", name, words(string(tool.reg.State))), "Put it into use or into quarantine first.")
	case !ref.Reference:
		t.refuse(r, "no_reference", fmt.Sprintf("%s is no bench reference", refName), "Name one; the shop file says which tools are references, and by which certificate.")
	case ref.unfit(t.at) != "":
		t.refuse(r, "reference_unfit", fmt.Sprintf("%s cannot be the reference: %s", refName, ref.unfit(t.at)), "Take another reference, or have this one calibrated.")
	case ref.Most.Dimension() != tool.Most.Dimension():
		t.refuse(r, "wrong_quantity", fmt.Sprintf("%s measures a %s, %s a %s", refName, ref.Most.Dimension(), name, tool.Most.Dimension()), "Name a reference for this kind of tool.")
	case withinS < 0 || withinS > 3600:
		t.refuse(r, "bad_time", fmt.Sprintf("the two readings of a pair are to come within %d s", withinS), "Say a time up to 3,600 s.")
	default:
		return tool, ref, true
	}
	return tool, ref, false
}

// inUse reports whether a reference is used in what is open somewhere.
func (t *tx) inUse(ref string) bool {
	for _, n := range t.s.Tools { // is there one: the order does not matter
		if p := t.s.pairingOf(n); p != nil && (p.reference == ref && t.s.index.tools[ref].Kind != events.ToolGaugeBlocks || p.tool == ref) {
			return true
		}
	}
	return false
}

// planOf returns what is to be taken, in order: of a torque tool, in each
// direction, the preloads at its capacity and then each point, rising; of an
// indicator the points inward and back outward.
func planOf(tool *toolDates, d *events.CalibrationAsked) (plan []events.CalibrationPair, wrong []string) {
	if tool.Most.Dimension() == quantity.DimLength {
		return indicatorPlan(tool, d)
	}
	class, err := classOf(tool)
	if err != nil {
		return nil, []string{err.Error()}
	}
	points := d.Points
	if len(points) == 0 {
		for _, p := range class.Points(quantity.NewtonMetres(tool.Least.Base()), quantity.NewtonMetres(tool.Most.Base())) {
			points = append(points, p.Value())
		}
	}
	n, turns := d.Readings, d.Directions
	if n == 0 {
		n = class.Readings()
	}
	if len(turns) == 0 {
		turns = []string{clockwise}
	}
	if n < 2 || n > 100 {
		wrong = append(wrong, fmt.Sprintf("%d readings at each point: want 2 to 100", n))
	}
	for i, dir := range turns {
		if dir != "cw" && dir != "ccw" || slices.Contains(turns[:i], dir) {
			wrong = append(wrong, fmt.Sprintf("direction %q: want cw and ccw, each once", dir))
		}
		for range class.Preloads() {
			plan = append(plan, events.CalibrationPair{Point: tool.Most, Direction: dir, Preload: true})
		}
		for _, p := range points {
			for range min(n, 100) {
				plan = append(plan, events.CalibrationPair{Point: p, Direction: dir})
			}
		}
	}
	return plan, wrong
}

// classOf returns the class of a torque tool. A tester has none by ISO 6789;
// it is tried as an electronic indicating tool, against its own limit.
func classOf(tool *toolDates) (calibration.Class, error) {
	if tool.Kind == events.ToolTorqueTester && tool.Class == "" {
		if tool.MaxDeviation == 0 {
			return calibration.Class{}, fmt.Errorf("tester %s: the shop file gives no max_deviation to hold it to", tool.ID)
		}
		return calibration.Class{Type: 1, Letter: 'C'}, nil
	}
	c, err := calibration.ParseClass(tool.Class)
	if err != nil {
		return c, fmt.Errorf("tool %s in the shop file: %w", tool.ID, err)
	}
	return c, nil
}

// usualBlocks are at which shares of an indicator's range blocks are put under
// it if nobody says otherwise. Our choice.
var usualBlocks = []float64{0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1}

func indicatorPlan(tool *toolDates, d *events.CalibrationAsked) (plan []events.CalibrationPair, wrong []string) {
	if tool.MaxError.IsZero() {
		wrong = append(wrong, fmt.Sprintf("indicator %s: the shop file gives no max_error, the maximum permissible error by the maker or a standard", tool.ID))
	}
	points := slices.Clone(d.Points)
	if len(points) == 0 {
		for _, share := range usualBlocks {
			points = append(points, quantity.Millimetres(tool.Least.Base()+float64(share*(tool.Most.Base()-tool.Least.Base()))).Value())
		}
	}
	slices.SortFunc(points, func(a, b quantity.Value) int { return int(math.Copysign(1, a.Base()-b.Base())) })
	n := d.Readings
	if n == 0 {
		n = 2
	}
	if n < 1 || n > 100 || len(points) < 2 {
		wrong = append(wrong, fmt.Sprintf("%d points with %d readings each: want two points or more, 1 to 100 readings", len(points), n))
	}
	add := func(p quantity.Value, dir string) {
		for range min(n, 100) {
			plan = append(plan, events.CalibrationPair{Point: p, Direction: dir})
		}
	}
	for _, p := range points {
		add(p, string(calibration.Inward))
	}
	for i := len(points) - 1; i >= 0; i-- {
		add(points[i], string(calibration.Outward))
	}
	return plan, wrong
}

// outOfRange names points that the tool or the reference cannot take.
func (t *tx) outOfRange(plan []events.CalibrationPair, tool, ref *toolDates) (wrong []string) {
	for i, p := range plan {
		if i > 0 && p.Point == plan[i-1].Point {
			continue
		}
		for _, x := range []*toolDates{tool, ref} {
			v, line := p.Point, ""
			if v.Dimension() != x.Most.Dimension() || !(v.Base() >= x.Least.Base()-convSlack(x) && v.Base() <= x.Most.Base()+convSlack(x)) {
				line = fmt.Sprintf("the point %s is outside the range of %s, %s to %s", show(v, quantity.Unit{}), t.s.toolName(x.ID), show(x.Least, quantity.Unit{}), show(x.Most, quantity.Unit{}))
			}
			if line != "" && !slices.Contains(wrong, line) {
				wrong = append(wrong, line)
			}
		}
	}
	return wrong
}

// openingNotes says what is not as it should be and does not stop a
// calibration; ok is false where it is refused.
func (t *tx) openingNotes(r *request, tool, ref *toolDates, phase events.Phase, plan []events.CalibrationPair) (notes []string, ok bool) {
	limit, least := limitOf(tool), plan[0].Point
	for _, p := range plan {
		if p.Point.Base() < least.Base() {
			least = p.Point
		}
	}
	u := refU(ref, least)
	if tool.Most.Dimension() == quantity.DimLength {
		u, limit = uncertainty(ref.Tool, tool.Most).Base(), tool.MaxError.Base()
	}
	switch ratio := limit / u; {
	case !(u > 0):
		t.refuse(r, "reference_unfit", fmt.Sprintf("the uncertainty of %s is not known", t.s.toolName(ref.ID)), "Enter it from its certificate into the shop file.")
		return nil, false
	case ratio < 1:
		t.refuse(r, "reference_unfit", fmt.Sprintf("%s is less sure than the limit of %s: the ratio is %.2g", t.s.toolName(ref.ID), t.s.toolName(tool.ID), ratio), "Take a better reference.")
		return nil, false
	case ratio < calibration.LeastRatio:
		notes = append(notes, fmt.Sprintf("the ratio of the limit to the uncertainty of %s is %.2g; wanted is %d: take a better reference, or decide by a guard band", t.s.toolName(ref.ID), ratio, calibration.LeastRatio))
	}
	if phase == events.PhaseLeft && !tool.reg.Found {
		notes = append(notes, "it is calibrated as left, and was not calibrated as found before: nobody can say what its readings were worth")
	}
	return notes, true
}

// limitOf is the maximum permissible deviation of a torque tool in %.
func limitOf(tool *toolDates) float64 {
	if tool.MaxDeviation > 0 {
		return 100 * tool.MaxDeviation
	}
	c, err := calibration.ParseClass(tool.Class)
	if err != nil {
		return 0
	}
	return c.MaxDeviation(quantity.NewtonMetres(tool.Most.Base()))
}

// refU is the expanded uncertainty of a reference in % at a point.
func refU(ref *toolDates, at quantity.Value) float64 {
	return 100 * uncertainty(ref.Tool, at).Base() / at.Base()
}

// undoAsked takes the last pair, or the half that waits, back.
func (t *tx) undoAsked(r *request, d events.CalibrationUndoAsked) {
	p := t.openPairing(r, d.Calibration, "")
	if p == nil || !t.mayPair(r, p) {
		return
	}
	switch {
	case p.check != "":
		t.refuse(r, "is_check", "a quick check has no step back", "Drop it and begin anew: it takes two minutes.")
	case len(p.pairs) == 0:
		t.refuse(r, "nothing_taken", "nothing has been taken yet", "Take the first reading.")
	default:
		t.add(events.CalibrationUndone{Calibration: p.calibration, Tool: p.tool, Row: len(p.pairs) - 1, By: r.By, Reason: d.Reason})
	}
}

func (t *tx) dropAsked(r *request, d events.CalibrationDropAsked) {
	p := t.openPairing(r, d.Calibration, "")
	if p == nil || !t.mayPair(r, p) || !t.reasoned(r, d.Reason) {
		return
	}
	if p.check != "" {
		t.refuse(r, "is_check", "it is a quick check", "Drop the check.")
		return
	}
	t.add(events.CalibrationDropped{Calibration: p.calibration, Tool: p.tool, By: r.By, Reason: d.Reason, AtUs: t.at})
}
