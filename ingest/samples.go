package ingest

import (
	"time"

	"witnessmark/events"
	"witnessmark/events/settle"
	"witnessmark/ingest/profile"
)

// Bounds of one SamplesCaptured: what a power cut can cost, and how many
// events a streaming tool makes.
const (
	chunkMost = 64
	chunkTime = time.Second
)

// samples gathers the samples of a tool.
type samples struct {
	d      *device
	chunk  events.SamplesCaptured // being filled; empty if it has no Values
	begun  time.Time              // first sample of chunk
	first  events.Instant         // the same, steady
	recent []profile.Frame        // frames that a settled value may turn out to be
	press  pressing               // of a press gauge
}

// due returns when the chunk has to go, zero if it is empty.
func (c *samples) due() time.Time {
	if len(c.chunk.Values) == 0 {
		return time.Time{}
	}
	return c.begun.Add(chunkTime)
}

// flush makes the chunk an event.
func (c *samples) flush(at events.Instant) []pending {
	if len(c.chunk.Values) == 0 {
		return nil
	}
	p := c.d.event(at, c.chunk)
	c.chunk = events.SamplesCaptured{}
	return []pending{p}
}

// add puts a sample into the chunk, which must be of its unit.
func (c *samples) add(f *profile.Frame, at events.Instant, m moment) {
	ch := &c.chunk
	if len(ch.Values) == 0 {
		dev := c.d.dev
		*ch = events.SamplesCaptured{Device: dev.ID, Tool: dev.Tool, Bench: dev.Bench, Unit: f.Reading.Unit.Code(), FirstUs: at}
		c.begun, c.first = m.mono, f.At
	}
	ch.Values = append(ch.Values, f.Reading.Value.In(f.Reading.Unit))
	ch.AtUs = append(ch.AtUs, f.At.Sub(c.first).Microseconds())
	ch.Bytes = append(ch.Bytes, f.Bytes...)
	if !f.Reading.Good {
		ch.Status = f.Reading.Status
	}
}

// worse reports whether a sample has a fault that those of the chunk have not:
// they must not be doubted for it. The other way round the chunk goes on, so
// that a flag which comes and goes with each sample makes no flood of events.
func (c *samples) worse(f *profile.Frame) bool {
	return !f.Reading.Good && f.Reading.Status != c.chunk.Status
}

// sample notes a sample, and the reading that it settles.
func (s *session) sample(f *profile.Frame, at events.Instant, m moment) {
	c := &s.samples
	if len(c.chunk.Values) > 0 && (c.chunk.Unit != f.Reading.Unit.Code() || len(c.chunk.Values) >= chunkMost || c.worse(f)) {
		s.add(c.flush(at)...)
	}
	c.add(f, at, m)
	s.d.count(func(st *DeviceStatus) { st.Samples++ })
	if s.d.stroke != nil {
		s.stroke(f, at, m)
	}
	if s.d.detector == nil {
		return
	}
	if !f.Reading.Good || s.stale(f) {
		s.d.detector.Break() // a value that nobody may rely on, or of unknown time
		return
	}
	c.recent = append(c.recent, *f)
	got, ok := s.d.detector.Add(settle.Sample{
		Value: f.Reading.Value, Resolution: f.Reading.Resolution, At: f.At, Tag: f.Offset,
	})
	if ok {
		s.settled(got, at, m)
	}
	c.forget(f.At.Add(-2 * c.window()))
}

// window is how far back a settled value can lie.
func (c *samples) window() time.Duration {
	cfg, _ := c.d.profile.Settle()
	return cfg.Window + cfg.MaxGap
}

// forget drops frames from before an instant.
func (c *samples) forget(before events.Instant) {
	n := 0
	for n < len(c.recent) && c.recent[n].At < before {
		n++
	}
	if n > len(c.recent)/2 {
		rest := copy(c.recent, c.recent[n:])
		clear(c.recent[rest:])
		c.recent = c.recent[:rest]
	}
}

// settled notes a reading of an indicator that came to rest: the samples
// first, then the one among them that is the reading.
func (s *session) settled(got settle.Settled, at events.Instant, m moment) {
	s.add(s.samples.flush(at)...)
	for i := range s.samples.recent {
		f := &s.samples.recent[i]
		if f.Offset != got.Tag {
			continue
		}
		ev := s.taken(f, events.ModeSettled)
		ev.ReceivedAtUs = f.At.Add(m.wall.Sub(m.steady))
		s.add(s.d.event(at, ev))
		return
	}
	s.d.log.Error("settled value without its sample", "offset", got.Tag)
}
