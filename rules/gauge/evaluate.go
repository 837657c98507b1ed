package gauge

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Input is all that a result is made of.
type Input struct {
	Spec   Spec
	Points []Point
	Turn   []Sample         // of a run-out without stops
	Marks  []events.Instant // of one, where marks were said
	Step   float64          // one step of the indicator, in base units
	// Calibrated gives the expanded uncertainty (k = 2) of one value of the
	// tool, as its certificate says.
	Calibrated func(quantity.Value) quantity.Value
	Unit       quantity.Unit // for words
}

// Result is what was measured.
type Result struct {
	Value    quantity.Value
	U        quantity.Value // expanded uncertainty, k = 2
	Coverage float64
	Figures  []events.Figure
	Budget   []events.GaugeBudgetLine
	Warnings []string
	Curve    []events.CurvePoint
	// Spread is how far places lie apart, where there are several.
	Spread  quantity.Value
	Samples int // of the turn
}

// Trouble says why something cannot be measured as it stands, and what to do.
type Trouble struct {
	Code string
	Text string
	Todo string
}

// Error returns the text and what to do.
func (t *Trouble) Error() string { return t.Text + " " + t.Todo }

// Evaluate makes a result of the points and samples of a measurement. The
// error is a *Trouble.
func Evaluate(in Input) (Result, error) {
	e := evaluation{Input: in}
	if len(in.Points) == 0 {
		return Result{}, &Trouble{"too_few", "Nothing was taken yet.", "Begin the measurement."}
	}
	var err error
	switch m := in.Spec.Method; {
	case in.Points[0].Kind == Value: // values as they are, or the whole, read by eye
		e.values()
	case m == Difference:
		err = e.difference()
	case m == EndPlay:
		err = e.endPlay()
	case m == Backlash:
		err = e.backlash()
	case m == Clearance:
		err = e.clearance()
	case m == RunOut:
		err = e.runOut()
	default:
		e.values()
	}
	return e.done(err)
}

func (e *evaluation) done(err error) (Result, error) {
	if err != nil {
		return Result{}, err
	}
	e.finish()
	return e.Result, nil
}

// evaluation is a result while it is being made. Lengths and torques are in
// base units.
type evaluation struct {
	Input
	Result
	value float64
	scale float64         // of the tool's own reading to the value; 0: 1
	fixed []events.Figure // that are given, not read: never corrected
	parts budget
}

func (e *evaluation) of(base float64) quantity.Value { return e.Points[0].V.WithBase(base) }

func (e *evaluation) figure(name string, base float64, note string) {
	e.Figures = append(e.Figures, events.Figure{Name: name, Value: e.of(base), Note: note})
}

func (e *evaluation) warn(format string, args ...any) {
	e.Warnings = append(e.Warnings, fmt.Sprintf(format, args...))
}

func (e *evaluation) say(base float64) string {
	return quantity.Format(e.of(base), e.unit(), -1)
}

func (e *evaluation) unit() quantity.Unit {
	if e.Unit.Dimension() == e.Points[0].V.Dimension() {
		return e.Unit
	}
	if e.Points[0].V.Dimension() == quantity.DimTorque {
		return quantity.NewtonMetre
	}
	return quantity.Millimetre
}

// finish corrects the value for the lever and the radius, and adds up the
// uncertainty.
func (e *evaluation) finish() {
	if e.scale == 0 {
		e.scale = 1
	}
	raw := e.value
	if a := e.Spec.Lever.Degrees(); a > 0 {
		e.scale *= math.Cos(e.Spec.Lever.Radians())
		if a > SteepLever {
			e.warn("The stylus stands at %.0f° to the surface: above %.0f° the correction is too great to trust. Set it flatter and measure again.", a, SteepLever)
		}
	}
	if e.Spec.Method == Backlash {
		e.scale *= AtRadius(quantity.Millimetres(1), e.Spec.Arm, e.Spec.Radius).Millimetres()
	}
	e.value *= e.scale
	for i := range e.Figures {
		if e.Figures[i].Value.Dimension() == e.Points[0].V.Dimension() {
			e.Figures[i].Value = e.Figures[i].Value.WithBase(e.Figures[i].Value.Base() * e.scale)
		}
	}
	if !e.Spread.IsZero() {
		e.Spread = e.Spread.WithBase(e.Spread.Base() * e.scale)
	}
	if e.scale != 1 {
		e.figure("as the indicator showed it", raw, "")
	}
	e.Figures = append(e.Figures, e.fixed...)
	if e.Spec.Method == Difference {
		e.value += e.Spec.Reference.Millimetres()
	}
	e.parts.calibration(e.Calibrated, e.of(raw))
	e.parts.cosine(raw, e.Spec)
	b := e.parts.total(e.scale)
	e.Value, e.U, e.Coverage = e.of(e.value), e.of(b.Expanded()), b.Coverage(0.9545)
	e.Budget = e.parts.lines(b, e.of)
	if e.Coverage > 2.5 {
		e.warn("With so few repeats, twice the standard uncertainty covers less than 95 %%; %.1f times would. Repeat it more often if it is close to a limit.", e.Coverage)
	}
}

// values is the mean of values as they are.
func (e *evaluation) values() {
	xs := bases(e.Points)
	e.value = stat.Mean(xs, nil)
	e.parts.resolution(e.stepOf(), 1)
	e.repeats(xs)
	if len(xs) > 1 {
		e.figure("spread of the values", rangeOf(xs), fmt.Sprintf("%d values", len(xs)))
	}
}

// stepOf is the coarsest resolution among the points.
func (e *evaluation) stepOf() float64 {
	step := 0.0
	for _, p := range e.Points {
		step = max(step, p.Resolution.Base())
	}
	if step == 0 {
		step = e.Step
	}
	return step
}

// repeats adds the spread of repeated values or, of a single one, its noise.
func (e *evaluation) repeats(xs []float64) {
	if len(xs) > 1 {
		e.parts.repeats(xs)
		return
	}
	e.parts.noise(e.Points)
}

func (e *evaluation) difference() error {
	if len(e.Points) < 2 {
		return &Trouble{"too_few", "The second point is missing.", "Set the tip on the place to be measured."}
	}
	a, b := e.Points[0].V.Base(), e.Points[1].V.Base()
	e.value = b - a
	if e.Spec.Fall {
		e.value = a - b
	}
	e.parts.resolution(e.stepOf(), math.Sqrt2)
	e.parts.noise(e.Points)
	if r := e.Spec.Reference.Millimetres(); r > 0 {
		e.fixed = append(e.fixed, events.Figure{Name: "height of the standard", Value: e.Spec.Reference.Value(), Note: "added"})
		e.figure("difference to it", e.value, "")
	}
	return nil
}

func (e *evaluation) endPlay() error {
	p := FindPlay(bases(e.Points), e.Step)
	if err := e.sure(p); err != nil {
		return err
	}
	e.value = p.Mean
	e.parts.resolution(e.stepOf(), math.Sqrt2)
	e.repeats(p.Strokes)
	e.figure("spread of the strokes", rangeOf(p.Strokes), fmt.Sprintf("%d strokes, standard deviation %s", len(p.Strokes), e.say(p.SD)))
	if p.Rejected > 0 {
		e.warn("%d of the values at rest were no stop: it stuck on the way, or was not pushed home. They are left out.", p.Rejected)
	}
	return nil
}

// sure says what is wrong with a play that cannot be.
func (e *evaluation) sure(p Play) error {
	switch {
	case len(p.Strokes) == 0 && len(e.Points) < 2:
		return &Trouble{"too_few", "There are no two stops yet.", "Push and pull to the stops, hold still at each."}
	case len(p.Strokes) == 0:
		return &Trouble{"no_movement", "No movement from stop to stop is to be seen.", "Look whether the tip touches the part, whether the indicator is at its own stop, and whether the part is free. Then measure again."}
	}
	return nil
}

func (e *evaluation) backlash() error {
	var means []float64
	rejected, place := 0, 0
	for ; len(At(e.Points, place)) > 0; place++ {
		here := At(e.Points, place)
		if here[0].Kind == Place { // read by eye
			means = append(means, here[0].V.Base())
			continue
		}
		p := FindPlay(bases(here), e.Step)
		if err := e.sure(p); err != nil {
			return err
		}
		means, rejected = append(means, p.Mean), rejected+p.Rejected
	}
	vs := make([]quantity.Length, len(means))
	for i, m := range means {
		vs[i] = quantity.Millimetres(m)
	}
	a := FindAround(vs, quantity.Length{})
	e.around(a, len(means))
	// The places differ because the gear does: what repeats is a place.
	e.parts.resolution(e.stepOf(), math.Sqrt2)
	e.parts.within(e.Points, e.Step)
	if rejected > 0 {
		e.warn("%d of the values at rest were no stop and are left out.", rejected)
	}
	if e.Spec.Radius.Millimetres() > 0 && e.Spec.Arm.Millimetres() > 0 {
		e.fixed = append(e.fixed, events.Figure{Name: "radius of the tip", Value: e.Spec.Arm.Value(), Note: "the value holds at " + quantity.Format(e.Spec.Radius.Value(), quantity.Millimetre, -1)})
	}
	return nil
}

func (e *evaluation) around(a Around, n int) {
	switch e.Spec.Judge {
	case JudgeLeast:
		e.value = a.Least.Millimetres()
	case JudgeGreatest:
		e.value = a.Greatest.Millimetres()
	default:
		e.value = a.Mean.Millimetres()
	}
	e.figure("mean", a.Mean.Millimetres(), fmt.Sprintf("%d places", n))
	e.figure("least", a.Least.Millimetres(), fmt.Sprintf("at place %d", a.LeastAt+1))
	e.figure("greatest", a.Greatest.Millimetres(), fmt.Sprintf("at place %d", a.GreatestAt+1))
	e.figure("places apart by", a.Spread.Millimetres(), "greatest minus least")
	e.Spread = a.Spread.Value()
}

func (e *evaluation) clearance() error {
	vs := make([]quantity.Length, len(e.Points))
	for i, p := range e.Points {
		vs[i] = quantity.Millimetres(p.V.Base())
	}
	a := FindAround(vs, e.Spec.Diameter)
	e.around(a, len(vs))
	if len(vs) >= 3 {
		note := fmt.Sprintf("across the circle, highest at %.0f° from place 1", a.TiltAt.Degrees())
		if a.TiltAngle.Degrees() > 0 {
			note += fmt.Sprintf(", %.2f°", a.TiltAngle.Degrees())
		}
		e.figure("tilt", a.Tilt.Millimetres(), note)
	}
	e.parts.resolution(e.stepOf(), 1)
	e.parts.noise(e.Points)
	return nil
}

func rangeOf(xs []float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, x := range xs {
		lo, hi = min(lo, x), max(hi, x)
	}
	return hi - lo
}
