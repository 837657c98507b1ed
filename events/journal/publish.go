package journal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// batchAbove is how many events must be at hand for an atomic batch to pay: it
// costs about 2 ms whatever its size, and each message by itself about
// 0.15 ms. See BenchmarkPublish.
const batchAbove = 12

// publish stores items after sequence base; nil means that they are on disk
// at base+1 and on. After an error some or all of them may be. pre is what
// stage made of items, or nil. meanwhile is called, if it is not nil and there
// is time, while the server works.
func (s *session) publish(ctx context.Context, n naming, items []item, base uint64, pre *staged, meanwhile func()) error {
	var last uint64
	var err error
	switch {
	case len(items) == 1:
		last, err = s.publishOne(ctx, n.message(items[0]), base)
	case len(items) <= batchAbove:
		last, err = s.publishFew(ctx, n.messages(items), base)
	default:
		last, err = s.publishBatch(ctx, n, items, base, pre, meanwhile)
	}
	if err == nil && last != base+uint64(len(items)) {
		err = fmt.Errorf("%w: stored at %d, expected %d", ErrSecondWriter, last, base+uint64(len(items)))
	}
	return err
}

func (n naming) message(it item) *nats.Msg {
	m := it.msg()
	return &nats.Msg{Subject: m.subject, Header: n.headers(it.event(), m.typ), Data: m.payload}
}

func (n naming) messages(items []item) []*nats.Msg {
	msgs := make([]*nats.Msg, len(items))
	for i, it := range items {
		msgs[i] = n.message(it)
	}
	return msgs
}

func (s *session) publishOne(ctx context.Context, m *nats.Msg, base uint64) (uint64, error) {
	ack, err := s.js.PublishMsg(ctx, m, jetstream.WithExpectLastSequence(base), jetstream.WithRetryAttempts(0))
	if err != nil {
		return 0, err
	}
	return ack.Sequence, nil
}

// publishFew keeps some messages in flight. Each expects the one before it, so
// if one fails, those after it fail too.
func (s *session) publishFew(ctx context.Context, msgs []*nats.Msg, base uint64) (last uint64, err error) {
	acks := make([]jetstream.PubAckFuture, len(msgs))
	for i, m := range msgs {
		acks[i], err = s.js.PublishMsgAsync(m, jetstream.WithExpectLastSequence(base+uint64(i)), jetstream.WithRetryAttempts(0))
		if err != nil {
			return 0, err
		}
	}
	for _, a := range acks {
		select {
		case ack := <-a.Ok():
			last = ack.Sequence
		case err := <-a.Err():
			return 0, err
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
	return last, nil
}

// staged is an atomic batch at the server, all but its last message. Nothing
// of it is stored before that comes; the server forgets it after 10 s.
type staged struct {
	s     *session
	base  uint64
	n     int
	batch jetstreamext.BatchPublisher
	last  *nats.Msg
}

// stage sends items ahead, to follow base; nil if that cannot be.
func (j *Journal) stage(items []item, base uint64) *staged {
	j.mu.Lock()
	s := j.session
	j.mu.Unlock()
	if s == nil {
		return nil
	}
	pre, err := s.stage(j.names.messages(items), base)
	if err != nil {
		return nil // publishing will tell why
	}
	return pre
}

// stage sends msgs, all but the last. Batches take the two connections in
// turn, so that the server works on the next while it syncs the one before.
func (s *session) stage(msgs []*nats.Msg, base uint64) (*staged, error) {
	s.turn++
	b, err := jetstreamext.NewBatchPublisher(s.lanes[s.turn%len(s.lanes)], jetstreamext.BatchFlowControl{AckFirst: false})
	if err != nil {
		return nil, err
	}
	end := len(msgs) - 1
	if err := b.AddMsg(msgs[0], jetstreamext.WithBatchExpectLastSequence(base)); err != nil {
		return nil, err
	}
	for _, m := range msgs[1:end] {
		if err := b.AddMsg(m); err != nil {
			return nil, err
		}
	}
	return &staged{s: s, base: base, n: len(msgs), batch: b, last: msgs[end]}, nil
}

// publishBatch stores all of items or none.
func (s *session) publishBatch(ctx context.Context, n naming, items []item, base uint64, pre *staged, meanwhile func()) (uint64, error) {
	if pre == nil || pre.s != s || pre.base != base || pre.n != len(items) {
		var err error
		if pre, err = s.stage(n.messages(items), base); err != nil {
			return 0, err
		}
	}
	type answer struct {
		seq uint64
		err error
	}
	got := make(chan answer, 1)
	go func() {
		ack, err := pre.batch.CommitMsg(ctx, pre.last)
		if err != nil {
			got <- answer{0, err}
			return
		}
		got <- answer{ack.Sequence, nil}
	}()
	if meanwhile != nil {
		meanwhile()
	}
	a := <-got
	return a.seq, a.err
}

// isFull reports whether the server said that the stream's limit is reached.
// It has one code for all that its store refuses, so the words decide.
func isFull(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == codeStoreFailed && strings.HasPrefix(api.Description, "maximum ")
}

// codeStoreFailed has no name in nats.go.
const codeStoreFailed jetstream.ErrorCode = 10077

// ackTime is how long to wait for n messages.
func (j *Journal) ackTime(n int) time.Duration {
	return j.cfg.AckTimeout + time.Duration(n)*time.Millisecond
}
