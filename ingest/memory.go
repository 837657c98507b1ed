package ingest

import (
	"bytes"

	"witnessmark/events"
)

// remember is how many readings back a resent one is recognised.
const remember = 64

// memory knows the last readings of a tool by the tool's own counter, so that
// one that comes again is not taken for a second pull, and one that never
// came is noticed.
type memory struct {
	// modulus: the counter goes from modulus-1 to 0; 0: it never wraps.
	modulus uint64
	// resends: the tool waits for answers and sends again without one.
	resends bool
	// traces: a reading out of the journal may have its trace's bytes too.
	traces bool

	known bool
	last  uint64       // counter of the newest reading; valid if known
	ring  []remembered // oldest first, at most remember
}

type remembered struct {
	counter uint64
	bytes   []byte
	number  uint64 // of the event, within the device's source
}

// repeats returns the number of the reading that a frame repeats. Counter and
// bytes must both agree: after a battery change a tool counts from zero again,
// and a second pull may well give the same value. A tool that does not resend
// can repeat its newest reading only (an adapter that delivers twice); going
// further back would take a pull after such a restart for an old one.
func (m *memory) repeats(counter uint64, frame []byte) (number uint64, ok bool) {
	oldest := 0
	if !m.resends {
		oldest = max(0, len(m.ring)-1)
	}
	for i := len(m.ring) - 1; i >= oldest; i-- {
		r := &m.ring[i]
		if r.counter == counter && m.same(r.bytes, frame) {
			return r.number, true
		}
	}
	return 0, false
}

// same reports whether a frame is that of a reading. A reading with its trace
// begins with its summary, and a summary says itself where it ends.
func (m *memory) same(reading, frame []byte) bool {
	if m.traces {
		return bytes.HasPrefix(reading, frame)
	}
	return bytes.Equal(reading, frame)
}

// gap tells whether counter is not the one that should follow, and whether
// the counter began anew.
func (m *memory) gap(counter uint64) (found, restart bool) {
	if !m.known {
		return false, false
	}
	next := m.last + 1
	if m.modulus > 0 {
		next %= m.modulus
	}
	if counter == next {
		return false, false
	}
	return true, counter <= m.last && !m.wrapped(counter)
}

// wrapped reports whether a lower counter is more likely one that has passed
// the modulus than one that began anew: it is at most a tenth of a round
// ahead. Our own choice: a tool rarely takes so many pulls unheard.
func (m *memory) wrapped(counter uint64) bool {
	if m.modulus == 0 || counter >= m.modulus || m.last >= m.modulus || counter == m.last {
		return false
	}
	ahead := (counter + m.modulus - m.last) % m.modulus
	return ahead <= m.modulus/10
}

// add remembers a reading that was taken.
func (m *memory) add(counter uint64, frame []byte, number uint64) {
	m.known, m.last = true, counter
	if len(m.ring) == remember {
		copy(m.ring, m.ring[1:])
		m.ring = m.ring[:remember-1]
	}
	m.ring = append(m.ring, remembered{counter, frame, number})
}

// recall remembers a reading out of the journal.
func (m *memory) recall(e events.Event, r events.ReadingTaken) {
	if r.ToolCounter != nil {
		m.add(*r.ToolCounter, r.Bytes, e.Number)
	}
}
