package dashboards

import (
	"net/http"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/rules"
)

// bench shows one bench; with ?fragment=1 only its live part.
func (p *Pages) bench(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("bench")
	if !p.hasBench(id) {
		return noBench(id)
	}
	p.hub.warm(id) // before the state is read, so that no decision falls between
	var bv *benchView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		if b, ok := v.knownBench(id); ok {
			bv = v.bench(b, r.FormValue("step"))
			if p.cfg.Photos == nil {
				bv.PhotoForm = partForm{} // none are taken
			}
			bv.People = v.people(person(r))
		}
	})
	if bv == nil {
		return noBench(id)
	}
	title := bv.Bench.Name
	if title == "" {
		title = id
	}
	f := p.frame(r, title, bv)
	f.Bench, f.Cause = id, bv.Cause
	if r.FormValue("fragment") != "" {
		p.write(w, http.StatusOK, "bench-live", f)
		return nil
	}
	p.write(w, http.StatusOK, "bench", f)
	return nil
}

type benchCard struct {
	Bench  events.Bench
	Job    *jobHead
	Step   string
	Count  string
	Next   nextView
	Alerts []alertView
	Icon   icon
	Loose  int // open loose ends
}

type overviewView struct {
	Benches  []benchCard
	Alerts   []alertView // of no bench that is shown
	Paused   []jobHead
	Unplaced []unplacedView
}

// overview shows all benches and what is open.
func (p *Pages) overview(w http.ResponseWriter, r *http.Request) error {
	p.hub.warm("")
	var o overviewView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		for _, b := range st.Shop.Benches {
			o.Benches = append(o.Benches, v.card(b))
		}
		o.Alerts = v.alerts(func(*rules.Alert) bool { return true })
		o.Paused = v.paused()
		o.Unplaced = v.unplaced("")
	})
	return p.livePage(w, r, "overview", "Benches", o)
}

func (v viewer) card(b events.Bench) benchCard {
	bv := v.bench(b, "")
	c := benchCard{Bench: b, Job: bv.Job, Next: bv.Next, Alerts: bv.Alerts, Icon: icon{Look: rules.LookWaiting}}
	c.Loose = len(bv.Loose)
	if s := bv.Step; s != nil {
		c.Step = s.Title
		if s.All > 0 {
			c.Count = countWords(s.Done, s.All)
		}
	}
	for _, l := range bv.Steps {
		if l.Current {
			c.Icon = l.Icon
		}
	}
	if bv.Job != nil && bv.Next.Kind == "none" {
		c.Icon = icon{Look: rules.LookWitnessed, Grade: events.Placed}
	}
	for _, a := range bv.Alerts {
		if a.Icon != nil {
			c.Icon = *a.Icon
			break
		}
	}
	return c
}

// livePage shows a page that follows the whole shop's stream; with
// ?fragment=1 only its live part.
func (p *Pages) livePage(w http.ResponseWriter, r *http.Request, name, title string, data any) error {
	f := p.frame(r, title, data)
	f.Live = true
	if r.FormValue("fragment") != "" {
		name += "-live"
	}
	p.write(w, http.StatusOK, name, f)
	return nil
}

type alertsView struct {
	Open []alertView
	Past []pastAlert
}

type pastAlert struct {
	alertView
	Settled string
}

// alerts shows what is open, and what became of the last ones.
func (p *Pages) alerts(w http.ResponseWriter, r *http.Request) error {
	p.hub.warm("")
	past, err := p.cfg.Ledger.Alerts(r.Context(), 200)
	if err != nil {
		return err
	}
	var a alertsView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		a.Open = v.alerts(func(*rules.Alert) bool { return true })
		for i := range past {
			if past[i].Open() {
				continue
			}
			av := v.alert(&rules.Alert{AlertRaised: past[i].AlertRaised, AckBy: past[i].SeenBy, AckAt: past[i].SeenAtUs})
			how := clockTime(past[i].SettledAtUs, v.now) + ": " + past[i].SettledHow
			if past[i].SettledBy != "" {
				how = v.personName(past[i].SettledBy) + ", " + how
			}
			a.Past = append(a.Past, pastAlert{av, how})
		}
	})
	return p.livePage(w, r, "alerts", "Alerts", a)
}

type procedureLine struct {
	ID, Revision, Title, Hash, By, At string
	Newest                            bool
	Jobs                              int
}

// procedures lists the released revisions, newest first.
func (p *Pages) procedures(w http.ResponseWriter, r *http.Request) error {
	all, err := p.cfg.Ledger.ReleasedProcedures(r.Context())
	if err != nil {
		return err
	}
	var lines []procedureLine
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		for _, q := range slices.Backward(all) {
			l := procedureLine{ID: q.Procedure, Revision: q.Revision, Title: q.Title, Hash: q.Hash, By: v.personName(q.By), At: clockTime(q.AtUs, v.now),
				Newest: st.Newest[q.Procedure] == q.Revision}
			for _, j := range st.Jobs {
				if j.Proc.ID == q.Procedure && j.Proc.Revision == q.Revision {
					l.Jobs++
				}
			}
			lines = append(lines, l)
		}
	})
	p.render(w, r, http.StatusOK, "procedures", "Procedures", lines)
	return nil
}

type procedureView struct {
	ID, Revision, Title, Unit, Hash string
	Cautions                        []string
	Steps                           []procedureStep
	Text                            string
}

type procedureStep struct {
	stepView
	Face   *faceView
	Passes []procedurePass
	Limits string
	What   string
	Covers []string
	Pause  string
	Order  string
}

type procedurePass struct{ Name, Target, Limits, Order, Note string }

// procedure shows one revision as people read it, and its file.
func (p *Pages) procedure(w http.ResponseWriter, r *http.Request) error {
	id, rev := r.PathValue("procedure"), r.PathValue("revision")
	var pv *procedureView
	p.cfg.Service.View(func(st *rules.State) {
		if proc := st.Procedures[rules.ProcKey(id, rev)]; proc != nil {
			pv = viewer{st, p.now()}.procedure(proc)
			pv.Text = st.ProcTexts[rules.ProcKey(id, rev)]
		}
	})
	if pv == nil {
		return problem(http.StatusNotFound, "There is no procedure "+id+" revision "+rev+".", "Choose one from the list of procedures.")
	}
	p.render(w, r, http.StatusOK, "procedure", pv.Title, pv)
	return nil
}

type legendLine struct {
	Icon        icon
	Name, Means string
}

// legend says what every mark means.
func (p *Pages) legend(w http.ResponseWriter, r *http.Request) error {
	p.render(w, r, http.StatusOK, "legend", "What the marks mean", legendLines)
	return nil
}

var legendLines = []legendLine{
	{icon{Look: rules.LookWaiting}, "Waiting", "plain head: nothing done yet"},
	{icon{Look: rules.LookNext, Next: true}, "Next", "a turning collar: pull this one"},
	{icon{Look: rules.LookPart}, "Partly done", "stripe on the head only: an earlier pass counts"},
	{icon{Look: rules.LookNext, Next: true, Part: true}, "Next, partly done", "the collar goes round again for the next pass"},
	{icon{Look: rules.LookWitnessed, Grade: events.Counted}, "Witnessed, counted", "thin stripe in one line: only the number of pulls agrees"},
	{icon{Look: rules.LookWitnessed, Grade: events.Reasoned}, "Witnessed, reasoned", "middling stripe: inferred from all pulls, with a probability"},
	{icon{Look: rules.LookWitnessed, Grade: events.Placed}, "Witnessed, placed", "heavy stripe: the position was confirmed"},
	{icon{Look: rules.LookWitnessed, Grade: events.Placed, Accepted: true}, "Accepted", "a flag: a lead left it as it is, the record says why"},
	{icon{Look: rules.LookDoubtful, Grade: events.Counted}, "Doubtful", "stripe in drops: inside the limits, but nearer to one than the tool can tell"},
	{icon{Look: rules.LookLow, Grade: events.Counted}, "Low", "stripe stops short: pull again"},
	{icon{Look: rules.LookLow, Grade: events.Counted, Next: true}, "Low and next", "stops short, with the collar: pull this one again now"},
	{icon{Look: rules.LookHigh, Grade: events.Counted}, "High", "stripe runs past: held, a lead decides"},
	{icon{Look: rules.LookDisturbed, Grade: events.Counted}, "Do again", "stripe broken: the head has turned against its flange"},
	{icon{Look: rules.LookWaiting, Maybe: true}, "Maybe missed", "a head lifted off in dashes: it may be this one; pull it again"},
	{icon{Look: rules.LookMissed}, "Missed", "empty flange, head lifted off: go back to this one"},
}

func countWords(done, all int) string {
	return strings.Join([]string{num(float64(done)), "of", num(float64(all))}, " ")
}
