package journal

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// writer is the state of the writer goroutine.
type writer struct {
	ended    sync.WaitGroup
	cause    error     // why the journal is stuck; nil if it is not
	again    time.Time // when to try again
	wait     time.Duration
	timer    *time.Timer
	blocks   namesIn    // of the block files
	unproven []item     // given up with ErrUnknown; they may still come
	trying   chan error // the answer of a look at the disk that is under way
	faults   faults
}

func (w *writer) retryAt() <-chan time.Time {
	if w.timer == nil {
		return nil
	}
	return w.timer.C
}

// How long to wait before trying again: doubled after each failure.
const (
	firstWait = 100 * time.Millisecond
	mostWait  = 10 * time.Second
	attempts  = 2 // to store the same items, before giving up
)

// store puts items on disk and accepts them. On an error none of those that
// are still open is stored, unless it is an ErrUnknown.
//
// pre is what was sent of items ahead; prepare is called once, with the
// sequence that items will end at, if there is time while the server works.
func (j *Journal) store(items []item, pre *staged, prepare func(base uint64)) error {
	if j.w.cause != nil {
		return errStuck(j.w.cause, j.w.again)
	}
	if err := j.room(sizeOf(items)); err != nil {
		if err = j.roomAfterAsking(items, err); err != nil {
			return err
		}
	}
	careful := j.w.wait > 0
	for try := 1; ; try++ {
		base := j.tail.lastSeq()
		now := items
		if careful { // each batch that fails costs the server a descriptor
			now = items[:min(len(items), batchAbove)]
		}
		var meanwhile func()
		if prepare != nil && len(now) == len(items) {
			meanwhile = func() { prepare(base + uint64(len(items))); prepare = nil }
		}
		err := j.tryPublish(now, base, pre, meanwhile)
		pre = nil
		if err == nil {
			j.healthy() // before anybody is answered
			j.accept(now, base+1)
			if items = items[len(now):]; len(items) == 0 {
				return nil
			}
			try = 0
			continue
		}
		careful = true
		n, serr := j.settle(items, base, err)
		items = items[n:]
		switch {
		case serr != nil:
			return serr
		case len(items) == 0:
			j.healthy()
			return nil
		case n > 0:
			try = 0
		case isFull(err):
			return j.full(fmt.Sprintf("the server has no room (%v); raise the limit or make room", err))
		case try >= attempts:
			return j.giveUp(err)
		}
	}
}

// sizeOf is about how much room storing items takes. A batch is put aside
// first and then stored, so it needs its room twice for a moment.
func sizeOf(items []item) (n int) {
	for _, it := range items {
		n += len(it.msg().payload) + messageOverhead
	}
	if len(items) > batchAbove {
		n = 2*n + 64<<10
	}
	return n
}

// roomAfterAsking is called when there seems to be no room: our count of
// bytes is a little too great, so the server is asked.
func (j *Journal) roomAfterAsking(items []item, full error) error {
	ctx, cancel := context.WithTimeout(context.Background(), j.cfg.AckTimeout)
	defer cancel()
	s, err := j.waitSession(ctx)
	if err != nil {
		return full
	}
	_, bytes, err := s.lastSeq(ctx)
	if err != nil || bytes >= j.bytes.Load() {
		return full
	}
	j.bytes.Store(bytes)
	return j.room(sizeOf(items))
}

func (j *Journal) tryPublish(items []item, base uint64, pre *staged, meanwhile func()) error {
	ctx, cancel := context.WithTimeout(context.Background(), j.ackTime(len(items)))
	defer cancel()
	s, err := j.waitSession(ctx)
	if err != nil {
		return err
	}
	if j.w.faults.before != nil {
		if err := j.w.faults.before(); err != nil {
			return err
		}
	}
	err = s.publish(ctx, j.names, items, base, pre, meanwhile)
	if err == nil {
		if err := j.w.blocks.sync(); err != nil {
			return fmt.Errorf("%w: %v", errNames, err)
		}
	}
	if err == nil && j.w.faults.after != nil {
		return j.w.faults.after()
	}
	return err
}

// errNames means that what was stored may yet be lost with its file.
var errNames = errors.New("the directory of the journal's blocks cannot be synced")

// faults lets tests lose a publish (before) or its answer (after).
type faults struct{ before, after func() error }

// settle finds out, after a failed publish, how many of items are on disk and
// accepts those. An embedded server that did not answer is restarted first:
// that also ends whatever was still on its way. An error means that this
// could not be found out, or that somebody else writes.
func (j *Journal) settle(items []item, base uint64, cause error) (int, error) {
	if isTransport(cause) || isWriteError(cause) {
		j.log.Warn("journal got no good answer; looking what is on disk", "err", cause)
		err := j.tryDisk()
		if err == nil {
			err = j.restart()
		}
		if err != nil {
			return 0, j.stuck(items, err)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), j.ackTime(len(items)))
	defer cancel()
	n, err := j.acceptStored(ctx, items, base)
	switch {
	case errors.Is(err, ErrSecondWriter) || errors.Is(err, ErrTailLost):
		return n, j.endWriting(err)
	case err != nil:
		return n, j.stuck(items[n:], err)
	}
	return n, nil
}

// acceptStored looks at the entries after base. They must be the first of
// items, or ones given up before.
func (j *Journal) acceptStored(ctx context.Context, items []item, base uint64) (int, error) {
	s, err := j.waitSession(ctx)
	if err != nil {
		return 0, err
	}
	last, _, err := s.lastSeq(ctx)
	if err != nil {
		return 0, err
	}
	if last < base {
		return 0, &TailLostError{Last: last, Known: base}
	}
	if err := j.w.blocks.sync(); err != nil {
		return 0, fmt.Errorf("%w: %v", errNames, err)
	}
	n := 0
	for seq := base + 1; seq <= last; seq++ {
		m, err := s.stream.GetMsg(ctx, seq)
		if err != nil {
			return n, fmt.Errorf("read entry %d back: %w", seq, err)
		}
		head, _, err := j.names.head(m.Header)
		if err != nil {
			return n, fmt.Errorf("%w: entry %d: %v", ErrSecondWriter, seq, err)
		}
		switch it, ok := j.w.late(head); {
		case n < len(items) && sameEvent(items[n], head, m):
			j.accept(items[n:n+1], seq)
			n++
		case ok && sameEvent(it, head, m):
			j.accept([]item{it}, seq)
		default:
			return n, fmt.Errorf("%w: entry %d is event %d of source %q, which this process did not write; "+
				"let only one process write, then start again", ErrSecondWriter, seq, head.Number, head.Source)
		}
	}
	return n, nil
}

func sameEvent(it item, head events.Event, m *jetstream.RawStreamMsg) bool {
	e := it.event()
	return e.Source == head.Source && e.Number == head.Number && string(m.Data) == string(it.msg().payload)
}

// late finds an event that was given up with an unknown outcome.
func (w *writer) late(head events.Event) (item, bool) {
	for _, it := range w.unproven {
		if e := it.event(); e.Source == head.Source && e.Number == head.Number {
			return it, true
		}
	}
	return item{}, false
}

// isWriteError reports whether the server could not write to its disk. It
// then writes no more until it is restarted.
func isWriteError(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.Code >= 500 && !isFull(err)
}

// healthy is called after something was stored.
func (j *Journal) healthy() {
	j.w.cause, j.w.wait, j.w.unproven = nil, 0, nil
	j.mu.Lock()
	was := j.health.what
	j.mu.Unlock()
	if was != "" && was != StateOK {
		j.setHealth(StateOK, "")
	}
}

// errAway is said in place of what the client says when it has no connection.
var errAway = errors.New("the NATS server cannot be reached")

// plainly puts a fault of the connection in words that tell what is wrong.
func plainly(err error) error {
	if errors.Is(err, nats.ErrReconnectBufExceeded) || errors.Is(err, nats.ErrConnectionReconnecting) || errors.Is(err, nats.ErrDisconnected) {
		return errAway
	}
	return err
}

// stuck gives up items whose outcome is not known, and tries again later.
func (j *Journal) stuck(items []item, cause error) error {
	cause = plainly(cause)
	j.w.unproven = append(j.w.unproven, copies(items)...)
	j.tryLater(cause)
	return fmt.Errorf("%w: %w", ErrUnknown, cause)
}

// copies makes items that are not tied to their callers, who are answered.
func copies(items []item) []item {
	out := make([]item, len(items))
	for i, it := range items {
		out[i] = item{&request{
			evs: []events.Event{*it.event()}, msgs: []message{*it.msg()},
			seqs: make([]uint64, 1), open: 1, reply: make(chan struct{}),
		}, 0}
	}
	return out
}

// giveUp refuses items that are known not to be on disk. With a server
// elsewhere they may still be on their way.
func (j *Journal) giveUp(cause error) error {
	cause = plainly(cause)
	j.tryLater(cause)
	return fmt.Errorf("%w: %w", ErrNotStored, cause)
}

func (j *Journal) tryLater(cause error) {
	cause = plainly(cause)
	what, todo := StateStuck, "see to the disk or the server"
	if err := j.tryDisk(); err != nil {
		cause = err // the server only says that it does not work
		what, todo = diskTrouble(err)
	}
	w := &j.w
	w.wait = min(max(2*w.wait, firstWait), mostWait)
	w.cause, w.again = cause, time.Now().Add(w.wait)
	w.timer = time.NewTimer(w.wait)
	j.setHealth(what, fmt.Sprintf("%v; trying again every few seconds; %s", cause, todo))
}

// endWriting stops writing for good: going on could do harm.
func (j *Journal) endWriting(cause error) error {
	j.w.cause, j.w.timer = cause, nil
	j.setHealth(StateStuck, cause.Error())
	return fmt.Errorf("%w: %w", ErrNotStored, cause)
}

// restart replaces an embedded server and its connection by new ones; with a
// server elsewhere the connection heals itself.
func (j *Journal) restart() error {
	if j.cfg.URL != "" {
		return nil
	}
	j.dropSession()
	j.restarts.Add(1)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	s, err := j.connect(ctx)
	if err != nil {
		return fmt.Errorf("restart the embedded server: %w", err)
	}
	if _, err := s.openStream(ctx, j, j.ident); err != nil {
		s.close()
		return fmt.Errorf("restart the embedded server: %w", err)
	}
	j.setSession(s)
	return nil
}

// recover tries to write again after a failure: it restarts the embedded
// server and accepts what was given up and is there after all.
func (j *Journal) recover() {
	j.w.timer = nil
	err := j.tryDisk() // without a disk there is no point in a new server
	if err == nil {
		err = j.restart()
	}
	if err != nil {
		j.tryLater(err)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), j.cfg.AckTimeout)
	defer cancel()
	_, err = j.acceptStored(ctx, nil, j.tail.lastSeq())
	switch {
	case errors.Is(err, ErrSecondWriter) || errors.Is(err, ErrTailLost):
		j.endWriting(err)
	case err != nil:
		j.tryLater(err)
	default:
		j.w.cause = nil // the next Append tells whether all is well
		j.setHealth(StateOK, "")
	}
}
