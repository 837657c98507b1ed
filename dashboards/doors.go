package dashboards

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"witnessmark/dashboards/access"
	"witnessmark/events"
)

// doors registers handlers, each behind its line in the table of rights, and
// remembers under which patterns. Nothing is served that did not go through it.
type doors struct {
	p        *Pages
	mux      *http.ServeMux
	patterns []string
}

func (d *doors) handle(pattern string, h http.Handler) {
	d.patterns = append(d.patterns, pattern)
	if k := d.p.cfg.Access; k != nil {
		h = k.Door(pattern, h, d.p.turnAway)
	}
	d.mux.Handle(pattern, h)
}

// Patterns returns every pattern under which something is served.
func (p *Pages) Patterns() []string { return slices.Clone(p.patterns) }

// checked returns an error if a pattern has no line in the table of rights.
func (d *doors) checked() error {
	if missing := access.Unlisted(d.patterns); len(missing) > 0 {
		return fmt.Errorf("make pages: nobody has a right to %s: give each a line in dashboards/access/table.go", strings.Join(missing, ", "))
	}
	return nil
}

// lockedService is the service as pages use it, behind the table of rights.
type lockedService struct {
	Viewer
	Submitter
}

// turnAway answers whom a door does not let in: a person with a browser is led
// to the page for signing in, everybody else is told.
func (p *Pages) turnAway(w http.ResponseWriter, r *http.Request, why *access.Refused) {
	if why.Status == http.StatusUnauthorized && r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") && !r.URL.Query().Has("fragment") {
		w.Header().Set("Cache-Control", "no-store")
		http.Redirect(w, r, "/sign-in?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		return
	}
	if strings.HasPrefix(r.URL.Path, "/api/") {
		_ = writeJSON(w, why.Status, map[string]string{"error": why.Text + " " + why.Todo})
		return
	}
	p.fail(w, r, turnedAway(why))
}

// turnedAway is a refusal of access as a page shows it.
func turnedAway(why *access.Refused) *pageProblem {
	e := &pageProblem{Status: why.Status, Text: why.Text, Todo: why.Todo, Back: "/", Name: "Overview", Prove: why.Prove}
	if why.Prove != "" {
		e.Code = "prove"
	}
	return e
}

// accessProblem turns what package access says into a page; ok is false of
// another error.
func accessProblem(err error) (e *pageProblem, ok bool) {
	var refused *access.Refused
	if errors.As(err, &refused) {
		return turnedAway(refused), true
	}
	var weak *access.WeakError
	if errors.As(err, &weak) {
		return problem(http.StatusBadRequest, weak.Text, weak.Todo).(*pageProblem), true
	}
	return nil, false
}

// visit is who makes a request; nil where nobody is ever asked.
func visit(r *http.Request) *access.Visit { return access.Of(r.Context()) }

// allowed refuses a request before anything is done for it.
func (p *Pages) allowed(r *http.Request, d events.Data) error {
	if p.cfg.Access == nil {
		return nil
	}
	if err := p.cfg.Access.Allow(r.Context(), d); err != nil {
		e, _ := accessProblem(err)
		return e
	}
	return nil
}

// proveField is the form field with which somebody who is named in a form
// proves to be there.
const proveField = "secret"

// prove takes the secret out of a form, and proves whom the form names by it.
func prove(r *http.Request, f form) error {
	secret := f.values.Get(proveField)
	f.values.Del(proveField)
	if secret == "" {
		return nil
	}
	by := f.get("by")
	if by == "" {
		by = person(r)
	}
	err := visit(r).Countersign(r.Context(), by, secret)
	if e, ok := accessProblem(err); ok {
		if visit(r) != nil {
			e.Code, e.Prove = "prove", by
		}
		return e
	}
	return err
}
