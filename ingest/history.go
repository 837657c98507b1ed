package ingest

import (
	"context"
	"time"

	"witnessmark/events"
)

// How far back the journal is searched at the start for the last readings of
// each device.
const (
	recallDepth = 20_000
	recallMost  = 16 // readings of a device
)

// history is a journal that can be searched, see Appender.
type history interface {
	Newest(ctx context.Context, prefix, kind string, from uint64, n int) (map[string][]events.Entry, error)
}

// recall learns from the journal where each device stands: its next number,
// and the readings that it may send again. It tries until ctx ends.
func (c *Capture) recall(ctx context.Context) error {
	var last uint64
	open := map[string]*device{}
	for _, d := range c.devices {
		e, ok, err := d.recallLast(ctx)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		last = max(last, e.Seq)
		open[d.source] = d
		if _, ok := c.cfg.Journal.(history); !ok {
			d.recall([]events.Entry{e})
		}
	}
	if h, ok := c.cfg.Journal.(history); ok {
		if err := searchBack(ctx, h, last, open); err != nil && ctx.Err() == nil {
			c.cfg.Log.Warn("cannot read the last readings; a resent one may be taken twice", "err", err)
		}
	}
	return ctx.Err()
}

// recallLast learns the number of the device's last event.
func (d *device) recallLast(ctx context.Context) (e events.Entry, ok bool, err error) {
	for failures := 1; ; failures++ {
		e, ok, err = d.cfg.Journal.LastOf(ctx, d.source)
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			return e, false, ctx.Err() // stopped while asking: nothing is wrong
		}
		d.log.Error("cannot ask the journal for the last event; ports stay closed until it answers", "err", err)
		select {
		case <-ctx.Done():
			return e, false, ctx.Err()
		case <-time.After(d.cfg.Retry.after(failures)):
		}
	}
	if ok {
		d.next = e.Number + 1
	}
	if n, ok := d.cfg.Journal.(interface{ LastNumber(string) uint64 }); ok {
		d.next = max(d.next, n.LastNumber(d.source)+1)
	}
	return e, ok, nil
}

// searchBack collects the newest readings of devices that lie before the
// sequence last.
func searchBack(ctx context.Context, h history, last uint64, open map[string]*device) error {
	if last == 0 {
		return nil
	}
	kind, _ := events.ReadingTaken{}.EventType()
	found, err := h.Newest(ctx, "device", kind, max(last, recallDepth)-recallDepth+1, recallMost)
	if err != nil {
		return err
	}
	for source, es := range found {
		if d := open[source]; d != nil {
			d.recall(es)
		}
	}
	return nil
}

// recall takes over readings out of the journal, oldest first.
func (d *device) recall(es []events.Entry) {
	for _, e := range es {
		switch r := e.Data.(type) {
		case events.ReadingTaken:
			d.memory.recall(e.Event, r)
			d.count(func(st *DeviceStatus) { st.last(r) })
			if d.detector != nil && r.Mode == events.ModeSettled {
				d.detector.Resume(r.Value)
			}
		case events.FrameRepeated:
			// All that is known when the journal cannot be searched.
			d.memory.add(r.ToolCounter, r.Bytes, r.Of)
		}
	}
}
