package access

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/events"
)

// book is a journal in memory.
type book struct {
	mu   sync.Mutex
	all  []events.Event
	fail error
}

func (b *book) Append(_ context.Context, es ...events.Event) ([]uint64, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail != nil {
		return nil, b.fail
	}
	b.all = append(b.all, es...)
	return nil, nil
}

func (b *book) refused() (out []events.AccessRefused) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.all {
		if r, ok := e.Data.(events.AccessRefused); ok {
			out = append(out, r)
		}
	}
	return out
}

func (b *book) changes() (out []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.all {
		if c, ok := e.Data.(events.AccessChanged); ok {
			out = append(out, c.What)
		}
	}
	return out
}

// door is a keeper with a clock and people that a test moves.
type door struct {
	*Keeper
	dir    string
	book   *book
	log    bytes.Buffer
	at     time.Time
	people []events.Person
}

func staff() []events.Person {
	return []events.Person{
		{ID: "ruth", Name: "Ruth Fenholt", Role: events.RoleOwner}, {ID: "maren", Name: "Maren Holt", Role: events.RoleLead},
		{ID: "petra", Name: "Petra Lind", Role: events.RoleMetrology}, {ID: "ines", Name: "Ines Varga", Role: events.RoleTechnician, Badge: "FD-0407"},
		{ID: "aud", Name: "Anton Udd", Role: events.RoleAuditor},
	}
}

func secretOf(id string) string { return "correct horse of " + id }

type failer interface {
	Helper()
	Fatal(args ...any)
}

func (d *door) open(t failer) {
	t.Helper()
	k, err := Open(Config{Dir: d.dir, People: func() []events.Person { return d.people }, Journal: d.book,
		Log: slog.New(slog.NewTextHandler(&d.log, nil)), Now: func() time.Time { return d.at }, Cost: cheap})
	if err != nil {
		t.Fatal(err)
	}
	d.Keeper = k
}

// newDoor is a keeper with an owner, and a secret for each person.
func newDoor(t failer, dir string) *door {
	t.Helper()
	d := &door{dir: dir, book: &book{}, at: time.Date(2026, 11, 20, 7, 0, 0, 0, time.UTC), people: staff()}
	d.open(t)
	v := d.visitor("")
	if err := d.Begin(context.Background(), v, d.NewOwnerCode(), "ruth", secretOf("ruth")); err != nil {
		t.Fatal(err)
	}
	for _, p := range d.people[1:] {
		if err := d.SetSecret(context.Background(), v, p.ID, secretOf(p.ID)); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// visitor is who comes with the token of a session; "" for none.
func (d *door) visitor(token string) *Visit { return d.visit(d.request(token, ""), false) }

func (d *door) request(session, device string) *http.Request {
	r := httptest.NewRequest("GET", "/", nil)
	r.RemoteAddr = "192.0.2.7:4711"
	for name, value := range map[string]string{sessionCookie: session, deviceCookie: device} {
		if value != "" {
			r.AddCookie(&http.Cookie{Name: name, Value: value})
		}
	}
	return r
}

func (d *door) signIn(t failer, id string) string {
	t.Helper()
	tok, _, err := d.SignIn(context.Background(), d.visitor(""), id, secretOf(id))
	if err != nil {
		t.Fatal(err)
	}
	return tok
}

func (d *door) enrol(t failer, kind, name string) string {
	t.Helper()
	c, err := d.NewCode(d.visitor(""), kind, name, "axle")
	if err != nil {
		t.Fatal(err)
	}
	tok, _, err := d.Enrol(context.Background(), d.visitor(""), c)
	if err != nil {
		t.Fatal(err)
	}
	return tok
}

// Sessions against a model that knows only what the README says: an hour
// without a deed, twelve hours at most, gone with sign-out, a new secret, a
// forgotten one, a new role, a person who left; kept over a restart.
func TestSessionsAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir := ""
		if rapid.IntRange(0, 9).Draw(t, "on disk") == 0 { // syncing takes most of the time
			var err error
			if dir, err = os.MkdirTemp("", "access"); err != nil {
				t.Fatal(err)
			}
			defer os.RemoveAll(dir)
		}
		d := newDoor(t, dir)
		defer func() { _ = d.Close() }()
		type model struct {
			person      string
			began, seen time.Time
			gone        bool
		}
		sessions := map[string]*model{}
		var tokens []string
		end := func(who string) {
			for _, m := range sessions {
				if m.person == who {
					m.gone = true
				}
			}
		}
		person := func(t *rapid.T) string {
			return rapid.SampledFrom([]string{"ruth", "maren", "ines"}).Draw(t, "person")
		}
		alive := func(m *model) bool {
			return !m.gone && d.at.Sub(m.seen) < time.Hour && d.at.Sub(m.began) < 12*time.Hour
		}
		ask := func(t *rapid.T, tok string, quiet bool) {
			m := sessions[tok]
			v := d.visit(d.request(tok, ""), quiet)
			if want := alive(m); v.SignedIn() != want || want && (v.Person != m.person || v.Who != roleOf(v.Role)) || !want && v.Who != Nobody {
				t.Fatalf("session of %s begun %v ago, last seen %v ago: signed in %v as %q (%s), want %v", m.person, d.at.Sub(m.began), d.at.Sub(m.seen), v.SignedIn(), v.Person, v.Who, want)
			}
			if !alive(m) {
				m.gone = true
			} else if !quiet {
				m.seen = d.at
			}
		}
		token := func(t *rapid.T) string {
			if len(tokens) == 0 {
				t.Skip("nobody has signed in")
			}
			return rapid.SampledFrom(tokens).Draw(t, "token")
		}
		t.Repeat(map[string]func(*rapid.T){
			"sign in": func(t *rapid.T) {
				who := person(t)
				d.at = d.at.Add(time.Minute) // tries are limited
				tok := d.signIn(t, who)
				if sessions[tok] != nil {
					t.Fatal("a token came twice")
				}
				sessions[tok] = &model{person: who, began: d.at, seen: d.at}
				tokens = append(tokens, tok)
			},
			"sign in over": func(t *rapid.T) { // the one there was ends: no fixation
				was, who := token(t), person(t)
				d.at = d.at.Add(time.Minute)
				v := d.visit(d.request(was, ""), true)
				tok, _, err := d.SignIn(context.Background(), v, who, secretOf(who))
				if err != nil {
					t.Fatal(err)
				}
				if tok == was {
					t.Fatal("signing in keeps the token")
				}
				sessions[was].gone = true
				sessions[tok] = &model{person: who, began: d.at, seen: d.at}
				tokens = append(tokens, tok)
			},
			"sign out": func(t *rapid.T) {
				tok := token(t)
				v := d.visit(d.request(tok, ""), true)
				if err := d.SignOut(v); err != nil {
					t.Fatal(err)
				}
				sessions[tok].gone = true
			},
			"deed":  func(t *rapid.T) { ask(t, token(t), false) },
			"quiet": func(t *rapid.T) { ask(t, token(t), true) },
			"wait": func(t *rapid.T) {
				d.at = d.at.Add(time.Duration(rapid.IntRange(1, 50).Draw(t, "minutes")) * time.Minute)
			},
			"new secret": func(t *rapid.T) {
				who := person(t)
				if err := d.SetSecret(context.Background(), d.visitor(""), who, secretOf(who)); err != nil {
					t.Fatal(err)
				}
				end(who)
			},
			"forget": func(t *rapid.T) {
				who := person(t)
				if err := d.Forget(context.Background(), d.visitor(""), who); err != nil {
					t.Fatal(err)
				}
				end(who)
				d.at = d.at.Add(5 * time.Minute)
				if _, _, err := d.SignIn(context.Background(), d.visitor(""), who, secretOf(who)); err == nil {
					t.Fatal("who was forgotten signs in")
				}
				if err := d.SetSecret(context.Background(), d.visitor(""), who, secretOf(who)); err != nil {
					t.Fatal(err)
				}
			},
			"other role": func(t *rapid.T) {
				i := rapid.IntRange(1, 3).Draw(t, "person")
				d.people = slices.Clone(d.people)
				d.people[i].Role = rapid.SampledFrom([]events.Role{events.RoleLead, events.RoleTechnician, events.RoleAuditor}).Draw(t, "role")
				for _, m := range sessions { // found out when it comes next
					if was := staff()[i]; m.person == was.ID && !m.gone {
						for tok, x := range sessions {
							if x == m && d.sessions[fingerprint(tok)] != nil && d.sessions[fingerprint(tok)].Role != d.people[i].Role {
								d.visit(d.request(tok, ""), true)
								m.gone = true
							}
						}
					}
				}
			},
			"restart": func(t *rapid.T) {
				if dir == "" {
					t.Skip("nothing is kept")
				}
				// Last deeds are kept to within a minute: so let each be older or newer.
				for tok := range sessions {
					d.at = d.at.Add(2 * time.Minute)
					ask(t, tok, false)
				}
				if err := d.Close(); err != nil {
					t.Fatal(err)
				}
				d.open(t)
			},
			"": func(t *rapid.T) {
				for _, s := range d.Standings() {
					n := 0
					for _, m := range sessions {
						if m.person == s.ID && alive(m) {
							n++
						}
					}
					if s.Sessions != n {
						t.Fatalf("%s is said to have %d sessions, has %d", s.ID, s.Sessions, n)
					}
				}
			},
		})
	})
}

// A clock that is set back by more than a little ends a session: else setting
// it back would make one live for ever.
func TestSessionsAndTheClock(t *testing.T) {
	for _, c := range []struct {
		back time.Duration
		in   bool
	}{{30 * time.Second, true}, {2 * time.Minute, false}, {24 * time.Hour, false}} {
		d := newDoor(t, "")
		tok := d.signIn(t, "ines")
		d.at = d.at.Add(-c.back)
		if d.visitor(tok).SignedIn() != c.in {
			t.Errorf("a clock set back by %v: signed in %v, want %v", c.back, !c.in, c.in)
		}
	}
}

// A page that was opened in a session hears that it has ended, in whatever way.
func TestEndedIsTold(t *testing.T) {
	for name, end := range map[string]func(*door, *Visit) error{
		"sign-out": func(d *door, v *Visit) error { return d.SignOut(v) },
		"secret":   func(d *door, v *Visit) error { return d.SetSecret(t.Context(), v, "ines", "another secret") },
		"forget":   func(d *door, v *Visit) error { return d.Forget(t.Context(), v, "ines") },
		"time": func(d *door, v *Visit) error {
			d.at = d.at.Add(IdleLimit)
			_ = v.Still()
			return nil
		},
	} {
		d := newDoor(t, "")
		v := d.visitor(d.signIn(t, "ines"))
		select {
		case <-v.Ended():
			t.Fatalf("%s: ended before", name)
		default:
		}
		if !v.Still() {
			t.Errorf("%s: not let in before", name)
		}
		if err := end(d, v); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		select {
		case <-v.Ended():
		default:
			t.Errorf("%s: the page does not hear of it", name)
		}
		if v.Still() {
			t.Errorf("%s: still let in", name)
		}
	}
}

// Of many who type the owner code at once one becomes owner; no try before or
// after makes another, and a weak secret does not use the code up.
func TestOwnerCodeOnce(t *testing.T) {
	d := &door{book: &book{}, at: time.Unix(1_700_000_000, 0), people: append(staff(), events.Person{ID: "ruth2", Name: "Ruth Two", Role: events.RoleOwner})}
	d.open(t)
	if d.Configured() || !d.OwnerMissing() {
		t.Error("configured before there is an owner")
	}
	v := d.visitor("")
	if !v.Open {
		t.Error("before there is an owner somebody is asked who they are")
	}
	if err := d.Begin(t.Context(), v, "", "ruth", secretOf("ruth")); err == nil {
		t.Error("without a code drawn, the empty one is taken")
	}
	void := d.NewOwnerCode()
	c := d.NewOwnerCode()
	for name, err := range map[string]error{
		"an earlier code": d.Begin(t.Context(), v, void, "ruth", secretOf("ruth")),
		"a technician":    d.Begin(t.Context(), v, c, "ines", secretOf("ines")),
		"a weak secret":   d.Begin(t.Context(), v, c, "ruth", "weak"),
		"an own name":     d.Begin(t.Context(), v, c, "ruth", "Ruth Fenholt"),
	} {
		if err == nil || d.Configured() {
			t.Errorf("%s: %v, configured %v", name, err, d.Configured())
		}
	}
	var wg sync.WaitGroup
	made := make(chan string, 12)
	for i := range 12 {
		id := []string{"ruth", "ruth2"}[i%2]
		wg.Go(func() {
			if d.Begin(t.Context(), &Visit{From: fmt.Sprint("192.0.2.", i)}, strings.ToLower(c), id, secretOf(id)) == nil {
				made <- id
			}
		})
	}
	wg.Wait()
	if len(made) != 1 || !d.Configured() || d.OwnerMissing() {
		t.Fatalf("%d owners were made with one code; configured %v", len(made), d.Configured())
	}
	if got := d.book.changes(); !slices.Equal(got, []string{events.AccessOwnerMade}) {
		t.Errorf("noted: %q", got)
	}
	if d.visitor("").Open {
		t.Error("with an owner the doors are open still")
	}
}

// An owner code that could not be put to use, because the disk refused, is good
// still; nobody was made owner.
func TestOwnerCodeDiskFull(t *testing.T) {
	d := &door{dir: filepath.Join(t.TempDir(), "access"), book: &book{}, at: time.Unix(1_700_000_000, 0), people: staff()}
	d.open(t)
	defer d.Close()
	c := d.NewOwnerCode()
	away := d.dir + ".away"
	if err := os.Rename(d.dir, away); err != nil {
		t.Fatal(err)
	}
	if err := d.Begin(t.Context(), d.visitor(""), c, "ruth", secretOf("ruth")); err == nil || d.Configured() {
		t.Fatalf("an owner that is not on disk: %v, configured %v", err, d.Configured())
	}
	if err := os.Rename(away, d.dir); err != nil {
		t.Fatal(err)
	}
	if err := d.Begin(t.Context(), d.visitor(""), c, "ruth", secretOf("ruth")); err != nil || !d.Configured() {
		t.Errorf("once the disk is back: %v", err)
	}
}

// An enrolment code: once, within ten minutes, one for a name, of its kind.
func TestEnrolment(t *testing.T) {
	d := newDoor(t, filepath.Join(t.TempDir(), "access"))
	draw := func(name string) string {
		t.Helper()
		d.at = d.at.Add(time.Minute)
		c, err := d.NewCode(d.visitor(""), KindScreen, name, "axle")
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	enrol := func(c string) (string, error) {
		d.at = d.at.Add(10 * time.Second)
		tok, _, err := d.Enrol(t.Context(), d.visitor(""), c)
		return tok, err
	}
	for _, bad := range []struct{ kind, name string }{{"owner", "x"}, {KindScreen, ""}, {KindScreen, "a b"}, {KindScreen, "../x"}, {KindScreen, strings.Repeat("x", 41)}, {KindScreen, "ü"}} {
		if _, err := d.NewCode(d.visitor(""), bad.kind, bad.name, ""); err == nil {
			t.Errorf("a code for %+v", bad)
		}
	}
	first := draw("screen-1")
	second := draw("screen-1")
	if _, err := enrol(first); err == nil {
		t.Error("of two codes for one name the earlier is in force")
	}
	tok, err := enrol(" " + strings.ToLower(second))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := enrol(second); err == nil {
		t.Error("a code works twice")
	}
	if _, err := d.NewCode(d.visitor(""), KindScreen, "screen-1", ""); err == nil {
		t.Error("a second device of one name")
	}
	late := draw("screen-2")
	d.at = d.at.Add(CodeLimit)
	if _, err := enrol(late); err == nil {
		t.Error("a code is in force after its time")
	}
	v := d.visit(d.request("", tok), false)
	if v.Who != Screen || v.Device.ID != "screen-1" || v.Device.Bench != "axle" || v.SignedIn() {
		t.Errorf("an enrolled screen is taken for %s, %+v", v.Who, v.Device)
	}
	if m := d.visit(d.request("", d.enrol(t, KindMonitor, "metrics")), false); m.Who != Monitor {
		t.Errorf("an enrolled monitor is taken for %s", m.Who)
	}
	// A token of a device is none of a session, and the other way round.
	if v := d.visit(d.request(tok, ""), false); v.Who != Nobody {
		t.Errorf("a device's token as a session: %s", v.Who)
	}
	if v := d.visit(d.request("", d.signIn(t, "ruth")), false); v.Who != Nobody {
		t.Errorf("a session's token as a device: %s", v.Who)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d.open(t)
	defer d.Close()
	v = d.visit(d.request("", tok), false)
	if v.Who != Screen || !v.Still() {
		t.Error("after a restart the screen is not known")
	}
	if err := d.Remove(t.Context(), d.visitor(""), "screen-1"); err != nil {
		t.Fatal(err)
	}
	if v.Still() || d.visit(d.request("", tok), false).Who != Nobody {
		t.Error("a removed screen comes in")
	}
	if err := d.Remove(t.Context(), d.visitor(""), "screen-1"); err == nil {
		t.Error("removed twice")
	}
}

// Each line of the table, each kind of visitor: let in if and only if the line
// names the kind, and each refusal is counted and noted, with who and where
// from, but no secret.
func TestDoorAgainstTable(t *testing.T) {
	d := newDoor(t, "")
	requests := map[Who]*http.Request{Nobody: d.request("", ""), Screen: d.request("", d.enrol(t, KindScreen, "screen-1")), Monitor: d.request("", d.enrol(t, KindMonitor, "monitor-1"))}
	for _, p := range d.people {
		d.at = d.at.Add(time.Minute)
		requests[roleOf(p.Role)] = d.request(d.signIn(t, p.ID), "")
	}
	if len(requests) != len(Kinds) {
		t.Fatalf("%d kinds of visitor are tried, there are %d", len(requests), len(Kinds))
	}
	tried, shut := 0, 0
	for pattern, line := range Table {
		if strings.HasPrefix(pattern, Ask) {
			continue
		}
		for who, r := range requests {
			in := false
			var refused *Refused
			before := d.Refused()
			d.Door(pattern, http.HandlerFunc(func(http.ResponseWriter, *http.Request) { in = true }),
				func(_ http.ResponseWriter, _ *http.Request, e *Refused) { refused = e }).ServeHTTP(httptest.NewRecorder(), r)
			tried++
			want := line.Who&who != 0
			if in != want || (refused == nil) != want {
				t.Errorf("%s by %s: in %v, refused %v", pattern, who, in, refused)
			}
			if want {
				continue
			}
			shut++
			status := http.StatusForbidden
			if who == Nobody {
				status = http.StatusUnauthorized
			}
			if refused.Status != status || refused.Text == "" || refused.Todo == "" || d.Refused() != before+1 {
				t.Errorf("%s by %s: %+v, %d refusals counted", pattern, who, refused, d.Refused()-before)
			}
		}
	}
	if shut == 0 || shut == tried {
		t.Fatalf("%d tried, %d refused", tried, shut)
	}
	d.refusals.flush(t.Context(), true)
	var noted uint64
	for _, r := range d.book.refused() {
		noted += uint64(r.Times)
	}
	if noted != d.Refused() || noted != uint64(shut) {
		t.Errorf("%d refused, %d counted, %d noted in the journal", shut, d.Refused(), noted)
	}
	t.Logf("%d patterns and visitors tried, %d refused", tried, shut)
	// What the table lacks is closed to all.
	for who, r := range requests {
		in := false
		d.Door("GET /nowhere", http.HandlerFunc(func(http.ResponseWriter, *http.Request) { in = true }), func(http.ResponseWriter, *http.Request, *Refused) {}).ServeHTTP(httptest.NewRecorder(), r)
		if in {
			t.Errorf("a page without a line is open to %s", who)
		}
	}
	if got := Unlisted([]string{"GET /jobs", "GET /nowhere"}); !slices.Equal(got, []string{"GET /nowhere"}) {
		t.Errorf("unlisted: %q", got)
	}
}

// A request goes through only in the name of who is there: signed in, proven by
// secret, or at an enrolled screen a person whose role the line names and whom
// a badge is enough for. Held against random visitors, requests and names.
func TestAskedInNobodyElsesName(t *testing.T) {
	d := newDoor(t, "")
	screen := d.enrol(t, KindScreen, "screen-1")
	tokens := map[string]string{"": ""}
	for _, p := range d.people {
		d.at = d.at.Add(time.Minute)
		tokens[p.ID] = d.signIn(t, p.ID)
	}
	role := map[string]events.Role{}
	for _, p := range d.people {
		role[p.ID] = p.Role
	}
	ids := []string{"ruth", "maren", "petra", "ines", "aud"}
	asks := []events.Data{
		events.JobAsked{}, events.JobPauseAsked{}, events.ReleaseAsked{}, events.AbandonAsked{}, events.HoldReleaseAsked{}, events.ReadingClaimAsked{},
		events.CalibrationAsked{}, events.OverrideAsked{}, events.AlertAckAsked{}, events.ReadingTaken{}, events.RecallAsked{}, events.ShopDescribed{},
	}
	through := 0
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SampledFrom(append([]string{""}, ids...)).Draw(t, "signed in")
		dev := ""
		if rapid.Bool().Draw(t, "at a screen") {
			dev = screen
		}
		by := rapid.SampledFrom(append([]string{"", "nobody"}, ids...)).Draw(t, "in the name of")
		v := d.visit(d.request(tokens[in], dev), true)
		proven := rapid.SampledFrom(append([]string{""}, ids...)).Draw(t, "countersigned by")
		if proven != "" {
			d.at = d.at.Add(time.Second)
			d.byPerson.clear(proven)
			d.byAddress.clear("192.0.2.7")
			if err := v.Countersign(context.Background(), proven, secretOf(proven)); err != nil {
				t.Fatal(err)
			}
		}
		data := inNameOf(rapid.SampledFrom(asks).Draw(t, "request"), by)
		name, _ := data.EventType()
		line := Table[Ask+name]
		err := d.Allow(context.WithValue(context.Background(), visitKey{}, v), data)
		if err != nil {
			return
		}
		through++
		right := line.Who&roleOf(role[by]) != 0
		switch {
		case by != "" && by == proven && right:
		case in != "" && by == in && right:
		case in == "" && dev != "" && line.Who&Screen != 0 && (right && !(line.LeadProves && role[by].Leads()) || role[by] == ""):
			// whom nobody knows, the rules refuse
		default:
			t.Fatalf("%s in the name of %q went through: signed in %q, screen %v, countersigned by %q", name, by, in, dev != "", proven)
		}
	})
	if through == 0 {
		t.Error("nothing ever went through")
	}
	if err := d.Allow(t.Context(), events.JobAsked{}); err == nil {
		t.Error("without a visitor a request goes through")
	}
	wrong := d.visit(d.request("", screen), true)
	if err := wrong.Countersign(t.Context(), "maren", "a wrong secret"); err == nil || len(wrong.proven) > 0 {
		t.Error("a wrong secret countersigns")
	}
}

// inNameOf sets who asks.
func inNameOf(d events.Data, by string) events.Data {
	a := events.Ask{By: by}
	switch x := d.(type) {
	case events.JobAsked:
		x.Ask = a
		return x
	case events.JobPauseAsked:
		x.Ask = a
		return x
	case events.ReleaseAsked:
		x.Ask = a
		return x
	case events.AbandonAsked:
		x.Ask = a
		return x
	case events.HoldReleaseAsked:
		x.Ask = a
		return x
	case events.ReadingClaimAsked:
		x.Ask = a
		return x
	case events.CalibrationAsked:
		x.Ask = a
		return x
	case events.OverrideAsked:
		x.Ask = a
		return x
	case events.AlertAckAsked:
		x.Ask = a
		return x
	case events.RecallAsked:
		x.Ask = a
		return x
	case events.ReadingTaken:
		x.By = by
		return x
	}
	return d
}

// Refusals of whatever kinds and rhythm: all are counted, none is written
// twice, few are written, and a journal that is away costs only the note.
func TestRefusalsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := &book{}
		now := time.Unix(1_700_000_000, 0)
		r := newRefusals(b, slog.New(slog.DiscardHandler), func() time.Time { return now })
		n := rapid.IntRange(1, 400).Draw(t, "refusals")
		for range n {
			now = now.Add(time.Duration(rapid.IntRange(0, 3000).Draw(t, "ms")) * time.Millisecond)
			r.add(context.Background(), events.AccessRefused{Why: rapid.SampledFrom([]string{events.RefusedRole, events.RefusedSecret}).Draw(t, "why"),
				What: fmt.Sprint("GET /", rapid.IntRange(0, 60).Draw(t, "what")), From: "192.0.2.7"})
			if rapid.IntRange(0, 20).Draw(t, "flush") == 0 {
				r.flush(context.Background(), false)
			}
		}
		span := now.Sub(time.Unix(1_700_000_000, 0))
		r.flush(context.Background(), true)
		times := 0
		for _, x := range b.refused() {
			times += x.Times
			if x.SinceUs > x.AtUs || x.Times < 1 {
				t.Fatalf("noted: %+v", x)
			}
		}
		if times != n || r.total() != uint64(n) {
			t.Fatalf("%d refusals, %d counted, %d noted", n, r.total(), times)
		}
		// First ones at their pace, each once more at the end of its fold.
		if most := 2 * (writeBurst + int(span/writeEvery) + 2 + 2); len(b.all) > most {
			t.Fatalf("%d refusals within %v made %d events, at most %d", n, span, len(b.all), most)
		}
	})
	d := newDoor(t, "")
	d.book.fail = errors.New("the journal is away")
	err := d.Allow(context.WithValue(t.Context(), visitKey{}, d.visitor("")), events.ReleaseAsked{})
	if err == nil || d.Refused() != 1 || !strings.Contains(d.log.String(), "the journal is away") {
		t.Errorf("with the journal away: %v, %d counted, log %q", err, d.Refused(), d.log.String())
	}
}

// Wrong secrets never reach journal, log or file, whatever they are, not even
// typed as a name.
func TestSecretsAreNowhere(t *testing.T) {
	d := newDoor(t, filepath.Join(t.TempDir(), "access"))
	defer d.Close()
	const typed = "my very own passphrase"
	for _, c := range [][2]string{{"ines", typed}, {typed, "ines"}, {typed, typed}} {
		d.at = d.at.Add(time.Minute)
		if _, _, err := d.SignIn(t.Context(), d.visitor(""), c[0], c[1]); err == nil || strings.Contains(err.Error(), typed) {
			t.Errorf("sign-in as %q: %v", c[0], err)
		}
	}
	_ = d.Begin(t.Context(), d.visitor(""), typed, typed, typed)
	_, _, _ = d.Enrol(t.Context(), d.visitor(""), typed)
	tok := d.signIn(t, "ines")
	d.refusals.flush(t.Context(), true)
	file, err := os.ReadFile(filepath.Join(d.dir, File))
	if err != nil {
		t.Fatal(err)
	}
	notes, err := json.Marshal(d.book.all)
	if err != nil {
		t.Fatal(err)
	}
	for where, text := range map[string]string{"the journal": string(notes), "the log": d.log.String(), "the file": string(file)} {
		for _, secret := range []string{typed, secretOf("ines"), secretOf("ruth"), tok, codeOf(typed)} {
			if strings.Contains(text, secret) {
				t.Errorf("%s holds %q", where, secret)
			}
		}
	}
	if len(d.book.refused()) == 0 {
		t.Error("no refusal was noted")
	}
}

// The file of secrets: for one program, for its user alone, whole at all times.
func TestStore(t *testing.T) {
	d := newDoor(t, filepath.Join(t.TempDir(), "access"))
	if _, err := Open(Config{Dir: d.dir, People: staff, Cost: cheap}); !errors.Is(err, ErrInUse) {
		t.Errorf("opened twice: %v", err)
	}
	if s, err := Look(d.dir); err != nil || !s.Configured || len(s.People) != 5 {
		t.Errorf("a look beside the service: %+v, %v", s, err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(d.dir, File)
	good, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(name, 0o644); err != nil {
		t.Fatal(err)
	}
	if loose, err := Loose(d.dir); err != nil || len(loose) != 1 {
		t.Errorf("a file that others can read: %v, %v", loose, err)
	}
	d.open(t)
	if loose, err := Loose(d.dir); err != nil || len(loose) != 0 || !strings.Contains(d.log.String(), "others could read") {
		t.Errorf("not shut, or not said: %v, %v", loose, err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	for what, text := range map[string]string{"cut": string(good[:len(good)/2]), "empty": "", "of no form": "{}", "newer": strings.Replace(string(good), `"form": 1`, `"form": 2`, 1)} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		// A damaged file must not open the doors.
		if k, err := Open(Config{Dir: d.dir, People: staff, Cost: cheap}); err == nil {
			t.Errorf("%s: opened, configured %v", what, k.Configured())
		}
		if b, err := os.ReadFile(name); err != nil || string(b) != text {
			t.Errorf("%s: the file was changed", what)
		}
	}
	if err := os.WriteFile(name, good, 0o600); err != nil {
		t.Fatal(err)
	}
	d.open(t)
	defer d.Close()
	d.signIn(t, "ines")
	if left, _ := filepath.Glob(filepath.Join(d.dir, ".secrets-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
