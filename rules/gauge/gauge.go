// Package gauge measures with dial indicators: what values at rest and streams
// of samples say of a part. Run-out, end play, backlash, depths and gaps,
// clearance at several places, drag torque; each with its uncertainty.
//
// It is pure, and it judges nothing: a value with its expanded uncertainty
// goes out, and the rules hold it against the limits.
//
// How a measurement is led, point by point, is in guide.go; what is made of
// the points, in evaluate.go. The files beside them each hold one computation,
// which can be used alone.
package gauge

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Method is how a value is measured.
type Method string

// The methods.
const (
	Direct     Method = "direct"     // the value at rest, or the mean of several
	Difference Method = "difference" // between two places: depth, height, gap, protrusion
	EndPlay    Method = "end_play"   // push and pull to the stops
	Backlash   Method = "backlash"   // rock to the stops, at places round the gear
	Clearance  Method = "clearance"  // at places round a part: least, mean, tilt
	RunOut     Method = "run_out"    // over a turn
	Drag       Method = "drag"       // torque while it turns: bearing preload
)

// Methods are all methods, in the order of the manual.
func Methods() []Method {
	return []Method{Direct, Difference, EndPlay, Backlash, Clearance, RunOut, Drag}
}

// Judge is which figure of a measurement is held against the limits.
type Judge string

// What can be judged.
const (
	JudgeMean         Judge = "mean"
	JudgeLeast        Judge = "least"
	JudgeGreatest     Judge = "greatest"
	JudgeMovement     Judge = "movement"     // full indicator movement, of a run-out
	JudgeEccentricity Judge = "eccentricity" // of a run-out
	JudgeForm         Judge = "form"         // of a run-out: what is left beside the eccentricity
)

// Judges are what a method can judge; the first is what it judges unless told
// otherwise.
func (m Method) Judges() []Judge {
	switch m {
	case RunOut:
		return []Judge{JudgeMovement, JudgeEccentricity, JudgeForm}
	case Clearance:
		return []Judge{JudgeLeast, JudgeMean, JudgeGreatest}
	case Backlash:
		return []Judge{JudgeMean, JudgeLeast, JudgeGreatest}
	}
	return []Judge{JudgeMean}
}

// Spec is how a procedure wants a value measured. Only Method is always set;
// with Complete all that is left out has its default.
type Spec struct {
	Method Method
	Judge  Judge
	// Cycles: of EndPlay, how often it is pushed and pulled; of Backlash the
	// same at each place; of Direct and Drag, how many values.
	Cycles int
	// Places: round the gear or part, evenly. Of RunOut: it is turned from one
	// to the next and rests there; 0: it is turned without stopping.
	Places int
	Turns  int // of RunOut without stops: how many in one go
	Marks  int // of RunOut without stops: how many marks pass in a turn, each said; 0: it is turned evenly
	// Arm is the distance of the indicator's tip from the axis, or of a spring
	// scale's hook; Radius the one the value is wanted at: the pitch radius.
	Arm, Radius quantity.Length
	// Lever is the angle between the stylus of a lever indicator and the
	// surface; 0 for a plunger.
	Lever     quantity.Angle
	Reference quantity.Length // of Difference: height of the standard that the first point is on
	Fall      bool            // of Difference: the value is the first minus the second
	Diameter  quantity.Length // of Clearance: of the circle of the places, for the tilt
	Spread    quantity.Length // between places at most; 0: any
}

// Complete fills in what was left out. The numbers are our own choice.
func (s Spec) Complete() Spec {
	def := func(p *int, v int) {
		if *p == 0 {
			*p = v
		}
	}
	if s.Judge == "" {
		s.Judge = s.Method.Judges()[0]
	}
	switch s.Method {
	case Direct:
		def(&s.Cycles, 1)
	case EndPlay, Drag:
		def(&s.Cycles, 3)
	case Backlash:
		def(&s.Cycles, 2)
		def(&s.Places, 4)
	case Clearance:
		def(&s.Places, 3)
	case RunOut:
		if s.Places == 0 {
			def(&s.Turns, 1)
		}
	}
	return s
}

// Streams reports whether the method is measured while the indicator moves:
// the turn counts, not the values at rest.
func (s Spec) Streams() bool { return s.Method == RunOut && s.Places == 0 }

// Dimension is what the method's tool shows.
func (s Spec) Dimension() quantity.Dimension {
	if s.Method == Drag {
		return quantity.DimTorque
	}
	return quantity.DimLength
}

// Sample is one value that a tool showed.
type Sample struct {
	At events.Instant
	V  quantity.Value
}

// Kind is what a point stands for.
type Kind string

// The kinds of point.
const (
	Rest  Kind = "rest"  // before the turn: the tip is set and still
	Value Kind = "value" // a value as it is; of an end play or a turn: the whole, read by eye
	First Kind = "first" // of a difference, on the reference
	Other Kind = "other" // of a difference, on the place that is measured
	Stop  Kind = "stop"  // at an end of the play
	Place Kind = "place" // at one of several places
)

// Point is a value that was taken.
type Point struct {
	Kind       Kind
	Place      int // from 0, where there are several
	V          quantity.Value
	Spread     quantity.Value // greatest minus least sample while it was still; zero Value: one value
	Resolution quantity.Value
	At         events.Instant
	Typed      bool
}
