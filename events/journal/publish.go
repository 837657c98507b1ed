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
// at base+1 and on. After an error some or all of them may be.
func (s *session) publish(ctx context.Context, n naming, items []item, base uint64) error {
	msgs := make([]*nats.Msg, len(items))
	for i, it := range items {
		m := it.msg()
		msgs[i] = &nats.Msg{Subject: m.subject, Header: n.headers(it.event(), m.typ), Data: m.payload}
	}
	var last uint64
	var err error
	switch {
	case len(msgs) == 1:
		last, err = s.publishOne(ctx, msgs[0], base)
	case len(msgs) <= batchAbove:
		last, err = s.publishFew(ctx, msgs, base)
	default:
		last, err = s.publishBatch(ctx, msgs, base)
	}
	if err == nil && last != base+uint64(len(items)) {
		err = fmt.Errorf("%w: stored at %d, expected %d", ErrSecondWriter, last, base+uint64(len(items)))
	}
	return err
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

// publishBatch stores all of msgs or none.
func (s *session) publishBatch(ctx context.Context, msgs []*nats.Msg, base uint64) (uint64, error) {
	b, err := jetstreamext.NewBatchPublisher(s.js, jetstreamext.BatchFlowControl{AckFirst: false})
	if err != nil {
		return 0, err
	}
	end := len(msgs) - 1
	for i, m := range msgs[:end] {
		var opts []jetstreamext.BatchMsgOpt
		if i == 0 {
			opts = append(opts, jetstreamext.WithBatchExpectLastSequence(base))
		}
		if err := b.AddMsg(m, opts...); err != nil {
			return 0, err
		}
	}
	ack, err := b.CommitMsg(ctx, msgs[end])
	if err != nil {
		return 0, err
	}
	return ack.Sequence, nil
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
