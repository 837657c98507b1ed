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
		// The decoder was given steady time; the difference is what the wall
		// clock has been set by since the port was opened.
		at := f.At.Add(m.wall.Sub(m.steady))
		switch {
		case f.Reading == nil:
			s.refused(f, at, f.Reason, f.Detail)
		case !f.Reading.Value.Finite():
			s.refused(f, at, profile.ReasonNumber, fmt.Sprintf("%q is no finite number", f.Reading.Text))
		case f.Reading.Kind == profile.Sample:
			s.heard(m)
			s.sample(f, at, m)
		default:
			s.heard(m)
			s.reading(f, at)
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

// reading notes a reading, or that one came again.
func (s *session) reading(f *profile.Frame, at events.Instant) {
	d, r := s.d, f.Reading
	answer := d.profile.Answer(*r)
	if r.Counter != nil {
		if of, again := d.memory.repeats(*r.Counter, f.Bytes); again {
			s.repeated(f, at, of, answer)
			return
		}
		s.gap(*r.Counter, at)
	}
	ev := s.taken(f, events.ModePeak)
	ev.ReceivedAtUs = at
	p := d.event(at, ev)
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
func (s *session) repeated(f *profile.Frame, at events.Instant, of uint64, answer []byte) {
	d := s.d
	d.count(func(st *DeviceStatus) { st.Repeated++ })
	if s.talk.acquire.By == profile.Poll {
		return
	}
	p := d.event(at, events.FrameRepeated{
		Device: d.dev.ID, Of: of, ToolCounter: *f.Reading.Counter, Bytes: f.Bytes, ReceivedAtUs: at,
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
