package dashboards

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/dashboards/access"
	"witnessmark/events"
	"witnessmark/events/ledger"
)

// cheap is a look at a secret that costs little: what it costs in earnest is
// tested in package access.
var cheap = access.Cost{Passes: 1, Memory: 64, Threads: 1}

// secrets of everybody; none may ever be found in journal or log.
func secretOf(person string) string { return "correct horse of " + person }

// house is the whole stack with people who sign in.
type house struct {
	*rig
	keeper *access.Keeper
	dir    string
	log    *lockedBuffer

	mu    sync.Mutex
	at    time.Time
	staff []events.Person
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (h *house) now() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.at
}

func (h *house) pass(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.at = h.at.Add(d)
}

func (h *house) people() []events.Person {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.staff)
}

func (h *house) shop() events.Shop {
	s := testShop()
	s.People = h.people()
	return s
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{dir: filepath.Join(t.TempDir(), "access"), log: new(lockedBuffer), at: standing()}
	h.staff = append(testShop().People,
		events.Person{ID: "petra", Name: "Petra Lind", Role: events.RoleMetrology, Badge: "FD-0055"},
		events.Person{ID: "ruth", Name: "Ruth Fenholt", Role: events.RoleOwner, Badge: "FD-00000001"},
		events.Person{ID: "aud", Name: "Anton Udd", Role: events.RoleAuditor})
	h.staff[0].Badge = "FD-0407"
	log := slog.New(slog.NewTextHandler(h.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	h.rig = newRig(t, func(r *rig, c *Config) {
		var err error
		h.keeper, err = access.Open(access.Config{Dir: h.dir, People: h.people, Journal: r.journal, Log: log, Now: h.now, Cost: cheap})
		if err != nil {
			t.Fatal(err)
		}
		c.Access, c.Log = h.keeper, log
		c.Chain = func() Chain { return chainOf(r) }
	})
	t.Cleanup(func() { _ = h.keeper.Close() })
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = h.keeper.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	h.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	h.rig.ask(events.ShopDescribed{Shop: h.shop(), Hash: "house"})
	h.release(coverProcedure)
	h.rig.ask(events.JobAsked{Ask: h.by("ines"), Job: "J-1", UnitSerial: "RA-0042", Procedure: "RA-210", Revision: "T"})
	return h
}

// visitor is somebody at the door with what they have.
type visitor struct {
	h       *house
	cookies map[string]string
	bearer  string
}

func (h *house) stranger() *visitor { return &visitor{h: h, cookies: map[string]string{}} }

type answer struct {
	status int
	body   string
	header http.Header
}

func (v *visitor) do(t testing.TB, method, path string, form url.Values, change ...func(*http.Request)) answer {
	t.Helper()
	var body io.Reader
	if method == http.MethodPost {
		body = strings.NewReader(form.Encode())
	}
	r, err := http.NewRequestWithContext(t.Context(), method, v.h.server.URL+path, body)
	if err != nil {
		t.Fatal(err)
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	r.Header.Set("Accept", "application/json")
	for name, value := range v.cookies {
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	if v.bearer != "" {
		r.Header.Set("Authorization", "Bearer "+v.bearer)
	}
	for _, c := range change {
		c(r)
	}
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	a := answer{status: resp.StatusCode, header: resp.Header}
	if resp.Header.Get("Content-Type") != "text/event-stream" {
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		a.body = string(b)
	}
	for _, k := range resp.Cookies() {
		if k.MaxAge < 0 {
			delete(v.cookies, k.Name)
		} else {
			v.cookies[k.Name] = k.Value
		}
	}
	return a
}

func asPage(r *http.Request) { r.Header.Set("Accept", "text/html") }

func (v *visitor) want(t testing.TB, status int, method, path string, form url.Values, change ...func(*http.Request)) answer {
	t.Helper()
	a := v.do(t, method, path, form, change...)
	if a.status != status {
		t.Fatalf("%s %s: got %d %s, want %d", method, path, a.status, a.body, status)
	}
	return a
}

// begin makes the owner.
func (h *house) begin(t testing.TB) {
	t.Helper()
	code := h.keeper.NewOwnerCode()
	h.stranger().want(t, 200, "POST", "/begin", url.Values{"code": {code}, "person": {"ruth"}, "secret": {secretOf("ruth")}, "again": {secretOf("ruth")}})
}

// signIn signs a person in as a browser does.
func (h *house) signIn(t testing.TB, person string) *visitor {
	t.Helper()
	v := h.stranger()
	v.want(t, http.StatusSeeOther, "POST", "/sign-in", url.Values{"person": {person}, "secret": {secretOf(person)}}, asPage)
	if v.cookies["wm_session"] == "" {
		t.Fatalf("%s got no session", person)
	}
	h.pass(time.Minute) // so that tries of one address never run out here
	return v
}

// furnish makes the owner, gives everybody a secret, and enrols a screen and a
// monitor.
func (h *house) furnish(t testing.TB) map[string]*visitor {
	t.Helper()
	h.begin(t)
	all := map[string]*visitor{"nobody": h.stranger(), "owner": h.signIn(t, "ruth")}
	for role, id := range map[string]string{"auditor": "aud", "technician": "ines", "metrology": "petra", "lead": "maren"} {
		all["owner"].want(t, 200, "POST", "/access/secret", url.Values{"person": {id}, "secret": {secretOf(id)}, "again": {secretOf(id)}})
		all[role] = h.signIn(t, id)
	}
	enrol := func(kind, bench string) *visitor {
		var got struct{ Code string }
		a := all["owner"].want(t, 200, "POST", "/access/enrol", url.Values{"name": {kind + "-1"}, "kind": {kind}, "bench": {bench}})
		if err := json.Unmarshal([]byte(a.body), &got); err != nil {
			t.Fatal(err)
		}
		v := h.stranger()
		if kind == access.KindScreen {
			v.want(t, http.StatusSeeOther, "POST", "/enrol", url.Values{"code": {got.Code}}, asPage)
			return v
		}
		a = v.want(t, 200, "POST", "/enrol", url.Values{"code": {got.Code}})
		var token struct{ Token string }
		if err := json.Unmarshal([]byte(a.body), &token); err != nil {
			t.Fatal(err)
		}
		v.bearer = token.Token
		return v
	}
	all["screen"] = enrol(access.KindScreen, "axle")
	all["monitor"] = enrol(access.KindMonitor, "")
	return all
}

// idOf is the person that stands for a role here.
var idOf = map[string]string{"auditor": "aud", "technician": "ines", "metrology": "petra", "lead": "maren", "owner": "ruth"}

// pathOf makes an address of a pattern.
func pathOf(pattern string) (method, path string) {
	method, path, ok := strings.Cut(pattern, " ")
	if !ok {
		method, path = "GET", pattern
	}
	path = strings.NewReplacer("{$}", "", "{bench}", "axle", "{what}", "who", "{job}", "J-1", "{tool}", "k2-07", "{procedure}", "RA-210", "{revision}", "T",
		"{step}", "cover", "{pass}", "0", "{type}", "none.such", "{hash}", strings.Repeat("0", 64), "{name}", "style.css", "{recall}", "R-1", "{shop}", "fenholt",
		"{point}", "0", "{plot}", "chart.svg", "{file}", "1.pdf").Replace(path)
	if pattern == "/" {
		path = "/no/such/page"
	}
	return method, path
}

// turnedOut reports whether an answer is a refusal of access, and not some
// other complaint.
func turnedOut(a answer) bool {
	return a.status == http.StatusUnauthorized || a.status == http.StatusForbidden
}

// TestEveryRouteEveryRole asks for every address that is served, as each kind
// of visitor and with a session that has ended, and holds the answer to the
// table. What is served is asked of the pages themselves: an address without a
// line in the table does not even start.
func TestEveryRouteEveryRole(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	patterns := h.pages.Patterns()
	tried, let, refused := 0, 0, 0
	for _, pattern := range patterns {
		line, ok := access.Table[pattern]
		if !ok {
			t.Errorf("%s is served and has no line in the table", pattern)
			continue
		}
		if pattern == "POST /sign-out" {
			continue // below: it would end the sessions that are needed here
		}
		method, path := pathOf(pattern)
		for _, k := range access.Kinds {
			a := all[k.Name].do(t, method, path, url.Values{})
			tried++
			want := line.Who&k.Who != 0
			if turnedOut(a) == want {
				t.Errorf("%s as %s: got %d %.120s, want allowed %v", pattern, k.Name, a.status, a.body, want)
			}
			if want {
				let++
				if method == "GET" && pattern != "GET /live" {
					if a := all[k.Name].do(t, method, path, nil, asPage); a.status == 500 {
						t.Errorf("%s as a page for %s: %.200s", pattern, k.Name, a.body)
					}
				}
			} else {
				refused++
			}
			h.pass(5 * time.Second) // tries are limited by address
		}
		if line.Who&access.Nobody != 0 {
			continue
		}
		old := h.stranger()
		old.cookies["wm_session"] = "not-a-token-that-was-ever-given"
		if a := old.do(t, method, path, url.Values{}); a.status != http.StatusUnauthorized {
			t.Errorf("%s with a session that is none: got %d, want 401", pattern, a.status)
		}
		tried++
		refused++
	}
	for _, k := range access.Kinds {
		if a := all[k.Name].do(t, "POST", "/sign-out", url.Values{}); turnedOut(a) {
			t.Errorf("sign out as %s: got %d", k.Name, a.status)
		}
		tried++
		let++
	}
	// Signed out, a session opens nothing.
	for _, k := range access.Kinds {
		if id := idOf[k.Name]; id != "" {
			if a := all[k.Name].do(t, "GET", "/jobs", nil); a.status != http.StatusUnauthorized {
				t.Errorf("signed out, %s gets %d", k.Name, a.status)
			}
			tried++
			refused++
		}
	}
	for pattern := range access.Table {
		if !strings.HasPrefix(pattern, access.Ask) && !slices.Contains(patterns, pattern) {
			t.Errorf("the table has a line for %s, which is not served", pattern)
		}
	}
	t.Logf("%d addresses, %d kinds of visitor: %d tried, %d allowed, %d refused", len(patterns), len(access.Kinds), tried, let, refused)
}

// askTypes are the written names of all requests that people make.
func askTypes(t *testing.T) []string {
	var names []string
	files, err := filepath.Glob("../events/testdata/samples/*.json")
	if err != nil || len(files) == 0 {
		t.Fatal("no samples of events: ", err)
	}
	for _, f := range files {
		name, _, _ := strings.Cut(filepath.Base(f), ".v")
		d, err := events.Decode(events.TypePrefix+name+".v1", []byte(`{}`))
		if err != nil {
			continue
		}
		if _, ok := d.(events.Asker); ok && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names
}

// TestEveryRequestEveryRole makes every request that there is, through the JSON
// interface by which commands and programs ask, as each kind of visitor.
func TestEveryRequestEveryRole(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	tried, let, refused := 0, 0, 0
	try := func(v *visitor, name, by string) (answer, bool) {
		body := fmt.Sprintf(`{"by":%q,"bench":"axle"}`, by)
		if name == "badge.scanned" { // says by its badge who asks
			body = `{"bench":"axle","badge":"FD-0407"}`
		}
		a := v.do(t, "POST", "/api/asks/"+name, nil, func(r *http.Request) {
			r.Header.Set("Content-Type", "application/json")
			r.Body, r.ContentLength = io.NopCloser(strings.NewReader(body)), int64(len(body))
		})
		tried++
		h.pass(time.Second)
		return a, !turnedOut(a)
	}
	for _, name := range askTypes(t) {
		line, listed := access.Table[access.Ask+name]
		if name == "shop.described" || name == "photo.taken" {
			continue // not asked here: the shop file, and POST /photo
		}
		if !listed {
			t.Errorf("request %s has no line in the table", name)
		}
		for _, k := range access.Kinds {
			by := idOf[k.Name]
			want := line.Who&k.Who != 0 && access.Table["POST /api/asks/{type}"].Who&k.Who != 0
			if by == "" {
				by = "ines" // a technician is named; nobody proves it
			}
			if name == "badge.scanned" && k.Name != "technician" && k.Name != "screen" {
				want = false // the badge is another's
			}
			a, ok := try(all[k.Name], name, by)
			if ok != want {
				t.Errorf("%s as %s: got %d %.160s, want allowed %v", name, k.Name, a.status, a.body, want)
			}
			if ok {
				let++
			} else {
				refused++
			}
		}
		// Nobody asks in another's name, whatever the role.
		if name != "badge.scanned" {
			if a, ok := try(all["owner"], name, "ines"); ok {
				t.Errorf("%s by an owner in a technician's name: got %d, want a refusal", name, a.status)
			}
			refused++
		}
		// A screen that names a lead gets no more than a technician's rights.
		if a, ok := try(all["screen"], name, "maren"); ok && (line.LeadProves || line.Who&access.Screen == 0) {
			t.Errorf("%s by a screen in a lead's name: got %d, want a refusal", name, a.status)
		}
	}
	t.Logf("%d requests, %d kinds of visitor: %d tried, %d allowed, %d refused", len(askTypes(t)), len(access.Kinds), tried, let, refused)
}

// TestBeforeThereIsAnOwner: nobody is asked, and nothing is refused, but people
// and screens cannot be changed.
func TestBeforeThereIsAnOwner(t *testing.T) {
	h := newHouse(t)
	v := h.stranger()
	v.want(t, 200, "GET", "/", nil)
	v.want(t, 200, "GET", "/access", nil)
	v.want(t, 200, "POST", "/do/pause", url.Values{"job": {"J-1"}, "by": {"ines"}, "bench": {"axle"}})
	v.want(t, http.StatusConflict, "POST", "/access/secret", url.Values{"person": {"ines"}, "secret": {"12345678"}, "again": {"12345678"}})
	v.want(t, http.StatusConflict, "POST", "/sign-in", url.Values{"person": {"ines"}, "secret": {"12345678"}})
}

// TestOwnerCode: a wrong code makes nobody owner, a right one works once, weak
// secrets and people who are no owner do not use it up.
func TestOwnerCode(t *testing.T) {
	h := newHouse(t)
	v := h.stranger()
	code := h.keeper.NewOwnerCode()
	form := func(code, person, secret string) url.Values {
		return url.Values{"code": {code}, "person": {person}, "secret": {secret}, "again": {secret}}
	}
	v.want(t, 403, "POST", "/begin", form("AAAA-BBBB-CCCC-DDDD", "ruth", secretOf("ruth")))
	v.want(t, 400, "POST", "/begin", form(code, "ines", secretOf("ines")))
	v.want(t, 400, "POST", "/begin", form(code, "ruth", "short"))
	v.want(t, 400, "POST", "/begin", form(code, "ruth", "FD-00000001")) // the badge of the shop file
	v.want(t, 200, "GET", "/jobs", nil)                                 // still open
	v.want(t, 200, "POST", "/begin", form(strings.ToLower(code), "ruth", secretOf("ruth")))
	v.want(t, 401, "GET", "/jobs", nil)
	v.want(t, 403, "POST", "/begin", form(code, "ruth", "another secret"))
	h.signIn(t, "ruth") // with the first secret
	if h.keeper.OwnerMissing() {
		t.Error("an owner can sign in, and is said to be missing")
	}
}

// TestSessionsEnd: by sign-out, by time, by a new secret, by a new role, and
// when the person leaves; a token that was planted before is never taken.
func TestSessionsEnd(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	in := func(v *visitor) bool { t.Helper(); return v.do(t, "GET", "/jobs", nil).status == 200 }

	planted := h.stranger()
	planted.cookies["wm_session"] = "planted"
	planted.want(t, http.StatusSeeOther, "POST", "/sign-in", url.Values{"person": {"ines"}, "secret": {secretOf("ines")}}, asPage)
	if planted.cookies["wm_session"] == "planted" {
		t.Error("a planted token became a session")
	}
	first := &visitor{h: h, cookies: map[string]string{"wm_session": planted.cookies["wm_session"]}}
	planted.want(t, http.StatusSeeOther, "POST", "/sign-in", url.Values{"person": {"ines"}, "secret": {secretOf("ines")}}, asPage)
	if in(first) {
		t.Error("signing in again keeps the session that was there")
	}

	idle := h.signIn(t, "ines")
	h.pass(access.IdleLimit - 2*time.Minute)
	if !in(idle) {
		t.Error("a session ended before its time")
	}
	h.pass(access.IdleLimit - time.Minute)
	idle.do(t, "GET", "/?fragment=1", nil) // what a page does by itself keeps nothing alive
	h.pass(2 * time.Minute)
	if in(idle) {
		t.Error("an idle session goes on")
	}
	long := h.signIn(t, "ines")
	for range int(access.LongLimit/(30*time.Minute)) - 1 {
		h.pass(30 * time.Minute)
		if !in(long) {
			t.Fatal("a session in use ended before its time")
		}
	}
	h.pass(30 * time.Minute)
	if in(long) {
		t.Error("a session goes on beyond its longest time")
	}

	owner := h.signIn(t, "ruth")
	tech := h.signIn(t, "ines")
	owner.want(t, 200, "POST", "/access/secret", url.Values{"person": {"ines"}, "secret": {"another one"}, "again": {"another one"}})
	if in(tech) {
		t.Error("a new secret leaves the session")
	}
	owner.want(t, 200, "POST", "/access/secret", url.Values{"person": {"ines"}, "secret": {secretOf("ines")}, "again": {secretOf("ines")}})
	tech = h.signIn(t, "ines")
	tech.want(t, 200, "POST", "/me/secret", url.Values{"old": {secretOf("ines")}, "secret": {"of my own"}, "again": {"of my own"}})
	if in(tech) {
		t.Error("an own new secret leaves the session")
	}
	owner.want(t, 200, "POST", "/access/secret", url.Values{"person": {"ines"}, "secret": {secretOf("ines")}, "again": {secretOf("ines")}})
	tech = h.signIn(t, "ines")
	h.mu.Lock()
	h.staff[0].Role = events.RoleLead
	h.mu.Unlock()
	if in(tech) {
		t.Error("a new role leaves the session")
	}
	h.mu.Lock()
	h.staff[0].Role = events.RoleTechnician
	h.mu.Unlock()
	tech = h.signIn(t, "ines")
	h.mu.Lock()
	gone := h.staff[0]
	h.staff = h.staff[1:]
	h.mu.Unlock()
	if in(tech) {
		t.Error("who has left is still signed in")
	}
	h.mu.Lock()
	h.staff = append([]events.Person{gone}, h.staff...)
	h.mu.Unlock()
	if !in(all["screen"]) {
		t.Error("an enrolled screen does not last")
	}
	h.signIn(t, "ruth").want(t, 200, "POST", "/access/remove", url.Values{"device": {"screen-1"}})
	if in(all["screen"]) {
		t.Error("a removed screen comes in")
	}
}

// TestLiveStreamEnds: the stream of a page ends with the session that opened
// it.
func TestLiveStreamEnds(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	tech := all["technician"]
	r, err := http.NewRequestWithContext(t.Context(), "GET", h.server.URL+"/live?bench=axle", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.AddCookie(&http.Cookie{Name: "wm_session", Value: tech.cookies["wm_session"]})
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != 200 {
		t.Fatalf("live stream: got %s", resp.Status)
	}
	all["owner"].want(t, 200, "POST", "/access/forget", url.Values{"person": {"ines"}})
	ended := make(chan error, 1)
	go func() { _, err := io.Copy(io.Discard, resp.Body); ended <- err }()
	select {
	case <-ended:
	case <-time.After(5 * time.Minute):
		t.Fatal("the stream goes on although its session has ended")
	}
}

// TestCountersign: at an enrolled screen a lead's decision needs the lead's
// secret, and nothing is done without.
func TestCountersign(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	screen := all["screen"]
	form := func(secret string) url.Values {
		f := url.Values{"job": {"J-1"}, "bench": {"axle"}, "by": {"maren"}, "reason": {"test"}}
		if secret != "" {
			f.Set("secret", secret)
		}
		return f
	}
	a := screen.want(t, 403, "POST", "/do/abandon", form(""))
	if !strings.Contains(a.body, `"prove": "maren"`) {
		t.Errorf("the screen does not ask for the lead's secret: %s", a.body)
	}
	page := screen.want(t, 403, "POST", "/do/abandon", form(""), asPage)
	for _, want := range []string{`name="secret"`, `name="job" value="J-1"`, "Maren Holt", `action="/do/abandon"`} {
		if !strings.Contains(page.body, want) {
			t.Errorf("the page for adding a secret lacks %s", want)
		}
	}
	screen.want(t, 403, "POST", "/do/abandon", form("a wrong secret"))
	f := form(secretOf("ines"))
	f.Set("by", "ines") // a technician's secret does not make a lead
	screen.want(t, 403, "POST", "/do/abandon", f)
	screen.want(t, 200, "POST", "/do/pause", url.Values{"job": {"J-1"}, "bench": {"axle"}, "by": {"ines"}})
	screen.want(t, 200, "POST", "/do/abandon", form(secretOf("maren")))
}

// TestTriesAreLimited: brute force gets a handful of looks at a secret, the
// right one is then refused as well, time heals it; who is not there is
// answered as who is.
func TestTriesAreLimited(t *testing.T) {
	h := newHouse(t)
	h.furnish(t)
	h.pass(time.Hour)
	v := h.stranger()
	try := func(person, secret string) answer {
		return v.do(t, "POST", "/sign-in", url.Values{"person": {person}, "secret": {secret}})
	}
	known, unknown := try("ines", "guess number one"), try("nobody-here", "guess number one")
	if known.status != 403 || known.status != unknown.status || known.body != unknown.body {
		t.Errorf("who is there shows: %d %s; who is not: %d %s", known.status, known.body, unknown.status, unknown.body)
	}
	looked := 1
	for i := range 300 {
		a := try("ines", fmt.Sprintf("guess number %d", i))
		if a.status == 403 {
			looked++
		} else if a.status != http.StatusTooManyRequests {
			t.Fatalf("try %d: got %d %s", i, a.status, a.body)
		}
	}
	if looked != 5 {
		t.Errorf("%d of 300 guesses were looked at, want 5", looked)
	}
	if a := try("ines", secretOf("ines")); a.status != http.StatusTooManyRequests {
		t.Errorf("the right secret after a flood: got %d, want 429", a.status)
	}
	h.pass(2 * time.Minute)
	if a := try("ines", secretOf("ines")); a.status != 200 {
		t.Errorf("the right secret after two minutes: got %d %s", a.status, a.body)
	}
	codes := 0
	for range 100 {
		if a := v.do(t, "POST", "/enrol", url.Values{"code": {"AAAA-AAAA"}}); a.status == 403 {
			codes++
		}
	}
	if codes > 20 {
		t.Errorf("%d of 100 enrolment codes were looked at, want 20 at most", codes)
	}
}

// TestRefusalsAreFolded: a flood of refusals adds few events to the journal,
// and all are counted in them.
func TestRefusalsAreFolded(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	before, seq := h.keeper.Refused(), h.journal.Last()
	const floods = 1000
	for i := range floods {
		path := "/jobs"
		if i%2 == 1 {
			path = fmt.Sprintf("/nothing/%d", i) // what is asked for is folded by its pattern
		}
		all["nobody"].want(t, 401, "GET", path, nil)
	}
	all["technician"].want(t, 403, "GET", "/access/refusals", nil)
	if n := h.keeper.Refused() - before; n != floods+1 {
		t.Errorf("%d refusals counted, want %d", n, floods+1)
	}
	if n := h.journal.Last() - seq; n > 5 {
		t.Errorf("%d refusals made %d events", floods+1, n)
	}
	page := all["auditor"].want(t, 200, "GET", "/access/refusals", nil, asPage)
	for _, want := range []string{"nobody was signed in", "the role does not allow it", "Ines Varga", "127.0.0.1"} {
		if !strings.Contains(page.body, want) {
			t.Errorf("the page of refusals lacks %q", want)
		}
	}
}

// TestForeignPagesAreRefused: a POST that another site's page sends does
// nothing, whoever is signed in, and is noted.
func TestForeignPagesAreRefused(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	form := url.Values{"job": {"J-1"}, "by": {"ines"}, "bench": {"axle"}}
	for name, change := range map[string]func(*http.Request){
		"fetch metadata": func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"origin":         func(r *http.Request) { r.Header.Set("Origin", "https://elsewhere.example") },
		"foreign name":   func(r *http.Request) { r.Host = "elsewhere.example" },
	} {
		if a := all["technician"].do(t, "POST", "/do/pause", form, change); a.status != 403 {
			t.Errorf("%s: got %d", name, a.status)
		}
	}
	if a := all["technician"].do(t, "POST", "/do/pause", form); a.status != 200 {
		t.Errorf("the same from our own page: got %d %s", a.status, a.body)
	}
	got, err := h.ledger.AccessRefusals(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(got, func(x ledger.AccessRefusal) bool { return x.Why == events.RefusedForeign }) {
		t.Error("no refusal of another site's page in the journal")
	}
}

// TestHeadersAndCookies: what every answer carries, and how cookies are set.
func TestHeadersAndCookies(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	for _, path := range []string{"/sign-in", "/jobs", "/healthz", "/nothing", "/metrics", "/api/tools"} {
		for _, who := range []string{"nobody", "owner"} {
			a := all[who].do(t, "GET", path, nil)
			for name, want := range map[string]string{
				"Content-Security-Policy": "frame-ancestors 'none'", "X-Frame-Options": "DENY", "X-Content-Type-Options": "nosniff",
				"Referrer-Policy": "same-origin", "Permissions-Policy": "geolocation=()", "Cross-Origin-Opener-Policy": "same-origin",
			} {
				if !strings.Contains(a.header.Get(name), want) {
					t.Errorf("%s as %s: header %s is %q, want %q in it", path, who, name, a.header.Get(name), want)
				}
			}
			if p := a.header.Get("Content-Security-Policy"); strings.Contains(p, "unsafe") {
				t.Errorf("%s: policy allows what is unsafe: %s", path, p)
			}
		}
	}
	a := h.stranger().want(t, http.StatusSeeOther, "POST", "/sign-in", url.Values{"person": {"ines"}, "secret": {secretOf("ines")}, "to": {"//elsewhere.example/"}}, asPage)
	if to := a.header.Get("Location"); to != "/" {
		t.Errorf("signing in leads to %q", to)
	}
	for _, c := range a.header.Values("Set-Cookie") {
		if !strings.Contains(c, "HttpOnly") || !strings.Contains(c, "SameSite=Strict") || strings.Contains(c, "Domain") {
			t.Errorf("cookie %s", c)
		}
	}
}

// TestTooLarge: what is too large is refused as such, and clearly.
func TestTooLarge(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	tech := all["technician"]
	big := strings.Repeat("x", 2<<20)
	for path, kind := range map[string]string{"/do/pause": "application/x-www-form-urlencoded", "/sign-in": "application/x-www-form-urlencoded", "/api/asks/job.asked": "application/json"} {
		a := tech.do(t, "POST", path, nil, func(r *http.Request) {
			body := "note=" + big
			r.Header.Set("Content-Type", kind)
			r.Body, r.ContentLength = io.NopCloser(strings.NewReader(body)), int64(len(body))
		})
		if a.status != http.StatusRequestEntityTooLarge || !strings.Contains(a.body, "larger than") {
			t.Errorf("%s with 2 MiB: got %d %.200s", path, a.status, a.body)
		}
	}
}

// TestSecretsStayOut: after sign-ins, wrong tries, new secrets, countersigned
// requests and a secret typed where a name belongs, none of it is in journal,
// ledger or log, and the file of secrets is shut and holds hashes alone.
func TestSecretsStayOut(t *testing.T) {
	h := newHouse(t)
	all := h.furnish(t)
	v := h.stranger()
	v.do(t, "POST", "/sign-in", url.Values{"person": {"ines"}, "secret": {"a wrong secret typed"}})
	v.do(t, "POST", "/sign-in", url.Values{"person": {"my passphrase instead of a name"}, "secret": {"x"}})
	all["screen"].do(t, "POST", "/do/abandon", url.Values{"job": {"J-1"}, "bench": {"axle"}, "by": {"maren"}, "reason": {"test"}, "secret": {secretOf("maren")}})
	owner := h.keeper.NewOwnerCode()
	v.do(t, "POST", "/begin", url.Values{"code": {"ABCD-EFGH-JKLM-NPQR"}, "person": {"ruth"}, "secret": {"the eleventh secret"}, "again": {"the eleventh secret"}})

	hidden := []string{"correct horse of", "a wrong secret typed", "my passphrase instead", "the eleventh secret", owner, "ABCD-EFGH", "argon2id"}
	for name, who := range all {
		for _, c := range who.cookies {
			hidden = append(hidden, c)
		}
		if who.bearer != "" {
			hidden = append(hidden, who.bearer)
		}
		_ = name
	}
	var journal strings.Builder
	n := 0
	if err := h.journal.Read(t.Context(), 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			n++
			_, b, err := events.Encode(e.Data)
			if err != nil {
				return err
			}
			fmt.Fprintf(&journal, "%s %s %s\n", e.Source, e.Subject, b)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if n < 10 || !strings.Contains(journal.String(), `"why":"wrong_secret"`) {
		t.Fatalf("read only %d events, without the refusals", n)
	}
	kept, err := os.ReadFile(filepath.Join(h.dir, access.File))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range hidden {
		if strings.Contains(journal.String(), s) {
			t.Errorf("%q is in the journal", s)
		}
		if strings.Contains(h.log.String(), s) {
			t.Errorf("%q is in the log", s)
		}
		if s != "argon2id" && strings.Contains(string(kept), s) {
			t.Errorf("%q is in the file of secrets", s)
		}
	}
	for name, want := range map[string]os.FileMode{h.dir: 0o700, filepath.Join(h.dir, access.File): 0o600} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm() != want {
			t.Errorf("%s has mode %04o, want %04o", name, info.Mode().Perm(), want)
		}
	}
}

// TestTableHolds holds the table itself to what it is for, in words that are
// not taken from it: who only looks changes nothing, a screen releases and
// decides nothing, and without showing who one is there is only the way in.
func TestTableHolds(t *testing.T) {
	wayIn := []string{"GET /assets/{hash}/{name}", "GET /healthz", "GET /readyz", "GET /sign-in", "POST /sign-in", "POST /sign-out", "GET /begin", "POST /begin", "GET /enrol", "POST /enrol"}
	ownAffairs := []string{"POST /sign-in", "POST /sign-out", "POST /begin", "POST /enrol", "POST /me/secret"}
	neverOfScreens := []string{"release.asked", "abandon.asked", "hold_release.asked", "decision.asked", "item_decision.asked", "override.asked", "procedure.offered", "calibration.asked", "calibration_close.asked",
		"certificate.asked", "recall.asked", "recall_line.asked", "alert_settle.asked", "residual_audit.asked", "tool_move.asked", "tool_adjust.asked", "learning_forget.asked"}
	leadsOnly := []string{"release.asked", "abandon.asked", "decision.asked", "override.asked", "procedure.offered"}
	for what, line := range access.Table {
		ask, isAsk := strings.CutPrefix(what, access.Ask)
		if (line.Who&access.Nobody != 0) != slices.Contains(wayIn, what) {
			t.Errorf("%s is open to nobody: %v", what, line.Who&access.Nobody != 0)
		}
		acts := isAsk || strings.HasPrefix(what, "POST ")
		if acts && line.Who&(access.Auditor|access.Monitor) != 0 && !slices.Contains(ownAffairs, what) {
			t.Errorf("%s: an auditor or a monitor may change something", what)
		}
		if isAsk && slices.Contains(neverOfScreens, ask) && line.Who&access.Screen != 0 {
			t.Errorf("%s: a screen may", what)
		}
		if isAsk && slices.Contains(leadsOnly, ask) && line.Who != access.Lead|access.Owner {
			t.Errorf("%s: open to %s, want lead and owner", what, line.Who)
		}
		if strings.HasPrefix(what, "POST /access/") && line.Who&^(access.Lead|access.Owner) != 0 {
			t.Errorf("%s: open to %s", what, line.Who)
		}
		if line.Who&access.Owner == 0 {
			t.Errorf("%s: closed to the owner", what)
		}
	}
}
