package main

import (
	"bytes"
	"context"
	"encoding/pem"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/access"
	"witnessmark/events"
)

// peopledShop is a bench shop with a person of each role.
func peopledShop() events.Shop {
	shop := benchShop(1)
	shop.People = append(shop.People,
		events.Person{ID: "metro", Name: "Metrology", Role: events.RoleMetrology},
		events.Person{ID: "owner", Name: "Owner", Role: events.RoleOwner},
		events.Person{ID: "audit", Name: "Auditor", Role: events.RoleAuditor})
	return shop
}

// served runs the service for a test and returns it once its pages answer.
func served(t *testing.T, cfg config, shop events.Shop) *stack {
	t.Helper()
	cfg.LogLevel, cfg.MinFree, cfg.JournalMax, cfg.cost = "error", "1 MiB", "1 GiB", access.Cost{Passes: 1, Memory: 64, Threads: 1}
	shop.Devices = nil
	s, err := openStack(t.Context(), cfg, shop)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- s.run(ctx, func(context.Context) error { close(ready); return nil }) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	select {
	case <-ready:
	case <-time.After(5 * time.Minute):
		t.Fatal("the service did not get ready")
	}
	return s
}

// say runs a command with what is typed.
func say(t *testing.T, typed string, args ...string) (string, error) {
	t.Helper()
	root := newRoot()
	var out bytes.Buffer
	root.SetArgs(args)
	root.SetIn(strings.NewReader(typed))
	root.SetOut(&out)
	root.SetErr(&out)
	err := root.ExecuteContext(t.Context())
	return out.String(), err
}

func must0(t *testing.T, typed string, args ...string) string {
	t.Helper()
	out, err := say(t, typed, args...)
	if err != nil {
		t.Fatalf("witnessmark %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(out)
}

// asksAs says for every command that talks to the service by which line of the
// table it is judged, and with which arguments it is tried; without any, with
// those of its example.
var asksAs = map[string]struct{ line, args string }{
	"job open": {access.Ask + "job.asked", ""}, "job pause": {access.Ask + "job_pause.asked", ""}, "job resume": {access.Ask + "job_resume.asked", ""},
	"job handover": {access.Ask + "hand_over.asked", ""}, "job release": {access.Ask + "release.asked", ""}, "job abandon": {access.Ask + "abandon.asked", ""},
	"job answer": {access.Ask + "question.answered", ""}, "job audit": {access.Ask + "residual_audit.asked", ""}, "job turned": {access.Ask + "closing_turn.reported", ""},
	"job confirm": {access.Ask + "step_confirm.asked", ""}, "job item": {access.Ask + "item_answer.asked", ""}, "job decide-item": {access.Ask + "item_decision.asked", ""},
	"job leave-open": {access.Ask + "loose_end_open.asked", ""}, "job close": {access.Ask + "loose_end_close.asked", ""}, "job release-hold": {access.Ask + "hold_release.asked", ""},
	"job badge": {access.Ask + "badge.scanned", ""}, "job scan": {access.Ask + "part.scanned", ""}, "job part": {access.Ask + "part.answered", ""},
	"job part-undo": {access.Ask + "part_undo.asked", ""}, "job pair": {access.Ask + "press_ready.asked", ""}, "job recheck": {access.Ask + "press.rechecked", ""},
	"job photo":         {"POST /photo", "job photo j-1 FILE"},
	"procedure release": {access.Ask + "procedure.offered", "procedure release FILE"}, "procedure forget": {access.Ask + "learning_forget.asked", ""},
	"record":      {"GET /jobs/{job}/sealed", "record j-1 -o -"},
	"shims count": {access.Ask + "shim_stock.asked", ""}, "shims receive": {access.Ask + "shim_stock.asked", ""}, "shims take": {access.Ask + "shim_stock.asked", ""},
	"shims found": {access.Ask + "shim_found.asked", ""}, "shims fit": {access.Ask + "shim_fit.asked", ""},
	"tool adjust": {access.Ask + "tool_adjust.asked", ""}, "tool assign": {access.Ask + "reading_assign.asked", ""}, "tool calibrate": {access.Ask + "calibration.asked", ""},
	"tool certificate": {access.Ask + "certificate.asked", "tool certificate k2 --number L-1 --laboratory x --date 2026-11-20"}, "tool check": {access.Ask + "check.asked", ""}, "tool drop": {access.Ask + "calibration_drop.asked", ""},
	"tool paper": {"PUT /papers/{hash}", "tool paper FILE"},
	"tool judge": {access.Ask + "calibration_close.asked", ""}, "tool list": {"GET /api/tools", "tool list"}, "tool move": {access.Ask + "tool_move.asked", ""},
	"tool override": {access.Ask + "override.asked", ""}, "tool pair": {access.Ask + "calibration_pair.asked", ""}, "tool undo": {access.Ask + "calibration_undo.asked", ""},
	"tool recall close": {access.Ask + "recall_line.asked", ""},
	"access list":       {"GET /access", "access list"}, "access refusals": {"GET /access/refusals", "access refusals"}, "access secret": {"POST /access/secret", "access secret nobody-here"},
	"access forget": {"POST /access/forget", "access forget nobody-here"}, "access code": {"POST /access/enrol", "access code x --bench none"}, "access remove": {"POST /access/remove", "access remove none"},
}

// notTried are commands that talk to the service and are tried elsewhere.
var notTried = map[string]string{
	"access begin": "open to all, with a code: TestOwnerCode", "access enrol": "open to all, with a code: TestEveryRouteEveryRole",
	"sign-in": "open to all", "sign-out": "open to all", "tool recall": "asks with --open alone, after it has read the ledger: the request recall.asked is in TestEveryRequestEveryRole",
}

// words splits a line as a shell does, as far as the examples need it.
func words(line string) (out []string) {
	var w strings.Builder
	var quote rune
	in := false
	for _, r := range line {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '\'' || r == '"'):
			quote, in = r, true
		case quote == 0 && r == ' ':
			if in {
				out = append(out, w.String())
			}
			w.Reset()
			in = false
		case quote == 0 && r == '#' && !in:
			return out
		default:
			w.WriteRune(r)
			in = true
		}
	}
	if in {
		out = append(out, w.String())
	}
	return out
}

// TestEveryCommandEveryRole runs every command that asks the running service,
// as a person of each role, as nobody, as an enrolled screen and monitor, and
// with a session that has ended. Refused is what the service counts as refused.
func TestEveryCommandEveryRole(t *testing.T) {
	if testing.Short() {
		t.Skip("a service and some 450 commands")
	}
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	t.Chdir(t.TempDir())
	cfg := defaultConfig()
	cfg.Data, cfg.Listen = t.TempDir(), "127.0.0.1:0"
	at, passed := time.Now(), new(atomic.Int64)
	cfg.now = func() time.Time { return at.Add(time.Duration(passed.Load())) }
	s := served(t, cfg, peopledShop())
	server := "--server=" + s.url()

	const secret = "a secret of some length"
	must0(t, s.access.NewOwnerCode()+"\n"+secret+"\n", "access", "begin", "owner", server)
	tokens := map[string]string{"nobody": "", "expired": "a-token-that-is-none"}
	people := map[string]string{"auditor": "audit", "technician": "tech", "metrology": "metro", "lead": "lead", "owner": "owner"}
	keep := func(kind, id string) {
		must0(t, secret+"\n", "sign-in", id, server)
		in, err := signedInAt(s.url())
		if err != nil || in.Token == "" {
			t.Fatal("no session is kept: ", err)
		}
		tokens[kind] = in.Token
		if err := keepSession(s.url(), signedIn{}); err != nil {
			t.Fatal(err)
		}
	}
	keep("owner", "owner")
	t.Setenv(tokenEnv, tokens["owner"])
	for kind, id := range people {
		if kind != "owner" {
			must0(t, secret+"\n", "access", "secret", id, server)
		}
	}
	enrol := func(args ...string) string {
		code, _, _ := strings.Cut(must0(t, "", append([]string{"access", "code", server}, args...)...), "\n")
		return must0(t, "", "access", "enrol", code, server)
	}
	tokens["screen"], tokens["monitor"] = enrol("screen-1", "--bench", "b00"), enrol("prometheus", "--monitor")
	t.Setenv(tokenEnv, "")
	for kind, id := range people {
		if kind != "owner" {
			keep(kind, id)
		}
	}

	file := filepath.Join(t.TempDir(), "file.yaml")
	if err := os.WriteFile(file, []byte(benchProcedure()), 0o600); err != nil {
		t.Fatal(err)
	}
	photo := filepath.Join(t.TempDir(), "photo.gif")
	if err := os.WriteFile(photo, []byte("GIF89a\x01\x00\x01\x00\x80\x00\x00\x00\x00\x00\xff\xff\xff!\xf9\x04\x00\x00\x00\x00\x00,\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x02D\x01\x00;"), 0o600); err != nil {
		t.Fatal(err)
	}
	commands, tried, let, refused := 0, 0, 0, 0
	kinds := map[string]access.Who{"expired": access.Nobody}
	for _, k := range access.Kinds {
		kinds[k.Name] = k.Who
	}
	try := func(path string, c *cobra.Command) {
		how, ok := asksAs[path]
		if !ok {
			if notTried[path] == "" {
				t.Errorf("command %q talks to the service, and no line of the table is named for it here", path)
			}
			return
		}
		line, ok := access.Table[how.line]
		if !ok {
			t.Errorf("command %q: the table has no line %q", path, how.line)
			return
		}
		args := how.args
		if args == "" {
			first, _, _ := strings.Cut(strings.TrimSpace(c.Example), "\n")
			args = strings.TrimPrefix(first, "witnessmark ")
		}
		commands++
		for kind, who := range kinds {
			by := people[kind]
			if by == "" {
				by = "tech"
			}
			list := words(args)
			for i := 0; i < len(list); i++ {
				if list[i] == "--by" {
					list = append(list[:i], list[i+2:]...)
				} else if list[i] == "FILE" {
					list[i] = file
					if path == "job photo" {
						list[i] = photo
					}
				}
			}
			if c.Flags().Lookup("by") != nil {
				list = append(list, "--by", by)
			}
			t.Setenv(tokenEnv, tokens[kind])
			before := s.access.Refused()
			_, err := say(t, secret+"\n", append(list, server)...)
			turned := s.access.Refused() > before
			want := line.Who&who != 0
			if strings.HasPrefix(how.line, access.Ask) {
				want = want && access.Table["POST /api/asks/{type}"].Who&who != 0
			}
			if path == "job badge" && kind != "screen" && kind != "nobody" && kind != "expired" {
				want = want && who&access.Table[how.line].Who != 0 // nobody has the badge: the rules say so
			}
			if turned == want || turned && err == nil {
				t.Errorf("%s as %s: refused %v (%v), want allowed %v", path, kind, turned, err, want)
			}
			tried++
			if turned {
				refused++
			} else {
				let++
			}
			passed.Add(int64(5 * time.Second))
		}
	}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Flags().Lookup("server") != nil {
			try(strings.TrimPrefix(c.CommandPath(), "witnessmark "), c)
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(newRoot())
	t.Logf("%d commands, %d kinds of visitor: %d tried, %d allowed, %d refused", commands, len(kinds), tried, let, refused)
}

// TestListensOnLoopbackUntilThereIsAnOwner: another address is refused, with
// what to do, as long as nobody signs in, and then without TLS.
func TestListensOnLoopbackUntilThereIsAnOwner(t *testing.T) {
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel, cfg.MinFree, cfg.JournalMax, cfg.cost = t.TempDir(), "0.0.0.0:0", "error", "1 MiB", "1 GiB", access.Cost{Passes: 1, Memory: 64, Threads: 1}
	shop := peopledShop()
	refuses := func(want string) {
		t.Helper()
		s, err := openStack(t.Context(), cfg, shop)
		if err == nil {
			s.close()
			t.Fatalf("it listens on %s", cfg.Listen)
		}
		if !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q in it", err, want)
		}
	}
	refuses("nobody has to sign in yet")
	k, err := access.Open(access.Config{Dir: cfg.accessDir(), People: func() []events.Person { return shop.People }, Cost: cfg.cost})
	if err != nil {
		t.Fatal(err)
	}
	if err := k.Begin(t.Context(), &access.Visit{From: "127.0.0.1"}, k.NewOwnerCode(), "owner", "a secret of some length"); err != nil {
		t.Fatal(err)
	}
	if _, err := access.Open(access.Config{Dir: cfg.accessDir(), People: func() []events.Person { return nil }}); !errors.Is(err, access.ErrInUse) {
		t.Errorf("secrets that are in use: got %v", err)
	}
	if err := k.Close(); err != nil {
		t.Fatal(err)
	}
	refuses("without TLS")
	out := must0(t, "", "tls", "make", "--data", cfg.Data, "--name", "shop.example")
	cfg.TLSCert, cfg.TLSKey = filepath.Join(cfg.Data, "tls", "cert.pem"), filepath.Join(cfg.Data, "tls", "key.pem")
	if !strings.Contains(out, "SHA-256 fingerprint") || !strings.Contains(out, cfg.TLSKey) {
		t.Errorf("tls make says %s", out)
	}
	if _, err := say(t, "", "tls", "make", "--data", cfg.Data); err == nil {
		t.Error("a certificate that is there was replaced")
	}
	if err := os.Chmod(cfg.TLSKey, 0o644); err != nil {
		t.Fatal(err)
	}
	refuses("can be read by others")
	if err := os.Chmod(cfg.TLSKey, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := openStack(t.Context(), cfg, shop)
	if err != nil {
		t.Fatal(err)
	}
	s.close()
}

// TestOverTLS: with a certificate made here commands reach the service, its
// cookies are for TLS alone, browsers are not bound to it for ever, and plain
// HTTP gets nothing.
func TestOverTLS(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	cfg := defaultConfig()
	cfg.Data, cfg.Listen = t.TempDir(), "127.0.0.1:0"
	must0(t, "", "tls", "make", "--data", cfg.Data)
	cfg.TLSCert, cfg.TLSKey = filepath.Join(cfg.Data, "tls", "cert.pem"), filepath.Join(cfg.Data, "tls", "key.pem")
	s := served(t, cfg, peopledShop())
	t.Setenv(envPrefix+"TLS_CERT", cfg.TLSCert)
	t.Setenv(envPrefix+"TLS_KEY", cfg.TLSKey)
	server := "--server=" + s.url()
	must0(t, s.access.NewOwnerCode()+"\na secret of some length\n", "access", "begin", "owner", server)
	must0(t, "a secret of some length\n", "sign-in", "owner", server)
	if out := must0(t, "", "access", "list", server); !strings.Contains(out, "technician") {
		t.Errorf("access list says %s", out)
	}
	client, err := clientOf(cfg, s.url())
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(t.Context(), "POST", s.url()+"/sign-in", strings.NewReader("person=owner&secret=a+secret+of+some+length"))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	resp, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	c := resp.Header.Get("Set-Cookie")
	if !strings.HasPrefix(c, "__Host-wm_session=") || !strings.Contains(c, "Secure") || !strings.Contains(c, "HttpOnly") {
		t.Errorf("cookie %q", c)
	}
	if h := resp.Header.Get("Strict-Transport-Security"); h != "" {
		t.Errorf("browsers are bound to a certificate that vouches for itself: %s", h)
	}
	plain, err := http.Get("http://" + s.listen.Addr().String() + "/jobs")
	if err != nil {
		t.Fatal(err)
	}
	defer plain.Body.Close()
	if plain.StatusCode != http.StatusBadRequest || plain.Header.Get("Location") != "" {
		t.Errorf("plain HTTP: got %s, Location %q", plain.Status, plain.Header.Get("Location"))
	}
	must0(t, "", "sign-out", server)
	if _, err := say(t, "", "access", "list", server); err == nil {
		t.Error("signed out, and still let in")
	}
	text, err := os.ReadFile(cfg.TLSKey)
	if err != nil {
		t.Fatal(err)
	}
	if b, _ := pem.Decode(text); b == nil || b.Type != "PRIVATE KEY" {
		t.Error("the key is not in PEM form")
	}
}
