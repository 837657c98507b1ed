package dashboards

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"witnessmark/events"
	"witnessmark/rules"
)

const (
	patience     = 15 * time.Second // for an answer of the rules
	ledgerWait   = 5 * time.Second  // for the ledger to have it, before a page is shown
	personCookie = "wm_person"
)

// requests makes the events that pages ask with. A page's form names one of
// them: POST /do/{name}.
var requests = map[string]func(f form, a events.Ask) events.Data{
	"open": func(f form, a events.Ask) events.Data {
		proc, rev, _ := strings.Cut(f.need("procedure", "Choose a procedure."), "/")
		return events.JobAsked{Ask: a, Job: f.need("job", "Give the job an id."), UnitSerial: f.need("unit_serial", "Give the unit's serial number."),
			Customer: f.get("customer"), Procedure: proc, Revision: rev}
	},
	"pause": func(f form, a events.Ask) events.Data {
		return events.JobPauseAsked{Ask: a, Job: f.job(), Note: f.get("note")}
	},
	"resume": func(f form, a events.Ask) events.Data {
		return events.JobResumeAsked{Ask: a, Job: f.job()}
	},
	"handover": func(f form, a events.Ask) events.Data {
		return events.HandOverAsked{Ask: a, Job: f.job(), ToPerson: f.need("to_person", "Choose who takes over."), ToBench: f.get("to_bench"), Note: f.get("note")}
	},
	"confirm": func(f form, a events.Ask) events.Data {
		return events.StepConfirmAsked{Ask: a, Job: f.job(), Step: f.step(), Answer: f.get("answer")}
	},
	"typed": typedReading,
	"point": func(f form, a events.Ask) events.Data {
		return events.FastenerPointed{Ask: a, Job: f.job(), Step: f.step(), Fastener: f.need("fastener", "Choose a fastener.")}
	},
	"claim": func(f form, a events.Ask) events.Data {
		step, fastener, _ := strings.Cut(f.need("place", "Choose what the reading is for."), "/")
		return events.ReadingClaimAsked{Ask: a, Reading: f.reading(), Job: f.job(), Step: step, Fastener: fastener, Reason: f.reason()}
	},
	"dismiss": func(f form, a events.Ask) events.Data {
		return events.ReadingDismissAsked{Ask: a, Reading: f.reading(), Reason: f.reason()}
	},
	"void": func(f form, a events.Ask) events.Data {
		return events.ReadingVoidAsked{Ask: a, Reading: f.reading(), Reason: f.reason()}
	},
	"decide": func(f form, a events.Ask) events.Data {
		step, fastener, _ := strings.Cut(f.need("place", "Choose what is decided on."), "/")
		return events.DecisionAsked{Ask: a, Job: f.job(), Step: step, Fastener: fastener,
			Choice: f.need("choice", "Choose what is to be done."), Reason: f.reason()}
	},
	"ack": func(f form, a events.Ask) events.Data {
		return events.AlertAckAsked{Ask: a, Alert: f.alert()}
	},
	"settle": func(f form, a events.Ask) events.Data {
		return events.AlertSettleAsked{Ask: a, Alert: f.alert(), Reason: f.reason()}
	},
	"answer": func(f form, a events.Ask) events.Data {
		return events.QuestionAnswered{Ask: a, Job: f.job(), Question: f.need("question", "The question is missing: go back to the bench."),
			Choice: f.need("choice", "Choose an answer.")}
	},
	"audit": func(f form, a events.Ask) events.Data {
		step, fastener, _ := strings.Cut(f.need("place", "Choose which fastener is audited."), "/")
		return events.ResidualAuditAsked{Ask: a, Job: f.job(), Step: step, Fastener: fastener,
			Method: events.ResidualMethod(f.need("choice", "Choose how it is measured."))}
	},
	"turned": func(f form, a events.Ask) events.Data {
		step, fastener, _ := strings.Cut(f.need("place", "Choose which fastener turned."), "/")
		return events.ClosingTurnReported{Ask: a, Job: f.job(), Step: step, Fastener: fastener}
	},
	"measure": guideDo,
	"forget": func(f form, a events.Ask) events.Data {
		return events.LearningForgetAsked{Ask: a, Procedure: f.need("procedure", "The procedure is missing: go back to its page."), Step: f.step(), Reason: f.reason()}
	},
	"scan":    scanRequest,
	"part":    partRequest,
	"undo":    undoRequest,
	"mates":   pairRequest,
	"recheck": recheckRequest,
	"release": func(f form, a events.Ask) events.Data {
		return events.ReleaseAsked{Ask: a, Job: f.job()}
	},
	"abandon": func(f form, a events.Ask) events.Data {
		return events.AbandonAsked{Ask: a, Job: f.job(), Reason: f.reason()}
	},
}

// form reads a posted form and gathers what is missing.
type form struct {
	values  url.Values
	missing *[]string
}

func (f form) get(name string) string { return strings.TrimSpace(f.values.Get(name)) }

func (f form) need(name, complaint string) string {
	v := f.get(name)
	if v == "" {
		*f.missing = append(*f.missing, complaint)
	}
	return v
}

func (f form) job() string   { return f.need("job", "The job is missing: go back to the bench.") }
func (f form) step() string  { return f.need("step", "The step is missing: go back to the bench.") }
func (f form) alert() string { return f.need("alert", "The alert is missing: go back to the bench.") }

// reason is one of the usual reasons, with words of one's own, or either.
func (f form) reason() string {
	r := strings.TrimSuffix(f.get("reason")+": "+f.get("words"), ": ")
	r = strings.TrimPrefix(r, ": ")
	if r == "" {
		*f.missing = append(*f.missing, "Say why: choose a reason or write one.")
	}
	return r
}

func (f form) reading() uint64 {
	n, err := strconv.ParseUint(f.get("reading"), 10, 64)
	if err != nil || n == 0 {
		*f.missing = append(*f.missing, "The reading is missing: go back to the bench.")
	}
	return n
}

// do answers POST /do/{what}.
func (p *Pages) do(w http.ResponseWriter, r *http.Request) error {
	what := r.PathValue("what")
	make, ok := requests[what]
	if !ok {
		make, ok = attestedRequests[what]
	}
	if !ok {
		make, ok = careRequests[what]
	}
	if !ok {
		make, ok = shimRequests[what]
	}
	if !ok && what != "offer" {
		return problem(http.StatusNotFound, "There is no such request: "+what, "Go back to the bench.")
	}
	f, err := readForm(w, r)
	if err != nil {
		return err
	}
	by := f.get("by")
	if by == "" {
		by = person(r)
	}
	bench := f.get("bench")
	if by == "" {
		return p.problemAt(bench, http.StatusConflict, "Nobody is named as working here.", "Choose who you are at the top of the page, then do it again.")
	}
	ask := events.Ask{By: by, Bench: bench, AtUs: events.InstantOf(p.now())}
	if what == "open" && f.get("job") == "" {
		f.values.Set("job", p.freeJobID(f))
	}
	if what == "typed" {
		if err := p.mayType(f, by); err != nil {
			return err
		}
	}
	var data events.Data
	if what == "offer" {
		if data, err = p.offered(f, ask); err != nil {
			return err
		}
	} else {
		data = make(f, ask)
	}
	if len(*f.missing) > 0 {
		return p.problemAt(bench, http.StatusBadRequest, strings.Join(*f.missing, " "), "Go back and fill it in.")
	}
	seq, err := p.submit(r.Context(), bench, data)
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		return writeJSON(w, http.StatusOK, map[string]any{"ok": true, "seq": seq})
	}
	http.Redirect(w, r, p.returnTo(f, what, data), http.StatusSeeOther)
	return nil
}

// submit asks the rules and waits until the ledger shows what they answered.
func (p *Pages) submit(ctx context.Context, bench string, d events.Data) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	fact, decided, err := p.cfg.Service.Submit(ctx, d)
	if e, ok := accessProblem(err); ok {
		if bench != "" && p.hasBench(bench) {
			e.Back, e.Name = "/bench/"+url.PathEscape(bench), "Back to the bench"
		}
		return 0, e
	}
	if err != nil {
		p.log.Error("submit request", "type", events.TypeName(d), "err", err)
		return 0, p.problemAt(bench, http.StatusServiceUnavailable,
			"It is not certain that this was recorded: "+err.Error()+".",
			"Look at the page before you do it again. If this stays, call whoever looks after the service.")
	}
	for _, o := range decided.Outcomes {
		if ref, ok := o.Data.(events.RequestRefused); ok {
			return 0, p.refusal(bench, ref)
		}
	}
	p.awaitLedger(ctx, p.answerAt(fact.Seq))
	return fact.Seq, nil
}

// answerAt is a journal sequence at which the decision on a fact is surely
// there, once Submit has returned it.
func (p *Pages) answerAt(fact uint64) uint64 {
	if p.cfg.Journal != nil {
		return p.cfg.Journal.Last()
	}
	return fact + 1
}

// returnTo is the page that shows what a request did. It is made of names
// that are known here, never of an address that was posted.
func (p *Pages) returnTo(f form, what string, d events.Data) string {
	if a, ok := d.(events.ReleaseAsked); ok {
		return "/jobs/" + url.PathEscape(a.Job)
	}
	if a, ok := d.(events.AbandonAsked); ok {
		return "/jobs/" + url.PathEscape(a.Job)
	}
	switch f.get("back") {
	case "alerts":
		return "/alerts"
	case "learned":
		rev := f.get("revision")
		if what == "offer" {
			rev = f.get("new_revision")
		}
		return "/procedures/" + url.PathEscape(f.get("procedure")) + "/" + url.PathEscape(rev) + "/learned"
	case "jobs":
		return "/jobs"
	case "shims":
		return "/shims"
	case "job":
		return "/jobs/" + url.PathEscape(f.get("job"))
	}
	if b := f.get("bench"); b != "" && p.hasBench(b) {
		return "/bench/" + url.PathEscape(b)
	}
	return "/"
}

// freeJobID makes an id for a job of the procedure and the unit's serial
// number, with a number behind it if that unit was here before.
func (p *Pages) freeJobID(f form) string {
	proc, _, _ := strings.Cut(f.get("procedure"), "/")
	serial := f.get("unit_serial")
	if proc == "" || serial == "" {
		return ""
	}
	base := idWord(proc) + "-" + idWord(serial)
	id := base
	p.cfg.Service.View(func(st *rules.State) {
		for n := 2; st.Jobs[id] != nil || st.Ended[id]; n++ {
			id = fmt.Sprintf("%s-%d", base, n)
		}
	})
	return id
}

func idWord(s string) string {
	return strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			return r
		}
		return '-'
	}, s), "-")
}

// who answers POST /who: it remembers on this screen who works at it.
func (p *Pages) who(w http.ResponseWriter, r *http.Request) error {
	f, err := readForm(w, r)
	if err != nil {
		return err
	}
	if f.values.Has("badge") {
		return p.scanned(w, r, f)
	}
	if v := visit(r); v.SignedIn() {
		return p.problemAt(f.get("bench"), http.StatusConflict, v.Name+" is signed in here.", "Sign out first: then somebody else can be named.")
	}
	id := f.get("person")
	known := id == ""
	p.cfg.Service.View(func(st *rules.State) {
		for _, q := range st.Shop.People {
			known = known || q.ID == id
		}
	})
	if !known {
		return p.problemAt(f.get("bench"), http.StatusBadRequest, "The shop file names nobody with the id "+id+".", "Choose a person from the list.")
	}
	c := personCookieOf(id)
	if id == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
	http.Redirect(w, r, p.returnTo(f, "who", nil), http.StatusSeeOther)
	return nil
}

func personCookieOf(id string) *http.Cookie {
	return &http.Cookie{Name: personCookie, Value: url.QueryEscape(id), Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: 14 * 3600}
}

// person is who works at the screen that sent r; "" if nobody said.
func person(r *http.Request) string {
	if v := visit(r); v.SignedIn() {
		return v.Person
	}
	c, err := r.Cookie(personCookie)
	if err != nil {
		return ""
	}
	id, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	return id
}

// readForm reads a form, and proves whom it names if it brings a secret.
func readForm(w http.ResponseWriter, r *http.Request) (form, error) {
	f, err := readFields(w, r)
	if err == nil {
		err = prove(r, f)
	}
	return f, err
}

func readFields(w http.ResponseWriter, r *http.Request) (form, error) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	f := form{missing: new([]string)}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
		return f, problem(http.StatusUnsupportedMediaType, "What was sent is no form of these pages.", "Do it on the page, or send it as application/x-www-form-urlencoded.")
	}
	if err := r.ParseForm(); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return f, problem(http.StatusRequestEntityTooLarge, fmt.Sprintf("The form is larger than %d kB.", maxForm>>10), "Shorten the text and send it again.")
		}
		return f, problem(http.StatusBadRequest, "The form could not be read.", "Go back to the page and send it again.")
	}
	f.values = r.PostForm
	for name, vs := range f.values {
		if !isText(name) || slices.ContainsFunc(vs, func(v string) bool { return !isText(v) }) {
			return f, problem(http.StatusBadRequest, "The form holds characters that are no text.", "Write it with letters, digits and signs, and send it again.")
		}
	}
	return f, nil
}

// isText reports whether s is text that can be kept and shown again.
func isText(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(c rune) bool { return unicode.IsControl(c) && !strings.ContainsRune("\t\r\n", c) })
}

func wantsJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

func writeJSON(w http.ResponseWriter, status int, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return fmt.Errorf("write answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n')) // the client has gone if this fails
	return nil
}
