package journal

import (
	"context"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// Newest returns, of each source that begins with prefix and '/', the newest n
// events of a kind ("reading.taken", in whatever version), oldest first, but none
// from before sequence from. Only
// those it returns are decoded, and other sources are not read at all, so that
// it is quick among many events.
func (j *Journal) Newest(ctx context.Context, prefix, kind string, from uint64, n int) (map[string][]events.Entry, error) {
	subject, err := j.names.subject(prefix)
	if err != nil {
		return nil, err
	}
	s, err := j.waitSession(ctx)
	if err != nil {
		return nil, err
	}
	last := j.Last()
	if last < max(from, 1) {
		return nil, nil
	}
	found := map[string][]jetstream.Msg{}
	err = s.each(ctx, max(from, 1), last, subject+".>", func(m jetstream.Msg) bool {
		if isKind(m.Headers().Get(headerType), kind) {
			ms := append(found[m.Subject()], m)
			found[m.Subject()] = ms[max(0, len(ms)-n):]
		}
		return true
	})
	if err != nil {
		return nil, fmt.Errorf("read the newest events of %q: %w", prefix, err)
	}
	out := map[string][]events.Entry{}
	for _, ms := range found {
		p := part{msgs: ms, done: make(chan struct{})}
		if p.decode(j.names); p.err != nil {
			return nil, fmt.Errorf("read the newest events of %q: %w", prefix, p.err)
		}
		for _, e := range p.entries {
			out[e.Source] = append(out[e.Source], e)
		}
	}
	return out, nil
}

// Newest is as Journal has it.
func (m *Memory) Newest(_ context.Context, prefix, kind string, from uint64, n int) (map[string][]events.Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := map[string][]events.Entry{}
	for i := int(max(from, 1)) - 1; i < len(m.stored); i++ {
		if x := &m.stored[i]; !isKind(x.typ, kind) || !strings.HasPrefix(x.head.Source, prefix+"/") {
			continue
		}
		e, err := m.entry(i)
		if err != nil {
			return nil, err
		}
		es := append(out[e.Source], e)
		out[e.Source] = es[max(0, len(es)-n):]
	}
	return out, nil
}

func isKind(typ, kind string) bool { return strings.HasPrefix(typ, events.TypePrefix+kind+".v") }
