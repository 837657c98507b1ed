package service

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// claims are shares that a test gives and takes as it likes: several may have
// one at a time, or nobody.
type claims struct {
	mu      sync.Mutex
	owns    [rules.Shares]bool
	changed chan struct{}
}

func newClaims() *claims { return &claims{changed: make(chan struct{}, 1)} }

func (c *claims) Owns(n int) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.owns[n]
}

func (c *claims) Changed() <-chan struct{} { return c.changed }

func (c *claims) set(fn func(n int) bool) {
	c.mu.Lock()
	for n := range c.owns {
		c.owns[n] = fn(n)
	}
	c.mu.Unlock()
	select {
	case c.changed <- struct{}{}:
	default:
	}
}

func all(int) bool  { return true }
func none(int) bool { return false }

// sharing is the chain of answers with shares by device.
func sharing() engine {
	e := chain("1")
	e.share = func(_ *rules.State, f events.Entry) int {
		if r, ok := f.Data.(events.ReadingTaken); ok {
			return 1 + int(r.Text[len(r.Text)-1])%(rules.Shares-1)
		}
		return 0
	}
	return e
}

// TestSharedEqualsAlone: three processes decide, while shares go from one to
// another in every wrong way (two have one, nobody has one) and processes are
// stopped and started. Each fact has one decision, in order, each the one that
// a process alone makes.
func TestSharedEqualsAlone(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	rng := rand.New(rand.NewPCG(3, 4))
	const members = 3
	var cs [members]*claims
	var rs [members]*running
	start := func(i int) {
		cs[i] = newClaims()
		rs[i] = run(t, Config{Journal: j, Shares: cs[i], engine: sharing(), Snapshot: t.TempDir() + "/state"})
	}
	for i := range members {
		start(i)
	}
	var here [members]uint64
	for n := range 600 {
		for i := range members {
			if rng.IntN(8) == 0 {
				cs[i].set(func(int) bool { return rng.IntN(3) == 0 })
			}
		}
		if i := rng.IntN(members); rng.IntN(40) == 0 {
			rs[i].mustStop(t)
			here[i] += rs[i].DecidedHere()
			start(i)
		}
		switch rng.IntN(5) {
		case 0:
			append1(t, j, link("device/w1"))
		case 1:
			append1(t, j, fact("device/w1", n), fact("device/w2", n+1), link("device/w2"))
		default:
			append1(t, j, fact("device/w1", n))
		}
	}
	for i := range members {
		cs[i].set(all)
	}
	last := lastAsking(t, j)
	for i := range members {
		rs[i].until(t, func(s *rules.State) bool { return s.Cause == last })
		if err := rs[i].Idle(context.Background()); err != nil {
			t.Fatal(err)
		}
		wait(t, rs[i].Ready())
	}
	want := verify(t, j, sharing())
	sum, took := uint64(0), 0
	for i := range members {
		rs[i].mustStop(t)
		here[i] += rs[i].DecidedHere()
		if got := sharing().text(t, rs[i].state); got != sharing().text(t, want) {
			t.Errorf("state of process %d is %s, want %s", i, got, sharing().text(t, want))
		}
		if sum += here[i]; here[i] > 0 {
			took++
		}
	}
	if took < 2 {
		t.Errorf("decisions of the processes: %v, want them shared", here)
	}
	if got := j.LastNumber(events.SourceRules); got != sum {
		t.Errorf("%d decisions in the journal, %d stored by the processes", got, sum)
	}
}

// TestStalledOwnerIsRefused: a process that has a share is stalled between
// deciding and storing; its share goes to another, which decides. When the
// first wakes up it is refused, and goes on from what is there.
func TestStalledOwnerIsRefused(t *testing.T) {
	mem := journal.NewMemory("fenholt")
	defer mem.Close()
	stalled, wake := make(chan struct{}), make(chan struct{})
	slow := &stalling{Memory: mem, stalled: stalled, wake: wake}
	a, b := newClaims(), newClaims()
	a.set(all)
	b.set(none)
	ra := run(t, Config{Journal: slow, Shares: a, engine: sharing()})
	rb := run(t, Config{Journal: mem, Shares: b, engine: sharing()})
	for n := range 5 {
		append1(t, mem, fact("device/w1", n))
	}
	wait(t, stalled)
	b.set(all) // a still believes that all is its own
	rb.until(t, func(s *rules.State) bool { return s.Cause == 5 })
	b.set(none)
	close(wake)
	append1(t, mem, fact("device/w1", 9))
	last := lastAsking(t, mem)
	ra.until(t, func(s *rules.State) bool { return s.Cause == last })
	rb.until(t, func(s *rules.State) bool { return s.Cause == last })
	ra.mustStop(t)
	rb.mustStop(t)
	verify(t, mem, sharing())
	if a, b := ra.DecidedHere(), rb.DecidedHere(); a != 1 || b != 5 {
		t.Errorf("the stalled one stored %d decisions, the other %d, want 1 and 5", a, b)
	}
}

// stalling stalls in its first AppendAfter, before anything is stored.
type stalling struct {
	*journal.Memory
	once          sync.Once
	stalled, wake chan struct{}
}

func (s *stalling) AppendAfter(ctx context.Context, after uint64, evs ...events.Event) ([]uint64, error) {
	s.once.Do(func() { close(s.stalled); <-s.wake })
	return s.Memory.AppendAfter(ctx, after, evs...)
}

// TestSharedUpdates: whoever subscribes is told of every decision with its
// fact, whoever made it, and Submit gets its answer from another process.
func TestSharedUpdates(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	a, b := newClaims(), newClaims()
	a.set(none)
	b.set(all)
	ra, rb := run(t, Config{Journal: j, Shares: a, engine: sharing()}), run(t, Config{Journal: j, Shares: b, engine: sharing()})
	wait(t, ra.Ready())
	ch, cancel := ra.Subscribe(64)
	defer cancel()
	for n := range 20 {
		append1(t, j, fact("device/w1", n))
		if u, ok := wait(t, ch); !ok || u.Fact.Seq != u.Decided.Cause || u.Fact.Data.(events.ReadingTaken).Text != fmt.Sprint(n) {
			t.Fatalf("update %+v, want that on reading %d", u, n)
		}
	}
	if _, d, err := ra.Submit(context.Background(), events.ReleaseAsked{Job: "j"}); err != nil || len(d.Outcomes) == 0 {
		t.Errorf("submit: %+v %v", d, err)
	}
	if ra.DecidedHere() != 0 || rb.DecidedHere() != 21 {
		t.Errorf("%d and %d decided, want 0 and 21", ra.DecidedHere(), rb.DecidedHere())
	}
	ra.mustStop(t)
	rb.mustStop(t)
}

// TestSharedTime: only the process that has the shop's share writes that an
// instant has passed.
func TestSharedTime(t *testing.T) {
	j := journal.NewMemory("fenholt")
	defer j.Close()
	a, b := newClaims(), newClaims()
	a.set(none)
	b.set(all)
	ra, rb := run(t, Config{Journal: j, Shares: a, engine: sharing()}), run(t, Config{Journal: j, Shares: b, engine: sharing()})
	append1(t, j, events.Event{Source: "desk", Time: 1, Data: events.StepConfirmAsked{Answer: "at 1000"}})
	ra.until(t, func(*rules.State) bool { return j.LastNumber(events.SourceClock) == 1 && waitsFor(ra.state) == 0 })
	ra.mustStop(t)
	rb.mustStop(t)
	verify(t, j, sharing())
	if n := j.LastNumber(events.SourceClock); n != 1 {
		t.Errorf("%d instants written, want 1", n)
	}
}
