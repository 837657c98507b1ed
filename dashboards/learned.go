package dashboards

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/learn"
	"witnessmark/rules/procedure"
)

// learnedView is what released jobs taught about a procedure's joints.
type learnedView struct {
	ID, Revision, Title string
	Newest              bool
	Steps               []learnedStep
	Leads               []choice
}

type learnedStep struct {
	ID, Title string
	Number    int
	Known     bool // something was learned about it
	Passes    []learnedPass
	Reasons   []string
}

type learnedPass struct {
	Index                  int
	Name, Plot             string // address of the plot, "" where nothing is known
	Facts                  []fact
	Why                    string
	Low, High              string // proposed, "" where there is none
	Closing, Same          bool
	Current                string
	fresh, repeat          []float64
	lo, hi, propLo, propHi float64 // degrees; 0: none
}

type fact struct{ Name, Value string }

// learned builds the view of what was learned about one revision's joints.
func (v viewer) learned(proc *procedure.Procedure) *learnedView {
	lv := &learnedView{ID: proc.ID, Revision: proc.Revision, Title: proc.Title, Newest: v.st.Newest[proc.ID] == proc.Revision}
	for i := range proc.Steps {
		s := &proc.Steps[i]
		if s.Joint == nil {
			continue
		}
		ls := learnedStep{ID: s.ID, Title: s.Title, Number: i + 1, Reasons: []string{"The bolts come from another lot", "Lubrication or washers changed", "Tools were set wrongly in those jobs"}}
		for p := range s.Joint.Passes {
			ls.Passes = append(ls.Passes, v.learnedPass(proc, s, p))
			ls.Known = ls.Known || ls.Passes[p].Plot != ""
		}
		lv.Steps = append(lv.Steps, ls)
	}
	return lv
}

func (v viewer) learnedPass(proc *procedure.Procedure, s *procedure.Step, p int) learnedPass {
	pass := s.Joint.Passes[p]
	lp := learnedPass{Index: p, Name: pass.Name, Closing: pass.Closing}
	if !pass.AngleLo.IsZero() && !pass.AngleHi.IsZero() {
		lp.lo, lp.hi = pass.AngleLo.In(quantity.Degree), pass.AngleHi.In(quantity.Degree)
		lp.Current = degrees(pass.AngleLo) + " to " + degrees(pass.AngleHi)
	}
	j := v.st.Learned.Joint(rules.LearnKey(proc, s.ID, p))
	if j == nil {
		return lp
	}
	lp.fresh, lp.repeat = turned(j.Fresh.Values), turned(j.Repeat.Values)
	prop := learn.Propose(lp.fresh)
	lp.Why = prop.Why
	if prop.Enough && !pass.Closing {
		low, high := outward(prop.Low, prop.High)
		lp.propLo, lp.propHi = low.In(quantity.Degree), high.In(quantity.Degree)
		lp.Low, lp.High = degrees(low), degrees(high)
		lp.Same = lp.lo == lp.propLo && lp.hi == lp.propHi
	}
	lp.Facts = lp.facts(j, prop)
	if len(lp.fresh)+len(lp.repeat) > 0 {
		lp.Plot = "/procedures/" + url.PathEscape(proc.ID) + "/" + url.PathEscape(proc.Revision) + "/learned/" + url.PathEscape(s.ID) + "/" + strconv.Itoa(p)
	}
	return lp
}

// outward rounds a window to tenths of a degree, so that it grows.
func outward(low, high quantity.Value) (quantity.Value, quantity.Value) {
	l := math.Floor(low.In(quantity.Degree)*10) / 10
	h := math.Ceil(high.In(quantity.Degree)*10) / 10
	return quantity.Degrees(max(l, 0)).Value(), quantity.Degrees(h).Value()
}

func turned(xs []float64) []float64 {
	var out []float64
	for _, x := range xs {
		if !math.IsNaN(x) && !math.IsInf(x, 0) {
			out = append(out, x)
		}
	}
	slices.Sort(out)
	return out
}

func (lp *learnedPass) facts(j *learn.Joint, prop learn.Proposal) []fact {
	fs := []fact{{"Released jobs that taught", strconv.Itoa(j.Jobs)}}
	add := func(name string, xs []float64, format, unit string) {
		if xs = turned(xs); len(xs) > 0 {
			mid, spread := learn.Centre(xs)
			fs = append(fs, fact{name, fmt.Sprintf(format+" %s, spread "+format+" %s, %s", mid, unit, spread, unit, plural(len(xs), "pull"))})
		}
	}
	add("Rotation of a first pull, middle", lp.fresh, "%.1f", "°")
	add("Rotation on a tight fastener, middle", lp.repeat, "%.1f", "°")
	add("Torque rate after snug, middle", j.Rate.Values, "%.2f", "N·m/°")
	add("Duration of a first pull, middle", j.Duration.Values, "%.1f", "s")
	add("Time from one pull to the next, middle", j.Interval.Values, "%.1f", "s")
	current := "none"
	if lp.Current != "" {
		current = lp.Current
		if n := len(lp.fresh); n > 0 {
			out := outside(lp.fresh, lp.lo, lp.hi)
			current += fmt.Sprintf("; %d of %d first pulls lie outside it (%s)", out, n, percent(float64(out)/float64(n)))
		}
	}
	fs = append(fs, fact{"Window now", current})
	if lp.Low != "" {
		fs = append(fs, fact{"Proposed window", lp.Low + " to " + lp.High},
			fact{"False alarms to expect with it", fmt.Sprintf("%s of good pulls, at most %s with 95 %% confidence", share(prop.FalseAlarm), share(prop.FalseAlarmUpper))})
	}
	return fs
}

// share writes a small share: one in so many where it is rare.
func share(p float64) string {
	switch {
	case p <= 0:
		return "none"
	case p < 0.01:
		return fmt.Sprintf("%.2g %% (1 in %.0f)", 100*p, math.Round(1/p))
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

func outside(xs []float64, lo, hi float64) (n int) {
	for _, x := range xs {
		if x < lo || x > hi {
			n++
		}
	}
	return n
}

// learnedOf finds the revision that a request names.
func (p *Pages) learnedOf(r *http.Request) (lv *learnedView, err error) {
	id, rev := r.PathValue("procedure"), r.PathValue("revision")
	p.cfg.Service.View(func(st *rules.State) {
		if proc := st.Procedures[rules.ProcKey(id, rev)]; proc != nil {
			v := viewer{st, p.now()}
			lv = v.learned(proc)
			lv.Leads = leads(v, person(r))
		}
	})
	if lv == nil {
		return nil, problem(http.StatusNotFound, "There is no procedure "+id+" revision "+rev+".", "Choose one from the list of procedures.")
	}
	return lv, nil
}

// learned shows what was learned about a revision's joints.
func (p *Pages) learned(w http.ResponseWriter, r *http.Request) error {
	lv, err := p.learnedOf(r)
	if err != nil {
		return err
	}
	p.render(w, r, http.StatusOK, "learned", "Learned: "+lv.Title, lv)
	return nil
}

// learnedPlot draws the rotations of one pass.
func (p *Pages) learnedPlot(w http.ResponseWriter, r *http.Request) error {
	lv, err := p.learnedOf(r)
	if err != nil {
		return err
	}
	for _, s := range lv.Steps {
		for _, lp := range s.Passes {
			if s.ID == r.PathValue("step") && strconv.Itoa(lp.Index) == r.PathValue("pass") && lp.Plot != "" {
				b, err := plotRotations(&lp)
				if err != nil {
					return fmt.Errorf("draw plot: %w", err)
				}
				h := w.Header()
				h.Set("Content-Type", "image/svg+xml")
				h.Set("Cache-Control", "no-store")
				h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
				_, _ = w.Write(b) // the client has gone if this fails
				return nil
			}
		}
	}
	return problem(http.StatusNotFound, "Nothing was learned about this pass.", "Go back to the procedure.")
}

// revisionView shows a new revision before it is offered.
type revisionView struct {
	ID, Revision, Title, New string
	Step, StepTitle, Name    string
	Pass                     int
	Low, High                string
	Changes                  []lineChange
	Hash                     string
	Leads                    []choice
}

// revision makes the text of a new revision with another angle window, from
// what a form names: procedure, revision, step, pass, low, high, new_revision.
func (p *Pages) revision(get func(string) string) (rv *revisionView, text string, err error) {
	id, rev := get("procedure"), get("revision")
	back := "/procedures/" + url.PathEscape(id) + "/" + url.PathEscape(rev) + "/learned"
	refuse := func(status int, text, todo string) error {
		return &pageProblem{Status: status, Text: text, Todo: todo, Back: back, Name: "Back"}
	}
	var old, title, passName string
	taken := false
	c := angleChange{Step: get("step"), Revision: strings.TrimSpace(get("new_revision"))}
	p.cfg.Service.View(func(st *rules.State) {
		old = st.ProcTexts[rules.ProcKey(id, rev)]
		_, taken = st.ProcTexts[rules.ProcKey(id, c.Revision)]
		if proc := st.Procedures[rules.ProcKey(id, rev)]; proc != nil {
			if s, _ := proc.Step(c.Step); s != nil {
				title = s.Title
				if n, e := strconv.Atoi(get("pass")); e == nil && s.Joint != nil && n >= 0 && n < len(s.Joint.Passes) {
					c.Pass, passName = n, s.Joint.Passes[n].Name
				}
			}
		}
	})
	var errLow, errHigh error
	c.Low, _, errLow = quantity.Parse(get("low"))
	c.High, _, errHigh = quantity.Parse(get("high"))
	switch {
	case old == "":
		return nil, "", problem(http.StatusNotFound, "There is no procedure "+id+" revision "+rev+".", "Choose one from the list of procedures.")
	case passName == "":
		return nil, "", refuse(http.StatusBadRequest, "The procedure has no such step or pass.", "Go back and choose one.")
	case errLow != nil || errHigh != nil || c.Low.Dimension() != quantity.DimAngle || c.High.Dimension() != quantity.DimAngle:
		return nil, "", refuse(http.StatusBadRequest, "The window cannot be read.", "Go back to what was learned and take the proposal from there.")
	case c.Revision == "":
		return nil, "", refuse(http.StatusBadRequest, "The new revision has no name.", "Go back and name it.")
	case taken:
		return nil, "", refuse(http.StatusConflict, "Revision "+c.Revision+" is released already; a revision never changes.", "Go back and choose another name.")
	}
	text, changes, err := revise(old, c)
	if err != nil {
		return nil, "", refuse(http.StatusConflict, "The new revision could not be written: "+err.Error()+".",
			fmt.Sprintf("Write it by hand: angle: {low: %s, high: %s} in the pass %s, and another revision.", degrees(c.Low), degrees(c.High), passName))
	}
	sum := sha256.Sum256([]byte(text))
	return &revisionView{ID: id, Revision: rev, New: c.Revision, Step: c.Step, StepTitle: title, Pass: c.Pass, Name: passName,
		Low: degrees(c.Low), High: degrees(c.High), Changes: changes, Hash: hex.EncodeToString(sum[:])}, text, nil
}

// revise shows what a new revision would change: GET, nothing is recorded.
func (p *Pages) revise(w http.ResponseWriter, r *http.Request) error {
	get := func(name string) string {
		if v := r.PathValue(name); v != "" {
			return v
		}
		return strings.TrimSpace(r.FormValue(name))
	}
	rv, _, err := p.revision(get)
	if err != nil {
		return err
	}
	p.cfg.Service.View(func(st *rules.State) { rv.Leads = leads(viewer{st, p.now()}, person(r)) })
	p.render(w, r, http.StatusOK, "revise", "New revision", rv)
	return nil
}

// offered makes the event that offers the new revision. What is offered must
// be what was shown.
func (p *Pages) offered(f form, a events.Ask) (events.Data, error) {
	rv, text, err := p.revision(f.get)
	if err != nil {
		return nil, err
	}
	if rv.Hash != f.get("hash") {
		return nil, problem(http.StatusConflict, "The new revision is not the one that was shown.", "Go back to what was learned, look at it again, and release it then.")
	}
	return events.ProcedureOffered{Ask: a, Text: text, Hash: rv.Hash}, nil
}
