package rules

import (
	"fmt"
	"math"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// pairing is an open calibration or check, seen as rows of a plan that fill
// with pairs of readings.
type pairing struct {
	calibration, check string // id of the one that it is
	tool, reference    string
	plan, pairs        []events.CalibrationPair
	within             time.Duration
	setting            bool // the tool shows nothing: it is set to the point
	lastAt             events.Instant
	by                 string
}

// careFor returns what is open at a bench, if a tool takes part in it.
func (s *State) careFor(bench, tool string) *pairing {
	if p := s.pairingOf(s.care(bench)); p != nil && (tool == p.tool || tool == p.reference) {
		return p
	}
	return nil
}

// pairingOf returns the open calibration or check of a tool, nil if none.
func (s *State) pairingOf(n *Tool) *pairing {
	switch {
	case n == nil:
		return nil
	case n.Calibration != nil:
		c := n.Calibration
		return &pairing{calibration: c.Calibration, tool: c.Tool, reference: c.Reference, plan: c.Plan, pairs: c.Pairs,
			within: time.Duration(c.WithinUs) * time.Microsecond, setting: c.Setting, lastAt: c.LastAt, by: c.By}
	case n.Check != nil:
		c := n.Check
		plan := make([]events.CalibrationPair, c.Pulls)
		for i := range plan {
			plan[i] = events.CalibrationPair{Point: c.Point, Direction: clockwise}
		}
		return &pairing{check: c.Check, tool: c.Tool, reference: c.Reference, plan: plan, pairs: c.Pairs,
			within: time.Duration(c.WithinUs) * time.Microsecond, setting: c.Setting, lastAt: c.LastAt, by: c.By}
	}
	return nil
}

// next returns the first row that is not full; len(plan) if all are.
func (p *pairing) next() int {
	for i := range p.plan {
		if i >= len(p.pairs) || !full(&p.pairs[i]) {
			return i
		}
	}
	return len(p.plan)
}

// half returns what the row has so far.
func (p *pairing) half(row int) events.CalibrationPair {
	if row < len(p.pairs) {
		return p.pairs[row]
	}
	return p.plan[row]
}

func full(p *events.CalibrationPair) bool { return !p.Tool.IsZero() && !p.Reference.IsZero() }

// paired takes a reading of one of the two tools into what is open at its
// bench, or passes it over and says why. It is never a reading for a job.
func (t *tx) paired(r *reading, p *pairing, stale bool) {
	row := p.next()
	if why := t.unusable(r, p, row, stale); why != "" {
		t.passOver(r, p, why)
		return
	}
	pair := p.half(row)
	pair, old := t.fresh(pair, p, row, r.at)
	v := r.value
	if v.Base() < 0 && v.Dimension() == quantity.DimTorque {
		v = v.WithBase(-v.Base())
	}
	if r.tool == p.tool {
		if !pair.Tool.IsZero() {
			t.passOver(r, p, fmt.Sprintf("a second reading of %s, and none of %s yet: take the first back, or wait %s and pull again", t.s.toolName(p.tool), t.s.toolName(p.reference), span(p.within)))
			return
		}
		pair.Tool, pair.ToolUnit, pair.ToolReading = v, r.unit, r.seq
	} else {
		if !pair.Reference.IsZero() {
			t.passOver(r, p, fmt.Sprintf("a second reading of %s, and none of %s yet: take the first back, or wait %s and pull again", t.s.toolName(p.reference), t.s.toolName(p.tool), span(p.within)))
			return
		}
		pair.Reference, pair.ReferenceUnit, pair.ReferenceReading = v, r.unit, r.seq
	}
	if old != nil {
		t.add(*old)
	}
	t.take(p, row, pair, p.by)
}

// fresh empties a row whose half has waited too long: the other half never
// came. The reading that is let go is told.
func (t *tx) fresh(pair events.CalibrationPair, p *pairing, row int, now events.Instant) (events.CalibrationPair, *events.ReadingPassedOver) {
	if pair.Tool.IsZero() && pair.Reference.IsZero() || now.Sub(p.lastAt) <= p.within {
		return pair, nil
	}
	o := &events.ReadingPassedOver{Reading: pair.ToolReading, Calibration: p.calibration, Check: p.check, Tool: p.tool, Taker: p.tool,
		Value: pair.Tool, Unit: pair.ToolUnit, AtUs: now, Why: fmt.Sprintf("nothing of the other tool came within %s", span(p.within))}
	if pair.Tool.IsZero() {
		o.Reading, o.Taker, o.Value, o.Unit = pair.ReferenceReading, p.reference, pair.Reference, pair.ReferenceUnit
	}
	if o.Reading == 0 {
		o = nil // it was typed
	}
	return p.plan[row], o
}

// take puts a pair, or the half of one, into a row. A tool that is set shows
// nothing: it is worth its set value. Nor does a gauge block: it is as long as
// the plan says.
func (t *tx) take(p *pairing, row int, pair events.CalibrationPair, by string) {
	if p.setting && pair.Tool.IsZero() && !pair.Reference.IsZero() {
		pair.Tool, pair.ToolUnit = pair.Point, pair.ReferenceUnit
	}
	if pair.Reference.IsZero() && t.s.index.tools[p.reference].Kind == events.ToolGaugeBlocks {
		pair.Reference, pair.ReferenceUnit = pair.Point, pair.ToolUnit
	}
	if p.check == "" {
		t.add(events.CalibrationTaken{Calibration: p.calibration, Tool: p.tool, Row: row, Pair: pair, By: by, AtUs: t.at})
		return
	}
	t.add(events.CheckTaken{Check: p.check, Tool: p.tool, Row: row, Pair: pair, AtUs: t.at})
	if full(&pair) && row == len(p.plan)-1 {
		t.checkDone(p, withPair(p.pairs, row, pair))
	}
}

func (t *tx) passOver(r *reading, p *pairing, why string) {
	t.add(events.ReadingPassedOver{
		Reading: r.seq, Calibration: p.calibration, Check: p.check, Tool: p.tool, Taker: r.tool,
		Value: r.value, Text: r.text, Unit: r.unit, Why: why, AtUs: r.at,
	})
}

// unusable says why a reading cannot be taken into a row, "" if it can.
func (t *tx) unusable(r *reading, p *pairing, row int, stale bool) string {
	switch {
	case stale:
		return "it had waited in the line before the port was opened, so its time is not known"
	case row == len(p.plan):
		return "all that was planned has been taken: close it, or take the last pair back"
	case conditionOf(r.status) == fault:
		return fmt.Sprintf("the tool says %q", r.status)
	}
	plan := p.plan[row]
	if r.value.Dimension() != plan.Point.Dimension() {
		return fmt.Sprintf("it is a %s, wanted is a %s", r.value.Dimension(), plan.Point.Dimension())
	}
	if plan.Point.Dimension() == quantity.DimTorque && r.value.Base() < 0 && plan.Direction == clockwise {
		return "it was pulled counter-clockwise, wanted is clockwise"
	}
	if u := p.unitOf(r.tool); u != "" && r.unit != "" && u != r.unit {
		return fmt.Sprintf("it is in %s, its readings before are in %s: set the unit back and pull again", symbol(r.unit), symbol(u))
	}
	return near(r.value, &plan, r.unit)
}

// unitOf returns the unit in which a tool has sent its readings so far.
func (p *pairing) unitOf(tool string) string {
	for i := range p.pairs {
		if tool == p.tool && p.pairs[i].ToolReading != 0 {
			return p.pairs[i].ToolUnit
		}
		if tool == p.reference && p.pairs[i].ReferenceReading != 0 {
			return p.pairs[i].ReferenceUnit
		}
	}
	return ""
}

// farOff is how far, as a share of the point, a torque may lie from it: at
// more, two readings are hardly of one pull at that point. farLength is the
// same for an indicator on a block. Our choices.
const (
	farOff    = 0.25
	farLength = 0.25 // mm
)

// near says that a value is not near the point where it is to be taken, "" if
// it is. A preload need only reach half of the point.
func near(v quantity.Value, plan *events.CalibrationPair, unit string) string {
	point, x := plan.Point.Base(), math.Abs(v.Base())
	u, ok := quantity.UnitByCode(unit)
	if !ok {
		u = baseUnit(v.Dimension())
	}
	switch {
	case v.Dimension() == quantity.DimLength:
		if math.Abs(v.Base()-point) <= farLength {
			return ""
		}
	case plan.Preload:
		if x >= 0.5*point {
			return ""
		}
	case math.Abs(x-point) <= farOff*point:
		return ""
	}
	for _, other := range quantity.Units() {
		if other.Dimension() != v.Dimension() || other == u || v.Dimension() == quantity.DimLength {
			continue
		}
		if meant := quantity.Of(v.In(u), other).Base(); math.Abs(math.Abs(meant)-point) <= 0.1*point {
			return fmt.Sprintf("%s is not near the point %s; it would be in %s: look at the tool's unit", show(v, u), show(plan.Point, u), other.Symbol())
		}
	}
	return fmt.Sprintf("%s is not near the point %s", show(v, u), show(plan.Point, u))
}

func symbol(code string) string {
	if u, ok := quantity.UnitByCode(code); ok {
		return u.Symbol()
	}
	return code
}

// pairAsked takes a pair, or the half of it that does not come over a line,
// that a person types.
func (t *tx) pairAsked(r *request, d events.CalibrationPairAsked) {
	p := t.openPairing(r, d.Calibration, d.Check)
	if p == nil || !t.mayPair(r, p) {
		return
	}
	row := p.next()
	if wrong := t.wrongTyped(&d, p, row); wrong != "" {
		t.refuse(r, "pair_wrong", wrong, "Look at both tools and type the pair again.")
		return
	}
	pair, old := t.fresh(p.half(row), p, row, t.at)
	if !d.Tool.IsZero() && !pair.Tool.IsZero() || !d.Reference.IsZero() && !pair.Reference.IsZero() {
		t.refuse(r, "pair_wrong", "that half of the pair has been read already", "Take it back first if it is wrong.")
		return
	}
	if !d.Tool.IsZero() {
		pair.Tool, pair.ToolUnit = d.Tool, d.ToolUnit
	}
	if !d.Reference.IsZero() {
		pair.Reference, pair.ReferenceUnit = d.Reference, d.ReferenceUnit
	}
	pair.Typed = true
	if old != nil {
		t.add(*old)
	}
	t.take(p, row, pair, r.By)
}

// wrongTyped says what is wrong with a typed pair, "" if nothing is.
func (t *tx) wrongTyped(d *events.CalibrationPairAsked, p *pairing, row int) string {
	if row == len(p.plan) {
		return "all that was planned has been taken"
	}
	plan := p.plan[row]
	switch {
	case d.Tool.IsZero() && d.Reference.IsZero():
		return "neither the tool's nor the reference's value is given"
	case !d.Tool.IsZero() && !d.Reference.IsZero() && d.ToolUnit != d.ReferenceUnit:
		return fmt.Sprintf("the tool's value is in %s, the reference's in %s: read both in one unit", symbol(d.ToolUnit), symbol(d.ReferenceUnit))
	}
	if u := p.typedUnit(); u != "" {
		for _, own := range []string{d.ToolUnit, d.ReferenceUnit} {
			if own != "" && own != u {
				return fmt.Sprintf("it is in %s, the pairs before were typed in %s: type all in one unit", symbol(own), symbol(u))
			}
		}
	}
	for _, v := range []struct {
		value      quantity.Value
		unit, name string
	}{{d.Tool, d.ToolUnit, "the tool's value"}, {d.Reference, d.ReferenceUnit, "the reference's value"}} {
		switch {
		case v.value.IsZero():
		case !v.value.Finite() || v.value.Dimension() != plan.Point.Dimension():
			return fmt.Sprintf("%s is a %s, wanted is a %s", v.name, v.value.Dimension(), plan.Point.Dimension())
		case v.value.Dimension() == quantity.DimTorque && v.value.Base() <= 0:
			return v.name + " is not above zero: the plan says the direction"
		default:
			if far := near(v.value, &plan, v.unit); far != "" {
				return v.name + ": " + far
			}
		}
	}
	if p.setting && !d.Tool.IsZero() && !plan.Preload && math.Abs(d.Tool.Base()-plan.Point.Base()) > 1e-6*plan.Point.Base() {
		return fmt.Sprintf("%s is set, and shows nothing: its value is the point %s. Tool and reference look exchanged", t.s.toolName(p.tool), show(plan.Point, quantity.Unit{}))
	}
	return ""
}

// typedUnit returns the unit in which pairs were typed so far.
func (p *pairing) typedUnit() string {
	for i := range p.pairs {
		if p.pairs[i].Typed && p.pairs[i].ToolReading == 0 && p.pairs[i].ToolUnit != "" {
			return p.pairs[i].ToolUnit
		}
		if p.pairs[i].Typed && p.pairs[i].ReferenceReading == 0 {
			return p.pairs[i].ReferenceUnit
		}
	}
	return ""
}

// openPairing finds the calibration or check that a request is about: the one
// named, or the one open at its bench. It refuses where there is none.
func (t *tx) openPairing(r *request, calibration, check string) *pairing {
	n := t.s.care(r.Bench)
	if calibration+check != "" {
		n = nil
		for _, o := range t.s.Tools { // ids are unique: the order does not matter
			if o.Calibration != nil && o.Calibration.Calibration == calibration && calibration != "" || o.Check != nil && o.Check.Check == check && check != "" {
				n = o
			}
		}
	}
	p := t.s.pairingOf(n)
	if p == nil {
		t.refuse(r, "none_open", "no such calibration or check is open", "Begin one, or name the bench where one is open.")
	}
	return p
}

// mayPair refuses persons who may not do what is open.
func (t *tx) mayPair(r *request, p *pairing) bool {
	if p.check != "" {
		return t.s.index.people[r.By].Role == events.RoleMetrology || t.mayWork(r)
	}
	return t.mayCare(r, "calibrate a tool")
}

const clockwise = "cw"

// Pairing tells how far the calibration or check at a bench has come.
type Pairing struct {
	Calibration, Check string // id of the one that is open
	Tool, Reference    string
	Plan               events.CalibrationPair // the row that is next; zero if all is taken
	Half               events.CalibrationPair // what it has so far
	Row, Rows          int                    // it is the Row-th of Rows, from 0
	Reading, Readings  int                    // it is the Reading-th of Readings at its point and direction, from 1
	Setting            bool
	Last               *events.CalibrationPair // the last full one, nil if none
	Phase              events.Phase            // of a calibration
	Note               []string                // what is not as it should be
	Said               string                  // why the last reading was passed over, "" if it was not
}

// PairingAt returns what is open at a bench; ok is false if nothing is.
func (s *State) PairingAt(bench string) (Pairing, bool) {
	p := s.pairingOf(s.care(bench))
	if p == nil {
		return Pairing{}, false
	}
	out := Pairing{Calibration: p.calibration, Check: p.check, Tool: p.tool, Reference: p.reference, Row: p.next(), Rows: len(p.plan), Setting: p.setting}
	switch n := s.care(bench); {
	case n.Calibration != nil:
		out.Phase, out.Note, out.Said = n.Calibration.Phase, n.Calibration.Note, n.Calibration.Said
	case n.Check != nil:
		out.Note, out.Said = n.Check.Note, n.Check.Said
	}
	if out.Row > 0 {
		out.Last = &p.pairs[out.Row-1]
	}
	if out.Row == out.Rows {
		return out, true
	}
	out.Plan, out.Half = p.plan[out.Row], p.half(out.Row)
	for i := range p.plan {
		if same(&p.plan[i], &out.Plan) {
			out.Readings++
			if i <= out.Row {
				out.Reading++
			}
		}
	}
	return out, true
}

// same reports whether two rows are of one point and direction.
func same(a, b *events.CalibrationPair) bool {
	return a.Point == b.Point && a.Direction == b.Direction && a.Preload == b.Preload
}
