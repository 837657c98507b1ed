package calibration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"

	"witnessmark/rules/fit"
)

// A Shape is the distribution that a component of uncertainty is taken to
// have; it sets the divisor from what is stated to a standard uncertainty.
type Shape string

// Shapes and their divisors. Source: JCGM 100 (GUM), 4.3.
const (
	Normal      Shape = "normal"      // stated as k standard uncertainties: divisor k
	Rectangular Shape = "rectangular" // stated as a half width: √3
	Triangular  Shape = "triangular"  // stated as a half width: √6
	ArcSine     Shape = "arcsine"     // stated as a half width: √2
)

// A Component is one line of an uncertainty budget.
type Component struct {
	Name    string
	Source  string // where the figure comes from
	Type    byte   // 'A' from readings, 'B' from other knowledge
	Shape   Shape
	Stated  float64 // as stated, in the budget's unit
	Divisor float64 // what turns it into a standard uncertainty
	Weight  float64 // sensitivity coefficient; 1 for relative budgets
	DF      float64 // degrees of freedom; infinite for well known ones
}

// U is the standard uncertainty that the component contributes.
func (c Component) U() float64 { return math.Abs(c.Weight) * c.Stated / c.Divisor }

// A Budget is a table of components in one unit, such as % of the reading.
type Budget struct {
	Unit       string
	Components []Component
	K          float64 // coverage factor, 2 by ISO 6789-2
}

// Combined is the combined standard uncertainty, √Σu². Source: GUM 5.1.2.
func (b Budget) Combined() float64 {
	sum := 0.0
	for _, c := range b.Components {
		u := c.U()
		sum += float64(u * u)
	}
	return math.Sqrt(sum)
}

// Expanded is K times the combined standard uncertainty.
func (b Budget) Expanded() float64 { return b.K * b.Combined() }

// EffectiveDF is u⁴/Σ(uᵢ⁴/νᵢ), infinite if all components are well known.
// Source: Welch-Satterthwaite, GUM G.4.1.
func (b Budget) EffectiveDF() float64 {
	sum := 0.0
	for _, c := range b.Components {
		if !math.IsInf(c.DF, 1) {
			sum += math.Pow(c.U(), 4) / c.DF
		}
	}
	return math.Pow(b.Combined(), 4) / sum // x/0 is +Inf
}

// wellKnown is from how many degrees of freedom on Student's distribution is
// taken as the normal one: at 95 % they differ by 1e-6 there, and the quantile
// of a far greater number is lost in rounding.
const wellKnown = 1e6

// Coverage is the factor for a stated coverage probability, such as 0.9545,
// from Student's distribution with the effective degrees of freedom cut to a
// whole number. Source: GUM G.4.1 and G.6.4. Where it is well above 2, k = 2
// promises more than the readings bear.
func (b Budget) Coverage(p float64) float64 {
	df := b.EffectiveDF()
	if !(df < wellKnown) {
		return fit.Student((1+p)/2, math.Inf(1))
	}
	return fit.Student((1+p)/2, max(1, math.Floor(df)))
}

// Share is the part of component i in the combined variance, 0 to 1.
func (b Budget) Share(i int) float64 {
	total := b.Combined()
	if total == 0 {
		return 0
	}
	u := b.Components[i].U()
	return u * u / total / total
}

// FromCertificate is the component of a reference with expanded uncertainty
// at coverage factor k.
func FromCertificate(name string, expanded, k float64) Component {
	return Component{Name: name, Source: fmt.Sprintf("certificate, k = %g", k), Type: 'B', Shape: Normal, Stated: expanded, Divisor: k, Weight: 1, DF: math.Inf(1)}
}

// FromResolution is the component of a display or scale that is read to
// steps of r: a half width of r/2. Source: GUM F.2.2.1.
func FromResolution(r float64) Component {
	return Component{Name: "resolution of the tool", Source: "half a step", Type: 'B', Shape: Rectangular, Stated: r / 2, Divisor: math.Sqrt(3), Weight: 1, DF: math.Inf(1)}
}

// FromRepeats is the component of repeated readings: s/√n with n − 1 degrees
// of freedom. Source: GUM 4.2. An error for fewer than two.
func FromRepeats(name string, readings []float64) (Component, error) {
	if len(readings) < 2 {
		return Component{}, fmt.Errorf("%s from %d reading: take at least two", name, len(readings))
	}
	n := float64(len(readings))
	return Component{Name: name, Source: fmt.Sprintf("s of %d readings", len(readings)), Type: 'A', Shape: Normal, Stated: stat.StdDev(readings, nil), Divisor: math.Sqrt(n), Weight: 1, DF: n - 1}, nil
}

// FromSpan is the component of an influence that was tried in some positions:
// span is the largest minus the smallest of the means found there. Half of it
// is taken as the half width of a rectangle. ISO 6789-2:2017, 6.2 treats
// reproducibility, output drive, drive interface and loading point so; from
// memory, text not retrieved.
func FromSpan(name string, span float64) Component {
	return Component{Name: name, Source: "span of means", Type: 'B', Shape: Rectangular, Stated: span / 2, Divisor: math.Sqrt(3), Weight: 1, DF: math.Inf(1)}
}

// Influences are what ISO 6789-2 lets be found once per model of tool, as the
// span of the means in % of the reading; 0 where one does not apply.
type Influences struct {
	Reproducibility float64 // taken off and put on again
	Interface       float64 // between tool and bench: adapter turned
	OutputDrive     float64 // square or hexagon turned in its seat
	LeverLength     float64 // loading point moved along the grip
}

// ToolBudget is the budget of one point in % of the reading, in the order of
// ISO 6789-2: reference, resolution, repeatability, reproducibility,
// interface, output drive, lever length; k = 2. reference is its expanded
// uncertainty (k = 2) in %, resolution the step of the tool in % of the point,
// deviations the relative deviations read there.
func ToolBudget(reference, resolution float64, deviations []float64, in Influences) (Budget, error) {
	rep, err := FromRepeats("repeatability", deviations)
	if err != nil {
		return Budget{}, err
	}
	b := Budget{Unit: "%", K: 2, Components: []Component{
		FromCertificate("reference", reference, 2),
		FromResolution(resolution),
		rep,
		FromSpan("reproducibility", in.Reproducibility),
		FromSpan("drive interface", in.Interface),
		FromSpan("output drive", in.OutputDrive),
		FromSpan("lever length", in.LeverLength),
	}}
	return b, nil
}
