package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
)

// openStore runs a store in this process.
func openStore(t *testing.T, o storeOptions) *server.Server {
	t.Helper()
	var err error
	if o.listen == "" {
		if o.listen, err = freePort(); err != nil {
			t.Fatal(err)
		}
	}
	o.most, o.quiet = 4<<30, true
	if err := o.validate(); err != nil {
		t.Fatal(err)
	}
	srv, err := o.start()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { end(srv) })
	return srv
}

// openShop runs a whole shop over its store, with one wrench.
func openShop(t *testing.T, id, url string) (s *remoteStack, stop func()) {
	t.Helper()
	return openShopWith(t, id, url, func(*config) {})
}

// openShopWith does so after change has seen its settings.
func openShopWith(t *testing.T, id, url string, change func(*config)) (s *remoteStack, stop func()) {
	t.Helper()
	cfg := defaultConfig()
	cfg.Data, cfg.NATSURL, cfg.Listen, cfg.LogLevel, cfg.MinFree, cfg.JournalMax = t.TempDir(), url, "127.0.0.1:0", "error", "1 MiB", "1 GiB"
	change(&cfg)
	wrench, ours := net.Pipe()
	cfg.openPort = func(string, profile.Line) (ingest.Port, error) { return ours, nil }
	shop := benchShop(1)
	shop.ID, shop.Name = id, "Shop "+id
	st, err := openStack(t.Context(), cfg, shop)
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

// said runs a command and returns what it printed.
func said(t *testing.T, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	cmd := newRoot()
	cmd.SetArgs(args)
	cmd.SetOut(&out)
	cmd.SetErr(&bytes.Buffer{})
	err := cmd.ExecuteContext(t.Context())
	return out.String(), err
}

// TestChain: two shops and a hub. The hub has every entry of both at its own
// sequence, also those of a time when it was away; what it lists is what the
// shops have; the copies hold against the shops' keys; and nobody can write to
// them, nor by way of the hub to a shop.
func TestChain(t *testing.T) {
	if testing.Short() {
		t.Skip("takes long")
	}
	t.Parallel() // it waits for the most part
	hubDir := t.TempDir()
	takes, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	hub := openStore(t, storeOptions{name: "hub", data: hubDir, takes: takes})
	shops := map[string]*remoteStack{}
	for _, id := range []string{"north", "south"} {
		store := openStore(t, storeOptions{name: "store-" + id, data: t.TempDir(), hub: takes, of: id})
		s, stop := openShop(t, id, store.ClientURL())
		defer stop()
		shops[id] = s
		ask := func(a events.Asker) {
			t.Helper()
			if err := (desk{s.service}).ask(t.Context(), a); err != nil {
				t.Fatal(err)
			}
		}
		ask(offer(events.Ask{By: "lead"}, []byte(benchProcedure())))
		ask(events.JobAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Job: "j-" + id, UnitSerial: "U-" + id, Procedure: "BENCH"})
		s.send(t, 1)
		s.counted(t, "reading.taken", 1)
	}
	data := t.TempDir()
	run := func(args ...string) string {
		t.Helper()
		out, err := said(t, append(args, "--nats-url", hub.ClientURL(), "--data", data, "--journal-max", "1 GiB", "--log-level", "error")...)
		if err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		return out
	}
	waitUntil(t, func() bool { return hub.NumLeafNodes() == 2 }, func() string { return "the stores do not dial in" })
	run("chain", "add", "north", "south")
	run("chain", "add", "north") // once more changes nothing

	// The hub goes away, the shops go on, the hub comes back.
	end(hub)
	for _, s := range shops {
		s.send(t, 2)
		s.counted(t, "reading.taken", 2)
	}
	hub = openStore(t, storeOptions{name: "hub", data: hubDir, takes: takes})
	nc, err := nats.Connect(hub.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	for id, s := range shops {
		if _, err := s.sealer.Seal(t.Context(), "asked", ""); err != nil {
			t.Fatal(err)
		}
		// The engine asks the shop again after half a minute or so.
		waitLong(t, func() bool {
			copies, err := journal.Copies(t.Context(), nc)
			if err != nil {
				return false
			}
			for _, c := range copies {
				if c.Shop == id && c.Entries >= s.journal.Last() {
					return true
				}
			}
			return false
		}, "the copy of "+id+" does not come to the shop's end")
		sameEntries(t, s.journal, hub.ClientURL(), id)
		key := s.sealer.Public()
		if out := run("chain", "verify", id, "--key", key); !strings.Contains(out, "1 seals hold") {
			t.Errorf("verify %s: %s", id, out)
		}
	}
	if out, err := said(t, "chain", "verify", "north", "--key", shops["south"].sealer.Public(), "--nats-url", hub.ClientURL(), "--data", data); err == nil {
		t.Errorf("the copy of north holds against the key of south: %s", out)
	}
	for args, want := range map[string][]string{
		"chain list":              {"north  Shop north", "south  Shop south"},
		"chain jobs --open":       {"north  j-north  U-north", "south  j-south  U-south"},
		"chain tools":             {"north  kb00", "south  kb00"},
		"chain alerts":            {"shop"},
		"chain jobs --only south": {"j-south"},
	} {
		out := run(strings.Fields(args)...)
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("%s lacks %q:\n%s", args, w, out)
			}
		}
	}

	// Nobody writes to a copy, nor by way of the hub to a shop.
	before := shops["north"].journal.Last()
	if _, err := nc.Request("wm.north.ev.desk", []byte("{}"), time.Second); err == nil {
		t.Error("the hub took an entry for a copy")
	}
	if _, err := nc.Request("$JS.shop-north.API.STREAM.DELETE.wm-north", nil, time.Second); err == nil {
		t.Error("the hub may delete the journal of a shop")
	}
	if got := shops["north"].journal.Last(); got != before {
		t.Errorf("the shop's journal went from %d to %d", before, got)
	}
	j, err := journal.Open(t.Context(), journal.Config{Shop: "north", URL: hub.ClientURL(), Copy: true})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if _, err := j.Append(t.Context(), events.Event{Source: "desk", Data: events.TimeReached{}}); !errors.Is(err, journal.ErrCopy) {
		t.Errorf("append to a copy: %v, want ErrCopy", err)
	}

	// An office without tools shows the chain on its pages, while the hub is away too.
	office := defaultConfig()
	office.Data, office.Listen, office.Chain = t.TempDir(), "127.0.0.1:0", hub.ClientURL()
	o := served(t, office, benchShop(1))
	shown := func(path string, want ...string) {
		t.Helper()
		var body string
		waitUntil(t, func() bool {
			want := append(want, fmt.Sprintf("<dd>%d</dd>", shops["north"].journal.Last())) // it may still grow
			resp, err := http.Get(o.url() + path)
			if err != nil {
				return false
			}
			b, err := io.ReadAll(resp.Body)
			resp.Body.Close()
			body = string(b)
			return err == nil && resp.StatusCode == http.StatusOK && !slices.ContainsFunc(want, func(w string) bool { return !strings.Contains(body, w) })
		}, func() string { return fmt.Sprintf("%s lacks one of %q:\n%s", path, want, body) })
	}
	shown("/chain", "Shop north", "Shop south", "All is here")
	shown("/chain/north", "j-north", "U-north", "Wrench b00")
	shops["north"].send(t, 3)
	shops["north"].counted(t, "reading.taken", 3)
	shown("/chain", "All is here")
	end(hub)
	shown("/chain", "does not answer", "Shop north", "Not known")
	hub = openStore(t, storeOptions{name: "hub", data: hubDir, takes: takes, listen: strings.TrimPrefix(hub.ClientURL(), "nats://")})
	shown("/chain", "Shop north", "Shop south", "All is here")
}

// waitLong waits for what the engine takes its time for; its limit only ends a hang.
func waitLong(t *testing.T, fn func() bool, why string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for !fn() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatal(why)
		}
	}
}

// sameEntries compares the copy with the shop's own journal, byte for byte.
func sameEntries(t *testing.T, own *journal.Journal, hub, shop string) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Config{Shop: shop, URL: hub, Copy: true})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	last := j.Last()
	read := func(j *journal.Journal) (all []events.Written) {
		if err := j.ReadWritten(t.Context(), 1, last, func(ws []events.Written) error { all = append(all, ws...); return nil }); err != nil {
			t.Fatal(err)
		}
		return all
	}
	if a, b := read(own), read(j); uint64(len(a)) != last || fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("the copy of %s has %d entries, the shop %d, and they are not the same", shop, len(b), len(a))
	}
}
