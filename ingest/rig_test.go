package ingest

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/port"
	"witnessmark/ingest/profile"
)

// book is a journal in memory whose Append can be made to fail or to wait.
type book struct {
	mu      sync.Mutex
	entries []events.Entry
	fail    error
	appends int
	gate    chan struct{} // Append waits for it; nil: no waiting
	changed chan struct{} // closed and renewed with every Append
}

func newBook() *book { return &book{changed: make(chan struct{})} }

func (b *book) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	b.mu.Lock()
	gate := b.gate
	b.mu.Unlock()
	if gate != nil {
		select {
		case <-gate:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return nil, b.fail
	}
	b.appends++
	for _, e := range evs {
		if err := b.put(e); err != nil {
			return nil, err
		}
	}
	close(b.changed)
	b.changed = make(chan struct{})
	return make([]uint64, len(evs)), nil
}

func (b *book) put(e events.Event) error {
	next := b.lastNumber(e.Source) + 1
	if e.Number < next {
		return nil // a harmless repeat
	}
	if e.Number > next {
		return fmt.Errorf("event %d of %s: %d is missing", e.Number, e.Source, next)
	}
	typ, data, err := events.Encode(e.Data)
	if err != nil {
		return err
	}
	if e.Data, err = events.Decode(typ, data); err != nil {
		return err
	}
	b.entries = append(b.entries, events.Entry{Seq: uint64(len(b.entries) + 1), Event: e})
	return nil
}

func (b *book) lastNumber(source string) (n uint64) {
	for _, e := range b.entries {
		if e.Source == source {
			n = e.Number
		}
	}
	return n
}

func (b *book) LastOf(_ context.Context, source string) (last events.Entry, ok bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return last, false, b.fail
	}
	for _, e := range b.entries {
		if e.Source == source {
			last, ok = e, true
		}
	}
	return last, ok, nil
}

func (b *book) Newest(_ context.Context, prefix, _ string, from uint64, n int) (map[string][]events.Entry, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := map[string][]events.Entry{}
	for _, e := range b.entries[from-1:] {
		if _, ok := e.Data.(events.ReadingTaken); ok && strings.HasPrefix(e.Source, prefix+"/") {
			es := append(out[e.Source], e)
			out[e.Source] = es[max(0, len(es)-n):]
		}
	}
	return out, nil
}

// failWith makes Append fail until it is called with nil.
func (b *book) failWith(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = err
}

// shut makes Append wait; the returned function opens it again.
func (b *book) shut() (open func()) {
	gate := make(chan struct{})
	b.mu.Lock()
	defer b.mu.Unlock()
	b.gate = gate
	return func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.gate = nil
		close(gate)
	}
}

func (b *book) all() []events.Entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]events.Entry(nil), b.entries...)
}

// of returns what the book holds of one type, in order.
func of[T events.Data](b *book) (out []T) {
	for _, e := range b.all() {
		if d, ok := e.Data.(T); ok {
			out = append(out, d)
		}
	}
	return out
}

// onlyLast is a book as plain as the interface demands.
type onlyLast struct{ b *book }

func (o onlyLast) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	return o.b.Append(ctx, evs...)
}
func (o onlyLast) LastOf(ctx context.Context, source string) (events.Entry, bool, error) {
	return o.b.LastOf(ctx, source)
}

// rig is a capture of one device on a pipe, inside a synctest bubble.
type rig struct {
	t       *testing.T
	book    *book
	capture *Capture
	lines   chan net.Conn // the tool's ends, one for each opening
	stop    func()

	mu     sync.Mutex
	refuse error // of the opener
	opened []time.Time
}

// newRig starts capturing a device with a profile. change may be nil.
func newRig(t *testing.T, b *book, prof string, change func(*Config)) *rig {
	t.Helper()
	r := &rig{t: t, book: b, lines: make(chan net.Conn, 100)}
	cfg := Config{
		Devices: []events.Device{{ID: "d1", Tool: "t1", Bench: "b1", Profile: prof, Port: "/dev/pipe"}},
		Journal: b, OpenPort: r.open,
	}
	if change != nil {
		change(&cfg)
	}
	c, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	r.capture = c
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	var once sync.Once
	r.stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("run: %v", err)
			}
		})
	}
	t.Cleanup(r.stop)
	return r
}

func (r *rig) open(string, profile.Line) (Port, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.opened = append(r.opened, time.Now())
	if r.refuse != nil {
		return nil, r.refuse
	}
	ours, tools := net.Pipe()
	r.lines <- tools
	return ours, nil
}

func (r *rig) setRefuse(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refuse = err
}

// send writes what a tool sends, and waits until all has come to rest.
func (r *rig) send(line net.Conn, b ...[]byte) {
	r.t.Helper()
	for _, b := range b {
		if _, err := line.Write(b); err != nil {
			r.t.Fatal(err)
		}
	}
	synctest.Wait()
}

// hear collects what a tool is sent.
func hear(line net.Conn) (heard func() string) {
	var mu sync.Mutex
	var got []byte
	go func() {
		buf := make([]byte, 100)
		for {
			n, err := line.Read(buf)
			mu.Lock()
			got = append(got, buf[:n]...)
			mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return func() string {
		mu.Lock()
		defer mu.Unlock()
		return string(got)
	}
}

var errAway = errors.New("journal away")

func absent() error { return &port.Error{Kind: port.Absent, Port: "/dev/pipe", Detail: "plug it in"} }

// inOrder checks that the events of each source are numbered from 1 up.
func inOrder(t *testing.T, b *book) {
	t.Helper()
	last := map[string]uint64{}
	for _, e := range b.all() {
		if e.Number != last[e.Source]+1 {
			t.Errorf("%s: number %d after %d", e.Source, e.Number, last[e.Source])
		}
		last[e.Source] = e.Number
	}
}

func texts(rs []events.ReadingTaken) (out []string) {
	for _, r := range rs {
		out = append(out, r.Text)
	}
	return out
}

func linkStates(b *book) (out []string) {
	for _, l := range of[events.LinkChanged](b) {
		out = append(out, l.State)
	}
	return out
}

// forgetful stores and then, every other time, says that it does not know.
type forgetful struct {
	*book
	n int
}

func (f *forgetful) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	seqs, err := f.book.Append(ctx, evs...)
	if f.n++; err == nil && f.n%2 == 0 {
		return nil, errors.New("not known whether it was stored")
	}
	return seqs, err
}

// pass lets time pass, in the bubble.
func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}
