package calibration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Limits are the tolerance limits of one quantity, in its unit. A limit that
// is not there is an infinity.
type Limits struct {
	Lower float64
	Upper float64
}

// Symmetric are the limits −m and +m, such as ±4 %.
func Symmetric(m float64) Limits { return Limits{-m, m} }

// Hold says whether y lies within; a value that is no number does not.
func (l Limits) Hold(y float64) bool { return l.Lower <= y && y <= l.Upper }

// Probability is the probability that the quantity lies within the limits when
// y was measured with standard uncertainty u: Φ((TU−y)/u) − Φ((TL−y)/u). With
// u = 0 it is 1 or 0. Source: JCGM 106:2012, 7.2 to 7.4, a normal density with
// no knowledge beforehand.
func Probability(y, u float64, l Limits) float64 {
	if !(u > 0) {
		if l.Hold(y) {
			return 1
		}
		return 0
	}
	// The smaller of the two tails is taken, so that a probability near 0 keeps
	// its digits.
	above, below := tail((l.Upper-y)/u), tail((y-l.Lower)/u)
	if above > 0.5 || below > 0.5 {
		return math.Abs(tail((l.Lower-y)/u) - above)
	}
	return 1 - above - below
}

// Beyond is the probability of lying beyond a limit that is room away, measured
// with standard uncertainty u; room is below zero outside. With u = 0 it is 0 or
// 1. Farther than 9 u it is taken as 0, being below 1e-18.
func Beyond(room, u float64) float64 {
	switch {
	case room > 9*u || u == 0 && room == 0:
		return 0
	case !(u > 0):
		return 1
	}
	return tail(room / u)
}

// tail is 1 − Φ(z).
func tail(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// A RuleKind is how a verdict allows for the measuring uncertainty.
type RuleKind string

const (
	// Simple acceptance: accept within the tolerance limits; the uncertainty was
	// bounded beforehand (JCGM 106, 8.2).
	Simple RuleKind = "simple"
	// Guarded acceptance: the limits are drawn in by a guard band w = Guard·U
	// (JCGM 106, 8.3.2; ILAC-G8:09/2019).
	Guarded RuleKind = "guard"
	// Confident acceptance: accept where the probability of conformity is at
	// least Least (JCGM 106, 8.3.3).
	Confident RuleKind = "probability"
)

// A Rule is a decision rule. It belongs to the record of each verdict.
type Rule struct {
	Kind  RuleKind `json:"kind"`
	Guard float64  `json:"guard,omitempty"` // of Guarded: the guard band as a multiple of U; 1 is w = U
	Least float64  `json:"least,omitempty"` // of Confident: the least probability, 0.5 to 1
}

// Check says what is wrong with the rule.
func (r Rule) Check() error {
	switch {
	case r.Kind == Simple:
		return nil
	case r.Kind == Guarded && r.Guard >= 0 && r.Guard <= 3:
		return nil
	case r.Kind == Confident && r.Least >= 0.5 && r.Least < 1:
		return nil
	}
	return fmt.Errorf("decision rule %q (guard %v, least %v): want simple, or guard with 0 to 3 times U, or probability with at least 0.5 and below 1", r.Kind, r.Guard, r.Least)
}

// String names the rule in words.
func (r Rule) String() string {
	switch r.Kind {
	case Guarded:
		return fmt.Sprintf("guard band w = %g U", r.Guard)
	case Confident:
		return fmt.Sprintf("probability of conformity at least %g %%", 100*r.Least)
	}
	return "simple acceptance"
}

// A Verdict is what a rule says of one value.
type Verdict struct {
	Accept bool    `json:"accept"`
	Inside bool    `json:"inside"` // within the tolerance limits, whatever the rule
	P      float64 `json:"p"`      // probability of conformity
	Lower  float64 `json:"lower"`  // acceptance limits, in the unit of the value
	Upper  float64 `json:"upper"`
}

// Decide judges y with standard uncertainty u and coverage factor 2 against
// the limits. A value on an acceptance limit is accepted.
func (r Rule) Decide(y, u float64, l Limits) Verdict {
	a := r.Acceptance(u, l)
	v := Verdict{Inside: l.Hold(y), P: Probability(y, u, l), Lower: a.Lower, Upper: a.Upper}
	v.Accept = a.Hold(y)
	return v
}

// Acceptance are the acceptance limits. Where the guard bands meet, no value
// can be accepted and the lower limit lies above the upper.
func (r Rule) Acceptance(u float64, l Limits) Limits {
	w := 0.0
	switch r.Kind {
	case Guarded:
		w = float64(r.Guard * 2 * u)
	case Confident:
		w = r.confidentBand(u, l)
	}
	return Limits{l.Lower + w, l.Upper - w}
}

// confidentBand is how far within the limits the probability reaches Least. It
// grows from the limits inwards, so halving finds it.
func (r Rule) confidentBand(u float64, l Limits) float64 {
	width := l.Upper - l.Lower
	if math.IsInf(width, 0) {
		return float64(u * distuv.UnitNormal.Quantile(r.Least))
	}
	if u == 0 {
		return 0
	}
	lo, hi := 0.0, width/2
	if Probability(l.Upper-hi, u, l) < r.Least {
		return width // never
	}
	for range 80 {
		mid := (lo + hi) / 2
		if Probability(l.Upper-mid, u, l) < r.Least {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// Risks are the shares of tools, gauges or parts that a rule judges wrongly in
// the long run.
type Risks struct {
	FalseAccept float64 // accepted although outside
	FalseReject float64 // rejected although inside
	Inside      float64 // inside the limits at all
	// FalseAcceptOfAccepted is FalseAccept as a share of the accepted ones.
	FalseAcceptOfAccepted float64
}

// GlobalRisks are the risks when the quantity varies about centre with
// standard deviation process, is measured with standard deviation test, and is
// accepted within the given acceptance limits. Source: JCGM 106:2012, 9.5.
func GlobalRisks(centre, process, test float64, tolerance, acceptance Limits) Risks {
	accept := func(x float64) float64 {
		return distuv.UnitNormal.CDF((acceptance.Upper-x)/test) - distuv.UnitNormal.CDF((acceptance.Lower-x)/test)
	}
	density := distuv.Normal{Mu: centre, Sigma: process}
	lo, hi := centre-10*process, centre+10*process
	over := func(a, b float64, f func(float64) float64) float64 {
		a, b = max(a, lo), min(b, hi)
		if a >= b {
			return 0
		}
		const pieces = 40
		sum := 0.0
		for i := range pieces {
			from := a + (b-a)*float64(i)/pieces
			sum += quad.Fixed(func(x float64) float64 { return density.Prob(x) * f(x) }, from, from+(b-a)/pieces, 16, quad.Legendre{}, 0)
		}
		return sum
	}
	inf := math.Inf(1)
	r := Risks{
		FalseAccept: over(-inf, tolerance.Lower, accept) + over(tolerance.Upper, inf, accept),
		FalseReject: over(tolerance.Lower, tolerance.Upper, func(x float64) float64 { return 1 - accept(x) }),
		Inside:      over(tolerance.Lower, tolerance.Upper, func(float64) float64 { return 1 }),
	}
	r.FalseAcceptOfAccepted = r.FalseAccept / (r.FalseAccept + r.Inside - r.FalseReject)
	return r
}

// A GuardMethod sets acceptance limits by the test uncertainty ratio, the
// tolerance over the expanded uncertainty.
type GuardMethod string

// The guard band methods, with their acceptance limit as a share of the
// tolerance.
const (
	RootSumSquare   GuardMethod = "root sum of squares"             // √(1 − 1/TUR²)
	FullUncertainty GuardMethod = "95 % test uncertainty"           // 1 − 1/TUR
	RP10            GuardMethod = "NCSLI RP-10"                     // 1.25 − 1/TUR, at most 1
	Managed         GuardMethod = "method 6 (2 % false acceptance)" // 1 − (1.04 − e^(0.38 ln TUR − 0.54))/TUR, at most 1
)

// GuardMethods are all methods.
func GuardMethods() []GuardMethod {
	return []GuardMethod{RootSumSquare, FullUncertainty, RP10, Managed}
}

// Multiplier is the acceptance limit as a share of the tolerance, 0 to 1.
func (m GuardMethod) Multiplier(tur float64) float64 {
	var f float64
	switch m {
	case RootSumSquare:
		f = math.Sqrt(max(0, 1-1/(tur*tur)))
	case FullUncertainty:
		f = 1 - 1/tur
	case RP10:
		f = 1.25 - 1/tur
	case Managed:
		f = 1 - (1.04-math.Exp(0.38*math.Log(tur)-0.54))/tur
	}
	return min(1, max(0, f))
}
