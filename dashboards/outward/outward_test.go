package outward

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/emersion/go-smtp"

	"witnessmark/events"
	"witnessmark/events/journal"
)

const day = events.Instant(1_772_438_400_000_000)

var secret = base64.StdEncoding.EncodeToString([]byte("0123456789abcdef0123456789abcdef"))

func alert(n int) events.AlertRaised {
	return events.AlertRaised{Alert: fmt.Sprintf("A%d-0", n), Kind: events.AlertMissed, Bench: "gearbox", Job: "j-1002", Step: "extension", Fasteners: []string{"5"},
		Text: "Extension housing: fastener 5 is not done (final pass).", Todo: "Pull fastener 5 to 25 N·m.", Blocks: true, AtUs: day}
}

// routes writes a file of routes and its secret, and loads it.
func routes(t *testing.T, text string) []Route {
	t.Helper()
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("secret", secret+"\n")
	write("password", "pass word\n")
	write("alerts.yaml", text)
	r, err := Load(filepath.Join(dir, "alerts.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// start runs an Outward and returns it with what it noted, as they come.
func start(t *testing.T, cfg Config) (*Outward, *journal.Memory, func()) {
	t.Helper()
	j, ok := cfg.Journal.(*journal.Memory)
	if !ok {
		j = journal.NewMemory("fenholt")
		cfg.Journal = j
	}
	cfg.Shop, cfg.Name = "fenholt", "Fenholt Driveline"
	cfg.Now = func() time.Time { return day.Time() }
	if cfg.Wait == nil {
		cfg.Wait = func(int) time.Duration { return time.Millisecond }
	}
	o := New(cfg)
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { _ = o.Run(ctx) })
	var once sync.Once
	stop := func() { once.Do(func() { cancel(); wg.Wait() }) }
	t.Cleanup(stop)
	return o, j, stop
}

// noted waits until the journal has a notice with a result for an alert, and
// returns all before it and it.
func noted(t *testing.T, j *journal.Memory, alert, route, result string) []events.NoticeTried {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	var all []events.NoticeTried
	found := fmt.Errorf("found")
	err := j.Follow(ctx, 1, func(es []events.Entry) error {
		for _, e := range es {
			n := e.Data.(events.NoticeTried)
			all = append(all, n)
			if n.Alert == alert && n.Route == route && n.Result == result {
				return found
			}
		}
		return nil
	})
	if err != found {
		t.Fatalf("no notice %s of %s by %s: %v; noted %+v", result, alert, route, err, all)
	}
	return all
}

type hook struct {
	*httptest.Server
	mu   sync.Mutex
	ids  []string
	fail int // how many to refuse first
	bad  []string
}

func newHook(t *testing.T, fail int) *hook {
	h := &hook{fail: fail}
	key, _ := base64.StdEncoding.DecodeString(secret)
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.mu.Lock()
		defer h.mu.Unlock()
		body, _ := io.ReadAll(r.Body)
		id := r.Header.Get("Webhook-Id")
		var ev struct {
			SpecVersion, ID, Type string
			Data                  events.AlertRaised
		}
		if Sign(key, id, day.Time(), body) != r.Header.Get("Webhook-Signature") || json.Unmarshal(body, &ev) != nil || ev.SpecVersion != "1.0" || ev.ID != id || ev.Data.Kind != events.AlertMissed {
			h.bad = append(h.bad, string(body))
		}
		if h.fail > 0 {
			h.fail--
			http.Error(w, "not now", http.StatusServiceUnavailable)
			return
		}
		h.ids = append(h.ids, id)
	}))
	t.Cleanup(h.Close)
	return h
}

// A webhook gets each alert once, signed, after failures too; an alert that is
// told again, and a start after it, send nothing more.
func TestWebhookGetsEachAlertOnce(t *testing.T) {
	h := newHook(t, 3)
	cfg := Config{Routes: routes(t, "routes:\n- name: hook\n  webhook: {url: \""+h.URL+"/x\", secret_file: secret, private: true}\n")}
	o, j, stop := start(t, cfg)
	o.Raised(alert(1), alert(1))
	all := noted(t, j, "A1-0", "hook", events.NoticeSent)
	o.Raised(alert(1), alert(2))
	noted(t, j, "A2-0", "hook", events.NoticeSent)
	stop()
	if len(all) != 8 || all[6].Try != 4 || !strings.Contains(all[1].Detail, "503") {
		t.Errorf("noted %+v, want three failures and then sent", all)
	}
	cfg.Journal, cfg.Open = j, []events.AlertRaised{alert(1), alert(2), alert(3)}
	cfg.Tried = noted(t, j, "A2-0", "hook", events.NoticeSent)
	_, _, stop = start(t, cfg)
	noted(t, j, "A3-0", "hook", events.NoticeSent)
	stop()
	if got := strings.Join(h.ids, " "); got != "fenholt-A1-0 fenholt-A2-0 fenholt-A3-0" || len(h.bad) > 0 {
		t.Errorf("the webhook took %q; badly signed or formed: %q", got, h.bad)
	}
}

// A try that a crash cut off is repeated to a webhook, which knows the id, and
// not to a mailbox.
func TestTryCutOff(t *testing.T) {
	h := newHook(t, 0)
	m := newMailbox(t)
	r := routes(t, "routes:\n- name: hook\n  webhook: {url: \""+h.URL+"\", secret_file: secret, private: true}\n"+
		"- name: post\n  mail: {server: \""+m.addr+"\", from: wm@fenholt.example, to: [maren@fenholt.example], tls: none}\n")
	_, j, stop := start(t, Config{Routes: r, Open: []events.AlertRaised{alert(1), alert(2)}, Tried: []events.NoticeTried{
		{Alert: "A1-0", Route: "hook", Result: events.NoticeSending, Try: 1}, {Alert: "A1-0", Route: "post", Result: events.NoticeSending, Try: 1},
	}})
	if all := noted(t, j, "A1-0", "hook", events.NoticeSent); all[len(all)-1].Try != 2 {
		t.Errorf("noted %+v, want a second try", all)
	}
	noted(t, j, "A2-0", "post", events.NoticeSent)
	stop()
	if got := m.all(); len(got) != 1 || !strings.Contains(got[0], "A2-0.fenholt@") {
		t.Errorf("mails %q, want the second alert alone", got)
	}
}

// mailbox is an SMTP server, by github.com/emersion/go-smtp.
type mailbox struct {
	addr string
	mu   sync.Mutex
	got  []string
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	m := &mailbox{}
	s := smtp.NewServer(m)
	s.AllowInsecureAuth = true
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m.addr = l.Addr().String()
	go func() { _ = s.Serve(l) }() // ends by Close
	t.Cleanup(func() { _ = s.Close() })
	return m
}

func (m *mailbox) NewSession(*smtp.Conn) (smtp.Session, error) { return &letter{m: m}, nil }

func (m *mailbox) all() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]string(nil), m.got...)
}

type letter struct {
	m  *mailbox
	to []string
}

func (l *letter) Mail(string, *smtp.MailOptions) error      { return nil }
func (l *letter) Rcpt(to string, _ *smtp.RcptOptions) error { l.to = append(l.to, to); return nil }
func (l *letter) Reset()                                    { l.to = nil }
func (l *letter) Logout() error                             { return nil }
func (l *letter) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	l.m.mu.Lock()
	defer l.m.mu.Unlock()
	l.m.got = append(l.m.got, strings.Join(l.to, ",")+"\n"+string(b))
	return err
}

// A mail arrives once, at everybody named, with what is wrong and what to do.
func TestMailArrives(t *testing.T) {
	m := newMailbox(t)
	o, j, stop := start(t, Config{Routes: routes(t, "routes:\n- name: post\n  kinds: [missed_fastener]\n  benches: [gearbox]\n"+
		"  mail: {server: \""+m.addr+"\", from: wm@fenholt.example, to: [maren@fenholt.example, tomas@fenholt.example], tls: none}\n")})
	other := alert(2)
	other.Bench = "axle"
	low := alert(3)
	low.Kind = events.AlertLow
	o.Raised(alert(1), other, low)
	noted(t, j, "A1-0", "post", events.NoticeSent)
	stop()
	got := m.all()
	if len(got) != 1 || !strings.HasPrefix(got[0], "maren@fenholt.example,tomas@fenholt.example\n") {
		t.Fatalf("mails: %q", got)
	}
	for _, want := range []string{"Subject: Fenholt Driveline, job j-1002: Extension housing", "fastener 5 is not done", "What to do: Pull fastener 5"} {
		if !strings.Contains(strings.ReplaceAll(got[0], "=\r\n", ""), want) {
			t.Errorf("the mail lacks %q:\n%s", want, got[0])
		}
	}
}

// A server that does no TLS gets no mail unless the route says so.
func TestMailWantsTLS(t *testing.T) {
	m := newMailbox(t)
	o, j, stop := start(t, Config{Wait: func(int) time.Duration { return time.Hour }, Routes: routes(t, "routes:\n- name: post\n  mail: {server: \""+m.addr+"\", from: wm@fenholt.example, to: [maren@fenholt.example]}\n")})
	o.Raised(alert(1))
	all := noted(t, j, "A1-0", "post", events.NoticeFailed)
	stop()
	if len(m.all()) > 0 || !strings.Contains(strings.ToUpper(all[len(all)-1].Detail), "TLS") {
		t.Errorf("mails %q, noted %+v", m.all(), all)
	}
}

// A horn on a relay is switched on and off again.
func TestRelaySounds(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Skip("SKIPPED: no pseudo-terminals: ", err)
	}
	defer master.Close()
	defer slave.Close()
	o, j, stop := start(t, Config{Routes: routes(t, "routes:\n- name: horn\n  all: true\n  relay: {port: \""+slave.Name()+"\", on: \"A0 01 01 A2\", off: A00100A1, for: 10ms}\n")})
	o.Raised(alert(1))
	got := make([]byte, 8)
	if _, err := io.ReadFull(master, got); err != nil || string(got) != "\xa0\x01\x01\xa2\xa0\x01\x00\xa1" {
		t.Errorf("the relay got % x, %v", got, err)
	}
	noted(t, j, "A1-0", "horn", events.NoticeSent)
	stop()
}

// Without private: true no webhook reaches the shop's own network, neither by
// address nor by a name that resolves there.
func TestWebhookStaysOutside(t *testing.T) {
	for _, a := range []string{"127.0.0.1:80", "10.1.2.3:443", "192.168.0.9:443", "172.16.9.9:1", "169.254.169.254:80", "[::1]:443", "[fe80::1]:443", "[fd00::1]:443",
		"[::ffff:10.0.0.1]:443", "0.0.0.0:80", "100.64.1.1:443", "224.0.0.1:443", "[64:ff9b::a00:1]:443", "[2002:a00:1::]:443", "255.255.255.255:9", "nonsense"} {
		if publicOnly(a) == nil {
			t.Errorf("%s passes as public", a)
		}
	}
	for _, a := range []string{"9.9.9.9:443", "[2606:4700:4700::1111]:443"} {
		if err := publicOnly(a); err != nil {
			t.Errorf("%s: %v", a, err)
		}
	}
	h := newHook(t, 0)
	key, _ := base64.StdEncoding.DecodeString(secret)
	a := alert(1)
	w := Webhook{URL: strings.Replace(h.URL, "127.0.0.1", "localhost", 1), secret: key}
	if err := w.post(t.Context(), "fenholt", &a, day.Time()); err == nil || !strings.Contains(err.Error(), "not a public one") {
		t.Errorf("a name that resolves to this machine: %v", err)
	}
	jump := httptest.NewServer(http.RedirectHandler(h.URL, http.StatusFound))
	defer jump.Close()
	w = Webhook{URL: jump.URL, secret: key, Private: true}
	if err := w.post(t.Context(), "fenholt", &a, day.Time()); err == nil || len(h.ids) > 0 {
		t.Errorf("a redirect was followed: %v", err)
	}
}

// The signature is that of the worked example in the Standard Webhooks
// specification 1.0.0 (secret, id, time and payload of its test vector; from
// memory).
func TestSignatureOfTheSpecification(t *testing.T) {
	key, err := decodeSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	if got := Sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`)); got != "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" {
		t.Errorf("signed %s", got)
	}
}

// What is wrong in a file of routes is said, all of it, and no secret shows.
func TestRoutesThatAreWrong(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"short": "QUJD", "open": secret} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(filepath.Join(dir, "open"), 0o644); err != nil {
		t.Fatal(err)
	}
	for text, wants := range map[string][]string{
		"routes:\n- name: A b\n": {"want a name of lower-case", "exactly one of webhook"},
		"routes:\n- name: a\n  webhook: {url: \"http://x/\", secret_file: short}\n":                                       {"want https", "24 to 64 bytes"},
		"routes:\n- name: a\n  webhook: {url: \"https://u:p@x/\", secret_file: none}\n":                                   {"user or password", "no such file"},
		"routes:\n- name: a\n  webhook: {url: \"https://x/\", secret_file: open}\n":                                       {"can be read by others"},
		"routes:\n- name: a\n  mail: {server: x, from: \"\", to: [], tls: maybe}\n":                                       {"want host:port", "nobody is named", "no mail address", "want starttls"},
		"routes:\n- name: a\n  mail: {server: \"x:25\", from: a@b, to: [c@d], tls: none, user: u, password_file: open}\n": {"in clear"},
		"routes:\n- name: a\n  relay: {on: xx}\n- name: a\n  relay: {port: p, on: aa, off: bb, for: 2m}\n":                {"serial port", "hexadecimal", "switched off", "twice", "at most a minute"},
		"routez: []\n": {"routez"},
	} {
		name := filepath.Join(dir, "alerts.yaml")
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := Load(name)
		if err == nil {
			t.Errorf("%s: no error", text)
			continue
		}
		for _, want := range wants {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v lacks %q", text, err, want)
			}
		}
		if strings.Contains(err.Error(), secret) || strings.Contains(err.Error(), "QUJD") {
			t.Errorf("an error shows a secret: %v", err)
		}
	}
}
