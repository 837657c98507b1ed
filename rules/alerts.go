package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// leave raises what must be said when work goes on past open steps: for each
// step before upto that is not done, the fasteners that were missed or left
// low, the value that was left out of limits, or the step that was skipped.
// Held fasteners have their own alert. why tells what showed it.
func (t *tx) leave(upto int, why string) {
	for i := range upto {
		t.leaveStep(i, why)
		p := &t.job.Proc.Steps[i]
		if p.Joint != nil && (t.job.closingBegun(i) || upto < len(t.job.Steps) && slices.Contains(t.job.Proc.Steps[upto].Covers, p.ID)) {
			t.leaveClosing(i, why)
		}
	}
}

func (t *tx) leaveStep(i int, why string) {
	t.suspect(i, why)
	st, p := &t.job.Steps[i], &t.job.Proc.Steps[i]
	switch {
	case st.Done:
	case st.AtHold():
		t.leaveHold(i, why)
	case p.Joint != nil:
		t.leaveJoint(i, why)
		if st.begun() {
			t.leaveItems(i, why)
		}
	case p.Shim != nil && (st.Value == nil || st.Value.counts()):
		t.leaveShims(i, why)
	case p.Measure != nil && st.Value != nil:
		v := st.Value.Judged
		r := reading{text: v.Text, unit: v.Unit, value: v.Value}
		w := limits{v.LSL, v.Target, v.USL, p.Measure.Unit}
		t.raiseStep(i, events.AlertMeasure,
			fmt.Sprintf("%s: %s is %s, wanted %s, and work went on: %s.", t.job.title(i), r.said(w.unit), v.Verdict, w.wanted(), why),
			"Stop. Put it right and measure again, or ask a lead to decide.")
	case t.guards(p.ID): // said with what must be in first
	default:
		t.raiseStep(i, events.AlertStepSkipped,
			fmt.Sprintf("%s was left open, and work went on: %s.", t.job.title(i), why),
			"Go back and do this step, or ask a lead to decide.")
	}
}

func (t *tx) raiseStep(i int, kind events.AlertKind, text, todo string) {
	t.raise(events.AlertRaised{Kind: kind, Bench: t.job.Bench, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Text: text, Todo: todo, Blocks: true})
}

func (t *tx) leaveJoint(i int, why string) {
	missed, low := t.job.undone(i)
	t.raiseLeft(i, t.job.Steps[i].Pass, len(t.job.Proc.Steps[i].Joint.Passes)-1, missed, low, why)
}

// raiseInDoubt raises fasteners whose pulls may be among those that were lost
// on the way: nobody can say that they were missed, and nothing proves that
// they were not.
func (t *tx) raiseInDoubt(i, at int, left []string, why string) {
	j, p := t.job, &t.job.Proc.Steps[i]
	likely := t.whoWasLeft(i, at)
	if names := t.shiftAtGap(i, at, left); names != nil {
		left, likely = names, nil
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertCounterGap, Bench: j.Bench, Job: j.ID, Step: p.ID, Pass: len(p.Joint.Passes) - 1, Blocks: true,
		Fasteners: left, Likely: likely,
		Text: fmt.Sprintf("%s: no reading shows %s, and as many readings were lost on the way; work went on: %s.", j.title(i), list(left), why),
		Todo: fmt.Sprintf("Check %s: pull once more before anything covers the joint, or ask a lead to decide.", list(left)),
	})
}

// shiftAtGap gives the pulls that came after lost ones to the fasteners that were
// due then, where a pass was pulled in order and as many cycles were lost in the
// middle of it as fasteners are left: the doubt belongs where the gap is. It
// returns those that no reading shows then, nil if nothing was moved.
func (t *tx) shiftAtGap(i, pass int, left []string) []string {
	j := t.job
	if !j.Weighed || pass >= len(j.Steps[i].Weigh) || slices.ContainsFunc(j.Steps[i].Fasteners, func(f FastenerState) bool { return f.Held || f.Redo || f.Accepted }) {
		return nil
	}
	jt := j.Proc.Steps[i].Joint
	order, pulls := jt.Passes[pass].Order, j.Steps[i].Weigh[pass].pulls()
	have := j.marked(i, pass)
	if jt.Passes[pass].Closing || len(pulls) == 0 || len(have) != len(pulls) || len(pulls)+len(left) != len(order) || pulls[0].Pull.Lost > 0 {
		return nil
	}
	lost, next := 0, 0
	want := map[uint64]int{}
	var names []string
	for k, e := range pulls {
		m := have.of(e.Pull.Reading)
		if lost += e.Pull.Lost; m == nil || e.Pull.Placed != "" || m.Judged.Fastener != jt.Fasteners[order[k]].ID || k+lost >= len(order) {
			return nil
		}
		for ; next < k+lost; next++ {
			names = append(names, jt.Fasteners[order[next]].ID)
		}
		want[e.Pull.Reading] = order[next]
		next++
	}
	if lost != len(left) {
		return nil
	}
	w := j.fastenerSlot(i, pass, order[0])
	t.move(&w, j.filterOf(i, pass), pulls, have, want)
	return names
}

// lostIn returns how many cycles were lost while step i was worked on.
func (j *Job) lostIn(i int) int {
	n := 0
	for pass := range j.Steps[i].Weigh {
		for _, e := range j.Steps[i].Weigh[pass].pulls() {
			n += e.Pull.Lost
		}
	}
	return n
}

// leaveClosing raises a closing round that was left out, or left short.
func (t *tx) leaveClosing(i int, why string) {
	left := t.job.closingLeft(i)
	if missed, low := t.job.undone(i); len(left) == 0 || len(missed)+len(low) > 0 {
		return // the final pass comes first
	}
	if t.firstOfRound(i, len(left)) {
		return
	}
	a := events.AlertRaised{
		Kind: events.AlertClosing, Bench: t.job.Bench, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Blocks: true,
		Text: fmt.Sprintf("%s: the closing round is not done, and work went on: %s.", t.job.title(i), why),
		Todo: fmt.Sprintf("Stop. Pull %s once more at the final torque before anything covers the joint: none may turn.", list(left)),
	}
	if t.job.closingBegun(i) {
		// The count cannot tell which round was short: what was left out of the
		// last pass is then filled by the first pull of the closing round.
		a.Text = fmt.Sprintf("%s: the closing round is short of %d, so one of the two rounds left somebody out, and work went on: %s.", t.job.title(i), len(left), why)
		if len(left) > 1 {
			a.Todo = "Stop. One may have been left out of both rounds. Pull every fastener of the joint once more at the final torque before anything covers it: none may turn."
		}
	}
	t.raise(a)
}

// closingBegun reports whether step i's closing round has been begun.
func (j *Job) closingBegun(i int) bool {
	for k := range j.Steps[i].Fasteners {
		if f := &j.Steps[i].Fasteners[k]; f.Closing > 0 && f.Marks[f.Closing].Reading != 0 {
			return true
		}
	}
	return false
}

// closingLeft returns the ids of a torque step's fasteners that wait for the
// closing round and for nothing else.
func (j *Job) closingLeft(i int) []string {
	jt := j.Proc.Steps[i].Joint
	return j.pick(i, func(k int) bool {
		f := &j.Steps[i].Fasteners[k]
		p := f.openPass(jt, k)
		return !f.Held && p < len(jt.Passes) && jt.Passes[p].Closing && f.Marks[p].Reading == 0
	})
}

// raiseLeft raises fasteners that were left behind in pass at, where no alert
// names them yet. They must be done up to and with pass until, before the
// alert is settled.
func (t *tx) raiseLeft(i, at, until int, missed, low []string, why string) {
	j, p := t.job, &t.job.Proc.Steps[i]
	if n := len(missed) + len(low); n > 0 && n <= mostMoved && at < len(p.Joint.Passes) {
		// It may be the pass before that was left short, its gap filled from here.
		if t.shortWhere(stretch{i, at}) && t.leftNow(i, at, &missed, &low) == 0 {
			return
		}
	}
	missed = t.leaveLikeliest(i, at, missed)
	pass := passName(p.Joint, at)
	a := events.AlertRaised{Bench: j.Bench, Job: j.ID, Step: p.ID, Pass: until, Blocks: true}
	if left := t.unnamed(missed, p.ID, events.AlertCounterGap); len(left) > 0 && len(left) <= j.lostIn(i) {
		t.raiseInDoubt(i, at, left, why)
		missed = nil
	}
	if left := t.unnamed(missed, p.ID, events.AlertMissed, events.AlertCounterGap, events.AlertSeized); len(left) > 0 {
		a.Kind, a.Fasteners, a.Likely = events.AlertMissed, left, t.whoWasLeft(i, at)
		a.Text = fmt.Sprintf("%s: %s %s not done (%s pass), and work went on: %s.", j.title(i), list(left), isOne(left), pass, why)
		a.Todo = fmt.Sprintf("Stop. Pull %s before anything covers the joint, or ask a lead to decide.", list(left))
		if l := a.Likely; len(l) > 0 && l[0].P >= ratherOther && !slices.Contains(left, l[0].Fastener) {
			a.Text += fmt.Sprintf(" By the pulls themselves it is rather fastener %s (%s).", l[0].Fastener, percent(l[0].P))
			a.Todo = fmt.Sprintf("Stop. Pull %s before anything covers the joint, or ask a lead to decide.", list(append(slices.Clone(left), l[0].Fastener)))
		}
		if also := t.cannotTell(i, at, left, a.Likely); len(also) > 0 {
			a.Text += fmt.Sprintf(" No rotation tells which one was left out: %s.", likeliest(a.Likely))
			a.Todo = fmt.Sprintf("Stop. Look at the marks. Pull %s before anything covers the joint, and %s again, or ask a lead to decide.", list(left), list(also))
		}
		t.raise(a)
		t.seized(i, at, true)
		t.slippedLow(i, at, left)
		t.slippedAll(i, at, left)
	}
	if left := t.unnamed(low, p.ID, events.AlertLow, events.AlertUnitSlip); len(left) > 0 {
		a.Kind, a.Fasteners, a.Pass = events.AlertLow, left, at
		a.Text = fmt.Sprintf("%s: the last pull of %s was low (%s pass), and work went on: %s.", j.title(i), list(left), pass, why)
		a.Todo = fmt.Sprintf("Stop. Pull %s again, or ask a lead to decide.", list(left))
		t.raise(a)
		t.slippedAll(i, at, left)
	}
}

// ratherOther is the probability from which a fastener that the count does not
// name, but the pulls do, is named beside those that the count leaves. Our choice.
const ratherOther = 0.5

// undone returns the ids of a torque step's fasteners that are not complete,
// in drawing order: those whose last pull was low apart from the rest. Held
// ones are in neither.
func (j *Job) undone(i int) (missed, low []string) {
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	for k := range st.Fasteners {
		f := &st.Fasteners[k]
		pass := f.openPass(jt, k)
		switch {
		case pass == len(jt.Passes) || f.Held:
		case jt.Passes[pass].Closing && f.Marks[pass].Reading == 0: // see closingLeft
		case f.Marks[pass].Reading != 0 && f.Marks[pass].Verdict == events.Low:
			low = append(low, jt.Fasteners[k].ID)
		default:
			missed = append(missed, jt.Fasteners[k].ID)
		}
	}
	return missed, low
}

// unnamed returns those of ids that no open alert of the job's step names yet,
// of any of the kinds.
func (t *tx) unnamed(ids []string, step string, kinds ...events.AlertKind) []string {
	for a := range t.openAlerts(t.job.ID) {
		if a.Step == step && slices.Contains(kinds, a.Kind) {
			ids = slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return slices.Contains(a.Fasteners, id) })
		}
	}
	return ids
}

func passName(j *procedure.Joint, pass int) string {
	if pass >= len(j.Passes) {
		return "last"
	}
	if n := j.Passes[pass].Name; n != "" {
		return n
	}
	return fmt.Sprintf("%d.", pass+1)
}

// settleGone settles the job's alerts whose cause is gone.
func (t *tx) settleGone() {
	for _, id := range t.s.Jobs[t.job.ID].alertIDs() {
		a := t.s.Alerts[id]
		if a == nil || slices.Contains(t.settled, id) {
			continue
		}
		if how, gone := t.gone(&a.AlertRaised); gone {
			t.settle(id, t.who, how)
		}
	}
}

func (j *Job) alertIDs() []string {
	if j == nil {
		return nil
	}
	return j.Alerts
}

// gone reports whether an alert's cause is gone, and how. An alert that no
// event can settle is never gone: a lead settles it.
func (t *tx) gone(a *events.AlertRaised) (how string, gone bool) {
	if asksAboutReadings(a) {
		return "claimed or dismissed", (t.unplaced != 0 || len(t.used) > 0) && !t.waits(a)
	}
	if how, gone, mine := t.goneAttested(a); mine {
		return how, gone
	}
	switch a.Kind {
	case events.AlertPressForce, events.AlertPressSeat, events.AlertPressPair, events.AlertPressRecheck:
		return t.pressGone(a)
	case events.AlertCounterGap:
		if len(a.Fasteners) == 0 {
			return "the step is done", t.stepDone(a.Step)
		}
		return "witnessed or accepted", t.all(a, func(p place) bool { return p.f.openPass(p.joint, p.i) > a.Pass })
	case events.AlertMissed:
		return "witnessed or accepted", t.all(a, func(p place) bool { return p.f.openPass(p.joint, p.i) > a.Pass })
	case events.AlertLow:
		return "pulled again or accepted", t.all(a, func(p place) bool { return p.f.Held || p.f.doneIn(a.Pass) })
	case events.AlertUnitSlip, events.AlertMeasure:
		if len(a.Fasteners) == 0 {
			return "the step is done", t.stepDone(a.Step)
		}
		return "pulled again, or decided", t.all(a, func(p place) bool { return !p.f.Held && (p.f.Redo || p.f.doneIn(a.Pass)) })
	case events.AlertSeized, events.AlertYield:
		if len(a.Likely) > 0 { // nothing was held: it is to be pulled once more
			return "pulled again, or decided", t.all(a, func(p place) bool {
				return !p.f.Held && p.f.doneIn(a.Pass) && (p.f.Accepted || p.f.Marks[a.Pass].Judged.AtUs > a.AtUs)
			})
		}
		return "decided", t.all(a, func(p place) bool { return !p.f.Held })
	case events.AlertHigh, events.AlertToolStatus:
		return "decided", len(a.Fasteners) > 0 && t.all(a, func(p place) bool { return !p.f.Held })
	case events.AlertOutOfOrder:
		if tellsOfOrder(a) {
			return "the step is done", t.stepDone(a.Step)
		}
		return "decided, or the pull counts no longer", t.all(a, func(p place) bool {
			return !p.f.Held && (p.f.Accepted || p.f.Marks[a.Pass].Reading != a.Reading)
		})
	case events.AlertSameCycle:
		return "pulled again: its readings differ", t.pulledAnew(a)
	case events.AlertClosing:
		return "the closing round is done", len(t.job.closingLeftOf(a.Step)) == 0
	case events.AlertStepSkipped, events.AlertShims:
		return "the step is done", t.stepDone(a.Step)
	}
	return "", false
}

// place is a fastener with all that is known of it.
type place struct {
	joint *procedure.Joint
	i     int
	f     *FastenerState
}

// all reports whether a test holds for every fastener that an alert names.
func (t *tx) all(a *events.AlertRaised, test func(place) bool) bool {
	p, n := t.job.Proc.Step(a.Step)
	if p == nil || p.Joint == nil {
		return false
	}
	for _, id := range a.Fasteners {
		i := p.Joint.Fastener(id)
		if i < 0 || a.Pass >= len(p.Joint.Passes) {
			continue
		}
		if st := &t.job.Steps[n]; !test(place{p.Joint, i, &st.Fasteners[i]}) {
			return false
		}
	}
	return true
}

func (j *Job) closingLeftOf(step string) []string {
	p, i := j.Proc.Step(step)
	if p == nil || p.Joint == nil {
		return nil
	}
	return j.closingLeft(i)
}

func (t *tx) stepDone(step string) bool {
	_, i := t.job.Proc.Step(step)
	return i >= 0 && t.job.Steps[i].Done
}

// asksAboutReadings reports whether an alert stands for unplaced readings,
// each of which must be claimed or dismissed.
func asksAboutReadings(a *events.AlertRaised) bool {
	if a.Reading == 0 || len(a.Fasteners) > 0 || tellsOfOrder(a) {
		return false
	}
	switch a.Kind {
	case events.AlertUnplaced, events.AlertExtraPull, events.AlertWrongTool, events.AlertUnknownTool, events.AlertToolStatus, events.AlertOutOfOrder:
		return true
	case events.AlertUnitSlip:
		return a.Step == "" // nobody knows yet which step it was for
	}
	return false
}

// waits reports whether a reading that an alert asks about is still to be
// claimed or dismissed.
func (t *tx) waits(a *events.AlertRaised) bool {
	for id, r := range t.s.Unplaced { // is there one: the order does not matter
		if r.Alert == a.Alert && id != t.unplaced && !slices.Contains(t.used, id) {
			return true
		}
	}
	return false
}
