package journal

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
)

// follow collects what a journal shows live, until it has n entries.
func collect(t testing.TB, l log, n int) (all []events.Entry) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	enough := errors.New("enough")
	err := l.Follow(ctx, 1, func(es []events.Entry) error {
		if all = append(all, es...); len(all) >= n {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) {
		t.Fatalf("%d entries came of %d: %v", len(all), n, err)
	}
	return all
}

// TestSharedWriters: several processes write at once, each its own source and
// all of them to the desk's, while publishes and answers are lost. Each event
// is there once, in the order of its source, and all see the same.
func TestSharedWriters(t *testing.T) {
	url := remote(t, t.TempDir(), -1, "sync_interval: always }").ClientURL()
	const writers, each = 3, 120
	var js []*Journal
	for i := range writers {
		j := openShared(t, url)
		defer j.Close()
		rng := rand.New(rand.NewPCG(7, uint64(i)))
		lose := func() error {
			if rng.IntN(12) == 0 {
				return errors.New("lost on purpose")
			}
			return nil
		}
		j.w.faults.before, j.w.faults.after = lose, lose
		js = append(js, j)
	}
	var g errgroup.Group
	for i, j := range js {
		g.Go(func() error {
			rng := rand.New(rand.NewPCG(8, uint64(i)))
			own := string(rune('a' + i))
			for n := 0; n < each; {
				var evs []events.Event
				for range min(1+rng.IntN(20), each-n) {
					n++
					evs = append(evs, ask("device/"+own, uint64(n)))
				}
				evs = append(evs, ask("desk", 0))
				if _, err := j.Append(context.Background(), evs...); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	last := uint64(0)
	for _, j := range js {
		last = max(last, j.Last())
	}
	want := collect(t, js[0], int(last))
	numbers := map[string]uint64{}
	for _, e := range want {
		if numbers[e.Source]++; e.Number != numbers[e.Source] {
			t.Fatalf("entry %d is event %d of %s, want %d", e.Seq, e.Number, e.Source, numbers[e.Source])
		}
	}
	for i := range js {
		if own := "device/" + string(rune('a'+i)); numbers[own] != each {
			t.Errorf("%d events of %s, want %d", numbers[own], own, each)
		}
	}
	for _, j := range js[1:] {
		diff(t, "seen live by another", collect(t, j, int(last)), want)
	}
	again := openShared(t, url)
	defer again.Close()
	diff(t, "read", readAll(t, again, 1, 0), want)
	if h := again.Holes(); len(h) > 0 {
		t.Errorf("holes %v", h)
	}
}

// TestAppendAfter: of those who follow on the same event one is first, and
// the others are told, however often answers are lost. So a process that slept
// cannot write on.
func TestAppendAfter(t *testing.T) {
	url := remote(t, t.TempDir(), -1, "sync_interval: always }").ClientURL()
	a, b := openShared(t, url), openShared(t, url)
	defer a.Close()
	defer b.Close()
	ctx := context.Background()
	lost := 0
	a.w.faults.after = func() error {
		if lost++; lost%3 == 0 {
			return errors.New("lost on purpose")
		}
		return nil
	}
	rule := func() events.Event { return ask(events.SourceRules, 0) }
	var after uint64
	won := map[*Journal]int{}
	for range 60 {
		type answer struct {
			j    *Journal
			seqs []uint64
			err  error
		}
		answers := make(chan answer, 2)
		for _, j := range []*Journal{a, b} {
			go func() {
				seqs, err := j.AppendAfter(ctx, after, rule(), rule())
				answers <- answer{j, seqs, err}
			}()
		}
		x, y := <-answers, <-answers
		if x.err != nil {
			x, y = y, x
		}
		if x.err != nil || !errors.Is(y.err, ErrOvertaken) || !errors.Is(y.err, ErrNotStored) {
			t.Fatalf("after %d: %v and %v, want one stored and one ErrOvertaken", after, x.err, y.err)
		}
		won[x.j]++
		after = x.seqs[1]
		for _, j := range []*Journal{a, b} { // both have seen it
			eventually(t, func() bool { e, _ := j.shared.end(events.SourceRules); return e.seq == after })
		}
	}
	if won[a] == 0 || won[b] == 0 {
		t.Logf("one was always first: %v", won)
	}
	if _, err := b.AppendAfter(ctx, after-1, rule()); !errors.Is(err, ErrOvertaken) {
		t.Errorf("append after an older event: %v, want ErrOvertaken", err)
	}
	if _, err := b.AppendAfter(ctx, after, ask("desk", 0), rule()); !errors.Is(err, ErrNotStored) {
		t.Errorf("append of two sources: %v, want it refused", err)
	}
	var numbers []uint64
	for _, e := range readAll(t, a, 1, 0) {
		numbers = append(numbers, e.Number)
	}
	for i := range numbers {
		numbers[i] -= uint64(i)
	}
	if len(numbers) != 120 || len(slices.Compact(numbers)) != 1 {
		t.Errorf("%d events, want 120 numbered on", len(numbers))
	}
}

// TestSharedSecondSource: two processes that believe a device to be theirs are
// told, and nothing is stored twice.
func TestSharedSecondSource(t *testing.T) {
	url := remote(t, t.TempDir(), -1, "sync_interval: always }").ClientURL()
	a, b := openShared(t, url), openShared(t, url)
	defer a.Close()
	defer b.Close()
	mustAppend(t, a, ask("device/k", 1))
	other := events.Event{Source: "device/k", Number: 1, Data: events.TimeReached{AtUs: 77}}
	b.shared.saw("device/k", end{}) // it has not heard of it
	if _, err := b.Append(context.Background(), other, ask("desk", 0)); !errors.Is(err, ErrOvertaken) {
		// The feed may have told it in the meantime: then it is a repeat.
		if b.LastNumber("device/k") != 1 || err != nil {
			t.Errorf("append: %v, want ErrOvertaken", err)
		}
	}
	if got := readAll(t, a, 1, 0); len(got) == 0 || got[0].Source != "device/k" || b.LastNumber("device/k") != 1 {
		t.Errorf("entries %v", got)
	}
}

// TestRemovalsWaitForTheServer: what was removed is read at the start, at the very
// moment at which a cluster may have lost its leader. It waits for the server, as
// the rest of a start does, and each removal is told once.
func TestRemovalsWaitForTheServer(t *testing.T) {
	store := t.TempDir()
	at, err := net.ResolveTCPAddr("tcp", freePort(t))
	if err != nil {
		t.Fatal(err)
	}
	srv := remote(t, store, at.Port, "sync_interval: always }")
	waits := make(chan string, 64)
	j := openShared(t, srv.ClientURL(), func(c *Config) { c.Log, c.AckTimeout = slog.New(toChannel{waits}), 5*time.Second })
	defer j.Close()
	mustAppend(t, j, ask("device/k", 1), ask("device/k", 2), ask("device/k", 3))
	for _, seq := range []uint64{1, 3} {
		mustAppend(t, j, events.Event{Source: events.SourceRetention, Data: events.CapturesRemoved{Removal: "r1", Part: 1, Parts: 1, By: "ruth", First: seq, Last: seq, Count: 1,
			Runs: events.PackRuns([]uint64{seq}), Leaves: make([]byte, 32), Numbers: []events.RemovedNumbers{{Source: "device/k", From: seq, To: seq}}}})
	}
	stopServer(srv)
	type answer struct {
		r   *events.Removals
		err error
	}
	got := make(chan answer, 1)
	go func() {
		r, err := j.Removals(context.Background())
		got <- answer{r, err}
	}()
	for waiting := false; !waiting; {
		select {
		case a := <-got:
			t.Fatalf("without a server: %+v, %v; want it to wait", a.r, a.err)
		case text := <-waits:
			waiting = strings.Contains(text, "cannot be read now")
		}
	}
	remote(t, store, at.Port, "sync_interval: always }")
	a := receive(t, got)
	if a.err != nil || a.r.Count() != 2 || !a.r.Has(1) || a.r.Has(2) || !a.r.Has(3) {
		t.Errorf("once it is back: %+v, %v; want J1 and J3", a.r, a.err)
	}
}

// toChannel is a log that hands on what is said.
type toChannel struct{ to chan<- string }

func (toChannel) Enabled(context.Context, slog.Level) bool { return true }
func (c toChannel) Handle(_ context.Context, r slog.Record) error {
	select {
	case c.to <- r.Message:
	default:
	}
	return nil
}
func (c toChannel) WithAttrs([]slog.Attr) slog.Handler { return c }
func (c toChannel) WithGroup(string) slog.Handler      { return c }
