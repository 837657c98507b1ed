package ledger

import (
	"context"
	"sync"

	"witnessmark/events"
)

// memory is a journal in memory.
type memory struct {
	mu      sync.Mutex
	entries []events.Entry
	more    chan struct{} // closed and replaced when entries come; nil: nobody waits
	batch   int           // how many entries fn gets at a time; 0: 500
}

func (m *memory) Last() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.entries) == 0 {
		return 0
	}
	return m.entries[len(m.entries)-1].Seq
}

func (m *memory) Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error {
	m.mu.Lock()
	es := m.entries
	m.mu.Unlock()
	n := m.batch
	if n == 0 {
		n = 500
	}
	for len(es) > 0 && es[0].Seq < from {
		es = es[1:]
	}
	for len(es) > 0 && es[len(es)-1].Seq > to {
		es = es[:len(es)-1]
	}
	for len(es) > 0 && ctx.Err() == nil {
		part := es[:min(n, len(es))]
		es = es[len(part):]
		// A copy that is spoilt afterwards: nobody may keep what fn gets.
		lent := append([]events.Entry(nil), part...)
		if err := fn(lent); err != nil {
			return err
		}
		clear(lent)
	}
	return ctx.Err()
}

func (m *memory) Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error {
	for {
		m.mu.Lock()
		if m.more == nil {
			m.more = make(chan struct{})
		}
		more := m.more
		m.mu.Unlock()
		last := m.Last()
		if err := m.Read(ctx, from, last, fn); err != nil {
			return err
		}
		from = max(from, last+1)
		select {
		case <-more:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// append adds entries for who follows.
func (m *memory) append(es ...events.Entry) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.entries = append(m.entries, es...)
	if m.more != nil {
		close(m.more)
		m.more = nil
	}
}
