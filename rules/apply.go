package rules

import (
	"maps"
	"slices"

	"witnessmark/events"
)

// clone returns a copy of the job that may be changed by apply without the
// original showing it. apply copies what lies deeper before it writes there.
func (j *Job) clone() *Job {
	c := *j
	c.Steps = slices.Clone(j.Steps)
	return &c
}

// apply folds one outcome into a cloned job; now is the time of its cause.
// Decide uses it too, on its own clone, to see what follows from an outcome.
func (j *Job) apply(o events.OutcomeData, now events.Instant) {
	j.changed(o, now)
	if j.applyPress(o) {
		if _, ok := o.(events.ReadingJudged); ok {
			j.LastAt = now
		}
		return
	}
	switch o := o.(type) {
	case events.PartPicked:
		j.applyPicked(o)
	case events.PartRecorded:
		j.applyRecorded(o)
	case events.PartUndone:
		j.applyUndone(o)
	case events.PhotoKept:
		j.Photos = append(slices.Clip(j.Photos), o)
	case events.ReadingJudged:
		j.applyJudged(o, now)
	case events.ReadingVoided:
		j.applyVoided(o)
	case events.FastenerPlaced:
		j.PointedStep, j.Pointed = o.Step, o.Fastener
	case events.DeviationAccepted:
		j.applyAccepted(o)
	case events.FastenerReset:
		j.applyReset(o)
	case events.StepFinished:
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Done, j.Steps[i].Answer, j.Steps[i].Guided = true, o.Answer, nil
		}
	case events.StepReopened:
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Done, j.Steps[i].Accepted, j.Steps[i].Answer = false, false, ""
			j.askAnew(i)
		}
	case events.JobPaused:
		j.Status, j.Deadline = JobPaused, 0
		j.PointedStep, j.Pointed = "", ""
		j.note(o.Note)
	case events.JobResumed:
		j.Status, j.Bench, j.Technician, j.LastAt = JobActive, o.Bench, o.By, now
	case events.JobHandedOver:
		j.Technician, j.Bench, j.LastAt = o.To, o.Bench, now
		j.note(o.Note)
	case events.DeadlineSet:
		j.Deadline = o.AtUs
	case events.QuestionAsked:
		j.Question = &o
	case events.QuestionSettled:
		if j.Question != nil && j.Question.Question == o.Question {
			j.applyAnswer(j.Question, o.Choice)
			j.Question = nil
		}
	case events.OverrideGiven:
		j.Overrides = append(slices.Clip(j.Overrides), o)
	case events.ResidualAuditOpened:
		j.Audit = &o
	case events.ResidualJudged:
		j.Audit, j.Residuals = nil, latest(j.Residuals, o)
	case events.PullSetAside:
		j.LastAt, j.Aside = now, latest(j.Aside, o)
	case events.WitnessWeighed:
		j.applyWeighed(o)
	case events.CyclesLost:
		j.Lost = with(j.Lost, o.Tool, j.Lost[o.Tool]+o.Cycles)
	case events.ShimFound, events.ShimProposed, events.ShimFitted, events.ShimChecked:
		j.applyShims(o)
	default:
		if !j.applyGuided(o) {
			j.applyAttested(o)
		}
	}
}

// changed notes when something was decided about a step, so that a reading from
// before that is not taken for one from after it.
func (j *Job) changed(o events.OutcomeData, now events.Instant) {
	step := ""
	switch o := o.(type) {
	case events.StepFinished:
		step = o.Step
	case events.StepReopened:
		step = o.Step
	case events.DeviationAccepted:
		step = o.Step
	case events.FastenerReset:
		step = o.Step
	case events.FastenerPlaced:
		step = o.Step
	case events.ResidualAuditOpened:
		step = o.Step
	case events.PressCleared:
		step = o.Step
	default:
		return
	}
	if _, i := j.Proc.Step(step); i >= 0 {
		j.Steps[i].ChangedAt = max(j.Steps[i].ChangedAt, now)
	}
}

// mostKept is how many set-aside pulls and audits stay at hand; older ones are
// in the journal and the ledger.
const mostKept = 32

// latest appends to a list of which only the latest are kept.
func latest[T any](list []T, v T) []T {
	if len(list) >= mostKept {
		list = list[len(list)-mostKept+1:]
	}
	out := make([]T, 0, len(list)+1)
	return append(append(out, list...), v)
}

// with returns a copy of m in which key has a value.
func with(m map[string]int, key string, v int) map[string]int {
	c := make(map[string]int, len(m)+1)
	maps.Copy(c, m)
	c[key] = v
	return c
}

// applyAnswer takes an answer as evidence.
func (j *Job) applyAnswer(q *events.QuestionAsked, choice string) {
	p, i := j.Proc.Step(q.Step)
	if p == nil || p.Joint == nil {
		return
	}
	for _, c := range q.Choices {
		if c.Key == choice {
			j.learnFrom(i, q.Pass, Evidence{Op: "answer", Reading: q.Reading, Kind: c.Kind, Fastener: p.Joint.Fastener(c.Fastener)}) // -1: none named
		}
	}
}

// correct tells the filters of all passes that a person did something to a
// fastener.
func (j *Job) correct(i int, e Evidence) {
	for pass := range j.Steps[i].Weigh {
		if slices.Contains(j.Proc.Steps[i].Joint.Passes[pass].Order, e.Fastener) {
			j.learnFrom(i, pass, e)
		}
	}
}

// applyWeighed takes over how sure each fastener is, and the grade of its
// final pull in the weighed pass. A confirmed place stays one.
func (j *Job) applyWeighed(o events.WitnessWeighed) {
	p, i := j.Proc.Step(o.Step)
	if p == nil || p.Joint == nil {
		return
	}
	st := &j.Steps[i]
	if o.Pass >= 0 && o.Pass < len(st.Weigh) && !st.Weigh[o.Pass].Told {
		st.ownWeigh(o.Pass).Told = true
	}
	st.Fasteners = slices.Clone(st.Fasteners)
	for _, w := range o.Fasteners {
		k := p.Joint.Fastener(w.Fastener)
		if k < 0 {
			continue
		}
		f := &st.Fasteners[k]
		f.P = w.P
		if o.Pass < 0 || o.Pass >= len(f.Marks) || f.Marks[o.Pass].Reading == 0 || f.Marks[o.Pass].Grade == events.Placed || w.Grade == "" || f.Marks[o.Pass].Grade == w.Grade {
			continue
		}
		f.Marks = slices.Clone(f.Marks)
		f.Marks[o.Pass].Grade = w.Grade
	}
	st.refresh(p.Joint)
}

func (j *Job) note(s string) {
	if s != "" {
		j.Notes = append(slices.Clip(j.Notes), s)
	}
}

// fastener returns step i's state and, its own copy, the fastener with an id;
// f is nil if there is none.
func (j *Job) fastener(step, id string) (st *StepState, i int, f *FastenerState) {
	p, n := j.Proc.Step(step)
	if p == nil || p.Joint == nil {
		return nil, 0, nil
	}
	k := p.Joint.Fastener(id)
	if k < 0 {
		return nil, 0, nil
	}
	st = &j.Steps[n]
	st.Fasteners = slices.Clone(st.Fasteners)
	f = &st.Fasteners[k]
	f.Marks = slices.Clone(f.Marks)
	return st, n, f
}

func (j *Job) applyJudged(o events.ReadingJudged, now events.Instant) {
	j.LastAt = now
	m := Mark{Reading: o.Reading, Verdict: o.Verdict, Grade: o.Grade, Judged: &o}
	if o.Fastener == "" {
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Value = &m
		}
		return
	}
	st, n, f := j.fastener(o.Step, o.Fastener)
	if f == nil || o.Pass < 0 || o.Pass >= len(f.Marks) {
		return
	}
	f.Marks[o.Pass] = m
	f.Held = o.Held
	f.Redo = f.Redo && !m.counts()
	f.Accepted = f.Accepted && m.counts() // judged by its last reading
	st.refresh(j.Proc.Steps[n].Joint)
	// A low pull is followed by another one at the same place.
	if o.Verdict != events.Low || o.Held {
		if j.PointedStep == o.Step && j.Pointed == o.Fastener {
			j.PointedStep, j.Pointed = "", ""
		}
	}
}

func (j *Job) applyVoided(o events.ReadingVoided) {
	if o.Fastener == "" {
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Value, j.Steps[i].Made = nil, nil
			j.Steps[i].uncheckShims()
		}
		return
	}
	st, n, f := j.fastener(o.Step, o.Fastener)
	if f == nil || o.Pass < 0 || o.Pass >= len(f.Marks) || f.Marks[o.Pass].Reading != o.Reading {
		return
	}
	f.Marks[o.Pass] = Mark{}
	f.Held, f.Redo = false, o.Reason != movedOn && o.Reason != wasNone || o.By != ""
	if f.Redo && o.By == "" {
		k := j.Proc.Steps[n].Joint.Fastener(o.Fastener)
		st.Asked = append(slices.DeleteFunc(slices.Clone(st.Asked), func(i int) bool { return i == k || !st.Fasteners[i].Redo }), k)
	}
	st.refresh(j.Proc.Steps[n].Joint)
	if o.By != "" { // else the evidence itself has spoken
		j.learnFrom(n, o.Pass, Evidence{Op: "void", Reading: o.Reading, Fastener: j.Proc.Steps[n].Joint.Fastener(o.Fastener)})
	}
}

func (j *Job) applyAccepted(o events.DeviationAccepted) {
	j.excuse(o.Step, o.Fastener)
	if o.Fastener == "" {
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Accepted = true
			j.acceptRest(i)
			j.acceptPlaces(i)
		}
		return
	}
	if st, n, f := j.fastener(o.Step, o.Fastener); f != nil {
		f.Accepted, f.Held, f.Redo = true, false, false
		st.refresh(j.Proc.Steps[n].Joint)
		j.correct(n, Evidence{Op: "accept", Fastener: j.Proc.Steps[n].Joint.Fastener(o.Fastener)})
	}
}

// acceptRest accepts all that a torque step has left open.
func (j *Job) acceptRest(step int) {
	jt, st := j.Proc.Steps[step].Joint, &j.Steps[step]
	if jt == nil {
		return
	}
	st.Fasteners = slices.Clone(st.Fasteners)
	for i := range st.Fasteners {
		if f := &st.Fasteners[i]; f.Held || !st.complete(jt, i) {
			f.Accepted, f.Held, f.Redo = true, false, false
		}
	}
	st.refresh(jt)
}

func (j *Job) applyReset(o events.FastenerReset) {
	if o.Fastener == "" {
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			j.Steps[i].Value, j.Steps[i].Made = nil, nil
			j.Steps[i].uncheckShims()
		}
		return
	}
	if st, n, f := j.fastener(o.Step, o.Fastener); f != nil {
		j.staleEnds(o.Step)
		f.Marks, f.P = make([]Mark, len(f.Marks)), 0
		f.Accepted, f.Held, f.Redo = false, false, true
		st.refresh(j.Proc.Steps[n].Joint)
		j.correct(n, Evidence{Op: "reset", Fastener: j.Proc.Steps[n].Joint.Fastener(o.Fastener)})
	}
}
