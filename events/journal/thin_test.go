package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"

	"witnessmark/events"
)

// sealedAll takes every entry for sealed; what that means is tested in retention.
func sealedAll(*events.Written) Proof { return ProofSealed }

// toRemove tells, in a journal as filled makes it, that entries are removed.
func toRemove(t *testing.T, dir string, seqs []uint64) {
	t.Helper()
	all := allWritten(t, dir)
	c := events.CapturesRemoved{Removal: "r1", Part: 1, Parts: 1, By: "ruth", First: seqs[0], Last: seqs[len(seqs)-1], Count: uint64(len(seqs)),
		Runs: events.PackRuns(seqs), Leaves: make([]byte, 32*len(seqs))}
	for _, seq := range seqs {
		var n uint64
		fmt.Sscan(all[seq].ID, &n)
		c.Numbers = append(c.Numbers, events.RemovedNumbers{Source: all[seq].Source, From: n, To: n})
	}
	j := openAt(t, dir)
	mustAppend(t, j, events.Event{Source: events.SourceRetention, Data: c})
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// some are sequences of a journal of 200 entries: its first, single ones, runs.
func some() (out []uint64) {
	for seq := uint64(1); seq <= 150; seq++ {
		if seq <= 5 || seq%3 == 0 || seq > 90 && seq < 130 {
			out = append(out, seq)
		}
	}
	return out
}

func thin(t *testing.T, dir string) *Thinned {
	t.Helper()
	r, err := Thin(context.Background(), ThinConfig{Shop: "fenholt", Dir: dir, Prove: sealedAll})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// without takes sequences out of what was written.
func without(all map[uint64]events.Written, seqs []uint64) map[uint64]events.Written {
	out := map[uint64]events.Written{}
	for seq, w := range all {
		if !slices.Contains(seqs, seq) {
			out[seq] = w
		}
	}
	return out
}

// noHoles reads all, in all ways, and wants no hole.
func noHoles(t *testing.T, dir string) {
	t.Helper()
	j := openAt(t, dir)
	defer j.Close()
	n := 0
	if err := j.Read(context.Background(), 1, 0, func(es []events.Entry) error { n += len(es); return nil }); err != nil {
		t.Fatal(err)
	}
	for from := uint64(1); from < j.Last(); from += 7 {
		if err := j.Read(context.Background(), from, from+6, func([]events.Entry) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	if h := j.Holes(); len(h) > 0 {
		t.Errorf("holes where captures were removed: %v", h)
	}
	if got := j.LastNumber("device/0"); got != 100 {
		t.Errorf("last number of device/0 is %d, want 100", got)
	}
}

// TestThin: what was told as removed goes, everything else stays byte for byte at
// its place, numbering goes on, and nothing of it is a hole.
func TestThin(t *testing.T) {
	for name, seqs := range map[string][]uint64{
		"some":     some(),
		"one":      {77},
		"first":    {1, 2, 3},
		"a source": oddOnes(200),
	} {
		t.Run(name, func(t *testing.T) {
			dir := filled(t, 200)
			toRemove(t, dir, seqs)
			whole := allWritten(t, dir)
			if len(whole) != 201 {
				t.Fatalf("%d entries, want 201: none is gone yet", len(whole))
			}
			noHoles(t, dir) // told, and still there
			r := thin(t, dir)
			if r.Removed != uint64(len(seqs)) || r.BytesAfter >= r.BytesBefore {
				t.Errorf("thinned: %+v, want %d removed", r, len(seqs))
			}
			diff(t, "entries", allWritten(t, dir), without(whole, seqs))
			noHoles(t, dir)
			removeIndex(t, dir)
			diff(t, "entries, read without index", allWritten(t, dir), without(whole, seqs))
			os.Remove(filepath.Join(dir, identityFile))
			j := openAt(t, dir)
			mustAppend(t, j, events.Event{Source: "device/0", Data: events.LinkChanged{}})
			if seq, n := j.Last(), j.LastNumber("device/0"); seq != 202 || n != 101 {
				t.Errorf("the next event of device/0 is number %d at J%d, want 101 at J202", n, seq)
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			if again := thin(t, dir); again.Removed != 0 {
				t.Errorf("thinned again: %+v", again)
			}
		})
	}
}

// oddOnes are all entries of device/0.
func oddOnes(n uint64) (out []uint64) {
	for seq := uint64(1); seq <= n; seq += 2 {
		out = append(out, seq)
	}
	return out
}

// TestThinnedAndDamaged: one entry more that is gone is a hole, by its sequence
// and by its number; mend fills that in from an old copy, and nothing else.
func TestThinnedAndDamaged(t *testing.T) {
	dir := filled(t, 200)
	seqs := some()
	toRemove(t, dir, seqs)
	copyOf, whole := copied(t, dir), allWritten(t, dir)
	thin(t, dir)
	name := block(t, dir)
	edit(t, name, func(b []byte) []byte {
		b[indexOf(b, mark(160))] ^= 1
		return b
	})
	j := openAt(t, dir)
	if err := j.Read(context.Background(), 1, 0, func([]events.Entry) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if h := j.Holes(); len(h) != 2 || h[0] != (Hole{FromSeq: 161, ToSeq: 161}) || h[1].FromNumber != 81 || h[1].ToNumber != 81 {
		t.Errorf("entry 161 is damaged; holes: %v", h)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Thin(context.Background(), ThinConfig{Shop: "fenholt", Dir: dir, Prove: sealedAll}); err != nil {
		t.Errorf("thin where there is nothing to do: %v", err)
	}
	m := mended(t, MendConfig{Dir: dir, From: []string{copyOf}})
	if m.Removed != uint64(len(seqs)) || len(m.Missing) > 0 {
		t.Errorf("mended: %+v, want %d removed and none missing", m, len(seqs))
	}
	diff(t, "entries", allWritten(t, dir), without(whole, seqs))

	// A damaged journal, or one that is not sealed, is not thinned.
	dir = filled(t, 200)
	toRemove(t, dir, seqs)
	notSealed := func(w *events.Written) Proof {
		if w.Seq == 6 {
			return ProofLogged
		}
		return ProofSealed
	}
	if _, err := Thin(context.Background(), ThinConfig{Shop: "fenholt", Dir: dir, Prove: notSealed}); err == nil {
		t.Error("an entry without a seal was removed")
	}
	edit(t, block(t, dir), func(b []byte) []byte { b[indexOf(b, mark(160))] ^= 1; return b })
	if _, err := Thin(context.Background(), ThinConfig{Shop: "fenholt", Dir: dir, Prove: sealedAll}); !errors.Is(err, ErrNotWhole) {
		t.Errorf("thin a damaged journal: %v, want ErrNotWhole", err)
	}
}

func indexOf(b []byte, text string) int {
	for i := range b {
		if len(b)-i >= len(text) && string(b[i:i+len(text)]) == text {
			return i
		}
	}
	panic(text + " is not there")
}

func thinUntilKilled(dir, step string) int {
	_, err := Thin(context.Background(), ThinConfig{Shop: "fenholt", Dir: dir, Prove: sealedAll, Step: func(what string) {
		if what == step {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
	}})
	fmt.Fprintln(os.Stderr, err)
	return 1
}

// TestKilledWhileThinning: kill -9 at each step leaves the old store or the new
// one, whole; the next start and the next Thin go on from either.
func TestKilledWhileThinning(t *testing.T) {
	steps := map[string]bool{"written": false, "old one out of the way": false, "new one in place": true, "old one deleted": true}
	seqs := some()
	source := filled(t, 200)
	toRemove(t, source, seqs)
	whole := allWritten(t, source)
	for step, gone := range steps {
		for _, startFirst := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, start first %v", step, startFirst), func(t *testing.T) {
				dir := copied(t, source)
				cmd := runAs("thinner", dir)
				cmd.Env = append(cmd.Env, "JOURNAL_TEST_STEP="+step)
				err := cmd.Run()
				var exit *exec.ExitError
				if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
					t.Fatalf("the process was not killed at %q: %v", step, err)
				}
				if startFirst {
					want := whole
					if gone {
						want = without(whole, seqs)
					}
					diff(t, "entries after the kill", allWritten(t, dir), want)
					noHoles(t, dir)
				}
				thin(t, dir)
				diff(t, "entries after the next thinning", allWritten(t, dir), without(whole, seqs))
				noHoles(t, dir)
				for _, left := range []string{thinOld, thinNew} {
					if _, err := os.Stat(filepath.Join(dir, left)); !os.IsNotExist(err) {
						t.Errorf("%s is left: %v", left, err)
					}
				}
			})
		}
	}
}
