package ledger

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/events"
)

// atOnce is the dump of a ledger that got all entries in one batch.
func atOnce(t testing.TB, es []events.Entry) string {
	t.Helper()
	l := open(t, newPath(t))
	apply(t, l, es)
	return dumpOf(t, l)
}

// TestAnyBatchingGivesTheSame: cut into batches of any size, with parts given
// again, and as they come from memory or from disk, a journal makes the same
// ledger.
func TestAnyBatchingGivesTheSame(t *testing.T) {
	s := everything()
	live, stored := s.entries, s.stored(t)
	want := atOnce(t, stored)
	dir, n := t.TempDir(), 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprintf("%d.db", n))
		l, err := Open(t.Context(), Config{Path: path})
		if err != nil {
			rt.Fatal(err)
		}
		defer func() {
			_ = l.Close() // compared before
			removeFiles(path)
		}()
		for at := 0; at < len(live); {
			es := live
			if rapid.Bool().Draw(rt, "from disk") {
				es = stored
			}
			from := max(0, at-rapid.IntRange(0, 5).Draw(rt, "again"))
			to := min(len(es), at+rapid.IntRange(1, 20).Draw(rt, "batch"))
			if err := l.Apply(t.Context(), es[from:to]); err != nil {
				rt.Fatal(err)
			}
			at = to
		}
		if d := cmp.Diff(want, dumpOf(t, l)); d != "" {
			rt.Fatalf("ledger differs (-at once +in batches):\n%s", d)
		}
	})
}

func TestApplyingTwiceIsApplyingOnce(t *testing.T) {
	es := everything().stored(t)
	l := open(t, newPath(t))
	apply(t, l, es)
	want := dumpOf(t, l)
	apply(t, l, es)
	apply(t, l, es[3:9])
	apply(t, l, nil)
	if d := cmp.Diff(want, dumpOf(t, l)); d != "" {
		t.Errorf("ledger differs (-once +twice):\n%s", d)
	}
}

func TestHolesAreRecordedAndDoNotHoldUp(t *testing.T) {
	es := everything().stored(t)
	gone := append(append(append([]events.Entry(nil), es[2:10]...), es[11:20]...), es[25:]...)
	want := []Hole{{1, 2}, {11, 11}, {21, 25}} // by hand from the indices above
	for name, size := range map[string]int{"one batch": len(gone), "batches of one": 1} {
		l := open(t, newPath(t))
		for rest := gone; len(rest) > 0; rest = rest[min(size, len(rest)):] {
			apply(t, l, rest[:min(size, len(rest))])
		}
		got, err := l.Holes(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: holes (-want +got):\n%s", name, d)
		}
		if l.Position() != es[len(es)-1].Seq {
			t.Errorf("%s: position %d, want %d", name, l.Position(), es[len(es)-1].Seq)
		}
		totals, err := l.Totals(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if totals.Holes != 8 {
			t.Errorf("%s: %d sequences missing, want 8", name, totals.Holes)
		}
	}
}

// TestBatchIsWholeOrAbsent: an entry that cannot be projected takes its batch
// with it and leaves the ledger as it was, and usable.
func TestBatchIsWholeOrAbsent(t *testing.T) {
	es := everything().stored(t)
	l := open(t, newPath(t))
	apply(t, l, es[:10])
	want := dumpOf(t, l)
	bad := append([]events.Entry(nil), es[10:20]...)
	bad[5].Data = nil
	if err := l.Apply(t.Context(), bad); err == nil {
		t.Fatal("no error for an event without data")
	}
	if d := cmp.Diff(want, dumpOf(t, l)); d != "" {
		t.Errorf("ledger differs (-before +after the error):\n%s", d)
	}
	apply(t, l, es[10:])
	if got := dumpOf(t, l); got != atOnce(t, es) {
		t.Error("ledger differs after the error was overcome")
	}
}

func TestReopenedLedgerGoesOn(t *testing.T) {
	es := everything().stored(t)
	path := newPath(t)
	for i := 0; i < len(es); i += 7 {
		l := open(t, path)
		if got, want := l.Position(), uint64(i); got != want {
			t.Fatalf("position after reopening %d, want %d", got, want)
		}
		apply(t, l, es[i:min(i+7, len(es))])
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if got := dumpOf(t, open(t, path)); got != atOnce(t, es) {
		t.Error("ledger differs from one that was never closed")
	}
	if _, err := os.Stat(path + "-wal"); err != nil {
		t.Errorf("no write-ahead log beside an open ledger: %v", err)
	}
}

// TestSettings proves which settings of SQLite are in force.
func TestSettings(t *testing.T) {
	l := open(t, newPath(t))
	// By SQLite's documentation: synchronous 2 is FULL.
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "busy_timeout": "5000", "foreign_keys": "0"} {
		v, err := l.write.one("PRAGMA " + pragma)
		if err != nil {
			t.Fatal(err)
		}
		if b, ok := v.([]byte); ok {
			v = string(b)
		}
		if got := fmt.Sprint(v); got != want {
			t.Errorf("%s is %s, want %s", pragma, got, want)
		}
	}
}
