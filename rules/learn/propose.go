package learn

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/events/quantity"
	"witnessmark/rules/capability"
)

// Limits of a proposal.
const (
	share      = 0.99 // of all fresh rotations that the window is to hold
	confidence = 0.95 // that it holds them
	least      = 20   // fresh rotations, below which nothing is proposed. A choice: about two jobs
)

// Proposal is an angle window for a joint. A person accepts it, or not.
type Proposal struct {
	Low, High       quantity.Value
	Method          string  // "log-normal" or "order statistics"
	FalseAlarm      float64 // share of good pulls outside the window, as estimated
	FalseAlarmUpper float64 // its upper 95 % confidence limit
	N               int     // fresh rotations it rests on
	Enough          bool    // there is a window
	Why             string  // for people
}

// Propose gives an angle window that holds at least 99 % of all fresh
// rotations with 95 % confidence: a two-sided tolerance interval.
//
// With 473 values or more it would be the least and the greatest of them
// (order statistics, Wilks 1941: 1 − N·p^(N−1) + (N−1)·p^N ≥ confidence,
// remembered, checked in a test by its published N = 473). A ring holds fewer,
// so a log-normal distribution is taken: median and spread of the logarithms
// with the exact normal tolerance factor (ISO 16269-6 in kind; the factor is
// package capability's, checked against computed and published values). The
// spread is the greater of a robust one and the standard deviation, so that
// long tails widen the window. The sample is not changed.
func Propose(fresh []float64) Proposal {
	var xs []float64
	for _, x := range fresh {
		if x > 0 && x < 1e5 {
			xs = append(xs, x)
		}
	}
	p := Proposal{N: len(xs), FalseAlarm: 1, FalseAlarmUpper: 1}
	if p.N < least {
		p.Why = fmt.Sprintf("%d rotations of first pulls are known, %d are needed. Release more jobs that were made with an angle tool.", p.N, least)
		return p
	}
	slices.Sort(xs)
	low, high := xs[0], xs[len(xs)-1]
	p.Method = "order statistics"
	if wilks(p.N) < confidence {
		p.Method = "log-normal"
		var err error
		if low, high, err = logNormal(xs); err != nil {
			p.Why = fmt.Sprintf("no window can be worked out: %v", err)
			return p
		}
	}
	p.Enough = true
	p.Low, p.High = quantity.Degrees(low).Value(), quantity.Degrees(high).Value()
	p.FalseAlarm, p.FalseAlarmUpper = falseAlarms(xs, low, high)
	p.Why = fmt.Sprintf("%d first pulls of released jobs turned %.3g to %.3g°, middle %.3g°. The window holds 99 %% of such pulls with 95 %% confidence (%s). It catches faults only as far as they turn less or more than that: look at the plot before accepting it.", p.N, xs[0], xs[len(xs)-1], median(xs), p.Method)
	return p
}

// wilks is the confidence with which the least and the greatest of n values
// hold the share.
func wilks(n int) float64 {
	f := float64(n)
	return 1 - f*math.Pow(share, f-1) + (f-1)*math.Pow(share, f)
}

// logNormal gives the window of a log-normal distribution.
func logNormal(sorted []float64) (low, high float64, err error) {
	k, err := capability.Tolerance{N: len(sorted), Share: share, Confidence: confidence}.TwoSided()
	if err != nil {
		return 0, 0, err
	}
	ys := make([]float64, len(sorted))
	for i, x := range sorted {
		ys[i] = math.Log(x)
	}
	middle, spread := Centre(ys)
	return math.Exp(middle - k*spread), math.Exp(middle + k*spread), nil
}

// Centre gives median and spread of sorted values. The spread is the greater
// of the standard deviation without the outermost values (more than 5 robust
// spreads away: such are faults, not joints) and the median absolute deviation
// times 1.4826 (Rousseeuw and Croux 1993, remembered), and never nothing.
func Centre(sorted []float64) (middle, spread float64) {
	middle = median(sorted)
	off := make([]float64, len(sorted))
	for i, x := range sorted {
		off[i] = math.Abs(x - middle)
	}
	slices.Sort(off)
	mad := 1.4826 * median(off)
	sum, n := 0.0, 0
	for _, d := range off {
		if d <= 5*mad || mad == 0 {
			sum += d * d
			n++
		}
	}
	if n > 1 {
		spread = math.Sqrt(sum / float64(n-1))
	}
	return middle, max(spread, mad, 0.01)
}

func median(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

// falseAlarms gives the share of values outside a window: what a log-normal
// distribution gives or what was counted, whichever is greater, and the upper
// limit with 95 % confidence, the greater of 1 − share of the tolerance
// interval and that of the count after Clopper and Pearson.
func falseAlarms(sorted []float64, low, high float64) (estimate, upper float64) {
	out := 0
	ys := make([]float64, len(sorted))
	for i, x := range sorted {
		if x < low || x > high {
			out++
		}
		ys[i] = math.Log(x)
	}
	middle, spread := Centre(ys)
	n := float64(len(sorted))
	tail := distuv.UnitNormal.CDF((math.Log(low)-middle)/spread) + distuv.UnitNormal.Survival((math.Log(high)-middle)/spread)
	estimate = max(tail, float64(out)/n)
	upper = 1 - share
	if out > 0 {
		upper = max(upper, distuv.Beta{Alpha: float64(out) + 1, Beta: n - float64(out)}.Quantile(confidence))
	}
	return estimate, max(upper, estimate)
}
