package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
)

// TestAuditSaysHowFarTheLedgerIs: a ledger that the journal has left behind, as
// after a kill, is not passed off as the whole truth.
func TestAuditSaysHowFarTheLedgerIs(t *testing.T) {
	cases := []struct {
		name  string
		entry int // how many of two events the ledger has
		kill  bool
		want  string
	}{
		{"whole", 2, false, ""},
		{"behind", 1, false, "the ledger has read up to J1, the journal goes to J2 at least"},
		{"killed", 2, true, "the journal may hold events after J2"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			data := t.TempDir()
			twoEvents(t, data, c.entry)
			if c.kill {
				kill(t, filepath.Join(data, "journal"))
			}
			cmd := newAudit()
			cmd.SilenceErrors, cmd.SilenceUsage = true, true
			cmd.SetOut(new(bytes.Buffer))
			cmd.SetArgs([]string{"j-1", "--data", data})
			err := cmd.ExecuteContext(t.Context())
			if err == nil || !strings.Contains(err.Error(), `no job "j-1"`) {
				t.Fatalf("error %v, want that there is no such job", err)
			}
			if got := err.Error(); strings.Contains(got, "ledger has read") || strings.Contains(got, "may hold") {
				if c.want == "" {
					t.Errorf("warned without cause: %s", got)
				}
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %q, want %q in it", err, c.want)
			}
		})
	}
}

// twoEvents makes a journal of two events, and a ledger of the first n of them.
func twoEvents(t *testing.T, data string, n int) {
	t.Helper()
	dir := filepath.Join(data, "journal")
	j, err := journal.Open(t.Context(), journal.Config{Shop: "fenholt", Dir: dir, MaxBytes: 1 << 26, MinFree: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		e := events.Event{Source: events.SourceClock, Data: events.TimeReached{AtUs: 1}}
		if _, err := j.Append(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	l, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(data, "ledger.db")})
	if err != nil {
		t.Fatal(err)
	}
	err = j.Read(t.Context(), 1, 2, func(es []events.Entry) error { return l.Apply(t.Context(), es[:min(len(es), n)]) })
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	// As if another process had had it: one whose number cannot be.
	if err := os.WriteFile(filepath.Join(dir, "lock"), []byte("4194305\n"), 0o640); err != nil {
		t.Fatal(err)
	}
}

// kill makes the messages younger than the last save of the journal's end.
func kill(t *testing.T, dir string) {
	t.Helper()
	blocks, err := filepath.Glob(filepath.Join(dir, "jetstream", "jetstream", "$G", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("no message blocks: %v", err)
	}
	info, err := os.Stat(filepath.Join(dir, "journal.json"))
	if err != nil {
		t.Fatal(err)
	}
	later := info.ModTime().Add(1e9)
	if err := os.Chtimes(blocks[0], later, later); err != nil {
		t.Fatal(err)
	}
}
