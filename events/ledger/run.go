package ledger

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	sqlite3 "github.com/mattn/go-sqlite3"
	"golang.org/x/sync/errgroup"

	"witnessmark/events"
)

// Follower gives the journal from a sequence on, in order, and then what comes
// after, until ctx ends or fn returns an error.
type Follower interface {
	Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error
}

// maxBatch bounds a transaction, and maxQueue what waits for the next one.
// moment is how long events are gathered for one transaction, unless somebody
// waits for them or enough have come.
const (
	maxBatch = 4096
	maxQueue = 4 * maxBatch
	enough   = 1024
	moment   = 250 * time.Millisecond
)

// Run follows the journal into the ledger until ctx ends, whose error it then
// returns. Each transaction costs a sync of the disk, on which the journal's
// own syncs wait; so what comes within a moment is written together. A caller
// of WaitFor is not kept waiting for that moment.
//
// Run first compares the event at its position with the journal's, and gives
// ErrJournal if they differ or if the journal (when it has a method Last)
// ends before the ledger: then the journal has lost events, or is another one.
// Agree does the same by itself, for who wants to know before anything is
// written.
//
// While the disk is full or the file is busy it tries again, and Trouble says
// so. Damage ends it with an error.
func (l *Ledger) Run(ctx context.Context, src Follower) error {
	if l.write == nil {
		return explain("write ledger", l.path, ErrReadOnly)
	}
	at := l.mark()
	if j, ok := src.(interface{ Last() uint64 }); ok {
		if err := l.reaches(at, j.Last()); err != nil {
			return err
		}
	}
	q := newQueue()
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer q.close()
		return src.Follow(ctx, max(at.seq, 1), func(es []events.Entry) error {
			if err := l.sameJournal(at, es); err != nil {
				return err
			}
			return q.add(ctx, es)
		})
	})
	g.Go(func() error { return l.drain(ctx, q) })
	return g.Wait()
}

// reaches checks that a journal that ends at last holds all that we have.
func (l *Ledger) reaches(at mark, last uint64) error {
	if last >= at.seq {
		return nil
	}
	return fmt.Errorf("%w: the journal ends with event %d, the ledger with %d; the journal has lost events: "+
		"keep copies of both, restore the journal, or run 'witnessmark rebuild' to go on without them", ErrJournal, last, at.seq)
}

// Agree compares the journal with the ledger's position, as Run does. It reads
// one event.
func (l *Ledger) Agree(ctx context.Context, src Reader) error {
	at := l.mark()
	if err := l.reaches(at, src.Last()); err != nil || at.seq == 0 {
		return err
	}
	return src.Read(ctx, at.seq, at.seq, func(es []events.Entry) error { return l.sameJournal(at, es) })
}

// sameJournal checks that the journal's event at our position is the one that
// we have.
func (l *Ledger) sameJournal(at mark, es []events.Entry) error {
	if at.seq == 0 || len(es) == 0 || es[0].Seq != at.seq {
		return nil
	}
	if got := markOf(&es[0]); got != at {
		return fmt.Errorf("%w: event %d is number %d of %q in the journal, number %d of %q in the ledger; the journal has lost "+
			"events or belongs to another shop: keep copies of both, then run 'witnessmark rebuild'",
			ErrJournal, at.seq, got.number, got.source, at.number, at.source)
	}
	return nil
}

// drain applies what is in the queue until it is closed or ctx ends.
func (l *Ledger) drain(ctx context.Context, q *queue) error {
	for {
		l.gather(ctx, q)
		batch, err := q.take(ctx)
		if err != nil || batch == nil {
			return err
		}
		if err := l.applyAtLast(ctx, batch); err != nil {
			return err
		}
	}
}

// gather waits for the first entry and then a moment for more.
func (l *Ledger) gather(ctx context.Context, q *queue) {
	if !q.wait(ctx) {
		return
	}
	timer := time.NewTimer(moment)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-q.plenty:
	case <-l.wanted:
	case <-ctx.Done():
	}
}

// applyAtLast is Apply that goes on trying while the trouble may pass.
func (l *Ledger) applyAtLast(ctx context.Context, batch []events.Entry) error {
	wait := 100 * time.Millisecond
	for {
		err := l.Apply(ctx, batch)
		if err == nil || !passing(err) {
			if l.writeTrouble() != nil && err == nil {
				l.log.Warn("ledger can be written again", "seq", l.Position())
				l.setTrouble(nil)
			}
			return err
		}
		if l.writeTrouble() == nil {
			l.log.Error("ledger cannot be written, trying again", "err", err)
		}
		l.setTrouble(err)
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
		wait = min(2*wait, 5*time.Second)
	}
}

func (l *Ledger) writeTrouble() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.trouble
}

// passing reports whether an error may go away by itself, or by somebody
// making room.
func passing(err error) bool {
	var e sqlite3.Error
	if errors.As(err, &e) {
		return e.Code == sqlite3.ErrIoErr
	}
	return errors.Is(err, errFull) || (errors.Is(err, ErrInUse) && !errors.Is(err, errMoved))
}

// queue holds entries between the journal and the writer, bounded.
type queue struct {
	mu      sync.Mutex
	entries []events.Entry
	closed  bool
	came    chan struct{} // holds a token when there is something to look at
	left    chan struct{} // the same, when there is room
	plenty  chan struct{} // the same, when there is no point in gathering more
}

func newQueue() *queue {
	return &queue{came: make(chan struct{}, 1), left: make(chan struct{}, 1), plenty: make(chan struct{}, 1)}
}

// add copies es to the end, and waits for room first if the queue is full.
func (q *queue) add(ctx context.Context, es []events.Entry) error {
	for {
		q.mu.Lock()
		if len(q.entries) < maxQueue {
			q.entries = append(q.entries, es...)
			n := len(q.entries)
			q.mu.Unlock()
			signal(q.came)
			if n >= enough {
				signal(q.plenty)
			}
			return nil
		}
		q.mu.Unlock()
		select {
		case <-q.left:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// wait returns true once there are entries that are worth gathering more of,
// and false if there is nothing more to wait for.
func (q *queue) wait(ctx context.Context) bool {
	for {
		q.mu.Lock()
		n, closed := len(q.entries), q.closed
		q.mu.Unlock()
		if closed || n >= enough {
			return false
		}
		if n > 0 {
			return true
		}
		select {
		case <-q.came:
		case <-ctx.Done():
			return false
		}
	}
}

// take removes up to maxBatch entries, waiting for the first. It returns nil
// once the queue is closed and empty.
func (q *queue) take(ctx context.Context) ([]events.Entry, error) {
	for {
		q.mu.Lock()
		n := min(len(q.entries), maxBatch)
		batch := q.entries[:n:n]
		q.entries = q.entries[n:]
		closed := q.closed
		q.mu.Unlock()
		if n > 0 {
			signal(q.left)
			return batch, nil
		}
		if closed {
			return nil, nil
		}
		select {
		case <-q.came:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (q *queue) close() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	signal(q.came)
	signal(q.plenty)
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
