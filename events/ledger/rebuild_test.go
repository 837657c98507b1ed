package ledger

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

// names returns the files in the directory of path.
func names(t *testing.T, path string) []string {
	t.Helper()
	ds, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, d := range ds {
		out = append(out, d.Name())
	}
	return out
}

// TestRebuiltEqualsLive, row for row, with holes in the journal and without.
func TestRebuiltEqualsLive(t *testing.T) {
	whole := everything().stored(t)
	for name, es := range map[string][]events.Entry{
		"whole":   whole,
		"holes":   append(append([]events.Entry(nil), whole[3:20]...), whole[24:]...),
		"empty":   nil,
		"long":    pairs(5000),
		"one row": whole[:1],
	} {
		t.Run(name, func(t *testing.T) {
			path := newPath(t)
			l := open(t, path)
			for i := 0; i < len(es); i += 11 {
				apply(t, l, es[i:min(i+11, len(es))])
			}
			want := dumpOf(t, l)
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			var done, total uint64
			src := &memory{entries: es}
			err := Rebuild(t.Context(), src, path, func(d, n uint64) {
				if d < done {
					t.Errorf("progress went back from %d to %d", done, d)
				}
				done, total = d, n
			})
			if err != nil {
				t.Fatal(err)
			}
			if done != src.Last() || total != src.Last() {
				t.Errorf("progress ended at %d of %d, want %d", done, total, src.Last())
			}
			if d := cmp.Diff([]string{"ledger.db"}, names(t, path)); d != "" {
				t.Errorf("files (-want +got):\n%s", d)
			}
			if d := cmp.Diff(want, dumpOf(t, open(t, path))); d != "" {
				t.Errorf("ledger (-live +rebuilt):\n%s", d)
			}
		})
	}
}

func TestRebuildReplacesWhatCannotBeOpened(t *testing.T) {
	src := &memory{entries: everything().stored(t)}
	for name, spoil := range map[string]func(path string){
		"newer form": func(p string) { meddle(t, p, "PRAGMA user_version=99") },
		"no database": func(p string) {
			if err := os.WriteFile(p, []byte("what is this? it is much too short"), 0o644); err != nil {
				t.Fatal(err)
			}
		},
		"killed writer": func(p string) {
			// A copy of an open ledger has its last batches in the log beside it.
			l := open(t, newPath(t))
			apply(t, l, src.entries[:20])
			for _, end := range []string{"", "-wal"} {
				b, err := os.ReadFile(l.path + end)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(p+end, b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := closed(t)
			spoil(path)
			if err := Rebuild(t.Context(), src, path, nil); err != nil {
				t.Fatal(err)
			}
			if got := dumpOf(t, open(t, path)); got != atOnce(t, src.entries) {
				t.Error("rebuilt ledger differs")
			}
		})
	}
}

func TestRebuildLeavesAnOpenLedgerAlone(t *testing.T) {
	path := newPath(t)
	l := open(t, path)
	es := everything().stored(t)
	apply(t, l, es[:10])
	if err := Rebuild(t.Context(), &memory{entries: es}, path, nil); !errors.Is(err, ErrInUse) {
		t.Errorf("error %v, want ErrInUse", err)
	}
	apply(t, l, es)
	if got := dumpOf(t, l); got != atOnce(t, es) {
		t.Error("ledger differs")
	}
	if _, err := os.Stat(path + ".new"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("half a ledger was left behind: %v", err)
	}
}

// tearing gives half of the journal and then an error.
type tearing struct{ memory }

func (s *tearing) Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error {
	if err := s.memory.Read(ctx, from, to/2, fn); err != nil {
		return err
	}
	return errTorn
}

func TestRebuildThatFailsChangesNothing(t *testing.T) {
	path := closed(t)
	want := dumpOf(t, open(t, path))
	src := &tearing{memory{entries: pairs(3000)}}
	if err := Rebuild(t.Context(), src, path, nil); !errors.Is(err, errTorn) {
		t.Errorf("error %v, want the journal's", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Rebuild(ctx, &src.memory, path, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want the context's", err)
	}
	if got := dumpOf(t, open(t, path)); got != want {
		t.Error("old ledger was changed")
	}
	for _, n := range names(t, path) {
		if n == "ledger.db.new" {
			t.Error("half a ledger was left behind")
		}
	}
}

func TestCheckFindsTheRowThatDiffers(t *testing.T) {
	path := closed(t)
	src := &memory{entries: everything().stored(t)}
	diff, err := Check(t.Context(), src, path, nil)
	if err != nil || len(diff) != 0 {
		t.Fatalf("sound ledger: differences %v, error %v, want none", diff, err)
	}
	meddle(t, path, "UPDATE judgements SET verdict = 'within' WHERE verdict = 'high'")
	meddle(t, path, "DELETE FROM deviations")
	diff, err = Check(t.Context(), src, path, nil)
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	for _, d := range diff {
		tables = append(tables, d.Table)
	}
	if d := cmp.Diff([]string{"deviations", "judgements"}, tables); d != "" {
		t.Errorf("tables (-want +got):\n%s", d)
	}
}
