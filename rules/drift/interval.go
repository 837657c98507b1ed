package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/rules/calibration"
	"witnessmark/rules/fit"
)

// Bounds and targets of others, to hold advice against.
const (
	// GMP11Target is the probability of being in tolerance at the end of the
	// interval that NIST GMP 11 (NIST IR 6969) asks for critical parameters.
	GMP11Target = 0.99
	// GMP11Critical is the share of the uncertainty, in %, above which a parameter
	// is critical. Source: as above.
	GMP11Critical = 25
	// GMP11Years is its upper limit of any interval. Source: as above.
	GMP11Years = 10
	// TorqueYears is how long a torque wrench may go at most: FAA AC 43.13-1B,
	// 7-40 a, once a year and at once after abuse or a drop.
	TorqueYears = 1
)

// Advice is a new interval, in the unit of the old one, and how it was found.
type Advice struct {
	Method   string
	Interval float64
	Observed float64 // share found in tolerance
	Lower    float64 // its confidence limits (Clopper and Pearson)
	Upper    float64
	Reject   float64 // A3: confidence with which the old interval misses the target
	Changed  bool
}

// ByTest is method A3 of NCSLI RP-1: of n checks at the interval old, x found in
// tolerance. Where the observed share R0 misses the target with confidence Q of
// at least the one asked for, the new interval is old·10^((R0−target)·Q), within
// half and twice the old one. Q = 1 − 2·P(X ≤ x) below the target (as
// published), 1 − 2·P(X ≥ x) above it (by symmetry, our reading).
func ByTest(x, n int, old, target, confidence float64) (Advice, error) {
	if err := share(x, n, old, target); err != nil {
		return Advice{}, err
	}
	if !(confidence >= 0 && confidence < 1) {
		return Advice{}, fmt.Errorf("confidence %v: want 0 to below 1", confidence)
	}
	a := Advice{Method: "NCSLI RP-1 method A3", Interval: old, Observed: float64(x) / float64(n)}
	b := distuv.Binomial{N: float64(n), P: target}
	if a.Observed < target {
		a.Reject = 1 - 2*b.CDF(float64(x))
	} else {
		a.Reject = 1 - 2*(1-b.CDF(float64(x)-1))
	}
	a.Reject = max(0, a.Reject)
	a.Lower, a.Upper = clopper(x, n, confidence)
	if a.Reject > 0 && a.Reject >= confidence {
		a.Interval = min(2*old, max(old/2, old*math.Pow(10, (a.Observed-target)*a.Reject)))
		a.Changed = a.Interval != old
	}
	return a, nil
}

func share(x, n int, old, target float64) error {
	switch {
	case n < 1 || x < 0 || x > n:
		return fmt.Errorf("%d of %d in tolerance: want at least one check, and no more in tolerance than checked", x, n)
	case !(old > 0):
		return fmt.Errorf("interval %v: want it above zero", old)
	case !(target > 0 && target < 1):
		return fmt.Errorf("reliability target %v: want above 0 and below 1, such as 0.95", target)
	}
	return nil
}

func clopper(x, n int, confidence float64) (lo, hi float64) {
	hi = 1
	if x > 0 {
		lo = distuv.Beta{Alpha: float64(x), Beta: float64(n - x + 1)}.Quantile((1 - confidence) / 2)
	}
	if x < n {
		hi = distuv.Beta{Alpha: float64(x + 1), Beta: float64(n - x)}.Quantile((1 + confidence) / 2)
	}
	return lo, hi
}

// ByExponential takes reliability to fall as exp(−λt) and scales the interval:
// old·ln(target)/ln(observed). Source: exponential model of NCSLI RP-1 and NASA
// RP-1342, from memory. An error if none or all were in tolerance: then the
// model says nothing.
func ByExponential(x, n int, old, target float64) (Advice, error) {
	if err := share(x, n, old, target); err != nil {
		return Advice{}, err
	}
	if x == 0 || x == n {
		return Advice{}, fmt.Errorf("%d of %d in tolerance: the exponential rule needs some of both; use method A3", x, n)
	}
	r := float64(x) / float64(n)
	a := Advice{Method: "exponential reliability", Observed: r, Interval: old * math.Log(target) / math.Log(r), Changed: true}
	a.Lower, a.Upper = clopper(x, n, 0.5)
	return a, nil
}

// Checked is how many of n tools were in tolerance at one age.
type Checked struct {
	Age float64
	In  int
	N   int
}

// Rate is the λ of exp(−λt) of greatest likelihood, per unit of age; the
// interval for a target is −ln(target)/λ. An error if all were in tolerance.
func Rate(groups []Checked) (float64, error) {
	in, n := 0, 0
	for _, g := range groups {
		if err := share(g.In, g.N, g.Age, 0.5); err != nil {
			return 0, err
		}
		in, n = in+g.In, n+g.N
	}
	if n == 0 || in == n {
		return 0, fmt.Errorf("%d of %d in tolerance: a rate needs some that were not", in, n)
	}
	// The derivative of the log likelihood falls with λ.
	slope := func(l float64) float64 {
		s := 0.0
		for _, g := range groups {
			s += float64(g.N-g.In)*g.Age/math.Expm1(l*g.Age) - float64(g.In)*g.Age
		}
		return s
	}
	lo, hi := 0.0, 1e-9
	for slope(hi) > 0 && hi < 1e9 {
		lo, hi = hi, 2*hi
	}
	for range 200 {
		if mid := lo + (hi-lo)/2; slope(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}

// A Growth is drift since calibration, deviation = b1·t + b2·t² and so on with
// no constant, from variables data. Source: NASA-HDBK-8739.19-5, chapter 7.
type Growth struct {
	Fit   fit.Fit
	Start float64 // standard uncertainty at the time of calibration
}

// GrowthOf fits deviations, in any unit, at times since calibration, with the
// powers 1 to degree (2 in the handbook).
func GrowthOf(at, deviation []float64, start float64, degree int) (Growth, error) {
	powers := make([]int, max(1, degree))
	for i := range powers {
		powers[i] = i + 1
	}
	f, err := fit.Poly(at, deviation, powers...)
	return Growth{f, start}, err
}

// U is the standard uncertainty at time t: √(start² + s² + u²(fit)).
func (g Growth) U(t float64) float64 { return math.Hypot(g.Start, g.Fit.UNext(t)) }

// UntilUncertainty is when U reaches most; +Inf if never.
func (g Growth) UntilUncertainty(most float64) float64 {
	return firstAbove(func(t float64) float64 { return g.U(t) - most }, 0)
}

// UntilOutside is when the value that starts at value may leave the limits,
// with Student's factor at the quantile p: 0.95 for 90 % on two sides, 0.9 for
// 90 % on one. The bound is U(t) about the fit. A start whose bound is
// outside the limits gives 0: there the handbook's own table follows a crossing
// that runs the wrong way.
func (g Growth) UntilOutside(value float64, l calibration.Limits, p float64) float64 {
	k := fit.Student(p, float64(g.Fit.DF))
	return firstAbove(func(t float64) float64 {
		y, h := value+g.Fit.At(t), k*g.U(t)
		return max(y+h-l.Upper, l.Lower-(y-h))
	}, 0)
}
