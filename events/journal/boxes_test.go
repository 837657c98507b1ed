package journal

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"witnessmark/events"
)

// freePort returns a loopback address that nobody listens at. It is below those
// that the system gives to connections and to who asks for any, so nobody else
// takes it while a line is cut or a server is down.
func freePort(t *testing.T) string {
	t.Helper()
	var last error
	for range 1000 {
		l, err := net.Listen("tcp", fmt.Sprint("127.0.0.1:", 15000+rand.IntN(17000)))
		if err == nil {
			l.Close()
			return l.Addr().String()
		}
		last = err
	}
	t.Fatal("no port is free: ", last)
	return ""
}

func userKey(t *testing.T) (seed []byte, public string) {
	t.Helper()
	k, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	seed, err1 := k.Seed()
	public, err2 := k.PublicKey()
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	return seed, public
}

// shopWithBoxes is a shop's journal and what its boxes need to reach it.
type shopWithBoxes struct {
	*Journal
	cfg   Config
	addr  string
	seeds map[string][]byte
}

func openShop(t *testing.T, boxes ...string) *shopWithBoxes {
	t.Helper()
	s := &shopWithBoxes{addr: freePort(t), seeds: map[string][]byte{}}
	s.cfg = Config{Shop: "fenholt", Dir: t.TempDir(), MinFree: 1, MaxBytes: 1 << 30, Boxes: &Boxes{Listen: s.addr}}
	for _, id := range boxes {
		seed, public := userKey(t)
		s.seeds[id] = seed
		s.cfg.Boxes.Boxes = append(s.cfg.Boxes.Boxes, Box{ID: id, Key: public})
	}
	s.open(t)
	t.Cleanup(func() { s.Close() })
	return s
}

func (s *shopWithBoxes) open(t *testing.T) {
	t.Helper()
	var err error
	if s.Journal, err = Open(context.Background(), s.cfg); err != nil {
		t.Fatal(err)
	}
}

func openBox(t *testing.T, s *shopWithBoxes, id, dir, addr string, change func(*Config)) *Journal {
	t.Helper()
	cfg := Config{Shop: "fenholt", Dir: dir, MinFree: 1, MaxBytes: 1 << 30, Uplink: &Uplink{Box: id, Shop: addr, Seed: s.seeds[id]}}
	if change != nil {
		change(&cfg)
	}
	j, err := Open(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

// take puts arrivals into the shop's journal until ctx ends.
func (s *shopWithBoxes) take(ctx context.Context, box string) error {
	return s.Arrivals(ctx, box, func(as []Arrival, _ uint64) error {
		for _, a := range as {
			if a.Err != nil {
				return a.Err
			}
			if _, err := s.Append(ctx, a.Event); err != nil {
				return err
			}
		}
		return nil
	})
}

// taking takes in the background until the test ends or stop is called.
func (s *shopWithBoxes) taking(t *testing.T, box string) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() {
		if err := s.take(ctx, box); err != nil && ctx.Err() == nil && !errors.Is(err, ErrClosed) {
			t.Error(err)
		}
	})
	stop = func() { cancel(); done.Wait() }
	t.Cleanup(stop)
	return stop
}

// relay passes bytes on to target until it is cut.
type relay struct {
	addr   string
	target string
	mu     sync.Mutex
	l      net.Listener
	conns  []net.Conn
	done   sync.WaitGroup
}

func newRelay(t *testing.T, target string) *relay {
	r := &relay{addr: freePort(t), target: target}
	r.mend(t)
	t.Cleanup(func() { r.cut(); r.done.Wait() })
	return r
}

func (r *relay) mend(t *testing.T) {
	t.Helper()
	l, err := net.Listen("tcp", r.addr)
	if err != nil {
		t.Fatal(err)
	}
	r.l = l
	r.done.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			d, err := net.Dial("tcp", r.target)
			if err != nil {
				c.Close()
				continue
			}
			r.mu.Lock()
			r.conns = append(r.conns, c, d)
			r.mu.Unlock()
			r.done.Go(func() { pass(c, d) })
			r.done.Go(func() { pass(d, c) })
		}
	})
}

func pass(to, from net.Conn) {
	defer to.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (r *relay) cut() {
	r.l.Close()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.conns {
		c.Close()
	}
	r.conns = nil
}

func frame(device string, n int) events.Event {
	return events.Event{Source: events.DeviceSource(device), Time: events.Instant(1e15 + n), Subject: device,
		Data: events.FrameRefused{Device: device, Bench: "axle", Bytes: fmt.Append(nil, n), Reason: "noise", ReceivedAtUs: events.Instant(1e15 + n)}}
}

// inOrder checks that the shop has n frames of a device, once each and in order.
func (s *shopWithBoxes) inOrder(t *testing.T, device string, n int) {
	t.Helper()
	source := events.DeviceSource(device)
	if got := s.LastNumber(source); got != uint64(n) {
		t.Errorf("the shop has %d events of %s, want %d", got, source, n)
	}
	next := 1
	for _, e := range readAll(t, s.Journal, 1, 0) {
		if e.Source != source {
			continue
		}
		if f := e.Data.(events.FrameRefused); e.Number != uint64(next) || string(f.Bytes) != fmt.Sprint(next) {
			t.Fatalf("entry %d is number %d with %q, want %d", e.Seq, e.Number, f.Bytes, next)
		}
		next++
	}
	if next != n+1 {
		t.Errorf("%d entries of %s, want %d", next-1, source, n)
	}
	if h := s.Holes(); len(h) > 0 {
		t.Errorf("holes: %v", h)
	}
}

// TestBoxStoresAndForwards cuts the line between a bench box and its shop: what
// the box takes meanwhile comes afterwards, once and in order. Both are
// restarted once, the box while the line is cut, the shop while it catches up.
func TestBoxStoresAndForwards(t *testing.T) {
	s := openShop(t, "axle", "gear")
	r := newRelay(t, s.addr)
	dir := t.TempDir()
	box := openBox(t, s, "axle", dir, r.addr, nil)
	stop := s.taking(t, "axle")
	n := 0
	put := func(count int) {
		t.Helper()
		for range count {
			n++
			mustAppend(t, box, frame("k1", n))
		}
	}
	put(50)
	eventually(t, func() bool { return s.LastNumber("device/k1") == 50 })
	links, err := s.BoxLinks(context.Background())
	if err != nil || !links["axle"].Up || links["gear"].Up {
		t.Errorf("links %+v, %v; want axle up alone", links, err)
	}
	r.cut()
	eventually(t, func() bool { return !box.UplinkUp() })
	put(300)
	if err := box.Close(); err != nil {
		t.Fatal(err)
	}
	box = openBox(t, s, "axle", dir, r.addr, nil)
	put(300)
	if got := s.LastNumber("device/k1"); got != 50 {
		t.Errorf("%d events came over a line that is cut", got)
	}
	stop()
	r.mend(t)
	eventually(t, func() bool { return box.UplinkUp() })
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s.open(t)
	s.taking(t, "axle")
	put(50)
	eventually(t, func() bool { return s.LastNumber("device/k1") == uint64(n) })
	s.inOrder(t, "k1", n)
}

// TestBoxMayNot tries what a bench box has no business to do, as a program that
// has the box's key and obeys nothing. All is refused; what it forges in its own
// stream under another source does not come at all.
func TestBoxMayNot(t *testing.T) {
	s := openShop(t, "axle", "gear")
	mustAppend(t, s.Journal, ask("desk", 0), ask("desk", 0))
	mustAppend(t, s.Journal, frame("secret", 1))
	rogue, err := rogueServer(t, s.addr, s.seeds["axle"])
	if err != nil {
		t.Fatal(err)
	}
	eventually(t, func() bool { return rogue.NumLeafNodes() == 1 })
	nc, err := nats.Connect("", nats.InProcessServer(rogue))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	heard, err := nc.SubscribeSync(">")
	if err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	tries := 0
	js := func(prefix, what, body string) {
		t.Helper()
		tries++
		m, err := nc.Request(prefix+what, []byte(body), 200*time.Millisecond)
		if err == nil && !strings.Contains(string(m.Data), `"error"`) {
			t.Errorf("request %s%s was answered: %s", prefix, what, m.Data)
		}
	}
	for _, prefix := range []string{"$JS.shop.API.", "$JS.gear.API.", "$JS.API."} {
		own := prefix == "$JS.API." // the rogue's own server answers that: only what names the shop's streams may fail
		for _, x := range [][2]string{
			{"STREAM.DELETE.wm-fenholt", ""}, {"STREAM.PURGE.wm-fenholt", ""}, {"STREAM.INFO.wm-fenholt", ""},
			{"STREAM.MSG.GET.wm-fenholt", `{"seq":1}`}, {"DIRECT.GET.wm-fenholt", `{"seq":1}`}, {"STREAM.MSG.DELETE.wm-fenholt", `{"seq":1}`},
			{"STREAM.UPDATE.wm-fenholt", `{"name":"wm-fenholt","subjects":["x"]}`},
			{"STREAM.DELETE.wm-fenholt-from-axle", ""}, {"STREAM.PURGE.wm-fenholt-from-gear", ""},
			{"CONSUMER.CREATE.wm-fenholt", `{"stream_name":"wm-fenholt","config":{"deliver_subject":"spy","ack_policy":"none"}}`},
			{"CONSUMER.DELETE.wm-fenholt.x", ""}, {"STREAM.SNAPSHOT.wm-fenholt", `{"deliver_subject":"spy"}`},
		} {
			js(prefix, x[0], x[1])
		}
		if !own {
			js(prefix, "STREAM.CREATE.mine", `{"name":"mine","subjects":["mine.>"],"storage":"file"}`)
			js(prefix, "STREAM.NAMES", "")
			js(prefix, "INFO", "")
		}
	}
	for _, subject := range []string{
		"wm.fenholt.ev.rules", "wm.fenholt.ev.desk", "wm.fenholt.ev.device.k1", "wm.fenholt.ev.device.g1",
		"wm.box.gear.d.S.x", "wm.box.gear.clock", "$JS.FC.wm-fenholt-box-gear.x", "$JS.ACK.wm-fenholt.x.1.1.1.1.1", "$SYS.REQ.SERVER.PING",
	} {
		tries++
		if err := nc.PublishMsg(&nats.Msg{Subject: subject, Data: []byte("x"), Header: nats.Header{"ce-source": {"wm/fenholt/rules"}, "ce-id": {"1"}, "ce-type": {"x"}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	// What the shop writes after that has come after all that was tried.
	mustAppend(t, s.Journal, ask("desk", 0))
	if got := readAll(t, s.Journal, 1, 0); len(got) != 4 || s.Stats().State != StateOK {
		t.Errorf("the journal has %d entries, want 4; %+v", len(got), s.Stats())
	}
	for {
		m, err := heard.NextMsg(100 * time.Millisecond)
		if err != nil {
			break
		}
		if strings.HasPrefix(m.Subject, "spy") || strings.Contains(string(m.Data), "secret") {
			t.Errorf("heard %s: %.80s", m.Subject, m.Data)
		}
	}
	t.Logf("%d tries of a bench box refused", tries)
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	if err := s.take(ctx, "gear"); err == nil || ctx.Err() == nil {
		t.Errorf("arrivals of the other box: %v, want none until there is no more time", err)
	}
	if got := readAll(t, s.Journal, 1, 0); len(got) != 4 {
		t.Errorf("the journal has %d entries after the arrivals of the other box, want 4", len(got))
	}
}

// TestBoxForges: a box that writes decisions, or readings of another's source,
// into its own stream. Decisions are not carried over at all, and a message
// whose headers name another source than its subject is not read.
func TestBoxForges(t *testing.T) {
	s := openShop(t, "axle")
	rogue, err := rogueServer(t, s.addr, s.seeds["axle"])
	if err != nil {
		t.Fatal(err)
	}
	nc, err := nats.Connect("", nats.InProcessServer(rogue))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	n := naming{"fenholt"}
	if _, err := js.CreateStream(context.Background(), jetstream.StreamConfig{Name: n.boxStream("axle"), Subjects: []string{n.all()}}); err != nil {
		t.Fatal(err)
	}
	forge := func(subject, source, typ, data string) {
		t.Helper()
		m := &nats.Msg{Subject: "wm.fenholt.ev." + subject, Data: []byte(data), Header: nats.Header{
			headerSource: {"wm/fenholt/" + source}, headerID: {"1"}, headerType: {typ}}}
		if _, err := js.PublishMsg(context.Background(), m); err != nil {
			t.Fatal(err)
		}
	}
	forge("rules", "rules", "com.witnessmark.rules.decided.v1", "{}")
	forge("desk", "desk", "x", "{}")
	forge("device.k1", "rules", "x", "{}")
	forge("device.k1", "device/k1", "no such type", "{}")
	var got []Arrival
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	err = s.Arrivals(ctx, "axle", func(as []Arrival, _ uint64) error {
		if got = append(got, as...); len(got) == 2 {
			return errors.New("enough")
		}
		return nil
	})
	if len(got) != 2 || got[0].Err == nil || got[1].Err == nil {
		t.Fatalf("arrivals %+v, %v; want two that cannot be read", got, err)
	}
}

// TestBoxNeedsItsKey: a key that the shop does not know, another box's name with
// one's own key, and no key at all.
func TestBoxNeedsItsKey(t *testing.T) {
	s := openShop(t, "axle")
	stranger, _ := userKey(t)
	var rogues []*server.Server
	for _, seed := range [][]byte{stranger, nil} {
		r, err := rogueServer(t, s.addr, seed)
		if err != nil {
			t.Fatal(err)
		}
		rogues = append(rogues, r)
	}
	good := openBox(t, s, "axle", t.TempDir(), s.addr, nil)
	eventually(t, func() bool { return good.UplinkUp() })
	for i, r := range rogues {
		if r.NumLeafNodes() > 0 && leafStays(r) {
			t.Errorf("server %d without a known key is connected", i)
		}
	}
	// The listener takes leaf nodes, not clients.
	if nc, err := nats.Connect("nats://"+s.addr, nats.Timeout(time.Second), nats.MaxReconnects(0)); err == nil {
		nc.Close()
		t.Error("a client could connect to the listener for bench boxes")
	}
}

// leafStays reports whether the server keeps its leaf connection: it counts one
// until the other side refuses, which a slow machine may take its time for.
func leafStays(r *server.Server) bool {
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		if r.NumLeafNodes() == 0 {
			return false
		}
	}
	return true
}

// rogueServer is a server in a bench box's place that keeps to none of its
// rules.
func rogueServer(t *testing.T, addr string, seed []byte) (*server.Server, error) {
	opts := &server.Options{ServerName: "rogue", DontListen: true, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir(), JetStreamMaxStore: 1 << 30, JetStreamMaxMemory: 1 << 20}
	(&Uplink{Box: "axle", Shop: addr, Seed: seed}).connectTo(opts)
	opts.LeafNode.Remotes[0].DenyImports = nil
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, err
	}
	srv.Start()
	t.Cleanup(func() { stopServer(srv) })
	if !srv.ReadyForConnections(5 * time.Minute) {
		return nil, errors.New("server does not start")
	}
	return srv, nil
}

// TestBoxClock: the shop measures by how much a bench box's clock is off.
func TestBoxClock(t *testing.T) {
	s := openShop(t, "axle")
	const ahead = 7*time.Minute + 3*time.Second
	box := openBox(t, s, "axle", t.TempDir(), s.addr, func(c *Config) {
		c.Now = func() time.Time { return time.Now().Add(ahead) }
	})
	eventually(t, func() bool { return box.UplinkUp() })
	var o ClockOffset
	eventually(t, func() bool {
		var err error
		o, err = s.CompareClocks(context.Background(), "axle")
		return err == nil
	})
	if d := (o.Ahead - ahead).Abs(); d > o.RoundTrip/2+time.Millisecond {
		t.Errorf("ahead by %v, want %v within half the round trip of %v", o.Ahead, ahead, o.RoundTrip)
	}
}

// TestOffset: by hand. The question takes 10 ms on its way, the box 1 ms to
// answer, the answer 20 ms back; its clock is 100 s ahead. The asymmetry of 10 ms
// makes an error of 5 ms, less than half the round trip of 30 ms.
func TestOffset(t *testing.T) {
	got := offset(0, 100_010_000, 100_011_000, 31_000)
	if want := (ClockOffset{Ahead: 100*time.Second - 5*time.Millisecond, RoundTrip: 30 * time.Millisecond}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// TestBoxesConfig: what cannot be right is refused, and said.
func TestBoxesConfig(t *testing.T) {
	_, key := userKey(t)
	seed, _ := userKey(t)
	one := []Box{{ID: "axle", Key: key}}
	for _, c := range []struct {
		name string
		cfg  Config
		want string
	}{
		{"open to all without a certificate", Config{Boxes: &Boxes{Listen: "0.0.0.0:7422", Boxes: one}}, "needs a certificate"},
		{"a name, which may be anywhere", Config{Boxes: &Boxes{Listen: "shop.example:7422", Boxes: one}}, "needs a certificate"},
		{"no box", Config{Boxes: &Boxes{Listen: "127.0.0.1:7422"}}, "enrol one"},
		{"no port", Config{Boxes: &Boxes{Listen: "127.0.0.1", Boxes: one}}, "host:port"},
		{"no key", Config{Boxes: &Boxes{Listen: "127.0.0.1:7422", Boxes: []Box{{ID: "axle"}}}}, "public key"},
		{"one key twice", Config{Boxes: &Boxes{Listen: "127.0.0.1:7422", Boxes: append(one, Box{ID: "gear", Key: key})}}, "of its own"},
		{"server elsewhere", Config{URL: "nats://127.0.0.1:1", Boxes: &Boxes{Listen: "127.0.0.1:7422", Boxes: one}}, "embedded server"},
		{"both", Config{Boxes: &Boxes{Listen: "127.0.0.1:7422", Boxes: one}, Uplink: &Uplink{Box: "axle", Shop: "127.0.0.1:1", Seed: seed}}, "takes no bench boxes"},
		{"secret key broken", Config{Uplink: &Uplink{Box: "axle", Shop: "127.0.0.1:1", Seed: []byte("SUX")}}, "secret key"},
	} {
		c.cfg.Shop, c.cfg.Dir = "fenholt", t.TempDir()
		if err := c.cfg.Validate(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
