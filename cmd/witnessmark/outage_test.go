package main

import (
	"context"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/simulator"
)

// bench is one bench with an emulated Velm S5, which resends what nobody
// answered, on a pseudo-terminal. The service over it can be stopped and
// started; the wrench goes on.
type bench struct {
	t    *testing.T
	cfg  config
	shop events.Shop
	tool simulator.Tool
	*stack
	stop       func()
	stopAnyhow func() error // stop, where what it cannot store is no fault of the test
}

const benchWrench = "kb00"

func newTestBench(t *testing.T, data string) *bench {
	t.Helper()
	rig, err := simulator.OpenRig(simulator.RigConfig{Dir: filepath.Join(t.TempDir(), "lines"),
		Tools: []simulator.ToolSpec{{ID: benchWrench, Model: simulator.VelmS5, Counter: 1, Resend: 60 * time.Millisecond, Tries: 1 << 30}}, Clock: simulator.WallClock(1)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var g errgroup.Group
	g.Go(func() error { return rig.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		if err := errors.Join(rig.Close(), ignoreCancel(g.Wait())); err != nil {
			t.Error(err)
		}
	})
	b := &bench{t: t, shop: benchShop(1), tool: rig.Tools()[benchWrench], cfg: defaultConfig()}
	b.shop.Devices[0].Profile, b.shop.Devices[0].Port = "velm-s5", rig.Path(benchWrench)
	b.cfg.Data, b.cfg.Listen, b.cfg.LogLevel, b.cfg.MinFree = data, "127.0.0.1:0", "error", "1 MiB"
	return b
}

// start starts the service; stop ends it.
func (b *bench) start() {
	b.t.Helper()
	var err error
	if b.stack, err = openStack(b.t.Context(), b.cfg, b.shop); err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- b.stack.run(ctx, func(context.Context) error { close(ready); return nil }) }()
	select {
	case <-ready:
	case err := <-ended:
		b.t.Fatal("the service ended at once: ", err)
	}
	b.stopAnyhow = func() error {
		cancel()
		return ignoreCancel(<-ended)
	}
	b.stop = func() {
		if err := b.stopAnyhow(); err != nil {
			b.t.Error(err)
		}
	}
}

func (b *bench) ask(a events.Asker) {
	b.t.Helper()
	if err := (desk{b.service}).ask(b.t.Context(), a); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) openJob(id string) {
	b.t.Helper()
	b.ask(offer(events.Ask{By: "lead"}, []byte(benchProcedure())))
	b.ask(events.JobAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Job: id, UnitSerial: "SN-" + id, Procedure: "BENCH"})
}

func (b *bench) pull() {
	b.t.Helper()
	if _, err := b.tool.Pull(b.t.Context(), simulator.Pull{Peak: quantity.NewtonMetres(45), Duration: time.Millisecond}, simulator.Wire{}); err != nil {
		b.t.Fatal(err)
	}
}

// marks is how many pulls the job counts.
func (b *bench) marks(job string) (n int) {
	b.service.View(func(s *rules.State) {
		j := s.Jobs[job]
		if j == nil {
			return
		}
		for _, f := range j.Steps[0].Fasteners {
			for _, m := range f.Marks {
				if m.Reading != 0 {
					n++
				}
			}
		}
	})
	return n
}

func (b *bench) unplaced() (seqs []uint64) {
	b.service.View(func(s *rules.State) {
		for seq := range s.Unplaced {
			seqs = append(seqs, seq)
		}
	})
	return seqs
}

// next is the fastener that the page shows as the next one.
func (b *bench) next(job string) (id string) {
	b.service.View(func(s *rules.State) {
		j := s.Jobs[job]
		if step, _, f, ok := s.NextFastener(j); ok {
			id = j.Proc.Steps[step].Joint.Fasteners[f].ID
		}
	})
	return id
}

// until waits for something that must come.
func until(t *testing.T, what string, is func() bool) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(5 * time.Minute); !is(); {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatal("never: ", what)
		}
	}
}

// A service that stops in the middle of a job goes on where it was, and what
// the wrench kept meanwhile is taken once.
func TestServiceGoesOnWhereItWas(t *testing.T) {
	b := newTestBench(t, t.TempDir())
	b.start()
	b.openJob("j-1")
	b.pull()
	b.pull()
	until(t, "two pulls counted", func() bool { return b.marks("j-1") == 2 })

	_, err := openStack(t.Context(), b.cfg, b.shop)
	if !errors.Is(err, journal.ErrInUse) || !strings.Contains(err.Error(), "pid") && !strings.Contains(err.Error(), "process") {
		t.Errorf("second service on the same data: %v, want that it is in use, and by whom", err)
	}

	b.stop()
	b.pull() // nobody listens; the wrench sends it again until somebody does
	b.start()
	defer func() { b.stop() }()
	// If its bytes waited in the line, nobody knows when the pull was made: it is
	// kept, once, until somebody says what it was. If the wrench sends them again
	// to the open port first, it counts at once.
	counted := func(n int) {
		t.Helper()
		var late []uint64
		until(t, "the pull made meanwhile kept or counted", func() bool {
			late = b.unplaced()
			return len(late) > 0 || b.marks("j-1") == n
		})
		if len(late) > 0 {
			b.ask(events.ReadingClaimAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Reading: late[0], Job: "j-1", Step: "joint", Fastener: b.next("j-1"),
				Reason: "pulled while the service was being started"})
		}
	}
	counted(3)
	until(t, "three pulls counted", func() bool { return b.marks("j-1") == 3 })
	b.pull()
	until(t, "four pulls counted", func() bool { return b.marks("j-1") == 4 })
	if err := b.ledger.WaitFor(t.Context(), b.journal.Last()); err != nil {
		t.Fatal(err)
	}
	judged, err := b.ledger.JudgementsOf(t.Context(), "j-1")
	if err != nil {
		t.Fatal(err)
	}
	if len(judged) != 4 {
		t.Errorf("%d readings judged, want 4: a resent reading is the same one", len(judged))
	}
	if late := b.unplaced(); len(late) > 0 {
		t.Errorf("readings %v are left over: a resent reading is the same one", late)
	}
	// The next day, somebody else, from where it was.
	b.ask(events.JobPauseAsked{Ask: events.Ask{By: "tech"}, Job: "j-1", Note: "to be continued"})
	b.stop()
	b.start()
	b.ask(events.JobResumeAsked{Ask: events.Ask{By: "lead", Bench: "b00"}, Job: "j-1"})
	b.pull()
	counted(5)
	until(t, "five pulls counted", func() bool { return b.marks("j-1") == 5 })
}

// On a full disk a reading is not shown as taken and the wrench gets no
// answer; the pages say what is wrong. Once there is room it is taken, once.
func TestFullDisk(t *testing.T) {
	data := t.TempDir()
	if err := unix.Mount("tmpfs", data, "tmpfs", 0, "size=128m"); err != nil {
		t.Skip("SKIPPED: cannot mount a small file system: ", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(data, 0); err != nil {
			t.Error(err)
		}
	})
	b := newTestBench(t, data)
	// More than the service itself can set free while the disk is full: a file
	// replaced by its next version gave back 1.5 MB, and the pull was stored.
	b.cfg.MinFree = "64 MiB"
	b.start()
	b.openJob("j-1")
	b.pull()
	until(t, "one pull counted", func() bool { return b.marks("j-1") == 1 })

	if err := b.ledger.WaitFor(t.Context(), b.journal.Last()); err != nil {
		t.Fatal(err)
	}
	ballast := filepath.Join(data, "ballast")
	fill(t, ballast)
	// Noted before the pull, so that each time it is sent counts.
	heard := b.capture.Status()[0].Bytes
	frame := heard // one pull was sent so far
	b.pull()
	get := func(path string) (int, string) {
		resp, err := http.Get(b.url() + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(body)
	}
	status := func() (int, string) { return get("/readyz") }
	until(t, "/readyz says that nothing is recorded", func() bool {
		code, text := status()
		return code == 503 && strings.Contains(text, "NOT being recorded")
	})
	for _, page := range []string{"/", "/bench/b00", "/jobs/j-1", "/devices"} {
		if code, text := get(page); code != 200 || !strings.Contains(text, "NOT being recorded") {
			t.Errorf("%s: status %d, want the banner that nothing is recorded", page, code)
		}
	}
	if n := b.marks("j-1"); n != 1 {
		t.Errorf("%d pulls counted on a full disk, want 1", n)
	}
	if d := b.capture.Status()[0]; d.Readings != 1 {
		t.Errorf("the device shows %d readings as taken, want 1", d.Readings)
	}
	until(t, "the wrench sends again, since nobody answers", func() bool { return b.capture.Status()[0].Bytes >= heard+2*frame })
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	until(t, "the pull counted once there is room", func() bool { return b.marks("j-1") == 2 })
	until(t, "/readyz is well again", func() bool { code, _ := status(); return code == 200 })
	b.stop()
	b.start() // and all of it is there
	defer func() { b.stop() }()
	if n := b.marks("j-1"); n != 2 {
		t.Errorf("%d pulls after a restart, want 2", n)
	}
}

// fill writes a file until the file system is full.
func fill(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	block := make([]byte, 64<<10)
	for err == nil {
		_, err = f.Write(block)
	}
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
