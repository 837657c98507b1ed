package rules

import (
	"slices"

	"witnessmark/events"
	"witnessmark/rules/match"
)

// Weighed is what a state has made of the evidence on one pass: it follows from
// the evidence alone, so another state that folds the same decisions need not
// make it again.
type Weighed struct {
	job        string
	step, pass int
	filter     *match.Filter
	taken      int
}

// WeighedBy returns what s holds ready of the passes that d's pulls were
// weighed in. s has just folded d. The result may go to another goroutine.
func (s *State) WeighedBy(d events.Decided) []Weighed {
	var out []Weighed
	for _, o := range d.Outcomes {
		p, ok := o.Data.(events.PullWeighed)
		if !ok {
			continue
		}
		w, i := s.weighOf(p.Job, p.Step, p.Pass)
		if w == nil || w.filter == nil || w.taken != len(w.Log) {
			continue
		}
		if !slices.ContainsFunc(out, func(x Weighed) bool { return x.job == p.Job && x.step == i && x.pass == p.Pass }) {
			out = append(out, Weighed{p.Job, i, p.Pass, w.filter.Share(), w.taken})
		}
	}
	return out
}

// Adopt takes over what another state has made of the decision that s has just
// folded. It changes nothing that shows.
func (s *State) Adopt(ws []Weighed) {
	for _, x := range ws {
		j := s.Jobs[x.job]
		if j == nil || x.step >= len(j.Steps) || x.pass >= len(j.Steps[x.step].Weigh) {
			continue
		}
		if w := j.Steps[x.step].Weigh[x.pass]; len(w.Log) == x.taken {
			w.filter, w.taken = x.filter, x.taken
		}
	}
}

// weighOf returns the evidence on a pass of an open job and the index of its
// step; nil if there is none.
func (s *State) weighOf(job, step string, pass int) (w *PassWeigh, i int) {
	j := s.Jobs[job]
	if j == nil {
		return nil, -1
	}
	p, i := j.Proc.Step(step)
	if p == nil || pass < 0 || pass >= len(j.Steps[i].Weigh) {
		return nil, -1
	}
	return j.Steps[i].Weigh[pass], i
}
