package journal

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// Heartbeats by which the feed notices that nothing can come any more, because
// the node that served it is gone.
const (
	feedBeat   = time.Second
	feedExpiry = 10 * time.Second
)

// feed takes what is written to a shared journal, by whomever, into the
// newest entries in memory, until Close.
func (j *Journal) feed() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-j.stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	wait := sharedWait
	for ctx.Err() == nil {
		before := j.tail.lastSeq()
		s, err := j.waitSession(ctx)
		if err == nil {
			err = s.feed(ctx, j, before+1)
		}
		if ctx.Err() != nil || errors.Is(err, ErrClosed) {
			return
		}
		if j.tail.lastSeq() > before {
			wait = sharedWait
		}
		j.log.Warn("following the journal was interrupted; going on", "err", err, "wait_ms", wait.Milliseconds())
		j.pause(wait)
		wait = min(2*wait, sharedMostWait)
	}
}

// feed takes entries from sequence from on until a fault.
func (s *session) feed(ctx context.Context, j *Journal, from uint64) error {
	cons, err := s.stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from,
	})
	if err != nil {
		return err
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(4096), jetstream.PullExpiry(feedExpiry), jetstream.PullHeartbeat(feedBeat))
	if err != nil {
		return err
	}
	defer it.Stop()
	defer context.AfterFunc(ctx, it.Stop)()
	for {
		m, err := it.Next()
		switch {
		case errors.Is(err, nats.ErrTimeout) || errors.Is(err, jetstream.ErrNoHeartbeat):
			continue // the consumer is made anew by the client
		case err != nil:
			return err
		}
		meta, err := m.Metadata()
		if err != nil {
			return err
		}
		if meta.Sequence.Stream > j.tail.lastSeq() {
			j.took(meta.Sequence.Stream, m)
		}
	}
}

// took adds one entry. One that cannot be read, or behind a gap, is left to
// be read from the stream, where it is told.
func (j *Journal) took(seq uint64, m jetstream.Msg) {
	e, err := j.names.entry(seq, m.Headers(), m.Data())
	if err == nil {
		j.numbers.stored(e.Event)
		j.shared.saw(e.Source, end{e.Number, seq})
	}
	j.bytes.Add(uint64(len(m.Data()) + messageOverhead))
	if err != nil || seq != j.tail.lastSeq()+1 {
		j.tail.skip(seq)
		return
	}
	j.tail.add([]events.Entry{e}, []int{len(m.Data())})
}
