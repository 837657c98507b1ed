package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"witnessmark/events"
)

// maxAppend is how many events go into one Append at most.
const maxAppend = 1000

// pending is an event on its way to the journal, and what the tool is told
// once it is there.
type pending struct {
	ev     events.Event
	answer []byte  // nil: nothing
	to     *sender // the line that the event came from
	since  time.Time
}

// store keeps the events of one device until they are in the journal, in
// order. put, waitRoom and settle are the reader's, run is the writer's.
type store struct {
	journal Appender
	log     *slog.Logger
	most    int // events; see Config.Backlog
	retry   Backoff
	taken   func(events.ReadingTaken) // told of each reading once it is stored

	wake chan struct{} // something to do
	room chan struct{} // something was stored

	mu     sync.Mutex
	queue  []pending
	err    error // why the last Append failed; nil if it did not
	closed bool
	cancel context.CancelFunc // gives up
}

func newStore(c *Config, log *slog.Logger, taken func(events.ReadingTaken)) *store {
	return &store{
		journal: c.Journal, log: log, most: c.Backlog, retry: c.Retry, taken: taken,
		wake: make(chan struct{}, 1), room: make(chan struct{}, 1),
		cancel: func() {},
	}
}

// put takes events. It never waits: whoever reads asks waitRoom before.
func (s *store) put(ps []pending) {
	s.mu.Lock()
	s.queue = append(s.queue, ps...)
	s.mu.Unlock()
	signal(s.wake)
}

// waitRoom returns once there is room for more, or with ctx's error.
func (s *store) waitRoom(ctx context.Context) error {
	for {
		s.mu.Lock()
		full := len(s.queue) >= s.most
		s.mu.Unlock()
		if !full {
			return ctx.Err()
		}
		select {
		case <-s.room:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// settle waits until all that was put is stored and answered, but no longer
// than within.
func (s *store) settle(within time.Duration) {
	limit := time.After(within)
	for {
		s.mu.Lock()
		left := len(s.queue)
		s.mu.Unlock()
		if left == 0 {
			return
		}
		select {
		case <-s.room:
		case <-limit:
			return
		}
	}
}

// close tells run to end once all is stored, or after grace.
func (s *store) close(grace time.Duration) {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	time.AfterFunc(grace, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.cancel()
	})
	signal(s.wake)
}

// run stores what is put until close, and then the rest.
func (s *store) run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	s.mu.Lock()
	s.cancel = cancel
	s.mu.Unlock()
	for {
		batch, closed := s.head()
		switch {
		case len(batch) > 0:
			if err := s.append(ctx, batch); err != nil {
				return s.abandon(err)
			}
		case closed:
			return nil
		default:
			<-s.wake
		}
	}
}

// head returns the events to be stored next; they stay in the queue.
func (s *store) head() (batch []pending, closed bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := min(len(s.queue), maxAppend)
	return s.queue[:n:n], s.closed
}

// append stores batch, however often it takes, and then answers the tool. It
// fails only when ctx ends. Numbers make it harmless to offer an event again
// of which nobody knows whether it was stored.
func (s *store) append(ctx context.Context, batch []pending) error {
	evs := make([]events.Event, len(batch))
	for i := range batch {
		evs[i] = batch[i].ev
	}
	for failures := 1; ; failures++ {
		_, err := s.journal.Append(ctx, evs...)
		if err == nil {
			break
		}
		s.failed(err)
		mend(evs)
		select {
		case <-ctx.Done():
			return err
		case <-time.After(s.retry.after(failures)):
		}
	}
	for i := range evs {
		if r, ok := evs[i].Data.(events.ReadingTaken); ok {
			s.taken(r)
		}
	}
	s.answer(batch)
	s.stored(len(batch))
	return nil
}

// answer tells the tool that what it sent is safe.
func (s *store) answer(batch []pending) {
	for i := range batch {
		if batch[i].answer == nil {
			continue
		}
		if err := batch[i].to.send(batch[i].answer); err != nil {
			// The tool will send the reading again and be answered then.
			s.log.Debug("answer not sent", "number", batch[i].ev.Number, "err", err)
		}
	}
}

// stored takes the first n events out of the queue.
func (s *store) stored(n int) {
	s.mu.Lock()
	rest := copy(s.queue, s.queue[n:])
	clear(s.queue[rest:])
	s.queue = s.queue[:rest]
	was := s.err
	s.err = nil
	s.mu.Unlock()
	if was != nil {
		s.log.Warn("events are stored again", "was", was)
	}
	signal(s.room)
}

func (s *store) failed(err error) {
	s.mu.Lock()
	was, n := s.err, len(s.queue)
	s.err = err
	s.mu.Unlock()
	if was == nil {
		s.log.Error("events not stored; they are kept in memory", "waiting", n, "err", err)
	}
}

// abandon reports what is left when time is up.
func (s *store) abandon(err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return fmt.Errorf("store %d events: %w", len(s.queue), err)
}

// slow is how long events may wait before they count as not stored.
const slow = time.Second

// waiting returns how many events are not stored although they should be,
// why, and whether there is no room for more.
func (s *store) waiting() (n int, why string, held bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	held = len(s.queue) >= s.most
	switch {
	case len(s.queue) == 0:
		return 0, "", false
	case s.err != nil:
		return len(s.queue), s.err.Error(), held
	case time.Since(s.queue[0].since) > slow:
		return len(s.queue), "the journal is slow to answer", held
	}
	return 0, "", false
}

// mend replaces events that cannot be written at all by refused frames with
// the same number: one of them must not hold up the rest for ever. There
// should be none; a reading is checked before it is put.
func mend(evs []events.Event) {
	for i := range evs {
		if _, _, err := events.Encode(evs[i].Data); err != nil {
			evs[i].Data = unwritable(evs[i].Data, evs[i].Time, err)
		}
	}
}

func unwritable(d events.Data, at events.Instant, err error) events.FrameRefused {
	f := events.FrameRefused{Reason: "number", Detail: "cannot be written: " + err.Error(), ReceivedAtUs: at}
	switch d := d.(type) {
	case events.ReadingTaken:
		f.Device, f.Tool, f.Bench, f.Bytes, f.Offset, f.Profile = d.Device, d.Tool, d.Bench, d.Bytes, d.Offset, d.Profile
	case events.SamplesCaptured:
		f.Device, f.Tool, f.Bench, f.Bytes = d.Device, d.Tool, d.Bench, d.Bytes
	}
	return f
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
