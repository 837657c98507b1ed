package dashboards

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"witnessmark/dashboards/record"
	"witnessmark/events/ledger"
	"witnessmark/rules"
)

type jobLine struct {
	ID, Unit, UnitSerial, Customer, Procedure string
	Status, StatusWord, Tone                  string
	Bench, BenchID, Technician                string
	Opened, Ended, Last                       string
	Judged, OpenAlerts                        int
}

type jobsView struct {
	Jobs       []jobLine
	Status     string
	Unit       string
	Statuses   []choice
	Procedures []choice
	Benches    []choice
	More       bool
	Person     *personView
	People     []personView
	Bench      struct{ ID string } // for the form that asks who works here
}

const jobsShown = 200

var jobStatuses = []choice{
	{Value: "open", Text: "Open"}, {Value: ledger.Active, Text: "At a bench"}, {Value: ledger.Paused, Text: "Paused"},
	{Value: ledger.Released, Text: "Released"}, {Value: ledger.Abandoned, Text: "Ended without release"}, {Value: "all", Text: "All"},
}

// jobs lists jobs and has the form that opens one.
func (p *Pages) jobs(w http.ResponseWriter, r *http.Request) error {
	jv := jobsView{Status: r.FormValue("status"), Unit: strings.TrimSpace(r.FormValue("unit")), Statuses: slices.Clone(jobStatuses)}
	if jv.Status == "" {
		jv.Status = "open"
		if jv.Unit != "" {
			jv.Status = "all"
		}
	}
	for i := range jv.Statuses {
		jv.Statuses[i].Set = jv.Statuses[i].Value == jv.Status
	}
	found, err := p.findJobs(r, jv)
	if err != nil {
		return err
	}
	jv.More = len(found) == jobsShown
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		for i := range found {
			jv.Jobs = append(jv.Jobs, v.jobLine(&found[i]))
		}
		jv.Procedures, jv.Benches = v.openChoices(r.FormValue("bench"))
		jv.People = v.people(person(r))
	})
	f := p.frame(r, "Jobs", nil)
	jv.Person = f.Person
	f.Data = jv
	p.write(w, http.StatusOK, "jobs", f)
	return nil
}

func (p *Pages) findJobs(r *http.Request, jv jobsView) ([]ledger.Job, error) {
	if jv.Unit != "" {
		js, err := p.cfg.Ledger.Search(r.Context(), jv.Unit, jobsShown)
		if err != nil {
			return nil, err
		}
		return slices.DeleteFunc(js, func(j ledger.Job) bool {
			return jv.Status != "all" && jv.Status != j.Status && (jv.Status != "open" || !j.Open())
		}), nil
	}
	f := ledger.JobFilter{Limit: jobsShown}
	switch jv.Status {
	case "open":
		f.Open = true
	case "all":
	default:
		f.Status = jv.Status
	}
	return p.cfg.Ledger.Jobs(r.Context(), f)
}

func (v viewer) jobLine(j *ledger.Job) jobLine {
	l := jobLine{ID: j.Job, UnitSerial: j.UnitSerial, Customer: j.Customer, Procedure: j.Procedure + " revision " + j.Revision, Unit: j.Title,
		Status: j.Status, Bench: v.benchName(j.BenchNow), BenchID: j.BenchNow, Technician: v.personName(j.Technician),
		Opened: clockTime(j.AtUs, v.now), Judged: j.Judged, OpenAlerts: j.OpenAlerts}
	l.StatusWord, l.Tone = statusWords(j.Status)
	if !j.Open() {
		l.Ended = clockTime(j.EndedAtUs, v.now)
	}
	if j.LastAtUs > 0 {
		l.Last = clockTime(j.LastAtUs, v.now)
	}
	return l
}

// benchNames names the benches that a record speaks of; one that is not in the
// shop file any more is named by its id.
func (v viewer) benchNames(rec *record.Record) benchNames {
	names := benchNames{rec.Opened.Bench: v.benchName(rec.Opened.Bench)}
	name := func(ps []record.Pull) {
		for _, p := range ps {
			names[p.Bench] = v.benchName(p.Bench)
		}
	}
	for _, h := range rec.History {
		names[h.Bench] = v.benchName(h.Bench)
	}
	for _, s := range rec.Steps {
		if s.Measure != nil {
			name(s.Measure.Values)
		}
		if s.Joint == nil {
			continue
		}
		for _, f := range s.Joint.Fasteners {
			for _, p := range f.Passes {
				name(p.Pulls)
			}
		}
	}
	return names
}

func statusWords(status string) (word, tone string) {
	switch status {
	case ledger.Active:
		return "at a bench", toneAction
	case ledger.Paused:
		return "paused", toneAbnormal
	case ledger.Released:
		return "released", toneNormal
	case ledger.Abandoned:
		return "ended without release", toneFault
	}
	return status, ""
}

// openChoices lists what a job can be opened with: newest revisions first,
// and the benches.
func (v viewer) openChoices(bench string) (procs, benches []choice) {
	for id, rev := range v.st.Newest {
		if p := v.st.Procedures[rules.ProcKey(id, rev)]; p != nil {
			procs = append(procs, choice{Value: id + "/" + rev, Text: p.Title, Hint: id + " revision " + rev})
		}
	}
	slices.SortFunc(procs, func(a, b choice) int { return strings.Compare(a.Value, b.Value) })
	for _, b := range v.st.Shop.Benches {
		c := choice{Value: b.ID, Text: v.benchName(b.ID), Hint: "free", Set: b.ID == bench}
		if j := v.st.BenchJob[b.ID]; j != "" {
			c.Hint = "job " + j + " is there"
		}
		benches = append(benches, c)
	}
	return procs, benches
}

type jobView struct {
	Record *record.Record
	Line   jobLine
	Open   []string // what blocks the release
	Live   bool
	Sealed bool // a sealed record can be had
	// Benches names every bench of the shop file in force by its id.
	Benches benchNames
}

type benchNames map[string]string

// retryAfter is how many seconds a page that is not there yet asks to wait.
const retryAfter = "3"

// notYet says that a job is there, but not its record: the ledger is behind.
// A browser that waits asks again by itself.
func notYet(w http.ResponseWriter, r *http.Request, id string) error {
	w.Header().Set("Retry-After", retryAfter)
	if !wantsJSON(r) {
		w.Header().Set("Refresh", retryAfter)
	}
	return &pageProblem{Status: http.StatusServiceUnavailable, Code: "not_yet",
		Text: "Job " + id + " is not in the ledger yet, from which records are made.",
		Todo: "Try again in a moment; this page does so by itself. If it stays so, look at the top of the page for trouble with the recording.",
		Back: r.URL.Path, Name: "Try again"}
}

// hasJob reports whether the rules know a job, open or ended.
func (p *Pages) hasJob(id string) (ok bool) {
	p.cfg.Service.View(func(st *rules.State) { ok = st.Jobs[id] != nil || st.Ended[id] })
	return ok
}

// job shows the record of one job, or gives it as JSON: /jobs/{id}.json.
func (p *Pages) job(w http.ResponseWriter, r *http.Request) error {
	id, asJSON := strings.CutSuffix(r.PathValue("job"), ".json")
	rec, err := record.Build(r.Context(), p.cfg.Ledger, id)
	if errors.Is(err, ledger.ErrUnknown) && p.hasJob(id) {
		return notYet(w, r, id)
	}
	if errors.Is(err, ledger.ErrUnknown) {
		return &pageProblem{Status: http.StatusNotFound, Text: "There is no job " + id + ".", Todo: "Choose one from the list of jobs.", Back: "/jobs", Name: "Jobs"}
	}
	if err != nil {
		return err
	}
	if asJSON {
		return writeJSON(w, http.StatusOK, rec)
	}
	j, err := p.cfg.Ledger.Job(r.Context(), id)
	if err != nil {
		return err
	}
	jv := jobView{Record: rec, Sealed: p.cfg.Seals != nil}
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		jv.Line = v.jobLine(&j)
		jv.Benches = v.benchNames(rec)
		if open := st.Jobs[id]; open != nil {
			jv.Open = st.OpenWork(open)
			jv.Live = open.Status == rules.JobActive
		}
	})
	p.render(w, r, http.StatusOK, "job", "Job "+id, jv)
	return nil
}
