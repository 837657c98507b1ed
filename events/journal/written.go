package journal

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// ReadWritten is Read for entries as they lie in the journal, undecoded: also
// those that cannot be read any more. A sequence that is missing is noted in
// Holes and left out.
func (j *Journal) ReadWritten(ctx context.Context, from, to uint64, fn func([]events.Written) error) error {
	if last := j.Last(); to == 0 || to > last {
		to = last
	}
	next := max(from, 1)
	expect := next
	give := fn
	fn = func(ws []events.Written) error {
		for i := range ws {
			if ws[i].Seq > expect {
				j.holes.addRange(expect, ws[i].Seq-1)
			}
			expect = ws[i].Seq + 1
		}
		return give(ws)
	}
	r := &retries{j: j}
	for next <= to {
		s, err := j.waitSession(ctx)
		if err != nil {
			return err
		}
		before := next
		next, err = s.readWritten(ctx, j.names, next, to, fn)
		var fault *readFault
		switch {
		case err == nil:
			if expect <= to {
				j.holes.addRange(expect, to)
			}
			return nil
		case !errors.As(err, &fault):
			return err
		case ctx.Err() != nil:
			return context.Cause(ctx)
		}
		if !r.again(next > before, fault) {
			return fmt.Errorf("read journal from %d on: %w", next, fault.error)
		}
	}
	return nil
}

// readWritten reads from from up to to, and returns where to go on.
func (s *session) readWritten(ctx context.Context, n naming, from, to uint64, fn func([]events.Written) error) (next uint64, err error) {
	var batch []events.Written
	size := 0
	var fnErr error
	next = from
	flush := func() bool {
		if len(batch) > 0 && fnErr == nil {
			if fnErr = fn(batch); fnErr == nil {
				next = batch[len(batch)-1].Seq + 1
			}
		}
		batch, size = nil, 0
		return fnErr == nil
	}
	err = s.each(ctx, from, to, "", func(m jetstream.Msg) bool {
		meta, err := m.Metadata()
		if err != nil {
			return false
		}
		batch = append(batch, n.written(meta.Sequence.Stream, m.Headers(), m.Data()))
		size += len(m.Data())
		return len(batch) < readBatch && size < readBatchBytes || flush()
	})
	flush()
	switch {
	case fnErr != nil:
		return next, fnErr
	case err != nil:
		return next, &readFault{err}
	}
	return next, nil
}

// written reads an entry's attributes and JSON as they are, whatever they are.
func (n naming) written(seq uint64, h nats.Header, payload []byte) events.Written {
	source := h.Get(headerSource)
	if own, ok := n.sourceOf(source); ok {
		source = own
	}
	return events.Written{
		Seq: seq, Source: source, ID: h.Get(headerID), Type: h.Get(headerType), Time: h.Get(headerTime),
		Subject: h.Get(headerSubject), Data: string(payload),
	}
}

// ReadWritten is as Journal has it.
func (m *Memory) ReadWritten(_ context.Context, from, to uint64, fn func([]events.Written) error) error {
	m.mu.Lock()
	var out []events.Written
	for i := range m.stored {
		if seq := uint64(i + 1); seq >= from && (to == 0 || seq <= to) {
			x := &m.stored[i]
			out = append(out, m.names.written(seq, m.names.headers(&x.head, x.typ), x.data))
		}
	}
	m.mu.Unlock()
	if len(out) == 0 {
		return nil
	}
	return fn(out)
}
