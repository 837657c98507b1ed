package rules

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// finding is what a reading is worth at its place.
type finding struct {
	verdict events.Verdict
	held    bool             // nothing more until a lead decides
	kind    events.AlertKind // to be raised; "" for none
	text    string
	todo    string
}

// count judges a reading at its place and raises what follows: for the place
// itself, and for all that was left open before it.
func (t *tx) count(w *slot, r *reading, tool *toolDates, grade events.Grade) {
	t.neverWentBack(w, r)
	if !t.job.Steps[w.step].begun() {
		for i := range w.step {
			t.suspect(i, fmt.Sprintf("%s came for %s", r.said(w.unit), t.job.title(w.step)))
		}
	}
	u := uncertainty(tool.Tool, r.value)
	f := t.find(w, r, u.Base())
	var p float64
	if w.joint != nil && t.job.Weighed {
		at := w.fastener
		if t.weighed(w, r, f.verdict, grade) {
			t.realign(w.step, w.pass)
			t.lookForStrayed(w)
			t.strange(w, r)
			return
		}
		if w.fastener != at {
			f = t.find(w, r, u.Base())
		}
		t.otherPeak(w, r, &f)
		if t.sprang(w, r, &f); !f.held {
			t.oddTurn(w, r, &f)
			t.turnedInRound(w, r, &f)
		}
		var g events.Grade
		if p, g = t.job.sureness(w, turnTold(r.angle) || r.found != nil && !r.found.NetAngle.IsZero()); grade == events.Counted && !f.held && (f.verdict == events.Within || f.verdict == events.Doubtful) {
			grade = g
		}
	}
	if f.kind == "" && grade == events.Placed {
		t.order(w, &f)
	}
	o := t.judgement(w, r, &f, tool)
	o.Grade, o.P = grade, p
	t.why = fmtWhy(&o)
	t.addJudged(o, w)
	if f.kind != "" {
		t.raiseFinding(w, r, &f, o.Fastener)
	}
	if w.joint != nil && t.job.Weighed {
		t.realign(w.step, w.pass)
		t.lookBack(w)
		t.lookBackRound(w)
		if n := len(t.job.marked(w.step, w.pass)); n >= 2 && n <= lookBackAt {
			t.lookBackOver(stretch{w.step, w.pass})
		}
		t.weighWitnesses(w.step, w.pass)
		t.lookForStrayed(w)
		t.strange(w, r)
		if st := &t.job.Steps[w.step]; w.pass < len(w.joint.Passes) && st.Fasteners[w.fastener].doneIn(w.pass) && st.Pass > w.pass {
			t.zeroShift(w.step, r) // once a pass is through
		}
		t.zeroStep(w, r)
	}
	if ahead := w.step > t.job.current(); ahead || t.job.guarded(w.step) {
		came := fmt.Sprintf("%s came for %s", r.said(w.unit), t.job.title(w.step))
		t.guardPull(w.step, came)
		if ahead {
			t.leave(w.step, came)
		}
	}
}

// judgement writes what a reading is worth at its place. Grade, P and Next are
// left to the caller.
func (t *tx) judgement(w *slot, r *reading, f *finding, tool *toolDates) events.ReadingJudged {
	o := events.ReadingJudged{
		Reading: r.seq, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass,
		Verdict: f.verdict, Value: r.value, Text: r.text, Unit: r.unit,
		LSL: w.lsl, Target: w.target, USL: w.usl, U: uncertainty(tool.Tool, r.value), Angle: r.angle,
		Tool: r.tool, Calibrated: tool.Calibrated, Bench: r.bench, By: r.by, AtUs: r.at,
		Claimed: r.claimed, Typed: r.mode == events.ModeTyped, Held: f.held,
	}
	if o.By == "" {
		o.By = t.job.Technician
	}
	if w.joint != nil {
		o.Fastener, o.Class = w.joint.Fasteners[w.fastener].ID, string(w.joint.Class)
	}
	return o
}

// addJudged adds a judgement with the fastener that is next after it.
func (t *tx) addJudged(o events.ReadingJudged, w *slot) {
	t.out = append(t.out, events.Outcome{})
	t.job.apply(o, t.at)
	if w.joint != nil {
		if step, _, next, ok := t.job.next(); ok && step == w.step {
			o.Next = w.joint.Fasteners[next].ID
		} else if _, n := t.job.Steps[w.step].next(w.joint); n >= 0 {
			o.Next = w.joint.Fasteners[n].ID
		}
	}
	t.out[len(t.out)-1].Data = o
}

func (t *tx) raiseFinding(w *slot, r *reading, f *finding, fastener string) {
	a := events.AlertRaised{
		Kind: f.kind, Bench: r.bench, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass,
		Reading: r.seq, Text: f.text, Todo: f.todo, Blocks: true,
	}
	if fastener != "" {
		a.Fasteners = []string{fastener}
	}
	if f.held && a.Kind == events.AlertUnitSlip && t.same(&a) != "" {
		a.Kind = events.AlertHigh // said before of a low pull: a hold is news
	}
	t.raise(a)
}

// find judges a reading at a place.
func (t *tx) find(w *slot, r *reading, u float64) finding {
	if w.joint == nil {
		return t.findMeasured(w, r, u)
	}
	f := finding{verdict: w.judge(r.value, u)}
	if w.loose() {
		f.verdict = t.looseVerdict(w, r)
	}
	switch {
	case conditionOf(r.status) == fault && r.claimed == "":
		t.distrust(w, r, &f)
	case f.verdict == events.Within || f.verdict == events.Doubtful:
		t.checkAngle(w, r, &f)
	case f.verdict == events.High:
		f.held = true
		t.sayHigh(w, r, &f)
	}
	if f.kind == "" || f.kind == events.AlertHigh {
		switch {
		case w.loose() && f.verdict == events.High:
			t.slippedHigh(w, r, &f)
		case w.loose():
		case f.verdict == events.High || f.verdict == events.Low && !t.justLow(w, r) && t.aimed(w, r):
			t.saySlip(w, r, &f)
		}
	}
	return f
}

// justLow reports whether a low pull is most likely an unfinished one, though
// its number would be right in another unit: there was none like it just before,
// and the tool has worked on this job in that very unit, or each swing may be a
// reading of its own here. The next pulls tell: those of a tool in the wrong unit
// end alike, and what is left low is looked at again (slippedLow).
func (t *tx) justLow(w *slot, r *reading) bool {
	meant, ok := w.slip(r.value, r.unit)
	like := 1
	if t.job.finished(r.tool) >= swungTwice {
		like = slipRow - 1 // here swings are sent one by one, and two in a row end alike now and then
	}
	if t.lowsBefore(w, r) >= like && ok && w.near(r, meant) {
		return false
	}
	if (t.maySwing(w) || len(t.job.Steps[w.step].Weigh[w.pass].Log) == 0) && w.mayBeSwing(r) && !(ok && meant == w.unit) {
		return true // the first of all may be one on a checker, too
	}
	for i := range w.step + 1 {
		for k := range t.job.Steps[i].Fasteners {
			for p := range t.job.Steps[i].Fasteners[k].Marks {
				if m := &t.job.Steps[i].Fasteners[k].Marks[p]; m.counts() && m.Judged.Tool == r.tool && m.Judged.Unit == r.unit {
					return true
				}
			}
		}
	}
	return false
}

// swungTwice is how many low pulls of a job that the next one brought to the limits
// show that unfinished ones are nothing rare in it. Our choice.
const swungTwice = 2

// finished counts the low pulls of a tool that the next one of their pass brought to
// its limits.
func (j *Job) finished(tool string) (n int) {
	for i := range j.Steps {
		for k := range j.Steps[i].Weigh {
			lsl := j.Proc.Steps[i].Joint.Passes[k].LSL.Base()
			pulls := j.Steps[i].Weigh[k].pulls()
			for m := 1; m < len(pulls); m++ {
				if pulls[m].Pull.Tool == tool && pulls[m-1].Pull.Torque.Base() < lsl && pulls[m].Pull.Torque.Base() >= lsl {
					n++
				}
			}
		}
	}
	return n
}

// aimed reports whether a low pull that would be right in another unit is
// about the target there. Jobs whose pulls are not weighed do not ask.
func (t *tx) aimed(w *slot, r *reading) bool {
	meant, ok := w.slip(r.value, r.unit)
	return !t.job.Weighed || ok && w.near(r, meant)
}

// near reports whether a reading's number, read in another unit, is about the
// target: whoever pulls in the wrong unit aims at the number.
func (w *slot) near(r *reading, meant quantity.Unit) bool {
	sent, ok := quantity.UnitByCode(r.unit)
	if !ok || !(w.target.Base() > 0) {
		return true
	}
	return math.Abs(quantity.Of(r.value.In(sent), meant).Base()/w.target.Base()-1) < 0.05
}

// lowsBefore counts the low pulls of a pass just before this one that peaked
// where it did. The peaks of unfinished swings rise; those of a tool in the
// wrong unit do not.
func (t *tx) lowsBefore(w *slot, r *reading) int {
	pulls := t.job.Steps[w.step].Weigh[w.pass].pulls()
	n := 0
	for i := len(pulls) - 1; i >= 0; i-- {
		x := pulls[i].Pull.Torque.Base()
		if !(x < w.lsl.Base()) || math.Abs(r.value.Base()/x-1) > 0.04 {
			break
		}
		n++
	}
	return n
}

// looseVerdict judges a pull of a loose pass: it counts once the lower limit
// is reached. Its own upper limit holds nobody up, but a pull above the upper
// limit of the joint's last pass has overtightened the fastener for good.
func (t *tx) looseVerdict(w *slot, r *reading) events.Verdict {
	least := limits{lsl: w.lsl}
	if w.lsl.IsZero() {
		least = limits{lsl: w.target}
	}
	if v := least.judge(r.value, 0); v != events.Within {
		return v
	}
	last := &w.joint.Passes[len(w.joint.Passes)-1]
	return limits{usl: last.USL}.judge(r.value, 0)
}

// sayHigh explains a pull above the limits. Where the value fits a later pass
// of the joint, work has perhaps gone on to that pass, or the fastener was
// pulled too far at once; which of them, the number cannot tell. It is not
// counted for the later pass: the fastener that was pulled may be another one,
// and that one would be called witnessed. In a strict joint it is a matter of
// order.
func (t *tx) sayHigh(w *slot, r *reading, f *finding) {
	name := w.joint.Fasteners[w.fastener].ID
	f.kind = events.AlertHigh
	f.text = fmt.Sprintf("%s, fastener %s: %s is high, wanted %s.", t.job.title(w.step), name, r.said(w.unit), w.wanted())
	f.todo = fmt.Sprintf("Leave fastener %s as it is. A lead decides: accept it, or slacken or renew it and do it again.", name)
	for p := w.pass + 1; p < len(w.joint.Passes); p++ {
		l := t.job.fastenerSlot(w.step, p, w.fastener)
		if !l.holds(r.value) {
			continue
		}
		f.text = fmt.Sprintf("%s, fastener %s: %s is too much for the %s pass, which wants %s; it is what the %s pass wants.",
			t.job.title(w.step), name, r.said(w.unit), passName(w.joint, w.pass), w.wanted(), passName(w.joint, p))
		if w.joint.Strict {
			f.kind = events.AlertOutOfOrder
		}
		return
	}
}

// distrust holds a fastener that was pulled with a tool that says it is not
// well (overload, out of range): how much torque it got, nobody knows.
func (t *tx) distrust(w *slot, r *reading, f *finding) {
	name := w.joint.Fasteners[w.fastener].ID
	if f.verdict == events.Within {
		f.verdict = events.Doubtful
	}
	f.held, f.kind = true, events.AlertToolStatus
	f.text = fmt.Sprintf("%s, fastener %s: %s says %q with its reading %s, so the reading is no witness.",
		t.job.title(w.step), name, t.s.toolName(r.tool), r.status, r.said(w.unit))
	f.todo = "Take the tool out of use and have it checked. A lead decides about the fastener."
}

// checkAngle holds a fastener whose torque is right but whose rotation is
// outside the pass's window: below it, it may have seized or been tight
// before; above it, it may have yielded or stripped. Pulling it once more
// would prove nothing. A tool that gives no angle is not asked.
func (t *tx) checkAngle(w *slot, r *reading, f *finding) {
	p := &w.joint.Passes[w.pass]
	if r.angle.IsZero() || p.AngleLo.IsZero() && p.AngleHi.IsZero() {
		return
	}
	window := limits{lsl: p.AngleLo, usl: p.AngleHi}
	v := window.judge(r.angle, 0)
	if v == events.Within {
		return
	}
	name := w.joint.Fasteners[w.fastener].ID
	f.verdict, f.held, f.kind = v, true, events.AlertMeasure
	f.text = fmt.Sprintf("%s, fastener %s: %s is right, but its rotation %s is %s, wanted %s.",
		t.job.title(w.step), name, r.said(w.unit), show(r.angle, baseUnit(r.angle.Dimension())), v, window.wanted())
	f.todo = fmt.Sprintf("Leave fastener %s as it is: it may have seized, stretched or stripped. A lead decides.", name)
}

// saySlip says so if the number would be right in another unit. The reading
// is low or high all the same: what the tool sent is what was pulled.
func (t *tx) saySlip(w *slot, r *reading, f *finding) {
	meant, ok := w.slip(r.value, r.unit)
	if !ok {
		return
	}
	where := t.job.title(w.step)
	f.todo = "Set the tool to " + meant.Symbol() + " and measure again."
	if w.joint != nil {
		name := w.joint.Fasteners[w.fastener].ID
		where += ", fastener " + name
		f.todo = fmt.Sprintf("Set the tool to %s and pull fastener %s again.", meant.Symbol(), name)
		if f.held {
			f.todo = fmt.Sprintf("Set the tool to %s. Leave fastener %s as it is: a lead decides.", meant.Symbol(), name)
		}
	}
	f.kind = events.AlertUnitSlip
	f.text = fmt.Sprintf("%s: the tool sent %s, which is %s; %s %s would be right (wanted %s). The tool is probably set to the wrong unit.",
		where, r.said(w.unit), f.verdict, r.text, meant.Symbol(), w.wanted())
}

// findMeasured judges a measured value. Out of limits raises no alert yet: to
// measure, adjust and measure again is how such a step is done. The alert
// comes if work goes on with it.
func (t *tx) findMeasured(w *slot, r *reading, u float64) finding {
	f := finding{verdict: w.judge(r.value, u)}
	if f.verdict == events.Low || f.verdict == events.High {
		t.saySlip(w, r, &f)
	}
	return f
}

// order raises out_of_order where a strict joint's fastener was pulled before
// its turn. The pull counts; a lead settles the alert.
func (t *tx) order(w *slot, f *finding) {
	st := &t.job.Steps[w.step]
	counts := f.verdict == events.Within || f.verdict == events.Doubtful
	if w.joint == nil || !w.joint.Strict || w.loose() || !counts || st.complete(w.joint, w.fastener) {
		return
	}
	pass, due := st.next(w.joint)
	if due < 0 || due == w.fastener && w.pass == pass {
		return
	}
	f.kind = events.AlertOutOfOrder
	f.text = fmt.Sprintf("%s: fastener %s was pulled before its turn; fastener %s is due in the %s pass.",
		t.job.title(w.step), w.joint.Fasteners[w.fastener].ID, w.joint.Fasteners[due].ID, passName(w.joint, pass))
	f.todo = fmt.Sprintf("Go on with fastener %s. A lead settles this, or sends the fastener back to be done again.", w.joint.Fasteners[due].ID)
}

// fmtWhy says what a judged reading does to its step, where it reopens one.
func fmtWhy(o *events.ReadingJudged) string {
	if o.Fastener == "" {
		return "measured again"
	}
	return "fastener " + o.Fastener + " was pulled again"
}
