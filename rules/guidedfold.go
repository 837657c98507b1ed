package rules

import (
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// applyGuided folds what happens to a guided measurement; false if o is
// something else. Guided is copied before it is changed.
func (j *Job) applyGuided(o events.OutcomeData) bool {
	step := guidedStep(o)
	p, i := j.Proc.Step(step)
	if step == "" || p == nil {
		return step != ""
	}
	st := &j.Steps[i]
	if s, ok := o.(events.MeasurementStarted); ok {
		g := &Guided{Attempt: s.Attempt, Tool: s.Tool, Unit: s.Unit, By: s.By, Started: s.AtUs}
		if st.Guided != nil {
			g.Trouble = st.Guided.Trouble // what made it begin anew
		}
		st.Guided, st.Attempts, st.Made = g, s.Attempt, nil
		return true
	}
	if m, ok := o.(events.MeasurementMade); ok {
		if st.Guided != nil {
			j.Rest = st.Guided.rest(&m)
		}
		st.Guided, st.Made = nil, &m
		return true
	}
	if st.Guided == nil {
		st.Guided = &Guided{Attempt: st.Attempts}
	}
	g := *st.Guided
	st.Guided = &g
	switch o := o.(type) {
	case events.MeasurementFed:
		g.feed(&o, p.Measure.Gauge)
		if !slices.Contains(j.Streaming, g.Tool) {
			j.Streaming = append(slices.Clip(j.Streaming), g.Tool)
		}
	case events.PointTaken:
		g.take(o)
	case events.PointDropped:
		if n := len(g.Points); n > 0 && o.Index == n-1 {
			g.Points = slices.Clip(g.Points[:n-1])
			g.Trail, g.Marks = nil, nil
		}
	case events.PlaceReached:
		g.Moved, g.Trail, g.Last, g.Trouble = true, nil, quantity.Value{}, events.MeasurementTroubled{}
	case events.MarkPassed:
		g.Marks = append(slices.Clip(g.Marks), o.AtUs)
	case events.MeasurementTroubled:
		g.Trouble = o
	case events.MeasurementEnded:
		g, st.Made = Guided{Attempt: st.Attempts}, nil
	}
	return true
}

// GuidedRest is where an indicator stood when a guided measurement was made.
type GuidedRest struct {
	Step, Tool string
	V          quantity.Value
	AtUs       events.Instant
}

// rest is where the indicator stands at the end of a measurement; nil where
// nobody knows.
func (g *Guided) rest(m *events.MeasurementMade) *GuidedRest {
	r := &GuidedRest{Step: m.Step, Tool: m.Tool, AtUs: m.AtUs}
	switch n, p := len(g.Trail), len(g.Points); {
	case n > 0:
		r.V = g.Trail[n-1].V
	case p > 0:
		r.V = g.Points[p-1].Value
	default:
		return nil
	}
	return r
}

// guidedStep returns the step of an outcome of guided measurement, "" of any
// other.
func guidedStep(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.MeasurementStarted:
		return o.Step
	case events.MeasurementFed:
		return o.Step
	case events.PointTaken:
		return o.Step
	case events.PointDropped:
		return o.Step
	case events.PlaceReached:
		return o.Step
	case events.MarkPassed:
		return o.Step
	case events.MeasurementTroubled:
		return o.Step
	case events.MeasurementEnded:
		return o.Step
	case events.MeasurementMade:
		return o.Step
	}
	return ""
}

// feed puts samples on the trail, and lets go of what is too old to matter.
func (g *Guided) feed(o *events.MeasurementFed, spec *gauge.Spec) {
	unit, ok := quantity.UnitByCode(o.Unit)
	if !ok || len(o.Values) != len(o.AtUs) {
		return
	}
	g.Step = o.Resolution
	trail := slices.Clone(g.Trail)
	for i, v := range o.Values {
		trail = append(trail, gauge.Sample{At: o.FirstUs + events.Instant(o.AtUs[i]), V: quantity.Of(v, unit)})
	}
	cut := 0
	if !spec.Next(g.points(), g.step()).Turning {
		for cut < len(trail) && trail[len(trail)-1].At.Sub(trail[cut].At).Microseconds() > trailPoint {
			cut++
		}
		if cut > 0 && g.Last.IsZero() {
			g.Last = trail[0].V // it must leave what it showed first
		}
	}
	if over := len(trail) - trailMost; over > cut {
		cut = over
	}
	g.Trail = trail[cut:]
}

// take adds a point, and cuts the trail off after it.
func (g *Guided) take(p events.PointTaken) {
	g.Points = append(slices.Clip(g.Points), p)
	g.Last, g.Moved = p.Value, false
	if p.Kind != string(gauge.Rest) { // which comes by itself: what broke the last turn stays to be read
		g.Trouble = events.MeasurementTroubled{}
	}
	if !p.Lifted.IsZero() {
		g.Lifted = p.Lifted
	}
	g.Trail = slices.Clone(slices.DeleteFunc(slices.Clone(g.Trail), func(s gauge.Sample) bool { return s.At <= p.AtUs }))
}
