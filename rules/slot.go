package rules

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// takes reports whether the slot is for that kind of quantity. A torque step
// takes no settled values.
func (w *slot) takes(r *reading) bool {
	if w.dim() != r.value.Dimension() {
		return false
	}
	return w.joint == nil || r.mode != events.ModeSettled
}

// loose reports whether the slot is in a loose pass.
func (w *slot) loose() bool { return w.joint != nil && w.joint.Passes[w.pass].Loose }

// grade returns the evidence for a slot that nobody pointed at: the number
// alone for a fastener, nothing to be said for a measured value.
func (w *slot) grade() events.Grade {
	if w.joint == nil {
		return ""
	}
	return events.Counted
}

// expected returns the slot for the next reading, and the evidence that it is
// for that one: the place that somebody pointed at, else the next fastener of
// the current step, or its measured value.
func (j *Job) expected() (w slot, g events.Grade, ok bool) {
	if step, f, ok := j.pointed(); ok {
		return j.fastenerSlot(step, j.Steps[step].passAt(j.Proc.Steps[step].Joint, f), f), events.Placed, true
	}
	cur := j.current()
	if cur == len(j.Steps) {
		return slot{fastener: -1}, "", false
	}
	w, ok = j.slotOf(cur)
	return w, w.grade(), ok
}

// slotOf returns where the next reading for step i would count; ok is false
// for a step that takes none, or none now.
func (j *Job) slotOf(i int) (w slot, ok bool) {
	p, st := &j.Proc.Steps[i], &j.Steps[i]
	if p.Joint != nil {
		pass, f := st.next(p.Joint)
		if f < 0 {
			return slot{step: i, fastener: -1}, false
		}
		return j.fastenerSlot(i, pass, f), true
	}
	return j.measureSlot(i)
}

func (j *Job) measureSlot(i int) (w slot, ok bool) {
	m := j.Proc.Steps[i].Measure
	if m == nil || j.shimsFirst(i) {
		return slot{step: i, fastener: -1}, false
	}
	return slot{limits: limits{m.LSL, m.Target, m.USL, m.Unit}, step: i, fastener: -1, tools: m.Tools, kinds: m.ToolKinds}, true
}

func (j *Job) fastenerSlot(step, pass, fastener int) slot {
	jt := j.Proc.Steps[step].Joint
	p := &jt.Passes[pass]
	return slot{
		limits: limits{p.LSL, p.Target, p.USL, p.Unit}, step: step, pass: pass, fastener: fastener,
		tools: jt.Tools, kinds: jt.ToolKinds, joint: jt,
	}
}

// later returns the first open step, other than the expected place, that
// explains a reading as work gone on: such a tool is for it, and the value is
// inside its limits. A value that was typed, or sent on a key, for another
// quantity than torque is meant as a measurement: it need not be inside.
//
// A pull that is low in a joint that is being worked on is most likely just
// that. Then only the next joint counts as an explanation, not one beyond it:
// nobody leaves one joint in the middle and forgets the next one whole.
func (j *Job) later(r *reading, tool *toolDates) (slot, bool) {
	low := j.lowHere(r)
	first := j.current()
	if j.PointedStep == "" {
		first++ // has been looked at
	}
	for i := first; i < len(j.Steps); i++ {
		if j.Steps[i].Done {
			continue
		}
		w, ok := j.slotOf(i)
		if !ok || !w.takes(r) {
			continue
		}
		if why, _ := tool.misfit(&w, r.at); why != "" {
			continue
		}
		if w.holds(r.value) || w.dim() != quantity.DimTorque {
			return w, true
		}
		if low {
			break
		}
	}
	return slot{}, false
}

// sameUnit reports whether the tool has done most of the slot's pass in the
// very unit that the reading was sent in. Then the reading is hardly one for
// the same joint in another unit: nobody changes the unit between two bolts.
func (j *Job) sameUnit(w *slot, r *reading) bool {
	if w.joint == nil {
		return false
	}
	n, all := 0, len(w.joint.Passes[w.pass].Order)
	for k := range j.Steps[w.step].Fasteners {
		f := &j.Steps[w.step].Fasteners[k]
		m := &f.Marks[w.pass]
		if final := f.final(); w.joint.Passes[w.pass].Closing && final != nil {
			m = final
		}
		if m.counts() && m.Judged.Tool == r.tool && m.Judged.Unit == r.unit {
			n++
		}
	}
	return n > 0 && 4*n >= 3*(all-1)
}

// lowHere reports whether a pull is below the limits of the joint that is
// being worked on.
func (j *Job) lowHere(r *reading) bool {
	w, _, ok := j.expected()
	return ok && w.joint != nil && w.takes(r) && j.Steps[w.step].begun() && r.value.Base() < w.lsl.Base()
}

// repeats returns the torque step that a pull seems to be one too many for:
// the last one up to the current step that takes no more, if the value is
// inside the limits of its last pass. A current step that wants the reading
// comes first once it has been begun.
func (j *Job) repeats(r *reading, wants bool) (step int, ok bool) {
	cur := j.current()
	if wants && j.Steps[cur].begun() {
		return 0, false
	}
	for i := min(cur, len(j.Steps)-1); i >= 0; i-- {
		jt := j.Proc.Steps[i].Joint
		if jt == nil || i == cur && wants || len(jt.Passes) == 0 {
			continue
		}
		p := &jt.Passes[len(jt.Passes)-1]
		l := limits{p.LSL, p.Target, p.USL, p.Unit}
		_, more := j.Steps[i].next(jt)
		return i, more < 0 && l.holds(r.value)
	}
	return 0, false
}
