package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/backup"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
	"witnessmark/rules"
)

const pass = "an invented passphrase"

// plan of a backup of a bench stack's data directory.
func benchPlan(cfg config, dir string, from backup.Source) backup.Plan {
	return backup.Plan{Dir: dir, Data: cfg.Data, Shop: "bench", Source: from, Passphrase: pass, Now: time.Now(),
		Secret: map[string]string{"seals/key": filepath.Join(cfg.sealsDir(), "key")}}
}

// A backup that is made while readings come in restores to the same journal,
// byte for byte, the same photos, and a ledger that a rebuild confirms. On the
// new machine the work goes on: numbers without gaps, seals by the same key.
func TestBackupUnderLoad(t *testing.T) {
	b := &bencher{dir: t.TempDir()}
	s, err := b.openBenchStack(t.Context(), "old", 4, "")
	if err != nil {
		t.Fatal(err)
	}
	old := b.startConfig("old")
	photo := bytes.Repeat([]byte("an invented photo "), 20_000)
	hash, err := s.journal.PutPhoto(t.Context(), photo)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.saturate(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	if _, err := s.sealer.Seal(t.Context(), seal.WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	enough, loaded := make(chan struct{}), make(chan error, 1)
	go func() {
		for {
			if _, err := s.saturate(t.Context(), 1); err != nil {
				loaded <- err
				return
			}
			select {
			case <-enough:
				loaded <- nil
				return
			default:
			}
		}
	}()
	before := s.journal.Last()
	m, err := backup.Make(t.Context(), benchPlan(old, filepath.Join(b.dir, "backup"), control{old.Data}))
	if err != nil {
		t.Fatal(err)
	}
	until(t, "work after the backup", func() bool { return s.journal.Last() > m.Last })
	close(enough)
	if err := <-loaded; err != nil {
		t.Fatal(err)
	}
	if m.Last < before || m.Sealed == 0 {
		t.Errorf("backup reaches J%d, sealed to J%d; the journal went from J%d to J%d meanwhile", m.Last, m.Sealed, before, s.journal.Last())
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}

	cfg := b.startConfig("new")
	r, err := backup.Restore(t.Context(), backup.Restoring{Dir: filepath.Join(b.dir, "backup"), Data: cfg.Data, Passphrase: pass, MaxBytes: 50 << 30})
	if err != nil {
		t.Fatal(err)
	}
	if !r.Verified.OK() || r.Verified.Seals == 0 || r.NoKey {
		t.Errorf("restored: %+v", r)
	}
	was, is := written(t, old, m.Last), written(t, cfg, m.Last)
	if len(was) != int(m.Last) || len(is) != len(was) {
		t.Fatalf("%d entries were backed up, %d restored, want %d", len(was), len(is), m.Last)
	}
	for i := range was {
		if was[i] != is[i] {
			t.Fatalf("entry J%d was %+v, is %+v", i+1, was[i], is[i])
		}
	}
	j, err := openJournal(t.Context(), cfg, "bench")
	if err != nil {
		t.Fatal(err)
	}
	if diff, err := ledger.Check(t.Context(), j, cfg.ledgerPath(), nil); err != nil || len(diff) > 0 {
		t.Errorf("restored ledger against a rebuilt one: %v, %v", diff, err)
	}
	if got, err := j.Photo(t.Context(), hash); err != nil || !bytes.Equal(got, photo) {
		t.Errorf("restored photo: %d bytes, %v", len(got), err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}

	manifest, err := os.ReadFile(filepath.Join(b.dir, "backup", "manifest.json"))
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(manifest)
	// Jobs that were open when the backup was made are left at other benches.
	x, lines, err := newBenchStack(t.Context(), cfg, benchShop(4), "")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended, ready := make(chan error, 1), make(chan struct{})
	go func() { ended <- x.run(ctx, func(context.Context) error { close(ready); return nil }) }()
	wait(t, "the restored service", ready)
	for i := range 20 {
		if _, err := lines[0].Write(benchFrame(5000 + i)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, "the readings", func() bool { return x.journal.Last() >= m.Last+20 })
	// The first thing that is written says where it comes from.
	noted := 0
	err = x.journal.Read(t.Context(), m.Last+1, 0, func(es []events.Entry) error {
		for _, e := range es {
			r, ok := e.Data.(events.ShopRestored)
			if !ok {
				continue
			}
			noted++
			if e.Seq != m.Last+1 || r.Backup != m.ID || r.Manifest != hex.EncodeToString(sum[:]) || r.Last != m.Last || r.Sealed != m.Sealed || r.Moved || r.RestoredUs < r.MadeUs {
				t.Errorf("J%d: %+v, want it at J%d from %+v", e.Seq, r, m.Last+1, m)
			}
		}
		return nil
	})
	if err != nil || noted != 1 {
		t.Errorf("%d restores noted, %v", noted, err)
	}
	until(t, "it is in the record of what was open", func() bool {
		n := 0
		err := x.ledger.AtOnce(t.Context(), func(q *ledger.Queries) error {
			for _, job := range jobsOf(x) {
				all, err := q.JobEvents(t.Context(), job)
				if err != nil {
					return err
				}
				for _, e := range all {
					if e.Kind == events.NotedRestore && strings.Contains(e.Note, "may be missing") {
						n++
					}
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return n > 0
	})
	sealed, err := x.sealer.Seal(ctx, seal.WhyAsked, "")
	if err != nil || !strings.HasPrefix(sealed.Key, seal.Origin("bench")) {
		t.Errorf("sealed on the new machine: %+v, %v", sealed, err)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if j, err = openJournal(t.Context(), cfg, "bench"); err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	v, err := seal.VerifyJournal(t.Context(), j, cfg.sealsDir(), "bench", nil, nil)
	if err != nil || !v.OK() || v.Size < sealed.Size || v.Seals <= r.Verified.Seals {
		t.Errorf("verified on the new machine: %+v, %v", v, err)
	}
	if err := j.Read(t.Context(), 1, 0, func([]events.Entry) error { return nil }); err != nil || len(j.Holes()) > 0 {
		t.Errorf("holes on the new machine: %v, %v", j.Holes(), err)
	}
}

// jobsOf are the ids of all jobs.
func jobsOf(s *stack) (ids []string) {
	s.service.View(func(st *rules.State) { ids = slices.Sorted(maps.Keys(st.Jobs)) })
	return ids
}

// A first start that broke off after it had written where the shop comes from
// writes it no second time; a mark that cannot be read stops it.
func TestRestoreIsNotedOnce(t *testing.T) {
	b := &bencher{dir: t.TempDir()}
	_, dir := smallBackup(t, b)
	cfg := b.startConfig("new")
	if _, err := backup.Restore(t.Context(), backup.Restoring{Dir: dir, Data: cfg.Data, Passphrase: pass, MaxBytes: 50 << 30, Now: time.Now(), By: "wm"}); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(cfg.Data, backup.MarkFile)
	mark, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	j, err := openJournal(t.Context(), cfg, "bench")
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if words, err := restoredWords(t.Context(), j); words != "" || err != nil {
		t.Errorf("before it is noted: %q, %v", words, err)
	}
	last := j.Last()
	for range 3 {
		if err := os.WriteFile(name, mark, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := noteRestore(t.Context(), j, cfg.Data, 1); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("the mark is there still: %v", err)
		}
	}
	if err := noteRestore(t.Context(), j, cfg.Data, 1); err != nil || j.Last() != last+1 {
		t.Errorf("%d entries for one restore, %v", j.Last()-last, err)
	}
	words, err := restoredWords(t.Context(), j)
	for _, want := range []string{fmt.Sprintf("From J%d on", last+1), "entries 1 to", `by user "wm"`, "lost cycles"} {
		if err != nil || !strings.Contains(words, want) {
			t.Errorf("verify says %q, %v; want %q", words, err, want)
		}
	}
	if err := os.WriteFile(name, mark[:10], 0o644); err != nil {
		t.Fatal(err)
	}
	if err := noteRestore(t.Context(), j, cfg.Data, 1); err == nil || !strings.Contains(err.Error(), backup.MarkFile) {
		t.Errorf("a mark cut in two: %v", err)
	}
}

// written reads the first entries of a journal as they lie there.
func written(t *testing.T, cfg config, to uint64) (out []events.Written) {
	t.Helper()
	j, err := openJournal(t.Context(), cfg, "bench")
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	err = j.ReadWritten(t.Context(), 1, to, func(ws []events.Written) error { out = append(out, ws...); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// smallBackup is a backup of a stopped shop.
func smallBackup(t *testing.T, b *bencher) (cfg config, dir string) {
	t.Helper()
	s, err := b.openBenchStack(t.Context(), "old", 1, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.journal.PutPhoto(t.Context(), []byte("an invented photo")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.saturate(t.Context(), 1); err != nil {
		t.Fatal(err)
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	cfg, dir = b.startConfig("old"), filepath.Join(b.dir, "backup")
	j, err := openJournal(t.Context(), cfg, "bench")
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if _, err := backup.Make(t.Context(), benchPlan(cfg, dir, j)); err != nil {
		t.Fatal(err)
	}
	return cfg, dir
}

// Every flipped bit, cut, missing or added file is found before anything is
// restored, and named.
func TestDamagedBackupIsRefused(t *testing.T) {
	b := &bencher{dir: t.TempDir()}
	_, dir := smallBackup(t, b)
	if _, err := backup.Check(t.Context(), dir, nil); err != nil {
		t.Fatalf("a good backup: %v", err)
	}
	refused := func(what string) {
		t.Helper()
		data := filepath.Join(b.dir, "new")
		_, err := backup.Restore(t.Context(), backup.Restoring{Dir: dir, Data: data, Passphrase: pass, MaxBytes: 50 << 30})
		if err == nil {
			t.Fatalf("%s: restored", what)
		}
		if _, err := os.Stat(data); !errors.Is(err, fs.ErrNotExist) {
			t.Fatalf("%s: refused, but %s is there", what, data)
		}
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	flips, files := 0, 0
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		good, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files++
		at := []int{0, len(good) - 1}
		for range 30 {
			at = append(at, rnd.IntN(len(good)))
		}
		for _, i := range at {
			bad := bytes.Clone(good)
			bad[i] ^= 1 << rnd.IntN(8)
			if err := os.WriteFile(path, bad, 0o644); err != nil {
				return err
			}
			refused(fmt.Sprintf("%s, byte %d flipped", d.Name(), i))
			flips++
		}
		if err := os.WriteFile(path, good[:len(good)/2], 0o644); err != nil {
			return err
		}
		refused(d.Name() + " cut")
		if err := os.Remove(path); err != nil {
			return err
		}
		refused(d.Name() + " missing")
		return os.WriteFile(path, good, 0o644)
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d flipped bits in %d files, %d files cut and %d missing: all found", flips, files, files, files)
	extra := filepath.Join(dir, "seals", "more")
	if err := os.WriteFile(extra, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	refused("a file added")
	if err := os.Remove(extra); err != nil {
		t.Fatal(err)
	}
	if _, err := backup.Check(t.Context(), dir, nil); err != nil {
		t.Fatalf("put right again: %v", err)
	}
}

// What a restore does not do.
func TestRestoreRefusals(t *testing.T) {
	b := &bencher{dir: t.TempDir()}
	cfg, dir := smallBackup(t, b)
	restore := func(data, pass string) error {
		_, err := backup.Restore(t.Context(), backup.Restoring{Dir: dir, Data: data, Passphrase: pass, MaxBytes: 50 << 30})
		return err
	}
	data := filepath.Join(b.dir, "new")
	for _, c := range []struct{ name, data, pass, want string }{
		{"over a shop", cfg.Data, pass, "is not empty"},
		{"wrong passphrase", data, "another passphrase", "not the one"},
		{"no passphrase", data, "", "passphrase"},
	} {
		if err := restore(c.data, c.pass); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	if es, _ := filepath.Glob(data + "*"); len(es) > 0 {
		t.Errorf("left behind: %v", es)
	}
	if err := restore(data, backup.WithoutSecrets); err != nil {
		t.Fatal(err)
	}
	if _, err := seal.OpenKey(filepath.Join(data, "seals"), "bench"); err == nil || !strings.Contains(err.Error(), "seal rotate") {
		t.Errorf("key of a shop restored without secrets: %v, want a word about a new one", err)
	}
	if _, err := seal.Rotate(filepath.Join(data, "seals"), "bench"); err != nil {
		t.Error(err)
	}
	// A shop that was moved does not start at its old place.
	j, err := openJournal(t.Context(), cfg, "bench")
	if err != nil {
		t.Fatal(err)
	}
	m, err := backup.Make(t.Context(), benchPlan(cfg, filepath.Join(b.dir, "move"), j))
	if err := errors.Join(err, j.Close()); err != nil {
		t.Fatal(err)
	}
	if err := shut(cfg.Data, m, "move"); err != nil {
		t.Fatal(err)
	}
	if _, err := openStack(t.Context(), cfg, benchShop(1)); err == nil || !strings.Contains(err.Error(), "goes on there") {
		t.Errorf("started where the shop was moved away: %v", err)
	}
}

var _ backup.Source = (*journal.Journal)(nil)
