package main

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/dashboards"
	"witnessmark/dashboards/outward"
	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// boxLamps tells the lamps at the bench boxes which alerts are open.
type boxLamps struct {
	mu    sync.Mutex
	state map[string]journal.LampState // by box
}

// tellLampsEvery is how often a box is told although nothing has changed.
const tellLampsEvery = 2 * time.Second

func (l *boxLamps) of(box string) journal.LampState {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state[box]
}

func (l *boxLamps) set(box string, s journal.LampState) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.state == nil {
		l.state = map[string]journal.LampState{}
	}
	l.state[box] = s
}

// tellLamps tells each bench box that is connected what is open at its benches,
// at once when that changes, until ctx ends.
func (s *stack) tellLamps(ctx context.Context) error {
	var g errgroup.Group
	wake := map[string]chan struct{}{}
	for _, b := range s.shop.Boxes {
		c := make(chan struct{}, 1)
		wake[b.ID] = c
		g.Go(func() error { s.tellBox(ctx, b.ID, c); return nil })
	}
	g.Go(func() error {
		watch := dashboards.Watch(s.service.Subscribe)
		for ctx.Err() == nil {
			err := watch(ctx, 1024, func(us []dashboards.Update) {
				if !slices.ContainsFunc(us, changesAlerts) {
					return
				}
				for _, c := range wake {
					select {
					case c <- struct{}{}:
					default:
					}
				}
			})
			if !errors.Is(err, dashboards.ErrBehind) {
				return nil
			}
		}
		return nil
	})
	return g.Wait()
}

func changesAlerts(u dashboards.Update) bool {
	return slices.ContainsFunc(u.Decided.Outcomes, func(o events.Outcome) bool {
		switch o.Data.(type) {
		case events.AlertRaised, events.AlertAcknowledged, events.AlertSettled:
			return true
		}
		return false
	})
}

func (s *stack) tellBox(ctx context.Context, box string, wake <-chan struct{}) {
	tick := time.NewTicker(tellLampsEvery)
	defer tick.Stop()
	for {
		if s.boxIsUp(box) {
			// One that does not answer is away, or has no lamp to speak of.
			state, err := s.journal.TellLamps(ctx, box, s.lampAlerts(box))
			if err != nil {
				s.log.Debug("the lamps of a bench box were not told", "box", box, "err", err)
			}
			s.lamps.set(box, state)
		}
		select {
		case <-tick.C:
		case <-wake:
		case <-ctx.Done():
			return
		}
	}
}

func (s *stack) boxIsUp(box string) bool {
	for _, x := range s.arrivals.Status() {
		if x.Box == box {
			return x.Link.Up
		}
	}
	return false
}

// lampAlerts are the alerts at the benches of a box that nobody has
// acknowledged yet, oldest first.
func (s *stack) lampAlerts(box string) (out []journal.LampAlert) {
	seen := map[string]bool{}
	s.service.View(func(st *rules.State) {
		for id, a := range st.Alerts {
			seen[id] = a.AckBy != ""
		}
	})
	for _, a := range s.openAlerts() {
		here := slices.ContainsFunc(s.shop.Devices, func(d events.Device) bool { return d.Box == box && d.Bench == a.Bench })
		if here && !seen[a.Alert] {
			out = append(out, journal.LampAlert{Alert: a.Alert, Kind: a.Kind, Bench: a.Bench, Blocks: a.Blocks})
		}
	}
	return out
}

// lampsOf hands on what the shop says to the lamps of this bench box.
func lampsOf(l *outward.Lamps) func([]journal.LampAlert) journal.LampState {
	return func(open []journal.LampAlert) (s journal.LampState) {
		alerts := make([]events.AlertRaised, len(open))
		for i, a := range open {
			alerts[i] = events.AlertRaised{Alert: a.Alert, Kind: a.Kind, Bench: a.Bench, Blocks: a.Blocks}
		}
		s.Lamps, s.Lit, s.Trouble = l.Told(alerts)
		return s
	}
}
