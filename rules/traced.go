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
	r.trace, r.found = &f, &found
	if r.duration == 0 {
		r.duration = found.DurationUs
	}
}
