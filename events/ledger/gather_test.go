package ledger

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
)

// idle is a ledger without a file, for what has to do with time alone.
func idle() *Ledger { return &Ledger{moved: make(chan struct{}), wanted: make(chan struct{}, 1)} }

// drained does as drain does, but moves the position in place of writing, and
// returns the batches' lengths once ctx ends.
func drained(ctx context.Context, l *Ledger, q *queue) (batches []int) {
	for {
		l.gather(ctx, q)
		b, err := q.take(ctx)
		if err != nil || b == nil {
			return batches
		}
		batches = append(batches, len(b))
		l.moveTo(mark{seq: b[len(b)-1].Seq})
	}
}

// reach returns once l is at seq, and lets nobody know that it waits.
func reach(l *Ledger, seq uint64) {
	for {
		l.mu.Lock()
		at, moved := l.at.seq, l.moved
		l.mu.Unlock()
		if at >= seq {
			return
		}
		<-moved
	}
}

// pass lets the bubble's clock go on.
func pass(d time.Duration) { <-time.After(d) }

// come adds the entries from to to, one by one, gap apart.
func come(t *testing.T, q *queue, from, to uint64, gap time.Duration) {
	t.Helper()
	for seq := from; seq <= to; seq++ {
		if err := q.add(t.Context(), []events.Entry{{Seq: seq}}); err != nil {
			t.Error(err)
		}
		if gap > 0 {
			pass(gap)
		}
	}
}

// TestGather: what comes within a moment is written together; a full load or
// somebody who waits does not wait for the moment.
func TestGather(t *testing.T) {
	for _, c := range []struct {
		name    string
		n       uint64        // entries, three milliseconds apart
		wait    uint64        // a caller waits for this one; 0: nobody
		took    time.Duration // until that one is there; or until all are, if nobody waits
		batches int
	}{
		{"a few, nobody waits", 10, 0, moment, 1},
		{"a few, somebody waits for the first", 10, 1, 0, 2},
		{"a few, somebody waits for the last", 10, 10, 27 * time.Millisecond, 10},
		{"longer than a moment", 150, 0, 2*moment + 2*time.Millisecond, 2}, // the second begins at 252 ms,
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				l, q := idle(), newQueue()
				var batches []int
				var wg sync.WaitGroup
				wg.Go(func() { batches = drained(ctx, l, q) })
				start := time.Now()
				wg.Go(func() { come(t, q, 1, c.n, 3*time.Millisecond) })
				if c.wait != 0 {
					if err := l.WaitFor(ctx, c.wait); err != nil {
						t.Error(err)
					}
				} else {
					reach(l, c.n)
				}
				if got := time.Since(start); got != c.took {
					t.Errorf("took %v, want %v", got, c.took)
				}
				pass(2 * moment)
				cancel()
				wg.Wait()
				if len(batches) != c.batches || l.Position() != c.n {
					t.Errorf("batches %v to position %d, want %d batches to %d", batches, l.Position(), c.batches, c.n)
				}
			})
		})
	}
}

// TestGatherFullLoad: with enough entries there is nothing to wait for.
func TestGatherFullLoad(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		l, q := idle(), newQueue()
		var wg sync.WaitGroup
		wg.Go(func() { drained(ctx, l, q) })
		start := time.Now()
		come(t, q, 1, enough, 0)
		synctest.Wait()
		if got := time.Since(start); l.Position() != enough || got != 0 {
			t.Errorf("position %d after %v, want %d at once", l.Position(), got, enough)
		}
		cancel()
		wg.Wait()
	})
}

// TestWaitForLosesNoWakeUp: many wait, each for an entry that comes later or is
// on its way; each has it the moment it came, never a moment later.
func TestWaitForLosesNoWakeUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const gap = 7 * time.Millisecond
		ctx, cancel := context.WithCancel(t.Context())
		l, q := idle(), newQueue()
		var all, waiters sync.WaitGroup
		all.Go(func() { drained(ctx, l, q) })
		start := time.Now()
		for seq := uint64(1); seq <= 200; seq++ {
			waiters.Go(func() {
				pass(time.Duration(seq%13) * time.Millisecond)
				asked := time.Since(start)
				if err := l.WaitFor(ctx, seq); err != nil {
					t.Error(err)
				}
				if got, want := time.Since(start), max(asked, time.Duration(seq-1)*gap); got != want {
					t.Errorf("entry %d, asked for at %v: there at %v, want %v", seq, asked, got, want)
				}
			})
		}
		come(t, q, 1, 200, gap)
		waiters.Wait()
		cancel()
		all.Wait()
	})
}
