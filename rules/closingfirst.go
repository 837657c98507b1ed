package rules

import (
	"math"

	"witnessmark/rules/match"
)

// How soon, as a share of the final pass's usual wait, a second pull of habit comes, and
// how much that spreads; as rules/match assumes. And the least share of the round's own
// usual wait in which anybody is at another fastener. Our choice.
const (
	onceShare  = 0.35
	onceSpread = 0.5
	firstLeast = 0.25
)

// firstOfRound asks of a closing round that is short by the count whether the pulls right
// before it, which were set aside since they came so soon after the final pass, were its
// first ones: then a hand was quick, and nobody was left out. A second pull and one left
// out are two faults. It moves them if that is likelier by far, and reports so.
func (t *tx) firstOfRound(step int, short int) bool {
	j := t.job
	jt := j.Proc.Steps[step].Joint
	a, b := stretch{step, finalPass(jt)}, stretch{step, len(jt.Passes) - 1}
	if !j.Weighed || short == 0 || short > mostMoved || !j.closing(b) || j.closing(a) || !j.plain(step) || j.ownOpen(a) > 0 || j.ownOpen(b) != short || t.wantsOneMore(j.Proc.Steps[step].ID) {
		return false
	}
	round := j.Steps[step].Weigh[b.pass].pulls()
	pulls := j.Steps[step].Weigh[a.pass].pulls()
	idle := j.filterOf(step, a.pass).Idle()
	if len(round) < roundOthers || len(pulls) <= short || len(idle) != len(pulls) {
		return false
	}
	w := j.fastenerSlot(step, b.pass, jt.Passes[b.pass].Order[0])
	lb := j.lawsOf(b, nil)
	usual, least := usualWait(pulls), math.Log(firstLeast*usualWait(round)/1e6)
	last := make([]sight, 0, short)
	score, all := 0.0, len(round)
	for k := len(pulls) - short; k < len(pulls); k++ {
		e := pulls[k]
		s := j.sightOf(e, pulls[k-1])
		if e.Pull.Placed != "" || e.Pull.Reading > round[0].Pull.Reading || j.aside(e.Pull.Reading) == nil || !w.holds(e.Pull.Torque) || idle[k] < backMost || !(s.wait >= least) || usual < paceLeast {
			return false
		}
		inside, _ := lb.waits(&s, false)
		score += inside - match.HeavyLog(s.wait, math.Log(onceShare*usual/1e6), onceSpread)
		last = append(last, s)
	}
	others := -short // pulled twice in the joint, these apart
	for p := range j.Steps[step].Weigh {
		for _, e := range j.Steps[step].Weigh[p].pulls() {
			if all++; j.aside(e.Pull.Reading) != nil {
				others++
			}
		}
	}
	habit := min((float64(others)+habitAs*habitSeen)/(float64(all)+habitSeen), 1)
	if math.Exp(min(score, 500)) < wentOnSure/(1-wentOnSure)*leftPrior(short)*math.Pow(habit, float64(short)) {
		return false
	}
	t.moveOn(a, b, last)
	t.why = "the closing round began sooner than was thought"
	return true
}
