package rules

import (
	"slices"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// counts reports whether a mark is progress: inside the limits and not held.
// A doubtful mark counts; whether it must be settled is asked at release.
func (m *Mark) counts() bool {
	return m.Reading != 0 && !m.Judged.Held && (m.Verdict == events.Within || m.Verdict == events.Doubtful)
}

// doneIn reports whether the fastener needs nothing more in a pass.
func (f *FastenerState) doneIn(pass int) bool {
	return f.Accepted || pass < len(f.Marks) && f.Marks[pass].counts() || f.Closing > 0 && pass == f.Closing && f.sure() || f.madeGood(pass)
}

// madeGood reports whether a later pass, the closing round apart, has brought
// the fastener further than a pass would have. Only where pulls are weighed.
func (f *FastenerState) madeGood(pass int) bool {
	if !f.Weighed {
		return false
	}
	for p := pass + 1; p < len(f.Marks); p++ {
		if p != f.Closing && f.Marks[p].counts() {
			return true
		}
	}
	return false
}

// reasonedEnough is the least probability with which a reasoned witness makes
// the closing round needless, in a joint of class A and in any other. Our choice:
// before any evidence the chance of a miss is some thousandths, so less than this
// means that the evidence speaks against the fastener.
const (
	reasonedEnoughA = 0.9
	reasonedEnough  = 0.8
)

// askShare is how much of match.Params.AskP is enough for a question, by what a
// miss would cost. Our choice; rules/match/model.md says what it finds and what it costs.
func askShare(c procedure.Class) float64 {
	switch c {
	case procedure.ClassA:
		return 0.2
	case procedure.ClassB:
		return 0.3
	}
	return 1
}

// sure reports whether the closing round can pass the fastener by: nobody asks
// for one, or the final pull is evidence enough.
func (f *FastenerState) sure() bool {
	if !f.NeedsClosing {
		return true
	}
	m := f.final()
	switch {
	case m == nil || !m.counts():
		return false
	case f.Demands == events.Reasoned && m.Grade == events.Reasoned:
		return f.P >= f.Enough
	}
	return m.Grade == events.Placed
}

// ClosingNeedless reports whether the fastener needs no pull in the closing
// round: nobody asks for one, or the final pull is evidence enough.
func (f *FastenerState) ClosingNeedless() bool { return f.sure() }

// final returns the mark of the fastener's last pass before the closing round,
// or nil.
func (f *FastenerState) final() *Mark {
	for p := len(f.Marks) - 1; p >= 0; p-- {
		if (f.Closing == 0 || p < f.Closing) && f.Marks[p].Reading != 0 {
			return &f.Marks[p]
		}
	}
	return nil
}

// last returns the fastener's mark of the latest pass that has one, or nil.
func (f *FastenerState) last() *Mark {
	for p := len(f.Marks) - 1; p >= 0; p-- {
		if f.Marks[p].Reading != 0 {
			return &f.Marks[p]
		}
	}
	return nil
}

// openPass returns the first pass in which fastener f of joint j is still to
// be done, or len(j.Passes) if it is complete.
func (f *FastenerState) openPass(j *procedure.Joint, fastener int) int {
	for p := range j.Passes {
		if !f.doneIn(p) && slices.Contains(j.Passes[p].Order, fastener) {
			return p
		}
	}
	return len(j.Passes)
}

// complete reports whether fastener i is done in all its passes.
func (st *StepState) complete(j *procedure.Joint, i int) bool {
	return st.Fasteners[i].openPass(j, i) == len(j.Passes)
}

// refresh sets the current pass: the first with something left to do.
func (st *StepState) refresh(j *procedure.Joint) {
	for p := range j.Passes {
		for _, i := range j.Passes[p].Order {
			if !st.Fasteners[i].doneIn(p) {
				st.Pass = p
				return
			}
		}
	}
	st.Pass = len(j.Passes)
}

// next returns the pass and the fastener to be pulled next: the first in the
// order of the current pass that is neither done nor held; where only held
// ones are left there, the first of the next pass that is not held. The
// fastener is -1 if there is none.
func (st *StepState) next(j *procedure.Joint) (pass, fastener int) {
	for p := st.Pass; p < len(j.Passes); p++ {
		for _, i := range st.Asked {
			if f := &st.Fasteners[i]; f.Redo && !f.Held && !f.doneIn(p) && slices.Contains(j.Passes[p].Order, i) {
				return p, i
			}
		}
		for _, i := range j.Passes[p].Order {
			if f := &st.Fasteners[i]; !f.Held && !f.doneIn(p) {
				return p, i
			}
		}
	}
	return st.Pass, -1
}

// begun reports whether a step has been worked on.
func (st *StepState) begun() bool {
	if st.Done || st.Value != nil || st.begunParts() || st.Shim != nil && (st.Shim.Found != nil || st.Shim.Fitted != nil) {
		return true
	}
	for i := range st.Fasteners {
		if f := &st.Fasteners[i]; f.Held || f.Accepted || f.Redo || f.last() != nil {
			return true
		}
	}
	return false
}

// current returns the job's current step: the first that is not done, or
// len(Steps) once all are.
func (j *Job) current() int {
	for i := range j.Steps {
		if !j.Steps[i].Done {
			return i
		}
	}
	return len(j.Steps)
}

// pointed returns the place that somebody pointed at, or ok false.
func (j *Job) pointed() (step, fastener int, ok bool) {
	if j.PointedStep == "" {
		return 0, 0, false
	}
	p, step := j.Proc.Step(j.PointedStep)
	if p == nil || p.Joint == nil {
		return 0, 0, false
	}
	fastener = p.Joint.Fastener(j.Pointed)
	return step, fastener, fastener >= 0
}

// passAt returns the pass in which a pull at a pointed fastener counts: its
// first open one, or, if it is complete, its last (a pull once more).
func (st *StepState) passAt(j *procedure.Joint, fastener int) int {
	p := st.Fasteners[fastener].openPass(j, fastener)
	if p < len(j.Passes) {
		return p
	}
	for p--; p > 0 && !slices.Contains(j.Passes[p].Order, fastener); p-- {
	}
	return max(p, 0)
}

// NextFastener returns where the next pull is expected: indices of the step,
// the pass and the fastener. A place that somebody pointed at comes first;
// else it is the first of the current step's that is to be pulled again, in the order
// in which they were named, or else of its order, that is neither done nor held. ok is false if the current step takes no pull now.
func (s *State) NextFastener(job *Job) (step, pass, fastener int, ok bool) {
	return job.next()
}

func (j *Job) next() (step, pass, fastener int, ok bool) {
	if step, fastener, ok = j.pointed(); ok {
		return step, j.Steps[step].passAt(j.Proc.Steps[step].Joint, fastener), fastener, true
	}
	step = j.current()
	if step == len(j.Steps) || j.Proc.Steps[step].Joint == nil {
		return 0, 0, 0, false
	}
	pass, fastener = j.Steps[step].next(j.Proc.Steps[step].Joint)
	return step, pass, fastener, fastener >= 0
}

// NextDeadline returns the earliest instant at which the rules want a
// TimeReached, or 0 if none.
func (s *State) NextDeadline() events.Instant {
	var least events.Instant
	for _, j := range s.Jobs { // the least of all: the order does not matter
		if j.Deadline != 0 && (least == 0 || j.Deadline < least) {
			least = j.Deadline
		}
	}
	return least
}
