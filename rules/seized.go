package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
)

// A tight fastener hardly turns: below these, nothing speaks for one that
// seized. Found: spring-back 3.4 degrees, sd 0.43 (screw-tightening-wear); the
// share is our choice.
const (
	tightDegrees = 3.0
	tightNet     = 1.5 // by a trace, its spring-back taken off
	tightTimes   = 0.05
)

// seizedLeast is the least chance that a fastener seized at which that is spoken of.
// Our choice.
const seizedLeast = 0.1

// seized names, where a fastener seems to be left out, the pull that turned too
// little for a first one: it may have been a repeat, or the fastener that was
// due then has seized. One more pull of it tells which: if it turns, it was
// left out; if not, it is cross-threaded, bottomed or seized.
//
// short says that one is left out for all that is known. Without it nothing is
// missing by the count; then only a pull that counts is spoken of, also one that
// lies far below all others of a regular joint, and only where no other pull was
// one too many, but for those that hardly turned.
func (t *tx) seized(i, pass int, short bool) {
	j := t.job
	jt, st := j.Proc.Steps[i].Joint, &j.Steps[i]
	if !j.Weighed || pass >= len(st.Weigh) || lastOf(jt, pass) != pass || jt.Passes[pass].Loose {
		return
	}
	f := j.filterOf(i, pass)
	marked := j.marked(i, pass)
	extra := len(st.Weigh[pass].pulls()) != len(marked)
	all := j.tightenings(i, pass)
	for k, p := range f.Idle() {
		pulls := st.Weigh[pass].pulls()
		if k >= len(pulls) || !all[k].last {
			continue
		}
		e := pulls[k]
		deg, ok := all[k].deg, all[k].ok
		l, known := t.turnLaw(i, pass, e.Pull.Reading)
		if !ok || !known || !short && extra && !t.onlyTight(i, pass, deg) || !l.little(deg) && (short || !l.aloneBelow(deg)) || e.Pull.Placed != "" || e.below(&jt.Passes[pass]) || k > 0 && all[k].from == k && pulls[k-1].below(&jt.Passes[pass]) || atOnce(pulls, k) || t.toldOf(e.Pull.Reading) {
			continue
		}
		least := tightDegrees
		if e.Pull.Trace != nil && !e.Pull.Trace.NetAngle.IsZero() {
			least = tightNet
		}
		due := t.dueThen(i, pass, k)
		if due == "" || deg < least || l.times(deg) < tightTimes {
			continue
		}
		m := &st.Fasteners[jt.Fastener(due)].Marks[pass]
		if !short && (m.Reading != e.Pull.Reading) {
			continue
		}
		r := reading{found: e.Pull.Trace}
		odds := seizedOdds(r.notTight(p))
		if odds < seizedLeast {
			continue // it was a repeat: who was left out is asked for anyway
		}
		t.raiseSeized(i, pass, due, e, deg, &l, odds)
		if m.Reading == e.Pull.Reading {
			t.add(events.ReadingVoided{Reading: m.Reading, Job: j.ID, Step: j.Proc.Steps[i].ID, Pass: pass, Fastener: due,
				Reason: "turned too little: to be looked at and pulled once more"})
			t.why = "a fastener turned too little"
		}
		return
	}
}

// orSeized names, where a miss is rather unlikely, the pull that speaks for it: one
// that turned far less than all others of its joint. If it was no second one, its
// fastener may have seized. "" if there is none.
func (t *tx) orSeized(i, pass int) string {
	j := t.job
	jt := j.Proc.Steps[i].Joint
	all := j.tightenings(i, pass)
	for k, e := range j.Steps[i].Weigh[pass].pulls() {
		l, known := t.turnLaw(i, pass, e.Pull.Reading)
		if !known || !all[k].ok || !all[k].last || e.below(&jt.Passes[pass]) || all[k].deg < tightDegrees || !l.aloneBelow(all[k].deg) {
			continue
		}
		if due := t.dueThen(i, pass, k); due != "" {
			return fmt.Sprintf(" The pull that came for fastener %s turned only %s, the others about %s: if it was no second one on another, %s may be cross-threaded, bottomed or seized.",
				due, degrees(all[k].deg), degrees(l.usual()), due)
		}
	}
	return ""
}

// onlyTight reports whether all pulls of a pass that do not count were surely second
// ones: at once, or turned far less than a rotation.
func (t *tx) onlyTight(i, pass int, deg float64) bool {
	marked := t.job.marked(i, pass)
	for _, e := range t.job.Steps[i].Weigh[pass].pulls() {
		if marked.of(e.Pull.Reading) != nil {
			continue
		}
		turned, ok := e.turn()
		if a := t.job.aside(e.Pull.Reading); a == nil || a.P < asideEnough || !ok || turned > deg/4 {
			return false
		}
	}
	return true
}

// raiseSeized raises that a fastener may have seized, and asks for one more pull of
// it: that one tells.
func (t *tx) raiseSeized(i, pass int, due string, e *Evidence, deg float64, l *turnLaw, p float64) {
	j := t.job
	jt := j.Proc.Steps[i].Joint
	which := fmt.Sprintf("Either it was once more on a tight one, or fastener %s is cross-threaded, bottomed or seized.", due)
	switch r := (reading{found: e.Pull.Trace}); {
	case p < seizedEnough:
	case r.movedEarly():
		which = fmt.Sprintf("Its trace shows that it began to move long before the peak, so it was on none that was tight: fastener %s may be cross-threaded, bottomed or seized.", due)
	default:
		which = fmt.Sprintf("Fastener %s may be cross-threaded, bottomed or seized.", due)
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertSeized, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[i].ID, Pass: pass, Fasteners: []string{due},
		Likely: []events.FastenerWeight{{Fastener: due, P: rounded(p)}}, Reading: e.Pull.Reading, Blocks: true,
		Text: fmt.Sprintf("%s: the pull to %s that came for fastener %s turned only %s; the others turned about %s. %s",
			j.title(i), show(e.Pull.Torque, jt.Passes[pass].Unit), due, degrees(deg), degrees(l.usual()), which),
		Todo: fmt.Sprintf("Look at fastener %s and pull it once more. If it does not turn, leave it as it is: a lead decides.", due),
	})
}

// atOnce reports whether a pull came as quickly after the one before it as a
// second pull on the same fastener does: a habit, of which nothing is said. Times
// are those between the pulls, where the tool tells how long each took: one that
// hardly turned is over sooner, whatever it was on. Somewhat more than half the
// usual time is our choice.
func atOnce(pulls []*Evidence, k int) bool {
	if k == 0 || pulls[k].Pull.AtUs <= pulls[k-1].Pull.AtUs {
		return false
	}
	var waits []float64
	for n := 1; n < len(pulls); n++ {
		waits = append(waits, betweenPulls(pulls, n))
	}
	mine := waits[k-1]
	slices.Sort(waits)
	return mine < 0.6*waits[len(waits)/2]
}

// betweenPulls is the time in microseconds from the end of the pull before one to
// its beginning, or to its end where the tool does not tell how long it took.
func betweenPulls(pulls []*Evidence, k int) float64 {
	return float64(pulls[k].Pull.AtUs - pulls[k-1].Pull.AtUs - events.Instant(pulls[k].Pull.DurationUs))
}

// usualWait is the middle of the times between the pulls of a pass, in
// microseconds.
func usualWait(pulls []*Evidence) float64 {
	var waits []float64
	for k := 1; k < len(pulls); k++ {
		waits = append(waits, float64(pulls[k].Pull.AtUs-pulls[k-1].Pull.AtUs))
	}
	if len(waits) == 0 {
		return 0
	}
	slices.Sort(waits)
	return waits[len(waits)/2]
}

// dueThen returns the fastener that a pull came for, if it was not a repeat.
func (t *tx) dueThen(i, pass, k int) string {
	w := t.job.fastenerSlot(i, pass, t.job.Proc.Steps[i].Joint.Passes[pass].Order[0])
	pulls := t.job.Steps[i].Weigh[pass].pulls()
	marked := t.job.marked(i, pass)
	if m := marked.of(pulls[k].Pull.Reading); m != nil {
		return m.Judged.Fastener
	}
	for _, x := range t.job.filterOf(i, pass).Explain(k) {
		if madeTight(x.Kind) {
			return w.named(x.Fastener)
		}
	}
	for n := k + 1; n < len(pulls); n++ { // what the next one that counts was taken for
		if m := marked.of(pulls[n].Pull.Reading); m != nil {
			return m.Judged.Fastener
		}
	}
	if missed, _ := t.job.undone(i); len(missed) > 0 {
		return missed[0]
	}
	return ""
}
