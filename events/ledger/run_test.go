package ledger

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"witnessmark/events"
)

// running starts Run and returns what ends it and gives its error.
func running(t *testing.T, l *Ledger, src Follower) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx, src) }()
	return func() error {
		cancel()
		return <-done
	}
}

func TestRunFollowsAndEnds(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	es := everything().stored(t)
	l, err := Open(t.Context(), Config{Path: newPath(t)})
	if err != nil {
		t.Fatal(err)
	}
	src := &memory{batch: 3}
	src.append(es[:20]...)
	stop := running(t, l, src)
	wait(t, l, 20)
	for i := 20; i < len(es); i++ {
		src.append(es[i])
	}
	wait(t, l, uint64(len(es)))
	if err := stop(); !errors.Is(err, context.Canceled) {
		t.Errorf("Run returned %v, want the context's error", err)
	}
	got := dumpOf(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	want, err := Open(t.Context(), Config{Path: newPath(t)})
	if err != nil {
		t.Fatal(err)
	}
	apply(t, want, es)
	if got != dumpOf(t, want) {
		t.Error("ledger that followed differs from one that got all at once")
	}
	if err := want.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestRunGoesOnWhereItWas(t *testing.T) {
	es := everything().stored(t)
	l := open(t, newPath(t))
	apply(t, l, es[:30])
	src := new(memory)
	src.append(es...)
	stop := running(t, l, src)
	wait(t, l, uint64(len(es)))
	_ = stop() // the context's error
	if got := dumpOf(t, l); got != atOnce(t, es) {
		t.Error("ledger differs")
	}
}

// TestJournalThatLostItsEnd and was given new events in their place, or is
// short, is not followed.
func TestJournalThatLostItsEnd(t *testing.T) {
	es := everything().stored(t)
	other := append([]events.Entry(nil), es...)
	other[29].Number++
	for name, src := range map[string]*memory{
		"shorter": {entries: es[:29]},
		"another": {entries: other},
	} {
		l := open(t, newPath(t))
		apply(t, l, es[:30])
		want := dumpOf(t, l)
		err := l.Run(t.Context(), src)
		if !errors.Is(err, ErrJournal) || !strings.Contains(err.Error(), "lost events") {
			t.Errorf("%s: error %v, want ErrJournal", name, err)
		}
		if dumpOf(t, l) != want {
			t.Errorf("%s: ledger was changed", name)
		}
	}
}

// broken gives some events and then an error.
type broken struct{ memory }

var errTorn = errors.New("torn wire")

func (b *broken) Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error {
	if err := b.Read(ctx, from, b.Last(), fn); err != nil {
		return err
	}
	return errTorn
}

func TestJournalFaultEndsRun(t *testing.T) {
	l := open(t, newPath(t))
	src := &broken{memory{entries: everything().stored(t)}}
	if err := l.Run(t.Context(), src); !errors.Is(err, errTorn) {
		t.Errorf("Run returned %v, want the journal's error", err)
	}
}

func TestWaitForEndsWithItsContext(t *testing.T) {
	l := open(t, newPath(t))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.WaitFor(ctx, 7); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want the context's", err)
	}
	if err := l.WaitFor(ctx, 0); err != nil {
		t.Errorf("error %v for what is there, want none", err)
	}
}

// TestReadersSeeWholeBatches reads while a writer is at work: at one instant,
// the counts are those of the position, however many queries it takes.
func TestReadersSeeWholeBatches(t *testing.T) {
	l := open(t, newPath(t))
	src := new(memory)
	stop := running(t, l, src)
	es := pairs(3000)
	var wg sync.WaitGroup
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	for range 3 {
		wg.Go(func() {
			for l.Position() < uint64(len(es)) {
				if err := l.AtOnce(ctx, func(q *Queries) error { return whole(ctx, q) }); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	for i := 0; i < len(es); i += 50 {
		src.append(es[i : i+50]...)
	}
	wait(t, l, uint64(len(es)))
	wg.Wait()
	_ = stop() // the context's error
}

// whole compares the position with what was counted up to it. pairs makes a
// decision of each reading.
func whole(ctx context.Context, q *Queries) error {
	n, err := q.Totals(ctx)
	if err != nil {
		return err
	}
	newest, err := q.Recent(ctx, 1)
	if err != nil {
		return err
	}
	at, err := q.ReadPosition(ctx)
	if err != nil {
		return err
	}
	if got := n.Events["reading.taken"] + n.Events["rules.decided"]; got != at {
		return fmt.Errorf("%d events counted at position %d", got, at)
	}
	if len(newest) == 1 && newest[0].Seq+1 < at {
		return fmt.Errorf("newest reading is %d at position %d", newest[0].Seq, at)
	}
	return nil
}
