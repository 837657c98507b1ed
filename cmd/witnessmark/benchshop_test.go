package main

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"

	"witnessmark/events"
	"witnessmark/rules/service"
)

// Who waits for a decision that will not come is told why: the service has
// ended, or nobody waits any more.
func TestBenchWaitEnds(t *testing.T) {
	for name, end := range map[string]func(*benchStack, context.CancelFunc){
		"context": func(_ *benchStack, cancel context.CancelFunc) { cancel() },
		"service": func(s *benchStack, _ context.CancelFunc) { s.over(errors.New("it broke")) },
	} {
		synctest.Test(t, func(t *testing.T) {
			s := &benchStack{decided: make([]atomic.Int64, 1)}
			s.changed = sync.NewCond(&s.mu)
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			got := make(chan error, 1)
			go func() { got <- s.waitDecided(ctx, 0, 1) }()
			synctest.Wait() // it waits
			end(s, cancel)
			synctest.Wait()
			select {
			case err := <-got:
				if err == nil {
					t.Errorf("%s: no error", name)
				}
			default:
				s.decided[0].Add(1)
				s.changed.Broadcast() // or it would wait for ever
				t.Errorf("%s: it waits on", name)
			}
		})
	}
}

// Who waits for a decided reading is woken, also where the decision on
// something else stands behind it already.
func TestBenchWakesWhoWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &benchStack{decided: make([]atomic.Int64, 1)}
		s.changed = sync.NewCond(&s.mu)
		updates := make(chan service.Update, 2)
		woken := make(chan struct{})
		go func() {
			if err := s.waitDecided(t.Context(), 0, 1); err != nil {
				t.Error(err)
			}
			close(woken)
		}()
		synctest.Wait() // it waits
		updates <- service.Update{Seq: 1, Fact: events.Entry{Event: events.Event{Data: events.ReadingTaken{Bench: "b00"}}}}
		updates <- service.Update{Seq: 2, Fact: events.Entry{Event: events.Event{Data: events.ReleaseAsked{}}}}
		close(updates)
		s.count(t.Context(), updates, map[string]int{"b00": 0})
		synctest.Wait()
		select {
		case <-woken:
		default:
			s.changed.Broadcast() // or it would wait for ever
			t.Error("nobody was woken")
		}
	})
}
