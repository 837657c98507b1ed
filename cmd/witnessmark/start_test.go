package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// A reading is taken while the rules are still folding the journal.
func TestCaptureDoesNotWaitForTheRules(t *testing.T) {
	b := &bencher{dir: t.TempDir()}
	s, err := b.openBenchStack(t.Context(), "d", 1, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.saturate(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	x, lines, err := newBenchStack(t.Context(), b.startConfig("d"), benchShop(1), "")
	if err != nil {
		t.Fatal(err)
	}
	// Whoever views the state keeps it from changing: nothing can be folded.
	release, viewing := make(chan struct{}), make(chan struct{})
	go x.service.View(func(*rules.State) { close(viewing); <-release })
	<-viewing
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	taken := make(chan struct{})
	go func() {
		_ = x.journal.Follow(ctx, x.journal.Last()+1, func(es []events.Entry) error {
			for _, e := range es {
				if _, ok := e.Data.(events.ReadingTaken); ok {
					close(taken)
					return errors.New("found")
				}
			}
			return nil
		})
	}()
	ended := make(chan error, 1)
	go func() { ended <- x.run(ctx, nil) }()
	go func() { _, _ = lines[0].Write(benchFrame(4711)) }()
	wait(t, "a reading on disk", taken)
	select {
	case <-x.service.Ready():
		t.Error("the rules were ready although nothing could be folded")
	default:
	}
	close(release)
	wait(t, "the rules", x.service.Ready())
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}

func wait(t *testing.T, what string, ch <-chan struct{}) {
	t.Helper()
	select {
	case <-ch:
	case <-time.After(5 * time.Minute):
		t.Fatalf("waited five minutes for %s", what)
	}
}

// A journal that ends before the ledger does is not opened for writing, though
// all that lies in its own directory agrees with itself.
func TestJournalBehindLedgerIsRefused(t *testing.T) {
	b := &bencher{dir: t.TempDir()}
	s, err := b.openBenchStack(t.Context(), "d", 1, "")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	cfg := b.startConfig("d")
	old := filepath.Join(b.dir, "old")
	if err := os.CopyFS(old, os.DirFS(cfg.journalDir())); err != nil {
		t.Fatal(err)
	}
	if s, err = b.openBenchStack(t.Context(), "d", 1, ""); err != nil {
		t.Fatal(err)
	}
	if _, err := s.saturate(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.RemoveAll(cfg.journalDir()), os.Rename(old, cfg.journalDir()), os.RemoveAll(cfg.sealsDir())); err != nil {
		t.Fatal(err)
	}
	_, err = openStack(t.Context(), cfg, benchShop(1))
	if !errors.Is(err, journal.ErrTailLost) {
		t.Errorf("opened a journal that was put back from an older copy: %v, want %v", err, journal.ErrTailLost)
	}
}
