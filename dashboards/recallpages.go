package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/dashboards/recalls"
	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// recallCard is a recall on a list.
type recallCard struct {
	ID, Tool, Link        string
	Opened, Reason, By    string
	Total, Open, Shipped  int
	Done                  bool
	Closed                string
	Progress              int // percent of the lines that are closed
	Good, Bad, Listed, In string
}

func (p *Pages) recallCards(ctx context.Context, tool string, openOnly bool) ([]recallCard, error) {
	rs, err := p.cfg.Ledger.Recalls(ctx, tool)
	if err != nil {
		return nil, err
	}
	var out []recallCard
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		for i := range rs {
			if !openOnly || !rs[i].Done() {
				out = append(out, v.recallCard(&rs[i]))
			}
		}
	})
	return out, nil
}

func (v viewer) recallCard(r *ledger.Recall) recallCard {
	c := recallCard{ID: r.Recall, Tool: v.toolName(r.Tool), Link: "/recalls/" + url.PathEscape(r.Recall), Opened: clockTime(r.AtUs, v.now), Reason: r.Reason, By: v.personName(r.By),
		Total: r.Total, Open: r.Open, Shipped: r.Shipped, Done: r.Done(), Good: standingText(&r.Good, v.now), Bad: standingText(&r.Bad, v.now)}
	if r.Done() {
		c.Closed = clockTime(r.ClosedAtUs, v.now)
	}
	if r.Total > 0 {
		c.Progress = 100 * (r.Total - r.Open) / r.Total
	}
	c.In = fmt.Sprintf("%s judged in that time, %d could have been outside with %s or more at the worst.", plural(r.InSpan, "reading"), r.InDoubt, percentText(r.Least))
	c.Listed = fmt.Sprintf("Made from the journal up to number %d.", r.Position)
	return c
}

func percentText(p float64) string {
	switch {
	case p > 0.999 && p < 1:
		return "over 99.9 %"
	case p > 0 && p < 0.001:
		return "below 0.1 %"
	case p >= 0.1:
		return strconv.FormatFloat(100*p, 'f', 0, 64) + " %"
	}
	return strconv.FormatFloat(100*p, 'f', 1, 64) + " %"
}

func standingText(s *events.RecallStanding, now time.Time) string {
	var levels []string
	for _, l := range s.Levels {
		t := fmt.Sprintf("%+.2f %% ± %.2g", l.Deviation, l.U)
		if !l.At.IsZero() {
			series := toolSeries{Point: l.At}
			t += " at " + series.name()
		}
		levels = append(levels, t)
	}
	what := s.What
	if what == "entered" {
		what = "entered by hand"
	}
	return strings.TrimSpace(clockTime(s.AtUs, now) + ", " + strings.TrimSpace(what+" "+s.ID) + ": " + strings.Join(levels, "; "))
}

// doubtView is a line of a recall on a page.
type doubtView struct {
	Line                        int
	Class, Place, Read, Limits  string
	P, ByTime, ByCycles, Worst  string
	Likely                      string
	Open                        bool
	Fate                        string
	Tone                        string
	Reading                     uint64
	Bar                         int // percent, of P
	JobLink, Verdict, WasAtTime string
}

type lineGroup struct {
	Job, Unit, Customer, Status string
	Shipped                     bool
	Here                        bool // the job is open
	Open                        int
	Lines                       []doubtView
	Link                        string
}

type recallView struct {
	recallCard
	ToolID  string
	Groups  []lineGroup
	Classes string
	Leads   []choice
	All     []choice
	Reasons []string
	Preview bool
	More    bool
	Since   string
	Until   string
	Dev     string
	Error   string
	Found   bool
}

var recallReasons = []string{"Done again with a tool in order", "The joint carries it with the others tight", "The customer was told to bring the unit"}

func (p *Pages) doubtView(l *events.RecallLine, now time.Time) doubtView {
	unit := quantity.NewtonMetre
	if u, ok := baseUnits[l.Value.Dimension()]; ok {
		unit = u
	}
	likely := l.ByTime
	if l.ByCycles.P > l.ByTime.P {
		likely = l.ByCycles
	}
	v := doubtView{Line: l.Line, Class: l.Class, Place: strings.TrimSuffix(l.Step+", fastener "+l.Fastener, ", fastener "), Read: num(l.Value.In(unit)) + " " + unit.Symbol(),
		P: percentText(l.P()), ByTime: percentText(l.ByTime.P), ByCycles: percentText(l.ByCycles.P), Worst: percentText(l.Worst.P), Likely: strconv.FormatFloat(likely.True, 'f', 2, 64) + " " + unit.Symbol(),
		Open: true, Reading: l.Reading, Bar: int(100 * l.P()), Verdict: string(l.Verdict), WasAtTime: clockTime(l.AtUs, now)}
	low, high := "", ""
	if !l.LSL.IsZero() {
		low = num(l.LSL.In(unit))
	}
	if !l.USL.IsZero() {
		high = num(l.USL.In(unit))
	}
	v.Limits = strings.TrimSuffix(strings.TrimPrefix(low+" to "+high, " to "), " to ") + " " + unit.Symbol()
	return v
}

var baseUnits = map[quantity.Dimension]quantity.Unit{
	quantity.DimTorque: quantity.NewtonMetre, quantity.DimLength: quantity.Millimetre, quantity.DimAngle: quantity.Degree, quantity.DimForce: quantity.Newton,
}

func statusText(status string) string {
	word, _ := statusWords(status)
	if status == ledger.Released {
		return "shipped"
	}
	return word
}

// groups makes the groups of a list; fates, if given, are of the same lines.
func (p *Pages) groups(lines []events.RecallLine, fates []ledger.RecallLine) []lineGroup {
	at := map[int]*ledger.RecallLine{}
	for i := range fates {
		at[fates[i].Line] = &fates[i]
	}
	var out []lineGroup
	now := p.now()
	for _, g := range recalls.Groups(lines) {
		v := lineGroup{Job: g.Job, Unit: g.UnitSerial, Customer: g.Customer, Status: statusText(g.Status), Shipped: g.Shipped(), Here: g.Status == ledger.Active || g.Status == ledger.Paused, Link: "/jobs/" + url.PathEscape(g.Job)}
		for i := range g.Lines {
			l := p.doubtView(&g.Lines[i], now)
			if f := at[l.Line]; f != nil && !f.Open() {
				l.Open = false
				l.Fate = strings.ReplaceAll(string(f.How), "_", " ") + " by " + f.ClosedBy
				if f.Reason != "" {
					l.Fate += ": " + f.Reason
				}
			}
			if l.Open {
				v.Open++
			}
			v.Lines = append(v.Lines, l)
		}
		out = append(out, v)
	}
	return out
}

// recallPage shows a recall with its list to work off.
func (p *Pages) recallPage(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("recall")
	rc, err := p.cfg.Ledger.RecallNamed(r.Context(), id)
	if errors.Is(err, ledger.ErrUnknown) {
		return &pageProblem{Status: http.StatusNotFound, Text: "There is no recall " + id + ".", Todo: "Choose one from the list of recalls.", Back: "/recalls", Name: "Recalls"}
	}
	if err != nil {
		return err
	}
	lines, err := p.cfg.Ledger.RecallLines(r.Context(), id)
	if err != nil {
		return err
	}
	plain := make([]events.RecallLine, len(lines))
	for i := range lines {
		plain[i] = lines[i].RecallLine
	}
	rv := recallView{ToolID: rc.Tool, Groups: p.groups(plain, lines), Reasons: recallReasons}
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		rv.recallCard = v.recallCard(&rc)
		rv.Leads = leads(v, person(r))
		for _, q := range v.people(person(r)) {
			rv.All = append(rv.All, choice{q.ID, q.Name, q.Role, q.Current})
		}
	})
	return p.livePage(w, r, "recall", "Recall "+id, rv)
}

// recallList shows all recalls.
func (p *Pages) recallList(w http.ResponseWriter, r *http.Request) error {
	cards, err := p.recallCards(r.Context(), "", false)
	if err != nil {
		return err
	}
	return p.livePage(w, r, "recalls", "Recalls", cards)
}

// previewed is how many lines a preview shows.
const previewed = 100

// recallPreview shows what is in doubt if a tool deviated, before a recall is
// opened: GET /tools/{tool}/recall.
func (p *Pages) recallPreview(w http.ResponseWriter, r *http.Request) error {
	t, ok := p.toolNamed(r.PathValue("tool"))
	if !ok {
		return noTool(r.PathValue("tool"))
	}
	rv := recallView{ToolID: t.ID, Preview: true, Since: r.FormValue("since"), Until: r.FormValue("until"), Dev: r.FormValue("deviation")}
	in, err := p.inquiry(r.Context(), t.ID, rv.Dev, rv.Since, rv.Until)
	if err == nil {
		in.Most = previewed
		var list recalls.List
		if list, err = recalls.Make(r.Context(), p.cfg.Ledger, in); err == nil {
			rv.Groups, rv.More, rv.Found = p.groups(list.Lines, nil), list.More, true
			rv.Good, rv.Bad = standingText(&list.Inquiry.Good, p.now()), standingText(&list.Inquiry.Bad, p.now())
			rv.In = fmt.Sprintf("%s judged in that time, %d could have been outside with %s or more at the worst.", plural(list.InSpan, "reading"), list.InDoubt, percentText(recalls.Least))
			rv.Listed = fmt.Sprintf("Made from the journal up to number %d.", list.Position)
			rv.Total = len(list.Lines)
		}
	}
	switch {
	case errors.Is(err, recalls.ErrInquiry):
		rv.Error = sentence(strings.TrimPrefix(err.Error(), recalls.ErrInquiry.Error()+": "))
	case err != nil:
		return err
	}
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		rv.Tool, rv.Leads = v.toolName(t.ID), v.carers(person(r))
	})
	p.render(w, r, http.StatusOK, "recall-preview", "What is in doubt: "+rv.Tool, rv)
	return nil
}

// inquiry makes an inquiry from a tool's history, or from what was entered.
func (p *Pages) inquiry(ctx context.Context, tool, deviation, since, until string) (in recalls.Inquiry, err error) {
	in.Tool = tool
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: "+format, append([]any{recalls.ErrInquiry}, args...)...)
	}
	at := events.InstantOf(p.now())
	if until != "" {
		day, err := time.Parse(time.DateOnly, until)
		if err != nil {
			return in, bad("%q is no date; write it as 2026-11-25", until)
		}
		at = events.InstantOf(day)
	}
	err = p.cfg.Ledger.AtOnce(ctx, func(q *ledger.Queries) error {
		if deviation == "" {
			in.Good, in.Bad, err = recalls.SpanFor(ctx, q, tool, "")
			return err
		}
		d, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(strings.TrimSuffix(deviation, "%")), ",", ".", 1), 64)
		if err != nil {
			return bad("%q is no deviation; write it in %%, such as 5.2 or -3", deviation)
		}
		in.Bad = events.RecallStanding{What: "entered", AtUs: at, Levels: []events.RecallLevel{{Deviation: d, U: 1}}}
		if since == "" {
			in.Good, err = recalls.LastGood(ctx, q, tool, at)
		}
		return err
	})
	if since != "" && (err == nil || len(in.Bad.Levels) > 0) {
		day, bad2 := time.Parse(time.DateOnly, since)
		if bad2 != nil {
			return in, bad("%q is no date; write it as 2026-11-25", since)
		}
		in.Good, err = events.RecallStanding{What: "entered", AtUs: events.InstantOf(day), Levels: []events.RecallLevel{{U: 1}}}, nil
	}
	return in, err
}

// openRecall answers POST /tools/{tool}/recall: it makes the whole list and asks
// the rules to open a recall of it.
func (p *Pages) openRecall(w http.ResponseWriter, r *http.Request) error {
	t, ok := p.toolNamed(r.PathValue("tool"))
	if !ok {
		return noTool(r.PathValue("tool"))
	}
	f, err := readForm(w, r)
	if err != nil {
		return err
	}
	back := "/tools/" + url.PathEscape(t.ID) + "/recall"
	fail := func(text, todo string) error {
		return &pageProblem{Status: http.StatusBadRequest, Text: text, Todo: todo, Back: back, Name: "Back"}
	}
	by, reason := f.get("by"), f.reason()
	if by == "" {
		by = person(r)
	}
	if by == "" || len(*f.missing) > 0 {
		return fail("It is not said who asks, or why.", "Go back, choose who decides and say what happened to the tool.")
	}
	in, err := p.inquiry(r.Context(), t.ID, f.get("deviation"), f.get("since"), f.get("until"))
	var list recalls.List
	if err == nil {
		list, err = recalls.Make(r.Context(), p.cfg.Ledger, in)
	}
	if errors.Is(err, recalls.ErrInquiry) {
		return fail(sentence(err.Error()), "Go back and correct it.")
	}
	if err != nil {
		return err
	}
	id := recalls.NewID(t.ID, p.now())
	for _, d := range list.Requests(events.Ask{By: by, AtUs: events.InstantOf(p.now())}, id, reason) {
		if _, err := p.submit(r.Context(), "", d); err != nil {
			return err
		}
	}
	http.Redirect(w, r, "/recalls/"+url.PathEscape(id), http.StatusSeeOther)
	return nil
}

// closeLines answers POST /recalls/{recall}: it closes the lines that were
// ticked.
func (p *Pages) closeLines(w http.ResponseWriter, r *http.Request) error {
	f, err := readForm(w, r)
	if err != nil {
		return err
	}
	id := r.PathValue("recall")
	back := "/recalls/" + url.PathEscape(id)
	d := events.RecallLineAsked{Ask: events.Ask{By: f.get("by"), AtUs: events.InstantOf(p.now())}, Recall: id, How: events.RecallHow(f.get("how"))}
	if d.By == "" {
		d.By = person(r)
	}
	d.Reason = strings.TrimPrefix(strings.TrimSuffix(f.get("reason")+": "+f.get("words"), ": "), ": ")
	for _, s := range f.values["line"] {
		n, err := strconv.Atoi(s)
		if err != nil {
			return &pageProblem{Status: http.StatusBadRequest, Text: "A line is no number.", Todo: "Go back to the recall.", Back: back, Name: "Back"}
		}
		d.Lines = append(d.Lines, n)
	}
	slices.Sort(d.Lines)
	if len(d.Lines) == 0 || d.By == "" || d.How == "" {
		return &pageProblem{Status: http.StatusBadRequest, Text: "Nothing is closed: it takes lines, a way and a person.", Todo: "Go back, tick the lines, choose how they are closed and who decides.", Back: back, Name: "Back to the recall"}
	}
	if _, err := p.submit(r.Context(), "", d); err != nil {
		return err
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
	return nil
}
