// Package press looks at the course of one pressing: the greatest force, and
// whether the part came home. It is pure.
//
// While a part slides into its fit, the force is carried by friction: it is
// level, or grows with the length that is in. Once the part stands on its
// shoulder, the press works against solid metal and the force rises steeply.
// So the seat shows as a bend: a straight run-in, then a much steeper rise that
// lasts to the end of the stroke (common practice, no source; the same bend is
// the snug point of a tightening curve). Over the ram's travel the bend is a
// property of the part; over time it also hangs on how evenly the press is
// driven, which is weaker evidence.
//
// The bend is found by least squares: the course from contact to its greatest
// force is cut into two and into three straight lines at the places that leave
// the least sum of squares, and each cut is looked at. Three, because a chamfer
// that comes in makes a bend of its own at the beginning. That is exhaustive
// segmented regression; what counts as a bend is our own choice, see the
// constants.
package press

import (
	"errors"
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// What counts as a seat, beside the rise that the procedure demands. Our own
// choice, tried on made strokes and on the station tightenings of the open set
// screw-tightening-wear, whose snug points look the same; see the tests.
const (
	steeper   = 3.0  // the rise is at least so many times as steep as the run-in
	leastRun  = 0.25 // the run-in is at least this share of the way from contact to the end
	leastLoad = 0.05 // and bears at least this share of the greatest force at its end
	leastJump = 0.15 // without a demanded rise: at least this share of the greatest force
	contact   = 0.03 // share of the greatest force at which the ram is in contact
	full      = 0.98 // share at which the rise is over; what follows is holding
	leastPts  = 8    // samples from contact to the end
	segment   = 3    // samples in a line
	mostPts   = 240  // samples that are looked at; more are averaged in groups
)

// ErrShape means that a stroke's lists are not of one length, or hold what is
// no number, or times that run back.
var ErrShape = errors.New("the stroke is damaged")

// Basis says over what the force is drawn.
type Basis string

// The bases.
const (
	ByTravel Basis = "travel" // mm
	ByTime   Basis = "time"   // s
)

// Curve is the force of one pressing, in N, over the ram's travel in mm or the
// time in s. Both lists are of one length; X does not fall much.
type Curve struct {
	X, Force []float64
	Basis    Basis
}

// FromStroke returns the curve of a stroke: over travel where the press tells
// it, else over time.
func FromStroke(s *events.Stroke) (Curve, error) {
	n := len(s.Force)
	if n == 0 || len(s.TimesUs) != n || len(s.Travel) != 0 && len(s.Travel) != n {
		return Curve{}, fmt.Errorf("%w: %d times, %d forces, %d travels", ErrShape, len(s.TimesUs), n, len(s.Travel))
	}
	c := Curve{X: make([]float64, n), Force: s.Force, Basis: ByTime}
	for i, t := range s.TimesUs {
		c.X[i] = float64(t) / 1e6
		if i > 0 && t < s.TimesUs[i-1] {
			return Curve{}, fmt.Errorf("%w: sample %d is older than the one before", ErrShape, i)
		}
	}
	if len(s.Travel) == n {
		c.X, c.Basis = s.Travel, ByTravel
	}
	for i := range n {
		if !finite(c.X[i]) || !finite(c.Force[i]) {
			return Curve{}, fmt.Errorf("%w: sample %d is no number", ErrShape, i)
		}
	}
	return c, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Peak returns the greatest force and its index; -1 for an empty curve.
func (c Curve) Peak() (force float64, at int) {
	at = -1
	for i, f := range c.Force {
		if at < 0 || f > force {
			force, at = f, i
		}
	}
	return force, at
}

// Seat is what a curve tells of the seat. Forces in N; X in the curve's basis,
// from contact.
type Seat struct {
	Found  bool
	X      float64 // way or time from contact to the bend
	Force  float64 // at the bend
	Jump   float64 // rise from the bend to the greatest force
	Before float64 // slope of the run-in, N per mm or s
	After  float64 // slope of the rise
	Why    string  // why it was not found, for people; "" if it was
}

// FindSeat looks for the seat in a curve. jump is the least rise that is taken
// for one, in N; 0 leaves it to the curve.
func FindSeat(c Curve, jump float64) Seat {
	peak, _ := c.Peak()
	if len(c.X) != len(c.Force) || !(peak > 0) {
		return Seat{Why: "there is no force in it"}
	}
	x, f := c.rise(peak)
	if len(x) < leastPts {
		return Seat{Why: fmt.Sprintf("only %d samples lie between contact and the greatest force: the gauge is too slow for the press", len(x))}
	}
	x, f = thin(x, f)
	if !(x[len(x)-1] > x[0]) {
		return Seat{Why: "the ram did not move"}
	}
	if jump <= 0 {
		jump = leastJump * peak
	}
	s := newSums(x, f)
	best := Seat{Why: "the force never rises steeply at the end of a run-in"}
	bestCost := math.Inf(1)
	for _, cut := range s.cuts() {
		seat := s.look(x, f, cut, peak)
		switch {
		case seat.Why != "":
		case seat.Jump < jump:
			seat.Why = "the force rises too little at the end"
			if !best.Found && seat.Jump > best.Jump {
				best = seat
			}
		case cut.cost < bestCost:
			seat.Found = true
			best, bestCost = seat, cut.cost
		}
	}
	return best
}

// rise returns the samples from contact to where the rise is over.
func (c Curve) rise(peak float64) (x, f []float64) {
	end := 0
	for end < len(c.Force)-1 && c.Force[end] < full*peak {
		end++
	}
	start := end
	for start > 0 && c.Force[start-1] >= contact*peak {
		start--
	}
	return c.X[start : end+1], c.Force[start : end+1]
}

// thin averages neighbours until there are at most mostPts samples. The last
// group keeps the last sample, so that the end stays the end.
func thin(x, f []float64) (tx, tf []float64) {
	group := (len(x) + mostPts - 1) / mostPts
	if group <= 1 {
		return x, f
	}
	for i := 0; i < len(x); i += group {
		n := min(group, len(x)-i)
		var sx, sf float64
		for k := range n {
			sx += x[i+k]
			sf += f[i+k]
		}
		tx, tf = append(tx, sx/float64(n)), append(tf, sf/float64(n))
	}
	return tx, tf
}

// sums holds running sums, so that the line through any run of samples costs
// nothing to find.
type sums struct {
	n                 int
	x, f, xx, xf, ff  []float64
	shiftX, shiftF, w float64
}

func newSums(x, f []float64) *sums {
	n := len(x)
	s := &sums{n: n, shiftX: x[0], shiftF: f[0], w: x[n-1] - x[0]}
	grow := func() []float64 { return make([]float64, n+1) }
	s.x, s.f, s.xx, s.xf, s.ff = grow(), grow(), grow(), grow(), grow()
	for i := range n {
		u, v := (x[i]-s.shiftX)/s.w, f[i]-s.shiftF
		s.x[i+1] = s.x[i] + u
		s.f[i+1] = s.f[i] + v
		s.xx[i+1] = s.xx[i] + float64(u*u)
		s.xf[i+1] = s.xf[i] + float64(u*v)
		s.ff[i+1] = s.ff[i] + float64(v*v)
	}
	return s
}

// line fits samples i to k-1: slope per whole width, height at the left edge,
// and the sum of squares that it leaves.
func (s *sums) line(i, k int) (slope, height, cost float64) {
	n := float64(k - i)
	mx, mf := (s.x[k]-s.x[i])/n, (s.f[k]-s.f[i])/n
	sxx := s.xx[k] - s.xx[i] - float64(n*float64(mx*mx))
	sxf := s.xf[k] - s.xf[i] - float64(n*float64(mx*mf))
	sff := s.ff[k] - s.ff[i] - float64(n*float64(mf*mf))
	if sxx > 1e-12 {
		slope = sxf / sxx
	}
	return slope, mf - float64(slope*mx), max(0, sff-float64(slope*sxf))
}

// cut is a bend to be looked at: the run-in is samples from to at-1, the rise
// at to the end. cost is what the whole cutting leaves.
type cut struct {
	from, at int
	cost     float64
}

// cuts returns the best cutting into two lines and, of that into three, its
// last bend: the rise must last to the end.
func (s *sums) cuts() []cut {
	two := cut{cost: math.Inf(1)}
	three := cut{cost: math.Inf(1)}
	for at := segment; at <= s.n-segment; at++ {
		_, _, right := s.line(at, s.n)
		_, _, left := s.line(0, at)
		if left+right < two.cost {
			two = cut{0, at, left + right}
		}
		for from := segment; from <= at-segment; from++ {
			_, _, first := s.line(0, from)
			_, _, mid := s.line(from, at)
			if first+mid+right < three.cost {
				three = cut{from, at, first + mid + right}
			}
		}
	}
	var out []cut
	for _, c := range []cut{two, three} {
		if !math.IsInf(c.cost, 0) {
			out = append(out, c)
		}
	}
	return out
}

// look says whether a cut is the bend of a seat.
func (s *sums) look(x, f []float64, c cut, peak float64) Seat {
	b1, h1, _ := s.line(c.from, c.at)
	b2, h2, _ := s.line(c.at, s.n)
	// The bend is where the lines cross, if that is between their samples.
	u := (x[c.at] - s.shiftX) / s.w
	if b2 != b1 {
		cross := (h1 - h2) / (b2 - b1)
		lo, hi := (x[c.at-1]-s.shiftX)/s.w, u
		u = math.Min(math.Max(cross, lo), hi)
	}
	at := s.shiftF + h1 + float64(b1*u)
	seat := Seat{X: u * s.w, Force: at, Jump: peak - at, Before: b1 / s.w, After: b2 / s.w}
	run := u - (x[c.from]-s.shiftX)/s.w
	switch {
	case !(b2 > 0), b2 < steeper*math.Max(b1, 0):
		seat.Why = "the force does not bend upwards"
	case run < leastRun, at < leastLoad*peak:
		seat.Why = "there is no run-in before the rise"
	}
	return seat
}

// Judge looks at a stroke with what a procedure demands: jump is the least
// rise (the zero Value: none), lo and hi the window of the travel (zero Values:
// none). Without a stroke, or without travel where a window is demanded, it is
// unknown.
func Judge(s *events.Stroke, jump, lo, hi quantity.Value) (events.SeatFound, Seat, Curve) {
	if s == nil {
		return events.SeatUnknown, Seat{Why: "the gauge gave one value and no course"}, Curve{}
	}
	c, err := FromStroke(s)
	if err != nil {
		return events.SeatUnknown, Seat{Why: err.Error()}, c
	}
	window := !hi.IsZero()
	if window && c.Basis != ByTravel && s.TravelNote != "" {
		return events.SeatUnknown, Seat{Why: "the travel of the ram cannot be used: " + s.TravelNote}, c
	}
	if window && c.Basis != ByTravel {
		return events.SeatUnknown, Seat{Why: "the press does not tell the travel of its ram"}, c
	}
	seat := FindSeat(c, jump.Base())
	if seat.Found && window && !(lo.Base() <= seat.X && seat.X <= hi.Base()) {
		seat.Found = false
		seat.Why = fmt.Sprintf("the rise came after %.2f mm of travel, wanted %.2f to %.2f mm", seat.X, lo.Base(), hi.Base())
	}
	if seat.Found {
		return events.SeatReached, seat, c
	}
	return events.SeatNot, seat, c
}
