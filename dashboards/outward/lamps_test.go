package outward

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"witnessmark/events"
)

var lampOn, lampOff = []byte("\xa0\x01\x01\xa2"), []byte("\xa0\x01\x00\xa1")

// relay is the other end of a serial relay.
type relay struct {
	port string

	mu  sync.Mutex
	got []byte
}

func newRelay(t *testing.T) *relay {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Skip("SKIPPED: no pseudo-terminals: ", err)
	}
	r := &relay{port: slave.Name()}
	t.Cleanup(func() { slave.Close(); master.Close() })
	go func() {
		b := make([]byte, 64)
		for {
			n, err := master.Read(b)
			if err != nil {
				return
			}
			r.mu.Lock()
			r.got = append(r.got, b[:n]...)
			r.mu.Unlock()
		}
	}()
	return r
}

func (r *relay) saw(what []byte) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return bytes.Contains(r.got, what)
}

// is waits until the relay was told last what it must be, and so many times
// that it must be on; -1: however many.
func (r *relay) is(t *testing.T, what string, last []byte, on int) {
	t.Helper()
	end := time.After(2 * time.Minute)
	for {
		r.mu.Lock()
		got := bytes.Clone(r.got)
		r.mu.Unlock()
		if bytes.HasSuffix(got, last) && (on < 0 || bytes.Count(got, lampOn) == on) {
			return
		}
		select {
		case <-time.After(2 * time.Millisecond):
		case <-end:
			t.Fatalf("%s: the relay got % x, want % x at the end and %d times on", what, got, last, on)
		}
	}
}

func lampsFrom(t *testing.T, text string) *Lamps {
	t.Helper()
	name := filepath.Join(t.TempDir(), "alerts.yaml")
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := LoadLamps(name, slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func runLamps(t *testing.T, l *Lamps) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); _ = l.Run(ctx) }()
	stop = func() { cancel(); <-done }
	t.Cleanup(stop)
	return stop
}

func relayRoute(port, more string) string {
	return "routes:\n- name: lamp\n  benches: [axle]\n  all: true\n  relay: {port: \"" + port + "\", on: A00101A2, off: A00100A1" + more + "}\n"
}

// TestLampAtABox: it is on while the shop says that an alert of its bench is
// open, and off again; it starts and ends off, whatever was before.
func TestLampAtABox(t *testing.T) {
	r := newRelay(t)
	l := lampsFrom(t, relayRoute(r.port, ""))
	stop := runLamps(t, l)
	r.is(t, "at the start", lampOff, 0)
	here, elsewhere := events.AlertRaised{Alert: "a", Bench: "axle"}, events.AlertRaised{Alert: "b", Bench: "gearbox"}
	l.Told([]events.AlertRaised{elsewhere})
	l.Told([]events.AlertRaised{elsewhere, here})
	r.is(t, "an alert at its bench", lampOn, 1)
	l.Told([]events.AlertRaised{here}) // said again
	if lamps, lit, trouble := l.State(); lamps != 1 || lit != 1 || trouble != "" {
		t.Errorf("state %d, %d, %q", lamps, lit, trouble)
	}
	l.Told([]events.AlertRaised{elsewhere})
	r.is(t, "acknowledged", lampOff, 1)
	l.Told([]events.AlertRaised{here})
	r.is(t, "open once more", lampOn, 2)
	stop()
	r.is(t, "at the end", lampOff, 2)
}

// TestLampGoesOut: after the time that its route sets, though the alert stays
// open; and once the shop is silent, as nobody knows then what is open.
func TestLampGoesOut(t *testing.T) {
	for name, tt := range map[string]struct {
		more    string
		silence time.Duration
	}{"its time is over": {", for: 100ms", time.Hour}, "the shop is silent": {"", 100 * time.Millisecond}} {
		r := newRelay(t)
		l := lampsFrom(t, relayRoute(r.port, tt.more))
		l.silence = tt.silence
		runLamps(t, l)
		r.is(t, "at the start", lampOff, 0)
		var open []events.AlertRaised
		for !r.saw(lampOn) { // a slow machine may let one pass by
			open = append(open, events.AlertRaised{Alert: fmt.Sprint(len(open)), Bench: "axle"})
			l.Told(open)
			time.Sleep(5 * time.Millisecond)
		}
		r.is(t, name, lampOff, -1)
	}
}

// TestLampUnplugged: a relay that is not there is said, looked for, and switched
// once it comes.
func TestLampUnplugged(t *testing.T) {
	r := newRelay(t)
	link := filepath.Join(t.TempDir(), "relay")
	l := lampsFrom(t, relayRoute(link, ""))
	runLamps(t, l)
	l.Told([]events.AlertRaised{{Alert: "a", Bench: "axle"}})
	end := time.After(2 * time.Minute)
	for trouble := ""; !strings.Contains(trouble, "open relay"); _, _, trouble = l.State() {
		select {
		case <-time.After(2 * time.Millisecond):
		case <-end:
			t.Fatalf("trouble is %q", trouble)
		}
	}
	if err := os.Symlink(r.port, link); err != nil {
		t.Fatal(err)
	}
	l.Told([]events.AlertRaised{{Alert: "a", Bench: "axle"}})
	r.is(t, "plugged in", lampOn, 1)
}

// TestOnlyRelaysAtABox: what leaves the house leaves from the shop.
func TestOnlyRelaysAtABox(t *testing.T) {
	name := filepath.Join(t.TempDir(), "alerts.yaml")
	if err := os.WriteFile(name, []byte("routes:\n- name: post\n  mail: {server: \"mail:25\", from: a@x.example, to: [b@x.example], tls: none}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := LoadLamps(name, slog.Default()); err == nil || !strings.Contains(err.Error(), "leave from the shop") {
		t.Errorf("a mailbox at a bench box: %v", err)
	}
}
