package rules

import (
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/learn"
	"witnessmark/rules/match"
	"witnessmark/rules/procedure"
)

// LearnKey names what is learned about a pass of a joint. It is made of the
// procedure's id and all that makes the joint turn as it does, not of the
// revision: a revision that leaves the joint alone goes on with what is known,
// one that changes thread, strength, lubrication, material, torque or lot
// begins anew. "" if the step has no such pass.
func LearnKey(p *procedure.Procedure, step string, pass int) string {
	s, _ := p.Step(step)
	if s == nil || s.Joint == nil || pass < 0 || pass >= len(s.Joint.Passes) {
		return ""
	}
	j := s.Joint
	from := "0"
	if pass > 0 {
		from = fmt.Sprintf("%.4g", j.Passes[pass-1].Target.Base())
	}
	return strings.Join([]string{
		p.ID, step, fmt.Sprint(len(j.Fasteners)), j.Thread, j.Strength, j.Lubrication, j.Into, j.Lot,
		from, fmt.Sprintf("%.4g", j.Passes[pass].Target.Base()),
	}, "|")
}

// learnStep is the beginning of the keys of all passes of a step.
func learnStep(procedure, step string) string { return procedure + "|" + step + "|" }

// forgetAsked lets a lead or metrology forget what was learned about a joint,
// e.g. because the bolts come from another lot.
func (t *tx) forgetAsked(r *request, d events.LearningForgetAsked) {
	if t.s.index.people[r.By].Role != events.RoleMetrology && !t.mayDecide(r, "forget what was learned about a joint") || !t.reasoned(r, d.Reason) {
		return
	}
	p := t.s.Procedures[ProcKey(d.Procedure, t.s.Newest[d.Procedure])]
	if p == nil {
		t.refuse(r, "unknown_procedure", fmt.Sprintf("no procedure %q has been released", d.Procedure), "Look for its id among the procedures.")
		return
	}
	if s, _ := p.Step(d.Step); s == nil || s.Joint == nil {
		t.refuse(r, "unknown_step", fmt.Sprintf("procedure %q has no torque step %q", d.Procedure, d.Step), "Look for the step's id in the procedure.")
		return
	}
	t.add(events.LearningForgotten{Procedure: d.Procedure, Step: d.Step, By: r.By, Reason: d.Reason, AtUs: t.at})
}

// teach gives a job that has just been opened what is known of its joints, as
// it stands now: what is learned later does not change a job under way. Passes
// in which nobody aims go by themselves.
func (s *State) teach(j *Job) {
	for _, loose := range []bool{false, true} {
		var at []stretch
		var joints []*learn.Joint
		var passes []match.Turns
		for i := range j.Steps {
			for pass := range j.Steps[i].Weigh {
				if j.Proc.Steps[i].Joint.Passes[pass].Loose == loose {
					at = append(at, stretch{i, pass})
					joints = append(joints, s.Learned.Joint(LearnKey(j.Proc, j.Proc.Steps[i].ID, pass)))
					passes = append(passes, j.turnsOf(i, pass))
				}
			}
		}
		for n, k := range learn.Together(joints, passes) {
			if k != nil {
				j.Steps[at[n].step].Weigh[at[n].pass].Known = *k
			}
		}
	}
}

// turnsOf is which joint a pass is of, and the torques that it and the pass before it want.
func (j *Job) turnsOf(step, pass int) match.Turns {
	ps := j.Proc.Steps[step].Joint.Passes
	t := match.Turns{Joint: step, Target: ps[pass].Target.Base()}
	if pass > 0 {
		t.Before = ps[pass-1].Target.Base()
	}
	return t
}

// learn takes what the pulls of a released job taught.
func (s *State) learn(j *Job) {
	if j == nil || !j.Weighed {
		return
	}
	var pulls []events.PullWeighed
	doubts := map[string]float64{}
	for i := range j.Steps {
		for pass := range j.Steps[i].Weigh {
			if len(j.Steps[i].Weigh[pass].Log) == 0 || j.Proc.Steps[i].Joint.Passes[pass].Closing {
				continue
			}
			f := j.filterOf(i, pass)
			if odds, ok := f.Doubt(); ok {
				doubts[LearnKey(j.Proc, j.Proc.Steps[i].ID, pass)] = odds
			}
			// Where the number of pulls agrees and nobody was found to be left out,
			// each was a first one, also one that turned oddly little.
			all := j.tightenings(i, pass)
			agrees := f.Pulls() == len(j.Proc.Steps[i].Joint.Passes[pass].Order)
			for k, e := range j.Steps[i].Weigh[pass].pulls() {
				o := e.Pull
				if x := &all[k]; !x.last || x.from < k {
					pulls = append(pulls, asPart(o, x))
					continue
				}
				if o.Explanations = kinds(f.Explain(k)); agrees && o.Explanations[0].Kind == events.ExplainedRepeat {
					o.Explanations = []events.Explanation{{Kind: events.ExplainedNext, P: 1}}
				}
				pulls = append(pulls, o)
			}
		}
	}
	s.rates(j, pulls)
	s.Learned.Released(pulls, func(o *events.PullWeighed) string { return LearnKey(j.Proc, o.Step, o.Pass) })
	s.Learned.Doubts(doubts)
}

// kinds adds up explanations over the fasteners: what teaches is whether a
// pull was a first one or a repeat, not at which place.
func kinds(list []match.Explanation) []events.Explanation {
	fresh := events.Explanation{Kind: events.ExplainedNext}
	repeat := events.Explanation{Kind: events.ExplainedRepeat}
	for _, e := range list {
		switch e.Kind {
		case events.ExplainedNext, events.ExplainedOther:
			fresh.P += e.P
		case events.ExplainedRepeat:
			repeat.P += e.P
		}
	}
	if fresh.P >= repeat.P {
		return []events.Explanation{fresh}
	}
	return []events.Explanation{repeat}
}

// asPart is what a pull teaches that is one of several of a tightening: as the last
// one how far all of them turned, else that there are such.
func asPart(o events.PullWeighed, x *tightened) events.PullWeighed {
	o.Explanations = []events.Explanation{{Kind: events.ExplainedSwing, P: 1}}
	o.Trace, o.DurationUs, o.Angle = nil, 0, quantity.Value{}
	if x.last {
		o.Explanations[0].Kind, o.Late = events.ExplainedNext, true // the time before it is no walk
		if x.ok {
			o.Angle = quantity.Degrees(x.deg).Value()
		}
	}
	return o
}
