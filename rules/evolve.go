package rules

import (
	"slices"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// Evolve folds one decision into s. It cannot fail. A decision whose cause is
// already answered changes nothing, so delivering one again is harmless.
func Evolve(s *State, d events.Decided) {
	if d.Cause <= s.Cause {
		return
	}
	s.Cause = d.Cause
	s.countCycles(&d)
	var jobs []string
	for _, o := range d.Outcomes {
		if id := s.concerns(o.Data); id != "" && !slices.Contains(jobs, id) {
			jobs = append(jobs, id)
		}
		s.fold(o.Data, d.CauseUs)
	}
	for _, id := range jobs {
		if old := s.Jobs[id]; old != nil {
			j := *old
			j.Facts = append(j.Facts, d.Cause) // in room that this state alone has: see Clone
			s.Jobs[id] = &j
		}
	}
}

// concerns returns the job that an outcome is about or names, "" if none.
func (s *State) concerns(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.AlertAcknowledged:
		return s.jobOfAlert(o.Alert)
	case events.AlertSettled:
		return s.jobOfAlert(o.Alert)
	}
	return events.JobOf(o)
}

func (s *State) jobOfAlert(id string) string {
	if a := s.Alerts[id]; a != nil {
		return a.Job
	}
	return ""
}

// fold applies one outcome; now is the time of the fact that caused it.
func (s *State) fold(o events.OutcomeData, now events.Instant) {
	s.foldWorth(o)
	switch o := o.(type) {
	case events.ShopAdopted:
		s.Shop, s.ShopHash = o.Shop, o.Hash
		s.registerShop(now)
		s.stockShims()
	case events.ProcedureReleased:
		s.foldProcedure(o)
	case events.JobOpened:
		s.foldOpened(o)
	case events.JobReleased:
		s.learn(s.Jobs[o.Job])
		s.end(o.Job, "was released", now)
	case events.LearningForgotten:
		s.Learned.Forget(learnStep(o.Procedure, o.Step))
	case events.JobAbandoned:
		s.foldSerials(o)
		s.end(o.Job, "was abandoned", now)
	case events.ShimStockChanged:
		s.Shims[o.Drawer] = withPiece(s.Shims[o.Drawer], o.Piece)
	case events.ReadingUnplaced:
		s.keepUnplaced(o)
	case events.ReadingDismissed:
		delete(s.Unplaced, o.Reading)
	case events.AlertRaised:
		s.foldRaised(o)
	case events.AlertAcknowledged:
		if a := s.Alerts[o.Alert]; a != nil {
			b := *a
			b.AckBy, b.AckAt = o.By, o.AtUs
			s.Alerts[o.Alert] = &b
		}
	case events.AlertSettled:
		s.foldSettled(o.Alert)
	default:
		if !s.foldTool(o, now) && !s.foldRecall(o) && !s.foldBox(o) {
			s.foldJob(o, now)
		}
	}
}

// foldJob applies an outcome that moves one open job.
func (s *State) foldJob(o events.OutcomeData, now events.Instant) {
	id := events.JobOf(o)
	old := s.Jobs[id]
	if old == nil {
		return
	}
	switch r := o.(type) {
	case events.ReadingJudged:
		delete(s.Unplaced, r.Reading)
	case events.PartRecorded, events.PartUndone:
		s.foldSerials(o)
	case events.PullSetAside: // it can still be claimed
		s.keepUnplaced(events.ReadingUnplaced{
			Reading: r.Reading, Bench: r.Bench, Job: r.Job, Tool: r.Tool, Value: r.Value, Text: r.Text, Unit: r.Unit,
			AtUs: r.AtUs, Angle: r.Angle, By: r.By, Why: r.Why,
		})
	}
	if a, ok := o.(events.ItemAnswered); ok {
		for _, r := range a.Readings {
			delete(s.Unplaced, r)
		}
	}
	j := old.clone()
	if p, ok := o.(events.PullWeighed); ok {
		j.applyPull(p, s.toolOf(p.Tool))
	} else {
		j.apply(o, now)
	}
	s.Jobs[id] = j
	s.foldBench(old, j, now)
}

// foldBench keeps BenchJob in step with where the job was and is.
func (s *State) foldBench(old, j *Job, now events.Instant) {
	if old.Bench == j.Bench && old.Status == j.Status {
		return
	}
	if s.BenchJob[old.Bench] == j.ID {
		delete(s.BenchJob, old.Bench)
		s.leftBench(old.Bench, j.ID, "left it", now)
	}
	if j.Status == JobActive {
		s.BenchJob[j.Bench] = j.ID
		s.cameTo(j.Bench, now)
	}
}

func (s *State) foldProcedure(o events.ProcedureReleased) {
	key := ProcKey(o.Procedure, o.Revision)
	s.ProcTexts[key] = o.Text
	s.readProcedure(key)
	s.Newest[o.Procedure] = o.Revision
}

// readProcedure reads a released procedure's file. Only a program whose
// checks have become stricter than those it was released under can fail here.
func (s *State) readProcedure(key string) {
	p, problems := procedure.Parse(key, []byte(s.ProcTexts[key]))
	if err := problems.Err(); p == nil || err != nil {
		s.Unreadable[key] = "cannot be read"
		if err != nil {
			s.Unreadable[key] = err.Error()
		}
	}
	if p != nil {
		s.Procedures[key] = p
	}
}

func (s *State) foldOpened(o events.JobOpened) {
	p := s.Procedures[ProcKey(o.Procedure, o.Revision)]
	if p == nil {
		return // told by Unreadable
	}
	s.Jobs[o.Job] = newJob(o, p)
	s.Jobs[o.Job].matching = s.index.matching
	s.teach(s.Jobs[o.Job])
	s.BenchJob[o.Bench] = o.Job
	s.cameTo(o.Bench, o.AtUs)
}

func newJob(o events.JobOpened, p *procedure.Procedure) *Job {
	j := &Job{
		ID: o.Job, UnitSerial: o.UnitSerial, Customer: o.Customer, Proc: p, Bench: o.Bench,
		Weighed: o.Weighed, Technician: o.By, Status: JobActive, OpenedAt: o.AtUs, LastAt: o.AtUs,
		Steps: make([]StepState, len(p.Steps)),
	}
	for i := range p.Steps {
		j.Steps[i].Presses = j.newPresses(i)
		if jt := p.Steps[i].Joint; jt != nil {
			j.Steps[i].Weigh = make([]*PassWeigh, len(jt.Passes))
			for k := range jt.Passes {
				j.Steps[i].Weigh[k] = &PassWeigh{}
			}
			j.Steps[i].Fasteners = make([]FastenerState, len(jt.Fasteners))
			for k := range j.Steps[i].Fasteners {
				j.Steps[i].Fasteners[k] = newFastener(jt, k, o.Weighed)
			}
		}
	}
	return j
}

func newFastener(jt *procedure.Joint, k int, weighed bool) FastenerState {
	f := FastenerState{Marks: make([]Mark, len(jt.Passes)), Weighed: weighed}
	if c := jt.ClosingOf(k); c >= 0 {
		f.Closing, f.NeedsClosing = c, weighed
		f.Demands, f.Enough = jt.Evidence, reasonedEnough
		if jt.Class == procedure.ClassA {
			f.Enough = reasonedEnoughA
		}
	}
	return f
}

// end takes a job out of the state; only its id stays.
func (s *State) end(id, how string, now events.Instant) {
	j := s.Jobs[id]
	if j == nil {
		return
	}
	for _, a := range j.Alerts {
		delete(s.Alerts, a)
	}
	if s.BenchJob[j.Bench] == id {
		delete(s.BenchJob, j.Bench)
		s.leftBench(j.Bench, id, how, now)
	}
	delete(s.Jobs, id)
	s.Ended[id] = true
}

func (s *State) foldRaised(o events.AlertRaised) {
	s.Alerts[o.Alert] = &Alert{AlertRaised: o}
	if j := s.Jobs[o.Job]; j != nil {
		j = j.clone()
		j.Alerts = append(slices.Clip(j.Alerts), o.Alert)
		if tellsOfOrder(&o) {
			j.Strayed = latest(j.Strayed, o.Reading)
		}
		s.Jobs[o.Job] = j
		return
	}
	s.index.loose = append(s.index.loose, o.Alert)
}

func (s *State) foldSettled(id string) {
	a := s.Alerts[id]
	if a == nil {
		return
	}
	delete(s.Alerts, id)
	is := func(other string) bool { return other == id }
	if j := s.Jobs[a.Job]; j != nil {
		j = j.clone()
		j.Alerts = slices.DeleteFunc(slices.Clone(j.Alerts), is)
		s.Jobs[a.Job] = j
		return
	}
	s.index.loose = slices.DeleteFunc(s.index.loose, is)
}
