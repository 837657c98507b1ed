package ledger

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

var update = flag.Bool("update", false, "write the golden files anew")

// open opens a new or old ledger and closes it after the test.
func open(t testing.TB, path string) *Ledger {
	t.Helper()
	l, err := Open(t.Context(), Config{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() }) // tests that care close it themselves
	return l
}

func apply(t testing.TB, l *Ledger, es []events.Entry) {
	t.Helper()
	if err := l.Apply(t.Context(), es); err != nil {
		t.Fatal(err)
	}
}

func dumpOf(t testing.TB, l *Ledger) string {
	t.Helper()
	var b bytes.Buffer
	if err := l.Dump(context.WithoutCancel(t.Context()), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func newPath(t testing.TB) string { return filepath.Join(t.TempDir(), "ledger.db") }

// golden compares got with a file in testdata, or writes it with -update.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got); if the change is meant, run the test with -update and read the diff:\n%s", path, d)
	}
}

func TestEveryTypeHasItsRows(t *testing.T) {
	s := everything()
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	golden(t, "everything.golden", dumpOf(t, l))
}
