package rules

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/rules/match"
)

// lowFirst asks of a later pass of a joint that is n short by the count whether
// its first pulls were low ones that the pass before took for one more of its
// own. That is one fault; a fastener pulled twice and another one left out are
// two. The rotation says little: up to the torque of the pass before, either
// turns next to nothing. They become the pass's first ones, and are told of.
func (t *tx) lowFirst(b stretch, n int) bool {
	j := t.job
	jt := j.Proc.Steps[b.step].Joint
	a := stretch{b.step, b.pass - 1}
	if !j.Weighed || b.pass == 0 || jt.Passes[b.pass].Closing || !j.plain(b.step) || j.ownOpen(a) > 0 || len(j.Steps[b.step].Weigh[b.pass].pulls()) == 0 {
		return false
	}
	begins := &j.Steps[b.step].Weigh[b.pass].pulls()[0].Pull
	first := begins.Reading
	p := &jt.Passes[b.pass]
	pulls := j.Steps[a.step].Weigh[a.pass].pulls()
	if k := len(pulls) - 1; k >= 0 && j.Steps[b.step].Weigh[b.pass].gripped(p.LSL) && begins.Torque.Base() >= float64(tops*pulls[k].Pull.Torque.Base()) {
		return false // a swing of the first one
	}
	others := 0 // pulled twice in the joint, these apart
	for i := range j.Steps[b.step].Weigh {
		for _, e := range j.Steps[b.step].Weigh[i].pulls() {
			if j.aside(e.Pull.Reading) != nil {
				others++
			}
		}
	}
	var last []sight
	score := 0.0
	la := j.lawsOf(a, nil)
	var idle []float64
	if f := j.filterOf(a.step, a.pass); !f.Overrun() && f.Pulls() == len(pulls) {
		idle = f.Idle()
	}
	for k := len(pulls) - 1; k >= 0 && len(last) < n; k-- {
		e := pulls[k]
		if x := e.Pull.Torque.Base(); e.Pull.Reading > first || e.Pull.Placed != "" || j.aside(e.Pull.Reading) == nil || x >= p.LSL.Base() || x < float64(leastSwing*p.Target.Base()) {
			break
		}
		if idle != nil && e.turned() && idle[k] < turnedThere {
			break // it turned as a first one of that pass does: another there was pulled twice
		}
		s := j.sightOf(e, nil)
		score += math.Log(anyPeak) - math.Log((1-oddShare)*math.Exp(match.HeavyLog(math.Log(s.nm), la.peak.mean, la.peak.sd))+oddShare*anyPeak)
		last = append([]sight{s}, last...)
	}
	if len(last) < n {
		return false
	}
	all := 0
	for i := range j.Steps[b.step].Weigh {
		all += len(j.Steps[b.step].Weigh[i].pulls())
	}
	// As many more of the habit as the joint's other pulls show, and as many left out.
	habit := (float64(others-n) + habitAs*habitSeen) / (float64(all) + habitSeen)
	if math.Exp(min(score, 500)) < math.Pow(min(habit, 1), float64(n)) {
		return false
	}
	order := jt.Passes[b.pass].Order
	end := jt.Fasteners[order[len(order)-1]].ID
	t.moveOn(a, b, last)
	w := j.fastenerSlot(b.step, b.pass, order[0])
	_, low := j.leftIn(&w)
	if low = t.unnamed(low, j.Proc.Steps[b.step].ID, events.AlertLow, events.AlertUnitSlip); len(low) == 0 {
		return true
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertLow, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[b.step].ID, Pass: b.pass, Fasteners: low, Blocks: true,
		Text: fmt.Sprintf("%s: the pull of %s was low (%s pass): it reached no more than the pass before wants, and the pass is one pull short.", j.title(b.step), list(low), passName(jt, b.pass)),
		Todo: fmt.Sprintf("Stop. Pull %s again. If you pulled one of the pass before twice, it is the last one that was left out: pull %s too.", list(low), end),
	})
	return true
}

// turnedThere is the chance that a pull made nothing tight in the pass before, by its
// rotation, below which it is that pass's: a fastener that is that tight already turns
// next to nothing up to the same torque. Our choice.
const turnedThere = 0.1

// The chance that a fastener is pulled twice, and in how many pulls it is taken to
// have been seen. As rules/match assumes.
const (
	habitAs   = 0.01
	habitSeen = 10.0
)
