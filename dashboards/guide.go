package dashboards

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	gauging "witnessmark/rules/gauge"
	"witnessmark/rules/procedure"
)

// guideView leads through a measurement: what to do now, what the indicator
// shows, what was taken.
type guideView struct {
	Bench        string
	Job, Step    string
	Ask          string // what to do now
	Count        string // "2 of 5 strokes"
	Pips         []bool // the same, drawn: done or not
	Trouble      string
	Todo         string
	Live         guideLive
	Points       []guidePoint
	Buttons      []guideButton
	Result       *guideResult
	Method, Tool string
}

// guideLive is what changes with each block of samples.
type guideLive struct {
	Value string `json:"value"` // what the indicator shows now
	Unit  string `json:"unit"`
	Note  string `json:"note"`  // standing still or moving, in words
	Curve string `json:"curve"` // path in a box of 1000 by 240
	Band  string `json:"band"`  // how much the curve spans, in words
}

type guidePoint struct {
	N                   int
	What, Value, Remark string
	Typed               bool
}

type guideButton struct{ Do, Text, Key string }

type guideResult struct {
	Value, Unit, U, Verdict, Word string
	Figures, Warnings, Budget     []string
	Curve                         string
}

// key is all of the view that the page must be made anew for.
func (g *guideView) key() string {
	if g == nil {
		return ""
	}
	return fmt.Sprint(g.Step, g.Ask, g.Count, g.Trouble, g.Points, g.Buttons, g.Result != nil)
}

// guide makes the view of a guided step; nil for any other. current tells
// whether the step is being worked on.
func (v viewer) guide(job *rules.Job, i int, current bool) *guideView {
	if i < 0 || i >= len(job.Steps) {
		return nil
	}
	spec, st := &job.Proc.Steps[i], &job.Steps[i]
	m := spec.Measure
	if m == nil || m.Gauge == nil {
		return nil
	}
	g := &guideView{Bench: job.Bench, Job: job.ID, Step: spec.ID, Method: strings.ReplaceAll(string(m.Gauge.Method), "_", " ")}
	if st.Made != nil {
		g.Result = v.guideResult(m, st.Made)
	}
	if !current || st.Done {
		return g.orNil()
	}
	if st.Value != nil { // out of limits: what now is a person's to say
		g.Ask = "Out of limits. Adjust, then measure again; or a lead decides."
		g.Buttons = []guideButton{{string(events.MeasureAgain), "Measure again", "m"}}
		return g
	}
	at, ask, ok := v.st.GuidedAsk(job)
	if !ok || at != i {
		return g.orNil()
	}
	g.Result = nil
	v.guideNow(g, m, st.Guided, &ask)
	return g
}

func (g *guideView) orNil() *guideView {
	if g.Result == nil {
		return nil
	}
	return g
}

func (v viewer) guideNow(g *guideView, m *procedure.MeasureSpec, now *rules.Guided, ask *gauging.Ask) {
	g.Ask = ask.Text
	if ask.Of > 1 {
		g.Count = fmt.Sprintf("%d of %d %s", min(ask.Have, ask.Of), ask.Of, ask.Count)
		for k := range min(ask.Of, 24) {
			g.Pips = append(g.Pips, k < ask.Have)
		}
	}
	g.Live.Note = "Nothing comes from an indicator yet."
	if m.Gauge.Method == gauging.Drag {
		g.Live.Note = "Pull with a tool that sends its trace, or type what you read."
	}
	if now == nil {
		return
	}
	g.Trouble, g.Todo, g.Tool = now.Trouble.Text, now.Trouble.Todo, v.toolName(now.Tool)
	unit := v.measureUnit(m)
	g.Live.fill(now, unit)
	for k, p := range now.Points {
		x := guidePoint{N: k + 1, What: pointWords(p, m.Gauge), Value: withUnit(p.Value, unit), Typed: p.Typed, Remark: p.Note}
		if p.Typed {
			x.Remark = strings.Trim("typed, "+x.Remark, ", ")
		}
		g.Points = append(g.Points, x)
	}
	g.Buttons = guideButtons(m.Gauge, now, ask)
}

func pointWords(p events.PointTaken, s *gauging.Spec) string {
	switch gauging.Kind(p.Kind) {
	case gauging.Rest:
		return "at the start"
	case gauging.First:
		return "reference"
	case gauging.Other:
		return "measured place"
	case gauging.Stop:
		if s.Method == gauging.Backlash {
			return fmt.Sprintf("place %d, stop", p.Place+1)
		}
		return "stop"
	case gauging.Place:
		return fmt.Sprintf("place %d", p.Place+1)
	}
	return "value"
}

// guideButtons are for what the program cannot see by itself.
func guideButtons(s *gauging.Spec, now *rules.Guided, ask *gauging.Ask) []guideButton {
	var out []guideButton
	add := func(do events.MeasureDo, text, key string) { out = append(out, guideButton{string(do), text, key}) }
	switch {
	case ask.Turning && s.Marks > 0:
		add(events.MeasureMark, "Mark", "m")
	case ask.Turning:
		add(events.MeasureEnd, "The turn is done", "e")
	default:
		if len(now.Trail) > 0 {
			add(events.MeasureTake, "Take it", "g")
		}
		if s.Method == gauging.Backlash && ask.Place > 0 && len(gauging.At(guidePlaces(now), ask.Place)) == 0 {
			add(events.MeasureMoved, "Next place", "n")
		}
	}
	if len(now.Points) > 0 {
		add(events.MeasureBack, "Last one again", "b")
		add(events.MeasureAgain, "From the beginning", "x")
	}
	return out
}

func guidePlaces(now *rules.Guided) []gauging.Point {
	out := make([]gauging.Point, len(now.Points))
	for i, p := range now.Points {
		out[i].Place = p.Place
	}
	return out
}

const (
	curveWide, curveHigh = 1000, 240
	curveMost            = 250 // samples drawn
)

// fill draws the samples since the last point.
func (l *guideLive) fill(now *rules.Guided, unit quantity.Unit) {
	n := len(now.Trail)
	if n == 0 {
		l.Note = "Waiting for the indicator."
		return
	}
	last := now.Trail[n-1].V
	l.Value, l.Unit = quantity.FormatNumber(last, unit, decimalsOf(now.Step, unit)), unit.Symbol()
	xs := make([]float64, 0, curveMost)
	every := max(1, (n+curveMost-1)/curveMost)
	for i := (n - 1) % every; i < n; i += every {
		xs = append(xs, now.Trail[i].V.Base())
	}
	lo, hi := slices.Min(xs), slices.Max(xs)
	span := max(hi-lo, 20*now.Step.Base())
	l.Curve = curvePath(xs, (lo+hi)/2, span)
	l.Band = "the curve spans " + quantity.Format(last.WithBase(hi-lo), unit, -1)
	l.Note = "moving"
	if tail := xs[max(0, len(xs)-8):]; slices.Max(tail)-slices.Min(tail) <= 3*now.Step.Base() {
		l.Note = "standing still"
	}
}

func curvePath(xs []float64, middle, span float64) string {
	var b strings.Builder
	for i, x := range xs {
		if i == 0 {
			b.WriteByte('M')
		} else {
			b.WriteByte('L')
		}
		px := float64(curveWide) * float64(i) / math.Max(1, float64(len(xs)-1))
		py := curveHigh/2 - (x-middle)/span*(curveHigh-20)
		b.WriteString(strconv.FormatFloat(px, 'f', 0, 64) + " " + strconv.FormatFloat(py, 'f', 1, 64))
	}
	return b.String()
}

// decimalsOf is how many decimals show one step of a tool.
func decimalsOf(step quantity.Value, u quantity.Unit) int {
	s := step.In(u)
	if !(s > 0) {
		return 3
	}
	return int(math.Min(math.Max(math.Ceil(-math.Log10(s)-1e-6), 0), 6))
}

func (v viewer) guideResult(m *procedure.MeasureSpec, made *events.MeasurementMade) *guideResult {
	unit := unitFor(v.st.Shop, made.Value, m.Unit)
	r := &guideResult{Value: quantity.FormatNumber(made.Value, unit, -1), Unit: unit.Symbol(), U: withUnit(made.U, unit), Verdict: string(made.Verdict), Word: measureVerdictWords(made.Verdict), Warnings: made.Warnings}
	for _, f := range made.Figures {
		u := unit
		if f.Value.Dimension() != unit.Dimension() {
			u = quantity.PreferredUnits{}.For(f.Value.Dimension())
		}
		r.Figures = append(r.Figures, strings.TrimSuffix(f.Name+" "+quantity.Format(f.Value, u, -1)+", "+f.Note, ", "))
	}
	for _, b := range made.Budget {
		r.Budget = append(r.Budget, fmt.Sprintf("%s %s, %.0f %% (%s)", b.Name, quantity.Format(b.U, unit, -1), 100*b.Share, b.Source))
	}
	if n := len(made.Curve); n > 1 {
		xs := make([]float64, n)
		for i, p := range made.Curve {
			xs[i] = p.V
		}
		lo, hi := slices.Min(xs), slices.Max(xs)
		r.Curve = curvePath(xs, (lo+hi)/2, math.Max(hi-lo, 1e-4))
	}
	return r
}

// measuredJob returns the job of an outcome of a guided measurement; ok is false for any other outcome.
func measuredJob(o events.OutcomeData) (job string, ok bool) {
	switch o := o.(type) {
	case events.MeasurementStarted:
		return o.Job, true
	case events.MeasurementFed:
		return o.Job, true
	case events.PointTaken:
		return o.Job, true
	case events.ReadingGuided:
		return o.Job, true
	case events.PointDropped:
		return o.Job, true
	case events.PlaceReached:
		return o.Job, true
	case events.MarkPassed:
		return o.Job, true
	case events.MeasurementTroubled:
		return o.Job, true
	case events.MeasurementEnded:
		return o.Job, true
	case events.MeasurementMade:
		return o.Job, true
	}
	return "", false
}

// guideDo makes the request of one of the buttons.
func guideDo(f form, a events.Ask) events.Data {
	return events.MeasureAsked{Ask: a, Job: f.job(), Step: f.step(), Do: events.MeasureDo(f.need("what", "What is to be done is missing: go back to the bench."))}
}
