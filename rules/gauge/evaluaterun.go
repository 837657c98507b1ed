package gauge

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// mostCurve is how many places of a turn a record keeps.
const mostCurve = 180

// runOut evaluates one turn or several, or stops round the part.
func (e *evaluation) runOut() error {
	turns := e.turns()
	if len(turns) == 0 {
		return &Trouble{"too_few", "There is no whole turn yet.", "Turn the part slowly once round."}
	}
	var all []Turned
	for _, t := range turns {
		f, err := FitTurn(t)
		if err != nil {
			return &Trouble{"too_few", "The turn has too few readings, or not all round: " + fmt.Sprint(len(t)) + ".", "Turn more slowly, once round without stopping, and measure again."}
		}
		if Flat(t, e.Step) {
			return &Trouble{"at_stop", "The indicator shows the same end value over a large part of the turn: it is at its stop, or the tip lifts off.",
				"Move the stand so that the tip has travel both ways, and measure again."}
		}
		all = append(all, f)
		e.Samples += len(t)
	}
	e.turned(turns[0], all)
	return nil
}

func (e *evaluation) turns() [][]Polar {
	switch {
	case e.Spec.Places > 0:
		vs := make([]quantity.Length, len(e.Points))
		for i, p := range e.Points {
			vs[i] = quantity.Millimetres(p.V.Base())
		}
		return [][]Polar{Evenly(vs)}
	case len(e.Marks) > 1:
		return [][]Polar{ByMarks(e.Turn, e.Marks)}
	}
	turns := Split(e.Turn, e.Spec.Turns)
	if len(turns) == 1 {
		turns[0] = Whole(turns[0], max(1.5*e.Step, 3*Noise(e.Turn)))
	}
	return turns
}

func (e *evaluation) turned(first []Polar, all []Turned) {
	pick := func(f func(Turned) float64) (mean float64, xs []float64) {
		for _, t := range all {
			xs = append(xs, f(t))
		}
		return stat.Mean(xs, nil), xs
	}
	move, moves := pick(func(t Turned) float64 { return t.Movement.Millimetres() })
	ecc, eccs := pick(func(t Turned) float64 { return t.Eccentricity.Millimetres() })
	form, forms := pick(func(t Turned) float64 { return t.Form.Millimetres() })
	e.figure("full indicator movement", move, "greatest minus least reading")
	e.figure("eccentricity", ecc, fmt.Sprintf("high spot at %.0f° from the start", all[0].Direction.Degrees()))
	e.figure("form error", form, "what is left beside the eccentricity")
	e.Figures[0].Note += fmt.Sprintf(", %d readings a turn", all[0].N)
	xs := moves
	switch e.Spec.Judge {
	case JudgeEccentricity:
		e.value, xs = ecc, eccs
	case JudgeForm:
		e.value, xs = form, forms
	default:
		e.value = move
	}
	e.doubts(move, ecc, form, all)
	e.turnParts(xs, ecc, all)
	e.Curve = curve(first)
}

// doubts says what a reader of the figures must know.
func (e *evaluation) doubts(move, ecc, form float64, all []Turned) {
	if form > ecc && form > 6*e.Step {
		e.warn("The part is out of round rather than off centre: the form error %s is above the eccentricity %s. Half of the movement is not the eccentricity here.", e.say(form), e.say(ecc))
	}
	if move <= 3*e.Step {
		e.warn("Hardly any movement was seen. Make sure that the tip touched the part all round.")
	}
	if n := all[0].N; n < 12 && e.Spec.Places == 0 {
		e.warn("Only %d readings a turn: turn more slowly, so that no high spot falls between two.", n)
	}
}

// turnParts adds what makes a run-out unsure.
func (e *evaluation) turnParts(xs []float64, ecc float64, all []Turned) {
	step := e.stepOf()
	n := float64(all[0].N)
	if e.Spec.Judge == JudgeEccentricity {
		e.parts.resolution(step, math.Sqrt(2/n))
		e.parts.known("fit of the eccentricity", "residual of the first harmonic, s·√(2/n)", all[0].UEccentric.Millimetres(), n-3)
	} else {
		e.parts.resolution(step, math.Sqrt2)
		if s := Noise(e.Turn); s > 0 {
			e.parts.known("noise of the two extremes", "second differences of the stream, s·√2", s*math.Sqrt2, n-2)
		}
	}
	if len(xs) > 1 {
		e.parts.repeats(xs)
	}
	if k := e.Spec.Places; k > 0 && e.Spec.Judge != JudgeEccentricity {
		e.parts.halfWidth("high spot between the places", fmt.Sprintf("first harmonic, %d places", k), 2*ecc*(1-math.Cos(math.Pi/float64(k))))
	}
	if t := e.Turn; len(t) > 1 {
		if gap := math.Abs(t[len(t)-1].V.Base() - t[0].V.Base()); gap > step {
			e.parts.halfWidth("turn does not close", "end against beginning", gap)
			if gap > 0.2*all[0].Movement.Millimetres() && gap > 5*step {
				e.warn("The end differs from the beginning by %s: the turn was not whole, or the stand moved.", e.say(gap))
			}
		}
	}
}

// curve thins a turn to what can be drawn.
func curve(t []Polar) []events.CurvePoint {
	every := max(1, (len(t)+mostCurve-1)/mostCurve)
	var out []events.CurvePoint
	for i := 0; i < len(t); i += every {
		out = append(out, events.CurvePoint{Angle: math.Round(t[i].Angle.Degrees()*10) / 10, V: math.Round(t[i].V.Millimetres()*1e5) / 1e5})
	}
	return out
}
