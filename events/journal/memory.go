package journal

import (
	"context"
	"fmt"
	"sync"

	"witnessmark/events"
)

// Memory is a journal that keeps nothing on disk, for tests. It behaves as a
// Journal does, entry for entry; use NewMemory.
type Memory struct {
	names   naming
	id      string
	numbers numbering
	holes   holes
	tail    *tail

	mu     sync.Mutex
	stored []stored
	fail   error
	closed bool
}

// stored is an event in its written form.
type stored struct {
	head events.Event // without data
	typ  string
	data []byte
}

// NewMemory returns an empty journal in memory.
func NewMemory(shop string) *Memory {
	m := &Memory{names: naming{shop}, id: newIdentity(shop, "memory").ID, tail: newTail(0)}
	m.numbers.last = map[string]uint64{}
	return m
}

// Fail makes Append return err, wrapped in ErrNotStored, until it is called
// with nil.
func (m *Memory) Fail(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fail = err
}

// Append is as Journal.Append.
func (m *Memory) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	if len(evs) == 0 {
		return nil, nil
	}
	r, err := newRequest(m.names, evs)
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.closed:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, ErrClosed)
	case m.fail != nil:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, m.fail)
	case ctx.Err() != nil:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, context.Cause(ctx))
	}
	fresh := make([]bool, len(r.evs))
	adm := admission{disk: &m.numbers, pending: map[string]uint64{}}
	if err := adm.admit(r.evs, fresh); err != nil {
		return nil, err
	}
	for i := range r.evs {
		if !fresh[i] {
			r.seqs[i] = m.tail.find(r.evs[i].Source, r.evs[i].Number)
			continue
		}
		r.seqs[i] = m.put(r.evs[i], r.msgs[i])
	}
	return r.seqs, nil
}

// AppendAfter is as Journal.AppendAfter, of any memory.
func (m *Memory) AppendAfter(ctx context.Context, after uint64, evs ...events.Event) ([]uint64, error) {
	if len(evs) == 0 {
		return nil, nil
	}
	if err := oneSource(evs); err != nil {
		return nil, err
	}
	r, err := newRequest(m.names, evs)
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.closed:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, ErrClosed)
	case m.fail != nil:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, m.fail)
	}
	if last := m.lastOf(evs[0].Source); last != after {
		return nil, fmt.Errorf("%w: the last event of source %q is at %d, not at %d", ErrOvertaken, evs[0].Source, last, after)
	}
	next := m.numbers.of(evs[0].Source)
	for i := range r.evs {
		r.evs[i].Number = next + uint64(i) + 1
		r.seqs[i] = m.put(r.evs[i], r.msgs[i])
	}
	return r.seqs, nil
}

// lastOf returns the sequence of the last event of source, 0 if there is none.
func (m *Memory) lastOf(source string) uint64 {
	for i := len(m.stored) - 1; i >= 0; i-- {
		if m.stored[i].head.Source == source {
			return uint64(i + 1)
		}
	}
	return 0
}

func (m *Memory) put(e events.Event, msg message) uint64 {
	head := e
	head.Data = nil
	m.stored = append(m.stored, stored{head, msg.typ, msg.payload})
	seq := uint64(len(m.stored))
	m.numbers.stored(e)
	m.tail.add([]events.Entry{{Seq: seq, Event: e}}, []int{len(msg.payload)})
	return seq
}

// PutWritten stores an event in its written form, as another version of
// Witnessmark would, and returns its sequence.
func (m *Memory) PutWritten(head events.Event, typ string, data []byte) uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.stored = append(m.stored, stored{head, typ, data})
	m.numbers.stored(head)
	seq := uint64(len(m.stored))
	m.tail.skip(seq)
	return seq
}

// Identity is as Journal.Identity.
func (m *Memory) Identity() string { return m.id }

// LastNumber is as Journal.LastNumber.
func (m *Memory) LastNumber(source string) uint64 { return m.numbers.of(source) }

// Last is as Journal.Last.
func (m *Memory) Last() uint64 { return m.tail.lastSeq() }

// LastOf is as Journal.LastOf.
func (m *Memory) LastOf(_ context.Context, source string) (events.Entry, bool, error) {
	if _, err := m.names.subject(source); err != nil {
		return events.Entry{}, false, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := len(m.stored) - 1; i >= 0; i-- {
		if m.stored[i].head.Source == source {
			e, err := m.entry(i)
			return e, err == nil, err
		}
	}
	return events.Entry{}, false, nil
}

func (m *Memory) entry(i int) (events.Entry, error) {
	s := m.stored[i]
	e := events.Entry{Seq: uint64(i + 1), Event: s.head}
	d, err := events.Decode(s.typ, s.data)
	if err != nil {
		return events.Entry{}, entryError(e.Seq, s.typ, err)
	}
	e.Data = d
	return e, nil
}

// Read is as Journal.Read.
func (m *Memory) Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error {
	from = max(from, 1)
	if last := m.Last(); to == 0 || to > last {
		to = last
	}
	return m.readOn(ctx, newCounter(&m.holes, from), to, fn)
}

func (m *Memory) readOn(ctx context.Context, c *counter, to uint64, fn func([]events.Entry) error) error {
	for c.next <= to {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		batch, err := m.batch(c.next, to)
		for _, e := range batch {
			c.saw(e)
		}
		if len(batch) > 0 {
			if err := fn(batch); err != nil {
				return err
			}
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (m *Memory) batch(from, to uint64) (out []events.Entry, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for seq := from; seq <= to && len(out) < readBatch; seq++ {
		e, err := m.entry(int(seq - 1))
		if err != nil {
			return out, err
		}
		out = append(out, e)
	}
	return out, nil
}

// Follow is as Journal.Follow.
func (m *Memory) Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error {
	c := newCounter(&m.holes, max(from, 1))
	return m.tail.follow(ctx, c, 0, fn, func(to uint64) error { return m.readOn(ctx, c, to, fn) })
}

// Holes is as Journal.Holes.
func (m *Memory) Holes() []Hole { return m.holes.list() }

// Stats is as Journal.Stats, as far as it makes sense.
func (m *Memory) Stats() Stats {
	return Stats{State: StateOK, Last: m.Last(), Messages: m.Last(), Sync: "not on disk"}
}

// Close is as Journal.Close.
func (m *Memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.closed {
		m.closed = true
		m.tail.close()
	}
	return nil
}
