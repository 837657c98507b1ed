package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/rules/fit"
)

// A Quick is a shift's quick check: a few pulls on the bench tester against the
// tool's own earlier checks. It asks two things: is the mean where it usually
// is, and do the pulls scatter as they usually do.
type Quick struct {
	Checks int     // earlier ones
	Mean   float64 // of the pulls now
	Usual  float64 // mean of the earlier checks
	Lower  float64 // the mean is expected from here
	Upper  float64 // to here
	SD     float64 // of the pulls now
	Pooled float64 // usual standard deviation within a check
	Most   float64 // the standard deviation is expected up to here
	Off    bool    // the mean is not where it usually is
	Wild   bool    // the pulls scatter more than usual
}

// LeastQuick is how many earlier checks a quick check wants.
const LeastQuick = 5

// QuickCheck compares the pulls now with those of earlier checks, with a
// probability of false that a healthy tool is called off or wild, half for each.
// The mean is held to a prediction interval from the means of the earlier
// checks, so that what varies from day to day is allowed for; the scatter to an F
// bound. Source: prediction interval for a further normal value and F test of two
// variances, NIST/SEMATECH e-Handbook 1.3.5.9 for the latter (from memory).
func QuickCheck(history [][]float64, now []float64, falsely float64) (Quick, error) {
	if len(history) < LeastQuick || len(now) < 2 || !(falsely > 0 && falsely < 0.5) {
		return Quick{}, fmt.Errorf("%w: %d earlier checks, %d pulls now, false rate %v; want %d checks or more, two pulls or more, a rate between 0 and 0.5", ErrHistory, len(history), len(now), falsely, LeastQuick)
	}
	q := Quick{Checks: len(history), Mean: stat.Mean(now, nil), SD: stat.StdDev(now, nil)}
	var means []float64
	ss, df := 0.0, 0.0
	for i, pulls := range history {
		if len(pulls) == 0 {
			return Quick{}, fmt.Errorf("%w: the earlier check %d has no pulls", ErrHistory, i+1)
		}
		m := stat.Mean(pulls, nil)
		means = append(means, m)
		for _, x := range pulls {
			ss += (x - m) * (x - m)
		}
		df += float64(len(pulls) - 1)
	}
	k := float64(len(means))
	q.Usual = stat.Mean(means, nil)
	half := float64(fit.Student(1-falsely/4, k-1) * stat.StdDev(means, nil) * math.Sqrt(1+1/k))
	q.Lower, q.Upper = q.Usual-half, q.Usual+half
	q.Off = !(q.Lower <= q.Mean && q.Mean <= q.Upper)
	if df > 0 {
		q.Pooled = math.Sqrt(ss / df)
		f := distuv.F{D1: float64(len(now) - 1), D2: df}.Quantile(1 - falsely/2)
		q.Most = q.Pooled * math.Sqrt(f)
		q.Wild = !(q.SD <= q.Most)
	}
	return q, nil
}

// An Idle is what a streaming tool shows while nothing is done with it.
type Idle struct {
	N     int
	Zero  float64 // at the last sample
	Noise float64 // standard deviation about the line
	Drift float64 // per unit of time
	Half  float64 // half width of the drift's 95 % interval, neighbours that follow each other allowed for
	Sure  bool    // the zero drifts
}

// IdleOf fits a line through idle samples at rising times.
func IdleOf(at, x []float64) (Idle, error) {
	if err := inOrder(at, x, LeastHistory); err != nil {
		return Idle{}, err
	}
	f, err := fit.Poly(at, x, 0, 1)
	if err != nil {
		return Idle{}, err
	}
	i := Idle{N: len(x), Zero: f.At(at[len(at)-1]), Noise: f.S, Drift: f.Coef[1]}
	i.Half = f.T(0.95) * f.UCoef(1) * widen(f, at, x)
	i.Sure = math.Abs(i.Drift) > i.Half
	return i, nil
}
