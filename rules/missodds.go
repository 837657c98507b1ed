package rules

import (
	"witnessmark/rules/match"
	"witnessmark/rules/procedure"
)

// Missed says how sure it is, by the evidence on the final pass of a torque
// step, that a fastener was left out, if work goes on. Not ok for a step
// without a joint, or one of which no pull was weighed.
func (j *Job) Missed(step string) (m match.Miss, ok bool) {
	p, i := j.Proc.Step(step)
	if p == nil || p.Joint == nil || !j.Weighed {
		return m, false
	}
	pass := finalPass(p.Joint)
	if len(j.Steps[i].Weigh[pass].Log) == 0 {
		return m, false
	}
	return j.filterOf(i, pass).Missed(), true
}

// finalPass returns the last pass of a joint, the closing round apart.
func finalPass(jt *procedure.Joint) int {
	pass := len(jt.Passes) - 1
	for pass > 0 && jt.Passes[pass].Closing {
		pass--
	}
	return pass
}
