package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"witnessmark/events"
	"witnessmark/rules"
	"witnessmark/rules/service"
	"witnessmark/simulator"
)

// desk is what simulated people do on the pages. It asks the service the same
// things that the pages ask.
type desk struct {
	service *service.Service
}

func (d desk) ask(ctx context.Context, a events.Asker) error {
	_, decided, err := d.service.Submit(ctx, a)
	if err != nil {
		return err
	}
	for _, o := range decided.Outcomes {
		if r, ok := o.Data.(events.RequestRefused); ok {
			return fmt.Errorf("%w (%s): %s", simulator.ErrRefused, r.Code, r.Text)
		}
	}
	return nil
}

func by(person string, j simulator.Job) events.Ask {
	return events.Ask{By: person, Bench: j.Bench, AtUs: events.InstantOf(time.Now())}
}

// Open implements simulator.Desk.
func (d desk) Open(ctx context.Context, j simulator.Job) error {
	return d.ask(ctx, events.JobAsked{Ask: by(j.Technician, j), Job: j.ID, UnitSerial: j.UnitSerial, Customer: j.Customer,
		Procedure: j.Procedure, Revision: j.Revision})
}

// Confirm implements simulator.Desk.
func (d desk) Confirm(ctx context.Context, j simulator.Job, step, answer string) error {
	return d.ask(ctx, events.StepConfirmAsked{Ask: by(j.Technician, j), Job: j.ID, Step: step, Answer: answer})
}

// Attest implements simulator.Desk. The lead is the second person.
func (d desk) Attest(ctx context.Context, j simulator.Job, a simulator.Attested) error {
	switch a.Kind {
	case simulator.AttestClose:
		return d.ask(ctx, events.LooseEndCloseAsked{Ask: by(j.Lead, j), Job: j.ID, LooseEnd: a.ID, Answer: "looked at it: it is so"})
	case simulator.AttestRelease:
		return d.ask(ctx, events.HoldReleaseAsked{Ask: by(j.Lead, j), Job: j.ID, Step: a.Step, Note: "looked at it"})
	}
	answer := a.Answer
	if answer == simulator.RightWay {
		answer = d.rightWay(j, a)
	}
	return d.ask(ctx, events.ItemAnswerAsked{Ask: by(j.Technician, j), Job: j.ID, Step: a.Step, Item: a.ID, Answer: answer, Other: a.Other, Text: a.Text, Unit: a.Unit})
}

// rightWay returns the key under which a job offers the right way of a part.
func (d desk) rightWay(j simulator.Job, a simulator.Attested) (key string) {
	d.service.View(func(s *rules.State) {
		job := s.Jobs[j.ID]
		if job == nil {
			return
		}
		if p, _ := job.Proc.Step(a.Step); p != nil && p.Item(a.ID) != nil {
			key = strconv.Itoa(1 + slices.Index(rules.Offered(j.ID, a.Step, p.Item(a.ID)), 0))
		}
	})
	return key
}

// Point implements simulator.Desk.
func (d desk) Point(ctx context.Context, j simulator.Job, step, fastener string) error {
	return d.ask(ctx, events.FastenerPointed{Ask: by(j.Technician, j), Job: j.ID, Step: step, Fastener: fastener})
}

// Find implements simulator.Desk: it names the first fastener of the step that
// the page draws as undone, and points at it if the job has gone on to another
// step.
func (d desk) Find(ctx context.Context, j simulator.Job, step string) (string, error) {
	fastener, current := "", false
	d.service.View(func(s *rules.State) {
		job := s.Jobs[j.ID]
		if job == nil {
			return
		}
		_, i := job.Proc.Step(step)
		if i < 0 || job.Proc.Steps[i].Joint == nil {
			return
		}
		if at, _, f, ok := s.NextFastener(job); ok && at == i {
			fastener, current = job.Proc.Steps[i].Joint.Fasteners[f].ID, true
			return
		}
		pass := job.Steps[i].Pass
		joint := job.Proc.Steps[i].Joint
		if pass >= len(joint.Passes) {
			return
		}
		for _, f := range joint.Passes[pass].Order {
			switch s.Look(job, i, f) {
			case rules.LookWitnessed, rules.LookHigh:
			default:
				fastener = joint.Fasteners[f].ID
				return
			}
		}
	})
	if fastener == "" || current {
		return fastener, nil
	}
	return fastener, d.Point(ctx, j, step, fastener)
}

// Done implements simulator.Desk.
func (d desk) Done(_ context.Context, j simulator.Job, step string) (bool, error) {
	done := false
	d.service.View(func(s *rules.State) {
		job := s.Jobs[j.ID]
		if job == nil {
			return
		}
		if _, i := job.Proc.Step(step); i >= 0 {
			done = job.Steps[i].Done
		}
	})
	return done, nil
}

// Taken implements simulator.Led.
func (d desk) Taken(_ context.Context, j simulator.Job, step string) (n int, done bool, err error) {
	d.service.View(func(s *rules.State) {
		job := s.Jobs[j.ID]
		if job == nil {
			return
		}
		if _, i := job.Proc.Step(step); i >= 0 {
			done = job.Steps[i].Done || job.Steps[i].Value != nil
			if g := job.Steps[i].Guided; g != nil {
				n = len(g.Points)
			}
		}
	})
	return n, done, nil
}

// Again implements simulator.Led.
func (d desk) Again(ctx context.Context, j simulator.Job, step string) error {
	return d.ask(ctx, events.MeasureAsked{Ask: by(j.Technician, j), Job: j.ID, Step: step, Do: events.MeasureAgain})
}

// Redo implements simulator.Desk.
func (d desk) Redo(ctx context.Context, j simulator.Job, step, fastener, reason string) error {
	return d.ask(ctx, events.DecisionAsked{Ask: by(j.Lead, j), Job: j.ID, Step: step, Fastener: fastener, Choice: events.ChoiceRedo, Reason: reason})
}

// Tidy implements simulator.Desk.
func (d desk) Tidy(ctx context.Context, j simulator.Job) error {
	var alerts []string
	var unplaced []uint64
	d.service.View(func(s *rules.State) {
		for id, a := range s.Alerts {
			if a.Job == j.ID {
				alerts = append(alerts, id)
			}
		}
		for seq, u := range s.Unplaced {
			if u.Job == j.ID {
				unplaced = append(unplaced, seq)
			}
		}
	})
	slices.Sort(alerts)
	slices.Sort(unplaced)
	for _, a := range alerts {
		if err := d.ask(ctx, events.AlertAckAsked{Ask: by(j.Technician, j), Alert: a}); err != nil {
			return err
		}
	}
	for _, r := range unplaced {
		if err := d.ask(ctx, events.ReadingDismissAsked{Ask: by(j.Lead, j), Reading: r, Reason: "looked at the part: it belongs to no fastener"}); err != nil {
			return err
		}
	}
	for _, a := range alerts {
		open := false
		d.service.View(func(s *rules.State) { open = s.Alerts[a] != nil })
		if !open {
			continue
		}
		// What the work itself can still settle is refused here; that is right.
		err := d.ask(ctx, events.AlertSettleAsked{Ask: by(j.Lead, j), Alert: a, Reason: "looked at the part and the tool with the technician"})
		if err != nil && !isRefusal(err) {
			return err
		}
	}
	return nil
}

// Release implements simulator.Desk.
func (d desk) Release(ctx context.Context, j simulator.Job) error {
	return d.ask(ctx, events.ReleaseAsked{Ask: by(j.Lead, j), Job: j.ID})
}
