package rules

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// advance takes from the trail what can be taken: points at rest, or the turn.
func (t *tx) advance(i int, tool *toolDates) {
	for range 64 { // each round takes a point, or is the last
		st := &t.job.Steps[i]
		spec := *t.job.Proc.Steps[i].Measure.Gauge
		ask := spec.Next(st.Guided.points(), st.Guided.step())
		switch {
		case ask.Done:
			t.result(i, tool, st.Guided.Trail)
			return
		case ask.Turning:
			t.turning(i, tool, &spec)
			return
		case !t.nextPoint(i, tool, &ask):
			t.unrest(i)
			return
		}
	}
}

// stillness is how settled is told in this step: no noisier than a tenth of
// the room between the limits.
func (t *tx) stillness(i int) gauge.Stillness {
	g, m := t.job.Steps[i].Guided, t.job.Proc.Steps[i].Measure
	s := gauge.Stillness{Resolution: quantity.Millimetres(g.step()).Value()}
	room := m.USL.Base()
	if !m.LSL.IsZero() && !m.USL.IsZero() {
		room = m.USL.Base() - m.LSL.Base()
	}
	if m.Gauge.Dimension() == quantity.DimLength && room > 0 {
		s.Widest = quantity.Millimetres(max(room/10, 4*g.step())).Value()
	}
	return s
}

// nextPoint takes the next value at rest from the trail; false if there is
// none.
func (t *tx) nextPoint(i int, tool *toolDates, ask *gauge.Ask) bool {
	g := t.job.Steps[i].Guided
	if len(g.Trail) == 0 {
		return false
	}
	last := g.Last
	if last.IsZero() && (ask.Move || ask.Kind == gauge.Rest && math.Abs(g.Trail[0].V.Base()) <= liftedNear) {
		last = g.Trail[0].V // a tip that may be in the air still
	}
	was := last
	if g.Last.IsZero() && !begunStill(g.Trail) {
		was = quantity.Value{} // it was on its way
	}
	lifts := lifts{known: g.Lifted, was: was, lifting: liftsTip(t.job.Proc.Steps[i].Measure.Gauge, ask), first: len(g.Points) == 0, far: max(liftedFarther, 2*t.job.Proc.Steps[i].Measure.USL.Base())}
	for _, p := range t.stillness(i).Plateaus(g.Trail, last) {
		if lifts.up(p.V) {
			continue
		}
		if atEnd(p.V.Base(), tool, g.step()) {
			t.trouble(i, "at_stop", fmt.Sprintf("%s stands at the end of its range, at %s.", t.s.toolName(g.Tool), show(p.V, t.unitOf(i))),
				"Move the stand so that the tip has travel both ways, and set the tip again.")
			continue
		}
		if ask.Kind == gauge.Stop && t.samePlace(g, ask, &p) {
			if n := len(g.Points); n > 0 && p.To.Sub(g.Points[n-1].AtUs) < samePatience {
				continue // still on the way to the next place
			}
			t.trouble(i, "same_place", fmt.Sprintf("This still looks like place %d: the stops are the same.", ask.Place),
				"Lift the tip, turn on to the next place and set it again. If you have, press “Next place”.")
			continue
		}
		t.point(i, ask, events.PointTaken{Value: p.V, Spread: p.Spread, Resolution: g.Step, Samples: p.Count, Fact: t.seq, FromUs: p.From, AtUs: p.To, Lifted: lifts.known})
		return true
	}
	return false
}

// samePatience is how long a hand may stay where the last place ended before it
// is told to go on; our own choice.
const samePatience = 5 * time.Second

// begunStill reports whether a trail begins with a value at rest.
func begunStill(trail []gauge.Sample) bool {
	for _, s := range trail[:min(4, len(trail))] {
		if math.Abs(s.V.Base()-trail[0].V.Base()) > liftedNear {
			return false
		}
	}
	return true
}

// lifts tells a tip that is lifted, and stands still in the air, from one that
// is set. The plunger of a lifted indicator springs out, to the same value
// each time, and that is the lower one: an indicator counts up when it is
// pushed in. The distances are our own choice.
type lifts struct {
	known   quantity.Value // what it shows when lifted; zero Value: not known
	was     quantity.Value // before; zero Value: nothing
	lifting bool           // the tip is lifted at this point of the method
	first   bool           // no point has been taken yet
	far     float64        // mm: farther down than any point can lie
}

func liftsTip(s *gauge.Spec, ask *gauge.Ask) bool {
	switch s.Method {
	case gauge.Direct, gauge.Difference, gauge.Clearance:
		return true
	case gauge.Backlash:
		return ask.Move
	}
	return false
}

// up reports whether a value at rest is that of a lifted tip, and learns it.
func (l *lifts) up(v quantity.Value) bool {
	x, was := v.Base(), l.was.Base()
	defer func() { l.was = v }()
	switch {
	case !l.lifting:
		return false
	case !l.known.IsZero() && x < l.known.Base()-liftedFar: // it springs out farther than was known
		l.known = v
		return true
	case !l.known.IsZero():
		return math.Abs(x-l.known.Base()) <= liftedNear
	case l.was.IsZero():
		return false
	case l.first && x < was-liftedFar, !l.first && x < was-l.far:
		l.known = v
		return true
	case l.first && x > was+liftedFar:
		l.known = l.was
	}
	return false
}

// atEnd reports whether a value lies at an end of the tool's range. A zero in
// its range can be set anywhere, so only the whole width says so.
func atEnd(v float64, tool *toolDates, step float64) bool {
	most := tool.Most.Base()
	return most > 0 && math.Abs(v) >= most-2*step
}

// samePlace reports whether a stop at what should be the next place is one of
// the last place: at about the same value, and the tip was not lifted between.
func (t *tx) samePlace(g *Guided, ask *gauge.Ask, p *gauge.Plateau) bool {
	if ask.Place == 0 || g.Moved || len(gauge.At(g.points(), ask.Place)) > 0 {
		return false
	}
	var before []float64
	for _, x := range gauge.At(g.points(), ask.Place-1) {
		before = append(before, x.V.Base())
	}
	if len(before) == 0 {
		return false
	}
	lo, hi := slices.Min(before), slices.Max(before)
	room := max(4*g.step(), (hi-lo)/4)
	for _, s := range g.Trail {
		if v := s.V.Base(); s.At <= p.From && (v < lo-2*room || v > hi+2*room) {
			return false
		}
	}
	near := func(x float64) bool { return math.Abs(p.V.Base()-x) < room }
	return near(lo) || near(hi)
}

// point adds a point, with what all of them have.
func (t *tx) point(i int, ask *gauge.Ask, p events.PointTaken) {
	st, m := &t.job.Steps[i], t.job.Proc.Steps[i].Measure
	if len(st.Guided.Points) == 0 {
		for k := range i {
			t.suspect(k, fmt.Sprintf("%s is being measured", m.What))
		}
	}
	p.Job, p.Step, p.Index, p.Asked = t.job.ID, t.job.Proc.Steps[i].ID, len(st.Guided.Points), ask.Text
	if p.Kind == "" {
		p.Kind = string(ask.Kind)
	}
	p.Place, p.Tool = ask.Place, st.Guided.Tool
	if p.By == "" {
		p.By = t.job.Technician
	}
	if p.Text == "" {
		unit, ok := quantity.UnitByCode(st.Guided.Unit)
		if !ok {
			unit = t.unitOf(i)
		}
		p.Text, p.Unit = quantity.FormatNumber(p.Value, unit, digits(st.Guided.step(), unit)), unit.Code()
	}
	t.add(p)
}

// digits is how many decimals show one step of a tool in a unit.
func digits(step float64, u quantity.Unit) int {
	s := quantity.Of(1, u).Base()
	if !(step > 0) || !(s > 0) {
		return 3
	}
	return int(min(max(math.Ceil(-math.Log10(step/s)-1e-6), 0), 6))
}

func (t *tx) unitOf(i int) quantity.Unit { return t.job.Proc.Steps[i].Measure.Unit }

// turning looks whether the turn is done, or broken.
func (t *tx) turning(i int, tool *toolDates, spec *gauge.Spec) {
	g := t.job.Steps[i].Guided
	for k := 1; k < len(g.Trail); k++ {
		if g.Trail[k].At.Sub(g.Trail[k-1].At).Microseconds() > gapInTurn {
			t.endGuided(i, "", "samples are missing in the middle of the turn")
			t.trouble(i, "gap", fmt.Sprintf("No sample came from %s for %.1f s in the middle of the turn.", t.s.toolName(g.Tool), g.Trail[k].At.Sub(g.Trail[k-1].At).Seconds()),
				"Look at its cable and battery. The turn is taken from its beginning.")
			return
		}
	}
	if n := len(g.Trail); n > 0 && atEnd(g.Trail[n-1].V.Base(), tool, g.step()) {
		t.endGuided(i, "", "the indicator came to the end of its range")
		t.trouble(i, "at_stop", fmt.Sprintf("%s has come to the end of its range.", t.s.toolName(g.Tool)), "Move the stand so that the tip has travel both ways. The turn is taken from its beginning.")
		return
	}
	if len(g.Trail) >= trailMost {
		t.endGuided(i, "", "the turn took too long")
		t.trouble(i, "too_long", "The turn has taken longer than is kept of it.", "Turn in less than three minutes, without stopping. Press “The turn is done” at its end if it is not noticed.")
		return
	}
	if lifted := gauge.OffSurface(g.Trail, t.unitOf(i)); lifted != nil {
		t.endGuided(i, "", lifted.Text)
		t.trouble(i, lifted.Code, lifted.Text, lifted.Todo+" The turn is taken from its beginning.")
		return
	}
	if spec.Marks > 0 {
		return
	}
	if turn, done := t.stillness(i).Turned(g.Trail); done {
		t.result(i, tool, turn)
		return
	}
	// At rest somewhere else, after hardly any movement or for longer than a slow
	// turn lingers at its highest point: the tip was set anew, so the turn begins
	// here.
	p, ok := t.stillness(i).Rests(g.Trail, restsElsewhere)
	if len(g.Points) > 0 && (ok && math.Abs(p-g.Points[0].Value.Base()) > 10*g.step() || t.stillness(i).SetAnew(g.Trail)) {
		t.add(events.PointDropped{Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Index: 0, By: t.job.Technician, Why: "it came to rest elsewhere: the turn begins anew there"})
	}
}

// restsElsewhere is how long it must stand still for that; our own choice.
const restsElsewhere = 5 * time.Second

// unrest says so where a stream does not come to rest.
func (t *tx) unrest(i int) {
	g := t.job.Steps[i].Guided
	n := len(g.Trail)
	if n == 0 || g.Trail[n-1].At.Sub(g.Trail[0].At).Microseconds() < restless {
		return
	}
	from := 0
	for g.Trail[n-1].At.Sub(g.Trail[from].At).Microseconds() > lookBack {
		from++
	}
	s := t.stillness(i)
	if len(s.Plateaus(g.Trail[from:], quantity.Value{})) > 0 {
		if g.Trouble.Code == "never_settles" {
			t.trouble(i, "", "", "")
		}
		return
	}
	lo, hi := g.Trail[from].V, g.Trail[from].V
	for _, x := range g.Trail[from:] {
		if x.V.Base() < lo.Base() {
			lo = x.V
		}
		if x.V.Base() > hi.Base() {
			hi = x.V
		}
	}
	text := fmt.Sprintf("The value does not come to rest: it has wandered by %s in the last seconds.", show(hi.WithBase(hi.Base()-lo.Base()), t.unitOf(i)))
	if g.Trouble.Code == "never_settles" {
		return // said, if with another figure
	}
	t.trouble(i, "never_settles", text, "Look at the stand, its magnet and the clamp; keep hands off the bench; hold the part still at its stop for a second.")
}

// result makes the result, judges it, and lets it count.
func (t *tx) result(i int, tool *toolDates, turn []gauge.Sample) {
	st, p := &t.job.Steps[i], &t.job.Proc.Steps[i]
	g, m := st.Guided, p.Measure
	in := gauge.Input{Spec: *m.Gauge, Points: g.points(), Step: g.step(), Unit: m.Unit, Marks: g.Marks,
		Calibrated: func(v quantity.Value) quantity.Value { return atArm(tool, m.Gauge, v) }}
	if m.Gauge.Streams() {
		in.Turn = turn
	}
	res, err := gauge.Evaluate(in)
	wrong := new(gauge.Trouble)
	if errors.As(err, &wrong) || t.impossible(&res, m.Gauge, limits{m.LSL, m.Target, m.USL, m.Unit}, wrong) {
		t.endGuided(i, "", wrong.Text)
		t.trouble(i, wrong.Code, wrong.Text, wrong.Todo)
		return
	}
	l := limits{m.LSL, m.Target, m.USL, m.Unit}
	o := events.MeasurementMade{
		Job: t.job.ID, Step: p.ID, Attempt: g.Attempt, Method: string(m.Gauge.Method), Judged: string(m.Gauge.Judge), What: m.What,
		Value: res.Value, U: res.U, Coverage: finite(res.Coverage), LSL: l.lsl, Target: l.target, USL: l.usl, Figures: res.Figures, Budget: res.Budget,
		Warnings: res.Warnings, Points: len(g.Points), Samples: res.Samples, Curve: res.Curve, Tool: g.Tool, Calibrated: tool.Calibrated,
		Bench: t.job.Bench, By: g.By, StartedUs: g.Started, AtUs: t.at,
	}
	for _, x := range g.Points {
		if x.Typed {
			o.Typed++
		}
	}
	o.Verdict = t.verdictOf(l, &res, m.Gauge, &o)
	t.add(o)
	t.why = "measured again"
	unit := m.Unit
	t.add(events.ReadingJudged{
		Reading: t.seq, Job: o.Job, Step: o.Step, Verdict: o.Verdict, Value: o.Value, Text: quantity.FormatNumber(o.Value, unit, digits(g.step()/10, unit)), Unit: unit.Code(),
		LSL: l.lsl, Target: l.target, USL: l.usl, U: o.U, Tool: o.Tool, Calibrated: o.Calibrated, Bench: o.Bench, By: o.By, AtUs: t.at, Typed: o.Typed > 0,
	})
}

// atArm is the uncertainty of a value by its tool's certificate; that of a
// spring scale is of the force.
func atArm(tool *toolDates, spec *gauge.Spec, v quantity.Value) quantity.Value {
	arm := spec.Arm.Millimetres() / 1000
	if tool.Most.Dimension() != quantity.DimForce || v.Dimension() != quantity.DimTorque || arm <= 0 {
		return uncertainty(tool.Tool, v)
	}
	return v.WithBase(uncertainty(tool.Tool, quantity.Newtons(v.Base()/arm).Value()).Base() * arm)
}

func finite(x float64) float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return 2
	}
	return x
}

// verdictOf judges the value, and the spread of places where the procedure
// limits it: places too far apart are high, whatever their mean.
func (t *tx) verdictOf(l limits, res *gauge.Result, spec *gauge.Spec, o *events.MeasurementMade) events.Verdict {
	v := l.judge(res.Value, res.U.Base())
	if spec.Spread.Millimetres() <= 0 || res.Spread.IsZero() {
		return v
	}
	s := limits{usl: spec.Spread.Value()}
	switch s.judge(res.Spread, res.U.Base()) {
	case events.High:
		o.Warnings = append(o.Warnings, fmt.Sprintf("The places lie %s apart, at most %s is allowed.", show(res.Spread, l.unit), show(s.usl, l.unit)))
		if v == events.Within || v == events.Doubtful {
			return events.High
		}
	case events.Doubtful:
		o.Warnings = append(o.Warnings, fmt.Sprintf("The places lie %s apart; with its uncertainty that may be more than the %s that are allowed.", show(res.Spread, l.unit), show(s.usl, l.unit)))
		if v == events.Within {
			return events.Doubtful
		}
	}
	return v
}

// impossible finds results that cannot be: what cannot be below zero is.
func (t *tx) impossible(res *gauge.Result, spec *gauge.Spec, l limits, wrong *gauge.Trouble) bool {
	if res.Value.Base() >= -res.U.Base() || l.lsl.Base() < 0 {
		return false
	}
	if spec.Method == gauge.Difference && l.holds(res.Value.WithBase(-res.Value.Base())) {
		*wrong = gauge.Trouble{Code: "reversed", Text: fmt.Sprintf("The difference came out as %s; the other way about it would be inside the limits.", show(res.Value, l.unit)),
			Todo: "The indicator counts the other way, or the two places were taken in the other order. Set its direction, then measure again."}
		return true
	}
	*wrong = gauge.Trouble{Code: "negative", Text: fmt.Sprintf("The result is %s: it cannot be below zero.", show(res.Value, l.unit)),
		Todo: "Look which way the indicator counts and which place comes first; with parts that bind instead of having play, look what holds them apart. Then measure again."}
	return true
}
