package rules

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

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
	if turn := f.TurnDeg - max(f.SpringDeg, 0); turn == turn {
		found.NetAngle = quantity.Degrees(max(turn, 0.01)).Value()
	}
	if !(f.MoveNm >= float64(0.85*f.BreakNm)) {
		found.Breakaway = quantity.Value{} // it had begun to move before
	}
	r.trace, r.found = &f, &found
	if r.duration == 0 {
		r.duration = found.DurationUs
	}
}
