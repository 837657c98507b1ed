package journal

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/events"
)

// copied copies a directory.
func copied(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

func mended(t *testing.T, cfg MendConfig) *Mended {
	t.Helper()
	cfg.Shop = "fenholt"
	m, err := Mend(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestMend: whatever is damaged, a copy fills it in; without a copy nothing
// more is lost than what the damage itself hit, though the server has been at
// the files meanwhile. What stays lost is named, and its sequences stay free.
func TestMend(t *testing.T) {
	all := func(n int) []Run { return []Run{{1, uint64(n)}} }
	for name, tt := range map[string]struct {
		damage func(t *testing.T, dir string)
		lost   []Run // without a copy
		opened bool  // the journal opens in spite of it
	}{
		"flip":               {func(t *testing.T, dir string) { flip(t, dir, 99) }, []Run{{100, 100}}, true},
		"flip without index": {func(t *testing.T, dir string) { flip(t, dir, 99); removeIndex(t, dir) }, []Run{{100, 100}}, false},
		"cut": {func(t *testing.T, dir string) {
			edit(t, block(t, dir), func(b []byte) []byte { return b[:len(b)-100] })
			removeIndex(t, dir)
		}, []Run{{200, 200}}, false},
		"emptied": {func(t *testing.T, dir string) {
			edit(t, block(t, dir), func([]byte) []byte { return nil })
		}, all(200), true},
		"meta flipped": {func(t *testing.T, dir string) {
			edit(t, filepath.Join(filepath.Dir(filepath.Dir(block(t, dir))), "meta.inf"), func(b []byte) []byte { b[20] ^= 1; return b })
		}, nil, false},
		"store removed": {func(t *testing.T, dir string) { os.RemoveAll(filepath.Join(dir, storeDir)) }, all(200), false},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filled(t, 200)
			whole, copyOf := allWritten(t, dir), copied(t, dir)
			tt.damage(t, dir)
			j, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir, MinFree: 1}) // the server looks at it
			if (err == nil) != tt.opened {
				t.Fatalf("open: %v", err)
			}
			if err == nil {
				if err := j.Close(); err != nil {
					t.Fatal(err)
				}
			}
			alone := copied(t, dir)

			m := mended(t, MendConfig{Dir: alone})
			diff(t, "missing without a copy", m.Missing, tt.lost)
			if m.Last != 200 {
				t.Errorf("last is %d, want 200", m.Last)
			}
			if again := mended(t, MendConfig{Dir: alone}); again.Changed || again.Damaged > 0 {
				t.Errorf("mended again: %+v, want nothing to do", again)
			}
			j = openAt(t, alone)
			if seq := mustAppend(t, j, ask("desk", 0)); seq[0] != 201 {
				t.Errorf("the next entry got %d: a lost sequence was given again", seq[0])
			}
			readAll(t, j, 1, 0)
			holes := []Run(nil)
			for _, h := range j.Holes() {
				if h.Source == "" {
					holes = append(holes, Run{h.FromSeq, h.ToSeq})
				}
			}
			diff(t, "holes without a copy", holes, tt.lost)
			j.Close()

			m = mended(t, MendConfig{Dir: dir, From: []string{copyOf}})
			if len(m.Missing) > 0 {
				t.Errorf("missing with a copy: %v", m.Missing)
			}
			diff(t, "mended from a copy", allWritten(t, dir), whole)
			j = openAt(t, dir)
			defer j.Close()
			readAll(t, j, 1, 0)
			if len(j.Holes()) > 0 || j.Last() != 200 {
				t.Errorf("holes %v, last %d", j.Holes(), j.Last())
			}
		})
	}
}

// TestMendProves: of two that differ, the one that was sealed is taken; what
// was not sealed and comes from a copy is named; a wrong copy fills nothing.
func TestMendProves(t *testing.T) {
	dir := filled(t, 20)
	whole, other := allWritten(t, dir), copied(t, dir)
	// Another journal with the same identity, whose tenth event is another one.
	forged := t.TempDir()
	id, err := os.ReadFile(filepath.Join(dir, identityFile))
	if err == nil {
		err = os.WriteFile(filepath.Join(forged, identityFile), id, 0o600)
	}
	cfg := Config{Shop: "fenholt", Dir: forged}
	if err = errors.Join(err, os.MkdirAll(cfg.blocksDir(), 0o750)); err != nil {
		t.Fatal(err)
	}
	made := filled(t, 20)
	b, err := os.ReadFile(block(t, made))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(cfg.blocksDir(), "1.blk"), b, 0o600); err != nil {
		t.Fatal(err)
	}
	flip(t, dir, 9)
	sealed := func(w *events.Written) Proof {
		switch {
		case w.Seq > 15:
			return ProofNone
		case *w == whole[w.Seq]:
			return ProofSealed
		}
		return ProofAgainst
	}
	never := func(*events.Written) Proof { return ProofAgainst }
	if m := mended(t, MendConfig{Dir: dir, From: []string{forged}, Prove: never, DryRun: true}); len(m.Refilled) > 0 || len(m.Missing) != 1 {
		t.Errorf("from a copy that no seal bears out: %+v", m)
	}
	m := mended(t, MendConfig{Dir: dir, From: []string{forged, other}, Prove: sealed})
	diff(t, "refilled", m.Refilled, []Run{{10, 10}})
	if len(m.Unproven)+len(m.Missing)+len(m.Altered) > 0 {
		t.Errorf("%+v", m)
	}
	diff(t, "mended", allWritten(t, dir), whole)

	_, err = Mend(context.Background(), MendConfig{Shop: "fenholt", Dir: dir, From: []string{made}})
	if !errors.Is(err, ErrMissing) || !strings.Contains(err.Error(), "another journal") {
		t.Errorf("from another journal: %v", err)
	}
	_, err = Mend(context.Background(), MendConfig{Shop: "fenholt", Dir: dir, From: []string{t.TempDir()}})
	if err == nil || !strings.Contains(err.Error(), "holds no journal") {
		t.Errorf("from an empty directory: %v", err)
	}
}

// TestWitness: what else knows how far the journal came is believed.
func TestWitness(t *testing.T) {
	dir := filled(t, 20)
	_, err := Open(context.Background(), Config{Shop: "fenholt", Dir: dir, Witnesses: []Witness{{18, "a"}, {25, "the ledger"}}})
	var lost *TailLostError
	if !errors.As(err, &lost) || lost.Known != 25 || lost.By != "the ledger" || !strings.Contains(err.Error(), "the ledger") {
		t.Errorf("open: %v, want the ledger's word", err)
	}
	j := openAt(t, dir, func(c *Config) { c.Witnesses = []Witness{{20, "the ledger"}} })
	defer j.Close()
}
