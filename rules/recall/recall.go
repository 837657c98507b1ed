// Package recall judges readings again after their tool was found out of
// tolerance: which fasteners and measurements are in doubt, and how much.
//
// What the tool deviated at each reading is not known, only what it deviated
// when last known good and when found bad. So each reading is judged three
// times: with the deviation interpolated by time, by cycles, and at its worst all
// the while. ISO 9001:2015, 7.1.5.2 asks for the effect of a tool found unfit on
// earlier results; JCGM 106:2012 gives the probability of being outside limits.
// The interpolations are our own choice, named in each result. A verdict in the
// journal is not changed by any of it.
package recall

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// A Standing is what a tool was worth at one time.
type Standing struct {
	At        time.Time
	Cycles    int     // of the tool, by its own or the journal's count
	Deviation float64 // relative deviation, %: 100·(indicated − true)/true
	U         float64 // its standard uncertainty, %
}

// A Reading is one value that the tool gave in between, with the limits that
// it was judged by. All three are of one dimension.
type Reading struct {
	ID     string // the event
	Job    string
	Place  string // step and fastener
	Class  string // consequence class, A first
	At     time.Time
	Cycles int
	Value  quantity.Value
	Lower  quantity.Value // zero Value: no such limit
	Upper  quantity.Value
	U      float64 // standard uncertainty of the reading itself, %, without the tool's deviation
}

// A Way is how the deviation at a reading is taken.
type Way string

// The three ways.
const (
	ByTime   Way = "time"
	ByCycles Way = "cycles"
	Worst    Way = "worst"
)

// A Judgement is what a reading is worth in one way.
type Judgement struct {
	Deviation float64        // assumed of the tool, %
	True      quantity.Value // most likely true value
	POutside  float64        // probability that it was outside limits
}

// A Doubt is a reading judged again in the three ways.
type Doubt struct {
	Reading  Reading
	ByTime   Judgement
	ByCycles Judgement
	Worst    Judgement
}

// P is the larger of the probabilities by time and by cycles: what probably
// happened. What could have is Worst.
func (d Doubt) P() float64 { return max(d.ByTime.POutside, d.ByCycles.POutside) }

// ErrSpan says that the two standings do not span a time.
var ErrSpan = errors.New("recall cannot be spanned")

// A Span is the time in doubt.
type Span struct {
	Good Standing // last known good
	Bad  Standing // found bad
}

// Check says what is wrong with the span.
func (s Span) Check() error {
	for _, d := range []float64{s.Good.Deviation, s.Bad.Deviation} {
		if !(d > -100 && d < 1000) {
			return fmt.Errorf("%w: a deviation of %v %%; want above -100 and below 1000", ErrSpan, d)
		}
	}
	switch {
	case !s.Bad.At.After(s.Good.At):
		return fmt.Errorf("%w: found bad on %s, not after last known good on %s; exchange them or correct the dates", ErrSpan, s.Bad.At.Format(time.DateOnly), s.Good.At.Format(time.DateOnly))
	case s.Bad.Cycles < s.Good.Cycles:
		return fmt.Errorf("%w: %d cycles when found bad, %d when good; a count does not fall", ErrSpan, s.Bad.Cycles, s.Good.Cycles)
	case !(s.Good.U >= 0 && s.Bad.U >= 0):
		return fmt.Errorf("%w: uncertainties %v and %v %%; want them not below zero", ErrSpan, s.Good.U, s.Bad.U)
	}
	return nil
}

// A Result is the list to work off.
type Result struct {
	InSpan  int // readings taken in the time in doubt
	InDoubt int // of these, how many could have been outside limits
	Doubts  []Doubt
}

// entry is what sorting needs of a reading in doubt.
type entry struct {
	at int // index of the reading
	p  float64
}

// Judge judges again the readings taken within the span. In doubt are those
// that were outside limits, at the worst, with a probability of at least least.
// They come sorted by class, then by P, the largest first, then by time and ID;
// at most most of them if most is above zero.
func (s Span) Judge(readings []Reading, least float64, most int) (Result, error) {
	if err := s.Check(); err != nil {
		return Result{}, err
	}
	var res Result
	l := list{readings: readings, most: most, beyond: math.Inf(1)}
	good, bad := s.standing(0), s.standing(1)
	within := screen(least)
	for i := range readings {
		r := &readings[i]
		if r.At.Before(s.Good.At) || r.At.After(s.Bad.At) {
			continue
		}
		if err := r.check(); err != nil {
			return Result{}, err
		}
		res.InSpan++
		if within(bad, r) && within(good, r) {
			continue
		}
		res.InDoubt++
		l.take(i, s.standing(s.byTime(r)), s.standing(s.byCycles(r)))
	}
	res.Doubts = make([]Doubt, 0, len(l.entries))
	for _, e := range l.first() {
		res.Doubts = append(res.Doubts, s.again(&readings[e.at]))
	}
	return res, nil
}

// screen says whether a reading was outside with less than the probability
// least. It works the probability out only where the room to the nearer limit, in
// standard uncertainties, does not decide: one tail alone is enough, or two such
// tails are not.
func screen(least float64) func(between, *Reading) bool {
	never, surely := math.Inf(1), math.Inf(-1)
	if least > 0 && least < 1 {
		never, surely = distuv.UnitNormal.Quantile(1-least/2), distuv.UnitNormal.Quantile(1-least)
	}
	return func(b between, r *Reading) bool {
		switch z := b.room(r); {
		case z > never:
			return true
		case z < surely:
			return false
		}
		return b.outside(r) < least
	}
}

// A list keeps the first most entries in order; all if most is 0.
type list struct {
	readings []Reading
	most     int
	entries  []entry
	full     bool
	beyond   float64 // with more room than this an entry of the last one's class lies behind it
}

func (l *list) order(a, b entry) int {
	return compare(&l.readings[a.at], &l.readings[b.at], a.p, b.p)
}

func (l *list) take(i int, ways ...between) {
	r := &l.readings[i]
	if l.full && r.Class == l.readings[l.entries[l.most-1].at].Class {
		room := math.Inf(1)
		for _, w := range ways {
			room = min(room, w.room(r))
		}
		if room > l.beyond {
			return
		}
	}
	e := entry{at: i}
	for _, w := range ways {
		e.p = max(e.p, w.outside(r))
	}
	if l.full && l.order(l.entries[l.most-1], e) < 0 {
		return
	}
	if l.entries = append(l.entries, e); l.most > 0 && len(l.entries) >= 2*l.most+1000 {
		l.entries, l.full = l.first(), true
		if p := l.entries[l.most-1].p; p > 0 && p < 1 {
			l.beyond = distuv.UnitNormal.Quantile(1 - p/2)
		}
	}
}

func (l *list) first() []entry {
	slices.SortFunc(l.entries, l.order)
	if l.most > 0 && len(l.entries) > l.most {
		return l.entries[:l.most]
	}
	return l.entries
}

func compare(a, b *Reading, pa, pb float64) int {
	if a.Class != b.Class {
		// One without a class comes last.
		if a.Class == "" || b.Class != "" && b.Class < a.Class {
			return 1
		}
		return -1
	}
	switch {
	case pa > pb:
		return -1
	case pa < pb:
		return 1
	}
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	return strings.Compare(a.ID, b.ID)
}

func (r *Reading) check() error {
	dim := r.Value.Dimension()
	if !r.Value.Finite() || dim == quantity.NoDimension || !limit(r.Lower, dim) || !limit(r.Upper, dim) {
		return fmt.Errorf("reading %s: its value and limits are not finite values of one kind of quantity", r.ID)
	}
	if !(r.U >= 0) {
		return fmt.Errorf("reading %s: uncertainty %v %%; want it not below zero", r.ID, r.U)
	}
	return nil
}

// byTime is the share of the way from good to bad.
func (s Span) byTime(r *Reading) float64 {
	return float64(r.At.Sub(s.Good.At)) / float64(s.Bad.At.Sub(s.Good.At))
}

// byCycles too; a count that did not move says nothing, and the worst is
// assumed.
func (s Span) byCycles(r *Reading) float64 {
	if s.Bad.Cycles == s.Good.Cycles {
		return 1
	}
	return min(1, max(0, float64(r.Cycles-s.Good.Cycles)/float64(s.Bad.Cycles-s.Good.Cycles)))
}

func (s Span) again(r *Reading) Doubt {
	d := Doubt{Reading: *r, ByTime: s.standing(s.byTime(r)).judge(r), ByCycles: s.standing(s.byCycles(r)).judge(r), Worst: s.standing(1).judge(r)}
	if good := s.standing(0).judge(r); good.POutside > d.Worst.POutside {
		d.Worst = good
	}
	return d
}

func limit(v quantity.Value, dim quantity.Dimension) bool {
	return v.IsZero() || v.Dimension() == dim && v.Finite()
}

// between is what the tool is taken to have been worth at a reading.
type between struct {
	deviation float64 // %
	factor    float64 // indicated over true
	u2        float64 // square of its standard uncertainty, %, of the true value
}

// standing is at a share of the way from good to bad; the uncertainties of the
// two standings join in their shares.
func (s Span) standing(share float64) between {
	b := between{deviation: float64((1-share)*s.Good.Deviation) + float64(share*s.Bad.Deviation)}
	b.factor = 1 + b.deviation/100
	g, u := (1-share)*s.Good.U/b.factor, share*s.Bad.U/b.factor
	b.u2 = float64(g*g) + float64(u*u)
	return b
}

// judge takes the true value as indicated/(1 + deviation).
func (b between) judge(r *Reading) Judgement {
	return Judgement{Deviation: b.deviation, True: r.Value.WithBase(r.Value.Base() / b.factor), POutside: b.outside(r)}
}

// u is the standard uncertainty of the true value y.
func (b between) u(r *Reading, y float64) float64 {
	return math.Abs(y) / 100 * math.Sqrt(float64(r.U*r.U)+b.u2)
}

// room is how far the nearer limit is, in standard uncertainties; below zero
// outside.
func (b between) room(r *Reading) float64 {
	y := r.Value.Base() / b.factor
	room := math.Inf(1)
	if !r.Lower.IsZero() {
		room = y - r.Lower.Base()
	}
	if !r.Upper.IsZero() {
		room = min(room, r.Upper.Base()-y)
	}
	if u := b.u(r, y); u > 0 {
		return room / u
	}
	return room * math.Inf(1) // not a number on the limit itself: then nothing is decided
}

// outside is the probability of both tails; each keeps its digits when small.
func (b between) outside(r *Reading) float64 {
	y := r.Value.Base() / b.factor
	u := b.u(r, y)
	p := 0.0
	if !r.Lower.IsZero() {
		p += calibration.Beyond(y-r.Lower.Base(), u)
	}
	if !r.Upper.IsZero() {
		p += calibration.Beyond(r.Upper.Base()-y, u)
	}
	return min(1, p)
}
