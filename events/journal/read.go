package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// Bounds of what is decoded at once, and handed to fn at once.
const (
	readBatch      = 256
	readBatchBytes = 1 << 20
	decoders       = 2
	readWait       = 5 * time.Second
	readFaults     = 3 // faults in a row without any progress
)

// Read gives the entries from sequence from up to and including to (0, or
// beyond Last: up to Last) to fn, in order and in batches, and returns.
//
// What is missing is noted in Holes and left out. An entry of a newer version
// of Witnessmark is an error that wraps events.ErrNewer, one that cannot be
// decoded is another; all before it were given to fn. An error of fn ends
// Read and is returned as it is. The slices are fn's to keep; their data is
// shared and must not be changed.
func (j *Journal) Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error {
	from = max(from, 1)
	if last := j.Last(); to == 0 || to > last {
		to = last
	}
	return j.readOn(ctx, newCounter(&j.holes, from), to, &retries{j: j}, fn)
}

// retries counts faults in a row while reading.
type retries struct {
	j       *Journal
	follows bool // reading goes on for as long as its context: it never gives a server elsewhere up
	faults  int
	since   time.Time
}

// again reports whether to read again after a fault. A server elsewhere may be
// away, or without a leader, for as long as a line is cut: it waits before each
// try.
func (r *retries) again(progress bool, err error) bool {
	if progress {
		r.faults = 0
	}
	if r.faults++; r.j.cfg.URL == "" {
		return r.faults <= readFaults
	}
	if r.faults == 1 {
		r.since = time.Now()
		r.j.log.Warn("the journal cannot be read now; trying again", "err", err)
	}
	r.j.pause(sharedMostWait)
	return r.follows || time.Since(r.since) < 3*r.j.patience()
}

// readOn reads from c.next up to to, over restarts of the server.
func (j *Journal) readOn(ctx context.Context, c *counter, to uint64, r *retries, fn func([]events.Entry) error) error {
	for c.next <= to {
		before := c.next
		s, err := j.waitSession(ctx)
		if err != nil {
			return err
		}
		err = s.read(ctx, j.names, c, to, fn)
		var fault *readFault
		switch {
		case err == nil || !errors.As(err, &fault):
			return err
		case ctx.Err() != nil:
			return context.Cause(ctx)
		}
		if !r.again(c.next > before, fault) {
			return fmt.Errorf("read journal from %d on: %w", c.next, fault.error)
		}
	}
	return nil
}

// readFault is a failure of the server or the connection, after which reading
// may go on where it stopped.
type readFault struct{ error }

func (f *readFault) Unwrap() error { return f.error }

// read fetches, decodes and delivers, each at its own pace: one goroutine
// fetches, two decode, this one delivers in order.
func (s *session) read(ctx context.Context, n naming, c *counter, to uint64, fn func([]events.Entry) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	order := make(chan *part, 2*decoders)
	work := make(chan *part, 2*decoders)
	ended := make(chan struct{}, decoders+1)
	go func() {
		s.fetch(ctx, c.next, to, order, work)
		ended <- struct{}{}
	}()
	for range decoders {
		go func() {
			for p := range work {
				p.decode(n)
			}
			ended <- struct{}{}
		}()
	}
	defer func() {
		cancel()
		for range decoders + 1 {
			<-ended
		}
	}()
	for p := range order {
		select {
		case <-p.done:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		if err := p.deliver(c, fn); err != nil {
			return err
		}
	}
	if ctx.Err() != nil {
		return context.Cause(ctx) // stopped before the end, so nothing is missing
	}
	c.missing(to)
	return nil
}

// part is a run of messages on their way from the server to fn.
type part struct {
	msgs    []jetstream.Msg
	size    int
	entries []events.Entry
	err     error         // what ended the run early
	done    chan struct{} // closed once entries and err stand
}

func (p *part) decode(n naming) {
	defer close(p.done)
	p.entries = make([]events.Entry, 0, len(p.msgs))
	for _, m := range p.msgs {
		meta, err := m.Metadata()
		if err != nil {
			p.err = &readFault{err}
			return
		}
		e, err := n.entry(meta.Sequence.Stream, m.Headers(), m.Data())
		if err != nil {
			p.err = err
			return
		}
		p.entries = append(p.entries, e)
	}
}

func (p *part) deliver(c *counter, fn func([]events.Entry) error) error {
	for _, e := range p.entries {
		c.saw(e)
	}
	if len(p.entries) > 0 {
		if err := fn(p.entries); err != nil {
			return err
		}
	}
	return p.err
}

// fetch reads messages up to to and hands them on in parts. It always closes
// order and work; the last part carries the fault, if there was one.
func (s *session) fetch(ctx context.Context, from, to uint64, order, work chan<- *part) {
	defer close(order)
	defer close(work)
	p := &part{done: make(chan struct{})}
	flush := func() bool {
		full := p
		p = &part{done: make(chan struct{})} // full is handed on once, come what may
		for _, ch := range []chan<- *part{work, order} {
			select {
			case ch <- full:
			case <-ctx.Done():
				return false
			}
		}
		return true
	}
	err := s.each(ctx, from, to, "", func(m jetstream.Msg) bool {
		p.msgs = append(p.msgs, m)
		p.size += len(m.Data())
		return len(p.msgs) < readBatch && p.size < readBatchBytes || flush()
	})
	if len(p.msgs) > 0 && !flush() {
		return
	}
	if err != nil {
		p.err = &readFault{err}
		close(p.done)
		select {
		case order <- p:
		case <-ctx.Done():
		}
	}
}

// each calls fn with the messages from from up to to, until it returns false;
// with a subject, which may hold wildcards, only with those under it.
func (s *session) each(ctx context.Context, from, to uint64, subject string, fn func(jetstream.Msg) bool) error {
	cfg := jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from}
	if subject != "" {
		cfg.FilterSubjects = []string{subject}
	}
	cons, err := s.stream.OrderedConsumer(ctx, cfg)
	if err != nil {
		return err
	}
	defer s.forget(cons)
	if info := cons.CachedInfo(); info != nil && info.NumPending == 0 {
		return s.endsBefore(ctx, from, to, subject)
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(4096))
	if err != nil {
		return err
	}
	defer it.Stop()
	defer context.AfterFunc(ctx, it.Stop)()
	for {
		m, err := s.nextOf(ctx, it)
		if err != nil {
			return err
		}
		meta, err := m.Metadata()
		if err != nil {
			return err
		}
		seq := meta.Sequence.Stream
		if seq > to || !fn(m) || seq == to {
			return nil
		}
		if meta.NumPending == 0 {
			return s.endsBefore(ctx, seq+1, to, subject)
		}
	}
}

// behindWait is how long to wait for a node that is behind, before it or another
// one is read from again.
const behindWait = 500 * time.Millisecond

// endsBefore finds out whether what is missing from from up to to is missing
// from the journal. A node of a cluster that is behind, after a cut or a restart,
// has nothing more to give either; what it lacks is not lost, so that is a fault.
func (s *session) endsBefore(ctx context.Context, from, to uint64, subject string) error {
	if s.srv != nil || from > to {
		return nil // there is one copy, or nothing is missing
	}
	if subject == "" {
		subject = ">"
	}
	m, err := s.next(ctx, subject, from) // of the leader
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("ask whether the journal ends before %d: %w", from, err)
	}
	if m.Sequence > to {
		return nil
	}
	select {
	case <-time.After(behindWait):
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	return fmt.Errorf("the node that was read from is behind: it ends before %d, the journal does not", m.Sequence)
}

// forget removes a consumer that is read no more. By itself the server would
// keep it for minutes, and it takes a thousand or so at most: many short reads
// would then end the long ones.
func (s *session) forget(cons jetstream.Consumer) {
	info := cons.CachedInfo()
	if info == nil || s.nc.Status() != nats.CONNECTED {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = s.stream.DeleteConsumer(ctx, info.Name) // else it is forgotten later
}

// nextOf waits for a message, but not for ever, and not past the session.
func (s *session) nextOf(ctx context.Context, it jetstream.MessagesContext) (jetstream.Msg, error) {
	m, err := it.Next(jetstream.NextMaxWait(readWait))
	if err == nil {
		return m, nil
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	return nil, fmt.Errorf("the server gave no next entry: %w", err)
}
