package gauge

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// budget gathers what makes a result unsure, in the unit of the tool's own
// reading. Sources: JCGM 100 (GUM), 4.2, 4.3, 5.1.2, F.2.2.1; k = 2.
type budget struct{ parts []calibration.Component }

// resolution: readings come in steps of r; times is how often it comes in, √2
// for a difference of two.
func (b *budget) resolution(r, times float64) {
	c := calibration.FromResolution(r)
	c.Stated *= times
	b.parts = append(b.parts, c)
}

// repeats: the mean of values that were repeated.
func (b *budget) repeats(xs []float64) {
	if c, err := calibration.FromRepeats("repeats", xs); err == nil {
		b.parts = append(b.parts, c)
	}
}

// within: what was repeated at each of several places, pooled: s/√n of all
// strokes with the degrees of freedom of all places.
func (b *budget) within(points []Point, step float64) {
	ss, df, n := 0.0, 0.0, 0
	for place := 0; len(At(points, place)) > 0; place++ {
		p := FindPlay(bases(At(points, place)), step)
		ss += float64(p.SD * p.SD * float64(max(len(p.Strokes)-1, 0)))
		df += float64(max(len(p.Strokes)-1, 0))
		n += len(p.Strokes)
	}
	if df > 0 {
		b.known("repeats", fmt.Sprintf("s of %d strokes, within the places", n), math.Sqrt(ss/df/float64(n)), df)
		return
	}
	b.noise(points)
}

// noise: values that were taken once; half of what the indicator moved while
// it was still is the half width of a rectangle. The two greatest count.
func (b *budget) noise(points []Point) {
	var first, second float64
	for _, p := range points {
		if s := p.Spread.Base(); s > first {
			first, second = s, first
		} else {
			second = max(second, s)
		}
	}
	if w := math.Hypot(first, second) / 2; w > 0 {
		b.halfWidth("noise while it was still", "movement at rest", w)
	}
}

// known: a standard uncertainty from readings.
func (b *budget) known(name, source string, u, df float64) {
	b.parts = append(b.parts, calibration.Component{Name: name, Source: source, Type: 'A', Shape: calibration.Normal, Stated: u, Divisor: 1, Weight: 1, DF: max(df, 1)})
}

func (b *budget) halfWidth(name, source string, w float64) {
	b.parts = append(b.parts, calibration.Component{Name: name, Source: source, Type: 'B', Shape: calibration.Rectangular, Stated: math.Abs(w), Divisor: math.Sqrt(3), Weight: 1, DF: math.Inf(1)})
}

// calibration: what the tool's certificate leaves open.
func (b *budget) calibration(of func(quantity.Value) quantity.Value, v quantity.Value) {
	if of != nil {
		b.parts = append(b.parts, calibration.FromCertificate("calibration of the tool", of(v).Base(), 2))
	}
}

// cosine: how well the direction of the indicator is known. Of a lever at an
// angle the correction's slope, v·tan θ·δ with δ 5°; of a plunger what 3° off
// square would make. Both half widths are common practice, no source.
func (b *budget) cosine(v float64, s Spec) {
	switch {
	case s.Method == Drag:
	case s.Lever.Degrees() > 0:
		b.halfWidth("angle of the stylus", fmt.Sprintf("%.0f° ± %.0f°", s.Lever.Degrees(), leverKnown), v*math.Tan(s.Lever.Radians())*leverKnown*math.Pi/180)
	default:
		b.halfWidth("indicator not quite square", fmt.Sprintf("within %.0f°", squareKnown), v*(1-math.Cos(squareKnown*math.Pi/180)))
	}
}

// total weighs all parts by what the value is corrected with.
func (b *budget) total(scale float64) calibration.Budget {
	for i := range b.parts {
		b.parts[i].Weight = scale
	}
	return calibration.Budget{Components: b.parts, K: 2}
}

func (b *budget) lines(t calibration.Budget, of func(float64) quantity.Value) []events.GaugeBudgetLine {
	var out []events.GaugeBudgetLine
	for i, c := range t.Components {
		out = append(out, events.GaugeBudgetLine{Name: c.Name, Source: c.Source, Type: string(c.Type), U: of(c.U()), Share: t.Share(i)})
	}
	return out
}
