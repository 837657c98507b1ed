package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/retention"
	"witnessmark/events/seal"
	"witnessmark/rules"
)

// stateOf folds all decisions of a journal, as a start without a snapshot does.
func stateOf(t *testing.T, j *journal.Journal) []byte {
	t.Helper()
	s := rules.New()
	if err := j.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if d, ok := e.Data.(events.Decided); ok {
				rules.Evolve(s, d)
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	b, err := s.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// thinnedOut removes the captures of a copy of the demonstration's jobs, eleven
// years later: the rules' state is the same to the byte, the ledger a rebuild
// makes is the one that is there, and the commands say what went.
func thinnedOut(t *testing.T, cfg config, shopFile string) {
	t.Helper()
	data := filepath.Join(t.TempDir(), "data")
	if err := os.CopyFS(data, os.DirFS(cfg.Data)); err != nil {
		t.Fatal(err)
	}
	cfg.Data = data
	ctx := context.WithoutCancel(t.Context())
	shop, err := readShop(shopFile)
	if err != nil {
		t.Fatal(err)
	}
	later := func() time.Time { return time.Now().AddDate(11, 0, 0) }
	a := retention.Applying{Shop: retention.Shop{ID: shop.ID, Journal: journal.Config{Shop: shop.ID, Dir: cfg.journalDir(), MinFree: 1}, Seals: cfg.sealsDir(), Ledger: cfg.ledgerPath()},
		Archive: filepath.Join(t.TempDir(), "archive"), Rule: retention.Rule{Years: 10}, By: "ruth", Now: later}
	j, err := journal.Open(ctx, a.Journal)
	if err != nil {
		t.Fatal(err)
	}
	before := stateOf(t, j)
	seals, err := seal.Checkpoints(a.Seals)
	if err != nil {
		t.Fatal(err)
	}
	p, err := retention.Make(ctx, j, a.Rule, seals[len(seals)-1].Size, later())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := retention.Archive(ctx, j, p, a.Archive, a.Seals, a.ID, later()); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := retention.Apply(ctx, a)
	if err != nil || !r.Verified.OK() || r.Thinned.Removed == 0 || r.Thinned.Removed != uint64(len(p.Remove)) {
		t.Fatalf("apply: %v %+v", err, r)
	}
	t.Logf("%d captures of %d jobs went; the store had %d kB and has %d kB", r.Thinned.Removed, len(p.Jobs), r.Thinned.BytesBefore>>10, r.Thinned.BytesAfter>>10)
	if j, err = journal.Open(ctx, a.Journal); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(before, stateOf(t, j)) {
		t.Error("the state of the rules is another")
	}
	if h := j.Holes(); len(h) > 0 {
		t.Errorf("holes: %v", h)
	}
	if diff, err := ledger.Check(ctx, j, a.Ledger, nil); err != nil || len(diff) > 0 {
		t.Errorf("ledger: %v %v", err, diff)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	for want, args := range map[string][]string{
		"are captures that were removed": {"verify", "--data", data, "--shop", shopFile},
		"removed by ruth; captures are kept for 10 years after the end of their job; archive archive, SHA-256 " + r.Sum: {"retention", "show", "j-1001", "--data", data, "--shop", shopFile},
		"the shop keeps captures for ever": {"retention", "plan", "--data", data, "--shop", shopFile},
		"all as sealed by":                 {"retention", "check", a.Archive, "--key", filepath.Join(a.Seals, "key.pub")},
		"captures removed on":              {"audit", "j-1001", "--data", data},
	} {
		if out, err := command(ctx, args...); err != nil || !strings.Contains(out, want) {
			t.Errorf("%s: %v, want %q in\n%s", strings.Join(args, " "), err, want, out)
		}
	}
	if _, err := command(ctx, "retention", "apply", a.Archive, "--by", "ines", "--data", data, "--shop", shopFile); err == nil || !strings.Contains(err.Error(), "only an owner") {
		t.Errorf("a technician removes captures: %v", err)
	}
	if _, err := command(ctx, "retention", "plan", "--nats_url", "nats://127.0.0.1:4222", "--data", data, "--shop", shopFile); err == nil {
		t.Error("retention at a NATS server")
	}
}

// TestRetentionRule: what a shop file may say.
func TestRetentionRule(t *testing.T) {
	for text, years := range map[string]int{"": 0, "for ever": 0, "1 year": 1, "10 years": 10, "10": -1, "0 years": -1, "ten years": -1, "-3 years": -1, "5 months": -1, "10 years ago": -1} {
		r, err := retentionFile{Captures: text}.rule()
		if (err != nil) != (years < 0) || err == nil && r.Years != years {
			t.Errorf("captures: %q gives %d years and %v", text, r.Years, err)
		}
	}
}
