package ingest

import (
	"bytes"
	"fmt"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// held is a reading, and the blocks of its trace that have come so far.
type held struct {
	frame  profile.Frame // the summary
	at     events.Instant
	of     uint64 // again: number of the reading that it repeats
	again  bool
	blocks []profile.Frame
	have   int       // samples
	due    time.Time // when it goes without its trace
}

// bytes returns the summary, and the blocks where they belong to it too. What
// lay between them on the line is in events of its own.
func (h *held) bytes(blocks bool) []byte {
	if !blocks || len(h.blocks) == 0 {
		return h.frame.Bytes
	}
	b := bytes.Clone(h.frame.Bytes)
	for i := range h.blocks {
		b = append(b, h.blocks[i].Bytes...)
	}
	return b
}

// hold keeps a reading until its trace is whole, but no longer than the
// profile says: a tool that waits for an answer waits as long at most.
func (s *session) hold(h held, m moment) {
	within, _, _ := s.d.profile.Traces()
	h.due = m.mono.Add(within)
	s.held = &h
}

// heldDue returns when the held reading has to go; zero if there is none.
func (s *session) heldDue() time.Time {
	if s.held == nil {
		return time.Time{}
	}
	return s.held.due
}

// block takes a part of a trace.
func (s *session) block(f *profile.Frame, at events.Instant, m moment) {
	b, h := f.Reading.Block, s.held
	if h == nil {
		s.refused(f, at, profile.ReasonTrace, fmt.Sprintf("samples of reading %d, which is not waiting for any", b.Counter))
		return
	}
	if why := h.misfit(b); why != "" {
		s.giveUp(m, why)
		s.refused(f, at, profile.ReasonTrace, why)
		return
	}
	h.blocks = append(h.blocks, *f)
	if h.have += b.Len(); h.have < h.frame.Reading.Samples {
		return
	}
	s.held = nil
	var parts []*profile.Block
	for i := range h.blocks {
		parts = append(parts, h.blocks[i].Reading.Block)
	}
	s.conclude(h, at, s.d.profile.Trace(h.frame.Reading, parts))
}

// misfit says why b is not the next block of h; "" if it is.
func (h *held) misfit(b *profile.Block) string {
	n := *h.frame.Reading.Counter
	switch {
	case b.Counter != n:
		return fmt.Sprintf("samples of reading %d where those of %d were to come", b.Counter, n)
	case b.First != h.have:
		return fmt.Sprintf("sample %d where sample %d of reading %d was to come", b.First, h.have, n)
	case b.First+b.Len() > h.frame.Reading.Samples:
		return fmt.Sprintf("more samples than the %d that reading %d has", h.frame.Reading.Samples, n)
	case len(h.blocks) > 0 && b.PeriodUs != h.blocks[0].Reading.Block.PeriodUs:
		return fmt.Sprintf("the time between the samples of reading %d changed", n)
	}
	return ""
}

// giveUp lets the held reading go without its trace. The blocks that came
// are kept as refused frames.
func (s *session) giveUp(m moment, why string) {
	h := s.held
	if h == nil {
		return
	}
	s.held = nil
	s.conclude(h, m.wall, nil)
	shift := m.wall.Sub(m.steady)
	for i := range h.blocks {
		f := &h.blocks[i]
		if h.again {
			break // their bytes are in the repeat
		}
		s.refused(f, f.At.Add(shift), profile.ReasonTrace, why)
	}
	s.d.log.Warn("a reading came without its trace", "samples", h.have, "of", h.frame.Reading.Samples, "why", why)
}
