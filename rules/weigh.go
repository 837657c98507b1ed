package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/match"
	"witnessmark/rules/procedure"
)

// asideEnough is how sure it must be that a pull made nothing tight, before it
// is set aside; backEnough how sure that it did, before it is taken back. Our
// choice, so that a clean job is not held up.
//
// restEnough is how sure it must be that a pull ends one that had reached the limits
// before it, but stopped short of what this technician aims at. Our choice.
const (
	asideEnough = 0.995
	restEnough  = 0.9
	backEnough  = 0.90
)

// enough is how sure it must be that a pull made nothing tight, before it is
// set aside. Where no rotation speaks, but time alone, that is never sure: the
// pull counts, and the doubt is weighed once work goes on.
func (e *Evidence) enough() float64 {
	if !e.turned() {
		return math.Inf(1)
	}
	return asideEnough
}

// turned reports whether a pull came with a rotation.
func (e *Evidence) turned() bool {
	return turnTold(e.Pull.Angle) || e.Pull.Trace != nil && !e.Pull.Trace.NetAngle.IsZero()
}

// PassWeigh is the evidence on one pass of a joint.
type PassWeigh struct {
	Known  match.Known // from earlier jobs, as it stood when the job was opened
	Before []float64   // of a closing round: how sure each was before it
	Left   []float64   // chance that each was left out in the joint's pass before, as it stood at this one's first pull; nil: as good as none
	Mood   match.Mood  // how the technician works, by the passes before; as it stood at this one's first pull
	Told   bool        // how sure its fasteners are has been said
	Log    []*Evidence // oldest first; none is ever changed, so states share them
	// The filter is made from Log when it is asked for, and stands after the
	// first taken entries. A state that nobody decides on never makes one.
	filter *match.Filter
	taken  int
}

// Evidence is one thing that bears on who is tight: a pull, or what a person
// did or said.
type Evidence struct {
	Op       string             // "pull", "reset", "accept", "void", "answer"
	Asked    bool               `json:",omitzero"` // a pull on a fastener that was to be pulled again
	Pull     events.PullWeighed `json:",omitzero"` // without explanations: those follow from all of them
	Tool     match.Tool         `json:",omitzero"`
	Fastener int                // index in the joint
	Reading  uint64
	Kind     events.ExplanationKind
}

// mostEvidence bounds the evidence that a pass keeps; Filter itself weighs no
// more pulls than this.
const mostEvidence = 600

// filterOf returns the filter of a pass of step i, brought up to the evidence.
func (j *Job) filterOf(i, pass int) *match.Filter {
	w := j.Steps[i].Weigh[pass]
	if w.filter == nil {
		w.filter, w.taken = match.New(j.matching, j.jointOf(i, pass)), 0
	}
	for ; w.taken < len(w.Log); w.taken++ {
		w.filter = j.take(w.filter, i, pass, w.taken)
	}
	return w.filter
}

// jointOf describes a pass of step i. Fasteners are numbered as they stand in
// the pass's order.
func (j *Job) jointOf(i, pass int) match.Joint {
	jt := j.Proc.Steps[i].Joint
	p := &jt.Passes[pass]
	m := match.Joint{
		Ask: askShare(jt.Class),
		N:   len(p.Order), Strict: jt.Strict, Loose: p.Loose, Closing: p.Closing, Known: j.Steps[i].Weigh[pass].Known,
		Target: p.Target.Base(), LSL: p.LSL.Base(), USL: p.USL.Base(), Before: j.Steps[i].Weigh[pass].Before, Mood: j.Steps[i].Weigh[pass].Mood, Left: j.Steps[i].Weigh[pass].Left,
	}
	for k := i + 1; k < len(j.Proc.Steps); k++ {
		if other := j.Proc.Steps[k].Joint; other != nil {
			m.OtherTargets = append(m.OtherTargets, other.Passes[0].Target.Base())
			break
		}
	}
	return m
}

// local returns where a fastener stands in a pass's order, or -1.
func local(p *procedure.Pass, fastener int) int { return slices.Index(p.Order, fastener) }

// take gives a filter evidence k of a pass.
func (j *Job) take(f *match.Filter, i, pass, k int) *match.Filter {
	p := &j.Proc.Steps[i].Joint.Passes[pass]
	e := j.Steps[i].Weigh[pass].Log[k]
	switch e.Op {
	case "pull":
		return f.Pull(e.pull(j.Proc.Steps[i].Joint, p))
	case "reset":
		return f.Reset(local(p, e.Fastener))
	case "accept":
		return f.Accept(local(p, e.Fastener))
	case "void":
		return f.Void(e.Reading)
	case "answer":
		at := j.Steps[i].Weigh[pass].pullOf(e.Reading)
		if at < 0 {
			return f
		}
		return f.Answer(at, match.Explanation{Kind: e.Kind, Fastener: local(p, e.Fastener)}) // -1 where none was named
	}
	return f
}

// pull is a pull as the filter wants it.
func (e *Evidence) pull(jt *procedure.Joint, p *procedure.Pass) match.Pull {
	o := &e.Pull
	q := match.Pull{
		Reading: o.Reading, Tool: e.Tool, AtS: float64(o.AtUs) / 1e6, Torque: o.Torque.Base(), Angle: math.NaN(), Duration: math.NaN(),
		Placed: -1, Asked: e.Asked, Gap: o.Lost, Numbered: o.Numbered,
	}
	if o.Late {
		q.AtS = math.NaN()
	}
	if turnTold(o.Angle) {
		q.Angle = o.Angle.In(quantity.Degree)
	}
	if o.DurationUs > 0 {
		q.Duration = float64(o.DurationUs) / 1e6
	}
	if o.Trace != nil && !courseless(o.Trace) {
		q.Trace = traceOf(o.Trace)
	}
	if o.Placed != "" {
		q.Placed = local(p, jt.Fastener(o.Placed))
	}
	return q
}

// courseless reports whether a trace told nothing of its course.
func courseless(t *events.TraceFound) bool {
	return t.NetAngle.IsZero() && t.SpringBack.IsZero() && t.Snug.IsZero() && t.Breakaway.IsZero()
}

// tightShare is the share of a pull's peak at which a fastener that was tight
// already breaks away, at least. Found: a pull that takes up where the last
// one stopped starts 2.6 to 14.4 % higher (anchor rods); an earlier pass leaves
// seldom more than three quarters. Between them, our choice.
const tightShare = 0.85

// traceOf is what the filter wants of a trace.
func traceOf(t *events.TraceFound) *match.Trace {
	m := &match.Trace{NetDeg: math.NaN(), RateNmDeg: math.NaN(), Quarter: math.NaN(), Snug: !t.Snug.IsZero()}
	// A pull of a later pass breaks away too, at what the pass before had left.
	m.Breakaway = t.Breakaway.Base() >= float64(tightShare*t.Peak.Base()) && t.Breakaway.Base() > 0
	if slices.Contains(t.Findings, "still") {
		m.Breakaway = true
	}
	m.Sure = !t.SpringBack.IsZero()
	if !t.NetAngle.IsZero() {
		m.NetDeg = t.NetAngle.In(quantity.Degree)
	}
	if !t.Quarter.IsZero() && t.Peak.Base() > 0 {
		m.Quarter = t.Quarter.Base() / t.Peak.Base()
	}
	if t.RateNmDeg > 0 {
		m.RateNmDeg = t.RateNmDeg
	}
	return m
}

// pullOf returns which pull a reading is, from 0, or -1.
func (w *PassWeigh) pullOf(reading uint64) int {
	n := 0
	for _, e := range w.Log {
		if e.Op != "pull" {
			continue
		}
		if e.Pull.Reading == reading {
			return n
		}
		n++
	}
	return -1
}

// pulls returns the pulls among the evidence, in order. The list is not to be
// changed.
func (w *PassWeigh) pulls() []*Evidence {
	if !slices.ContainsFunc(w.Log, func(e *Evidence) bool { return e.Op != "pull" }) {
		return w.Log
	}
	out := make([]*Evidence, 0, len(w.Log))
	for _, e := range w.Log {
		if e.Op == "pull" {
			out = append(out, e)
		}
	}
	return out
}

// ownWeigh gives a step the evidence on one of its passes for itself, to be changed
// without other states of its job showing it.
func (st *StepState) ownWeigh(pass int) *PassWeigh {
	st.Weigh = slices.Clone(st.Weigh)
	w := *st.Weigh[pass]
	st.Weigh[pass] = &w
	return &w
}

// learnFrom adds evidence to a pass of step i.
func (j *Job) learnFrom(i, pass int, e Evidence) {
	st := &j.Steps[i]
	if pass < 0 || pass >= len(st.Weigh) {
		return
	}
	if e.Op != "pull" && len(st.Weigh[pass].Log) == 0 {
		return // nothing has been pulled yet: there is nothing to correct
	}
	if len(st.Weigh[pass].Log) >= mostEvidence {
		return
	}
	w := st.ownWeigh(pass)
	if last := w.last(); e.Op == "pull" && last != nil && e.Pull.AtUs < last.Pull.AtUs && e.Pull.Reading < last.Pull.Reading {
		// It was moved here: it came before.
		at := slices.IndexFunc(w.Log, func(x *Evidence) bool { return x.Op == "pull" && x.Pull.Reading > e.Pull.Reading })
		w.Log = slices.Insert(slices.Clone(w.Log), at, &e)
		w.filter, w.taken = nil, 0
		return
	}
	w.Log = append(slices.Clip(w.Log), &e)
	if e.Op == "pull" && w.filter != nil && w.taken == len(w.Log)-1 {
		// Decide has weighed it already: take that over.
		if f := w.filter.Tried(e.pull(j.Proc.Steps[i].Joint, &j.Proc.Steps[i].Joint.Passes[pass])); f != nil {
			w.filter, w.taken = f, len(w.Log)
		}
	}
}

// applyPull folds a weighed pull: evidence the first time. What it was taken for
// follows from all of the evidence, so it is not kept.
func (j *Job) applyPull(o events.PullWeighed, tool match.Tool) {
	p, i := j.Proc.Step(o.Step)
	if p == nil || p.Joint == nil || o.Pass < 0 || o.Pass >= len(j.Steps[i].Weigh) {
		return
	}
	w := j.Steps[i].Weigh[o.Pass]
	if w.pullOf(o.Reading) >= 0 {
		return
	}
	first := len(w.Log) == 0
	j.forgetElsewhere(i, o)
	if first {
		j.beginPass(i, o.Pass)
	}
	if j.Lost[o.Tool] != 0 {
		j.Lost = with(j.Lost, o.Tool, 0)
	}
	o.Explanations = nil
	j.learnFrom(i, o.Pass, Evidence{Op: "pull", Pull: o, Tool: tool, Asked: j.asksFor(i, o.Placed)})
}

// asksFor reports whether a fastener of step i is to be pulled once more.
func (j *Job) asksFor(i int, fastener string) bool {
	f := j.Proc.Steps[i].Joint.Fastener(fastener)
	return f >= 0 && j.Steps[i].Fasteners[f].Redo
}

// forgetElsewhere takes a pull out of the evidence on another pass, if it was
// weighed there before: it was moved.
func (j *Job) forgetElsewhere(i int, o events.PullWeighed) {
	for k := range j.Steps {
		for p := range j.Steps[k].Weigh {
			if k == i && p == o.Pass {
				continue
			}
			at := slices.IndexFunc(j.Steps[k].Weigh[p].Log, func(e *Evidence) bool { return e.Op == "pull" && e.Pull.Reading == o.Reading })
			if at < 0 {
				continue
			}
			w := j.Steps[k].ownWeigh(p)
			w.Log = slices.Delete(slices.Clone(w.Log), at, at+1)
			w.filter, w.taken = nil, 0
		}
	}
}

// beginPass notes, at the first pull of a pass, what the passes before it show.
func (j *Job) beginPass(i, pass int) {
	w := j.Steps[i].ownWeigh(pass)
	w.filter, w.taken = nil, 0
	w.Mood = match.Mood{}
	for k := range i + 1 {
		for p := range j.Steps[k].Weigh {
			if k == i && p >= pass || len(j.Steps[k].Weigh[p].Log) == 0 || j.Proc.Steps[k].Joint.Passes[p].Closing {
				continue
			}
			w.Mood = w.Mood.And(j.filterOf(k, p).Mood())
		}
	}
	w.Left = j.leftOutBefore(i, pass)
	if j.Proc.Steps[i].Joint.Passes[pass].Closing {
		j.beginClosing(i, pass)
	}
}

// leftOutBefore is the chance that each fastener, as it stands in a pass's order, was left out
// in the joint's pass before, where the number of pulls was right there: whoever overlooks
// one does so again. nil where that is as good as none, or the number told it.
func (j *Job) leftOutBefore(i, pass int) []float64 {
	jt := j.Proc.Steps[i].Joint
	if pass == 0 || jt.Passes[pass].Closing || len(j.Steps[i].Weigh[pass-1].Log) == 0 {
		return nil
	}
	before := &jt.Passes[pass-1]
	f := j.filterOf(i, pass-1)
	m := f.Missed()
	if f.Pulls() < len(before.Order) || !(m.P >= match.LeftLeast) {
		return nil
	}
	left := make([]float64, len(jt.Passes[pass].Order))
	for _, c := range m.Candidates {
		if at := local(&jt.Passes[pass], before.Order[c.Fastener]); at >= 0 {
			left[at] = m.P * c.P
		}
	}
	return left
}

// beginClosing notes how sure each fastener is before the closing round.
func (j *Job) beginClosing(i, pass int) {
	st := &j.Steps[i]
	w := st.Weigh[pass] // its own by now
	for _, k := range j.Proc.Steps[i].Joint.Passes[pass].Order {
		p := st.Fasteners[k].P
		if p == 0 {
			p = 0.99 // not weighed: an accepted one, or one that was claimed
		}
		w.Before = append(w.Before, p)
	}
}

// toolOf is a tool as the filter wants it.
func (s *State) toolOf(id string) match.Tool {
	t := s.index.tools[id]
	r := t.Reports
	m := match.Tool{
		Name: id, Angle: r.Angle, Duration: r.Duration, Trace: r.Trace, AngleStep: r.AngleStep.Base(), Threshold: r.Threshold.Base(),
		URel: t.URel / 2,
	}
	if !r.AngleStep.IsZero() {
		m.AngleStep = r.AngleStep.In(quantity.Degree)
	}
	switch {
	case r.CountsCycles:
		m.Counter = match.CountsCycles
	case r.CountsSent:
		m.Counter = match.CountsSent
	}
	return m
}

// weighed takes a pull for the place w as evidence, and reports whether it was
// set aside because it made nothing tight. grade is the evidence for the place if
// it counts. The rest of a pull that had reached the limits changes the place to
// that one's.
func (t *tx) weighed(w *slot, r *reading, v events.Verdict, grade events.Grade) (aside bool) {
	j := t.job
	st := &j.Steps[w.step]
	o := t.pullAt(w, r)
	again := st.Fasteners[w.fastener].Redo
	if grade == events.Placed || r.claimed != "" || again {
		o.Placed = w.joint.Fasteners[w.fastener].ID
	}
	if len(st.Weigh[w.pass].Log) > 0 {
		j.filterOf(w.step, w.pass) // kept with the state, so that folding finds it
	}
	if o.Placed == "" && t.askedAndTight(w, o, r.tool) {
		o.Placed = w.joint.Fasteners[w.fastener].ID
	}
	out := len(t.out)
	t.out = append(t.out, events.Outcome{})
	j.applyPull(o, t.s.toolOf(r.tool))
	f := j.filterOf(w.step, w.pass)
	k := st.Weigh[w.pass].pullOf(r.seq)
	o.Explanations = t.explain(w, f, k)
	t.out[out].Data = o
	if kind, on, p := idle(f.Explain(k)); kind == events.ExplainedSameCycle && p >= asideEnough && o.Placed == "" {
		t.setAside(w, r, kind, w.named(on), p) // in any pass: nobody pulled at all
		return true
	}
	rest, at := f.LastRest()
	last := lastOf(w.joint, w.pass) == w.pass
	if _, _, p := idle(f.Explain(k)); o.Placed == "" && v != events.Low && at >= 0 &&
		(rest >= restEnough || last && p >= st.Weigh[w.pass].pulls()[k].enough() && 2*rest > p || t.ratherSame(w, k, at)) {
		w.fastener = w.joint.Passes[w.pass].Order[at] // it counts there, in place of the unfinished one
		return false
	}
	// Only in a last pass: what an earlier one leaves, the later one makes good.
	if !last || o.Placed != "" || !(v == events.Within || v == events.Doubtful) || w.joint.Passes[w.pass].Closing {
		return false
	}
	kind, on, p := idle(f.Explain(k))
	if p = r.notTight(p); p < st.Weigh[w.pass].pulls()[k].enough() {
		return false
	}
	t.setAside(w, r, kind, w.named(on), p)
	return true
}

// pullAt is a pull for a place, before it is weighed.
func (t *tx) pullAt(w *slot, r *reading) events.PullWeighed {
	o := events.PullWeighed{
		Reading: r.seq, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass, Tool: r.tool, AtUs: r.at, Torque: r.value,
		Angle: r.angle, DurationUs: r.duration, Trace: r.found, Lost: t.job.Lost[r.tool],
	}
	if r.taken != 0 {
		o.AtUs = r.taken
	}
	o.Numbered, o.Late = r.numbered, r.taken == 0 && t.s.index.tools[r.tool].Reports.Late
	return o
}

// explain writes what pull k was in the words of events, at most five.
func (t *tx) explain(w *slot, f *match.Filter, k int) []events.Explanation {
	var out []events.Explanation
	for _, e := range f.Explain(k) {
		if len(out) == 5 || len(out) > 0 && e.P < 0.001 {
			break
		}
		x := events.Explanation{Kind: e.Kind, P: rounded(e.P)}
		if order := w.joint.Passes[w.pass].Order; e.Fastener >= 0 && e.Fastener < len(order) {
			x.Fastener = w.joint.Fasteners[order[e.Fastener]].ID
		}
		out = append(out, x)
	}
	return out
}

// rounded keeps six digits after the point, so that the last bits of a sum are
// not written on every machine otherwise.
func rounded(p float64) float64 { return math.Round(p*1e6) / 1e6 }

// idle returns the likeliest way in which a pull made nothing tight, the
// fastener that it was on (-1 if that is not clear), and the probability of
// all such explanations.
func idle(list []match.Explanation) (kind events.ExplanationKind, fastener int, p float64) {
	by := map[events.ExplanationKind]float64{}
	fastener = -1
	for _, e := range list {
		if madeTight(e.Kind) {
			continue
		}
		if p += e.P; e.P >= 0.5 {
			fastener = e.Fastener
		}
		by[e.Kind] += e.P
		if kind == "" || by[e.Kind] > by[kind] {
			kind = e.Kind
		}
	}
	return kind, fastener, min(p, 1)
}

// named returns the id of the fastener that stands at a place in the pass's
// order, "" for -1.
func (w *slot) named(at int) string {
	if order := w.joint.Passes[w.pass].Order; at >= 0 && at < len(order) {
		return w.joint.Fasteners[order[at]].ID
	}
	return ""
}

// madeTight reports whether a pull inside the limits made a fastener tight, if
// that is what it was.
func madeTight(k events.ExplanationKind) bool {
	switch k {
	case events.ExplainedNext, events.ExplainedOther, events.ExplainedSwing, events.ExplainedRetighten:
		return true
	}
	return false
}

func (t *tx) setAside(w *slot, r *reading, kind events.ExplanationKind, fastener string, p float64) {
	by := r.by
	if by == "" {
		by = t.job.Technician
	}
	t.add(events.PullSetAside{
		Reading: r.seq, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass, Kind: kind, Fastener: fastener, P: rounded(p),
		Why: t.whyAside(w.step, kind, fastener, p), Bench: r.bench, Tool: r.tool, Value: r.value, Text: r.text, Unit: r.unit,
		Angle: r.angle, By: by, AtUs: r.at,
	})
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertSeized && a.Reading == r.seq && a.Reading != 0 {
			t.settle(a.Alert, "", "its pull was on a fastener that was tight already")
			break
		}
	}
}

func (t *tx) whyAside(step int, kind events.ExplanationKind, fastener string, p float64) string {
	where := t.job.title(step)
	on := ""
	if fastener != "" {
		on = " on fastener " + fastener
	}
	switch kind {
	case events.ExplainedRepeat:
		return fmt.Sprintf("%s: once more%s, which was tight already (%s)", where, on, percent(p))
	case events.ExplainedSameCycle:
		return fmt.Sprintf("%s: the same cycle, sent twice (%s)", where, percent(p))
	case events.ExplainedElsewhere:
		return fmt.Sprintf("%s: a pull on another step (%s)", where, percent(p))
	}
	return fmt.Sprintf("%s: a pull on no fastener of the joint (%s)", where, percent(p))
}

// percent writes a probability so that 1 is only said of certainty.
func percent(p float64) string {
	switch {
	case p >= 0.9995 && p < 1:
		return "over 99.9 %"
	case p >= 0.995:
		return fmt.Sprintf("%.1f %%", 100*p)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// sureness returns how sure it is that a fastener is tight in a pass, and the
// grade that the evidence of a reading deserves.
func (j *Job) sureness(w *slot, turned bool) (p float64, g events.Grade) {
	if at := local(&w.joint.Passes[w.pass], w.fastener); at >= 0 && at < match.MaxFasteners {
		p = rounded(j.filterOf(w.step, w.pass).Tight()[at])
	}
	if turned && p > 0 {
		return p, events.Reasoned
	}
	return p, events.Counted
}
