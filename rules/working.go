package rules

// Where work has gone on past a place that is still open, or is held until a lead
// decides, the next pull is at the later work, most likely, also when it is an
// unfinished one there, or one too many. To ask only whether the place left behind
// would take it would call that place low, or high, by pulls that were never there.

// pastLeft changes the expected place to that at which the work is by now, if the
// place left behind would not take the pull for good, and the work explains it
// better. The value is inside neither's limits, or the place left behind is a step
// that takes no more.
func (t *tx) pastLeft(w *slot, open bool, r *reading, tool *toolDates) (at slot, ok bool) {
	j := t.job
	if !j.Weighed || open && (w.joint == nil || !w.takes(r) || w.holds(r.value) || w.loose()) {
		return slot{}, false
	}
	b, ok := j.workingAt()
	if !ok || b.step < j.current() || b.step == j.current() && open && b.pass <= w.pass || j.Steps[b.step].Done {
		return slot{}, false
	}
	n := j.nextIn(b)
	if n < 0 {
		if b, ok = j.after(b); !ok {
			return slot{}, false
		}
		if n = j.nextIn(b); n < 0 || !j.Steps[b.step].begun() {
			return slot{}, false
		}
	}
	if open && b.step == w.step {
		return slot{}, false // a later pass of the same joint: see laterPass
	}
	at = j.fastenerSlot(b.step, b.pass, n)
	if why, _ := tool.misfit(&at, r.at); why != "" || !at.takes(r) {
		return slot{}, false
	}
	if !open {
		return at, true
	}
	if !at.mayBeSwing(r) && !at.holds(r.value) {
		return slot{}, false
	}
	e := Evidence{Op: "pull", Pull: t.pullAt(w, r)}
	s := j.sightOf(&e, nil)
	la, lb := j.lawsOf(stretch{w.step, w.pass}, nil), j.lawsOf(b, nil)
	return at, backOdds(&la, &lb, &s) < 1
}
