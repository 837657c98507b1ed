package dashboards

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"witnessmark/dashboards/access"
	"witnessmark/dashboards/record"
	"witnessmark/events"
	"witnessmark/rules"
)

// accessRoutes are the ways in, and the pages about who has one.
func (p *Pages) accessRoutes(page func(pattern, name string, h func(http.ResponseWriter, *http.Request) error)) {
	page("GET /sign-in", "sign-in", p.signInPage)
	page("POST /sign-in", "sign-in", p.guarded(p.signIn))
	page("POST /sign-out", "sign-out", p.guarded(p.signOut))
	page("GET /begin", "begin", p.beginPage)
	page("POST /begin", "begin", p.guarded(p.begin))
	page("GET /enrol", "enrol", p.enrolPage)
	page("POST /enrol", "enrol", p.guarded(p.enrol))
	page("GET /me", "me", p.mePage)
	page("POST /me/secret", "me", p.guarded(p.ownSecret))
	page("GET /access", "access", p.abreast(p.accessPage))
	page("POST /access/secret", "access", p.guarded(p.configured(p.giveSecret)))
	page("POST /access/forget", "access", p.guarded(p.configured(p.forgetSecret)))
	page("POST /access/enrol", "access", p.guarded(p.configured(p.newDevice)))
	page("POST /access/remove", "access", p.guarded(p.configured(p.removeDevice)))
	page("GET /access/refusals", "refusals", p.abreast(p.refusalsPage))
}

// guarded runs h where access is decided at all, and says what it refuses.
func (p *Pages) guarded(h func(http.ResponseWriter, *http.Request, form) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if p.cfg.Access == nil {
			return problem(http.StatusConflict, "Here nobody signs in.", "This service was started without it, as tests are.")
		}
		f, err := readFields(w, r)
		if err != nil {
			return err
		}
		err = h(w, r, f)
		if e, ok := accessProblem(err); ok {
			return e
		}
		return err
	}
}

// configured refuses to change people and devices before there is an owner.
func (p *Pages) configured(h func(http.ResponseWriter, *http.Request, form) error) func(http.ResponseWriter, *http.Request, form) error {
	return func(w http.ResponseWriter, r *http.Request, f form) error {
		if !p.cfg.Access.Configured() {
			return problem(http.StatusConflict, "There is no owner yet.", "Make one first: the page Begin says how.")
		}
		return h(w, r, f)
	}
}

// missing is a complaint about what a form leaves out; nil if nothing.
func missing(f form) error {
	if len(*f.missing) == 0 {
		return nil
	}
	return problem(http.StatusBadRequest, strings.Join(*f.missing, " "), "Go back and fill it in.")
}

// localPath returns to if it is a path of these pages, else "/".
func localPath(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		return "/"
	}
	return u.RequestURI()
}

type signInView struct {
	To         string
	Configured bool
	Code       bool // an owner code is in force
	Device     access.Device
	People     []personView // at an enrolled screen: who is in the shop
}

func (p *Pages) signInPage(w http.ResponseWriter, r *http.Request) error {
	s := signInView{To: localPath(r.FormValue("to"))}
	if k := p.cfg.Access; k != nil {
		s.Configured = k.Configured()
	}
	if v := visit(r); v != nil {
		s.Device = v.Device
	}
	p.render(w, r, http.StatusOK, "sign-in", "Sign in", s)
	return nil
}

func (p *Pages) signIn(w http.ResponseWriter, r *http.Request, f form) error {
	id, secret := f.need("person", "Type your id."), f.values.Get("secret")
	if secret == "" {
		*f.missing = append(*f.missing, "Type your passphrase, or scan your secret badge code.")
	}
	if err := missing(f); err != nil {
		return err
	}
	if !p.cfg.Access.Configured() {
		return problem(http.StatusConflict, "There is no owner yet, so nobody has to sign in.", "Make an owner first: the page Begin says how.")
	}
	token, who, err := p.cfg.Access.SignIn(r.Context(), visit(r), id, secret)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"token": token, "person": who.ID, "name": who.Name, "role": who.Role, "idle_s": int(access.IdleLimit.Seconds()), "long_s": int(access.LongLimit.Seconds())})
	}
	access.KeepSession(w, r, token)
	http.Redirect(w, r, localPath(f.get("to")), http.StatusSeeOther)
	return nil
}

func (p *Pages) signOut(w http.ResponseWriter, r *http.Request, _ form) error {
	if err := p.cfg.Access.SignOut(visit(r)); err != nil {
		return err
	}
	access.DropSession(w, r)
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true})
	}
	to := "/sign-in"
	if visit(r).Device.ID != "" {
		to = "/"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

func (p *Pages) beginPage(w http.ResponseWriter, r *http.Request) error {
	configured := p.cfg.Access != nil && p.cfg.Access.Configured()
	p.render(w, r, http.StatusOK, "begin", "Begin to sign in", signInView{Configured: configured})
	return nil
}

func (p *Pages) begin(w http.ResponseWriter, r *http.Request, f form) error {
	code, id := f.need("code", "Type the owner code that the service printed."), f.need("person", "Type the id of an owner of the shop file.")
	secret, err := newSecret(f)
	if err != nil {
		return err
	}
	if err := p.cfg.Access.Begin(r.Context(), visit(r), code, id, secret); err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true, "person": id})
	}
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

// newSecret reads a new secret that was typed twice.
func newSecret(f form) (string, error) {
	secret := f.values.Get("secret")
	if secret == "" {
		*f.missing = append(*f.missing, "Type a passphrase, or scan a secret badge code.")
	}
	if err := missing(f); err != nil {
		return "", err
	}
	if secret != f.values.Get("again") {
		return "", problem(http.StatusBadRequest, "The two secrets differ.", "Go back and type the same one twice.")
	}
	return secret, nil
}

func (p *Pages) enrolPage(w http.ResponseWriter, r *http.Request) error {
	var s signInView
	if v := visit(r); v != nil {
		s.Device = v.Device
	}
	s.Configured = p.cfg.Access != nil && p.cfg.Access.Configured()
	p.render(w, r, http.StatusOK, "enrol", "Enrol this screen", s)
	return nil
}

func (p *Pages) enrol(w http.ResponseWriter, r *http.Request, f form) error {
	code := f.need("code", "Type the enrolment code.")
	if err := missing(f); err != nil {
		return err
	}
	token, d, err := p.cfg.Access.Enrol(r.Context(), visit(r), code)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"token": token, "device": d.ID, "kind": d.Kind, "bench": d.Bench})
	}
	access.KeepDevice(w, r, token)
	to := "/"
	if d.Bench != "" && p.hasBench(d.Bench) {
		to = "/bench/" + url.PathEscape(d.Bench)
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

type meView struct {
	Name, Role string
	Idle, Long time.Duration
}

func (p *Pages) mePage(w http.ResponseWriter, r *http.Request) error {
	v := visit(r)
	if !v.SignedIn() {
		return problem(http.StatusConflict, "Nobody is signed in here.", "There is no owner yet, so nobody has to.")
	}
	p.render(w, r, http.StatusOK, "me", v.Name, meView{v.Name, string(v.Role), access.IdleLimit, access.LongLimit})
	return nil
}

func (p *Pages) ownSecret(w http.ResponseWriter, r *http.Request, f form) error {
	v := visit(r)
	if !v.SignedIn() {
		return problem(http.StatusConflict, "Nobody is signed in here.", "Sign in first.")
	}
	old := f.values.Get("old")
	if old == "" {
		*f.missing = append(*f.missing, "Type your present secret.")
	}
	secret, err := newSecret(f)
	if err != nil {
		return err
	}
	if err := p.cfg.Access.ChangeSecret(r.Context(), v, old, secret); err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true})
	}
	access.DropSession(w, r)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

type accessView struct {
	Configured bool
	Owner      bool // who looks may change secrets
	People     []standingView
	Devices    []enrolledView
	Benches    []events.Bench
	Changes    []changeView
	Code       *codeView // just drawn
	TLS        bool
	Refused    int // since the start
}

type standingView struct {
	access.Standing
	Set string
}

type enrolledView struct {
	access.Device
	BenchName, ByName, Since, Seen string
}

type changeView struct{ At, What, By, From string }

type codeView struct{ Code, Name, Kind string }

func (p *Pages) accessPage(w http.ResponseWriter, r *http.Request) error {
	v, err := p.accessView(r)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, v.plain())
	}
	p.render(w, r, http.StatusOK, "access", "People and screens", v)
	return nil
}

// plain is the page as programs read it: nothing of a secret is in it.
func (v *accessView) plain() map[string]any {
	type personJSON struct {
		ID       string         `json:"id"`
		Name     string         `json:"name"`
		Role     events.Role    `json:"role"`
		Secret   bool           `json:"can_sign_in"`
		SetUs    events.Instant `json:"secret_set_us,omitempty"`
		Sessions int            `json:"sessions"`
		Gone     bool           `json:"not_in_shop_file,omitempty"`
	}
	type deviceJSON struct {
		ID     string         `json:"id"`
		Kind   string         `json:"kind"`
		Bench  string         `json:"bench,omitempty"`
		By     string         `json:"by"`
		AtUs   events.Instant `json:"enrolled_us"`
		SeenUs events.Instant `json:"seen_us"`
	}
	people, devices := []personJSON{}, []deviceJSON{}
	for _, s := range v.People {
		people = append(people, personJSON{s.ID, s.Name, s.Role, s.Secret, s.SetUs, s.Sessions, s.Gone})
	}
	for _, d := range v.Devices {
		devices = append(devices, deviceJSON{d.ID, d.Kind, d.Bench, d.By, d.AtUs, d.SeenUs})
	}
	return map[string]any{"configured": v.Configured, "people": people, "devices": devices}
}

func (p *Pages) accessView(r *http.Request) (*accessView, error) {
	v := &accessView{TLS: r.TLS != nil}
	k := p.cfg.Access
	if k == nil {
		return v, nil
	}
	v.Configured, v.Refused = k.Configured(), int(k.Refused())
	v.Owner = visit(r).May("POST /access/secret")
	changes, err := p.cfg.Ledger.AccessChanges(r.Context(), 50)
	if err != nil {
		return nil, err
	}
	p.cfg.Service.View(func(st *rules.State) {
		w := viewer{st, p.now()}
		v.Benches = st.Shop.Benches
		for _, s := range k.Standings() {
			x := standingView{Standing: s}
			if s.Secret {
				x.Set = clockTime(s.SetUs, w.now)
			}
			v.People = append(v.People, x)
		}
		for _, d := range k.Devices() {
			v.Devices = append(v.Devices, enrolledView{d, w.benchName(d.Bench), w.personName(d.By), clockTime(d.AtUs, w.now), clockTime(d.SeenUs, w.now)})
		}
		for _, c := range changes {
			x := changeView{At: clockTime(c.AtUs, w.now), By: w.personName(c.By), From: c.From}
			who := w.personName(c.Person)
			switch c.What {
			case events.AccessOwnerMade:
				x.What = who + " became owner with the owner code"
			case events.AccessSecretSet:
				x.What = who + " has a new secret"
			case events.AccessSecretRemoved:
				x.What = who + " cannot sign in any more"
			case events.AccessDeviceAdded:
				x.What = "device " + c.Device + " was enrolled"
				if c.Bench != "" {
					x.What += " for " + w.benchName(c.Bench)
				}
			case events.AccessDeviceRemoved:
				x.What = "device " + c.Device + " was removed"
			default:
				x.What = c.What
			}
			v.Changes = append(v.Changes, x)
		}
	})
	return v, nil
}

// accessDone shows the page after a change.
func (p *Pages) accessDone(w http.ResponseWriter, r *http.Request) error {
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true})
	}
	http.Redirect(w, r, "/access", http.StatusSeeOther)
	return nil
}

func (p *Pages) giveSecret(w http.ResponseWriter, r *http.Request, f form) error {
	id := f.need("person", "Choose a person.")
	secret, err := newSecret(f)
	if err != nil {
		return err
	}
	if err := p.cfg.Access.SetSecret(r.Context(), visit(r), id, secret); err != nil {
		return err
	}
	return p.accessDone(w, r)
}

func (p *Pages) forgetSecret(w http.ResponseWriter, r *http.Request, f form) error {
	id := f.need("person", "Choose a person.")
	if err := missing(f); err != nil {
		return err
	}
	if err := p.cfg.Access.Forget(r.Context(), visit(r), id); err != nil {
		return err
	}
	return p.accessDone(w, r)
}

func (p *Pages) newDevice(w http.ResponseWriter, r *http.Request, f form) error {
	kind, name, bench := f.need("kind", "Choose what it is."), f.need("name", "Give the device a name."), f.get("bench")
	if err := missing(f); err != nil {
		return err
	}
	if kind == access.KindScreen && !p.hasBench(bench) {
		return problem(http.StatusBadRequest, "A screen stands at a bench of the shop file.", "Choose its bench.")
	}
	if kind != access.KindScreen {
		bench = ""
	}
	code, err := p.cfg.Access.NewCode(visit(r), kind, name, bench)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"code": code, "device": name, "minutes": int(access.CodeLimit.Minutes())})
	}
	v, err := p.accessView(r)
	if err != nil {
		return err
	}
	v.Code = &codeView{code, name, kind}
	p.render(w, r, http.StatusOK, "access", "People and screens", v)
	return nil
}

func (p *Pages) removeDevice(w http.ResponseWriter, r *http.Request, f form) error {
	id := f.need("device", "Choose a device.")
	if err := missing(f); err != nil {
		return err
	}
	if err := p.cfg.Access.Remove(r.Context(), visit(r), id); err != nil {
		return err
	}
	return p.accessDone(w, r)
}

type refusalView struct {
	When, What, Why, Who, From string
	Times                      int
}

// refusalsPage lists who was not let do what.
func (p *Pages) refusalsPage(w http.ResponseWriter, r *http.Request) error {
	all, err := p.cfg.Ledger.AccessRefusals(r.Context(), 300)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		out := make([]events.AccessRefused, 0, len(all))
		for i := range all {
			out = append(out, all[i].AccessRefused)
		}
		return writeJSON(w, http.StatusOK, map[string]any{"refusals": out})
	}
	var lines []refusalView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		for _, x := range all {
			l := refusalView{When: clockTime(x.AtUs, v.now), What: whatWords(x.What), Why: whyWords(x.Why), From: x.From, Times: x.Times}
			if x.SinceUs != x.AtUs {
				l.When = clockTime(x.SinceUs, v.now) + " to " + clockTime(x.AtUs, v.now)
			}
			switch {
			case x.Person != "" && x.Device != "":
				l.Who = v.personName(x.Person) + ", at " + x.Device
			case x.Person != "":
				l.Who = v.personName(x.Person)
			case x.Device != "":
				l.Who = "device " + x.Device
			default:
				l.Who = "not known"
			}
			lines = append(lines, l)
		}
	})
	p.render(w, r, http.StatusOK, "refusals", "Refused", lines)
	return nil
}

func whatWords(what string) string {
	switch what {
	case "":
		return "various"
	case "POST /sign-in":
		return "sign in"
	case "POST /begin":
		return "become owner"
	case "POST /enrol":
		return "enrol a device"
	case "countersign":
		return "add a secret to a request"
	case "POST /do/{what}", "POST /api/asks/{type}":
		return "ask for anything at a bench"
	case "POST /me/secret":
		return "change the own secret"
	}
	if page, ok := strings.CutPrefix(what, "GET "); ok {
		return "look at " + strings.TrimSuffix(page, "{$}")
	}
	return record.RequestInWords(strings.TrimPrefix(what, "POST "))
}

func whyWords(why string) string {
	switch why {
	case events.RefusedUnknown:
		return "nobody was signed in"
	case events.RefusedRole:
		return "the role does not allow it"
	case events.RefusedOther:
		return "asked in another's name"
	case events.RefusedSecret:
		return "name and secret did not fit"
	case events.RefusedCode:
		return "the code was not in force"
	case events.RefusedTooMany:
		return "too many tries"
	case events.RefusedForeign:
		return "came from another site's page"
	case events.RefusedNotScreen:
		return "a screen by itself may not"
	}
	return why
}
