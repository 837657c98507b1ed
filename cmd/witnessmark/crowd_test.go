package main

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/ingest"
	"witnessmark/rules"
	"witnessmark/simulator"
)

// heap is what is in use after a collection, in bytes.
func heap() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// TestDeadBrowsers: hundreds of browsers follow the bench and never read, or
// begin a request and never end it, or say nothing at all. They are dropped and
// counted; memory stays bounded, a browser that reads gets everything, and no
// pull is lost or held up.
func TestDeadBrowsers(t *testing.T) {
	unhurried(t)
	h := newHardBench(t, t.TempDir(), 1)
	h.start()
	defer h.stop()
	h.openJob("j-1")
	const each = 50
	began := heap()
	dial := func(say string) net.Conn {
		c, err := net.Dial("tcp", h.listen.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if err := c.(*net.TCPConn).SetReadBuffer(4096); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Write([]byte(strings.ReplaceAll(say, "\n", "\r\n"))); err != nil {
			t.Fatal(err)
		}
		return c
	}
	for range each {
		for _, say := range []string{
			"GET /live?bench=b00 HTTP/1.1\nHost: localhost\n\n",
			"GET /live HTTP/1.1\nHost: localhost\nX-", // half a header
			"POST /do/open HTTP/1.1\nHost: localhost\nContent-Length: 5000\n\nhalf",
			"", // nothing at all
		} {
			defer dial(say).Close()
		}
	}
	until(t, "the dead browsers are there", func() bool { return h.metric("witnessmark_live_clients") >= each })
	// One that reads.
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var patches atomic.Int64
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, h.url()+"/live?bench=b00", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	go func() {
		for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
			if lines.Text() == "event: patch" {
				patches.Add(1)
			}
		}
	}()
	h.pace.Store(int64(time.Millisecond))
	stop := h.work()
	dropped := func() float64 { return h.metric("witnessmark_live_clients_dropped_total") }
	until(t, "those that never read are dropped", func() bool { return dropped() >= each })
	stop()
	n := h.allThere()
	until(t, "only the one that reads is left", func() bool { return h.metric("witnessmark_live_clients") == 1 })
	if got := patches.Load(); got == 0 {
		t.Error("the browser that reads got nothing")
	}
	if grown := int64(heap()) - int64(began); grown > 48<<20 {
		t.Errorf("the heap grew by %d MB", grown>>20)
	}
	t.Logf("%d dead browsers, %.0f live streams dropped; %d pulls, none lost; the browser that reads got %d patches", 4*each, dropped(), n, patches.Load())
}

// TestNoise: ports that send nothing but noise, a minute of 1,000 bytes a
// second each, in little time, beside wrenches at work on lines with noise of
// their own. Every byte of it is kept, no pull is lost, memory stays bounded.
func TestNoise(t *testing.T) {
	const working, noisy, each = 3, 16, 60_000
	h := newHardBench(t, t.TempDir(), working+noisy)
	models := []string{"orrin-k2", "velm-s5", "tarn-t9", "skerry-f2"}
	var lines []*simulator.Line
	for i := range noisy {
		d := &h.shop.Devices[working+i]
		line, err := simulator.OpenLine("")
		if err != nil {
			t.Fatal(err)
		}
		defer line.Close()
		lines = append(lines, line)
		d.Port, d.Profile = line.Path(), models[i%len(models)]
		delete(h.tools, d.Tool)
		delete(h.pulled, d.Tool)
	}
	h.start()
	defer h.stop()
	until(t, "all ports are open", func() bool {
		return !slices.ContainsFunc(h.capture.Status(), func(d ingest.DeviceStatus) bool { return d.Link != events.LinkUp })
	})
	began, first := heap(), h.journal.Stats().Bytes
	h.noise.Store(200)
	stop := h.work()
	var g errgroup.Group
	for i, line := range lines {
		rng := rand.New(rand.NewPCG(7, uint64(i)))
		g.Go(func() error {
			for sent := 0; sent < each; sent += 1000 {
				b := make([]byte, 1000)
				for k := range b {
					b[k] = byte(rng.Uint32())
				}
				if _, err := line.Write(b); err != nil {
					return err
				}
				time.Sleep(10 * time.Millisecond) // the pace of the load; nothing waits for it
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	stop()
	n := h.allThere()
	// What was kept of each noisy device, byte by byte.
	kept := func() (least int, refused int) {
		got := map[string]int{}
		err := h.journal.Read(t.Context(), 1, h.journal.Last(), func(es []events.Entry) error {
			for _, e := range es {
				switch d := e.Data.(type) {
				case events.FrameRefused:
					got[d.Device] += len(d.Bytes)
					refused++
				case events.ReadingTaken:
					got[d.Device] += len(d.Bytes)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		least = each
		for _, d := range h.shop.Devices[working:] {
			least = min(least, got[d.ID])
		}
		return least, refused
	}
	until(t, "every byte of noise is kept", func() bool { l, _ := kept(); return l >= each })
	_, refused := kept()
	if got := h.metric("witnessmark_frames_refused_total"); got == 0 {
		t.Error("the metrics tell of no refused frame")
	}
	if _, text := h.get("/devices"); !strings.Contains(text, "refused") {
		t.Error("the devices page tells of no refused frame")
	}
	grown := int64(heap()) - int64(began)
	if grown > 96<<20 { // the newest 32 MiB of entries are kept for followers
		t.Errorf("the heap grew by %d MB", grown>>20)
	}
	t.Logf("%d bytes of noise on %d ports in %d refused frames, %.1f bytes in the journal for each; %d pulls beside it, none lost; heap %+d MB",
		noisy*each, noisy, refused, float64(h.journal.Stats().Bytes-first)/(noisy*each), n, grown>>20)
}

// TestClockSteps: somebody sets the clock, forward and back, by seconds and by
// weeks, between the pulls of a job. Order is the journal's, every pull counts
// once, nobody is alarmed, and each step is measured and shown.
func TestClockSteps(t *testing.T) {
	h := newHardBench(t, t.TempDir(), 1)
	var offset atomic.Int64
	h.cfg.now = func() time.Time { return time.Now().Add(time.Duration(offset.Load())) }
	start := time.Now()
	h.cfg.steady = func() (time.Duration, error) { return time.Since(start), nil }
	h.shop.Tools[0].Calibrated = start.AddDate(0, -2, 0).Format(time.DateOnly) // else a clock set back makes it one of the future
	h.start()
	defer func() { h.stop() }()
	h.openJob("j-1")
	until(t, "the clock is watched", func() bool {
		_, text := h.get("/metrics")
		return strings.Contains(text, "witnessmark_clock_steps_total 0")
	})
	steps := []time.Duration{time.Hour, -2 * time.Hour, 3 * time.Second, -1500 * time.Millisecond, 26 * time.Hour, -20 * 24 * time.Hour}
	var total time.Duration
	marks := 0
	pull := func() {
		t.Helper()
		h.pullWith(t.Context(), "kb00", h.tool)
		marks++
		until(t, "the pull counts", func() bool { return h.marks("j-1") == marks })
	}
	pull()
	for i, by := range steps {
		offset.Add(int64(by))
		total += by.Abs()
		pull()
		until(t, "the step is measured", func() bool { return h.metric("witnessmark_clock_steps_total") == float64(i+1) })
		if got := h.metric("witnessmark_clock_last_step_seconds"); max(got-by.Seconds(), by.Seconds()-got) > 0.1 {
			t.Errorf("set by %s: measured %g s", by, got)
		}
		if _, text := h.get("/bench/b00"); !strings.Contains(text, "The clock of this machine was set") {
			t.Errorf("set by %s: the bench page does not say so", by)
		}
		h.says("") // /readyz is well: readings are taken all the same
		pull()
	}
	cfg := h.cfg
	cfg.Listen = h.listen.Addr().String()
	// Each is a fact, and stands in the record of the job that was open.
	until(t, "the steps are in the ledger", func() bool {
		noted := 0
		err := h.ledger.AtOnce(t.Context(), func(q *ledger.Queries) error {
			es, err := q.JobEvents(t.Context(), "j-1")
			for _, e := range es {
				if e.Kind == events.NotedClock {
					noted++
				}
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return noted == len(steps)
	})
	if err := h.ledger.AtOnce(t.Context(), func(q *ledger.Queries) error {
		got, err := q.ClockSteps(t.Context(), 0)
		for i, s := range got {
			by := steps[len(steps)-1-i]
			if d := time.Duration(s.ByUs)*time.Microsecond - by; d.Abs() > 100*time.Millisecond || s.ToUs.Sub(s.FromUs) != time.Duration(s.ByUs)*time.Microsecond {
				t.Errorf("set by %s: noted %+v", by, s)
			}
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if f := examineHistory(t.Context(), cfg); len(f) != stepsShown || !strings.Contains(f[0].Text, fmt.Sprintf("step %d of %d", len(steps), len(steps))) {
		t.Errorf("doctor says %+v", f)
	}
	n := h.allThere()
	// The order is that of the pulls.
	var order []uint64
	if err := h.journal.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if r, ok := e.Data.(events.ReadingTaken); ok {
				order = append(order, *r.ToolCounter)
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if !slices.IsSorted(order) || len(order) != marks {
		t.Errorf("the journal has the pulls in the order %v, want %d ascending", order, marks)
	}
	h.service.View(func(s *rules.State) {
		for _, a := range s.Alerts {
			t.Errorf("alert %s: %s", a.Kind, a.Text)
		}
	})
	t.Logf("%d steps of the clock, %s in all, between %d pulls: order kept, all counted, no alert", len(steps), total, n)
}

// TestZonesAndDST: the same readings, taken while daylight saving time begins
// and ends, are judged alike whatever zone the machine is in. The changes are
// those of the European Union (Directive 2000/84/EC: 01:00 UTC on the last
// Sundays of March and October) and, at other hours, of other zones.
func TestZonesAndDST(t *testing.T) {
	procedure := filepath.Join("..", "..", "testdata", "matching", "angle-masked-lost.yaml")
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "matching", "angle-masked-lost.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	const began = `"start":"2026-11-25T08:00:00Z"`
	if strings.Count(string(text), began) != 1 {
		t.Fatalf("the stream does not begin with %s", began)
	}
	// The pulls come between the second and the third minute.
	for _, start := range []string{"2026-03-29T00:58:00Z", "2026-10-25T00:58:00Z", "2026-11-01T04:28:00Z", "2026-04-04T14:58:00Z"} {
		stream := filepath.Join(t.TempDir(), "stream.jsonl")
		if err := os.WriteFile(stream, []byte(strings.Replace(string(text), began, `"start":"`+start+`"`, 1)), 0o644); err != nil {
			t.Fatal(err)
		}
		want := ""
		for _, zone := range []string{"UTC", "Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe"} {
			cmd := exec.Command("witnessmark", "judge", "--procedure", procedure, "--stream", stream)
			cmd.Env = append(os.Environ(), "TZ="+zone)
			out, err := cmd.Output()
			if len(out) == 0 {
				t.Fatalf("%s: %v", zone, err)
			}
			if want == "" {
				want = string(out)
			}
			if string(out) != want {
				t.Errorf("%s is judged otherwise in %s", start, zone)
			}
		}
	}
}

// TestFewFiles: the service may open few files, and browsers take all
// connections there are. What the store and the ports need is kept for them:
// every pull is stored meanwhile, and the pages answer again afterwards.
func TestFewFiles(t *testing.T) {
	data := t.TempDir()
	h := newHardBench(t, data, 2)
	file := filepath.Join(t.TempDir(), "shop.yaml")
	if err := os.WriteFile(file, []byte(fewFilesShop(h.shop)), 0o644); err != nil {
		t.Fatal(err)
	}
	address, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sh", "-c", `ulimit -n 200 && exec witnessmark serve --data "$1" --shop "$2" --listen "$3" --min-free 1MiB --log-level error`, "sh", data, file, address)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	defer func() { _ = cmd.Process.Kill() }() // has ended, if all is well
	ready := func() bool {
		resp, err := impatient.Get("http://" + address + "/readyz")
		if err != nil {
			return false
		}
		defer resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	}
	until(t, "the service is ready", ready)
	stop := h.work()
	const crowd = 400
	var held []net.Conn
	for range crowd {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		held = append(held, c)
	}
	answered := func() int { return int(h.answered.Load()) }
	before := answered()
	until(t, "pulls are stored and answered while the connections are held", func() bool { return answered() >= before+200 })
	stop()
	for _, c := range held {
		c.Close()
	}
	until(t, "the pages answer again", ready)
	h.mu.Lock()
	n := 0
	for _, p := range h.pulled {
		n += len(p)
	}
	h.mu.Unlock()
	until(t, "every pull is answered", func() bool { return answered() == n })
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Error(err)
	}
	j, err := openJournal(t.Context(), func() config { c := h.cfg; c.Data = data; return c }(), h.shop.ID)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	stored := 0
	if err := j.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if r, ok := e.Data.(events.ReadingTaken); ok {
				stored++
				if h.pulled[r.Tool][*r.ToolCounter] != r.Text {
					t.Errorf("%s %d is there, and was not pulled", r.Tool, *r.ToolCounter)
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if stored != n {
		t.Errorf("%d pulls stored, %d made", stored, n)
	}
	t.Logf("%d connections on a service that may open 200 files: %d pulls, none lost", crowd, n)
}

// fewFilesShop is a shop file of a shop's devices.
func fewFilesShop(shop events.Shop) string {
	var b strings.Builder
	fmt.Fprintf(&b, "shop: %s\nname: Bench\nunits: {torque: N·m, length: mm}\npeople:\n  - {id: tech, name: Technician, role: technician}\nbenches:\n", shop.ID)
	for _, x := range shop.Benches {
		fmt.Fprintf(&b, "  - {id: %s, name: %s}\n", x.ID, x.Name)
	}
	b.WriteString("tools:\n")
	for _, x := range shop.Tools {
		fmt.Fprintf(&b, "  - {id: %s, name: %s, kind: torque_wrench, serial: %s, range: 1 N·m to 500 N·m, uncertainty: 1 %%, calibrated: %s, due: %s}\n", x.ID, x.Name, x.Serial, x.Calibrated, x.Due)
	}
	b.WriteString("devices:\n")
	for _, x := range shop.Devices {
		fmt.Fprintf(&b, "  - {id: %s, tool: %s, bench: %s, profile: %s, port: %s}\n", x.ID, x.Tool, x.Bench, x.Profile, x.Port)
	}
	return b.String()
}

// TestNATSAway: a server elsewhere goes away and comes back, and the network to
// it takes everything and gives nothing. Each time it is said and healed.
func TestNATSAway(t *testing.T) {
	store := t.TempDir()
	port := ownPort(t)
	srv := natsServer(t, store, port)
	way := newNATSWay(t, srv.Addr().String())
	h := newHardBench(t, t.TempDir(), 2)
	h.cfg.NATSURL, h.cfg.JournalMax = "nats://"+way.address(), "1 GiB"
	h.start()
	stop := h.work()
	for try := range tries(2) {
		h.moves(30)
		if try%2 == 0 {
			end(srv)
			h.says("is not stored")
			srv = natsServer(t, store, port)
		} else {
			way.block(true)
			h.says("is not stored")
			way.block(false)
		}
		h.says("")
	}
	h.moves(30)
	stop()
	n := h.allThere()
	h.stop()
	t.Logf("%d pulls over %d times that NATS was away: none lost, none twice", n, tries(2))
}

// natsWay is the network to a server, which can be told to take everything and
// give nothing, as one with a broken switch does.
type natsWay struct {
	listen  net.Listener
	blocked atomic.Bool
}

func newNATSWay(t *testing.T, to string) *natsWay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &natsWay{listen: l}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s, err := net.Dial("tcp", to)
			if err != nil {
				c.Close()
				continue
			}
			go w.carry(c, s)
			go w.carry(s, c)
		}
	}()
	return w
}

func (w *natsWay) address() string { return w.listen.Addr().String() }

func (w *natsWay) block(on bool) { w.blocked.Store(on) }

// carry passes on what comes; what comes while the way is blocked is lost, and
// the connection ends after it.
func (w *natsWay) carry(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	lost := false
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		if w.blocked.Load() {
			lost = true
			continue
		}
		if lost { // a stream with a hole in it is none
			return
		}
		if _, err := to.Write(buf[:n]); err != nil {
			return
		}
	}
}
