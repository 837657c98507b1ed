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
		if open < 0 && !jt.Passes[p].Closing && !(mark.Reading != 0 && (mark.Verdict == events.Within || mark.Verdict == events.Doubtful)) {
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
	j.weightOf(&c, f, i)
	if pass >= 0 {
		c.Pass, c.TargetNm = j.passName(step.ID, pass), baseOf(step.Joint.Passes[pass].Target)
	}
	j.say(&c, f, m, open, i, k, undone)
	return c
}

// weightOf takes over the last weight of the step's latest weighed pass.
func (j *judging) weightOf(c *judgedFastener, f *rules.FastenerState, i int) {
	if p := probability(f.P); p != nil {
		c.P = p
	}
	best := -1
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
	alert := j.named(c.Step, c.Fastener, events.AlertMissed)
	switch {
	case f.Held && m != nil && m.Verdict == events.Doubtful:
		c.Claim, c.Why = claimDoubtful, "held: its pull is not to be trusted"
	case look == rules.LookHigh:
		c.Claim, c.Why = claimHigh, "above the limits, or turned too far"
	case look == rules.LookLow:
		c.Claim, c.Why = claimLow, "its last pull is below the limits"
	case alert != nil:
		j.sayNamed(c, alert, open, undone)
	case open >= 0 && j.lost[c.Step] >= undone:
		c.Claim, c.Why = claimDoubtful, lostWhy(j.lost[c.Step])
	case open >= 0:
		c.Claim, c.Why = claimMissed, fmt.Sprintf("not done in the %s pass", c.Pass)
	case look == rules.LookDoubtful:
		c.Claim, c.Why = claimDoubtful, "nearer to a limit than the tool's uncertainty"
	case look != rules.LookWitnessed:
		c.Claim, c.Why = claimDoubtful, "the evidence is not enough: the closing round is not done"
	case c.P != nil && *c.P < likelier:
		c.Claim, c.Why = claimDoubtful, "more likely left out than tight"
	default:
		c.Claim = claimWitnessed
	}
}

func lostWhy(n int) string {
	return fmt.Sprintf("its pull may be among the %d that the tool's counter says were lost: check it", n)
}

// sayNamed claims for a fastener that an open alert says was missed, alone or
// as one of several.
func (j *judging) sayNamed(c *judgedFastener, a *judgedAlert, open, undone int) {
	if open >= 0 && j.lost[c.Step] >= undone {
		c.Claim, c.Why = claimDoubtful, lostWhy(j.lost[c.Step])
		return
	}
	c.Claim, c.Why = claimMissed, "alert "+a.Alert
	for _, w := range a.Candidates {
		if w.Fastener == c.Fastener && w.P < likelier && open < 0 && len(a.Fasteners) > 1 {
			c.Claim, c.Why = claimDoubtful, fmt.Sprintf("one of those that alert %s names", a.Alert)
		}
	}
}
