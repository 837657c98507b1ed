package journal

import (
	"cmp"
	"fmt"
	"slices"
	"sync"

	"witnessmark/events"
)

// Hole is something that should be in the journal and is not: a run of
// sequences (FromSeq to ToSeq, both missing), or a run of numbers of one
// Source. A lost event shows in both ways.
type Hole struct {
	FromSeq, ToSeq uint64 // 0 for a run of numbers
	Source         string // "" for a run of sequences
	FromNumber     uint64
	ToNumber       uint64
	NextSeq        uint64 // for a run of numbers: the entry at which it was noticed
}

// String describes h for people.
func (h Hole) String() string {
	if h.Source == "" {
		return fmt.Sprintf("entries %d to %d are missing", h.FromSeq, h.ToSeq)
	}
	return fmt.Sprintf("events %d to %d of source %q are missing before entry %d", h.FromNumber, h.ToNumber, h.Source, h.NextSeq)
}

// holes collects what readers found missing, each once.
type holes struct {
	mu      sync.Mutex
	set     map[Hole]bool
	removed *events.Removals // what is gone because it was removed is no hole
}

// without lets what was removed be no hole, also of what was found before.
func (h *holes) without(r *events.Removals) {
	before := h.list()
	h.mu.Lock()
	h.set, h.removed = nil, r
	h.mu.Unlock()
	for _, x := range before {
		if x.Source == "" {
			h.addRange(x.FromSeq, x.ToSeq)
		} else {
			h.addNumbers(x)
		}
	}
}

// addNumbers adds a run of numbers of a source.
func (h *holes) addNumbers(x Hole) {
	h.removed.NumbersWithout(x.Source, x.FromNumber, x.ToNumber, func(from, to uint64) {
		x := x
		x.FromNumber, x.ToNumber = from, to
		h.add(x)
	})
}

func (h *holes) add(x Hole) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.set == nil {
		h.set = map[Hole]bool{}
	}
	h.set[x] = true
}

// addRange adds the sequences from to to, joined with what they touch: two
// readers may meet the same gap at different places.
func (h *holes) addRange(from, to uint64) { h.removed.Without(from, to, h.addGone) }

func (h *holes) addGone(from, to uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.set == nil {
		h.set = map[Hole]bool{}
	}
	for x := range h.set {
		if x.Source == "" && x.FromSeq <= to+1 && from <= x.ToSeq+1 {
			from, to = min(from, x.FromSeq), max(to, x.ToSeq)
			delete(h.set, x)
		}
	}
	h.set[Hole{FromSeq: from, ToSeq: to}] = true
}

func (h *holes) list() []Hole {
	h.mu.Lock()
	defer h.mu.Unlock()
	var all []Hole
	for x := range h.set {
		all = append(all, x)
	}
	slices.SortFunc(all, func(a, b Hole) int {
		return cmp.Or(cmp.Compare(a.Source, b.Source), cmp.Compare(a.FromSeq, b.FromSeq), cmp.Compare(a.FromNumber, b.FromNumber))
	})
	return all
}

// counter follows one pass of reading and reports what it does not meet.
type counter struct {
	holes   *holes
	next    uint64 // sequence expected next
	whole   bool   // began at 1: the first number of a source must be 1
	numbers map[string]uint64
}

func newCounter(h *holes, from uint64) *counter {
	return &counter{holes: h, next: from, whole: from == 1, numbers: map[string]uint64{}}
}

// saw counts e, which may leave a gap before it.
func (c *counter) saw(e events.Entry) {
	c.missing(e.Seq - 1)
	c.next = e.Seq + 1
	last, ok := c.numbers[e.Source]
	if (ok || c.whole) && e.Number > last+1 {
		c.holes.addNumbers(Hole{Source: e.Source, FromNumber: last + 1, ToNumber: e.Number - 1, NextSeq: e.Seq})
	}
	c.numbers[e.Source] = max(last, e.Number)
}

// missing reports that nothing from next up to to was there.
func (c *counter) missing(to uint64) {
	if to >= c.next {
		c.holes.addRange(c.next, to)
		c.next = to + 1
	}
}
