package rules

import (
	"math"

	"witnessmark/events"
)

// Where a place was left open, and somebody was told, a pull that would be right there
// may have gone back to it. If it was low for the joint that the work is at, and the next
// pull there topped it at once, nobody was at another joint in between: it was a swing.

// tooSoon is the share of the usual time between two fasteners in which nobody has gone
// to another joint and pulled there. Our choice.
const tooSoon = 0.5

// neverWentBack takes the last pull back from the place left open that it filled, if
// the pull in hand shows that it was a swing where that one is, and says again what is
// open.
func (t *tx) neverWentBack(w *slot, r *reading) {
	j := t.job
	a, ok := j.workingAt()
	if !ok || w.joint == nil || !j.Weighed || w.joint.Passes[w.pass].Closing || a.step >= w.step || r.seq == 0 {
		return
	}
	e := j.Steps[a.step].Weigh[a.pass].last()
	m := j.marksIn(a)[e.Pull.Reading]
	if m == nil || m.Held || e.Pull.Placed != "" || e.Pull.Tool != r.tool {
		return
	}
	if s, reading := j.latest(0, len(j.Steps), e.Pull.Reading); reading == 0 || s.step != w.step {
		if b, ok := j.nextJoint(a.step); !ok || b.step != w.step || j.Steps[w.step].begun() {
			return // the work had not gone on, nor does it now
		}
	}
	x := e.Pull.Torque.Base()
	if x >= w.lsl.Base() || x < float64(leastSwing*w.target.Base()) || r.value.Base() < float64(tops*x) {
		return
	}
	next := Evidence{Op: "pull", Pull: t.pullAt(w, r)}
	b := stretch{w.step, w.pass}
	la, lb := j.lawsOf(a, nil), j.lawsOf(b, nil)
	if s := j.sightOf(&next, e); s.wait != s.wait || s.wait > max(la.usual, lb.usual)+math.Log(tooSoon) {
		return
	}
	t.add(events.ReadingVoided{Reading: e.Pull.Reading, Job: j.ID, Step: j.Proc.Steps[a.step].ID, Pass: a.pass, Fastener: m.Fastener, Reason: movedOn})
	o := e.Pull
	o.Step, o.Pass, o.Explanations = j.Proc.Steps[w.step].ID, w.pass, nil
	moved := *e
	t.weighMoved(w, o)
	t.judgeMoved(w, &moved, m)
	if !j.closing(a) || len(j.marksIn(a)) > 0 { // a round that nobody began is not left
		t.leaveStretch(a, b)
	}
	t.why = "the next pull showed where the last one was"
}
