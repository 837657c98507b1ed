package rules

import (
	"fmt"

	"witnessmark/events"
)

// turnReported takes a technician's word that a fastener turned in the closing
// round, in which none may turn. A wrench that tells torque alone cannot show
// it. That fastener was the one left out, and the pull that turned it is its
// first: it counts for the last pass, at a place that a person confirmed. The
// pull that counted for it before was at another fastener, which was tight; it
// counts for nothing any more.
func (t *tx) turnReported(r *request, d events.ClosingTurnReported) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	k, ok := t.fastenerOf(r, i, d.Fastener)
	if !ok {
		return
	}
	j := t.job
	jt, f := j.Proc.Steps[i].Joint, &j.Steps[i].Fasteners[k]
	if f.Closing == 0 || f.Marks[f.Closing].Reading == 0 || !f.Marks[f.Closing].counts() {
		t.refuse(r, "not_in_closing", fmt.Sprintf("fastener %s has no pull in a closing round", d.Fastener),
			"Pull it once more in the closing round, and report it if it turns. Outside of a closing round a fastener may turn.")
		return
	}
	closing := *f.Marks[f.Closing].Judged
	final := f.Closing - 1
	for final > 0 && lastOf(jt, final) != final {
		final--
	}
	where := fmt.Sprintf("fastener %s turned in the closing round", d.Fastener)
	t.add(events.ReadingVoided{Reading: closing.Reading, Job: d.Job, Step: d.Step, Pass: f.Closing, Fastener: d.Fastener, By: r.By,
		Reason: where + ": this pull tightened it"})
	if m := f.Marks[final]; m.Reading != 0 {
		t.add(events.ReadingVoided{Reading: m.Reading, Job: d.Job, Step: d.Step, Pass: final, Fastener: d.Fastener, By: r.By,
			Reason: where + ": the pull that counted for it was at another fastener"})
	}
	at := j.fastenerSlot(i, final, k)
	t.add(events.PullWeighed{Reading: closing.Reading, Job: d.Job, Step: d.Step, Pass: final, Tool: closing.Tool, AtUs: closing.AtUs,
		Torque: closing.Value, Placed: d.Fastener, Late: true,
		Explanations: []events.Explanation{{Kind: events.ExplainedNext, Fastener: d.Fastener, P: 1}}})
	o := closing
	o.Pass, o.Grade, o.LSL, o.Target, o.USL = final, events.Placed, at.lsl, at.target, at.usl
	o.Verdict = at.judge(o.Value, o.U.Base())
	o.Claimed = where + ", said " + t.s.personName(r.By)
	o.P, _ = j.sureness(&at, false)
	t.why = where
	t.addJudged(o, &at)
	t.settle(t.raise(events.AlertRaised{
		Kind: events.AlertMissed, Bench: j.Bench, Job: j.ID, Step: d.Step, Pass: final, Fasteners: []string{d.Fastener}, Reading: closing.Reading,
		Text: fmt.Sprintf("%s: %s, so it had been left out in the %s pass, and another was pulled twice.", j.title(i), where, passName(jt, final)),
		Todo: "The pull of the closing round has tightened it. Go on with the closing round; report every other fastener that turns.",
	}), r.By, "tightened by the pull of the closing round")
	t.weighWitnesses(i, final)
	t.follow()
}
