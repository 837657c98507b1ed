// Package drift follows what a tool or check standard is worth over time:
// control charts with named signals, designed by average run length and allowing
// for slow healthy variation; trends with the date of leaving tolerance; advice
// on intervals; and a tool's factor against its peers from production pulls.
//
// Values are in the unit of the readings, times in the unit of the caller (days
// or cycles), run lengths in points. Sources: ISO 7870-2 (Shewhart), -4 (CUSUM),
// -6 (EWMA), named from memory and held to the worked examples of the
// NIST/SEMATECH e-Handbook 6.3.2 and to published run lengths.
package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
)

// A Process is what readings do while the tool is healthy.
type Process struct {
	Centre float64
	SD     float64
	Slow   *Slow // nil is white noise
}

// d2 of a range of two, and D4. Source: NIST/SEMATECH e-Handbook 6.3.2.2, which
// uses 1.128; exactly it is 2/√π = 1.128379.
const (
	d2 = 1.128
	d4 = 3.267
)

// ByMovingRange is the process from single readings in order: their mean, and
// the mean moving range over 1.128. It does not see slow variation.
func ByMovingRange(x []float64) (Process, error) {
	if len(x) < 2 {
		return Process{}, fmt.Errorf("%w: %d readings; want two or more", ErrHistory, len(x))
	}
	return Process{Centre: stat.Mean(x, nil), SD: movingRange(x) / d2}, nil
}

func movingRange(x []float64) float64 {
	sum := 0.0
	for i := 1; i < len(x); i++ {
		sum += math.Abs(x[i] - x[i-1])
	}
	return sum / float64(len(x)-1)
}

// d2s by subgroup size, from 2: as printed in usual tables (ISO 7870-2, from
// memory; 2.326 as in the printed example).
var d2s = []float64{1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078}

// BySubgroups is the process of subgroup means: grand mean, and the mean range
// over d2 and √n. within is the standard deviation of a single reading.
func BySubgroups(groups [][]float64) (p Process, within float64, err error) {
	n := 0
	for i, g := range groups {
		if i == 0 {
			n = len(g)
		}
		if len(g) != n || n < 2 || n-2 >= len(d2s) {
			return p, 0, fmt.Errorf("%w: subgroup %d has %d readings; want one size, from 2 to 10", ErrHistory, i+1, len(g))
		}
		lo, hi := g[0], g[0]
		for _, x := range g {
			lo, hi = min(lo, x), max(hi, x)
		}
		p.Centre += stat.Mean(g, nil) / float64(len(groups))
		within += (hi - lo) / float64(len(groups))
	}
	if n == 0 {
		return p, 0, fmt.Errorf("%w: no subgroups", ErrHistory)
	}
	within /= d2s[n-2]
	p.SD = within / math.Sqrt(float64(n))
	return p, within, nil
}

// BySlow is the process from a healthy history with its slow variation.
func BySlow(at, x []float64) (Process, error) {
	s, err := EstimateSlow(at, x)
	if err != nil {
		return Process{}, err
	}
	return Process{Centre: s.Mean, SD: s.SD(), Slow: &s}, nil
}

// A Line is a chart's statistic at one point with its limits.
type Line struct {
	Value float64
	Lower float64
	Upper float64
}

func (l Line) out() bool { return !(l.Lower <= l.Value && l.Value <= l.Upper) }

// A Signal is what a chart raises: by which rule, first at which point, and
// since when the change seems to have been there. It is a reason to look, not a
// verdict on the tool.
type Signal struct {
	Rule  string
	At    int // index of the point
	Since int // index from which on the change seems to be there
	High  bool
}

// A Chart is a control chart over all points. A CUSUM has the low side in Low.
type Chart struct {
	Name    string
	Lines   []Line
	Low     []Line
	Signals []Signal // the first of each rule and side, then each new one after a return within limits
}

// Shewhart charts single points against l standard deviations (3 is usual),
// and, if run is above zero, signals that many points in a row on one side of
// the centre.
func Shewhart(x []float64, p Process, l float64, run int) Chart {
	c := Chart{Name: "Shewhart"}
	w := float64(l * p.SD)
	if p.Slow != nil {
		w = float64(l * math.Hypot(p.SD, p.Slow.UMean))
	}
	side, length := 0, 0
	for i, v := range x {
		line := Line{v, p.Centre - w, p.Centre + w}
		c.Lines = append(c.Lines, line)
		if line.out() && (i == 0 || !c.Lines[i-1].out()) {
			c.Signals = append(c.Signals, Signal{fmt.Sprintf("one point beyond %g standard deviations", l), i, i, v > p.Centre})
		}
		s := sign(v - p.Centre)
		if s == 0 || s != side {
			length = 0
		}
		side, length = s, length+1
		if run > 0 && length == run && s != 0 {
			c.Signals = append(c.Signals, Signal{fmt.Sprintf("%d points in a row on one side of the centre", run), i, i - run + 1, s > 0})
		}
	}
	return c
}

func sign(v float64) int {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

// MovingRange charts the range of neighbours against D4 times its mean in the
// base; the first point has none and takes no part.
func MovingRange(x []float64, p Process) Chart {
	c := Chart{Name: "moving range"}
	for i := range x {
		line := Line{0, 0, d4 * d2 * p.SD}
		if i > 0 {
			line.Value = math.Abs(x[i] - x[i-1])
		}
		c.Lines = append(c.Lines, line)
		if line.out() {
			c.Signals = append(c.Signals, Signal{"moving range beyond its upper limit", i, i, true})
		}
	}
	return c
}

// EWMA charts z = λx + (1−λ)z, started at the centre, against l standard
// deviations of z: exact ones that grow from the first point, or the steady ones
// if steady is set. With slow variation the limits are those of z under it at
// the times at, and of the centre, which is not known exactly; at may be nil
// without it.
func EWMA(at, x []float64, p Process, lambda, l float64, steady bool) Chart {
	c := Chart{Name: fmt.Sprintf("EWMA, λ = %g, L = %.4g", lambda, l)}
	rule := fmt.Sprintf("EWMA (λ = %g) beyond %.4g of its standard deviations", lambda, l)
	z, spread := p.Centre, newSpread(p, lambda)
	since := [2]int{} // by side: from where on z has been on it
	for i, v := range x {
		z = float64(lambda*v) + float64((1-lambda)*z)
		step := 0.0
		if i > 0 && at != nil {
			step = at[i] - at[i-1]
		}
		w := float64(l * spread.next(step))
		if steady {
			w = float64(l * p.SD * math.Sqrt(lambda/(2-lambda)))
		}
		line := Line{z, p.Centre - w, p.Centre + w}
		c.Lines = append(c.Lines, line)
		if z <= p.Centre {
			since[1] = i + 1
		}
		if z >= p.Centre {
			since[0] = i + 1
		}
		if line.out() && (i == 0 || !c.Lines[i-1].out()) {
			high := z > p.Centre
			from := since[0]
			if high {
				from = since[1]
			}
			c.Signals = append(c.Signals, Signal{rule, i, from, high})
		}
	}
	return c
}

// spread follows the variance of an EWMA point by point. With slow part s and
// quick part e: Var z' = (1−λ)²Var z + λ²σ² + 2λ(1−λ)φ·Cov(z, s), and
// Cov(z', s') = (1−λ)φ·Cov(z, s) + λσs².
type spread struct {
	lambda, total, slow, tau, centre float64
	v, c                             float64
}

func newSpread(p Process, lambda float64) *spread {
	s := &spread{lambda: lambda, total: p.SD * p.SD, tau: 1}
	if p.Slow != nil {
		s.slow, s.tau, s.centre = p.Slow.Drift*p.Slow.Drift, p.Slow.Tau, p.Slow.UMean*p.Slow.UMean
	}
	return s
}

func (s *spread) next(step float64) float64 {
	phi := math.Exp(-step / s.tau)
	keep := 1 - s.lambda
	s.v = float64(keep*keep*s.v) + float64(s.lambda*s.lambda*s.total) + float64(2*s.lambda*keep*phi*s.c)
	s.c = float64(keep*phi*s.c) + float64(s.lambda*s.slow)
	return math.Sqrt(s.v + s.centre)
}

// CUSUM charts the tabular sums of deviations beyond k on either side against h,
// both in standard deviations of a reading. With slow variation the scale is its
// long-run standard deviation at the mean spacing of at.
func CUSUM(at, x []float64, p Process, k, h float64) Chart {
	sd := p.SD
	if p.Slow != nil && len(at) > 1 {
		sd = p.Slow.LongRun((at[len(at)-1] - at[0]) / float64(len(at)-1))
	}
	c := Chart{Name: fmt.Sprintf("CUSUM, k = %.4g, h = %.4g standard deviations", k, h)}
	rule := fmt.Sprintf("CUSUM (k = %.4g) beyond %.4g standard deviations", k, h)
	hi, lo, slack := 0.0, 0.0, float64(k*sd)
	since := [2]int{}
	for i, v := range x {
		hi, lo = max(0, hi+v-p.Centre-slack), max(0, lo+p.Centre-slack-v)
		if hi == 0 {
			since[1] = i + 1
		}
		if lo == 0 {
			since[0] = i + 1
		}
		c.Lines = append(c.Lines, Line{hi, 0, h * sd})
		c.Low = append(c.Low, Line{lo, 0, h * sd})
		if c.Lines[i].out() && (i == 0 || !c.Lines[i-1].out()) {
			c.Signals = append(c.Signals, Signal{rule, i, since[1], true})
		}
		if c.Low[i].out() && (i == 0 || !c.Low[i-1].out()) {
			c.Signals = append(c.Signals, Signal{rule, i, since[0], false})
		}
	}
	return c
}
