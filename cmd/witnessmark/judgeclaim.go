package main

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// likelier is the probability from which a claim follows an alert's or a
// weight's word: more likely than not. Our own choice.
const likelier = 0.5

// unlikely is the probability below which a candidate that an alert does not
// name is left alone. Our own choice.
const unlikely = 0.05

// claim works out what can be said of every fastener of every torque step.
func (j *judging) claim() {
	steps := j.proc.proc.Steps
	n := 0
	for i := range steps {
		if steps[i].Joint != nil {
			n += len(steps[i].Joint.Fasteners)
		}
	}
	j.out.Fasteners = make([]judgedFastener, 0, n)
	for i := range steps {
		if steps[i].Joint == nil {
			continue
		}
		unproven := j.undone(i)
		for k := range steps[i].Joint.Fasteners {
			j.out.Fasteners = append(j.out.Fasteners, j.claimOf(i, k, unproven))
		}
	}
}

// undone counts the fasteners of a step that have not been done before the
// closing round.
func (j *judging) undone(i int) int {
	n := 0
	jt := j.proc.proc.Steps[i].Joint
	for k := range jt.Fasteners {
		if pass, _ := lastPull(&j.job.Steps[i].Fasteners[k], jt, k); pass >= 0 {
			n++
		}
	}
	return n
}

// lastPull returns the first pass, the closing round apart, in which a
// fastener is still to be done, -1 if there is none; and the mark that its
// state rests on: its latest.
func lastPull(f *rules.FastenerState, jt *procedure.Joint, k int) (open int, m *rules.Mark) {
	open = -1
	for p := range jt.Passes {
		if !slices.Contains(jt.Passes[p].Order, k) {
			continue
		}
		mark := &f.Marks[p]
		if mark.Reading != 0 {
			m = mark
		}
		switch counts := mark.Reading != 0 && (mark.Verdict == events.Within || mark.Verdict == events.Doubtful); {
		case jt.Passes[p].Closing:
		case counts && f.Weighed:
			open = -1 // it makes good what an earlier pass left
		case !counts && open < 0:
			open = p
		}
	}
	return open, m
}

func (j *judging) claimOf(i, k int, undone int) judgedFastener {
	step := &j.proc.proc.Steps[i]
	f := &j.job.Steps[i].Fasteners[k]
	c := judgedFastener{Step: step.ID, Fastener: step.Joint.Fasteners[k].ID}
	open, m := lastPull(f, step.Joint, k)
	pass := open
	if m != nil {
		c.Grade, c.Pull, c.Value, c.Unit, c.TorqueNm = string(m.Grade), j.pullNumber(m.Reading), m.Judged.Text, m.Judged.Unit, baseOf(m.Judged.Value)
		c.P = probability(m.Judged.P)
		if pass < 0 {
			pass = m.Judged.Pass
		}
	}
	if m != nil {
		j.weightOf(&c, m.Judged.Pass)
	}
	if pass >= 0 {
		c.Pass, c.TargetNm = j.passName(step.ID, pass), baseOf(step.Joint.Passes[pass].Target)
	}
	j.say(&c, f, m, open, i, k, undone)
	return c
}

// weightOf takes over the last weight of the latest weighed pass of the step, none of
// a pass before that of the fastener's mark: it spoke of other pulls.
func (j *judging) weightOf(c *judgedFastener, best int) {
	for w := range j.weighed {
		if j.weighed[w].Step != c.Step || j.weighed[w].Pass < best {
			continue
		}
		for _, x := range j.weighed[w].Fasteners {
			if x.Fastener == c.Fastener {
				best = j.weighed[w].Pass
				c.P = &x.P
				if x.Grade != "" && c.Grade != "" {
					c.Grade = string(x.Grade)
				}
			}
		}
	}
}

// say decides on the claim. What was seen wrong comes first, then what was not
// seen at all, then what is not sure enough.
func (j *judging) say(c *judgedFastener, f *rules.FastenerState, m *rules.Mark, open, i, k, undone int) {
	look := j.state.Look(j.job, i, k)
	alert := j.suspected(c.Step, c.Fastener)
	lost := j.lost[c.Step]
	switch {
	case f.Held && m != nil && m.Verdict == events.Doubtful:
		c.Claim, c.Why = claimDoubtful, "held: its pull is not to be trusted"
	case look == rules.LookHigh:
		c.Claim, c.Why = claimHigh, "above the limits, or turned too far"
	case look == rules.LookLow:
		c.Claim, c.Why = claimLow, "its last pull is below the limits"
	case (alert != nil || open >= 0) && lost > 0 && lost >= undone:
		c.Claim, c.Why = claimDoubtful, lostWhy(lost)
	case alert != nil:
		j.sayNamed(c, alert)
	case open >= 0:
		c.Claim, c.Why = claimMissed, fmt.Sprintf("not done in the %s pass", c.Pass)
	case look == rules.LookDoubtful:
		c.Claim, c.Why = claimDoubtful, "nearer to a limit than the tool's uncertainty"
	case look != rules.LookWitnessed:
		c.Claim, c.Why = claimDoubtful, "the evidence is not enough: the closing round is not done"
	case c.P != nil && *c.P < likelier:
		c.Claim, c.Why = claimDoubtful, j.whyLeftOut(c)
	case j.clouded(c.Step) != "":
		c.Claim, c.Why = claimDoubtful, fmt.Sprintf("alert %s is open: which pull was at which fastener, nobody can say", j.clouded(c.Step))
	default:
		c.Claim = claimWitnessed
	}
}

// whyLeftOut tells why a fastener that every count calls tight is more likely left
// out: the question that is open, or the pull that may have made nothing tight, or
// its own, which was rather another's.
func (j *judging) whyLeftOut(c *judgedFastener) string {
	const what = "more likely left out than tight"
	for i := range j.out.Questions {
		if q := &j.out.Questions[i]; q.Open && q.Step == c.Step {
			return fmt.Sprintf("%s: question %s about pull %d is open", what, q.Question, q.Pull)
		}
	}
	worst, most, kind := -1, 0.0, judgedExplanation{}
	for i := range j.out.Pulls {
		p := &j.out.Pulls[i]
		if p.Step != c.Step || p.Pass != c.Pass || p.Became != becameCounted {
			continue
		}
		for _, e := range p.Explanations {
			tight := madeItTight(e.Kind)
			if tight && (e.Fastener == p.Fastener || p.Fastener != c.Fastener) || e.P <= most {
				continue
			}
			worst, most, kind = i, e.P, e
		}
	}
	if worst < 0 {
		return what + ": by the times, torques and rotations of all pulls of the pass together"
	}
	p := &j.out.Pulls[worst]
	return fmt.Sprintf("%s: pull %d, %s, counted for %s, may have been %s (%.2f)", what, p.Pull, p.Value, p.Fastener, kind.said(), kind.P)
}

// madeItTight reports whether a pull so explained tightened its fastener.
func madeItTight(kind string) bool {
	switch events.ExplanationKind(kind) {
	case events.ExplainedNext, events.ExplainedOther, events.ExplainedSwing, events.ExplainedRetighten:
		return true
	}
	return false
}

// said is an explanation in words.
func (e *judgedExplanation) said() string {
	switch events.ExplanationKind(e.Kind) {
	case events.ExplainedRepeat:
		return "once more on " + e.Fastener
	case events.ExplainedNowhere:
		return "on no fastener"
	case events.ExplainedElsewhere:
		return "on another step"
	case events.ExplainedSameCycle:
		return "the same cycle sent twice"
	}
	return "on " + e.Fastener
}

// clouded names the open alert that puts all pulls of a step in doubt: one that
// may be one cycle sent over and over, or far too many. "" if there is none.
func (j *judging) clouded(step string) string {
	for i := range j.out.Alerts {
		a := &j.out.Alerts[i]
		if a.Open && a.Blocks && a.Step == step && (a.Kind == string(events.AlertSameCycle) || a.Kind == string(events.AlertExtraPull)) {
			return a.Alert
		}
	}
	return ""
}

func lostWhy(n int) string {
	return fmt.Sprintf("its pull may be among the %d that the tool's counter says were lost: check it", n)
}

// sayNamed claims for a fastener of which an open alert says that it was
// missed, alone or as one of several: the likeliest is missed, and so is one
// that the alert names without a probability; the others are in doubt.
func (j *judging) sayNamed(c *judgedFastener, a *judgedAlert) {
	at := slices.IndexFunc(a.Candidates, func(w judgedWeight) bool { return w.Fastener == c.Fastener })
	c.Claim, c.Why = claimMissed, "alert "+a.Alert
	if at > 0 && a.Candidates[at].P < likelier {
		c.Claim, c.Why = claimDoubtful, fmt.Sprintf("one of those that alert %s may be about", a.Alert)
	}
}

// suspected returns the open alert that says of a fastener that it was, or may
// have been, missed; nil if none does.
func (j *judging) suspected(step, fastener string) *judgedAlert {
	for i := range j.out.Alerts {
		a := &j.out.Alerts[i]
		if !a.Open || a.Step != step || a.Kind != string(events.AlertMissed) {
			continue
		}
		if slices.Contains(a.Fasteners, fastener) || slices.ContainsFunc(a.Candidates, func(w judgedWeight) bool {
			return w.Fastener == fastener && w.P >= unlikely
		}) {
			return a
		}
	}
	return nil
}
