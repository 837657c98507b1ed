package calibration

import (
	"errors"
	"math"
	"sort"

	"witnessmark/events/quantity"
)

// A Travel is which way an indicator's plunger moved to the reading.
type Travel string

// Travels.
const (
	Inward  Travel = "in"
	Outward Travel = "out"
)

// A Gauged is one reading of an indicator over a gauge block or a calibrator.
type Gauged struct {
	Travel    Travel
	Reference quantity.Length // length of the block, from the start of the range
	Reading   quantity.Length
}

// CurvePoint is the error at one place of the range.
type CurvePoint struct {
	Reference quantity.Length
	In, Out   quantity.Length // mean errors; valid where NIn, NOut are above zero
	NIn, NOut int
}

// An IndicatorResult is what an error curve shows. Terms as in ISO 463 (from
// memory); the limit is the entered one.
type IndicatorResult struct {
	Curve         []CurvePoint    // by rising reference
	Span          quantity.Length // largest minus smallest mean error, both travels
	Hysteresis    quantity.Length // largest difference of the two travels at one place
	Repeatability quantity.Length // largest range of readings at one place and travel; zero if nothing was repeated
	Permitted     quantity.Length // maximum permissible error as entered
	Verdict       Verdict         // of the span; limits 0 to Permitted, in mm
}

// ErrNoCurve says that fewer than two places were read.
var ErrNoCurve = errors.New("an error curve needs readings at two places or more")

type place struct {
	at     float64
	travel Travel
}

// JudgeIndicator draws the error curve, reading minus reference, and judges its
// span against the entered maximum permissible error. u is the standard
// uncertainty of the span.
func JudgeIndicator(rows []Gauged, permitted, u quantity.Length, rule Rule) (IndicatorResult, error) {
	at := map[place][]float64{}
	var refs []float64
	for _, g := range rows {
		k := place{g.Reference.Millimetres(), g.Travel}
		if len(at[place{k.at, Inward}])+len(at[place{k.at, Outward}]) == 0 {
			refs = append(refs, k.at)
		}
		at[k] = append(at[k], g.Reading.Millimetres()-k.at)
	}
	if len(refs) < 2 {
		return IndicatorResult{}, ErrNoCurve
	}
	sort.Float64s(refs)
	r := IndicatorResult{Permitted: permitted}
	lo, hi, gap, spread := math.Inf(1), math.Inf(-1), 0.0, 0.0
	for _, ref := range refs {
		p := CurvePoint{Reference: quantity.Millimetres(ref)}
		in, out := meanRange(at[place{ref, Inward}]), meanRange(at[place{ref, Outward}])
		p.NIn, p.NOut = in.n, out.n
		for _, m := range []meanOf{in, out} {
			if m.n > 0 {
				lo, hi, spread = min(lo, m.mean), max(hi, m.mean), max(spread, m.span)
			}
		}
		if in.n > 0 && out.n > 0 {
			gap = max(gap, math.Abs(in.mean-out.mean))
		}
		p.In, p.Out = quantity.Millimetres(in.mean), quantity.Millimetres(out.mean)
		r.Curve = append(r.Curve, p)
	}
	r.Span, r.Hysteresis, r.Repeatability = quantity.Millimetres(hi-lo), quantity.Millimetres(gap), quantity.Millimetres(spread)
	r.Verdict = rule.Decide(hi-lo, u.Millimetres(), Limits{math.Inf(-1), permitted.Millimetres()})
	return r, nil
}

type meanOf struct {
	n          int
	mean, span float64
}

func meanRange(xs []float64) (m meanOf) {
	if len(xs) == 0 {
		return m
	}
	lo, hi := xs[0], xs[0]
	for _, x := range xs {
		m.mean += x / float64(len(xs))
		lo, hi = min(lo, x), max(hi, x)
	}
	m.n, m.span = len(xs), hi-lo
	return m
}
