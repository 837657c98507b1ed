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
)

// A Standing is what a tool was worth at one time.
type Standing struct {
	At        time.Time
	Cycles    int     // of the tool, by its own or the journal's count
	Deviation float64 // relative deviation, %: 100·(indicated − true)/true
	U         float64 // its standard uncertainty, %
	// Levels tell the deviation at several values, where it was found at several;
	// they stand in for Deviation and U.
	Levels Levels
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
	for _, e := range []Standing{s.Good, s.Bad} {
		if err := e.check(); err != nil {
			return err
		}
	}
	switch {
	case !s.Bad.At.After(s.Good.At):
		return fmt.Errorf("%w: found bad on %s, not after last known good on %s; exchange them or correct the dates", ErrSpan, s.Bad.At.Format(time.DateOnly), s.Good.At.Format(time.DateOnly))
	case s.Bad.Cycles < s.Good.Cycles:
		return fmt.Errorf("%w: %d cycles when found bad, %d when good; a count does not fall", ErrSpan, s.Bad.Cycles, s.Good.Cycles)
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
	ends := s.ends()
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
		w := r.row()
		e := ends.at(w.v)
		if within(e.bad, w) && within(e.good, w) {
			continue
		}
		res.InDoubt++
		l.take(i, e.share(s.byTime(r)), e.share(s.byCycles(r)))
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
func screen(least float64) func(between, row) bool {
	never, surely := math.Inf(1), math.Inf(-1)
	if least > 0 && least < 1 {
		never, surely = distuv.UnitNormal.Quantile(1-least/2), distuv.UnitNormal.Quantile(1-least)
	}
	return func(b between, r row) bool {
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
			room = min(room, w.room(r.row()))
		}
		if room > l.beyond {
			return
		}
	}
	e := entry{at: i}
	for _, w := range ways {
		e.p = max(e.p, w.outside(r.row()))
	}
	if l.full && l.order(l.entries[l.most-1], e) < 0 {
		return
	}
	if l.entries = append(l.entries, e); l.most > 0 && len(l.entries) >= 2*l.most+1000 {
		l.entries, l.full = l.first(), true
		l.beyond = roomOf(l.entries[l.most-1].p)
	}
}

// roomOf is the room, in standard uncertainties, beyond which the probability
// of lying outside is below p whatever the other limit adds.
func roomOf(p float64) float64 {
	if p > 0 && p < 1 {
		return distuv.UnitNormal.Quantile(1 - p/2)
	}
	return math.Inf(1)
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

// Again judges one reading again, whatever its time.
func (s Span) Again(r Reading) (Doubt, error) {
	if err := s.Check(); err != nil {
		return Doubt{}, err
	}
	if err := r.check(); err != nil {
		return Doubt{}, err
	}
	return s.again(&r), nil
}

func (s Span) again(r *Reading) Doubt {
	w := r.row()
	e := s.ends().at(w.v)
	d := Doubt{Reading: *r, ByTime: e.share(s.byTime(r)).judge(r), ByCycles: e.share(s.byCycles(r)).judge(r), Worst: e.bad.judge(r)}
	if good := e.good.judge(r); good.POutside > d.Worst.POutside {
		d.Worst = good
	}
	return d
}

func limit(v quantity.Value, dim quantity.Dimension) bool {
	return v.IsZero() || v.Dimension() == dim && v.Finite()
}

// judge takes the true value as indicated/(1 + deviation).
func (b between) judge(r *Reading) Judgement {
	return Judgement{Deviation: b.deviation, True: r.Value.WithBase(r.Value.Base() / b.factor), POutside: b.outside(r.row())}
}
