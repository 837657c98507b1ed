package main

import (
	"context"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"witnessmark/events/journal"
)

// replaced writes the content of one file over another.
func replaced(t *testing.T, name, by string) {
	t.Helper()
	b, err := os.ReadFile(by)
	if err == nil {
		err = os.WriteFile(name, b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestStoreTakesANewCertificate: a store takes a changed certificate over without a
// restart: who is connected stays so, who comes sees the new one. Half of a change,
// the key without its certificate, changes nothing and is said. A service reads its
// trust file for each connection; and a store takes a changed one over as well, on
// both ends of a chain.
func TestStoreTakesANewCertificate(t *testing.T) {
	t.Parallel()
	now := time.Now()
	cert, key := madeAt(t, now)
	next, nextKey := madeAt(t, now)
	shopCert, shopKey := madeAt(t, now)
	old := trusting(t, cert)
	file, secret := secretFile(t)
	takes, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	hub := storeOptions{name: "hub", data: t.TempDir(), secret: secret, takes: takes, cert: cert, key: key, trust: trusting(t, next)} // not the shop's
	shop := storeOptions{name: "shop", data: t.TempDir(), secret: secret, hub: takes, of: "north", cert: shopCert, key: shopKey, trust: old}
	var said overheardLines
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	keep := func(o *storeOptions) *server.Server {
		keys := o.keysSum()
		srv := openStore(t, *o)
		o.listen, o.most, o.quiet = srv.Addr().String(), 4<<30, true
		all.Go(func() { o.keepKeys(ctx, srv, keys, 20*time.Millisecond, said.add) })
		return srv
	}
	store := keep(&hub)
	url := "nats://" + hub.listen
	connect := func(trusted string) (*nats.Conn, error) {
		link, err := config{NATSTrust: trusted, NATSSecret: file}.linkTo(url)
		if err != nil {
			t.Fatal(err)
		}
		return link.Connect(url)
	}
	before, err := connect(old)
	if err != nil {
		t.Fatal(err)
	}
	defer before.Close()
	link, err := config{NATSTrust: old, NATSSecret: file}.linkTo(url) // a service that goes on
	if err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(t.Context(), journal.Config{Shop: "north", URL: url, Link: link, Shared: true, MaxBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()

	replaced(t, key, nextKey)
	waitUntil(t, func() bool { return said.has("cannot be used") }, func() string { return "half of a change is not said" })
	if nc, err := connect(old); err != nil {
		t.Errorf("with half of the change: %v", err)
	} else {
		nc.Close()
	}
	replaced(t, cert, next)
	waitUntil(t, func() bool { return said.has("new connections are made with the certificate") }, func() string { return said.text() })
	if nc, err := connect(trusting(t, next)); err != nil {
		t.Errorf("who trusts the new certificate: %v", err)
	} else {
		nc.Close()
	}
	another, _ := madeAt(t, now)
	if nc, err := connect(trusting(t, another)); err == nil {
		nc.Close()
		t.Error("who trusts another certificate is let on")
	}
	if err := before.FlushTimeout(time.Minute); err != nil || before.Stats().Reconnects > 0 {
		t.Errorf("who was connected: %v, %d times connected anew", err, before.Stats().Reconnects)
	}

	// The shop's store does not come in: neither trusts the other.
	keep(&shop)
	if n := store.NumLeafNodes(); n != 0 {
		t.Errorf("%d stores came in to the hub, want none yet", n)
	}
	replaced(t, hub.trust, shopCert)
	replaced(t, old, next) // the shop's store and the services trust the hub's new one
	waitUntil(t, func() bool { return store.NumLeafNodes() == 1 }, func() string { return "the store of the shop does not come in: " + said.text() })
	if nc, err := link.Connect(url); err != nil {
		t.Errorf("a service whose trust file was changed: %v", err)
	} else {
		nc.Close()
	}
}

// overheardLines keeps what was said.
type overheardLines struct {
	mu    sync.Mutex
	lines []string
}

func (o *overheardLines) add(text string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.lines = append(o.lines, text)
}

func (o *overheardLines) text() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return strings.Join(o.lines, "\n")
}

func (o *overheardLines) has(text string) bool { return strings.Contains(o.text(), text) }
