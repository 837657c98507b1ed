package rules

import (
	"math"
	"slices"

	"witnessmark/rules/match"
)

// Where a tool sends each swing as a reading of its own, a fastener that was pulled at
// the next joint before its turn comes as several low pulls in a row. rules/match
// weighs them one by one, and one by one each is an unfinished pull of the joint in
// hand; the four of them together, the last of which ended where the next joint is
// pulled to, with a walk behind it, are not.

// Chances of swings: that a tightening begins with one, as
// if seen in so many; that another follows; and that a pull was at another joint, as
// rules/match takes it. All assumed.
const (
	swingAs     = 0.02
	swingSeen   = 10.0
	swingMore   = 0.29
	swingLater  = 0.1 // at a joint of which nothing was seen yet
	elsewhereAs = 0.002
	gripSpread  = 0.5
	restsAmid   = 0.05 // of the waits after a swing: somebody pauses, or takes another grip
)

// swingsBefore counts the swings of one tightening that ended with pull k, which is low
// for a stretch: each was topped by the next.
func (j *Job) swingsBefore(a stretch, pulls []*Evidence, k int) (n int) {
	p := &j.Proc.Steps[a.step].Joint.Passes[a.pass]
	if k+1 >= len(pulls) || !pulls[k].below(p) || pulls[k+1].below(p) {
		return 0
	}
	for i := k; i > 0; i-- {
		if e := pulls[i-1]; !e.below(p) || e.Pull.Placed != "" || pulls[i].Pull.Torque.Base() < float64(tops*e.Pull.Torque.Base()) {
			break
		}
		n++
	}
	return n
}

// swingsOdds are the odds that pull k of stretch a ended a fastener of b that took so
// many swings, rather than being the last swing of one of a that pull k+1 ended.
func (j *Job) swingsOdds(a, b stretch, la *laws, of *peculiar, pulls []*Evidence, k, swings int) float64 {
	others := make([]*Evidence, 0, len(pulls))
	others = append(append(others, pulls[:k-swings]...), pulls[k+1:]...)
	began, whole := j.swung(a, others)
	here := (swingSeen*swingAs + began) / (swingSeen + whole)
	began, whole = j.swung(b, j.Steps[b.step].Weigh[b.pass].pulls())
	there := (swingLater + began) / (1 + whole)

	peak := anyLater
	if of.peak != nil {
		peak = *of.peak
	}
	score := math.Log(peak.density(math.Log(pulls[k].Pull.Torque.Base()/of.target), anyPeak)) - math.Log(anyPeak)
	if s := j.sightOf(pulls[k+1], pulls[k]); s.wait == s.wait {
		grip, n := 0.0, 0.0
		for i := k - swings + 1; i <= k; i++ {
			if x := j.sightOf(pulls[i], pulls[i-1]); x.wait == x.wait {
				grip, n = grip+x.wait, n+1
			}
		}
		if n > 0 {
			walk, _ := la.waits(&s, true)
			rest := math.Exp(match.HeavyLog(s.wait, math.Log(40), 1.2))
			score += walk - math.Log((1-restsAmid)*math.Exp(match.HeavyLog(s.wait, grip/n, gripSpread))+restsAmid*rest)
		}
	}
	// By itself the next pull turned as a first one does, or all of them together did.
	if own, ok := pulls[k+1].turn(); ok {
		sum := own
		for _, e := range pulls[k-swings : k+1] {
			deg, told := e.turn()
			sum, ok = sum+deg, ok && told
		}
		if ok {
			score += math.Log(la.turn.density(math.Log(own+turnFloor), anyTurn)) - math.Log(la.turn.density(math.Log(sum+turnFloor), anyTurn))
		}
	}
	return elsewhereAs * there / (here * swingMore) * math.Exp(min(score, 500))
}

// swung counts the tightenings of a stretch that began with a swing which the next pull
// topped, and all of them.
func (j *Job) swung(s stretch, pulls []*Evidence) (began, whole float64) {
	p := &j.Proc.Steps[s.step].Joint.Passes[s.pass]
	for k, e := range pulls {
		if e.below(p) {
			continue
		}
		whole++
		if k > 0 && pulls[k-1].below(p) && e.Pull.Torque.Base() >= float64(tops*pulls[k-1].Pull.Torque.Base()) {
			began++
		}
	}
	return began, whole
}

// besides is the chance that two joints lie beside each other, so that it is no
// further to a fastener of the one than of the other. Assumed.
const besides = 0.75

// walked is by how much the walks to a pull of a stretch, or the first swing before
// it, and back from it speak for its having been at another joint.
func (j *Job) walked(la *laws, pulls []*Evidence, first, k int) float64 {
	odds := 1.0
	for _, i := range []int{first, k + 1} {
		if i == 0 || i >= len(pulls) {
			continue
		}
		s := j.sightOf(pulls[i], pulls[i-1])
		inside, across := la.waits(&s, true)
		odds *= besides + (1-besides)*math.Exp(across-inside)
	}
	return odds
}

// lawsOnFoot are those of a stretch whose usual wait is that from one fastener to the
// next: none behind a low pull, which may have been gone on with where it was.
func (j *Job) lawsOnFoot(a stretch, pulls []*Evidence) laws {
	la, p := j.lawsOf(a, nil), &j.Proc.Steps[a.step].Joint.Passes[a.pass]
	var waits []float64
	for k := 1; k < len(pulls); k++ {
		if s := j.sightOf(pulls[k], pulls[k-1]); s.wait == s.wait && !pulls[k-1].below(p) {
			waits = append(waits, s.wait)
		}
	}
	if len(waits) > 0 {
		slices.Sort(waits)
		la.usual = waits[len(waits)/2]
	}
	return la
}
