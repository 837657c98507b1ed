package dashboards

import (
	"context"
	"fmt"
	"math"
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
	"witnessmark/rules/drift"
)

// toolMark is the shape that a tool's state is drawn as.
type toolMark string

// The shapes: a tick in a ring, a clock, a wave, a triangle, a struck-out ring,
// an empty ring.
const (
	markGood    toolMark = "good"
	markDue     toolMark = "due"
	markDrift   toolMark = "drift"
	markDoubt   toolMark = "doubt"
	markStopped toolMark = "stopped"
	markAway    toolMark = "away"
)

// toolLine is a tool on the list.
type toolLine struct {
	ID, Name, Serial, Kind, Range string
	Mark                          toolMark
	Tone                          string
	State                         string   // in two or three words
	Why                           []string // more of it
	Due, DueIn                    string
	Cycles                        string
	Place                         string
	Now                           string // what it deviates
	Spark                         *spark
	Recalls                       []rules.InDoubt
	Link                          string
	due                           time.Time
	order                         int
}

// spark is the drift of a tool at a glance.
type spark struct {
	Point  string
	Path   string // polyline points
	Upper  float64
	Lower  float64
	Banded bool
	Height float64 // of the band
	X, Y   float64 // the last one
	Out    bool
}

type toolsView struct {
	Tools   []toolLine
	Recalls []recallCard
}

var kindWords = map[events.ToolKind]string{
	events.ToolTorqueWrench: "Torque wrench", events.ToolTorqueTester: "Torque tester", events.ToolDialIndicator: "Dial indicator", events.ToolPressGauge: "Press gauge", events.ToolSpringScale: "Spring scale", events.ToolGaugeBlocks: "Gauge blocks",
}

// tools shows every tool: what it is worth, when it is due, how it drifts.
func (p *Pages) tools(w http.ResponseWriter, r *http.Request) error {
	p.hub.warm("")
	var tv toolsView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		for i := range st.Shop.Tools {
			tv.Tools = append(tv.Tools, v.toolLine(&st.Shop.Tools[i]))
		}
	})
	for i := range tv.Tools {
		t := &tv.Tools[i]
		history, adjusted, err := p.toolHistory(r.Context(), t.ID)
		if err != nil {
			return err
		}
		t.glance(toolSeriesOf(history, adjusted))
		signals, err := p.cfg.Ledger.DriftSignals(r.Context(), t.ID)
		if err != nil {
			return err
		}
		t.drifts(signals, adjusted, p.now())
	}
	slices.SortStableFunc(tv.Tools, func(a, b toolLine) int { return a.order - b.order })
	var err error
	if tv.Recalls, err = p.recallCards(r.Context(), "", true); err != nil {
		return err
	}
	return p.livePage(w, r, "tools", "Tools", tv)
}

// signalDays is how long the list shows that a chart signalled. Our own choice.
const signalDays = 30

// drifts marks a tool in order whose charts signalled lately, since it was last
// adjusted.
func (l *toolLine) drifts(signals []ledger.DriftSignal, adjusted []ledger.Adjusted, now time.Time) {
	if l.Mark != markGood || len(signals) == 0 {
		return
	}
	s := signals[len(signals)-1]
	since := events.InstantOf(now.AddDate(0, 0, -signalDays))
	for _, a := range adjusted {
		since = max(since, a.AtUs)
	}
	if s.AtUs < since {
		return
	}
	l.Mark, l.Tone, l.State, l.order = markDrift, toneAbnormal, "Changed", 3
	l.Why = []string{fmt.Sprintf("It reads %s than it did, since about %s: look why. A signal is no verdict.", map[bool]string{true: "more", false: "less"}[s.High], s.SinceUs.Time().Format(time.DateOnly))}
}

func (p *Pages) toolHistory(ctx context.Context, tool string) (history []recalls.Worth, adjusted []ledger.Adjusted, err error) {
	err = p.cfg.Ledger.AtOnce(ctx, func(q *ledger.Queries) error {
		history, adjusted, err = recalls.HistoryOf(ctx, q, tool)
		return err
	})
	return history, adjusted, err
}

// toolLine says where a tool stands by the rules' state.
func (v viewer) toolLine(t *events.Tool) toolLine {
	l := toolLine{ID: t.ID, Name: v.toolName(t.ID), Serial: t.Serial, Kind: kindWords[t.Kind], Range: rangeWords(t), Due: t.Due, Link: "/tools/" + url.PathEscape(t.ID), Place: t.Place}
	n := v.st.Tools[t.ID]
	if n == nil {
		n = &rules.Tool{ID: t.ID, State: events.ToolInUse, Standing: events.StandingGood, Due: t.Due, Calibrated: t.Calibrated}
	}
	_, l.Due = v.dates(t)
	if n.Place != "" {
		l.Place = n.Place
	}
	l.Cycles = strconv.FormatInt(n.Cycles, 10)
	left, bounded := v.st.CyclesLeft(t.ID)
	if bounded {
		l.Cycles += fmt.Sprintf(", %d left", max(0, left))
	}
	days := math.MaxInt32
	l.Due = dueDay(l.Due)
	if due, err := time.Parse(time.DateOnly, l.Due); err == nil {
		l.due = due
		today := v.now.UTC().Truncate(24 * time.Hour)
		days = int(due.Sub(today).Hours() / 24)
		l.DueIn = daysWords(days)
	}
	for _, r := range v.st.OpenRecalls() {
		if r.Tool == t.ID {
			l.Recalls = append(l.Recalls, rules.InDoubt{Recall: r.Recall, Tool: r.Tool, Lines: r.Open})
		}
	}
	suspect, suspected := v.st.Suspects[t.ID]
	set := func(order int, m toolMark, tone, state string, why ...string) {
		l.order, l.Mark, l.Tone, l.State, l.Why = order, m, tone, state, why
	}
	switch {
	case n.State == events.ToolRetired:
		set(9, markAway, "", "Retired", n.Why)
	case n.Standing == events.StandingBad:
		set(0, markStopped, toneFault, "Out of tolerance", "Do not use it. Adjust it, calibrate it, and look at what is in doubt.")
	case n.State == events.ToolQuarantined:
		set(0, markStopped, toneFault, "Quarantined", n.Why, "Do not use it before somebody has looked at it.")
	case days < 0:
		set(1, markStopped, toneFault, "Overdue", "Do not use it; send it to be calibrated.")
	case bounded && left <= 0:
		set(1, markStopped, toneFault, "Too many cycles", "Do not use it; send it to be calibrated.")
	case n.State == events.ToolAway:
		set(8, markAway, "", "Away", n.Why)
	case n.Standing == events.StandingDoubt:
		set(2, markDoubt, toneAbnormal, "In doubt", "The last check could not tell. Check it again with a better reference.")
	case suspected:
		set(3, markDrift, toneAbnormal, "Suspect", suspect.Why)
	case days <= 30:
		set(4, markDue, toneAbnormal, "Due soon")
	case bounded && left < 500:
		set(4, markDue, toneAbnormal, "Due soon", fmt.Sprintf("%d cycles are left.", left))
	default:
		set(5, markGood, toneNormal, "In order")
	}
	l.Why = slices.DeleteFunc(l.Why, func(s string) bool { return s == "" })
	return l
}

// dates are when a tool was calibrated last and when it is due, by the journal
// and the shop file together; "" where it is not known.
func (v viewer) dates(t *events.Tool) (calibrated, due string) {
	calibrated, due = t.Calibrated, t.Due
	if n := v.st.Tools[t.ID]; n != nil && n.Due != "" {
		calibrated, due = n.Calibrated, n.Due
	}
	return calibrated, due
}

// noDay stands for the date of a tool that no date bounds.
const noDay = "by no date"

func dueDay(due string) string {
	if due == rules.NeverDue {
		return noDay
	}
	return due
}

func daysWords(days int) string {
	switch {
	case days < 0:
		return plural(-days, "day") + " ago"
	case days == 0:
		return "today is the last day"
	}
	return "in " + plural(days, "day")
}

func rangeWords(t *events.Tool) string {
	unit := quantity.NewtonMetre
	switch t.Most.Dimension() {
	case quantity.DimLength:
		unit = quantity.Millimetre
	case quantity.DimForce:
		unit = quantity.Newton
	}
	return num(t.Least.In(unit)) + " to " + num(t.Most.In(unit)) + " " + unit.Symbol()
}

const (
	sparkWidth, sparkHeight = 240.0, 64.0
	sparkMost               = 40
)

// glance draws the drift of the point with the longest history.
func (l *toolLine) glance(all []toolSeries) {
	if len(all) == 0 || len(all[0].Points) == 0 {
		return
	}
	s := &all[0]
	for i := range all { // of those with as long a history, the one nearest to its limit
		if len(all[i].Points) == len(s.Points) && math.Abs(all[i].last()) > math.Abs(s.last()) {
			s = &all[i]
		}
	}
	points := s.Points[max(0, len(s.Points)-sparkMost):]
	last := points[len(points)-1]
	l.Now = fmt.Sprintf("%s %s at %s", s.signed(last.Deviation), s.unitName(), s.name())
	limit := s.permitted()
	top := 1.3 * limit
	for _, p := range points {
		top = max(top, 1.3*math.Abs(p.Deviation)) // room for the mark itself
	}
	if top == 0 {
		return
	}
	y := func(d float64) float64 { return math.Round(10*(sparkHeight/2-d/top*sparkHeight/2)) / 10 }
	k := spark{Point: s.name(), Banded: limit > 0, Upper: y(limit), Lower: y(-limit), Height: y(-limit) - y(limit), Out: limit > 0 && math.Abs(last.Deviation) > limit}
	from, to := points[0].At, last.At
	var path []string
	for _, p := range points {
		x := sparkWidth - 8
		if to > from {
			x = 8 + (sparkWidth-16)*float64(p.At-from)/float64(to-from)
		}
		k.X, k.Y = math.Round(10*x)/10, y(p.Deviation)
		path = append(path, num(k.X)+","+num(k.Y))
	}
	k.Path = strings.Join(path, " ")
	l.Spark = &k
}

// toolChart is one picture on a tool's page.
type toolChart struct {
	Src, Alt, Title string
	Facts           []string
	Signals         bool
}

type toolPointView struct {
	Name     string
	History  toolChart
	Trend    []string
	Charts   []toolChart
	NoCharts string
}

type worthRow struct {
	At, What, ID, By, Where, Standing, Tone string
	Left                                    bool
	Values                                  []string
	PDF, File, Paper                        string
}

type toolView struct {
	toolLine
	Tool       events.Tool
	Points     []toolPointView
	Worths     []worthRow
	Moves      []string
	Adjusted   []string
	Overloads  int
	Jobs       []ledger.ToolJob
	Signals    []string
	Suspicions []string
	Peers      []string
	Idle       []string
	Interval   string
	Cards      []recallCard
	Last       events.RecallStanding
	Leads      []choice
	Wrench     bool // it is a torque wrench
	Enters     bool // who looks may enter a laboratory's certificate
}

// toolNamed finds a tool of the shop file.
func (p *Pages) toolNamed(id string) (t events.Tool, ok bool) {
	p.cfg.Service.View(func(st *rules.State) {
		k := slices.IndexFunc(st.Shop.Tools, func(x events.Tool) bool { return x.ID == id })
		if ok = k >= 0; ok {
			t = st.Shop.Tools[k]
		}
	})
	return t, ok
}

func noTool(id string) error {
	return &pageProblem{Status: http.StatusNotFound, Text: "There is no tool " + id + " in the shop file.", Todo: "Choose one from the list of tools.", Back: "/tools", Name: "Tools"}
}

// tool shows all that is known of one tool.
func (p *Pages) tool(w http.ResponseWriter, r *http.Request) error {
	t, ok := p.toolNamed(r.PathValue("tool"))
	if !ok {
		return noTool(r.PathValue("tool"))
	}
	ctx := r.Context()
	tv := toolView{Tool: t, Wrench: t.Kind == events.ToolTorqueWrench, Enters: visit(r).May("GET /tools/{tool}/certificate")}
	history, adjusted, err := p.toolHistory(ctx, t.ID)
	if err != nil {
		return err
	}
	series := toolSeriesOf(history, adjusted)
	if err := p.toolFacts(ctx, &tv, history); err != nil {
		return err
	}
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		tv.toolLine = v.toolLine(&t)
		tv.Leads = v.carers(person(r))
		tv.Peers = v.peerWords(t.ID)
		for i := range tv.Worths {
			tv.Worths[i].By = v.personName(tv.Worths[i].By)
		}
		for _, a := range slices.Backward(adjusted) {
			tv.Adjusted = append(tv.Adjusted, fmt.Sprintf("%s: %s (%s)", clockTime(a.AtUs, v.now), a.What, v.personName(a.By)))
		}
		if n := st.Tools[t.ID]; n != nil {
			tv.Overloads = int(n.Overloads)
		}
	})
	tv.glance(series)
	for i := range series {
		if i == 4 {
			break // the longest histories
		}
		tv.Points = append(tv.Points, p.pointView(&series[i], i, t.ID))
	}
	if tv.Cards, err = p.recallCards(ctx, t.ID, false); err != nil {
		return err
	}
	return p.livePage(w, r, "tool", tv.Name, &tv)
}

func (p *Pages) pointView(s *toolSeries, k int, tool string) toolPointView {
	base := "/tools/" + url.PathEscape(tool) + "/plots/" + strconv.Itoa(k)
	v := toolPointView{Name: s.name(), Trend: s.trendWords(p.now())}
	v.History = toolChart{Src: base + "/history.svg", Alt: "Deviation at " + s.name() + " over time"}
	charts, err := s.charts()
	if err != nil {
		v.NoCharts = fmt.Sprintf("Control charts want %d checks since the last adjustment; there are %d.", drift.LeastCharted, len(s.Points)-s.since())
		return v
	}
	for i, c := range charts.Rules {
		facts := []string{fmt.Sprintf("A tool in order signals once in %.0f checks; a shift of one standard deviation (%s %s) shows after %.0f.", c.ARL0, s.figure(charts.Process.SD), s.unitName(), c.ARL1)}
		for _, g := range c.Chart.Signals {
			facts = append(facts, fmt.Sprintf("Signal on %s: it reads %s than usual, since about %s.", dayOf(charts.At[g.At]), map[bool]string{true: "more", false: "less"}[g.High], dayOf(charts.At[min(g.Since, len(charts.At)-1)])))
		}
		if len(c.Chart.Signals) == 0 {
			facts = append(facts, "No signal.")
		}
		v.Charts = append(v.Charts, toolChart{Src: fmt.Sprintf("%s/chart-%d.svg", base, i), Alt: c.Name, Title: c.Name, Facts: facts, Signals: len(c.Chart.Signals) > 0})
	}
	if slow := charts.Process.Slow; slow != nil && slow.Drift > 0 {
		v.Trend = append(v.Trend, fmt.Sprintf("Its checks vary slowly too (%s %s, remembered for about %.0f days); the charts allow for it.", s.figure(slow.Drift), s.unitName(), slow.Tau))
	}
	return v
}

// toolFacts reads what the ledger holds about a tool.
func (p *Pages) toolFacts(ctx context.Context, tv *toolView, history []recalls.Worth) error {
	t := &tv.Tool
	for _, w := range slices.Backward(history) {
		row := worthRow{At: w.AtUs.Time().In(p.now().Location()).Format("2006-01-02 15:04"), What: w.What, ID: w.ID, By: w.By, Where: w.Where, File: w.File, Left: w.Phase == events.PhaseLeft}
		row.Standing, row.Tone = standingWord(w.Standing)
		for _, r := range w.Results {
			s := toolSeries{Point: r.Point, Direction: strings.TrimPrefix(r.Direction, "cw"), Unit: r.Unit}
			if r.Direction == "ccw" {
				s.Direction = "ccw"
			}
			text := fmt.Sprintf("%s: %s ± %s %s", s.name(), s.signed(r.Deviation), s.figure(r.U), s.unitName())
			if r.Permitted > 0 {
				text += fmt.Sprintf(" (permitted ± %s)", num(r.Permitted))
			}
			row.Values = append(row.Values, text)
		}
		if w.FileHash != "" {
			row.Paper = "/papers/" + w.FileHash
		}
		if w.What == "calibration" {
			row.PDF = "/tools/" + url.PathEscape(t.ID) + "/calibrations/" + url.PathEscape(w.ID) + ".pdf"
		}
		tv.Worths = append(tv.Worths, row)
	}
	signals, err := p.cfg.Ledger.DriftSignals(ctx, t.ID)
	if err != nil {
		return err
	}
	for _, s := range slices.Backward(signals) {
		series := toolSeries{Point: s.Point, Direction: s.Direction, Unit: "%"}
		if s.Point.Dimension() == quantity.DimLength {
			series.Unit = quantity.Millimetre.Code()
		}
		unit := series.unitName()
		tv.Signals = append(tv.Signals, fmt.Sprintf("%s at %s: %s. It read %s %s, usual is %s %s (standard deviation %s); it reads %s since about %s.",
			s.AtUs.Time().Format(time.DateOnly), series.name(), s.Rule, series.signed(s.Value), unit, series.signed(s.Centre), unit, series.figure(s.SD), map[bool]string{true: "more", false: "less"}[s.High], s.SinceUs.Time().Format(time.DateOnly)))
	}
	suspicions, err := p.cfg.Ledger.Suspicions(ctx, t.ID)
	if err != nil {
		return err
	}
	for _, s := range slices.Backward(suspicions) {
		tv.Suspicions = append(tv.Suspicions, s.AtUs.Time().Format(time.DateOnly)+": "+s.Why)
	}
	if tv.Jobs, err = p.cfg.Ledger.ToolJobs(ctx, t.ID, 12); err != nil {
		return err
	}
	if tv.Idle, err = p.idleWords(ctx, t); err != nil {
		return err
	}
	advice, err := p.intervalOf(ctx, t)
	if err != nil {
		return err
	}
	tv.Interval = advice.words()
	return nil
}

func standingWord(s events.Standing) (word, tone string) {
	switch s {
	case events.StandingGood:
		return "inside its limits", toneNormal
	case events.StandingBad:
		return "OUTSIDE its limits", toneFault
	case events.StandingDoubt:
		return "too near to tell", toneAbnormal
	}
	return "no verdict", ""
}

// intervalOf counts how the tools of one kind came back from their intervals.
func (p *Pages) intervalOf(ctx context.Context, t *events.Tool) (interval, error) {
	out := interval{Days: 365, Torque: t.Most.Dimension() == quantity.DimTorque}
	if t.Interval.Months > 0 {
		out.Days = math.Round(float64(t.Interval.Months) * 365 / 12)
	}
	var tools []string
	p.cfg.Service.View(func(st *rules.State) {
		for _, x := range st.Shop.Tools {
			if x.Kind == t.Kind {
				tools = append(tools, x.ID)
			}
		}
	})
	for _, id := range tools {
		history, _, err := p.toolHistory(ctx, id)
		if err != nil {
			return out, err
		}
		for _, w := range history {
			if w.What == "check" || w.Phase != events.PhaseFound {
				continue
			}
			out.Tested++
			if w.Standing == events.StandingGood || w.Standing == events.StandingDoubt {
				out.Good++
			}
		}
	}
	return out, nil
}

// peerWords says what production tells of a tool now.
func (v viewer) peerWords(tool string) []string {
	factors, _, err := v.st.Peers.Estimate(rules.SuspectWatch())
	if err != nil {
		return nil
	}
	for _, f := range factors {
		if f.Tool != tool {
			continue
		}
		if f.Peers == 0 {
			return []string{fmt.Sprintf("%s with a torque rate; %s.", plural(f.Pulls, "pull"), f.Question)}
		}
		lines := []string{fmt.Sprintf("Against %s on like joints it reads %+.1f %% (95 %%: %+.1f to %+.1f %%), from %s on %s.", plural(f.Peers, "other tool"), 100*(f.Factor-1), 100*(f.Lower-1), 100*(f.Upper-1), plural(f.Pulls, "pull"), plural(f.Visits, "joint"))}
		switch {
		case f.Bound == 0:
			lines = append(lines, sentence(f.Question))
		case f.Suspect:
			lines = append(lines, "That is suspicious: check it on the bench. It is not a verdict.")
		default:
			lines = append(lines, fmt.Sprintf("That is not suspicious. A drift of %.1f %% would be by now, in half of all cases.", 100*f.Sees))
		}
		return lines
	}
	return []string{"No pull of a released job tells its torque rate yet: that takes an angle tool with traces."}
}

// carers are those who may open a recall.
func (v viewer) carers(current string) []choice {
	var out []choice
	for _, q := range v.people(current) {
		if events.Role(q.Role).Cares() {
			out = append(out, choice{q.ID, q.Name, q.Role, q.Current})
		}
	}
	return out
}

// toolPlot draws a picture of a tool's page.
func (p *Pages) toolPlot(w http.ResponseWriter, r *http.Request) error {
	none := problem(http.StatusNotFound, "There is no such chart.", "Go back to the tool.")
	if _, ok := p.toolNamed(r.PathValue("tool")); !ok {
		return noTool(r.PathValue("tool"))
	}
	history, adjusted, err := p.toolHistory(r.Context(), r.PathValue("tool"))
	if err != nil {
		return err
	}
	series := toolSeriesOf(history, adjusted)
	k, err := strconv.Atoi(r.PathValue("point"))
	if err != nil || k < 0 || k >= len(series) {
		return none
	}
	var b []byte
	if r.PathValue("plot") == "history.svg" {
		b, err = plotHistory(&series[k])
	} else {
		n, found := strings.CutPrefix(strings.TrimSuffix(r.PathValue("plot"), ".svg"), "chart-")
		which, bad := strconv.Atoi(n)
		if !found || bad != nil {
			return none
		}
		if charts, err := series[k].charts(); err != nil || which < 0 || which >= len(charts.Rules) {
			return none
		}
		b, err = plotChart(&series[k], which)
	}
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
