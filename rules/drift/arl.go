package drift

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Average run lengths are the mean number of points until a signal: large for
// a healthy tool (false alarms are rare), small for one that has shifted. They
// hold for independent normal readings. Worked out from the integral equation
// of the run length at 60 Gauss-Legendre points (Crowder 1987 for EWMA, Goel and
// Wu 1971 for CUSUM; the method is from memory, the results are held to printed
// ones).

const nodes = 60

var unit = distuv.UnitNormal

// ErrDesign says that no chart has the wanted run length.
var ErrDesign = errors.New("no chart has this run length")

// ARLShewhart is for one point beyond l standard deviations on either side,
// when the mean is off by shift standard deviations.
func ARLShewhart(l, shift float64) float64 {
	return 1 / (unit.Survival(l-shift) + unit.Survival(l+shift))
}

// ARLEWMA is for a two-sided EWMA chart with weight lambda and steady limits of
// l standard deviations of the EWMA, started at the centre.
func ARLEWMA(lambda, l, shift float64) float64 {
	h := l * math.Sqrt(lambda/(2-lambda))
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, -h, h)
	kernel := func(from, to float64) float64 {
		return unit.Prob((to-(1-lambda)*from)/lambda-shift) / lambda
	}
	return meanRun(x, w, kernel, nil, 0)
}

// ARLCUSUM is for a two-sided CUSUM chart with reference value k and decision
// interval h, both in standard deviations, started at zero.
func ARLCUSUM(k, h, shift float64) float64 {
	return 1 / (1/oneSided(k, h, shift) + 1/oneSided(k, h, -shift))
}

func oneSided(k, h, shift float64) float64 {
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	kernel := func(from, to float64) float64 { return unit.Prob(to - from + k - shift) }
	atZero := func(from float64) float64 { return unit.CDF(k - from - shift) }
	return meanRun(x, w, kernel, atZero, 0)
}

// meanRun solves L(z) = 1 + P(z→0)·L(0) + ∫K(z,u)L(u)du at the points x and at
// start, and gives L(start). atZero is nil where no state has a probability of
// its own.
func meanRun(x, w []float64, kernel func(from, to float64) float64, atZero func(float64) float64, start float64) float64 {
	n := len(x)
	at := append([]float64{start}, x...)
	a, one := mat.NewDense(n+1, n+1, nil), mat.NewVecDense(n+1, nil)
	for i, from := range at {
		one.SetVec(i, 1)
		for j, to := range x {
			a.Set(i, j+1, -w[j]*kernel(from, to))
		}
		a.Set(i, i, a.At(i, i)+1)
		if atZero != nil {
			a.Set(i, 0, a.At(i, 0)-atZero(from))
		}
	}
	var l mat.VecDense
	if err := l.SolveVec(a, one); err != nil {
		return math.NaN()
	}
	return l.AtVec(0)
}

// A Design is a chart chosen by its run lengths.
type Design struct {
	Lambda float64 // of an EWMA
	L      float64 // of an EWMA, in standard deviations of it
	K, H   float64 // of a CUSUM, in standard deviations of a reading
	ARL0   float64 // of a healthy tool
	ARL1   float64 // of one off by Shift
	Shift  float64 // standard deviations
}

// EWMALimit is the factor l that gives a healthy tool the run length arl0 at
// the weight lambda.
func EWMALimit(lambda, arl0 float64) (float64, error) {
	if !(lambda > 0 && lambda <= 1) {
		return 0, fmt.Errorf("weight %v: %w; want above 0, at most 1", lambda, ErrDesign)
	}
	return limitFor(arl0, func(l float64) float64 { return ARLEWMA(lambda, l, 0) })
}

// CUSUMLimit is the decision interval h, in standard deviations, that gives a
// healthy tool the run length arl0 at the reference value k.
func CUSUMLimit(k, arl0 float64) (float64, error) {
	if !(k >= 0.1 && k <= 3) {
		return 0, fmt.Errorf("reference value %v: %w; want 0.1 to 3 standard deviations", k, ErrDesign)
	}
	return limitFor(arl0, func(h float64) float64 { return ARLCUSUM(k, h, 0) })
}

// limitFor halves; a run length grows with its limit.
func limitFor(arl0 float64, arl func(float64) float64) (float64, error) {
	lo, hi := 0.05, 0.1
	for arl(hi) < arl0 {
		if lo, hi = hi, hi*1.5; hi > 60 {
			break
		}
	}
	if !(arl0 >= 5 && arl0 <= 1e5) || hi > 60 {
		return 0, fmt.Errorf("run length %v: %w; want 5 to 100000 points", arl0, ErrDesign)
	}
	for range 60 {
		if mid := (lo + hi) / 2; arl(mid) < arl0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}

// weights are the EWMA weights that a design chooses from.
var weights = []float64{0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5}

// DesignEWMA is the EWMA chart that sees a shift, in standard deviations, soonest
// among those whose healthy run length is arl0.
func DesignEWMA(arl0, shift float64) (Design, error) {
	best := Design{ARL1: math.Inf(1)}
	for _, lambda := range weights {
		l, err := EWMALimit(lambda, arl0)
		if err != nil {
			return Design{}, err
		}
		if a := ARLEWMA(lambda, l, shift); a < best.ARL1 {
			best = Design{Lambda: lambda, L: l, ARL0: ARLEWMA(lambda, l, 0), ARL1: a, Shift: shift}
		}
	}
	if math.IsInf(best.ARL1, 1) {
		return Design{}, ErrDesign
	}
	return best, nil
}

// DesignCUSUM is the CUSUM chart for a shift: k is half of it (ISO 7870-4), h
// follows from arl0.
func DesignCUSUM(arl0, shift float64) (Design, error) {
	h, err := CUSUMLimit(shift/2, arl0)
	if err != nil {
		return Design{}, err
	}
	return Design{K: shift / 2, H: h, ARL0: ARLCUSUM(shift/2, h, 0), ARL1: ARLCUSUM(shift/2, h, shift), Shift: shift}, nil
}
