package dashboards

import (
	"bufio"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
	"witnessmark/rules"
)

type liveMessage struct {
	id    uint64
	event string
	data  string
}

// listen opens a live stream; next reads one message that is no comment.
func (r *rig) listen(query string, lastID uint64) (next func() liveMessage, stop func()) {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, r.server.URL+"/live?"+query, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	if lastID > 0 {
		req.Header.Set("Last-Event-ID", strconv.FormatUint(lastID, 10))
	}
	resp, err := r.client.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	if ct := resp.Header.Get("Content-Type"); ct != "text/event-stream" {
		r.t.Fatalf("content type %q", ct)
	}
	sc := bufio.NewScanner(resp.Body)
	next = func() (m liveMessage) {
		r.t.Helper()
		for sc.Scan() {
			k, v, _ := strings.Cut(sc.Text(), ": ")
			switch k {
			case "id":
				m.id, _ = strconv.ParseUint(v, 10, 64)
			case "event":
				m.event = v
			case "data":
				m.data = v
			case "":
				if m.event != "" {
					return m
				}
			}
		}
		r.t.Fatalf("the stream ended: %v", sc.Err())
		return m
	}
	return next, func() { cancel(); resp.Body.Close() }
}

func (r *rig) cause() (c uint64) {
	r.service.View(func(st *rules.State) { c = st.Cause })
	return c
}

func patchOf(t *testing.T, m liveMessage) (p patch) {
	t.Helper()
	if m.event != "patch" {
		t.Fatalf("message %+v, want a patch", m)
	}
	if err := json.Unmarshal([]byte(m.data), &p); err != nil {
		t.Fatal(err)
	}
	return p
}

func TestLivePatches(t *testing.T) {
	r := newRig(t)
	r.open()
	r.get("/bench/axle") // the page; from here on patches are kept
	next, stop := r.listen("bench=axle&boot="+r.pages.hub.boot+"&after="+strconv.FormatUint(r.cause(), 10), 0)
	defer stop()
	r.pull("24.8")
	m := next()
	p := patchOf(t, m)
	if m.id != p.Seq || p.Reading == nil || p.Reading.Value != "24.8" || p.Reading.Verdict != "within" || p.Reading.Limits == "" {
		t.Errorf("message %d: %+v, reading %+v", m.id, p, p.Reading)
	}
	looks := map[string]rules.Look{}
	for _, k := range p.Marks {
		looks[k.ID] = k.Look
	}
	if looks["1"] != rules.LookPart || looks["4"] != rules.LookNext || len(looks) != 2 {
		t.Errorf("changed fasteners %v, want 1 partly done and 4 next, no others", looks)
	}
	if p.Next == nil || !strings.HasPrefix(p.Next.Where, "Fastener 4") || p.Reload {
		t.Errorf("next %+v, reload %v", p.Next, p.Reload)
	}
	r.pull("33.0") // high
	p = patchOf(t, next())
	if len(p.Alerts) != 1 || p.Alerts[0].State != "raised" || p.Alerts[0].Kind != "high" || p.Alerts[0].Todo == "" || !p.Reload {
		t.Errorf("patch of a high reading: %+v", p)
	}
	id := p.Alerts[0].ID
	r.ask(events.AlertAckAsked{Ask: r.by("ines"), Alert: id})
	p = patchOf(t, next())
	if len(p.Alerts) != 1 || p.Alerts[0].ID != id || p.Alerts[0].State != "seen" {
		t.Errorf("patch of an acknowledgement: %+v", p)
	}
}

func TestLiveResumes(t *testing.T) {
	r := newRig(t)
	r.open()
	r.get("/bench/axle")
	query := "bench=axle&boot=" + r.pages.hub.boot + "&after=" + strconv.FormatUint(r.cause(), 10)
	next, stop := r.listen(query, 0)
	r.pull("24.8")
	first := next()
	stop() // the cable is out
	r.pull("25.1")
	r.pull("25.2")
	next, stop = r.listen(query, first.id)
	for _, want := range []string{"25.1", "25.2"} {
		if p := patchOf(t, next()); p.Reading == nil || p.Reading.Value != want {
			t.Errorf("after the break came %+v, want %s", p.Reading, want)
		}
	}
	stop()
	for name, q := range map[string]struct {
		query string
		last  uint64
	}{
		"another run of the server": {strings.Replace(query, "boot=", "boot=x", 1), first.id},
		"from the future":           {query, first.id + 1000},
		"an old page":               {strings.Split(query, "&after")[0] + "&after=1", 0},
	} {
		next, stop := r.listen(q.query, q.last)
		if m := next(); m.event != "reset" {
			t.Errorf("%s: message %+v, want a reset", name, m)
		}
		stop()
	}
}

func TestLiveOfTheShop(t *testing.T) {
	r := newRig(t)
	r.open()
	r.get("/")
	next, stop := r.listen("boot="+r.pages.hub.boot+"&after="+strconv.FormatUint(r.cause(), 10), 0)
	defer stop()
	r.pull("24.8")
	if p := patchOf(t, next()); !p.Reload || p.Reading != nil {
		t.Errorf("patch %+v, want a bare reload", p)
	}
}

func TestLiveOfNoBench(t *testing.T) {
	r := newRig(t)
	r.open()
	if status, body := r.get("/live?bench=attic"); status != http.StatusNotFound || !strings.Contains(body, "attic") {
		t.Errorf("%d %s", status, body)
	}
}

// A client that reads nothing fills its queue, is dropped and counted, and
// the others go on.
func TestSlowClientIsDropped(t *testing.T) {
	st := everyLook()
	p := &Pages{cfg: Config{Service: &madeState{st: st}}}
	m := newMetrics(p)
	h := newHub(&madeState{st: st}, m, func() time.Time { return theDay })
	slow, _ := h.join("axle", position{})
	quick, _ := h.join("axle", position{})
	for i := range clientQueue + 1 {
		h.take([]Update{judgedAt(uint64(100 + i))})
		select {
		case <-quick.ch:
		default:
			t.Fatal("the quick client got nothing")
		}
	}
	select {
	case <-slow.gone:
	default:
		t.Error("the slow client was not dropped")
	}
	select {
	case <-quick.gone:
		t.Error("the quick client was dropped")
	default:
	}
	h.leave(slow) // its handler ends later: no harm
	if n := h.clients("axle"); n != 1 {
		t.Errorf("%d clients, want 1", n)
	}
}

func judgedAt(seq uint64) Update {
	return Update{Seq: seq, Decided: events.Decided{Cause: seq - 1, Outcomes: []events.Outcome{{Data: events.ReadingJudged{
		Reading: seq - 1, Job: "J-1", Step: "cover", Pass: 1, Fastener: "2", Verdict: events.Within, Bench: "axle", Text: "45.0", Unit: "N.m"}}}}}
}

// A client whose connection takes nothing is given up after writeLimit.
func TestStuckConnectionIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := everyLook()
		p := &Pages{cfg: Config{Service: &madeState{st: st}}}
		p.metrics = newMetrics(p)
		p.hub = newHub(&madeState{st: st}, p.metrics, time.Now)
		here, there := net.Pipe()
		defer there.Close()
		ln := &oneConn{conn: here, closed: make(chan struct{})}
		srv := &http.Server{Handler: http.HandlerFunc(p.live)}
		go srv.Serve(ln)
		go func() { _, _ = there.Write([]byte("GET /live?bench=axle HTTP/1.1\r\nHost: bench\r\n\r\n")) }()
		synctest.Wait() // the handler is in its first write, which nobody reads
		if n := p.hub.clients("axle"); n != 1 {
			t.Fatalf("%d clients, want 1", n)
		}
		<-time.After(writeLimit + time.Second) // by the bubble's clock
		synctest.Wait()
		if n := p.hub.clients("axle"); n != 0 {
			t.Errorf("%d clients after the limit, want 0", n)
		}
		srv.Close()
	})
}

// clients counts those of a bench.
func (h *hub) clients(bench string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.streams[bench].clients)
}

// oneConn is a listener with one connection.
type oneConn struct {
	conn   net.Conn
	closed chan struct{}
	given  bool
}

func (l *oneConn) Accept() (net.Conn, error) {
	if !l.given {
		l.given = true
		return l.conn, nil
	}
	<-l.closed
	return nil, net.ErrClosed
}
func (l *oneConn) Close() error   { close(l.closed); return nil }
func (l *oneConn) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)} }

// A crowd of decisions becomes one patch a bench, with the last reading.
func TestCrowdBecomesOnePatch(t *testing.T) {
	st := everyLook()
	p := &Pages{cfg: Config{Service: &madeState{st: st}}}
	h := newHub(&madeState{st: st}, newMetrics(p), func() time.Time { return theDay })
	c, _ := h.join("axle", position{})
	us := make([]Update, crowded)
	for i := range us {
		us[i] = judgedAt(uint64(100 + i))
	}
	h.take(us)
	if n := len(c.ch); n != 1 {
		t.Fatalf("%d messages, want 1", n)
	}
	if m := string(<-c.ch); !strings.Contains(m, "id: "+strconv.Itoa(99+crowded)+"\n") {
		t.Errorf("message %s: want the id of the last decision", m)
	}
}

// Nobody looks: what a decision costs the pages then.
func BenchmarkHubIdle(b *testing.B) { benchHub(b, false) }

// One client looks at the bench that every decision touches.
func BenchmarkHubOneClient(b *testing.B) { benchHub(b, true) }

func benchHub(b *testing.B, client bool) {
	st := everyLook()
	p := &Pages{cfg: Config{Service: &madeState{st: st}}}
	h := newHub(&madeState{st: st}, newMetrics(p), time.Now)
	read := func() {}
	if client {
		c, _ := h.join("axle", position{})
		read = func() { <-c.ch }
	}
	us := []Update{judgedAt(100)}
	b.ReportAllocs()
	for b.Loop() {
		us[0].Seq += 2
		us[0].Decided.Cause += 2
		h.take(us)
		read()
	}
}
