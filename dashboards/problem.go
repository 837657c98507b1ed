package dashboards

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/rules"
)

// pageProblem is why a page could not be shown or a request was not granted,
// in words for whoever asked.
type pageProblem struct {
	Status int      `json:"-"`
	Code   string   `json:"code,omitempty"` // stable, of the rules
	Text   string   `json:"error"`
	Todo   string   `json:"todo,omitempty"`
	Items  []string `json:"items,omitempty"`
	Back   string   `json:"-"` // address of the page to go back to
	Name   string   `json:"-"` // what that page is called
	// Prove is who could do it by adding a secret; the form is then shown
	// again, with a field for that.
	Prove     string      `json:"prove,omitempty"`
	ProveName string      `json:"prove_name,omitempty"`
	Again     string      `json:"-"` // address of the form
	Fields    []formField `json:"-"`
}

type formField struct{ Name, Value string }

// Error implements error.
func (e *pageProblem) Error() string { return e.Text }

func problem(status int, text, todo string) error {
	return &pageProblem{Status: status, Text: text, Todo: todo, Back: "/", Name: "Overview"}
}

// problemAt is problem with the way back to a bench.
func (p *Pages) problemAt(bench string, status int, text, todo string) error {
	e := &pageProblem{Status: status, Text: text, Todo: todo, Back: "/", Name: "Overview"}
	if bench != "" && p.hasBench(bench) {
		e.Back, e.Name = "/bench/"+url.PathEscape(bench), "Back to the bench"
	}
	return e
}

func (p *Pages) refusal(bench string, ref events.RequestRefused) error {
	e := p.problemAt(bench, http.StatusConflict, sentence(ref.Text), sentence(ref.Todo)).(*pageProblem)
	e.Code, e.Items = ref.Code, ref.Items
	return e
}

// page makes a handler of h: what h returns becomes an error page, or JSON
// for who asked for that.
func (p *Pages) page(h func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := h(w, r); err != nil {
			p.fail(w, r, err)
		}
	})
}

func (p *Pages) fail(w http.ResponseWriter, r *http.Request, err error) {
	if errors.Is(err, context.Canceled) && r.Context().Err() != nil {
		return // nobody is there to read it
	}
	var e *pageProblem
	if !errors.As(err, &e) {
		p.log.Error("show page", "path", r.URL.Path, "err", err)
		e = &pageProblem{Status: http.StatusInternalServerError, Text: "This page could not be made: " + err.Error() + ".",
			Todo: "Try again. If it stays so, call whoever looks after the service.", Back: "/", Name: "Overview"}
	}
	if e.Prove != "" {
		p.again(r, e)
	}
	if wantsJSON(r) {
		_ = writeJSON(w, e.Status, e)
		return
	}
	p.render(w, r, e.Status, "problem", "Not done", e)
}

// again puts the form that was refused into e, so that it can be sent once more
// with the secret of the person in whose name it is.
func (p *Pages) again(r *http.Request, e *pageProblem) {
	p.cfg.Service.View(func(st *rules.State) { e.ProveName = viewer{st: st}.personName(e.Prove) })
	e.Again = r.URL.Path
	for name, values := range r.PostForm {
		if name == proveField || name == "by" {
			continue
		}
		for _, v := range values {
			e.Fields = append(e.Fields, formField{name, v})
		}
	}
	e.Fields = append(e.Fields, formField{"by", e.Prove})
	slices.SortStableFunc(e.Fields, func(a, b formField) int { return strings.Compare(a.Name, b.Name) })
}

// denied answers what guard refuses.
func (p *Pages) denied(w http.ResponseWriter, r *http.Request, text string) {
	p.cfg.Access.Note(r, events.RefusedForeign, r.Method+" from another site")
	p.fail(w, r, problem(http.StatusForbidden, text, "Open the page under this service's own address and do it there."))
}

func (p *Pages) nothingHere(http.ResponseWriter, *http.Request) error {
	return problem(http.StatusNotFound, "There is no page at this address.", "Choose a page above.")
}
