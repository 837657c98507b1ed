package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/nats-io/nats.go"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
	"witnessmark/rules"
)

// noise is a line on which a thousand bytes a second come that are no frame.
func noise(t *testing.T) (port string) {
	t.Helper()
	ours, theirs, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		r := rand.New(rand.NewPCG(1, 2))
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			b := make([]byte, 10)
			for i := range b {
				b[i] = byte(r.Uint32())
			}
			if _, err := ours.Write(b); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		close(stop)
		if err := errors.Join(ours.Close(), theirs.Close()); err != nil {
			t.Error(err)
		}
		<-ended
	})
	return theirs.Name()
}

// Ports that are no tool, and one that talks rubbish, are named with what to
// do about them; the wrench beside them works on.
func TestStrangePorts(t *testing.T) {
	b := newTestBench(t, t.TempDir())
	file := filepath.Join(t.TempDir(), "notes.txt")
	if err := os.WriteFile(file, []byte("no tool"), 0o644); err != nil {
		t.Fatal(err)
	}
	ports := []string{file, os.DevNull, t.TempDir(), filepath.Join(t.TempDir(), "none"), noise(t)}
	more := benchShop(1 + len(ports))
	b.shop.Benches, b.shop.Tools = more.Benches, more.Tools
	b.shop.Devices = append(b.shop.Devices, more.Devices[1:]...)
	for i, p := range ports {
		b.shop.Devices[1+i].Port = p
	}
	b.start()
	defer func() { b.stop() }()
	status := func(i int) ingest.DeviceStatus { return b.capture.Status()[i] }
	noisy := len(ports)
	b.openJob("j-1")
	for i := range 3 {
		seen := status(noisy).Bytes
		b.pull()
		until(t, "the pull counted", func() bool { return b.marks("j-1") == i+1 })
		until(t, "more noise heard", func() bool { return status(noisy).Bytes > seen+500 })
	}
	for i, p := range ports[:noisy-1] {
		until(t, p+" named as no tool", func() bool {
			d := status(1 + i)
			return d.Link != "" && d.Link != events.LinkUp && d.Detail != ""
		})
		t.Logf("%s: %s: %s", p, status(1+i).Link, status(1+i).Detail)
	}
	if d := status(noisy); d.Readings != 0 || d.Refused == 0 || d.Link != events.LinkUp {
		t.Errorf("noise: link %s, %d readings, %d refused, want it up, none taken, some refused", d.Link, d.Readings, d.Refused)
	}
	if n := b.marks("j-1"); n != 3 {
		t.Errorf("%d pulls counted, want 3", n)
	}
}

// The wall clock jumps an hour back and two hours on between pulls: each
// counts once, in the order in which it came, no alert comes of it, and the
// ledger is what the journal says.
func TestClockJumps(t *testing.T) {
	b := newTestBench(t, t.TempDir())
	var ahead atomic.Int64
	b.cfg.now = func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
	b.start()
	defer func() { b.stop() }()
	b.openJob("j-1")
	for i, d := range []time.Duration{0, -time.Hour, 0, 2 * time.Hour, -time.Hour} {
		ahead.Store(int64(d))
		b.pull()
		until(t, fmt.Sprintf("the pull at %s counted", d), func() bool { return b.marks("j-1") == i+1 })
	}
	if at := b.capture.Status()[0].LastAt.Time(); time.Since(at) < 30*time.Minute {
		t.Errorf("last reading at %s, want it an hour back: the clock did not jump", at)
	}
	b.service.View(func(s *rules.State) {
		if len(s.Alerts) > 0 || len(s.Unplaced) > 0 {
			t.Errorf("alerts %v, unplaced %v, want none", s.Alerts, s.Unplaced)
		}
	})
	if err := b.ledger.WaitFor(t.Context(), b.journal.Last()); err != nil {
		t.Fatal(err)
	}
	diff, err := ledger.Check(t.Context(), b.journal, b.cfg.ledgerPath(), nil)
	if err != nil || len(diff) > 0 {
		t.Errorf("ledger and journal: %v, %v, want them equal", diff, err)
	}
}

// A journal in which a newer version wrote is not folded without what it does
// not know: the service ends and says what to install.
func TestNewerJournal(t *testing.T) {
	data := t.TempDir()
	url := natsServer(t, t.TempDir(), -1).ClientURL()
	s, stop := overNATS(t, data, url)
	last := s.journal.LastNumber(events.SourceDesk)
	stop()

	nc, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := nc.JetStream()
	if err != nil {
		t.Fatal(err)
	}
	id := fmt.Sprint(last + 1)
	m := nats.NewMsg("wm.bench.ev.desk")
	for k, v := range map[string]string{"ce-specversion": "1.0", "ce-id": id, "ce-source": "wm/bench/desk", "ce-type": "witnessmark.job.split.v1",
		"ce-sequence": strings.Repeat("0", 20-len(id)) + id, "ce-datacontenttype": "application/json"} {
		m.Header[k] = []string{v}
	}
	m.Data = []byte(`{}`)
	if _, err := js.PublishMsg(m); err != nil {
		t.Fatal(err)
	}

	cfg := s.cfg
	cfg.openPort = func(string, profile.Line) (ingest.Port, error) { _, ours := net.Pipe(); return ours, nil }
	st, err := openStack(t.Context(), cfg, benchShop(1))
	if err == nil {
		err = st.run(t.Context(), func(context.Context) error { return errors.New("it serves") })
	}
	if !errors.Is(err, events.ErrNewer) || !strings.Contains(err.Error(), "install") || !strings.Contains(err.Error(), "job.split") {
		t.Errorf("serve: %v, want ErrNewer, what is unknown and what to do", err)
	}
}

// A profile that is wrong is told with its file and line before anything is
// read with it.
func TestWrongProfile(t *testing.T) {
	b := newTestBench(t, t.TempDir())
	b.cfg.Profiles = t.TempDir()
	text := "profile: velm-s5\nabout: A wrong one\nreads: peak\ncolour: green\n"
	if err := os.WriteFile(filepath.Join(b.cfg.Profiles, "velm-s5.yaml"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := openStack(t.Context(), b.cfg, b.shop)
	if err == nil || !strings.Contains(err.Error(), "velm-s5.yaml:4:") {
		t.Errorf("start with a wrong profile: %v, want its file and line", err)
	}
	b.cfg.Profiles, b.shop.Devices[0].Profile = "", "no-such"
	_, err = openStack(t.Context(), b.cfg, b.shop)
	if err == nil || !strings.Contains(err.Error(), "orrin-k2") {
		t.Errorf("start with an unknown profile: %v, want the names of those there are", err)
	}
	// Nothing is left locked: the right one starts.
	b.shop.Devices[0].Profile = "velm-s5"
	b.start()
	b.stop()
	if _, err := http.Get(b.url() + "/healthz"); err == nil {
		t.Error("the pages still answer after the stop")
	}
}
