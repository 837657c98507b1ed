package record

import (
	"context"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

// Explanation is one thing that a pull may have been.
type Explanation struct {
	Kind     events.ExplanationKind `json:"kind"`
	Fastener string                 `json:"fastener,omitempty"`
	P        float64                `json:"p"`
	Text     string                 `json:"text"` // for people
}

// ReadAs is what a pull was taken for, given all the others.
type ReadAs struct {
	Best    Explanation   `json:"best"`
	Others  []Explanation `json:"others,omitempty"`  // also possible, most probable first
	Changes []Reread      `json:"changes,omitempty"` // each time that it was read otherwise than before
}

// Reread says that a pull was taken for something else from then on, because
// of later pulls or an answer.
type Reread struct {
	Was Explanation `json:"was"`
	Is  Explanation `json:"is"`
	Seq uint64      `json:"seq"`
}

// Candidate is a fastener that an alert may be about.
type Candidate struct {
	Fastener string  `json:"fastener"`
	P        float64 `json:"p"`
}

// SetAside is a pull that counts for no fastener and of which nothing is asked.
type SetAside struct {
	Step       string                 `json:"step"`
	Pass       int                    `json:"pass"`
	Kind       events.ExplanationKind `json:"kind"`
	Fastener   string                 `json:"fastener,omitempty"` // the most probable one
	P          float64                `json:"p"`
	Text       string                 `json:"text"` // what it was, for people
	Why        string                 `json:"why"`
	Value      quantity.Value         `json:"value"`
	SentText   string                 `json:"sent_text"`
	SentUnit   string                 `json:"sent_unit"`
	Angle      quantity.Value         `json:"angle,omitzero"`
	Tool       string                 `json:"tool"`
	By         *Person                `json:"by,omitempty"`
	Bench      string                 `json:"bench"`
	AtUs       events.Instant         `json:"at_us"`
	ReadingSeq uint64                 `json:"reading_seq"`
	DecidedSeq uint64                 `json:"decided_seq"`
	ReadAs     *ReadAs                `json:"read_as,omitempty"`
	Fate       string                 `json:"fate"`              // aside, claimed, counted, dismissed
	FateBy     *Person                `json:"fate_by,omitempty"` // nil: later pulls did
	FateReason string                 `json:"fate_reason,omitempty"`
	FateAtUs   events.Instant         `json:"fate_at_us,omitempty"`
}

// Question is a question to the technician about a pull.
type Question struct {
	ID         string         `json:"id"`
	Step       string         `json:"step"`
	Pass       int            `json:"pass"`
	Text       string         `json:"text"`
	Choices    []string       `json:"choices"` // for people
	AtUs       events.Instant `json:"at_us"`
	ReadingSeq uint64         `json:"reading_seq"`
	Seq        uint64         `json:"seq"`
	Settled    bool           `json:"settled"`
	Answer     string         `json:"answer,omitempty"`      // the choice, for people; "": none was given
	AnsweredBy *Person        `json:"answered_by,omitempty"` // nil: nobody, it no longer mattered
	How        string         `json:"how,omitempty"`
	SettledUs  events.Instant `json:"settled_at_us,omitempty"`
}

// Lost says that a tool made pulls that did not arrive, as its counter tells.
type Lost struct {
	Step   string         `json:"step,omitempty"`
	Tool   string         `json:"tool"`
	Cycles int            `json:"cycles"`
	AtUs   events.Instant `json:"at_us"`
	Seq    uint64         `json:"seq"`
}

// Audit is a residual-torque audit of a finished fastener. It is never a
// witness and counts for no pass.
type Audit struct {
	Step     string                `json:"step"`
	Fastener string                `json:"fastener"`
	Method   events.ResidualMethod `json:"method"`
	Opened   *Moment               `json:"opened,omitempty"`
	Seq      uint64                `json:"seq"`
	Result   *AuditResult          `json:"result,omitempty"` // nil: not taken
}

// AuditResult is what an audit found, compared with the installation.
type AuditResult struct {
	Residual   quantity.Value `json:"residual"`
	U          quantity.Value `json:"u_expanded,omitzero"` // k = 2
	Installed  quantity.Value `json:"installed,omitzero"`  // torque of the fastener's witness
	Low        quantity.Value `json:"agrees_from,omitzero"`
	High       quantity.Value `json:"agrees_to,omitzero"`
	Agrees     bool           `json:"agrees"`
	Text       string         `json:"text"`
	By         Person         `json:"by"`
	AtUs       events.Instant `json:"at_us"`
	ReadingSeq uint64         `json:"reading_seq"`
	Seq        uint64         `json:"seq"`
}

func (f *facts) gatherWeighed(ctx context.Context, q *ledger.Queries, job string) (err error) {
	if f.pulls, err = q.PullWeightsOf(ctx, job); err != nil {
		return err
	}
	f.weights = map[uint64]*ledger.Weight{}
	for _, w := range ledger.LatestWeights(f.pulls) {
		f.weights[w.Reading] = &w
	}
	if f.witnesses, err = q.WitnessWeightsOf(ctx, job); err != nil {
		return err
	}
	if f.asides, err = q.AsideOf(ctx, job); err != nil {
		return err
	}
	if f.questions, err = q.QuestionsOf(ctx, job); err != nil {
		return err
	}
	if f.lost, err = q.LostOf(ctx, job); err != nil {
		return err
	}
	if f.audits, err = q.AuditsOf(ctx, job); err != nil {
		return err
	}
	f.residuals, err = q.ResidualsOf(ctx, job)
	return err
}

// weighedInto adds what was inferred, asked and audited.
func (f *facts) weighedInto(r *Record) {
	for i := range f.asides {
		if f.lastAside(i) {
			r.SetAside = append(r.SetAside, f.setAside(&f.asides[i]))
		}
	}
	for i := range f.questions {
		r.Questions = append(r.Questions, f.question(&f.questions[i]))
	}
	for _, x := range f.lost {
		r.Lost = append(r.Lost, Lost{Step: x.Step, Tool: x.Tool, Cycles: x.Cycles, AtUs: x.AtUs, Seq: x.Seq})
	}
	f.auditsInto(r)
}

// lastAside reports whether a pull was not set aside again later, as something
// else.
func (f *facts) lastAside(i int) bool {
	for _, a := range f.asides[i+1:] {
		if a.Reading == f.asides[i].Reading {
			return false
		}
	}
	return true
}

func (f *facts) setAside(a *ledger.Aside) SetAside {
	fate := a.Fate
	if fate == "" {
		fate = "aside"
	}
	return SetAside{
		Step: a.Step, Pass: a.Pass, Kind: a.Kind, Fastener: a.Fastener, P: a.P, Text: explain(a.Kind, a.Fastener), Why: a.Why,
		Value: a.Value, SentText: a.Text, SentUnit: a.Unit, Angle: a.Angle, Tool: a.Tool, By: f.somebody(a.By, a.Seq), Bench: a.Bench,
		AtUs: a.AtUs, ReadingSeq: a.Reading, DecidedSeq: a.Seq, ReadAs: f.readAs(a.Reading),
		Fate: fate, FateBy: f.somebody(a.FateBy, a.FateSeq), FateReason: a.FateReason, FateAtUs: a.FateAtUs,
	}
}

func (f *facts) question(q *ledger.Question) Question {
	out := Question{ID: q.Question, Step: q.Step, Pass: q.Pass, Text: q.Text, Choices: []string{}, AtUs: q.AtUs, ReadingSeq: q.Reading, Seq: q.Seq,
		Settled: !q.Open(), AnsweredBy: f.somebody(q.SettledBy, q.SettledSeq), How: q.SettledHow, SettledUs: q.SettledAtUs}
	for _, c := range q.Choices {
		out.Choices = append(out.Choices, c.Text)
		if q.Answer != "" && c.Key == q.Answer {
			out.Answer = c.Text
		}
	}
	return out
}

// auditsInto lists the audits. A result belongs to the last one that was
// opened before it.
func (f *facts) auditsInto(r *Record) {
	next := 0
	for _, a := range f.audits {
		next = f.strayResults(r, next, a.Seq)
		r.Audits = append(r.Audits, Audit{Step: a.Step, Fastener: a.Fastener, Method: a.Method, Seq: a.Seq,
			Opened: &Moment{By: f.person(a.By, a.Seq), AtUs: a.AtUs}})
	}
	f.strayResults(r, next, 1<<64-1)
}

// strayResults adds the results from index next up to a sequence, the first of
// them to the audit that waits for one.
func (f *facts) strayResults(r *Record, next int, until uint64) int {
	for ; next < len(f.residuals) && f.residuals[next].Seq < until; next++ {
		x := &f.residuals[next]
		res := &AuditResult{Residual: x.Residual, U: x.U, Installed: x.Installed, Low: x.Low, High: x.High, Agrees: x.Agrees,
			Text: x.Text, By: f.person(x.By, x.Seq), AtUs: x.AtUs, ReadingSeq: x.Reading, Seq: x.Seq}
		if n := len(r.Audits) - 1; n >= 0 && r.Audits[n].Result == nil && r.Audits[n].Step == x.Step && r.Audits[n].Fastener == x.Fastener {
			r.Audits[n].Result = res
			continue
		}
		r.Audits = append(r.Audits, Audit{Step: x.Step, Fastener: x.Fastener, Method: x.Method, Seq: x.Seq, Result: res})
	}
	return next
}

// readAs tells what a pull is taken for; nil if it was not weighed.
func (f *facts) readAs(reading uint64) *ReadAs {
	w := f.weights[reading]
	if w == nil || len(w.Explanations) == 0 {
		return nil
	}
	out := &ReadAs{Best: explanation(w.Best())}
	for _, e := range w.Explanations[1:] {
		out.Others = append(out.Others, explanation(e))
	}
	for _, c := range w.Changes {
		out.Changes = append(out.Changes, Reread{Was: explanation(c.Was), Is: explanation(c.Is), Seq: c.Seq})
	}
	return out
}

// sureOf returns the probability that a judgement's fastener is tight, as it
// was weighed last; 0 unless that is its grade's ground.
func (f *facts) sureOf(j *ledger.Judgement, g events.Grade) float64 {
	if g != events.Reasoned {
		return 0
	}
	for i := len(f.witnesses) - 1; i >= 0; i-- {
		w := &f.witnesses[i]
		if w.Step != j.Step || w.Pass != j.Pass || w.Seq < j.Seq {
			continue
		}
		for _, x := range w.Fasteners {
			if x.Fastener == j.Fastener {
				return x.P
			}
		}
	}
	return j.P
}

func candidates(ws []events.FastenerWeight) []Candidate {
	var out []Candidate
	for _, w := range ws {
		out = append(out, Candidate{w.Fastener, w.P})
	}
	return out
}

func explanation(e events.Explanation) Explanation {
	return Explanation{Kind: e.Kind, Fastener: e.Fastener, P: e.P, Text: explain(e.Kind, e.Fastener)}
}

// explain says in words what a pull was taken for.
func explain(k events.ExplanationKind, fastener string) string {
	which := "a fastener"
	if fastener != "" {
		which = "fastener " + fastener
	}
	switch k {
	case events.ExplainedNext:
		return which + ", next in order"
	case events.ExplainedOther:
		return which + ", out of order"
	case events.ExplainedSwing:
		return "a further swing on " + which
	case events.ExplainedRepeat:
		return "a second pull on " + which
	case events.ExplainedRetighten:
		return which + ", tightened again after it was loosened"
	case events.ExplainedElsewhere:
		return which + " of another step"
	case events.ExplainedNowhere:
		return "a pull on no fastener"
	case events.ExplainedSameCycle:
		return "the same cycle, sent twice"
	}
	return string(k)
}

// summariseWeighed counts what was inferred, asked and audited.
func (r *Record) summariseWeighed(f *facts) {
	s := &r.Summary
	for i := range r.SetAside {
		if fate := r.SetAside[i].Fate; fate == "aside" || fate == ledger.Dismissed {
			s.SetAside++
		}
	}
	for i := range r.Questions {
		s.Questions++
		if !r.Questions[i].Settled {
			s.QuestionsOpen++
		}
	}
	for _, x := range r.Lost {
		s.LostCycles += x.Cycles
	}
	for _, w := range f.weights { // only counted: the order does not matter
		if len(w.Changes) > 0 {
			s.ReadOtherwise++
		}
	}
	for _, a := range r.Audits {
		if a.Result != nil {
			s.Audits++
			if !a.Result.Agrees {
				s.AuditsDiffer++
			}
		}
	}
	s.LeastSure = r.leastSure()
}

func (r *Record) leastSure() *LeastSure {
	var out *LeastSure
	for i := range r.Steps {
		j := r.Steps[i].Joint
		if j == nil {
			continue
		}
		for k := range j.Fasteners {
			if x := &j.Fasteners[k]; x.State == Witnessed && x.P > 0 && (out == nil || x.P < out.P) {
				out = &LeastSure{Step: r.Steps[i].ID, Fastener: x.ID, P: x.P}
			}
		}
	}
	return out
}
