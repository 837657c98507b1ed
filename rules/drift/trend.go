package drift

import (
	"fmt"
	"math"

	"witnessmark/rules/calibration"
	"witnessmark/rules/fit"
)

// A Check is what a tool was found to deviate at one time, in days or in
// cycles.
type Check struct {
	At        float64
	Deviation float64
	Adjusted  bool // the tool was adjusted just before: a new series begins here
}

// A Crossing is where a trend leaves the tolerance. Times are on the axis of
// the checks; +Inf is never.
type Crossing struct {
	Limit float64 // the limit that is reached
	Early float64 // a check could be outside from here on, with the confidence asked for
	Best  float64 // the line itself reaches the limit
	Late  float64 // even the far bound has reached it
}

// A Trend is a line through the checks since the last adjustment.
type Trend struct {
	From       int // index of the first check of the series
	Fit        fit.Fit
	Confidence float64
	Slope      float64
	SlopeHalf  float64 // half width of its confidence interval
	Sure       bool    // the slope differs from zero with the confidence asked for
	Widened    float64 // factor on the line's uncertainty, for residuals that follow each other
	Crossing   Crossing
	Last       float64 // time of the last check
	limits     calibration.Limits
	factor     float64 // Student's, one-sided
}

// LeastChecks is how many checks a trend wants since the last adjustment.
const LeastChecks = 4

// TrendOf fits the checks since the last adjustment and says when the tool will
// leave its limits, with one-sided confidence such as 0.95. Source: prediction
// bounds of a line, NIST/SEMATECH e-Handbook 4.5.1. With 8 checks or more, where
// neighbouring residuals correlate by r > 0 the line's uncertainty is widened by
// √((1+r)/(1−r)), r at most 0.9 (our own choice).
func TrendOf(checks []Check, limits calibration.Limits, confidence float64) (Trend, error) {
	if !(confidence > 0.5 && confidence < 1) {
		return Trend{}, fmt.Errorf("confidence %v: want above 0.5 and below 1, such as 0.95", confidence)
	}
	t := Trend{Confidence: confidence, Widened: 1, limits: limits}
	var all, x, y []float64
	for i, c := range checks {
		if c.Adjusted {
			t.From, x, y = i, nil, nil
		}
		all, x, y = append(all, c.At), append(x, c.At), append(y, c.Deviation)
	}
	if err := inOrder(all, all, 0); err != nil {
		return Trend{}, err
	}
	if len(x) < LeastChecks {
		return Trend{}, fmt.Errorf("%w: %d checks since the last adjustment; a trend wants %d or more", ErrHistory, len(x), LeastChecks)
	}
	f, err := fit.Poly(x, y, 0, 1)
	if err != nil {
		return Trend{}, err
	}
	t.Fit, t.Slope, t.Last = f, f.Coef[1], x[len(x)-1]
	t.factor = fit.Student(confidence, float64(f.DF))
	if len(x) >= 8 {
		t.Widened = widen(f, x, y)
	}
	t.SlopeHalf = f.T(confidence) * f.UCoef(1) * t.Widened
	t.Sure = math.Abs(t.Slope) > t.SlopeHalf
	t.cross()
	return t, nil
}

// widen is the factor for residuals that follow each other.
func widen(f fit.Fit, x, y []float64) float64 {
	var cross, square, last float64
	for i := range x {
		r := y[i] - f.At(x[i])
		if i > 0 {
			cross += r * last
		}
		square, last = square+r*r, r
	}
	if square == 0 {
		return 1
	}
	r := min(0.9, max(0, cross/square))
	return math.Sqrt((1 + r) / (1 - r))
}

// Band is the line at x and the half width of the band for one further check,
// at the confidence asked for, to each side alone.
func (t Trend) Band(x float64) (line, half float64) {
	return t.Fit.At(x), t.factor * math.Hypot(t.Fit.UMean(x)*t.Widened, t.Fit.S)
}

// cross looks for the first time from the last check on at which each bound
// reaches a limit.
func (t *Trend) cross() {
	c := Crossing{Early: math.Inf(1), Best: math.Inf(1), Late: math.Inf(1)}
	bound := func(side, k float64) func(float64) float64 { // above zero is outside
		return func(x float64) float64 {
			line, half := t.Band(x)
			if side > 0 {
				return line + k*half - t.limits.Upper
			}
			return t.limits.Lower - line + k*half
		}
	}
	for _, side := range []float64{1, -1} {
		limit := t.limits.Upper
		if side < 0 {
			limit = t.limits.Lower
		}
		if e := firstAbove(bound(side, 1), t.Last); e < c.Early {
			c = Crossing{limit, e, firstAbove(bound(side, 0), t.Last), firstAbove(bound(side, -1), t.Last)}
		}
	}
	t.Crossing = c
}

// firstAbove is the first x from a on where f, which turns at most once, is
// above zero: widening steps, then halving. It gives up at a million times the
// first step; steps start at 1e-3 of a or of 1.
func firstAbove(f func(float64) float64, a float64) float64 {
	if f(a) >= 0 {
		return a
	}
	step := 1e-3 * max(1, math.Abs(a))
	lo, hi := a, a+step
	for f(hi) < 0 {
		if step *= 1.3; step > 1e6*max(1, math.Abs(a)) {
			return math.Inf(1)
		}
		lo, hi = hi, hi+step
	}
	for range 100 {
		if mid := lo + (hi-lo)/2; f(mid) >= 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}
