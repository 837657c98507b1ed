package record

import (
	"cmp"
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// fold reads the procedure and lets the rules fold the job's decisions, so
// that the record says what the rules say. Without a procedure that can be
// read there is no fold, and the record says so.
func (f *facts) fold(r *Record) {
	p := f.procedure
	r.Procedure = Procedure{ID: f.job.Procedure, Revision: f.job.Revision, Title: p.Title, Hash: f.job.Hash,
		Released: Moment{By: f.person(p.By, p.Seq), AtUs: p.AtUs}}
	if p.Text == "" {
		r.Warnings = append(r.Warnings, "the text of the procedure revision is not in the ledger: fasteners without a reading cannot be named")
		return
	}
	proc, problems := procedure.Parse(p.Procedure+" "+p.Revision, []byte(p.Text))
	if proc == nil {
		r.Warnings = append(r.Warnings, fmt.Sprintf("this program cannot read the procedure revision, so fasteners without a reading cannot be named: %v", problems.Err()))
		return
	}
	r.UnitModel = proc.Unit
	s := rules.New()
	for i, o := range f.outcomes() {
		rules.Evolve(s, events.Decided{Cause: uint64(i + 1), CauseUs: f.job.AtUs, Outcomes: []events.Outcome{{Data: o}}})
	}
	f.proc, f.state = proc, s.Jobs[f.job.Job]
}

// outcomes returns what was decided on the job's work, in journal order. What
// single pulls were taken for is not among it: the rules weigh pulls by it anew,
// which takes time, and no mark hangs on it; what came of the weighing is in
// the other outcomes.
func (f *facts) outcomes() []events.OutcomeData {
	type at struct {
		seq   uint64
		index int
		data  events.OutcomeData
	}
	var all []at
	for i := range f.judgements {
		all = append(all, at{f.judgements[i].Seq, f.judgements[i].Index, f.judgements[i].ReadingJudged})
	}
	for i := range f.voids {
		all = append(all, at{f.voids[i].Seq, f.voids[i].Index, f.voids[i].ReadingVoided})
	}
	for i := range f.resets {
		all = append(all, at{f.resets[i].Seq, f.resets[i].Index, f.resets[i].FastenerReset})
	}
	for i := range f.deviations {
		all = append(all, at{f.deviations[i].Seq, f.deviations[i].Index, f.deviations[i].DeviationAccepted})
	}
	for _, e := range f.steps {
		all = append(all, at{e.Seq, e.Index, stepOutcome(e.Kind, e.Job, e.Step, e.By, e.Note, e.AtUs)})
	}
	for i := range f.witnesses {
		all = append(all, at{f.witnesses[i].Seq, f.witnesses[i].Index, f.witnesses[i].WitnessWeighed})
	}
	for i := range f.asides {
		all = append(all, at{f.asides[i].Seq, f.asides[i].Index, f.asides[i].PullSetAside})
	}
	for i := range f.questions {
		q := &f.questions[i]
		all = append(all, at{q.Seq, q.Index, q.QuestionAsked})
		if !q.Open() {
			all = append(all, at{q.SettledSeq, q.SettledIndex, events.QuestionSettled{
				Question: q.Question, Job: q.Job, By: q.SettledBy, Choice: q.Answer, How: q.SettledHow, AtUs: q.SettledAtUs}})
		}
	}
	for _, x := range f.lost {
		all = append(all, at{x.Seq, x.Index, x.CyclesLost})
	}
	for _, x := range f.audits {
		all = append(all, at{x.Seq, x.Index, x.ResidualAuditOpened})
	}
	for i := range f.residuals {
		all = append(all, at{f.residuals[i].Seq, f.residuals[i].Index, f.residuals[i].ResidualJudged})
	}
	f.shimOutcomes(func(seq uint64, index int, o events.OutcomeData) { all = append(all, at{seq, index, o}) })
	f.partsOutcomes(func(seq uint64, index int, o events.OutcomeData) { all = append(all, at{seq, index, o}) })
	slices.SortFunc(all, func(a, b at) int {
		if a.seq != b.seq {
			return cmp.Compare(a.seq, b.seq)
		}
		return a.index - b.index
	})
	out := []events.OutcomeData{f.procedure.ProcedureReleased, f.job.JobOpened}
	for _, x := range all {
		out = append(out, x.data)
	}
	return out
}

func stepOutcome(kind, job, step, by, note string, at events.Instant) events.OutcomeData {
	if kind == "finished" {
		return events.StepFinished{Job: job, Step: step, By: by, Answer: note, AtUs: at}
	}
	return events.StepReopened{Job: job, Step: step, Why: note}
}
