// Package capability says how readings of one dimension lie in their limits:
// capability indices, the share outside, and tolerance limits that hold a stated
// share of all such parts with stated confidence. A normal process is taken for
// granted; look at a chart first.
//
// Indices are dimensionless, other figures in the unit of the readings. Sources:
// ISO 22514-2 (normal model, named from memory); NIST/SEMATECH e-Handbook of
// Statistical Methods 6.1.6 and 7.2.6.3.
package capability

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/rules/calibration"
)

// Indices are the capability of a process. With a limit that is not there, Cp
// and its interval are not numbers.
type Indices struct {
	Cp      float64 // (USL − LSL)/6s
	CpLower float64 // confidence limits of Cp, from χ² with the degrees of freedom of s
	CpUpper float64
	CpkL    float64 // (mean − LSL)/3s
	CpkU    float64 // (USL − mean)/3s
	Cpk     float64 // the lesser
	Outside float64 // share outside the limits, 0 to 1
}

// Of gives the indices for a mean and a standard deviation s of df degrees of
// freedom, with a confidence such as 0.95 for the interval of Cp.
func Of(mean, s, df float64, l calibration.Limits, confidence float64) (Indices, error) {
	if !(s > 0) || !(l.Lower < l.Upper) || !(confidence > 0 && confidence < 1) {
		return Indices{}, fmt.Errorf("capability of s = %v in %v to %v at confidence %v: want s above zero, a lower limit below the upper, a confidence between 0 and 1", s, l.Lower, l.Upper, confidence)
	}
	i := Indices{CpkL: (mean - l.Lower) / (3 * s), CpkU: (l.Upper - mean) / (3 * s)}
	i.Cpk = min(i.CpkL, i.CpkU)
	i.Outside = calibration.Beyond(mean-l.Lower, s) + calibration.Beyond(l.Upper-mean, s)
	i.Cp, i.CpLower, i.CpUpper = math.NaN(), math.NaN(), math.NaN()
	if w := l.Upper - l.Lower; !math.IsInf(w, 0) {
		i.Cp = w / (6 * s)
		if df > 0 {
			chi := distuv.ChiSquared{K: df}
			i.CpLower, i.CpUpper = i.Cp*math.Sqrt(chi.Quantile((1-confidence)/2)/df), i.Cp*math.Sqrt(chi.Quantile((1+confidence)/2)/df)
		}
	}
	return i, nil
}

// Cpm is the capability about a target: (USL − LSL)/(6·√(s² + (mean − target)²)).
// Some programs take s about the target from the readings instead; with the
// same n the two differ little.
func Cpm(mean, s, target float64, l calibration.Limits) float64 {
	return (l.Upper - l.Lower) / (6 * math.Hypot(s, mean-target))
}

// A Tolerance is a factor k: mean ± k·s (or mean + k·s on one side) holds at
// least the share of all parts with the confidence.
type Tolerance struct {
	N          int
	Share      float64
	Confidence float64
}

func (t Tolerance) check() error {
	if t.N < 2 || !(t.Share > 0 && t.Share < 1) || !(t.Confidence > 0 && t.Confidence < 1) {
		return fmt.Errorf("tolerance limits for %d readings, share %v, confidence %v: want two readings or more, and both between 0 and 1", t.N, t.Share, t.Confidence)
	}
	return nil
}

// Howe is the two-sided factor by Howe's approximation, as the e-Handbook
// prints it: z·√(ν(1 + 1/n)/χ²), a quarter of a percent low at n = 43.
func (t Tolerance) Howe() (float64, error) {
	n := float64(t.N)
	return distuv.UnitNormal.Quantile((1+t.Share)/2) * math.Sqrt((n-1)*(1+1/n)/distuv.ChiSquared{K: n - 1}.Quantile(1-t.Confidence)), t.check()
}

// Natrella is the one-sided factor by Natrella's approximation, as the
// e-Handbook prints it.
func (t Tolerance) Natrella() (float64, error) {
	z, zc, n := distuv.UnitNormal.Quantile(t.Share), distuv.UnitNormal.Quantile(t.Confidence), float64(t.N)
	a, b := 1-zc*zc/(2*(n-1)), z*z-zc*zc/n
	return (z + math.Sqrt(z*z-a*b)) / a, t.check()
}

// OneSided is the exact one-sided factor: the quantile of the noncentral
// Student distribution over √n, by integration over s.
func (t Tolerance) OneSided() (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	n := float64(t.N)
	shift := distuv.UnitNormal.Quantile(t.Share) * math.Sqrt(n)
	return rising(t.Confidence, func(k float64) float64 {
		return overS(n-1, func(s float64) float64 { return distuv.UnitNormal.CDF(k*math.Sqrt(n)*s - shift) })
	}), nil
}

// TwoSided is the exact two-sided factor: over all means x of n readings, the
// probability that s is large enough for mean ± k·s to hold the share.
func (t Tolerance) TwoSided() (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	n := float64(t.N)
	chi := distuv.ChiSquared{K: n - 1}
	const points = 60
	x, w := make([]float64, points), make([]float64, points)
	quad.Legendre{}.FixedLocations(x, w, 0, 8/math.Sqrt(n))
	half := make([]float64, points)
	for i := range x {
		half[i] = rising(t.Share, func(r float64) float64 {
			return distuv.UnitNormal.CDF(x[i]+r) - distuv.UnitNormal.CDF(x[i]-r)
		})
	}
	return rising(t.Confidence, func(k float64) float64 {
		sum := 0.0
		for i := range x {
			need := half[i] / k
			sum += 2 * w[i] * math.Sqrt(n) * distuv.UnitNormal.Prob(x[i]*math.Sqrt(n)) * chi.Survival((n-1)*need*need)
		}
		return sum
	}), nil
}

// overS is the mean of f(s) where s²·ν is χ² distributed.
func overS(df float64, f func(float64) float64) float64 {
	chi := distuv.ChiSquared{K: df}
	lo, hi := math.Sqrt(chi.Quantile(1e-13)/df), math.Sqrt(chi.Quantile(1-1e-13)/df)
	return quad.Fixed(func(s float64) float64 { return f(s) * chi.Prob(s*s*df) * 2 * s * df }, lo, hi, 200, quad.Legendre{}, 0)
}

// rising finds where f, which rises with x from 0, reaches want.
func rising(want float64, f func(float64) float64) float64 {
	lo, hi := 0.0, 1.0
	for f(hi) < want && hi < 1e9 {
		lo, hi = hi, 2*hi
	}
	for range 60 {
		if mid := (lo + hi) / 2; f(mid) < want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}
