package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
)

// How far a pull of the closing round must have turned beyond the round's others
// before its fastener was not tight. On a tight one only the wind-up of tool and
// joint shows, alike at all of them. All are our choice, but for what a spread is
// worth (see turnLaw).
const (
	roundOthers = 3   // pulls to hold it against, at least
	roundSure   = 4.5 // deviations
	roundLeast  = 5.0 // degrees
	roundSD     = 2.0 // degrees: the spread before any was seen
	roundWorth  = 4.0 // values that it is worth
)

// turnedInRound holds a fastener that turned in the closing round far beyond the
// round's others: it was not tight, so the final pass had left it out.
func (t *tx) turnedInRound(w *slot, r *reading, f *finding) {
	if !w.joint.Passes[w.pass].Closing || f.kind != "" || f.held || f.verdict != events.Within && f.verdict != events.Doubtful {
		return
	}
	deg, ok := r.turn()
	if !ok {
		return
	}
	usual, ok := beyondRound(t.job.Steps[w.step].Weigh[w.pass].pulls(), r.seq, deg)
	if !ok {
		return
	}
	name := w.joint.Fasteners[w.fastener].ID
	f.verdict, f.held, f.kind = events.Doubtful, true, events.AlertMissed
	f.text = t.wasLoose(w, name, deg, usual)
	f.todo = fmt.Sprintf("Look at the mark of fastener %s. This pull has tightened it; a lead decides.", name)
}

// lookBackRound says the same of earlier pulls of a closing round, which the first
// of it cannot show. Such a fastener is pulled once more.
func (t *tx) lookBackRound(w *slot) {
	j := t.job
	if !w.joint.Passes[w.pass].Closing {
		return
	}
	st := &j.Steps[w.step]
	pulls, marked := st.Weigh[w.pass].pulls(), j.marked(w.step, w.pass)
	for k, e := range pulls {
		m := marked.of(e.Pull.Reading)
		deg, ok := e.turn()
		if k == len(pulls)-1 || !ok || m == nil || t.toldOf(e.Pull.Reading) {
			continue
		}
		n := w.joint.Fastener(m.Judged.Fastener)
		if f := &st.Fasteners[n]; f.Held || f.Accepted || st.Weigh[w.pass].seenTo(n, e.Pull.Reading) {
			continue
		}
		usual, ok := beyondRound(pulls, e.Pull.Reading, deg)
		if !ok {
			continue
		}
		name := m.Judged.Fastener
		t.raise(events.AlertRaised{
			Kind: events.AlertMissed, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[w.step].ID, Pass: w.pass, Fasteners: []string{name}, Reading: e.Pull.Reading, Blocks: true,
			Text: t.wasLoose(w, name, deg, usual),
			Todo: fmt.Sprintf("Stop, and pull fastener %s once more: it may not turn again. Then go on with the closing round.", name),
		})
		t.add(events.ReadingVoided{Reading: e.Pull.Reading, Job: j.ID, Step: j.Proc.Steps[w.step].ID, Pass: w.pass, Fastener: name,
			Reason: "it turned in the closing round: to be pulled once more"})
		t.why = "a fastener turned in the closing round"
	}
}

func (t *tx) wasLoose(w *slot, name string, deg, usual float64) string {
	return fmt.Sprintf("%s: fastener %s turned %s in the closing round, the others about %s. So it was not tight: it was probably left out of the %s pass, and another pulled twice.",
		t.job.title(w.step), name, degrees(deg), degrees(usual), passName(w.joint, lastOf(w.joint, w.pass)))
}

// beyondRound reports whether a pull turned by deg far beyond all others of a
// closing round, and what is usual there.
func beyondRound(pulls []*Evidence, reading uint64, deg float64) (usual float64, ok bool) {
	var others []float64
	for _, e := range pulls {
		if x, told := e.turn(); told && e.Pull.Reading != reading {
			others = append(others, x)
		}
	}
	n := float64(len(others))
	if n < roundOthers {
		return 0, false
	}
	slices.Sort(others)
	usual = others[len(others)/2]
	s := robustSpread(others, usual)
	sd := math.Sqrt((float64(roundWorth*roundSD*roundSD) + float64(madWorth*n*s*s)) / (roundWorth + float64(madWorth*n)) * (1 + math.Pi/2/n))
	return usual, deg-usual >= max(roundLeast, float64(roundSure*sd))
}

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
