package rules

import (
	"slices"

	"witnessmark/events"
)

// backMost is the greatest chance, with all pulls seen, that a pull made
// nothing tight, at which it may still fill a hole: odds of two to one. Our
// choice, as match.Params.Odds.
const backMost = 2.0 / 3

// takeBack counts pulls of a joint's final pass that were set aside, where that
// makes the pass complete and the evidence, all pulls taken together, is not
// such that a fastener should be said to be missed: the number of pulls agrees
// then, and one of them merely looked like a repeat when it came. It reports
// whether it did. Who was left out is said by one measure alone, the odds of
// the filter: not by a count that itself hangs on doubtful evidence.
func (t *tx) takeBack(i int) bool {
	j := t.job
	jt := j.Proc.Steps[i].Joint
	if !j.Weighed || jt == nil {
		return false
	}
	pass := finalPass(jt)
	open, ok := j.openIn(i, pass)
	if !ok || len(open) == 0 || len(j.Steps[i].Weigh[pass].Log) == 0 {
		return false
	}
	f := j.filterOf(i, pass)
	pulls := j.Steps[i].Weigh[pass].pulls()
	if f.Overrun() || len(pulls) != f.Pulls() || f.Missed().Say {
		return false
	}
	w := j.fastenerSlot(i, pass, open[0])
	idle := f.Idle()
	var list []int // pulls set aside, surest first
	for k, e := range pulls {
		if a := j.aside(e.Pull.Reading); a != nil && w.holds(e.Pull.Torque) && a.Kind != events.ExplainedSameCycle {
			list = append(list, k)
		}
	}
	if len(list) < len(open) {
		return false
	}
	slices.SortStableFunc(list, func(a, b int) int {
		switch {
		case idle[a] < idle[b]:
			return -1
		case idle[a] > idle[b]:
			return 1
		}
		return 0
	})
	list = list[:len(open)]
	if idle[list[len(list)-1]] > backMost {
		return false // with all pulls seen it made nothing tight, rather than not
	}
	slices.Sort(list)
	for n, k := range list {
		at := j.fastenerSlot(i, pass, open[n])
		o := t.judgedAside(&at, j.aside(pulls[k].Pull.Reading), open[n])
		if o.P, o.Grade = j.sureness(&at, !o.Angle.IsZero()); o.Grade == "" {
			o.Grade = events.Counted
		}
		t.add(o)
	}
	t.why = "the number of pulls agrees"
	t.weighWitnesses(i, pass)
	return true
}

// openIn returns the fasteners of a pass that no pull counts for, in order; not
// ok where one of them is held, or was left low, or is to be done anew.
func (j *Job) openIn(i, pass int) (open []int, ok bool) {
	for _, k := range j.Proc.Steps[i].Joint.Passes[pass].Order {
		f := &j.Steps[i].Fasteners[k]
		switch {
		case f.Held || f.Redo:
			return nil, false
		case f.doneIn(pass):
		case f.Marks[pass].Reading != 0:
			return nil, false
		default:
			open = append(open, k)
		}
	}
	return open, true
}
