package rules

import (
	"cmp"
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/match"
	"witnessmark/rules/procedure"
)

// realign lets a later pull change the reading of earlier ones. Where it is
// now sure that a pull that counted made nothing tight, or that one set aside
// did, the pass's pulls are given to the fasteners of the likeliest reading of
// all of them, visibly: what changes is voided and judged anew.
func (t *tx) realign(step, pass int) {
	j := t.job
	st := &j.Steps[step]
	jt := j.Proc.Steps[step].Joint
	if jt.Passes[pass].Closing || lastOf(jt, pass) != pass || slices.ContainsFunc(st.Fasteners, func(f FastenerState) bool { return f.Held || f.Redo }) {
		return
	}
	f := j.filterOf(step, pass)
	pulls := st.Weigh[pass].pulls()
	if f.Overrun() || len(pulls) != f.Pulls() || !t.flips(step, pass, f, pulls) {
		return
	}
	w := j.fastenerSlot(step, pass, jt.Passes[pass].Order[0])
	have := j.marked(step, pass)
	want := map[uint64]int{}
	assign, all := f.Assign(), j.tightenings(step, pass)
	for k, e := range pulls {
		x := f.Explain(k)
		if at := assign[k]; len(x) > 0 && at >= 0 && at < len(jt.Passes[pass].Order) {
			if to := jt.Passes[pass].Order[at]; madeTight(x[0].Kind) || all[k].from < k || j.tookOver(have, pulls, assign, k, jt.Fasteners[to].ID, &jt.Passes[pass]) {
				want[e.Pull.Reading] = to
			}
		}
	}
	t.move(&w, f, pulls, have, want)
}

// markList are the marks of pulls that count, ordered by reading.
type markList []*Mark

// marked returns the marks of a pass's pulls that count.
func (j *Job) marked(step, pass int) markList {
	fs := j.Steps[step].Fasteners
	out := make(markList, 0, len(fs))
	for k := range fs {
		if m := &fs[k].Marks[pass]; m.counts() {
			out = append(out, m)
		}
	}
	slices.SortFunc(out, func(a, b *Mark) int { return cmp.Compare(a.Reading, b.Reading) })
	return out
}

// of returns the mark of a reading, nil if it has none.
func (ms markList) of(reading uint64) *Mark {
	if i, ok := slices.BinarySearchFunc(ms, reading, func(m *Mark, r uint64) int { return cmp.Compare(m.Reading, r) }); ok {
		return ms[i]
	}
	return nil
}

// apart reports whether two readings count for different fasteners.
func (ms markList) apart(a, b uint64) bool {
	x, y := ms.of(a), ms.of(b)
	return x != nil && y != nil && x.Judged.Fastener != y.Judged.Fastener
}

// flips reports whether a pull of the pass is now surely something else than
// it was taken for.
func (t *tx) flips(step, pass int, f *match.Filter, pulls []*Evidence) bool {
	marked, all := t.job.marked(step, pass), t.job.tightenings(step, pass)
	jt := t.job.Proc.Steps[step].Joint
	rests, assign := f.Rest(), f.Assign()
	// Without a rotation nothing but the rest of an unfinished pull is sure enough.
	turned := !slices.ContainsFunc(pulls, func(e *Evidence) bool { return !e.turned() })
	for k, p := range f.Idle() {
		e := pulls[k]
		m := marked.of(e.Pull.Reading)
		aside := m == nil && t.job.aside(e.Pull.Reading) != nil
		if all[k].from < k && assign[k] >= 0 { // a further swing, where it was begun
			there := m != nil && jt.Fasteners[jt.Passes[pass].Order[assign[k]]].ID == m.Judged.Fastener
			if !there && (m != nil || aside && all[k].last) && e.Pull.Placed == "" && rests[k] >= restEnough {
				return true
			}
		}
		if !turned || assign[k] >= 0 && t.job.tookOver(marked, pulls, assign, k, jt.Fasteners[jt.Passes[pass].Order[assign[k]]].ID, &jt.Passes[pass]) {
			continue
		}
		r := reading{found: e.Pull.Trace}
		switch p = r.notTight(p); {
		case m != nil && e.Pull.Placed == "" && p >= e.enough():
			return true
		case aside && 1-p >= backEnough:
			return true
		}
	}
	return false
}

// aside returns a pull of the job that was set aside, or nil.
func (j *Job) aside(reading uint64) *events.PullSetAside {
	for i := range j.Aside {
		if j.Aside[i].Reading == reading {
			return &j.Aside[i]
		}
	}
	return nil
}

// move gives the pulls of a pass to the fasteners in want, by reading.
func (t *tx) move(w *slot, f *match.Filter, pulls []*Evidence, have markList, want map[uint64]int) {
	j := t.job
	step := j.Proc.Steps[w.step].ID
	var moved []events.ReadingJudged
	all := j.tightenings(w.step, w.pass)
	for k, e := range pulls {
		id := e.Pull.Reading
		to, counts := want[id]
		m := have.of(id)
		switch {
		case m == nil && !counts, m != nil && counts && w.joint.Fasteners[to].ID == m.Judged.Fastener:
			continue
		case m == nil && (t.job.aside(id) == nil || !all[k].last):
			continue // low or high, or a further swing followed: it stands where it was
		}
		o := e.Pull
		o.Explanations = t.explain(w, f, k)
		t.add(o)
		if m != nil {
			judged := *m.Judged
			reason := wasNone
			if counts {
				reason = movedOn
			}
			t.add(events.ReadingVoided{Reading: id, Job: j.ID, Step: step, Pass: w.pass, Fastener: judged.Fastener,
				Reason: reason})
			if counts {
				judged.Fastener = w.joint.Fasteners[to].ID
				moved = append(moved, judged)
				continue
			}
			kind, at, p := idle(f.Explain(k))
			t.voidAside(w, &judged, kind, at, p)
			continue
		}
		moved = append(moved, t.judgedAside(w, j.aside(id), to))
	}
	for _, o := range moved {
		_, _, k := j.fastener(step, o.Fastener)
		if k == nil {
			continue
		}
		n := j.Proc.Steps[w.step].Joint.Fastener(o.Fastener)
		at := j.fastenerSlot(w.step, w.pass, n)
		if o.P, o.Grade = j.sureness(&at, turnTold(o.Angle)); o.Grade == "" {
			o.Grade = events.Counted
		}
		t.add(o)
	}
	t.why = "a later pull showed what earlier ones were"
}

// voidAside sets a pull aside that counted before.
func (t *tx) voidAside(w *slot, o *events.ReadingJudged, kind events.ExplanationKind, at int, p float64) {
	name := ""
	if order := w.joint.Passes[w.pass].Order; at >= 0 && at < len(order) {
		name = w.joint.Fasteners[order[at]].ID
	}
	t.setAside(w, &reading{seq: o.Reading, tool: o.Tool, bench: o.Bench, text: o.Text, unit: o.Unit, value: o.Value, angle: o.Angle, at: o.AtUs, by: o.By}, kind, name, p)
}

// judgedAside judges a pull that was set aside, for a fastener.
func (t *tx) judgedAside(w *slot, a *events.PullSetAside, fastener int) events.ReadingJudged {
	r := reading{seq: a.Reading, tool: a.Tool, bench: a.Bench, text: a.Text, unit: a.Unit, value: a.Value, angle: a.Angle, at: a.AtUs, by: a.By}
	tool := t.s.index.tools[a.Tool]
	u := uncertainty(tool.Tool, a.Value)
	return events.ReadingJudged{
		Reading: a.Reading, Job: t.job.ID, Step: a.Step, Pass: a.Pass, Fastener: w.joint.Fasteners[fastener].ID,
		Verdict: w.judge(r.value, u.Base()), Value: a.Value, Text: a.Text, Unit: a.Unit, LSL: w.lsl, Target: w.target, USL: w.usl, U: u,
		Angle: a.Angle, Tool: a.Tool, Calibrated: tool.Calibrated, Bench: a.Bench, By: a.By, AtUs: a.AtUs, Class: string(w.joint.Class),
	}
}

// lastOf returns the last pass, the closing round apart, that takes the first
// fastener of a pass.
func lastOf(jt *procedure.Joint, pass int) int {
	last := pass
	for k := range jt.Passes {
		if !jt.Passes[k].Closing && slices.Contains(jt.Passes[k].Order, jt.Passes[pass].Order[0]) {
			last = k
		}
	}
	return last
}

// reweigh draws the consequences of new evidence on a pass.
func (t *tx) reweigh(step string, pass int) {
	p, i := t.job.Proc.Step(step)
	if p == nil || p.Joint == nil || pass >= len(p.Joint.Passes) || len(t.job.Steps[i].Weigh[pass].Log) == 0 {
		return
	}
	t.realign(i, pass)
	t.weighWitnesses(i, pass)
}

// weighWitnesses says how sure each fastener of a finished pass is, and asks
// where one answer would change that. Of a pass that is open again, because a pull was
// taken from it, what was said when it was finished holds no longer, and is said anew.
func (t *tx) weighWitnesses(i, pass int) {
	j := t.job
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	order := jt.Passes[pass].Order
	open := slices.ContainsFunc(order, func(k int) bool { return !st.Fasteners[k].doneIn(pass) })
	if len(st.Weigh[pass].Log) == 0 || open && !st.Weigh[pass].Told {
		return
	}
	f := j.filterOf(i, pass)
	tight := f.Tight()
	proves := !j.unmoved(i, pass) && !st.Weigh[pass].anyAlike()
	o := events.WitnessWeighed{Job: j.ID, Step: j.Proc.Steps[i].ID, Pass: pass, AllTight: rounded(f.AllTight())}
	for k := range jt.Fasteners {
		at := slices.Index(order, k)
		m := &st.Fasteners[k].Marks[pass]
		if at < 0 || m.Reading == 0 {
			continue
		}
		w := events.FastenerWeight{Fastener: jt.Fasteners[k].ID, Grade: events.Counted}
		if at < len(tight) {
			w.P = rounded(tight[at])
		}
		if m.Grade == events.Placed {
			w.Grade = events.Placed
		} else if proves && (turnTold(m.Judged.Angle) || st.Weigh[pass].hasTrace(m.Reading)) {
			w.Grade = events.Reasoned
		}
		o.Fasteners = append(o.Fasteners, w)
	}
	t.add(o)
	if !open {
		t.question(i, pass, f)
	}
}

// hasTrace reports whether a reading came with a trace from which a rotation
// was found.
func (w *PassWeigh) hasTrace(reading uint64) bool {
	for i := range w.Log {
		if e := w.Log[i]; e.Op == "pull" && e.Pull.Reading == reading {
			return e.Pull.Trace != nil && !e.Pull.Trace.NetAngle.IsZero()
		}
	}
	return false
}

// question asks what a pull was, where the answer matters for a witness, and
// drops a question that no longer does.
func (t *tx) question(i, pass int, f *match.Filter) {
	j := t.job
	jt := j.Proc.Steps[i].Joint
	k, choices, ok := f.Question()
	if pass != lastOf(jt, pass) || jt.Passes[pass].Closing {
		ok = false
	}
	step := j.Proc.Steps[i].ID
	pulls := j.Steps[i].Weigh[pass].pulls()
	if !ok || k >= len(pulls) || pulls[k].Pull.Placed != "" { // asked for where it was
		t.dropQuestion(step, pass, "it no longer matters")
		return
	}
	if slices.ContainsFunc(j.Steps[i].Weigh[pass].Log, func(e *Evidence) bool { return e.Op == "answer" && e.Reading == pulls[k].Pull.Reading }) {
		return // asked before
	}
	o := &pulls[k].Pull
	q := events.QuestionAsked{Step: step, Pass: pass, Reading: o.Reading}
	for n, c := range choices {
		x := events.Choice{Key: fmt.Sprint(n + 1), Kind: c.Kind}
		if c.Fastener >= 0 && c.Fastener < len(jt.Passes[pass].Order) {
			x.Fastener = jt.Fasteners[jt.Passes[pass].Order[c.Fastener]].ID
		}
		x.Text = choiceText(x)
		q.Choices = append(q.Choices, x)
	}
	if !slices.ContainsFunc(q.Choices, func(c events.Choice) bool { return madeTight(c.Kind) }) {
		q.Choices = append(q.Choices, events.Choice{Key: fmt.Sprint(len(q.Choices) + 1), Kind: events.ExplainedNext, Text: "No, one that was not tight before"})
	}
	again := slices.IndexFunc(q.Choices, func(c events.Choice) bool { return !madeTight(c.Kind) && c.Fastener != "" })
	r := reading{text: "", value: o.Torque}
	q.Text = fmt.Sprintf("%s: what was the pull to %s?", j.title(i), show(r.value, jt.Passes[pass].Unit))
	if again >= 0 {
		q.Text = fmt.Sprintf("%s: was the pull to %s on %s again?", j.title(i), show(r.value, jt.Passes[pass].Unit), q.Choices[again].Fastener)
	}
	t.askAbout(q)
}

func choiceText(c events.Choice) string {
	switch {
	case c.Kind == events.ExplainedNowhere:
		return "On nothing of this joint"
	case c.Kind == events.ExplainedElsewhere:
		return "On another step"
	case c.Kind == events.ExplainedSameCycle:
		return "It came twice"
	case !madeTight(c.Kind):
		return "Yes, " + c.Fastener + " again"
	}
	return "No, " + c.Fastener + " for the first time"
}
