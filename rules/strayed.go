package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
)

// Now and then a pull is made at the joint that comes next while another one is in
// hand, and then that one is finished. If the pull is low there it fills no place,
// nothing is left open in the end, and the count says nothing; somebody is told all
// the same, for a fastener that was pulled before its turn may be the only one that
// pulls its joint askew.

// strayedAtOnce is how sure it must be, when a pull comes, that it was at the next
// joint, before that is said; once the next pull has come it is known whether that
// one went on with it, and strayedEnough will do: the alert blocks nothing. laterAfter
// is how many pulls of the next joint tell what pulls there are like. Our choice.
const (
	strayedAtOnce = 0.95
	strayedEnough = 0.6
	laterAfter    = 3
)

// strayed says which pulls of stretch a, before reading upto, were made at the next
// joint, whose first pass is b, most likely.
func (t *tx) strayed(a, b stretch, upto uint64) {
	j := t.job
	if j.closing(a) || j.Steps[a.step].Weigh[a.pass].last() == nil {
		return
	}
	f := j.filterOf(a.step, a.pass)
	pulls := j.Steps[a.step].Weigh[a.pass].pulls()
	if f.Overrun() || len(pulls) != f.Pulls() {
		return
	}
	target := j.Proc.Steps[b.step].Joint.Passes[b.pass].Target.Base()
	before := j.leftBefore(a)
	var of *peculiar
	var la laws
	for k, e := range pulls {
		if e.Pull.Reading >= upto {
			break
		}
		if math.Abs(math.Log(e.Pull.Torque.Base()/target)) > strayedNear || e.Pull.Placed != "" || slices.Contains(j.Strayed, e.Pull.Reading) {
			continue
		}
		swings := j.swingsBefore(a, pulls, k)
		p := 0.0
		for _, x := range f.Explain(k) {
			if x.Kind == events.ExplainedElsewhere {
				p += x.P
			}
		}
		if p < strayedLeast && swings == 0 {
			continue
		}
		if of == nil {
			of, la = j.peculiarTo(b), j.lawsOnFoot(a, pulls)
		}
		odds := p / max(1-p, 1e-9) * math.Exp(of.says(e))
		if swings > 0 {
			odds = max(odds, j.swingsOdds(a, b, &la, of, pulls, k, swings))
		}
		if e.Pull.Torque.Base() < before {
			odds *= turnsNothing
		}
		odds *= j.walked(&la, pulls, k-swings, k)
		enough := strayedEnough
		if k == len(pulls)-1 {
			enough = strayedAtOnce
		}
		if p = odds / (1 + odds); p >= enough {
			t.sayStrayed(a, b, e, p)
		}
	}
}

// turnsNothing is how much less likely an unfinished pull ends below what the pass
// before has left: nothing turns up to there. Assumed.
const turnsNothing = 10

// strayedNear is how far a pull may be from what the next joint aims at, as a
// logarithm, and strayedLeast the probability from which it is looked at. Our choice.
const (
	strayedNear  = 0.25
	strayedLeast = 0.1
)

// nextJoint returns the first pass of the joint that comes after a step.
func (j *Job) nextJoint(step int) (b stretch, ok bool) {
	for i := step + 1; i < len(j.Steps); i++ {
		if j.Proc.Steps[i].Joint != nil {
			return stretch{i, 0}, true
		}
	}
	return stretch{}, false
}

// peculiar is what is known of the pulls of a joint beyond what rules/match takes for
// granted of a pull at it.
type peculiar struct {
	target     float64
	peak, turn *law
}

// Of a pull at another joint rules/match knows the peak that is aimed at, roughly,
// and nothing of its rotation.
var anyLater = law{0.01, 0.03}

func (j *Job) peculiarTo(b stretch) *peculiar {
	p := &j.Proc.Steps[b.step].Joint.Passes[b.pass]
	o := &peculiar{target: p.Target.Base()}
	marks := j.marked(b.step, b.pass)
	if len(marks) >= laterAfter {
		var peaks []float64
		for _, m := range marks {
			peaks = append(peaks, math.Log(m.Judged.Value.Base()/o.target))
		}
		l := stretchLaw(peaks, anyLater.sd)
		o.peak = &l
	}
	if turns := j.turns(b.step, b.pass, 0); len(turns) >= laterAfter {
		l := stretchLaw(turns, turnSpread)
		o.turn = &l
	} else if k := j.Steps[b.step].Weigh[b.pass].Known.FreshAngle; k.N >= leastPulls {
		o.turn = &law{k.Mean, math.Sqrt(k.Whole() + jobToJob*jobToJob)}
	}
	return o
}

// says is by how much what a pull tells speaks more for the joint than rules/match
// took it for.
func (o *peculiar) says(e *Evidence) (score float64) {
	if o.peak != nil {
		x := math.Log(e.Pull.Torque.Base() / o.target)
		score += math.Log(o.peak.density(x, anyPeak)) - math.Log(anyLater.density(x, anyPeak))
	}
	if deg, ok := e.turn(); ok && o.turn != nil {
		score += math.Log(o.turn.density(math.Log(deg+turnFloor), anyTurn)) - math.Log(anyTurn)
	}
	return score
}

// sayStrayed says that a pull was made at the next joint, before its turn.
func (t *tx) sayStrayed(a, b stretch, e *Evidence, p float64) {
	j := t.job
	unit := j.Proc.Steps[a.step].Joint.Passes[a.pass].Unit
	m := j.marked(a.step, a.pass).of(e.Pull.Reading)
	text := fmt.Sprintf("%s: the pull to %s that came in the middle of %s was made here, before its turn (%s).",
		j.title(b.step), show(e.Pull.Torque, unit), j.title(a.step), percent(p))
	todo := fmt.Sprintf("Finish %s. Then do %s from its first fastener on, all of them: one of them may be tight already.", j.title(a.step), j.title(b.step))
	if m != nil {
		text += fmt.Sprintf(" Its value would do there too, and the count has taken it for fastener %s.", m.Judged.Fastener)
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertOutOfOrder, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[b.step].ID, Pass: b.pass, Reading: e.Pull.Reading, P: rounded(p),
		Text: text, Todo: todo,
	})
}

// tellsOfOrder reports whether an alert only says that a pull was made before its
// turn: nothing is to be undone, and it goes once that joint is done.
func tellsOfOrder(a *events.AlertRaised) bool {
	return a.Kind == events.AlertOutOfOrder && !a.Blocks
}

// lookForStrayed looks for such pulls when one has come at a place: in its own pass,
// and, once it is known what pulls at its joint are like, in the joint before. Where
// the next joint has been begun, that has been told.
func (t *tx) lookForStrayed(w *slot) {
	j := t.job
	if w.joint == nil || !j.Weighed {
		return
	}
	if b, ok := j.nextJoint(w.step); ok && !j.Steps[b.step].begun() {
		t.strayed(stretch{w.step, w.pass}, b, math.MaxUint64)
	}
	if n := len(j.marked(w.step, w.pass)); w.pass > 0 || n < laterAfter || n > lookBackAt {
		return
	}
	begins := j.Steps[w.step].Weigh[0].pulls()
	if len(begins) == 0 {
		return
	}
	for i := w.step - 1; i >= 0; i-- {
		if j.Proc.Steps[i].Joint == nil {
			continue
		}
		for pass := range j.Steps[i].Weigh {
			t.strayed(stretch{i, pass}, stretch{w.step, 0}, begins[0].Pull.Reading)
		}
		return
	}
}
