package ingest

import (
	"fmt"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// frames turns frames into events, in order.
func (s *session) frames(fs []profile.Frame, m moment) {
	for i := range fs {
		f := &fs[i]
		if f.Reading != nil && f.Reading.Kind != profile.Part {
			s.giveUp(m, "another reading came before its trace was whole")
		}
		// The decoder was given steady time; the difference is what the wall
		// clock has been set by since the port was opened.
		at := f.At.Add(m.wall.Sub(m.steady))
		switch {
		case f.Reading == nil:
			s.refused(f, at, f.Reason, f.Detail)
		case f.Reading.Kind == profile.Part:
			s.block(f, at, m)
		case !f.Reading.Value.Finite():
			s.refused(f, at, profile.ReasonNumber, fmt.Sprintf("%q is no finite number", f.Reading.Text))
		case f.Reading.Kind == profile.Sample:
			s.heard(m)
			s.sample(f, at, m)
		default:
			s.heard(m)
			s.reading(f, at, m)
		}
	}
}

// refused notes a run of bytes that cannot be read.
func (s *session) refused(f *profile.Frame, at events.Instant, reason, detail string) {
	d := s.d
	s.add(d.event(at, events.FrameRefused{
		Device: d.dev.ID, Tool: d.dev.Tool, Bench: d.dev.Bench,
		Bytes: f.Bytes, Offset: f.Offset, Reason: reason, Detail: detail,
		Profile: d.profile.ID(), ReceivedAtUs: at,
	}))
	d.count(func(st *DeviceStatus) {
		st.Refused++
		st.LastRefused = reason + ": " + detail
	})
	d.log.Debug("frame refused", "offset", f.Offset, "reason", reason, "detail", detail)
}

// reading notes a reading, or that one came again. One whose trace is still to
// come waits for it.
func (s *session) reading(f *profile.Frame, at events.Instant, m moment) {
	h := held{frame: *f, at: at}
	if r := f.Reading; r.Counter != nil {
		h.of, h.again = s.d.memory.repeats(*r.Counter, f.Bytes)
	}
	if _, most, ok := s.d.profile.Traces(); ok && 0 < f.Reading.Samples && f.Reading.Samples <= most {
		s.hold(h, m)
		return
	}
	s.conclude(&h, at, nil)
}

// conclude makes the event of a reading that is whole, with its trace or
// without. now is the time of the last frame that belongs to it.
func (s *session) conclude(h *held, now events.Instant, trace *events.Trace) {
	d, f, r := s.d, &h.frame, h.frame.Reading
	answer := d.profile.Answer(*r)
	if h.again {
		s.repeated(h, now, answer)
		return
	}
	if r.Counter != nil {
		s.gap(*r.Counter, h.at)
	}
	ev := s.taken(f, events.ModePeak)
	ev.ReceivedAtUs, ev.Trace = h.at, trace
	ev.Bytes = h.bytes(trace != nil)
	p := d.event(now, ev)
	p.answer, p.to = answer, s.line
	s.add(p)
	if r.Counter != nil {
		d.memory.add(*r.Counter, f.Bytes, p.ev.Number)
	}
}

// taken makes the event of a frame.
func (s *session) taken(f *profile.Frame, mode events.Mode) events.ReadingTaken {
	d, r := s.d, f.Reading
	ev := events.ReadingTaken{
		Device: d.dev.ID, Tool: d.dev.Tool, Bench: d.dev.Bench, Mode: mode,
		Text: r.Text, Unit: r.Unit.Code(), UnitAssumed: r.UnitAssumed,
		Value: r.Value, Resolution: r.Resolution, Angle: r.Angle, DurationUs: r.DurationUs,
		ToolCounter: r.Counter, ToolStatus: r.Status, ToolClock: r.ToolClock,
		Stale:   s.stale(f),
		Profile: d.profile.ID(), Bytes: f.Bytes, Offset: f.Offset,
	}
	return ev
}

// stale reports whether a frame had waited whole before the port was opened.
// One whose end came later was sent just now.
func (s *session) stale(f *profile.Frame) bool {
	return f.Offset+uint64(len(f.Bytes)) <= s.staleEnd
}

// repeated notes a reading that came again, and answers it again: the first
// answer was lost. A polled tool gives its last reading whenever it is asked;
// that is no event.
func (s *session) repeated(h *held, now events.Instant, answer []byte) {
	d, f, of := s.d, &h.frame, h.of
	d.count(func(st *DeviceStatus) { st.Repeated++ })
	if s.talk.acquire.By == profile.Poll {
		return
	}
	p := d.event(now, events.FrameRepeated{
		Device: d.dev.ID, Of: of, ToolCounter: *f.Reading.Counter, Bytes: h.bytes(true), ReceivedAtUs: h.at,
	})
	p.answer, p.to = answer, s.line
	s.add(p)
	d.log.Debug("reading came again", "of", of, "tool_counter", *f.Reading.Counter)
}

// gap notes that the tool's counter is not the next one.
func (s *session) gap(counter uint64, at events.Instant) {
	d := s.d
	found, restart := d.memory.gap(counter)
	if !found {
		return
	}
	s.add(d.event(at, events.CounterGapFound{
		Device: d.dev.ID, Tool: d.dev.Tool, Bench: d.dev.Bench,
		After: d.memory.last, Next: counter, Restart: restart, ReceivedAtUs: at,
	}))
	d.count(func(st *DeviceStatus) { st.Gaps++ })
	d.log.Warn("the tool's counter is not the next", "after", d.memory.last, "next", counter, "restart", restart)
}
