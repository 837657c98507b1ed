package recall

import (
	"fmt"
	"math"

	"witnessmark/rules/calibration"
)

// A row is what judging needs of a reading, in base units. A limit that is not
// there is an infinity.
type row struct {
	v, lo, hi float64
	u         float64 // standard uncertainty besides the tool's deviation, %
}

func (r *Reading) row() row {
	w := row{v: r.Value.Base(), lo: math.Inf(-1), hi: math.Inf(1), u: r.U}
	if !r.Lower.IsZero() {
		w.lo = r.Lower.Base()
	}
	if !r.Upper.IsZero() {
		w.hi = r.Upper.Base()
	}
	return w
}

// A Level is what a tool deviated at one value.
type Level struct {
	At        float64 // the value, in the base unit of what the tool measures
	Deviation float64 // %
	U         float64 // standard uncertainty, %
}

// Levels are in rising order of At. Between two of them the deviation and its
// uncertainty are taken from the straight line, beyond the ends from the end.
// Our own choice: the standard asks for three points, and says nothing of what
// lies between.
type Levels []Level

// Of is the deviation and its standard uncertainty at a value, in %.
func (l Levels) Of(v float64) (deviation, u float64) {
	v = math.Abs(v)
	for i := range l {
		if v > l[i].At {
			continue
		}
		if i == 0 {
			return l[0].Deviation, l[0].U
		}
		a, b := &l[i-1], &l[i]
		share := (v - a.At) / (b.At - a.At)
		return float64((1-share)*a.Deviation) + float64(share*b.Deviation), float64((1-share)*a.U) + float64(share*b.U)
	}
	end := &l[len(l)-1]
	return end.Deviation, end.U
}

func (s *Standing) check() error {
	levels := s.Levels
	if levels == nil {
		levels = Levels{{Deviation: s.Deviation, U: s.U}}
	}
	for i, l := range levels {
		switch {
		case !(l.Deviation > -100 && l.Deviation < 1000):
			return fmt.Errorf("%w: a deviation of %v %%; want above -100 and below 1000", ErrSpan, l.Deviation)
		case !(l.U >= 0) || math.IsInf(l.U, 0):
			return fmt.Errorf("%w: an uncertainty of %v %%; want it not below zero", ErrSpan, l.U)
		case i > 0 && !(l.At > levels[i-1].At):
			return fmt.Errorf("%w: levels %v and %v are not in rising order", ErrSpan, levels[i-1].At, l.At)
		}
	}
	return nil
}

// between is what the tool is taken to have been worth at a reading.
type between struct {
	deviation float64 // %
	factor    float64 // indicated over true
	u2        float64 // square of its standard uncertainty, %, of the true value
}

// ends are the two standings at one value.
type ends struct {
	span            *Span
	good, bad       between
	goodU, badU     float64
	goodDev, badDev float64
}

func (s *Span) ends() *ends {
	e := &ends{span: s}
	e.set(s.Good.Deviation, s.Good.U, s.Bad.Deviation, s.Bad.U)
	return e
}

func (e *ends) set(goodDev, goodU, badDev, badU float64) {
	e.goodDev, e.goodU, e.badDev, e.badU = goodDev, goodU, badDev, badU
	e.good, e.bad = e.share(0), e.share(1)
}

// at moves to a value: with levels, the deviations there.
func (e *ends) at(v float64) *ends {
	good, bad := &e.span.Good, &e.span.Bad
	if good.Levels == nil && bad.Levels == nil {
		return e
	}
	gd, gu, bd, bu := good.Deviation, good.U, bad.Deviation, bad.U
	if good.Levels != nil {
		gd, gu = good.Levels.Of(v)
	}
	if bad.Levels != nil {
		bd, bu = bad.Levels.Of(v)
	}
	e.set(gd, gu, bd, bu)
	return e
}

// share is at a share of the way from good to bad; the uncertainties of the
// two standings join in their shares.
func (e *ends) share(share float64) between {
	b := between{deviation: float64((1-share)*e.goodDev) + float64(share*e.badDev)}
	b.factor = 1 + b.deviation/100
	g, u := (1-share)*e.goodU/b.factor, share*e.badU/b.factor
	b.u2 = float64(g*g) + float64(u*u)
	return b
}

// u is the standard uncertainty of the true value y.
func (b between) u(r row, y float64) float64 {
	return math.Abs(y) / 100 * math.Sqrt(float64(r.u*r.u)+b.u2)
}

// room is how far the nearer limit is, in standard uncertainties; below zero
// outside.
func (b between) room(r row) float64 {
	y := r.v / b.factor
	room := min(y-r.lo, r.hi-y)
	if u := b.u(r, y); u > 0 {
		return room / u
	}
	return room * math.Inf(1) // not a number on the limit itself: then nothing is decided
}

// outside is the probability of both tails; each keeps its digits when small.
func (b between) outside(r row) float64 {
	y := r.v / b.factor
	u := b.u(r, y)
	return min(1, calibration.Beyond(y-r.lo, u)+calibration.Beyond(r.hi-y, u))
}
