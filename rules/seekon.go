package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// seekEnough is how sure it must be that none is left out, before a pull that turned
// like one on a tight fastener ends the search. Our choice, as backEnough.
const seekEnough = 0.9

// askedAndTight reports whether a pull came for a fastener that an open alert says is
// missed, and turned as one on a tight fastener does: so that one was not left
// out, and the pull is its own. A habit it hardly is, somebody asked for it.
func (t *tx) askedAndTight(w *slot, o events.PullWeighed, tool string) bool {
	p := &w.joint.Passes[w.pass]
	if lastOf(w.joint, w.pass) != w.pass || p.Closing || p.Loose || len(t.job.Steps[w.step].Weigh[w.pass].Log) == 0 ||
		!w.holds(o.Torque) || !t.isNamed(w, events.AlertMissed) || t.notBegun(w) {
		return false
	}
	o.Placed = w.joint.Fasteners[w.fastener].ID
	e := Evidence{Op: "pull", Pull: o, Tool: t.s.toolOf(tool)}
	if !e.turned() {
		return false
	}
	f := t.job.filterOf(w.step, w.pass).Pull(e.pull(w.joint, p))
	_, _, idle := idle(f.Explain(f.Pulls() - 1))
	return idle >= 0.5
}

// notBegun reports whether an open alert says of a place's pass that none of its
// fasteners was done: then it is worked on as any other, second pulls of habit too.
func (t *tx) notBegun(w *slot) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Step == t.job.Proc.Steps[w.step].ID && namesAll(a, &w.joint.Passes[w.pass]) {
			return true
		}
	}
	return false
}

// namesAll reports whether an alert says that every fastener of a pass is missing, by
// their number and not by the evidence.
func namesAll(a *events.AlertRaised, p *procedure.Pass) bool {
	return a.Kind == events.AlertMissed && a.P == 0 && len(a.Fasteners) == len(p.Order)
}

// search is where a fastener that was left out is still to be looked for.
type search struct {
	step, pass int
	tight      *Mark // a pull of one that was named, and was tight
	names      []events.FastenerWeight
	p          float64
}

// seek returns where to look on after all that an alert of a missed fastener names
// have been pulled, ok where one of them was tight already and it is not sure that
// none is left out: then it was another. Each that was pulled since is known to be
// tight; where every one was, there is none to look for.
func (t *tx) seek(a *events.AlertRaised) (s search, ok bool) {
	p, i := t.job.Proc.Step(a.Step)
	if a.Kind != events.AlertMissed || !t.job.Weighed || p == nil || p.Joint == nil || len(a.Fasteners) == 0 {
		return s, false
	}
	st, jt := &t.job.Steps[i], p.Joint
	s.step, s.pass = i, slices.IndexFunc(jt.Passes, func(p procedure.Pass) bool {
		return !p.Closing && !p.Loose && slices.Contains(p.Order, jt.Fastener(a.Fasteners[0]))
	})
	if s.pass < 0 {
		return s, false
	}
	s.pass = lastOf(jt, s.pass)
	if namesAll(a, &jt.Passes[s.pass]) {
		return s, false
	}
	w, f := st.Weigh[s.pass], t.job.filterOf(i, s.pass)
	pulls := w.pulls()
	if jt.Passes[s.pass].Loose || f.Overrun() || len(pulls) != f.Pulls() || slices.ContainsFunc(pulls, func(e *Evidence) bool { return !e.turned() }) {
		return s, false
	}
	idle := f.Idle()
	rest := map[string]bool{}
	for _, k := range jt.Passes[s.pass].Order {
		m := &st.Fasteners[k].Marks[s.pass]
		if !t.job.surelyOwn(i, s.pass, k) {
			rest[jt.Fasteners[k].ID] = true
		} else if m.counts() && m.Judged.AtUs > a.AtUs && idle[w.pullOf(m.Reading)] >= 0.5 && slices.Contains(a.Fasteners, jt.Fasteners[k].ID) {
			s.tight = m
		}
	}
	if s.p = 1 - f.AllTight(); s.tight == nil || s.p <= 1-seekEnough {
		return s, false
	}
	s.names = slices.DeleteFunc(t.whoWasLeft(i, s.pass), func(n events.FastenerWeight) bool { return !rest[n.Fastener] })
	return s, len(s.names) > 0
}

// seekOn raises who else may have been left out, each to be pulled once more, where
// all that an alert names have been pulled and one was tight already.
func (t *tx) seekOn() {
	j := t.job
	for _, id := range t.s.Jobs[j.ID].alertIDs() {
		a := t.s.Alerts[id]
		if a == nil || slices.Contains(t.settled, id) {
			continue
		}
		if _, gone := t.gone(&a.AlertRaised); !gone {
			continue
		}
		s, ok := t.seek(&a.AlertRaised)
		if !ok {
			continue
		}
		t.settle(id, t.who, "pulled, and tight already: another was left out")
		w, m := j.Steps[s.step].Weigh[s.pass], s.tight.Judged
		deg, _ := w.pulls()[w.pullOf(m.Reading)].turn()
		t.raise(events.AlertRaised{
			Kind: events.AlertMissed, Bench: j.Bench, Job: j.ID, Step: a.Step, Pass: s.pass, Fasteners: inOrder(s.names),
			Likely: s.names, P: rounded(s.p), Blocks: true,
			Text: fmt.Sprintf("%s: fastener %s turned only %s when it was pulled again, so it was tight already and another one was left out: %s.",
				j.title(s.step), m.Fastener, degrees(deg), likeliest(s.names)),
			Todo: fmt.Sprintf("Stop. Look at the marks, and pull %s again before anything covers the joint, or ask a lead to decide.", list(inOrder(s.names))),
		})
		t.pullAgain(s.step, s.pass, s.names, neverPulled)
	}
}

// leaveLikeliest gives the pulls of a final pass that is one short to its fasteners by
// what the pulls themselves tell, where that is clearly another one than the count
// leaves: so the one that is asked for first is the one that was rather left out.
func (t *tx) leaveLikeliest(i, pass int, missed []string) []string {
	j := t.job
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	if !j.Weighed || len(missed) != 1 || pass >= len(st.Weigh) || len(st.Weigh[pass].Log) == 0 || lastOf(jt, pass) != pass || jt.Passes[pass].Closing || jt.Passes[pass].Loose ||
		slices.ContainsFunc(st.Fasteners, func(f FastenerState) bool { return f.Held || f.Redo || f.Accepted }) {
		return missed
	}
	pulls, f := st.Weigh[pass].pulls(), j.filterOf(i, pass)
	if f.Overrun() || len(pulls) != f.Pulls() || slices.ContainsFunc(pulls, func(e *Evidence) bool {
		return !e.turned() || e.Pull.Placed != "" || e.below(&jt.Passes[pass])
	}) {
		return missed
	}
	l := t.whoWasLeft(i, pass)
	if len(l) == 0 || l[0].P < ratherOther || l[0].Fastener == missed[0] {
		return missed
	}
	order, have := jt.Passes[pass].Order, j.marked(i, pass)
	to, tight, ok := f.AssignLeft(local(&jt.Passes[pass], jt.Fastener(l[0].Fastener)))
	want := map[uint64]int{}
	for k := range to {
		if tight[k] {
			want[pulls[k].Pull.Reading] = order[to[k]]
			ok = ok && (have.of(pulls[k].Pull.Reading) != nil || j.aside(pulls[k].Pull.Reading) != nil)
		}
	}
	if !ok || len(want) != len(order)-1 {
		return missed
	}
	w := j.fastenerSlot(i, pass, order[0])
	t.move(&w, f, pulls, have, want)
	missed, _ = j.undone(i)
	return missed
}

const neverPulled = "probably never pulled: to be pulled once more"

// pullAgain voids the marks of fasteners that may have been left out.
func (t *tx) pullAgain(i, pass int, names []events.FastenerWeight, reason string) {
	jt := t.job.Proc.Steps[i].Joint
	for _, n := range names {
		if m := &t.job.Steps[i].Fasteners[jt.Fastener(n.Fastener)].Marks[pass]; m.Reading != 0 {
			t.add(events.ReadingVoided{Reading: m.Reading, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Pass: pass, Fastener: n.Fastener,
				Reason: reason})
		}
	}
}

// cannotTell returns who else may be the one where a pass is one short and no rotation
// tells a first pull from one on a tight fastener: the pull that fills the gap tells
// nothing then, so every one is asked for. None where a closing round will tell.
func (t *tx) cannotTell(i, pass int, left []string, likely []events.FastenerWeight) (names []string) {
	jt, st := t.job.Proc.Steps[i].Joint, &t.job.Steps[i]
	if len(left) != 1 || jt.Passes[pass].Closing || jt.Passes[pass].Loose || lastOf(jt, pass) != pass || closesWithoutTurns(st, pass) ||
		pass < len(st.Weigh) && slices.ContainsFunc(st.Weigh[pass].pulls(), func(e *Evidence) bool { return e.turned() }) {
		return nil
	}
	for _, n := range likely {
		if !slices.Contains(left, n.Fastener) {
			names = append(names, n.Fastener)
		}
	}
	return names
}

// likeliest writes suspects as likely does, of many the first ones alone.
func likeliest(list []events.FastenerWeight) string {
	if len(list) <= mostSuspects {
		return likely(list)
	}
	return fmt.Sprintf("%s, or one of %d others", likely(list[:mostSuspects]), len(list)-mostSuspects)
}
