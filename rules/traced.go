package rules

import (
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

// ofCourse are the findings about the course of a trace: of one that is not sound
// they are not to be had.
var ofCourse = []string{"strip", "yield", "flat", "still", "slip", "stick_slip", "click", "dip", "several_swings"}

// evaluate looks at a pull's trace, if it has one, and takes from it what the
// tool did not say itself.
func (r *reading) evaluate(tr *events.Trace, threshold quantity.Value) {
	if tr == nil || r.value.Dimension() != quantity.DimTorque {
		return
	}
	spec := trace.Spec{Loosen: r.value.Base() < 0}
	if threshold.Dimension() == quantity.DimTorque {
		spec.Threshold = quantity.NewtonMetres(threshold.Base())
	}
	f := trace.Measure(tr, spec)
	found := f.Found()
	// The rotation of the whole pull is held against those of the others, as a
	// tool's own angle would be: a repeat that moves on at its full torque turns
	// no less above half of it than a first pull does.
	turn := f.TurnDeg - max(f.SpringDeg, 0)
	if f.Codes.Has(trace.Flat) && !f.Codes.Has(trace.Click) {
		turn += max(f.PastDeg, 0) // it went on turning with its torque falling
	}
	if turn == turn {
		found.NetAngle = quantity.Degrees(max(turn, 0.01)).Value()
	}
	if !(f.MoveNm >= float64(0.85*f.BreakNm)) {
		found.Breakaway = quantity.Value{} // it had begun to move before
	}
	if r.unsound = unsoundTrace(&f); r.unsound != "" && (turnTold(r.angle) || !f.Codes.Has(trace.Gap) || f.Codes.Has(trace.TimeBackwards)) {
		found.NetAngle, found.Quarter, found.Breakaway, found.Snug, found.SnugToPeak, found.SpringBack, found.RateNmDeg = quantity.Value{}, quantity.Value{}, quantity.Value{}, quantity.Value{}, quantity.Value{}, quantity.Value{}, 0
		found.Findings = slices.DeleteFunc(found.Findings, func(s string) bool { return slices.Contains(ofCourse, s) })
	}
	r.trace, r.found = &f, &found
	if r.duration == 0 {
		r.duration = found.DurationUs
	}
}
