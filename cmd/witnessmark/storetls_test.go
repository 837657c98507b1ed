package main

import (
	"bufio"
	"crypto/tls"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/trust"
)

// madeAt makes a store's certificate as 'tls make --store' does, at some time.
func madeAt(t *testing.T, now time.Time) (cert, key string) {
	t.Helper()
	_, cert, key, err := makeCertificate(filepath.Join(t.TempDir(), "tls"), nil, 60, true, false, now)
	if err != nil {
		t.Fatal(err)
	}
	return cert, key
}

// trusting writes a trust file with some certificates.
func trusting(t *testing.T, certs ...string) string {
	t.Helper()
	var all []byte
	for _, c := range certs {
		b, err := os.ReadFile(c)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, b...)
	}
	name := filepath.Join(t.TempDir(), "trust.pem")
	if err := os.WriteFile(name, all, 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

func secretFile(t *testing.T) (name, secret string) {
	t.Helper()
	name, secret = filepath.Join(t.TempDir(), "secret"), "0123456789abcdef0123"
	if err := os.WriteFile(name, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return name, secret
}

// TestStoreOverTLS: a whole shop over a store that speaks TLS. A reading is
// stored and decided. Whoever trusts another certificate, brings no secret,
// speaks no TLS, or asks at a name that the certificate is not for, is refused,
// and told in words that say what to do; and so is a store whose certificate has
// ended, or that speaks without TLS where TLS is wanted.
func TestStoreOverTLS(t *testing.T) {
	t.Parallel()
	cert, key := madeAt(t, time.Now())
	file, secret := secretFile(t)
	srv := openStore(t, storeOptions{name: "store", data: t.TempDir(), secret: secret, cert: cert, key: key})
	addr := srv.Addr().String()
	good := func(cfg *config) { cfg.NATSTrust, cfg.NATSSecret = trusting(t, cert), file }
	s, stop := openShopWith(t, "north", "nats://"+addr, good)
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
	waitUntil(t, func() bool { return judged(t, s.journal) == 1 }, func() string { return "the reading is not decided" })
	stop()

	other, otherKey := madeAt(t, time.Now())
	old, oldKey := madeAt(t, time.Now().AddDate(0, 0, -90))
	expired := tlsServer(t, "127.0.0.1", old, oldKey)
	bare := openStore(t, storeOptions{name: "bare", data: t.TempDir()})
	elsewhere := tlsServer(t, "127.0.0.2", cert, key)
	for name, c := range map[string]struct {
		url    string
		change func(*config)
		says   []string
	}{
		"another certificate is trusted": {"nats://" + addr, func(cfg *config) { cfg.NATSTrust = trusting(t, other) }, []string{"unknown authority", "trust file here does not hold", fingerprintIn(t, cert)}},
		"nothing is trusted":             {"nats://" + addr, func(cfg *config) { cfg.NATSTrust = "" }, []string{"unknown authority", "trust file"}},
		"no secret":                      {"nats://" + addr, func(cfg *config) { cfg.NATSSecret = "" }, []string{"Authorization", "nats_secret"}},
		"a name that it is not for":      {"nats://" + elsewhere, func(*config) {}, []string{"127.0.0.2", "--name"}},
		"it has ended":                   {"nats://" + expired, func(cfg *config) { cfg.NATSTrust = trusting(t, old) }, []string{"expired", "tls make --replace"}},
		"no TLS over there":              {bare.ClientURL(), func(*config) {}, []string{"speaks without TLS"}},
		"far and no TLS":                 {"nats://192.0.2.7:4222", func(cfg *config) { cfg.NATSTrust = "" }, []string{"nats_trust", "nats_plain"}},
		"a trust file without any":       {"nats://" + addr, func(cfg *config) { cfg.NATSTrust = file }, []string{"no certificate"}},
		"a key in the trust file":        {"nats://" + addr, func(cfg *config) { cfg.NATSTrust = key }, []string{"no keys"}},
	} {
		cfg := defaultConfig()
		cfg.Data, cfg.NATSURL, cfg.LogLevel, cfg.JournalMax = t.TempDir(), c.url, "error", "1 GiB"
		good(&cfg)
		c.change(&cfg)
		j, err := openJournal(t.Context(), cfg, "north")
		if err == nil {
			j.Close()
		}
		for _, want := range c.says {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want it to say %q", name, err, want)
			}
		}
		if err != nil && strings.Contains(err.Error(), secret) {
			t.Errorf("%s: the error tells the secret: %v", name, err)
		}
	}
	if said := withoutTLS(t, addr, secret); strings.Contains(said, "PONG") {
		t.Errorf("a client that speaks no TLS is answered: %s", said)
	}
	// A store does not start with a certificate that is of no use.
	for name, c := range map[string]struct {
		o    storeOptions
		says string
	}{
		"it has ended":        {storeOptions{cert: old, key: oldKey}, "out of date"},
		"another one's key":   {storeOptions{cert: cert, key: otherKey}, "private key does not match"},
		"not for the address": {storeOptions{cert: cert, key: key, listen: "127.0.0.3:0"}, "--name"},
		"the others would not trust it": {storeOptions{cert: cert, key: key, trust: trusting(t, other), cluster: "127.0.0.1:0",
			nodes: []string{"127.0.0.1:1", "127.0.0.1:2", "127.0.0.1:3"}}, "would not trust"},
	} {
		c.o.name, c.o.data, c.o.secret, c.o.quiet, c.o.most = "bad", t.TempDir(), secret, true, 1<<30
		if c.o.listen == "" {
			c.o.listen = "127.0.0.1:0"
		}
		srv, err := c.o.start()
		if err == nil {
			end(srv)
		}
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("start a store, %s: %v, want it to say %q", name, err, c.says)
		}
	}
	// And doctor says how it stands.
	for name, c := range map[string]struct {
		addr   string
		change func(*config)
		here   bool
		state  string
		says   string
	}{
		"as it should be":        {addr, func(*config) {}, false, "good", fingerprintIn(t, cert)},
		"another is trusted":     {addr, func(cfg *config) { cfg.NATSTrust = trusting(t, other) }, false, "wrong", "trust file"},
		"far, without TLS":       {bare.Addr().String(), func(cfg *config) { cfg.NATSTrust, cfg.NATSSecret = "", "" }, false, "wrong", "without TLS"},
		"far, through a tunnel":  {bare.Addr().String(), func(cfg *config) { cfg.NATSTrust, cfg.NATSSecret, cfg.NATSPlain = "", "", "yes" }, false, "note", "without TLS"},
		"on loopback":            {bare.Addr().String(), func(cfg *config) { cfg.NATSTrust, cfg.NATSSecret = "", "" }, true, "good", "on this machine only"},
		"nobody there":           {"127.0.0.1:1", func(*config) {}, true, "wrong", "no NATS server"},
		"TLS and asks no secret": {tlsServer(t, "127.0.0.1", cert, key), func(*config) {}, false, "wrong", "asks for no secret"},
	} {
		cfg := defaultConfig()
		cfg.NATSURL = "nats://" + c.addr
		good(&cfg)
		c.change(&cfg)
		link, err := cfg.link()
		if err != nil {
			t.Fatal(err)
		}
		servers, err := journal.Servers(cfg.NATSURL)
		if err != nil {
			t.Fatal(err)
		}
		if f := examineStore(t.Context(), link, servers[0], c.here); f.State != c.state || !strings.Contains(f.Text, c.says) {
			t.Errorf("doctor, %s: %+v, want %s and %q", name, f, c.state, c.says)
		}
	}
}

func fingerprintIn(t *testing.T, cert string) string {
	t.Helper()
	c, err := trust.Read(cert)
	if err != nil {
		t.Fatal(err)
	}
	return trust.Fingerprint(c)
}

// judged counts the readings that have a decision.
func judged(t *testing.T, j *journal.Journal) (n int) {
	t.Helper()
	readings := map[uint64]bool{}
	if err := j.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			switch d := e.Data.(type) {
			case events.ReadingTaken:
				readings[e.Seq] = true
			case events.Decided:
				if readings[d.Cause] {
					n++
				}
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

// tlsServer is a server that shows a certificate without looking at it.
func tlsServer(t *testing.T, host, cert, key string) (addr string) {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	srv, err := server.NewServer(&server.Options{Host: host, Port: -1, NoLog: true, NoSigs: true,
		TLS: true, TLSConfig: &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	t.Cleanup(func() { end(srv) })
	if !srv.ReadyForConnections(5 * time.Minute) {
		t.Fatal("the server does not start")
	}
	return srv.Addr().String()
}

// withoutTLS speaks NATS at a store as if it took it without TLS, and returns
// what it is answered.
func withoutTLS(t *testing.T, addr, secret string) string {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.SetDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReader(c)
	if _, err := r.ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Fprintf(c, "CONNECT {\"verbose\":false,\"user\":%q,\"pass\":%q}\r\nPING\r\n", journal.StoreUser, secret); err != nil {
		t.Fatal(err)
	}
	said, _ := r.ReadString('\n') // an end is an answer too
	return said
}

// overheard keeps what a store says.
type overheard struct {
	server.Logger
	mu   sync.Mutex
	said []string
}

func (o *overheard) Errorf(format string, v ...any) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.said = append(o.said, fmt.Sprintf(format, v...))
}
func (o *overheard) Noticef(string, ...any) {}
func (o *overheard) Warnf(string, ...any)   {}
func (o *overheard) Fatalf(string, ...any)  {}
func (o *overheard) Debugf(string, ...any)  {}
func (o *overheard) Tracef(string, ...any)  {}

func (o *overheard) has(text string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, s := range o.said {
		if strings.Contains(s, text) {
			return true
		}
	}
	return false
}

// TestStoresCheckEachOther: three stores with a certificate each are a cluster,
// and keep a journal three times. One with a certificate that the others do not
// trust does not get in, though it has the secret; they say so. Of a hub and the
// stores of shops each checks the other in the same way.
func TestStoresCheckEachOther(t *testing.T) {
	t.Parallel()
	_, secret := secretFile(t)
	var nodes, certs, keys []string
	for range 4 { // the last is the foreign one
		addr, err := freePort()
		if err != nil {
			t.Fatal(err)
		}
		cert, key := madeAt(t, time.Now())
		nodes, certs, keys = append(nodes, addr), append(certs, cert), append(keys, key)
	}
	all := trusting(t, certs[:3]...)
	var stores []*server.Server
	var urls []string
	node := func(i int, trust string) *server.Server {
		return openStore(t, storeOptions{name: fmt.Sprintf("n%d", i+1), data: t.TempDir(), secret: secret,
			cluster: nodes[i], nodes: nodes[:3], cert: certs[i], key: keys[i], trust: trust})
	}
	for i := range 3 {
		stores = append(stores, node(i, all))
		urls = append(urls, "nats://"+stores[i].Addr().String())
	}
	cfg := defaultConfig()
	cfg.NATSURL, cfg.NATSTrust = strings.Join(urls, ","), all
	link, err := cfg.link()
	if err != nil {
		t.Fatal(err)
	}
	link.Secret = secret
	j, err := openPatiently(t.Context(), journal.Config{Shop: "north", URL: cfg.NATSURL, Link: link, Shared: true, Replicas: 3, MaxBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if _, err := j.Append(t.Context(), events.Event{Source: events.SourceDesk, Data: events.TimeReached{}}); err != nil {
		t.Fatal(err)
	}

	log := &overheard{}
	stores[0].SetLoggerV2(storeLog{log}, false, false, false)
	foreign := node(3, trusting(t, certs...)) // it trusts them, they do not trust it
	waitUntil(t, func() bool { return log.has("trust file") }, func() string { return "the nodes do not say that they refuse a foreign one" })
	if n := foreign.NumRoutes(); n != 0 {
		t.Errorf("the foreign node has %d routes", n)
	}

	takes, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	hub := openStore(t, storeOptions{name: "hub", data: t.TempDir(), secret: secret, takes: takes, cert: certs[0], key: keys[0], trust: trusting(t, certs[1])})
	hubLog, shopLog := &overheard{}, &overheard{}
	hub.SetLoggerV2(storeLog{hubLog}, false, false, false)
	shop := func(i int, trust string) *server.Server {
		return openStore(t, storeOptions{name: fmt.Sprintf("shop-%d", i), data: t.TempDir(), secret: secret, hub: takes, of: "north", cert: certs[i], key: keys[i], trust: trust})
	}
	shop(2, trusting(t, certs[0])) // the hub does not trust it
	waitUntil(t, func() bool { return hubLog.has("trust file") }, func() string { return "the hub does not say that it refuses a foreign store" })
	doubts := shop(1, trusting(t, certs[3])) // it does not trust the hub
	doubts.SetLoggerV2(storeLog{shopLog}, false, false, false)
	waitUntil(t, func() bool { return shopLog.has("trust file") }, func() string { return "the store does not say that it refuses a foreign hub" })
	if n := hub.NumLeafNodes(); n != 0 {
		t.Errorf("%d stores came in to the hub, want none yet", n)
	}
	end(doubts)
	shop(1, trusting(t, certs[0]))
	waitUntil(t, func() bool { return hub.NumLeafNodes() == 1 }, func() string { return "the store does not come in to the hub" })
}
