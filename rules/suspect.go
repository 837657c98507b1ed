package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/rules/match"
)

// suspect raises fasteners that were probably left out although the number of
// pulls agrees, once work goes on past their joint: before that, the missing
// pull may still come. It is said only where the evidence is such that a clean
// job is not accused (see rules/match); and where a reading was lost on the
// way, the fasteners are in doubt, not missed.
func (t *tx) suspect(i int, why string) {
	if !t.job.Weighed || t.job.Proc.Steps[i].Joint == nil {
		return
	}
	t.takeBack(i)
	for pass := range t.job.Steps[i].Weigh {
		if len(t.job.Steps[i].Weigh[pass].Log) > 0 && !t.job.Proc.Steps[i].Joint.Passes[pass].Closing {
			t.suspectPass(i, pass, why)
		}
	}
}

// lostShare is how likely it may be, beside a miss, that a reading was lost and
// its fastener pulled again, before a miss becomes a doubt. Our choice.
const lostShare = 0.5

func (t *tx) suspectPass(i, pass int, why string) {
	j := t.job
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	order := jt.Passes[pass].Order
	if lastOf(jt, pass) != pass || slices.ContainsFunc(order, func(k int) bool { return !st.Fasteners[k].doneIn(pass) }) {
		return
	}
	f := j.filterOf(i, pass)
	if t.endedLow(i, pass, why) {
		return
	}
	m := f.Missed()
	if !m.Say || f.Overrun() {
		t.seized(i, pass, false)
		return
	}
	if closesWithoutTurns(st, pass) {
		return
	}
	names := t.suspects(i, pass, m, mostSuspects, suspectCoverage)
	if len(names) == 0 || t.saidSeized(i, names[0].Fastener) {
		return
	}
	a := events.AlertRaised{
		Kind: events.AlertMissed, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[i].ID, Pass: pass, Fasteners: inOrder(names),
		Likely: names, P: rounded(m.P), Blocks: true,
		Text: fmt.Sprintf("%s: the number of pulls is right, but one fastener %s pulled twice and another never (%s): %s. Work went on: %s.",
			j.title(i), mayOrWas(m.P), percent(m.P), likely(names), why),
		Todo: fmt.Sprintf("Stop. Look at the marks, and pull %s again before anything covers the joint, or ask a lead to decide.", list(inOrder(names))),
	}
	reason := neverPulled
	if m.Lost > lostShare*m.P {
		// Without a counter of cycles, one that was pulled again because its
		// reading was lost looks like a miss: that is no more than a doubt.
		a.Kind, reason = events.AlertCounterGap, "in doubt: to be pulled once more"
		a.Text = fmt.Sprintf("%s: the number of pulls is right, but one fastener was pulled twice: its first reading was lost on the way, or another fastener was never pulled: %s. Work went on: %s.",
			j.title(i), likely(names), why)
		a.Todo = fmt.Sprintf("Check %s: pull once more before anything covers the joint, or ask a lead to decide.", list(inOrder(names)))
	}
	if m.P < 0.5 {
		a.Text += t.orSeized(i, pass)
	}
	t.raise(a)
	t.pullAgain(i, pass, names, reason)
	t.why = "a fastener was probably left out"
	t.seized(i, pass, true)
}

// saidSeized reports whether an open alert says of a fastener that it hardly turned
// at its own pull: then that pull was no repeat, and it was not left out.
func (t *tx) saidSeized(i int, fastener string) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertSeized && a.Step == t.job.Proc.Steps[i].ID && slices.Contains(a.Fasteners, fastener) {
			return true
		}
	}
	return false
}

// endedLow raises that a pass ended with a pull below its limits, which nobody went
// on with: the number of pulls was complete before it, so one of them was a second
// one, and the fastener of the last one is not tight.
func (t *tx) endedLow(i, pass int, why string) bool {
	j := t.job
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	e := st.Weigh[pass].last()
	if !t.endsLow(i, pass) {
		return false
	}
	var names []events.FastenerWeight
	for _, x := range j.filterOf(i, pass).Explain(st.Weigh[pass].pullOf(e.Pull.Reading)) {
		if x.Fastener < 0 || x.Fastener >= len(jt.Passes[pass].Order) || len(names) == mostLow {
			continue
		}
		name := jt.Fasteners[jt.Passes[pass].Order[x.Fastener]].ID
		if at := slices.IndexFunc(names, func(w events.FastenerWeight) bool { return w.Fastener == name }); at >= 0 {
			names[at].P = rounded(names[at].P + x.P)
		} else {
			names = append(names, events.FastenerWeight{Fastener: name, P: rounded(x.P)})
		}
	}
	if len(names) == 0 {
		return false
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertLow, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[i].ID, Pass: pass, Fasteners: inOrder(names), Likely: names, Reading: e.Pull.Reading, Blocks: true,
		Text: fmt.Sprintf("%s: its last pull ended at %s, below the limits, and none went on with it: %s. Work went on: %s.",
			j.title(i), show(e.Pull.Torque, jt.Passes[pass].Unit), likely(names), why),
		Todo: fmt.Sprintf("Stop. Pull %s again, or ask a lead to decide.", list(inOrder(names))),
	})
	for _, n := range names {
		if m := &st.Fasteners[jt.Fastener(n.Fastener)].Marks[pass]; m.Reading != 0 {
			t.add(events.ReadingVoided{Reading: m.Reading, Job: j.ID, Step: j.Proc.Steps[i].ID, Pass: pass, Fastener: n.Fastener,
				Reason: "the last pull of its joint ended low: to be pulled once more"})
		}
	}
	t.why = "the last pull ended low"
	return true
}

// endsLow reports whether the last pull of a pass was set aside and is below its
// limits.
func (t *tx) endsLow(i, pass int) bool {
	e := t.job.Steps[i].Weigh[pass].last()
	return e != nil && e.below(&t.job.Proc.Steps[i].Joint.Passes[pass]) && t.job.aside(e.Pull.Reading) != nil && e.Pull.Placed == ""
}

// mostLow is how many fasteners are named where the last pull ended low. Our choice.
const mostLow = 3

// closesWithoutTurns reports whether a closing round is asked for because no pull
// of a pass told a rotation. Then that round says whether one was left out, and
// the faint evidence of times and peaks need not.
func closesWithoutTurns(st *StepState, pass int) bool {
	asked := slices.ContainsFunc(st.Fasteners, func(f FastenerState) bool { return f.Closing > 0 && f.NeedsClosing })
	return asked && !slices.ContainsFunc(st.Weigh[pass].pulls(), func(e *Evidence) bool { return e.turned() })
}

// mayOrWas says how strongly a probability speaks. Where no rotation is told the
// evidence is seldom strong, and still stronger than in any clean job.
func mayOrWas(p float64) string {
	if p < 0.5 {
		return "may have been"
	}
	return "was probably"
}

// most fasteners that are named where one was left out, and the probability
// that they must hold together. Our choice: a list that can be pulled once
// more in a minute. Where the count is short, one surely was left out, and any
// number of fasteners may be alike but for the order.
const (
	mostSuspects    = 6
	suspectCoverage = 0.9
	likelyCoverage  = 0.995
)

// suspects returns the fasteners that may have been left out, most probable
// first, until they hold most of the probability.
func (t *tx) suspects(i, pass int, m match.Miss, most int, coverage float64) []events.FastenerWeight {
	jt := t.job.Proc.Steps[i].Joint
	order := jt.Passes[pass].Order
	var out []events.FastenerWeight
	sum := 0.0
	for _, c := range m.Candidates {
		if len(out) > 0 && (sum >= coverage || len(out) == most) {
			break
		}
		if c.Fastener < len(order) {
			out = append(out, events.FastenerWeight{Fastener: jt.Fasteners[order[c.Fastener]].ID, P: rounded(c.P)})
			sum += c.P
		}
	}
	return out
}

// inOrder returns the names of suspects, most probable first.
func inOrder(list []events.FastenerWeight) []string {
	var out []string
	for _, w := range list {
		out = append(out, w.Fastener)
	}
	return out
}

// likely writes suspects for people: "probably 7 (62 %), else 8 (20 %) or 2 (9 %)".
func likely(list []events.FastenerWeight) string {
	var parts []string
	for _, w := range list {
		parts = append(parts, fmt.Sprintf("%s (%s)", w.Fastener, percent(w.P)))
	}
	switch len(parts) {
	case 0:
		return ""
	case 1:
		return "probably " + parts[0]
	case 2:
		return "probably " + parts[0] + ", else " + parts[1]
	}
	return "probably " + parts[0] + ", else " + strings.Join(parts[1:len(parts)-1], ", ") + " or " + parts[len(parts)-1]
}

// whoWasLeft returns which fasteners the evidence names where pulls were set
// aside and the joint is not complete, nil where the count alone speaks.
func (t *tx) whoWasLeft(i, pass int) []events.FastenerWeight {
	st := &t.job.Steps[i]
	if !t.job.Weighed || pass >= len(st.Weigh) || len(st.Weigh[pass].Log) == 0 {
		return nil
	}
	jt, f := t.job.Proc.Steps[i].Joint, t.job.filterOf(i, pass)
	out := t.suspects(i, pass, f.Missed(), len(jt.Fasteners), likelyCoverage)
	sum := 0.0
	named := map[string]bool{}
	for _, n := range out {
		sum += n.P
		named[n.Fastener] = true
	}
	if len(out) == 0 || f.Dropped() < 1-likelyCoverage || sum > 1+likelyCoverage/2 {
		return out
	}
	// In a great joint the filter lets go of the least likely ones, though nothing
	// but the order speaks against them.
	var rest []string
	for _, k := range jt.Passes[pass].Order {
		if id := jt.Fasteners[k].ID; !named[id] && !t.job.surelyOwn(i, pass, k) {
			rest = append(rest, id)
		}
	}
	p := 0.0
	if len(rest) > 0 {
		p = min(f.Dropped()/float64(len(rest)), out[len(out)-1].P)
	}
	for _, id := range rest {
		out = append(out, events.FastenerWeight{Fastener: id, P: p})
		sum += p
	}
	for n := range out {
		out[n].P = rounded(out[n].P / sum)
	}
	return out
}

// surelyOwn reports whether the pull that counts for a fastener is known to have
// been at it, or nobody wants one.
func (j *Job) surelyOwn(i, pass, fastener int) bool {
	m := &j.Steps[i].Fasteners[fastener].Marks[pass]
	if !m.counts() {
		return true
	}
	w := j.Steps[i].Weigh[pass]
	at := w.pullOf(m.Reading)
	return at >= 0 && w.pulls()[at].Pull.Placed != ""
}

// oneMore decides on a pull inside the limits of a joint that is complete: it
// is set aside. With so many pulls as fasteners and one more, the likeliest
// thing is a habit; whether one fastener was left out all the same, the
// evidence says once work goes on.
func (t *tx) oneMore(r *reading, step int) bool {
	if !t.job.Weighed {
		return false
	}
	jt := t.job.Proc.Steps[step].Joint
	pass := finalPass(jt)
	w := t.job.fastenerSlot(step, pass, jt.Passes[pass].Order[0])
	kind, on, p := t.weighAside(&w, r)
	if p < asideEnough { // which of the pulls was the one too many, nobody knows
		kind, on = events.ExplainedRepeat, -1
	}
	t.setAside(&w, r, kind, w.named(on), p)
	t.sayOneMore(step, p)
	t.realign(step, pass)
	t.weighWitnesses(step, pass)
	t.strange(&w, r)
	return true
}

// turnedInClosing takes a pull that the closing round would take, but that
// turned as a first pull does, for what it is: one more of the final pass. The
// fastener that was left out there has been found, and the pull that was one
// too many shows.
func (t *tx) turnedInClosing(w *slot, r *reading) bool {
	if !t.job.Weighed || w.joint == nil || !w.joint.Passes[w.pass].Closing || !w.holds(r.value) {
		return false
	}
	final := lastOf(w.joint, w.pass)
	if len(t.job.Steps[w.step].Weigh[final].Log) == 0 {
		return false
	}
	if t.endsLow(w.step, final) && len(t.job.Steps[w.step].Weigh[w.pass].Log) == 0 {
		return t.oneMore(r, w.step) // it ends what the last one began
	}
	if _, ok := r.turn(); !ok || !slices.ContainsFunc(t.job.Steps[w.step].Weigh[final].pulls(), func(e *Evidence) bool { return e.turned() }) {
		return false // by rotation it can be held against the round alone: see turnedInRound
	}
	at := t.job.fastenerSlot(w.step, final, w.joint.Passes[final].Order[0])
	e := Evidence{Op: "pull", Pull: t.pullAt(&at, r), Tool: t.s.toolOf(r.tool)}
	f := t.job.filterOf(w.step, final).Pull(e.pull(w.joint, &w.joint.Passes[final]))
	if _, _, p := idle(f.Explain(f.Pulls() - 1)); 1-p < backEnough {
		return false
	}
	return t.oneMore(r, w.step)
}

// sayOneMore says of the pull that was just set aside what is sure of it: the
// number alone.
func (t *tx) sayOneMore(step int, p float64) {
	if a, ok := t.out[len(t.out)-1].Data.(events.PullSetAside); ok && p < asideEnough {
		a.Why = fmt.Sprintf("%s: one pull more than it has fasteners; one of them was pulled twice", t.job.title(step))
		t.out[len(t.out)-1].Data = a
	}
}

// surelyRepeat reports whether a pull that the current, not yet begun step
// would take is rather one more on the joint before it.
func (t *tx) surelyRepeat(r *reading) (step int, ok bool) {
	if !t.job.Weighed {
		return 0, false
	}
	step, ok = t.job.repeats(r, true)
	if !ok {
		return 0, false
	}
	jt := t.job.Proc.Steps[step].Joint
	pass := finalPass(jt)
	if len(t.job.Steps[step].Weigh[pass].Log) == 0 {
		return 0, false
	}
	w := t.job.fastenerSlot(step, pass, jt.Passes[pass].Order[0])
	e := Evidence{Op: "pull", Pull: t.pullAt(&w, r), Tool: t.s.toolOf(r.tool)}
	f := t.job.filterOf(step, pass).Pull(e.pull(jt, &jt.Passes[pass]))
	p := 0.0
	for _, x := range f.Explain(f.Pulls() - 1) {
		if x.Kind == events.ExplainedRepeat || x.Kind == events.ExplainedSameCycle {
			p += x.P
		}
	}
	return step, p >= e.enough() || t.ratherMore(r, step, pass)
}
