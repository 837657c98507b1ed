package main

import (
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"

	"witnessmark/events"
	"witnessmark/rules/service"
)

// Who waits for a decided reading is woken, also where the decision on
// something else stands behind it already.
func TestBenchWakesWhoWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &benchStack{decided: make([]atomic.Int64, 1)}
		s.changed = sync.NewCond(&s.mu)
		updates := make(chan service.Update, 2)
		woken := make(chan struct{})
		go func() {
			s.waitDecided(0, 1)
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
