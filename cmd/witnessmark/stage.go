package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"witnessmark/events"
	"witnessmark/ingest"
	"witnessmark/rules/service"
	"witnessmark/simulator"
)

func isRefusal(err error) bool { return errors.Is(err, simulator.ErrRefused) }

// watch remembers which readings are decided, so that a simulated technician
// can wait for the screen as a real one does.
type watch struct {
	mu      sync.Mutex
	decided map[string][]events.ReadingTaken // by tool, not yet waited for
	changed chan struct{}
}

func newWatch() *watch {
	return &watch{decided: map[string][]events.ReadingTaken{}, changed: make(chan struct{})}
}

// follow takes decisions until ctx ends or the channel closes.
func (w *watch) follow(ctx context.Context, updates <-chan service.Update) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case u, ok := <-updates:
			if !ok {
				if ctx.Err() != nil {
					return nil
				}
				return errors.New("follow decisions: fell behind")
			}
			r, ok := u.Fact.Data.(events.ReadingTaken)
			if !ok {
				continue
			}
			w.mu.Lock()
			w.decided[r.Tool] = append(w.decided[r.Tool], r)
			close(w.changed)
			w.changed = make(chan struct{})
			w.mu.Unlock()
		}
	}
}

// patience is how long a reading may take from the tool to its decision
// before the demonstration gives up. It is generous: a slow disk is no fault.
const patience = 5 * time.Minute

// settled waits until the reading is decided.
func (w *watch) settled(ctx context.Context, _ simulator.Job, s simulator.Sent) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for {
		w.mu.Lock()
		for i, r := range w.decided[s.Tool] {
			if sameReading(r, s) {
				w.decided[s.Tool] = w.decided[s.Tool][i+1:]
				w.mu.Unlock()
				return nil
			}
		}
		changed := w.changed
		w.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
			return fmt.Errorf("wait for reading %s %s of %s to be decided: %w", s.Text, s.Unit.Symbol(), s.Tool, ctx.Err())
		}
	}
}

// sameReading recognises a reading by the tool's counter, or, of a tool that
// has none, by a value that differs by no more than the noise of a few digits.
func sameReading(r events.ReadingTaken, s simulator.Sent) bool {
	if r.ToolCounter != nil {
		return *r.ToolCounter == s.Counter
	}
	return math.Abs(r.Value.Base()-s.Value.Base()) <= 5*r.Resolution.Base()
}

// linked waits until the machine listens to a tool, or, with up false, until it
// has seen that the cable is out.
func linked(status func() []ingest.DeviceStatus, up bool) func(context.Context, string) error {
	return func(ctx context.Context, tool string) error {
		ctx, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			for _, d := range status() {
				if d.Device.Tool == tool && (d.Link == events.LinkUp) == up {
					return nil
				}
			}
			select {
			case <-tick.C:
			case <-ctx.Done():
				return fmt.Errorf("wait for the link to %s: %w", tool, ctx.Err())
			}
		}
	}
}
