package shims

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events/quantity"
)

// Comparison is a value measured after fitting, held against the prediction.
type Comparison struct {
	Difference quantity.Value // measured − predicted
	Allowed    quantity.Value // the root of the sum of both uncertainties' squares
	En         float64        // |Difference| / Allowed
	Agrees     bool           // En ≤ 1
	Text       string         // for people
	Likely     []string       // what is likely wrong, most telling first; empty if they agree
}

// Compare holds a measured result against what the stack in place was to
// give. They agree if they differ by no more than their uncertainties allow
// together: E_n = |x − y| / √(U_x² + U_y²) ≤ 1, the measure by which
// laboratories are compared (ISO 13528, ISO/IEC 17043; from memory). drawer
// serves to name a piece that may have been taken by mistake.
func (t *Task) Compare(fitted Stack, measured, u quantity.Value, drawer []Leaf) (Comparison, error) {
	if measured.Dimension() != t.dim() || !measured.Finite() {
		return Comparison{}, wrong("%s was measured, but the result is a %s: check the tool and its unit", quantity.Format(measured, quantity.Unit{}, -1), t.dim())
	}
	a, b := fitted.U.Base(), max(u.Base(), 0)
	allowed := math.Sqrt(float64(a*a) + float64(b*b))
	d := measured.Base() - fitted.Result.Base()
	c := Comparison{Difference: t.value(d), Allowed: t.value(allowed)}
	switch {
	case allowed > 0:
		c.En = math.Abs(d) / allowed
	case d != 0:
		c.En = math.Inf(1)
	}
	c.Agrees = c.En <= 1+1e-9
	if c.Agrees {
		c.Text = fmt.Sprintf("Measured %s, predicted %s: they agree within ± %s.", t.Say(measured), t.Say(fitted.Result), t.SayU(c.Allowed))
		return c, nil
	}
	more := "more"
	if d < 0 {
		more = "less"
	}
	c.Text = fmt.Sprintf("Measured %s, predicted %s: %s %s than predicted, and only ± %s is explained by the uncertainties.",
		t.Say(measured), t.Say(fitted.Result), t.Say(t.value(math.Abs(d))), more, t.SayU(c.Allowed))
	c.Likely = t.likely(fitted, measured, c, drawer)
	return c, nil
}

// beside returns what another stack would give, by what the fitted one should.
func (t *Task) beside(fitted Stack, stack float64) float64 {
	d := stack - fitted.Sum.Millimetres()
	switch t.Sense {
	case GivesPlay:
		return fitted.Result.Base() + d
	case Preloads:
		return max(0, fitted.Result.Base()+float64(t.Stiffness.NewtonsPerMillimetre()*d))
	}
	return fitted.Result.Base() - d
}

// likely names what explains a difference. What a number can show comes
// first: a sign, a unit, a stack that was not changed, a piece too many or
// too few, one taken for another. What is common in the trade follows (common
// practice, no source).
func (t *Task) likely(fitted Stack, measured quantity.Value, c Comparison, drawer []Leaf) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	x, allowed := measured.Base(), c.Allowed.Base()
	near := func(y float64) bool { return math.Abs(x-y) <= allowed }
	would := func(stack float64) float64 { return t.beside(fitted, stack) }
	if x < 0 {
		say("The value is below zero: the indicator runs the other way, or was zeroed on the wrong side.")
	}
	if p := fitted.Result.Base(); p != 0 && x != 0 && (x < 0) != (p < 0) && math.Abs(x+p) <= allowed {
		say("The figure is right but its sign is wrong: the indicator runs the other way.")
	}
	for _, f := range []float64{25.4, 1 / 25.4} {
		if p := fitted.Result.Base(); t.dim() == quantity.DimLength && math.Abs(x-p*f) <= 0.1*math.Abs(p*f) && p != 0 {
			say("The figure would fit in the other system of units (mm and inch): check the indicator's unit.")
		}
	}
	stack := fitted.Sum.Millimetres()
	if before := would(t.Fitted.Millimetres()); near(before) && nm(t.Fitted) != nm(fitted.Sum) {
		say("It is what was there before: the new stack may not be in.")
	}
	swap := false
	for i, p := range fitted.Pieces {
		if i > 0 && nm(fitted.Pieces[i-1].Takes()) == nm(p.Takes()) {
			continue
		}
		th := p.Takes().Millimetres()
		if near(would(stack - th)) {
			say("One piece of %s may be missing.", p)
		}
		if near(would(stack + th)) {
			say("There may be one piece of %s too many: thin pieces stick together.", p)
		}
		for _, q := range drawer {
			if nm(q.Takes()) != nm(p.Takes()) && !swap && near(would(stack-th+q.Takes().Millimetres())) && math.Abs(q.Takes().Millimetres()-th) > 0 {
				say("A piece of %s may be in where %s should be: measure the pieces.", q, p)
				swap = true
			}
		}
	}
	lessStack := slices.Contains([]Sense{TakesPlay}, t.Sense) == (c.Difference.Base() < 0)
	if lessStack {
		say("The stack acts thicker than it is: dirt, a burr or a turned-up edge under it, or a bearing race that is not home.")
	} else {
		say("The stack acts thinner than it is: the parts were not home when the play was first measured and have seated since, or a piece is thinner than marked.")
	}
	return out
}
