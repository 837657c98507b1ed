package recall

import (
	"fmt"
	"math"
	"slices"
)

// A Pull is a reading as a scan over many takes it: by columns, in base units.
type Pull struct {
	ID     int64 // whatever it is kept under; a later one is greater
	AtUs   int64 // microseconds since 1970
	Value  float64
	Lower  float64 // -Inf: no such limit
	Upper  float64 // +Inf
	U      float64 // its expanded uncertainty, k = 2, without the tool's deviation
	Class  byte    // consequence class, 'A' first; 0: none
	Broken bool    // its value and limits are not of one dimension: it is passed over
}

// A Scan judges very many readings of one tool again, without holding more than
// the first of them. Give it the number in the span, then each in the order in
// which the tool took them, and ask for the result.
type Scan struct {
	// InSpan and InDoubt count as in Result. Broken ones were passed over.
	InSpan, InDoubt, Broken int

	span      Span
	ends      *ends
	within    func(between, row) bool
	from, to  int64
	overSpan  float64
	overCount float64
	most      int
	found     []Found
	full      bool
	beyond    float64
}

// A Found is one reading in doubt.
type Found struct {
	ID    int64
	AtUs  int64
	Class byte
	P     float64 // the larger of those by time and by cycles
	Order int     // how many of the span's readings the tool had taken before it
}

// NewScan begins a scan over count readings within the span; least and most
// are as for Judge. By cycles they are taken to lie evenly between the two
// standings, in their order.
func NewScan(s Span, count int, least float64, most int) (*Scan, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	if count < 0 {
		return nil, fmt.Errorf("%w: %d readings", ErrSpan, count)
	}
	c := &Scan{span: s, within: screen(least), from: s.Good.At.UnixMicro(), to: s.Bad.At.UnixMicro(), most: most, beyond: math.Inf(1)}
	c.ends = c.span.ends()
	c.overSpan, c.overCount = 1/float64(c.to-c.from), 1/float64(max(1, count))
	return c, nil
}

// Holds reports whether a time lies within the span.
func (c *Scan) Holds(atUs int64) bool { return c.from <= atUs && atUs <= c.to }

// Take judges one reading.
func (c *Scan) Take(p *Pull) {
	if !c.Holds(p.AtUs) {
		return
	}
	c.InSpan++
	w := row{v: p.Value, lo: p.Lower, hi: p.Upper, u: math.Abs(50 * p.U / p.Value)}
	if p.Broken || !(w.u >= 0) || math.IsInf(w.v, 0) {
		c.Broken++
		return
	}
	e := c.ends.at(w.v)
	if c.within(e.bad, w) && c.within(e.good, w) {
		return
	}
	c.InDoubt++
	if c.full && later(p.Class, c.found[c.most-1].Class) {
		return
	}
	byTime := e.share(float64(p.AtUs-c.from) * c.overSpan)
	byCycles := e.share(float64(c.InSpan-1) * c.overCount)
	if c.full && p.Class == c.found[c.most-1].Class && min(byTime.room(w), byCycles.room(w)) > c.beyond {
		return
	}
	f := Found{ID: p.ID, AtUs: p.AtUs, Class: p.Class, P: max(byTime.outside(w), byCycles.outside(w)), Order: c.InSpan - 1}
	if c.full && f.compare(c.found[c.most-1]) > 0 {
		return
	}
	if c.found = append(c.found, f); c.most > 0 && len(c.found) >= 2*c.most+1000 {
		c.found, c.full = c.first(), true
		c.beyond = roomOf(c.found[c.most-1].P)
	}
}

// Found gives those in doubt, by class, then the most probable first, then by
// time; at most as many as asked for.
func (c *Scan) Found() []Found { return c.first() }

func (c *Scan) first() []Found {
	slices.SortFunc(c.found, Found.compare)
	if c.most > 0 && len(c.found) > c.most {
		return c.found[:c.most]
	}
	return c.found
}

func (f Found) compare(o Found) int {
	switch {
	case later(f.Class, o.Class):
		return 1
	case f.Class != o.Class:
		return -1
	case f.P != o.P && f.P > o.P:
		return -1
	case f.P != o.P:
		return 1
	case f.AtUs != o.AtUs && f.AtUs < o.AtUs:
		return -1
	case f.AtUs != o.AtUs:
		return 1
	}
	return int(max(-1, min(1, f.ID-o.ID)))
}

// later reports whether a consequence class comes after another; none comes
// last.
func later(a, b byte) bool { return a != b && (a == 0 || b != 0 && b < a) }
