package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/simulator"
)

// hardBench is benches with a Velm S5 each, at which people go on pulling
// whatever happens to the machine. It keeps its own list of what was pulled.
type hardBench struct {
	*bench
	tools map[string]simulator.Tool

	mu     sync.Mutex
	pulled map[string]map[uint64]string // text by tool and counter
	pace   atomic.Int64                 // pause between pulls, ns
	noise  atomic.Int64                 // bytes of noise on the line before each pull

	answered atomic.Int64 // pulls that the wrenches were told to be safe
}

func newHardBench(t *testing.T, data string, benches int) *hardBench {
	t.Helper()
	h := &hardBench{bench: &bench{t: t, shop: benchShop(benches), cfg: defaultConfig()}, pulled: map[string]map[uint64]string{}}
	h.pace.Store(int64(5 * time.Millisecond))
	var specs []simulator.ToolSpec
	for _, d := range h.shop.Devices {
		// It never gives a reading up: a slow machine may stand still for long.
		specs = append(specs, simulator.ToolSpec{ID: d.Tool, Model: simulator.VelmS5, Counter: 1, Resend: 2 * time.Second, Tries: 1 << 30, Answered: func(uint64) { h.answered.Add(1) }})
		h.pulled[d.Tool] = map[uint64]string{}
	}
	rig, err := simulator.OpenRig(simulator.RigConfig{Dir: filepath.Join(t.TempDir(), "lines"), Tools: specs, Clock: simulator.WallClock(0)})
	if err != nil {
		t.Fatal(err)
	}
	h.tools = rig.Tools()
	for i, d := range h.shop.Devices {
		h.shop.Devices[i].Profile, h.shop.Devices[i].Port = "velm-s5", rig.Path(d.Tool)
	}
	h.tool = h.tools[h.shop.Devices[0].Tool]
	h.cfg.Data, h.cfg.Listen, h.cfg.LogLevel, h.cfg.MinFree = data, "127.0.0.1:0", "error", "1 MiB"
	ctx, cancel := context.WithCancel(context.Background())
	var g errgroup.Group
	g.Go(func() error { return rig.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		if err := errors.Join(rig.Close(), ignoreCancel(g.Wait())); err != nil {
			t.Error(err)
		}
	})
	return h
}

// work has everybody pull until stop is called.
func (h *hardBench) work() (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var people sync.WaitGroup
	for id, tool := range h.tools {
		people.Go(func() {
			for ctx.Err() == nil {
				h.pullWith(ctx, id, tool)
				select {
				case <-ctx.Done():
				case <-time.After(time.Duration(h.pace.Load())):
				}
			}
		})
	}
	return func() { cancel(); people.Wait() }
}

// pullWith makes one pull, unless the wrench's own memory is full.
func (h *hardBench) pullWith(ctx context.Context, id string, tool simulator.Tool) {
	s, err := tool.Pull(ctx, simulator.Pull{Peak: quantity.NewtonMetres(45), Duration: time.Millisecond}, simulator.Wire{Noise: int(h.noise.Load())})
	// A wrench whose memory is full shows it, but its counter has moved on.
	if err != nil && !strings.Contains(err.Error(), "memory is full") {
		h.t.Error(err)
	}
	if err == nil {
		h.mu.Lock()
		h.pulled[id][s.Counter] = s.Text
		h.mu.Unlock()
	}
}

// stored is what the journal has of each wrench, by counter, and how many
// decisions answer each reading.
func (h *hardBench) stored() (texts map[string]map[uint64]string, twice []string, undecided int) {
	h.t.Helper()
	texts = map[string]map[uint64]string{}
	open := map[uint64]bool{}
	err := h.journal.Read(h.t.Context(), 1, h.journal.Last(), func(es []events.Entry) error {
		for _, e := range es {
			switch d := e.Data.(type) {
			case events.ReadingTaken:
				if texts[d.Tool] == nil {
					texts[d.Tool] = map[uint64]string{}
				}
				if _, ok := texts[d.Tool][*d.ToolCounter]; ok {
					twice = append(twice, fmt.Sprintf("%s %d", d.Tool, *d.ToolCounter))
				}
				texts[d.Tool][*d.ToolCounter] = d.Text
				open[e.Seq] = true
			case events.Decided:
				if _, reading := open[d.Cause]; reading && !open[d.Cause] {
					twice = append(twice, fmt.Sprintf("decision on %d", d.Cause))
				}
				if _, reading := open[d.Cause]; reading {
					open[d.Cause] = false
				}
			}
		}
		return nil
	})
	if err != nil {
		h.t.Fatal(err)
	}
	for _, waits := range open {
		if waits {
			undecided++
		}
	}
	return texts, twice, undecided
}

// allThere waits until every pull is in the journal and decided, and checks
// that each is there once and that nothing is missing. It returns how many.
func (h *hardBench) allThere() (n int) {
	h.t.Helper()
	var texts map[string]map[uint64]string
	var twice []string
	what := func() (missing, undecided int) {
		h.mu.Lock()
		defer h.mu.Unlock()
		texts, twice, undecided = h.stored()
		n = 0
		for tool, pulls := range h.pulled {
			for c, text := range pulls {
				n++
				if texts[tool][c] != text {
					missing++
				}
			}
		}
		return missing, undecided
	}
	until(h.t, "every pull in the journal, and decided", func() bool { m, u := what(); return m+u == 0 })
	if len(twice) > 0 {
		h.t.Errorf("in the journal twice: %v", twice)
	}
	if holes := h.journal.Holes(); len(holes) > 0 {
		h.t.Errorf("holes: %v", holes)
	}
	if err := h.ledger.WaitFor(h.t.Context(), h.journal.Last()); err != nil {
		h.t.Fatal(err)
	}
	return n
}

// get fetches a page.
func (h *hardBench) get(path string) (int, string) {
	h.t.Helper()
	resp, err := impatient.Get(h.url() + path)
	if err != nil {
		return 0, err.Error()
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(resp.Body) // what there is will do
	return resp.StatusCode, string(body)
}

// impatient gives up where a page hangs for good.
var impatient = &http.Client{Timeout: 2 * time.Minute}

// says waits until /readyz and the bench page both tell of a trouble, or,
// with "", of none.
func (h *hardBench) says(what string) {
	h.t.Helper()
	var code int
	var text string
	defer func() {
		if h.t.Failed() {
			h.t.Logf("/readyz says %d %s", code, text)
		}
	}()
	until(h.t, fmt.Sprintf("/readyz says %q", what), func() bool {
		code, text = h.get("/readyz")
		return what == "" && code == http.StatusOK || what != "" && code == http.StatusServiceUnavailable && strings.Contains(text, what)
	})
	if what == "" {
		return
	}
	until(h.t, fmt.Sprintf("the bench page says %q", what), func() bool {
		code, text := h.get("/bench/b00")
		return code == http.StatusOK && strings.Contains(text, what)
	})
}

// metric is the sum of a metric over its labels.
func (h *hardBench) metric(name string) (sum float64) {
	h.t.Helper()
	_, text := h.get("/metrics")
	found := false
	for line := range strings.Lines(text) {
		rest, ok := strings.CutPrefix(line, name)
		if !ok || rest[0] != ' ' && rest[0] != '{' {
			continue
		}
		var v float64
		if _, err := fmt.Sscan(line[strings.LastIndexByte(line, ' ')+1:], &v); err != nil {
			h.t.Fatalf("metric %q: %v", line, err)
		}
		sum, found = sum+v, true
	}
	if !found {
		h.t.Errorf("no metric %s", name)
	}
	return sum
}

// moves waits until so many more readings are stored.
func (h *hardBench) moves(n uint64) {
	h.t.Helper()
	from := h.journal.Last()
	until(h.t, "the journal takes readings", func() bool { return h.journal.Last() >= from+n })
}

// smallDisk mounts a small file system for the data.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skip("SKIPPED: cannot mount a small file system: ", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// tries is how often a fault is made: fewer under -short, and so many times
// more as WITNESSMARK_TRIES says.
func tries(n int) int {
	if testing.Short() {
		return 1
	}
	if more, err := strconv.Atoi(os.Getenv("WITNESSMARK_TRIES")); err == nil {
		return n * more
	}
	return n
}

// unhurried skips a test that waits for much under -short.
func unhurried(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("waits for what gives no answer")
	}
}

// TestFullDiskAgainAndAgain fills the disk under load to within a few bytes,
// so that at times the journal stops before the end and at times a write of
// the store itself fails. Each time it is said, each time all goes on once
// there is room, and every pull is there once.
func TestFullDiskAgainAndAgain(t *testing.T) {
	data := smallDisk(t, "96m")
	h := newHardBench(t, data, 2)
	h.cfg.MinFree = "1 B" // the store shall really meet the end of the disk
	h.start()
	stop := h.work()
	rng := rand.New(rand.NewPCG(1, 2))
	ballast := filepath.Join(data, "ballast")
	for range tries(6) {
		h.moves(50)
		fill(t, ballast)
		give := rng.Int64N(128 << 10) // a little is left
		if st, err := os.Stat(ballast); err != nil || os.Truncate(ballast, max(0, st.Size()-give)) != nil {
			t.Fatal(err)
		}
		h.says("NOT being recorded")
		// What little is left may take one more event, and then no other.
		until(t, "witnessmark_journal_writable to be 0 on a full disk", func() bool { return h.metric("witnessmark_journal_writable") == 0 })
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		h.says("")
	}
	h.moves(50)
	stop()
	n := h.allThere()
	h.stop()
	h.start() // and all of it is there
	h.allThere()
	h.stop()
	t.Logf("%d pulls over %d full disks: none lost, none twice; the embedded server was restarted %d times", n, tries(6), h.journal.Stats().Restarts)
}

// loopDisk makes a file system of its own in a file.
func loopDisk(t *testing.T) (dir string, mount, unmount func()) {
	t.Helper()
	image := filepath.Join(t.TempDir(), "image")
	dir = t.TempDir()
	do := func(name string, args ...string) error {
		out, err := exec.Command(name, args...).CombinedOutput()
		if err != nil {
			return fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, out)
		}
		return nil
	}
	f, err := os.Create(image)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Truncate(96<<20), f.Close()); err != nil {
		t.Fatal(err)
	}
	mounted := false
	mount = func() {
		t.Helper()
		if err := do("mount", "-o", "loop", image, dir); err != nil {
			t.Fatal(err)
		}
		mounted = true
	}
	unmount = func() {
		t.Helper()
		if err := do("umount", dir); err != nil {
			t.Error(err)
		}
		mounted = false
	}
	if err := errors.Join(do("mkfs.ext4", "-q", "-F", image), do("mount", "-o", "loop", image, dir)); err != nil {
		t.Skip("SKIPPED: cannot make a file system in a file: ", err)
	}
	mounted = true
	t.Cleanup(func() {
		if mounted {
			unmount()
		}
	})
	return dir, mount, unmount
}

// The signals of the file system that the tests below give it.
const (
	fiFreeze = 0xC0045877
	fiThaw   = 0xC0045878
)

func ioctlDir(t *testing.T, dir string, req uint) {
	t.Helper()
	f, err := os.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.IoctlSetInt(int(f.Fd()), req, 0); err != nil {
		t.Fatal(err)
	}
}

// TestDiskHangs: the disk answers nothing for a while, as one with a bad cable
// does: every write waits. It is said, the pages answer, nothing is confirmed;
// afterwards all goes on by itself.
func TestDiskHangs(t *testing.T) {
	unhurried(t)
	dir, _, _ := loopDisk(t)
	frozen := false
	t.Cleanup(func() {
		if frozen {
			ioctlDir(t, dir, fiThaw)
		}
	})
	h := newHardBench(t, dir, 2)
	h.start()
	stop := h.work()
	for try := range tries(2) {
		h.moves(50)
		ioctlDir(t, dir, fiFreeze)
		frozen = true
		last := h.journal.Last()
		h.says("is not stored")
		for _, page := range []string{"/", "/bench/b01", "/metrics", "/healthz"} {
			if code, text := h.get(page); code != http.StatusOK {
				t.Errorf("%s answers %d while the disk hangs: %s", page, code, text)
			}
		}
		if try > 0 { // it takes its time
		} else if code, text := h.get("/devices"); code != http.StatusOK && !strings.Contains(text, "does not answer") {
			t.Errorf("/devices says %d %s, want that the disk does not answer", code, text)
		}
		if now := h.journal.Last(); now > last+1 {
			t.Errorf("the journal went from %d to %d while the disk hung", last, now)
		}
		ioctlDir(t, dir, fiThaw)
		frozen = false
		h.says("")
	}
	h.moves(50)
	stop()
	n := h.allThere()
	h.stop()
	t.Logf("%d pulls over %d times that the disk hung: none lost, none twice", n, tries(2))
}

// TestReadOnlyStore: after an error of the disk the system makes its file
// system read-only under the service. Nothing is confirmed from then on, it is
// said with what to do, doctor says it too, and a start is refused with the
// reason. Once the disk is mounted for writing again, all is there.
func TestReadOnlyStore(t *testing.T) {
	unhurried(t)
	dir, mount, unmount := loopDisk(t)
	h := newHardBench(t, dir, 2)
	for range tries(1) {
		h.start()
		stop := h.work()
		h.moves(50)
		if out, err := exec.Command("mount", "-o", "remount,abort", dir).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		h.says("NOT being recorded")
		h.says("read-only file system")
		h.says("mount it for writing")
		last := h.journal.Last()
		if got := h.metric("witnessmark_journal_writable"); got != 0 {
			t.Errorf("witnessmark_journal_writable is %g, want 0", got)
		}
		if f := examineData(h.cfg); f.State != "wrong" || !strings.Contains(f.Text, "read-only") {
			t.Errorf("doctor says %+v, want that the store is read-only", f)
		}
		if now := h.journal.Last(); now != last {
			t.Errorf("the journal went from %d to %d on a read-only disk", last, now)
		}
		stop()
		if err := h.stopAnyhow(); err == nil {
			t.Error("the service stopped without a word of what it could not store")
		}
		if s, err := openStack(t.Context(), h.cfg, h.shop); err == nil || !strings.Contains(err.Error(), "read-only") {
			t.Errorf("start on a read-only disk: %v, want that it is read-only", err)
			if err == nil {
				s.close()
			}
		}
		unmount()
		mount()
	}
	h.start()
	stop := h.work()
	h.moves(20)
	stop()
	n := h.allThere()
	h.stop()
	t.Logf("%d pulls over %d disks that became read-only: none lost, none twice", n, tries(1))
}
