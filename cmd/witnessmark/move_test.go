package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/backup"
	"witnessmark/events/seal"
	"witnessmark/rules"
)

const fourBolts = `# Invented: for tests only.
procedure: FOUR
revision: A
title: Four bolts
unit: Bench
faces:
  - {id: face, title: Face, outlines: [{shape: circle, r: 150, style: body}]}
steps:
  - id: joint
    title: Joint
    kind: torque
    face: face
    class: C
    thread: M10x1.5
    strength: "8.8"
    lubrication: oiled
    into: steel
    fasteners:
      - {ring: {count: 4, diameter: 260}, head: 17.8}
    order: cross
    passes:
      - {name: final, target: 45 N·m, limits: ± 20 %}
`

// movingShop runs a shop with one wrench over a data directory.
type movingShop struct {
	*stack
	wrench net.Conn
	stop   func()
}

func startMoving(t *testing.T, cfg config) *movingShop {
	t.Helper()
	shop := benchShop(1)
	shop.ID = "fenholt" // as the example's shop file, which the commands read
	s, lines, err := newBenchStack(t.Context(), cfg, shop, "")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- s.run(ctx, func(context.Context) error { close(ready); return nil }) }()
	stopped := false
	m := &movingShop{s, lines[0], func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	}}
	t.Cleanup(m.stop)
	wait(t, "the service", ready)
	return m
}

func (m *movingShop) ask(t *testing.T, a events.Asker) {
	t.Helper()
	if err := (desk{m.service}).ask(t.Context(), a); err != nil {
		t.Fatal(err)
	}
}

// pull sends one reading, and waits until so many are judged for the job.
func (m *movingShop) pull(t *testing.T, counter, judged int) {
	t.Helper()
	if _, err := m.wrench.Write(benchFrame(counter)); err != nil {
		t.Fatal(err)
	}
	until(t, fmt.Sprintf("%d bolts done", judged), func() bool { return m.done() == judged })
}

// done is how many bolts of the job are witnessed.
func (m *movingShop) done() (n int) {
	m.service.View(func(st *rules.State) {
		j := st.Jobs["j-1"]
		if j == nil {
			return
		}
		for _, f := range j.Steps[0].Fasteners {
			for _, k := range f.Marks {
				if k.Verdict == events.Within {
					n++
				}
			}
		}
	})
	return n
}

// TestMoveToNewHardware moves a shop with an open job, as the README says: the
// job is finished on the new machine, all seals hold over both, the record
// proves itself with the key from before, and tells of the move; the old
// machine refuses to go on, and if it is made to, that is found.
func TestMoveToNewHardware(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	example, err := said(t, "shop", "example")
	if err != nil {
		t.Fatal(err)
	}
	shop, pass := file("shop.yaml", example), file("pass", "an invented passphrase\n")
	machine := func(name string) config {
		cfg := defaultConfig()
		cfg.Data, cfg.Listen, cfg.LogLevel, cfg.MinFree, cfg.JournalMax = filepath.Join(dir, name), "127.0.0.1:0", "error", "1 MiB", "1 GiB"
		cfg.Kept = filepath.Join(dir, "kept") // on another machine: both see it
		return cfg
	}
	if err := os.Mkdir(filepath.Join(dir, "kept"), 0o700); err != nil {
		t.Fatal(err)
	}
	before, after := machine("old"), machine("new")

	s := startMoving(t, before)
	s.ask(t, offer(events.Ask{By: "lead"}, []byte(fourBolts)))
	s.ask(t, events.JobAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Job: "j-1", UnitSerial: "U-1", Procedure: "FOUR"})
	s.pull(t, 1, 1)
	s.pull(t, 2, 2)
	if _, err := s.sealer.Seal(t.Context(), seal.WhyAsked, ""); err != nil {
		t.Fatal(err)
	}
	key := file("fenholt.pub", s.sealer.Public()+"\n")
	moved := filepath.Join(dir, "moved")
	move := []string{"backup", moved, "--move", "--data", before.Data, "--shop", shop, "--passphrase-file", pass}
	if _, err := said(t, move...); err == nil || !strings.Contains(err.Error(), "stop it before") {
		t.Errorf("moved while it runs: %v", err)
	}
	s.stop()
	last := s.journal.Last()
	if out, err := said(t, move...); err != nil || !strings.Contains(out, "made and checked") {
		t.Fatalf("move: %v\n%s", err, out)
	}

	// The old machine, started by mistake, says where the shop is and writes nothing.
	if _, err := openStack(t.Context(), before, benchShop(1)); err == nil || !strings.Contains(err.Error(), "moved to other hardware") || !strings.Contains(err.Error(), "goes on there") {
		t.Errorf("the old machine starts: %v", err)
	}
	if out, err := said(t, "doctor", "--data", before.Data, "--shop", shop, "--listen", "127.0.0.1:0"); !strings.Contains(out, "moved to other hardware") {
		t.Errorf("doctor on the old machine: %v\n%s", err, out)
	}
	if _, err := said(t, "retention", "apply", dir, "--by", "ruth", "--data", before.Data, "--shop", shop); err == nil || !strings.Contains(err.Error(), "goes on there") {
		t.Errorf("captures removed on the old machine: %v", err)
	}

	if out, err := said(t, "restore", moved, "--data", after.Data, "--passphrase-file", pass, "--journal-max", "1 GiB"); err != nil || !strings.Contains(out, "the ledger is built") || strings.Contains(out, "was not shut") {
		t.Fatalf("restore: %v\n%s", err, out)
	}
	manifest, err := os.ReadFile(filepath.Join(moved, "manifest.json"))
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(manifest)
	s = startMoving(t, after)
	if n := s.done(); n != 2 {
		t.Errorf("on the new machine %d bolts are done, want 2", n)
	}
	noted := 0
	if err := s.journal.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if r, ok := e.Data.(events.ShopRestored); ok {
				if noted++; e.Seq != last+1 || !r.Moved || r.Last != last || r.Manifest != hex.EncodeToString(sum[:]) {
					t.Errorf("J%d: %+v, want it at J%d, moved", e.Seq, r, last+1)
				}
			}
		}
		return nil
	}); err != nil || noted != 1 {
		t.Errorf("the move is noted %d times, %v", noted, err)
	}
	s.pull(t, 3, 3)
	s.pull(t, 4, 4)
	s.ask(t, events.ReleaseAsked{Ask: events.Ask{By: "lead", Bench: "b00"}, Job: "j-1"})
	record := filepath.Join(dir, "j-1.json")
	if out, err := said(t, "record", "j-1", "-o", record, "--server", s.url()); err != nil {
		t.Fatal(out, err)
	}
	if out, err := said(t, "verify", record, "--key", key); err != nil || !strings.Contains(out, "none missing") {
		t.Errorf("verify the record with the key from before: %v\n%s", err, out)
	}
	sealed := s.sealer.Last()
	until(t, "the checkpoint is kept on the other machine", func() bool {
		kept, err := filepath.Glob(filepath.Join(after.Kept, "*"))
		return err == nil && len(kept) >= 2 && s.sealer.Trouble() == ""
	})
	s.stop()
	if sealed.Size <= last {
		t.Errorf("the release is sealed over J1 to J%d, which ends before the move", sealed.Size)
	}
	if out, err := said(t, "verify", "--data", after.Data, "--shop", shop, "--key", key, "--checkpoints", after.Kept); err != nil ||
		!strings.Contains(out, "seals hold") || !strings.Contains(out, "The machine before was shut first") || !strings.Contains(out, "kept elsewhere agree") {
		t.Errorf("verify the new machine: %v\n%s", err, out)
	}
	if out, err := said(t, "audit", "j-1", "--data", after.Data); err != nil || !strings.Contains(out, "released") || !strings.Contains(out, "moved") {
		t.Errorf("the record does not tell of the move: %v\n%s", err, out)
	}

	// Somebody takes the mark away on the old machine and goes on there.
	if err := os.Remove(filepath.Join(before.Data, shutFile)); err != nil {
		t.Fatal(err)
	}
	s = startMoving(t, before)
	s.pull(t, 3, 3)
	if _, err := s.sealer.Seal(t.Context(), seal.WhyAsked, ""); err != nil && !errors.Is(err, seal.ErrForked) {
		t.Fatal(err)
	}
	until(t, "the old machine finds that the history goes on elsewhere", func() bool {
		return strings.Contains(s.sealer.Trouble(), "history")
	})
	s.stop()
	if out, err := said(t, "verify", "--data", before.Data, "--shop", shop, "--key", key, "--checkpoints", before.Kept); err == nil {
		t.Errorf("verify finds nothing wrong on the old machine:\n%s", out)
	}
	if _, err := backup.Check(t.Context(), moved, nil); err != nil {
		t.Errorf("the backup, after all that: %v", err)
	}
}
