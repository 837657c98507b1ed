package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"witnessmark/events"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
)

// natsServer runs a NATS server beside the service, on loopback. Port -1 is
// any that is free.
func natsServer(t *testing.T, store string, port int) *server.Server {
	t.Helper()
	srv, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: port, JetStream: true, StoreDir: store, SyncAlways: true, NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	if !srv.ReadyForConnections(5 * time.Minute) {
		t.Fatal("NATS server does not start")
	}
	t.Cleanup(func() { end(srv) })
	return srv
}

// ownPort is a port for a server that goes away and comes back.
func ownPort(t *testing.T) int {
	t.Helper()
	address, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	a, err := net.ResolveTCPAddr("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	return a.Port
}

func end(srv *server.Server) { srv.Shutdown(); srv.WaitForShutdown() }

// remoteStack is the whole service over a NATS server elsewhere, with one
// wrench on a line in memory.
type remoteStack struct {
	*stack
	wrench net.Conn
}

// overNATS starts it as 'serve --nats-url' does; stop ends it.
func overNATS(t *testing.T, data, url string) (s *remoteStack, stop func()) {
	t.Helper()
	cfg := defaultConfig()
	cfg.Data, cfg.NATSURL, cfg.Listen, cfg.LogLevel, cfg.MinFree = data, url, "127.0.0.1:0", "error", "1 MiB"
	cfg.JournalMax = "1 GiB" // the server takes no stream that its disk could not hold
	wrench, ours := net.Pipe()
	cfg.openPort = func(string, profile.Line) (ingest.Port, error) { return ours, nil }
	st, err := openStack(t.Context(), cfg, benchShop(1))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- st.run(ctx, func(context.Context) error { close(ready); return nil }) }()
	select {
	case <-ready:
	case err := <-ended:
		t.Fatal("service ended at once: ", err)
	}
	return &remoteStack{st, wrench}, func() {
		cancel()
		if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	}
}

func (s *remoteStack) send(t *testing.T, counter int) {
	t.Helper()
	if _, err := s.wrench.Write(benchFrame(counter)); err != nil {
		t.Fatal(err)
	}
}

// waitReady waits until /readyz answers with status and a text.
func (s *remoteStack) waitReady(t *testing.T, status int, text string) {
	t.Helper()
	var got string
	waitUntil(t, func() bool {
		resp, err := http.Get(s.url() + "/readyz")
		if err != nil {
			return false
		}
		defer resp.Body.Close()
		b := make([]byte, 4096)
		n, _ := resp.Body.Read(b) // what there is will do
		got = fmt.Sprint(resp.StatusCode, " ", string(b[:n]))
		return resp.StatusCode == status && strings.Contains(got, text)
	}, func() string { return fmt.Sprintf("readyz says %s, want %d and %q", got, status, text) })
}

func waitUntil(t *testing.T, fn func() bool, why func() string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !fn() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal(why())
		}
	}
}

// counted waits until the ledger has so many events of a type.
func (s *remoteStack) counted(t *testing.T, typ string, want int) {
	t.Helper()
	var got uint64
	waitUntil(t, func() bool {
		n, err := s.ledger.Totals(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got = n.Events[typ]
		return got == uint64(want)
	}, func() string { return fmt.Sprintf("%d events %s in the ledger, want %d", got, typ, want) })
}

// TestServeOverNATSElsewhere runs the whole service over a NATS server of its
// own. It goes away in the middle of the work: what the wrench sends then is
// said not to be stored, and is stored when the server is back. After a
// restart of the service, a reading that the wrench sends again is known. Once
// the service has stopped, the ledger has what was on disk.
func TestServeOverNATSElsewhere(t *testing.T) {
	store, data := t.TempDir(), t.TempDir()
	port := ownPort(t)
	srv := natsServer(t, store, port)
	url := srv.ClientURL()
	s, stop := overNATS(t, data, url)
	ask := func(a events.Asker) {
		t.Helper()
		if err := (desk{s.service}).ask(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	ask(offer(events.Ask{By: "lead"}, []byte(benchProcedure())))
	ask(events.JobAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Job: "j-1", UnitSerial: "U-1", Procedure: "BENCH"})
	s.send(t, 1)
	s.counted(t, "reading.taken", 1)
	s.waitReady(t, http.StatusOK, "ready")

	end(srv)
	s.send(t, 2)
	s.waitReady(t, http.StatusServiceUnavailable, "is not stored")
	s.waitReady(t, http.StatusServiceUnavailable, "the NATS server cannot be reached")
	natsServer(t, store, port)
	s.counted(t, "reading.taken", 2)
	s.waitReady(t, http.StatusOK, "ready")
	last := s.journal.Last()
	stop()

	s, stop = overNATS(t, data, url)
	if got := s.journal.Last(); got < last {
		t.Errorf("journal ends with %d after a restart, want at least %d", got, last)
	}
	s.send(t, 2)
	s.counted(t, "frame.repeated", 1)
	s.send(t, 3)
	s.counted(t, "reading.taken", 3)
	stored := s.journal.LastNumber(events.DeviceSource("kb00"))
	s.send(t, 4)
	waitUntil(t, func() bool { return s.journal.LastNumber(events.DeviceSource("kb00")) > stored }, func() string { return "the reading is not stored" })
	last = s.journal.Last()
	stop()
	if got := s.ledger.Position(); got < last {
		t.Errorf("ledger ends with event %d once the service has stopped, want at least %d", got, last)
	}
	if holes := s.journal.Holes(); len(holes) > 0 {
		t.Errorf("holes %v, want none", holes)
	}
}
