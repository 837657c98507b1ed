package access

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"witnessmark/events"
)

// Visit is one request and who makes it.
type Visit struct {
	Open   bool // access is not configured: nobody is asked
	Who    Who
	Person string // signed in; "" for nobody
	Role   events.Role
	Name   string // of the person
	Device Device // an enrolled device, if ID is not ""
	From   string // network address without port

	session string        // fingerprint
	ended   chan struct{} // closed when the session ends
	Expired bool          // it came with a session that has ended
	proven  map[string]events.Role
	keeper  *Keeper
}

type visitKey struct{}

// Of returns the visit that a request is part of, nil where no keeper stands
// before it.
func Of(ctx context.Context) *Visit {
	v, _ := ctx.Value(visitKey{}).(*Visit)
	return v
}

// SignedIn reports whether a person is signed in.
func (v *Visit) SignedIn() bool { return v != nil && v.session != "" }

// IsScreen reports whether it comes from an enrolled bench screen at which
// nobody is signed in.
func (v *Visit) IsScreen() bool { return v != nil && v.session == "" && v.Device.Kind == KindScreen }

// May reports whether the visitor has a line in the table: a pattern or Ask
// and a request.
func (v *Visit) May(what string) bool { return v == nil || v.Open || Table[what].Who&v.Who != 0 }

// Ended is closed when the visitor's session ends, and nil where there is none.
func (v *Visit) Ended() <-chan struct{} {
	if v == nil || v.ended == nil {
		return nil
	}
	return v.ended
}

// Still reports whether the visitor would be let in again. It ends a session
// whose time has come.
func (v *Visit) Still() bool {
	switch {
	case v == nil || v.Open:
		return v == nil || !v.keeper.Configured()
	case v.session != "":
		k := v.keeper
		k.mu.Lock()
		defer k.mu.Unlock()
		s := k.sessions[v.session]
		if s != nil && k.over(s, k.cfg.Now()) {
			k.end(func(x *session) bool { return x == s })
			s = nil
		}
		return s != nil
	case v.Device.ID != "":
		k := v.keeper
		k.mu.Lock()
		defer k.mu.Unlock()
		for _, d := range k.d.Devices {
			if d.Token == v.Device.Token {
				return true
			}
		}
		return false
	}
	return true
}

// Names of the cookies. Over TLS they carry the prefix that keeps other names
// of the same domain from setting them.
const (
	sessionCookie = "wm_session"
	deviceCookie  = "wm_device"
	hostPrefix    = "__Host-"
)

func cookie(r *http.Request, name string) string {
	if r.TLS != nil {
		name = hostPrefix + name
	}
	c, err := r.Cookie(name)
	if err != nil {
		return ""
	}
	return c.Value
}

func setCookie(w http.ResponseWriter, r *http.Request, name, value string, age time.Duration) {
	c := &http.Cookie{Name: name, Value: value, Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode, MaxAge: int(age.Seconds())}
	if r.TLS != nil {
		c.Name = hostPrefix + name
	}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// KeepSession gives the browser a session's token.
func KeepSession(w http.ResponseWriter, r *http.Request, token string) {
	setCookie(w, r, sessionCookie, token, LongLimit)
}

// KeepDevice gives the browser a device's token. Browsers keep it for 400 days
// at most, so it is given anew now and then.
func KeepDevice(w http.ResponseWriter, r *http.Request, token string) {
	setCookie(w, r, deviceCookie, token, 400*24*time.Hour)
}

// DropSession takes the session's token from the browser.
func DropSession(w http.ResponseWriter, r *http.Request) { setCookie(w, r, sessionCookie, "", 0) }

// visit finds out who makes a request. quiet is true of what a page does by
// itself: it does not keep a session alive.
func (k *Keeper) visit(r *http.Request, quiet bool) *Visit {
	v := &Visit{Who: Nobody, From: address(r.RemoteAddr), keeper: k}
	now := k.cfg.Now()
	bearer, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.d.BeganUs == 0 {
		v.Open = true
		return v
	}
	for _, t := range []string{bearer, cookie(r, deviceCookie)} {
		if d, ok := k.device(t, now); ok && t != "" {
			v.Device = d
			v.Who = Screen
			if d.Kind == KindMonitor {
				v.Who = Monitor
			}
			break
		}
	}
	for _, t := range []string{bearer, cookie(r, sessionCookie)} {
		if t == "" || v.session != "" {
			continue
		}
		s := k.sessions[fingerprint(t)]
		if s == nil {
			v.Expired = v.Expired || v.Device.ID == "" || t != bearer
			continue
		}
		if k.over(s, now) {
			k.end(func(x *session) bool { return x == s })
			v.Expired = true
			// On disk too: or it would be back after a restart, if its person's old
			// role is. If it cannot be kept, it is ended until then.
			_ = k.change(func(*saved) {})
			continue
		}
		p, _ := k.person(s.Person)
		v.session, v.ended = s.Token, s.ended
		v.Person, v.Role, v.Name, v.Who = p.ID, p.Role, p.Name, roleOf(p.Role)
		if quiet {
			continue
		}
		was := s.SeenUs.Time()
		s.seen = now
		if now.Sub(was) >= time.Minute {
			// If it cannot be kept, the session ends sooner after a restart.
			_ = k.change(func(*saved) {})
		}
	}
	return v
}

// Refused says why somebody was not let do something, in words.
type Refused struct {
	Why        string // see events.AccessRefused
	Text, Todo string
	Status     int
	// Prove is who could do it by adding a secret; "" for nobody.
	Prove string
}

// Error implements error.
func (e *Refused) Error() string { return e.Text + " " + e.Todo }

// refuse notes a refusal and returns it.
func (k *Keeper) refuse(ctx context.Context, v *Visit, why, what, text, todo string) *Refused {
	k.refusals.add(ctx, events.AccessRefused{Why: why, What: what, Person: v.Person, Role: v.Role, Device: v.Device.ID, From: v.From})
	return &Refused{Why: why, Text: text, Todo: todo, Status: http.StatusForbidden}
}

// Note notes a refusal that somebody else made, such as of another site's page.
func (k *Keeper) Note(r *http.Request, why, what string) {
	if k == nil {
		return
	}
	v := Of(r.Context())
	if v == nil {
		v = &Visit{From: address(r.RemoteAddr)}
	}
	k.refuse(r.Context(), v, why, what, "", "")
}

// Door returns next behind its line in the table. deny answers who is not let
// in.
func (k *Keeper) Door(pattern string, next http.Handler, deny func(http.ResponseWriter, *http.Request, *Refused)) http.Handler {
	line := Table[pattern]
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		quiet := pattern == "GET /live" || r.URL.Query().Has("fragment")
		v := k.visit(r, quiet)
		r = r.WithContext(context.WithValue(r.Context(), visitKey{}, v))
		if !v.Open && line.Who&v.Who == 0 {
			deny(w, r, k.closed(r.Context(), v, pattern, line))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// closed refuses a visitor whom a line does not let in.
func (k *Keeper) closed(ctx context.Context, v *Visit, what string, line Line) *Refused {
	switch {
	case v.Who&Nobody != 0:
		text := "Nobody is signed in here."
		if v.Expired {
			text = "The session has ended."
		}
		e := k.refuse(ctx, v, events.RefusedUnknown, what, text, "Sign in, then do it again.")
		e.Status = http.StatusUnauthorized
		return e
	case v.session == "":
		return k.refuse(ctx, v, events.RefusedNotScreen, what, "This is not done from a device by itself.", "Sign in here, as "+line.Who.words()+".")
	}
	return k.refuse(ctx, v, events.RefusedRole, what, fmt.Sprintf("%s may not do this: the role is %s.", v.Name, v.Role), "Ask "+line.Who.words()+".")
}

// Countersign proves for this request that a person is there, by the person's
// secret.
func (v *Visit) Countersign(ctx context.Context, person, secret string) error {
	if v == nil || v.Open {
		return nil
	}
	p, err := v.keeper.prove(ctx, v, "countersign", person, secret)
	if err != nil {
		return err
	}
	if v.proven == nil {
		v.proven = map[string]events.Role{}
	}
	v.proven[p.ID] = p.Role
	return nil
}

// Submitter appends a request and waits for its decision.
type Submitter interface {
	Submit(ctx context.Context, d events.Data) (events.Entry, events.Decided, error)
}

// Submitter returns s behind the table: a request goes through only if the
// visitor of its context may make it, in the name in which it is made. Without
// a visitor none does.
func (k *Keeper) Submitter(s Submitter) Submitter { return lock{k, s} }

type lock struct {
	k *Keeper
	s Submitter
}

// Submit implements Submitter.
func (l lock) Submit(ctx context.Context, d events.Data) (events.Entry, events.Decided, error) {
	if err := l.k.Allow(ctx, d); err != nil {
		return events.Entry{}, events.Decided{}, err
	}
	return l.s.Submit(ctx, d)
}

// Allow reports why the visitor of ctx may not make a request; nil: may.
func (k *Keeper) Allow(ctx context.Context, d events.Data) error {
	if e := k.allow(ctx, d); e != nil {
		return e
	}
	return nil
}

func (k *Keeper) allow(ctx context.Context, d events.Data) *Refused {
	v := Of(ctx)
	name, _ := d.EventType()
	line := Table[Ask+name]
	if v == nil {
		return k.refuse(ctx, &Visit{}, events.RefusedUnknown, name, "Nobody is known to ask this.", "Ask on the pages or with a command.")
	}
	if v.Open {
		return nil
	}
	by := ""
	switch d := d.(type) {
	case events.BadgeScanned:
		by = k.badge(d.Badge)
		if by == "" {
			by = v.Person // the rules say that nobody has it
		}
	case events.Asker:
		by = d.Asked().By
	case events.ReadingTaken:
		by = d.By
	}
	if role, ok := v.proven[by]; ok {
		if line.Who&roleOf(role) != 0 {
			return nil
		}
		w := *v
		w.Person, w.Role, w.session = by, role, "proven"
		if p, ok := k.person(by); ok {
			w.Name = p.Name
		}
		return k.closed(ctx, &w, name, line)
	}
	if v.SignedIn() {
		switch {
		case by != v.Person:
			e := k.refuse(ctx, v, events.RefusedOther, name, fmt.Sprintf("%s is signed in and cannot do this in another's name.", v.Name), k.askFor(by))
			e.Prove = k.prover(by, line)
			return e
		case line.Who&v.Who == 0:
			return k.closed(ctx, v, name, line)
		}
		return nil
	}
	if line.Who&v.Who == 0 {
		e := k.closed(ctx, v, name, line)
		if v.IsScreen() {
			e.Todo = k.askFor(by)
			e.Prove = k.prover(by, line)
		}
		return e
	}
	p, _ := k.person(by) // whom nobody knows, the rules refuse
	if roleOf(p.Role)&line.Who == 0 && p.ID != "" {
		w := *v
		w.Person, w.Role, w.Name, w.session = p.ID, p.Role, p.Name, "named"
		return k.closed(ctx, &w, name, line)
	}
	if line.LeadProves && p.Role.Leads() {
		e := k.refuse(ctx, v, events.RefusedNotScreen, name, "What a lead may do here, a badge does not prove.", k.askFor(by))
		e.Prove = by
		return e
	}
	return nil
}

func (k *Keeper) askFor(by string) string {
	if p, ok := k.person(by); ok {
		return p.Name + " adds the passphrase or secret badge code, or signs in."
	}
	return "Sign in as the person who does it."
}

// prover is by, if that person's secret would help.
func (k *Keeper) prover(by string, line Line) string {
	if p, ok := k.person(by); ok && roleOf(p.Role)&line.Who != 0 {
		return by
	}
	return ""
}

// badge returns whose badge or code a line is, as the rules read it.
func (k *Keeper) badge(line string) string {
	line = strings.TrimSpace(line)
	people := k.cfg.People()
	for _, p := range people {
		if line != "" && p.Badge == line {
			return p.ID
		}
	}
	for _, p := range people {
		if p.Code != "" && strings.EqualFold(p.Code, line) {
			return p.ID
		}
	}
	return ""
}
