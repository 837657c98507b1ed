package ledger

import (
	"database/sql/driver"
	"fmt"
	"reflect"

	"witnessmark/events"
)

// entry writes the rows of one event.
func (b *batch) entry(e *events.Entry) error {
	if e.Data == nil {
		return fmt.Errorf("no data in event %s of %s", e.ID(), e.Source)
	}
	name, _ := e.Data.EventType()
	b.count("event", name)
	switch d := e.Data.(type) {
	case events.ReadingTaken:
		return b.reading(e, &d)
	case events.Decided:
		return b.decided(e.Seq, &d)
	case events.FrameRefused:
		return b.frameRefused(e.Seq, &d)
	case events.FrameRepeated:
		return b.frameRepeated(e.Seq, &d)
	case events.CounterGapFound:
		return b.counterGap(e.Seq, &d)
	case events.LinkChanged:
		return b.link(e.Seq, &d)
	case events.SamplesCaptured:
		return b.samples(e.Seq, &d)
	case events.NoticeTried:
		return b.put(putNotice, int64(e.Seq), d.Alert, d.Route, d.Way, d.Result, int64(d.Try), d.Detail, us(d.AtUs))
	case events.ArrivalRefused:
		return b.put(putArrival, int64(e.Seq), d.Box, d.Source, int64(d.Number), d.Type, d.Why, d.Detail, blob(d.Bytes), us(d.AtUs))
	case events.ArrivalMissing:
		return b.put(putArrival, int64(e.Seq), d.Box, e.Source, int64(e.Number), "", "missing", "", nil, us(d.AtUs))
	case events.BoxLinkChanged:
		return b.put(putBoxLink, int64(e.Seq), d.Box, bit(d.Up), int64(d.Came), d.Detail, us(d.AtUs))
	case events.ClockCompared:
		return b.put(putBoxClock, int64(e.Seq), d.Box, d.AheadUs, d.RoundTripUs, d.LimitUs, us(d.AtUs))
	case events.ClockStepped:
		return b.put(putClockStep, int64(e.Seq), us(d.FromUs), us(d.ToUs), d.ByUs, us(d.AtUs))
	case events.ShopRestored:
		return b.put(putRestore, int64(e.Seq), d.Backup, d.Manifest, int64(d.Last), int64(d.Sealed), bit(d.Moved), us(d.MadeUs), us(d.RestoredUs), d.By, us(d.AtUs))
	case events.ArrivalsLate:
		return nil // each reading of it is marked by its decision
	case events.AccessRefused:
		return b.put(putAccessRefused, int64(e.Seq), d.Why, d.What, d.Person, string(d.Role), d.Device, d.From, int64(d.Times), us(d.SinceUs), us(d.AtUs))
	case events.AccessChanged:
		return b.put(putAccessChanged, int64(e.Seq), d.What, d.Person, d.Device, d.Bench, d.By, d.From, us(d.AtUs))
	case events.CapturesRemoved:
		return b.removed(e.Seq, &d)
	case events.SealMade:
		return b.put(putSeal, int64(e.Seq), int64(d.Size), d.Root, d.Note, d.Key, d.Why, d.Job, us(d.AtUs))
	case events.TimeReached, events.ForceRising:
		return nil // nobody asks; what it led to is in its decision
	case events.Asker:
		return b.ask(e.Seq, name, d)
	}
	// Not our own mistake alone: a type was added to events and not here.
	return fmt.Errorf("no table for event type %q", name)
}

func (b *batch) reading(e *events.Entry, r *events.ReadingTaken) error {
	t := b.device(r.Device)
	t.readings++
	t.lastReading = e.Seq
	var counter driver.Value
	if r.ToolCounter != nil {
		counter = int64(*r.ToolCounter)
	}
	d := r.Value.Dimension()
	samples, stroke, frame := int64(0), int64(0), blob(r.Bytes)
	if r.Trace != nil {
		samples, frame = int64(len(r.Trace.Torque)), nil
	}
	if r.Stroke != nil {
		stroke = int64(len(r.Stroke.Force))
	}
	return b.put(putReading, int64(e.Seq), int64(e.Number), r.Device, r.Tool, r.Bench, string(r.Mode),
		int64(d), base(r.Value), r.Text, r.Unit, bit(r.UnitAssumed), baseIn(d, r.Resolution), base(r.Angle),
		r.DurationUs, samples, stroke, counter, r.ToolStatus, r.ToolClock, us(r.TakenAtUs), us(r.ReceivedAtUs), bit(r.Stale), r.Profile,
		frame, int64(r.Offset), r.By, r.Job)
}

func (b *batch) frameRefused(seq uint64, f *events.FrameRefused) error {
	t := b.device(f.Device)
	t.refused++
	t.lastRefused = seq
	b.count("refused_frame", f.Reason)
	return b.put(putFrameRefused, int64(seq), f.Device, f.Tool, f.Bench, blob(f.Bytes), int64(f.Offset),
		f.Reason, f.Detail, f.Profile, us(f.ReceivedAtUs))
}

func (b *batch) frameRepeated(seq uint64, f *events.FrameRepeated) error {
	b.device(f.Device).repeated++
	return b.put(putFrameRepeated, int64(seq), f.Device, int64(f.Of), int64(f.ToolCounter), blob(f.Bytes), us(f.ReceivedAtUs))
}

func (b *batch) counterGap(seq uint64, g *events.CounterGapFound) error {
	b.device(g.Device).gaps++
	return b.put(putCounterGap, int64(seq), g.Device, g.Tool, g.Bench, int64(g.After), int64(g.Next), bit(g.Restart), us(g.ReceivedAtUs))
}

func (b *batch) link(seq uint64, l *events.LinkChanged) error {
	b.device(l.Device).lastLinked = seq
	return b.put(putLink, int64(seq), l.Device, l.Bench, l.Port, l.State, l.Detail, us(l.AtUs))
}

func (b *batch) samples(seq uint64, s *events.SamplesCaptured) error {
	var least, most driver.Value
	if len(s.Values) > 0 {
		lo, hi := s.Values[0], s.Values[0]
		for _, v := range s.Values {
			lo, hi = min(lo, v), max(hi, v)
		}
		least, most = lo, hi
		if s.Status == "" { // else they tell nothing of its noise and drift
			if err := b.sampleMean(seq, s); err != nil {
				return err
			}
		}
	}
	last := s.FirstUs
	if n := len(s.AtUs); n > 0 {
		last += events.Instant(s.AtUs[n-1])
	}
	return b.put(putSamples, int64(seq), s.Device, s.Tool, s.Bench, s.Unit, int64(len(s.Values)), least, most, us(s.FirstUs), us(last), s.Status)
}

func (b *batch) ask(seq uint64, name string, a events.Asker) error {
	c := a.Asked()
	return b.put(putAsk, int64(seq), name, jobOf(a), c.By, c.Bench, us(c.AtUs))
}

// jobOf returns the job that a request names, "" if it names none.
func jobOf(a events.Asker) string {
	f := reflect.ValueOf(a).FieldByName("Job")
	if !f.IsValid() {
		return ""
	}
	return f.String()
}
