package service

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// batch is a run of decisions to be stored together.
type batch struct {
	decisions []events.Event
	backlog   bool // the last of those for facts that were there at the start
}

// maxBatch is how many facts are decided before their decisions are stored.
const maxBatch = 1000

// decide answers facts in journal order: first those that were left when the
// service last stopped, then what comes.
func (s *Service) decide(ctx context.Context, working *rules.State, backlog []events.Entry) error {
	d := decider{s: s, state: working, number: s.cfg.Journal.LastNumber(events.SourceRules)}
	if len(backlog) > 0 {
		s.log.Info("deciding what was left undecided", "facts", len(backlog))
	}
	if err := d.run(ctx, backlog, true); err != nil {
		return err
	}
	for {
		select {
		case facts := <-s.facts:
			if err := d.run(ctx, facts, false); err != nil {
				return err
			}
			s.pending.Add(-1)
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// decider is the working state.
type decider struct {
	s      *Service
	state  *rules.State
	number uint64 // of the last decision made
}

// run decides facts and hands the decisions on.
func (d *decider) run(ctx context.Context, facts []events.Entry, backlog bool) error {
	for {
		n := min(len(facts), maxBatch)
		b := batch{decisions: d.answer(facts[:n], backlog), backlog: backlog && n == len(facts)}
		facts = facts[n:]
		if len(b.decisions) > 0 || b.backlog {
			d.s.pending.Add(1)
			select {
			case d.s.decided <- b:
			case <-ctx.Done():
				return context.Cause(ctx)
			}
		}
		if len(facts) == 0 {
			return nil
		}
	}
}

// answer decides facts in order, folding each decision before the next. What
// is decided live is told early.
func (d *decider) answer(facts []events.Entry, backlog bool) []events.Event {
	out := make([]events.Event, 0, len(facts))
	weighed := make([][]rules.Weighed, 0, len(facts))
	now := events.InstantOf(d.s.cfg.Now())
	for _, f := range facts {
		if f.Seq <= d.state.Cause {
			continue // decided before
		}
		told := !backlog && d.s.glance(d.state, f)
		if told {
			runtime.Gosched() // who shows it goes first: deciding takes longer
		}
		outcomes := d.s.eng.decide(d.state, f)
		if len(outcomes) == 0 && !needsAnswer(f.Data) {
			continue
		}
		dec := events.Decided{Cause: f.Seq, CauseUs: f.Time, Rules: d.s.eng.version, Outcomes: outcomes}
		if _, ok := f.Data.(events.ReadingTaken); ok && !backlog && !told {
			d.s.early.send(Update{Fact: f, Decided: dec}, d.s.log)
		}
		d.s.eng.evolve(d.state, dec)
		var ws []rules.Weighed
		if d.s.eng.weighed != nil {
			ws = d.s.eng.weighed(d.state, dec)
		}
		weighed = append(weighed, ws)
		d.number++
		out = append(out, events.Event{
			Source: events.SourceRules, Number: d.number, Time: now, Subject: f.Subject, Data: dec,
		})
	}
	d.s.inFlight.put(out, facts, weighed)
	return out
}

// glance tells the figure of a plain pull before it is weighed, and reports
// whether it did.
func (s *Service) glance(st *rules.State, f events.Entry) bool {
	if _, ok := f.Data.(events.ReadingTaken); !ok || s.eng.glance == nil || !s.early.any() {
		return false
	}
	j, ok := s.eng.glance(st, f)
	if ok {
		s.early.send(Update{Fact: f, Decided: events.Decided{
			Cause: f.Seq, CauseUs: f.Time, Rules: s.eng.version, Outcomes: []events.Outcome{{Data: j}},
		}}, s.log)
	}
	return ok
}

// needsAnswer reports whether a fact gets a decision even if it changes
// nothing: readings and requests do.
func needsAnswer(d events.Data) bool {
	switch d.(type) {
	case events.ReadingTaken, events.Asker:
		return true
	}
	return false
}

// inFlight holds the facts whose decisions are made but not yet seen in the
// journal.
type inFlight struct {
	mu    sync.Mutex
	facts map[uint64]waitingFact
}

// waitingFact is one of them, with what was made of its decision's evidence.
type waitingFact struct {
	events.Entry
	weighed []rules.Weighed
}

// put notes the facts that decisions answer; both are in the same order. There
// is a weighed for each decision.
func (f *inFlight) put(decisions []events.Event, facts []events.Entry, weighed [][]rules.Weighed) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.facts == nil {
		f.facts = map[uint64]waitingFact{}
	}
	i := 0
	for k, e := range decisions {
		cause := e.Data.(events.Decided).Cause
		for facts[i].Seq != cause {
			i++
		}
		f.facts[cause] = waitingFact{facts[i], weighed[k]}
	}
}

func (f *inFlight) take(cause uint64) (waitingFact, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	e, ok := f.facts[cause]
	delete(f.facts, cause)
	return e, ok
}

// Waits between tries to store decisions.
const (
	firstWait = 50 * time.Millisecond
	mostWait  = 5 * time.Second
)

// store writes decisions, in the order made, until it succeeds.
func (s *Service) store(ctx context.Context) error {
	for {
		select {
		case b := <-s.decided:
			if err := s.storeBatch(ctx, b); err != nil {
				return err
			}
			s.pending.Add(-1)
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

func (s *Service) storeBatch(ctx context.Context, b batch) error {
	wait, last := firstWait, uint64(0)
	for len(b.decisions) > 0 {
		seqs, err := s.cfg.Journal.Append(ctx, b.decisions...)
		if err == nil {
			last = seqs[len(seqs)-1]
			break
		}
		var gap *journal.NumberGapError
		switch {
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case errors.As(err, &gap), errors.Is(err, journal.ErrSecondWriter),
			errors.Is(err, journal.ErrTooLarge), errors.Is(err, journal.ErrClosed):
			return fmt.Errorf("store decisions: %w", err)
		}
		s.log.Warn("decisions are not on disk yet; trying again", "decisions", len(b.decisions), "err", err, "wait_ms", wait.Milliseconds())
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		wait = min(2*wait, mostWait)
	}
	if b.backlog {
		s.ready.wants(last)
	}
	return nil
}
