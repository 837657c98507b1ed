package ledger

import (
	"encoding/json"
	"fmt"

	"witnessmark/events"
)

// outcome is one outcome with its key and the decision that it stands in.
type outcome struct {
	id int64
	at events.Instant // time of the fact, for outcomes that carry none
	d  *events.Decided
}

// decided writes the rows of a decision, outcome by outcome.
func (b *batch) decided(seq uint64, d *events.Decided) error {
	if d.Rules != b.rules {
		if err := b.put(putRulesVersion, int64(seq), d.Rules); err != nil {
			return err
		}
		b.rules = d.Rules
	}
	for i := range d.Outcomes {
		id, err := outcomeID(seq, i)
		if err != nil {
			return err
		}
		if err := b.outcome(outcome{id, d.CauseUs, d}, d.Outcomes[i].Data); err != nil {
			return err
		}
	}
	return nil
}

func (b *batch) outcome(o outcome, data events.OutcomeData) error {
	if data == nil {
		return fmt.Errorf("outcome %d is empty", o.id%outcomesPerDecision)
	}
	name, _ := data.OutcomeType()
	b.count("outcome", name)
	switch d := data.(type) {
	case events.ReadingJudged:
		return b.judged(o, &d)
	case events.ReadingCameLate:
		return b.put(putLate, o.id, int64(d.Reading), d.Box, d.Bench, d.Tool, d.Job, us(d.TakenUs), us(d.ArrivedUs))
	case events.LatenessNoted, events.BoxNoted:
		return nil // for the rules alone; the facts have their rows
	case events.ReadingUnplaced:
		return b.put(putUnplaced, o.id, int64(d.Reading), d.Bench, d.Job, d.Tool, dim(d.Value), base(d.Value), d.Text, d.Unit,
			us(d.AtUs), base(d.Angle), d.By, d.Alert, d.Why, "", int64(0), "", "", "", int64(0))
	case events.ReadingDismissed:
		if err := b.put(settleUnplaced, "dismissed", o.id, "", d.By, d.Reason, us(o.at), int64(d.Reading)); err != nil {
			return err
		}
		return b.put(settleAside, "dismissed", o.id, d.By, d.Reason, us(o.at), int64(d.Reading))
	case events.ReadingVoided:
		return b.put(putVoid, o.id, int64(d.Reading), d.Job, d.Step, int64(d.Pass), d.Fastener, d.By, d.Reason, us(o.at))
	case events.ShopAdopted:
		return b.shop(o, &d)
	case events.ProcedureReleased:
		return b.put(putProcedure, o.id, d.Procedure, d.Revision, d.Title, d.Hash, d.Text, d.By, us(d.AtUs))
	case events.StepFinished:
		return b.put(putStepEvent, o.id, d.Job, d.Step, "finished", d.By, d.Answer, us(d.AtUs))
	case events.StepReopened:
		return b.put(putStepEvent, o.id, d.Job, d.Step, "reopened", "", d.Why, us(o.at))
	case events.FastenerPlaced:
		return b.put(putPointing, o.id, d.Job, d.Step, d.Fastener, d.By, us(d.AtUs))
	case events.DeviationAccepted:
		return b.put(putDeviation, o.id, d.Job, d.Step, d.Fastener, d.Was, d.By, d.Reason, us(d.AtUs))
	case events.FastenerReset:
		return b.put(putReset, o.id, d.Job, d.Step, d.Fastener, d.By, d.Reason, us(o.at))
	case events.RequestRefused:
		b.count("refused_request", d.Code)
		return b.put(putRequestRefused, o.id, int64(o.d.Cause), d.Request, d.Job, d.Code, d.Text, d.Todo, list(d.Items), us(o.at))
	case events.DeadlineSet:
		return nil // of use to the rules alone
	}
	if done, err := b.jobOutcome(o, data); done {
		return err
	}
	if done, err := b.alertOutcome(o, data); done {
		return err
	}
	if done, err := b.toolOutcome(o, data); done {
		return err
	}
	if done, err := b.weighedOutcome(o, data); done {
		return err
	}
	if done, err := b.attestedOutcome(o, data); done {
		return err
	}
	if done, err := b.shimOutcome(o, data); done {
		return err
	}
	if done, err := b.partsOutcome(o, data); done {
		return err
	}
	if done, err := b.recallOutcome(o, data); done {
		return err
	}
	if done, err := b.measuredOutcome(o, data); done {
		return err
	}
	return fmt.Errorf("no table for outcome type %q", name)
}

func (b *batch) judged(o outcome, j *events.ReadingJudged) error {
	b.count("verdict", string(j.Verdict))
	if j.Grade != "" {
		b.count("grade", string(j.Grade))
	}
	d := j.Value.Dimension()
	err := b.put(putJudgement, o.id, int64(j.Reading), int64(o.d.Cause), j.Job, j.Step, int64(j.Pass), j.Fastener,
		string(j.Verdict), string(j.Grade), j.P, int64(d), base(j.Value), j.Text, j.Unit,
		baseIn(d, j.LSL), baseIn(d, j.Target), baseIn(d, j.USL), baseIn(d, j.U), base(j.Angle),
		j.Tool, j.Calibrated, j.Bench, j.By, us(j.AtUs), j.Claimed, bit(j.Typed), bit(j.Held), j.Next, j.Class)
	b.tools[j.Tool]++
	if err != nil || j.Reading == o.d.Cause {
		return err
	}
	// A person assigned it, or later pulls did: it is unplaced no longer.
	err = b.put(settleUnplaced, "claimed", o.id, j.Job, j.By, j.Claimed, us(o.at), int64(j.Reading))
	if err != nil {
		return err
	}
	fate, by := "counted", ""
	if j.Claimed != "" {
		fate, by = "claimed", j.By
	}
	return b.put(settleAside, fate, o.id, by, j.Claimed, us(o.at), int64(j.Reading))
}

// jobOutcome writes what happened to a job as a whole; done is false if data
// is something else.
func (b *batch) jobOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	event := func(job, kind, by, to, bench, note string, at events.Instant) error {
		return b.put(putJobEvent, o.id, job, kind, by, to, bench, note, us(at))
	}
	switch d := data.(type) {
	case events.JobOpened:
		err = b.put(putJob, o.id, d.Job, d.UnitSerial, d.Customer, d.Procedure, d.Revision, d.Hash, bit(d.Weighed), d.Bench, d.By, us(d.AtUs),
			"active", d.Bench, d.By, "", int64(0), "")
		return true, both(err, func() error { return event(d.Job, "opened", d.By, d.By, d.Bench, "", d.AtUs) })
	case events.JobPaused:
		err = b.put(moveJob, "paused", "", "", d.Job)
		return true, both(err, func() error { return event(d.Job, "paused", d.By, "", "", d.Note, d.AtUs) })
	case events.JobResumed:
		err = b.put(moveJob, "active", d.Bench, d.By, d.Job)
		return true, both(err, func() error { return event(d.Job, "resumed", d.By, d.By, d.Bench, "", d.AtUs) })
	case events.JobHandedOver:
		err = b.put(passJob, d.Bench, d.To, d.Job)
		return true, both(err, func() error { return event(d.Job, "handed_over", d.From, d.To, d.Bench, d.Note, d.AtUs) })
	case events.JobNoted:
		return true, event(d.Job, d.Kind, "", "", "", d.Text, d.AtUs)
	case events.JobReleased:
		err = b.put(endJob, "released", d.By, us(d.AtUs), "", d.Job)
		return true, both(err, func() error { return event(d.Job, "released", d.By, "", "", "", d.AtUs) })
	case events.JobAbandoned:
		err = b.put(endJob, "abandoned", d.By, us(d.AtUs), d.Reason, d.Job)
		return true, both(err, func() error { return event(d.Job, "abandoned", d.By, "", "", d.Reason, d.AtUs) })
	}
	return false, nil
}

// both runs next unless err is set.
func both(err error, next func() error) error {
	if err != nil {
		return err
	}
	return next()
}

// alertOutcome writes what happened to an alert; done is false if data is
// something else.
func (b *batch) alertOutcome(o outcome, data events.OutcomeData) (done bool, err error) {
	switch d := data.(type) {
	case events.AlertRaised:
		b.count("alert", string(d.Kind))
		return true, b.put(putAlert, o.id, d.Alert, string(d.Kind), d.Bench, d.Job, d.Step, int64(d.Pass), list(d.Fasteners),
			list(d.Items), d.Tool, int64(d.Reading), weightList(d.Likely), d.P, d.Text, d.Todo, bit(d.Blocks), us(d.AtUs), int64(0), "", int64(0), int64(0), "", "", int64(0))
	case events.AlertAcknowledged:
		return true, b.put(seeAlert, o.id, d.By, us(d.AtUs), d.Alert)
	case events.AlertSettled:
		return true, b.put(settleAlert, o.id, d.By, d.How, us(d.AtUs), d.Alert)
	}
	return false, nil
}

// list writes lines as a JSON array, [] for none.
func list(lines []string) string {
	if len(lines) == 0 {
		return "[]"
	}
	b, err := json.Marshal(lines)
	if err != nil {
		panic(err) // strings always marshal
	}
	return string(b)
}
