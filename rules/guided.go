package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// Guided is a guided measurement that is under way.
type Guided struct {
	Attempt int
	Tool    string // that takes it; another may take over until a point is taken
	Unit    string // that the tool sends
	By      string
	Started events.Instant
	Points  []events.PointTaken
	// Trail is the samples since the last point, thinned, and of a turn the
	// whole of it; Step one step of the tool.
	Trail []gauge.Sample
	Step  quantity.Value
	// Last is the value that the tool must leave before another point is
	// taken; zero Value: none.
	Last    quantity.Value
	Lifted  quantity.Value // what it shows while its tip is lifted; zero Value: not known
	Moved   bool           // the next place is reached, as a person said
	Marks   []events.Instant
	Trouble events.MeasurementTroubled // Code "": none
}

// Bounds of what is kept of a stream, and of patience with it.
const (
	trailThin     = 40_000     // μs: one sample of each such bin is kept
	trailPoint    = 20_000_000 // μs: as far back as a value at rest is looked for
	trailMost     = 6_000      // samples of a turn: four minutes of it
	restless      = 15_000_000 // μs without stillness, and it is said
	lookBack      = 8_000_000  // μs: in which there was none
	finestStep    = 0.0001     // mm or N·m
	coarsest      = 0.01       // mm or N·m: what looks like a coarser step is movement
	usualStep     = 0.001      // mm: where nothing moved yet
	liftedFar     = 0.2        // mm: by so much at least a tip moves when it is lifted or set
	liftedFarther = 1.0        // mm: and by so much where it was not seen before
	liftedNear    = 0.02       // mm: a lifted tip shows the same each time
	gapInTurn     = 1_000_000  // μs without a sample while it turns
)

// points gives the measurement's points as gauge takes them.
func (g *Guided) points() []gauge.Point {
	if g == nil {
		return nil
	}
	out := make([]gauge.Point, len(g.Points))
	for i, p := range g.Points {
		out[i] = gauge.Point{Kind: gauge.Kind(p.Kind), Place: p.Place, V: p.Value, Spread: p.Spread, Resolution: p.Resolution, At: p.AtUs, Typed: p.Typed}
	}
	return out
}

func (g *Guided) step() float64 {
	if g == nil || g.Step.IsZero() {
		return usualStep
	}
	return g.Step.Base()
}

// guidedNow returns the step that is being measured under guidance now: the
// current one, unless its value waits for a decision.
func (j *Job) guidedNow() (i int, spec gauge.Spec, ok bool) {
	i = j.current()
	if i == len(j.Steps) || j.Status != JobActive {
		return i, spec, false
	}
	m := j.Proc.Steps[i].Measure
	if m == nil || m.Gauge == nil || j.Steps[i].Value != nil || j.shimsFirst(i) {
		return i, spec, false
	}
	return i, *m.Gauge, true
}

// GuidedAsk says what a guided measurement asks for now; ok is false if none
// is due in the job.
func (s *State) GuidedAsk(j *Job) (step int, ask gauge.Ask, ok bool) {
	i, spec, ok := j.guidedNow()
	if !ok {
		return i, ask, false
	}
	g := j.Steps[i].Guided
	ask = spec.Next(g.points(), g.step())
	if spec.Marks > 0 && ask.Turning && g != nil {
		ask.Have, ask.Of, ask.Count = len(g.Marks), spec.Marks+1, "marks"
	}
	return i, ask, true
}

// samples takes a block of samples into the guided measurement at its bench,
// if one is due and takes such a tool.
func (t *tx) samples(e events.SamplesCaptured) {
	if t.late != nil {
		return // nobody was led while the bench was cut off: it means nothing by itself
	}
	if t.s.care(e.Bench) != nil {
		return // a tool is being calibrated or checked there
	}
	t.open(t.s.BenchJob[e.Bench])
	if t.job == nil || len(e.Values) == 0 || len(e.Values) != len(e.AtUs) {
		return
	}
	i, spec, ok := t.job.guidedNow()
	unit, known := quantity.UnitByCode(e.Unit)
	tool, mine := t.s.index.tools[e.Tool]
	if !ok || !known || !mine || unit.Dimension() != spec.Dimension() {
		return
	}
	w, _ := t.job.measureSlot(i)
	misfit, other := tool.misfit(&w, t.at)
	if other {
		return
	}
	t.by = t.job.Technician
	if misfit != "" {
		t.trouble(i, "wrong_tool", fmt.Sprintf("%s cannot be used here: %s.", t.s.toolName(e.Tool), misfit), "Take a tool that is in date and whose range is enough.")
		return
	}
	if conditionOf(e.Status) == fault {
		t.doubted(i, &e)
		t.follow()
		return
	}
	f := feed(&e, unit, t.job.Steps[i].Guided)
	f.Job, f.Step = t.job.ID, t.job.Proc.Steps[i].ID
	if t.takeOver(i, &e, &f) {
		t.add(f)
		if t.job.Steps[i].Guided.Trouble.Code == "tool_status" {
			t.trouble(i, "", "", "")
		}
		t.advance(i, &tool)
	}
	t.follow()
}

// doubted leaves out samples whose own tool says that they are no values: past
// its range, or at fault. A turn that has a hole there is no turn.
func (t *tx) doubted(i int, e *events.SamplesCaptured) {
	g := t.job.Steps[i].Guided
	if g != nil && g.Tool != "" && g.Tool != e.Tool {
		return // another indicator at the bench
	}
	text := fmt.Sprintf("%s says %q itself: what it shows now is not taken.", t.s.toolName(e.Tool), strings.ReplaceAll(e.Status, "_", " "))
	todo := "Look at what it shows. Set the tip so that it has travel both ways, or take another indicator."
	if g != nil && len(g.Points) > 0 && t.job.Proc.Steps[i].Measure.Gauge.Next(g.points(), g.step()).Turning {
		t.endGuided(i, "", fmt.Sprintf("the indicator said %q in the middle of the turn", strings.ReplaceAll(e.Status, "_", " ")))
		todo += " The turn is taken from its beginning."
	}
	t.trouble(i, "tool_status", text, todo)
}

// feed thins a block: of each bin of time the middle one by value, which takes
// no notice of a spike.
func feed(e *events.SamplesCaptured, unit quantity.Unit, g *Guided) events.MeasurementFed {
	f := events.MeasurementFed{FirstUs: e.FirstUs, Unit: e.Unit, AtUs: []int64{}, Values: []float64{}}
	bases := make([]float64, len(e.Values))
	for i, v := range e.Values {
		bases[i] = quantity.Of(v, unit).Base()
	}
	step := gauge.Resolution(bases, finestStep)
	if g != nil && !g.Step.IsZero() && (step == 0 || g.Step.Base() < step) {
		step = g.Step.Base()
	}
	if step == 0 || step > coarsest {
		step = usualStep
	}
	f.Resolution = quantity.Of(e.Values[0], unit).WithBase(step)
	for from := 0; from < len(e.Values); {
		to := from + 1
		bin := (int64(e.FirstUs) + e.AtUs[from]) / trailThin
		for to < len(e.Values) && (int64(e.FirstUs)+e.AtUs[to])/trailThin == bin {
			to++
		}
		order := make([]int, to-from)
		for k := range order {
			order[k] = from + k
		}
		slices.SortStableFunc(order, func(a, b int) int {
			switch {
			case e.Values[a] < e.Values[b]:
				return -1
			case e.Values[a] > e.Values[b]:
				return 1
			}
			return 0
		})
		f.AtUs = append(f.AtUs, e.AtUs[(from+to-1)/2])
		f.Values = append(f.Values, e.Values[order[(len(order)-1)/2]])
		from = to
	}
	return f
}

// takeOver begins the measurement with the tool of a block, or begins it anew
// where the block does not belong to what was begun; it reports whether the
// block counts.
func (t *tx) takeOver(i int, e *events.SamplesCaptured, f *events.MeasurementFed) bool {
	g := t.job.Steps[i].Guided
	switch {
	case g == nil || g.Tool == "":
		t.start(i, e.Tool, e.Unit)
	case g.Tool == e.Tool && g.Unit == e.Unit:
	case g.Tool == e.Tool:
		begun := len(g.Points) > 0
		was, is := unitName(g.Unit), unitName(e.Unit)
		t.start(i, e.Tool, e.Unit)
		if begun {
			t.trouble(i, "unit_switched", fmt.Sprintf("%s was switched from %s to %s in the middle of the measurement; its zero may have moved with it.", t.s.toolName(e.Tool), was, is),
				"The points before are thrown away. Leave the unit as it is and measure from the beginning.")
		}
	case len(g.Points) > 0 || !lively(f.Values, f) || !g.still():
		return false // another indicator at the bench
	default:
		t.start(i, e.Tool, e.Unit) // the one that was looked at does not move, this one does
	}
	return true
}

// lively reports whether samples move by more than ten steps.
func lively(values []float64, f *events.MeasurementFed) bool {
	unit, _ := quantity.UnitByCode(f.Unit)
	return quantity.Of(slices.Max(values)-slices.Min(values), unit).Base() > 10*f.Resolution.Base()
}

// still reports whether nothing moved in the trail.
func (g *Guided) still() bool {
	if len(g.Trail) == 0 {
		return true
	}
	lo, hi := g.Trail[0].V.Base(), g.Trail[0].V.Base()
	for _, s := range g.Trail {
		lo, hi = min(lo, s.V.Base()), max(hi, s.V.Base())
	}
	return hi-lo <= 10*g.step()
}

func unitName(code string) string {
	if u, ok := quantity.UnitByCode(code); ok {
		return u.Symbol()
	}
	return code
}

// start begins a guided measurement, or begins it anew.
func (t *tx) start(i int, tool, unit string) {
	p := &t.job.Proc.Steps[i]
	t.add(events.MeasurementStarted{
		Job: t.job.ID, Step: p.ID, Attempt: t.job.Steps[i].Attempts + 1, Method: string(p.Measure.Gauge.Method), What: p.Measure.What, Tool: tool,
		Calibrated: t.s.index.tools[tool].Calibrated, Unit: unit, Bench: t.job.Bench, By: t.by, AtUs: t.at,
	})
}

// trouble says what is in the way, once.
func (t *tx) trouble(i int, code, text, todo string) {
	g := t.job.Steps[i].Guided
	if g == nil {
		t.start(i, "", "")
		g = t.job.Steps[i].Guided
	}
	if g.Trouble.Code == code && (code == "" || g.Trouble.Text == text) {
		return
	}
	t.add(events.MeasurementTroubled{Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Code: code, Text: text, Todo: todo, AtUs: t.at})
}

// endGuided throws what was taken away. The trouble that made it so stays.
func (t *tx) endGuided(i int, by, why string) {
	t.add(events.MeasurementEnded{Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, By: by, Why: why, AtUs: t.at})
}

// linkChanged tells a guided measurement that its tool went away.
func (t *tx) linkChanged(e events.LinkChanged) {
	tool := ""
	for _, d := range t.s.Shop.Devices {
		if d.ID == e.Device {
			tool = d.Tool
		}
	}
	t.open(t.s.BenchJob[e.Bench])
	if t.job == nil || tool == "" {
		return
	}
	i, spec, ok := t.job.guidedNow()
	if !ok || t.job.Steps[i].Guided == nil {
		return
	}
	g := t.job.Steps[i].Guided
	name := t.s.toolName(tool)
	switch {
	case e.State == events.LinkUp:
		if g.Trouble.Code == "link_lost" {
			t.trouble(i, "", "", "")
		}
		return
	case g.Tool != tool:
		return
	}
	if spec.Next(g.points(), g.step()).Turning {
		t.endGuided(i, "", "the link to the indicator was lost in the middle of the turn")
		t.trouble(i, "link_lost", fmt.Sprintf("%s is no longer connected; it was lost in the middle of the turn.", name), "Plug it in again. The turn is taken from its beginning.")
		return
	}
	t.trouble(i, "link_lost", fmt.Sprintf("%s is no longer connected.", name), "Plug it in again. The points that were taken stand; go on where you were.")
}
