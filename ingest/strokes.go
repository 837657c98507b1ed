package ingest

import (
	"math"
	"strconv"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// mostStroke is how many samples a stroke keeps. When there are more, every
// second one is dropped, and from then on every second one is taken.
const mostStroke = 4096

// pressing gathers one pressing out of the samples of a press gauge.
type pressing struct {
	free   bool // the force was at rest since the port was opened
	on     bool // a pressing is going on
	every  int  // one of so many samples is kept
	skip   int
	times  []int64 // μs, from first
	force  []float64
	travel []float64     // mm by the gauge's own zero; NaN where it told none; empty: it never does
	why    string        // why the first sample without travel has none
	first  int64         // μs, by the clock that the samples are timed by
	peak   profile.Frame // the sample with the greatest force
	low    int64         // μs since the force fell; -1: it has not
	status string        // the worst that the gauge said
	told   float64       // greatest force that was told while it went on, N
	toldAt int64         // μs, when
}

// How often the force is told while a pressing goes on: each time more by a
// share, and no more often than so. Our own choice: quick enough for a hand on
// the valve, and no flood of events.
const (
	toldMore  = 1.02
	toldEvery = 100_000 // μs
)

// stroke takes one sample of a press gauge. A pressing that was under way when
// the port was opened is left out: where it began is not known.
func (s *session) stroke(f *profile.Frame, at events.Instant, m moment) {
	p, spec := &s.samples.press, s.d.stroke
	if s.stale(f) {
		return
	}
	v, now := f.Reading.Value, strokeTime(f, spec)
	if !p.on {
		if v.Base() <= spec.Release.Base() {
			p.free = true
		}
		if !p.free || v.Base() <= spec.Contact.Base() {
			return
		}
		*p = pressing{free: true, on: true, every: 1, first: now, peak: *f, low: -1}
	}
	p.add(f, now-p.first, spec.Travel)
	if v.Base() > p.peak.Reading.Value.Base() {
		p.peak = *f
	}
	worse := !f.Reading.Good && p.status == ""
	if !f.Reading.Good {
		p.status = f.Reading.Status
	}
	if most := p.peak.Reading.Value.Base(); worse || most >= toldMore*p.told && now-p.toldAt >= toldEvery {
		p.told, p.toldAt = most, now
		s.add(s.d.event(at, s.rising(now-p.first, m)))
	}
	switch {
	case v.Base() > spec.Release.Base():
		p.low = -1
	case p.low < 0:
		p.low = now
	}
	if p.low >= 0 && time.Duration(now-p.low)*time.Microsecond >= spec.Quiet {
		s.pressed(at, m)
	}
}

// rising tells the greatest force so far.
func (s *session) rising(since int64, m moment) events.ForceRising {
	p, dev := &s.samples.press, s.d.dev
	r := p.peak.Reading
	return events.ForceRising{Device: dev.ID, Tool: dev.Tool, Bench: dev.Bench, Text: r.Text, Unit: r.Unit.Code(), Value: r.Value,
		Status: p.status, SinceUs: since, AtUs: p.peak.At.Add(m.wall.Sub(m.steady))}
}

// strokeTime is the time of a sample in μs: by the gauge's own clock, or by
// receipt.
func strokeTime(f *profile.Frame, spec *profile.Stroke) int64 {
	if spec.Clock > 0 {
		if n, err := strconv.ParseInt(f.Reading.ToolClock, 10, 64); err == nil {
			return n * spec.Clock.Microseconds()
		}
	}
	return int64(f.At)
}

func (p *pressing) add(f *profile.Frame, at int64, travels bool) {
	if n := len(p.times); n > 0 && at < p.times[n-1] {
		at = p.times[n-1] // the gauge's clock began anew: the order is what counts
	}
	if p.skip++; p.skip < p.every {
		return
	}
	p.skip = 0
	p.times, p.force = append(p.times, at), append(p.force, f.Reading.Value.Base())
	if travels {
		x := math.NaN()
		if r := f.Reading; r.NoTravel == "" {
			x = r.Travel.Base()
		} else if p.why == "" {
			p.why = r.NoTravel
		}
		p.travel = append(p.travel, x)
	}
	if len(p.times) < mostStroke {
		return
	}
	n := 0
	for i := 0; i < len(p.times); i += 2 {
		p.times[n], p.force[n] = p.times[i], p.force[i]
		if travels {
			p.travel[n] = p.travel[i]
		}
		n++
	}
	p.times, p.force, p.every = p.times[:n], p.force[:n], p.every*2
	if travels {
		p.travel = p.travel[:n]
	}
}

// pressed notes a pressing that is over: the samples first, then the one of
// them with the greatest force as the reading, with the whole course.
func (s *session) pressed(at events.Instant, m moment) {
	p := &s.samples.press
	s.add(s.samples.flush(at)...)
	ev := s.taken(&p.peak, events.ModePeak)
	ev.ReceivedAtUs = p.peak.At.Add(m.wall.Sub(m.steady))
	ev.Stroke = p.course(s.d.stroke)
	if n := len(p.times); n > 0 {
		ev.DurationUs = p.times[n-1]
	}
	if p.status != "" {
		ev.ToolStatus = p.status
	}
	s.add(s.d.event(at, ev))
	*p = pressing{free: true}
}
