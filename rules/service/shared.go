package service

import (
	"context"
	"errors"
	"fmt"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// With Shares, several processes decide, and what they write is what one would:
//
//   - Each reads the whole journal and folds every decision, whoever made it.
//   - A fact is decided by the process that has its share (rules.ShareOf), on
//     the state that all decisions on earlier facts make. So decisions stand in
//     the order of their facts, and each follows from the same as ever.
//   - A decision is stored only on the one that it was made after
//     (AppendAfter). Whoever has missed one, because it was stalled or its
//     shares went to another, is refused, takes the state anew and goes on. So
//     no fact is decided twice, whatever the shares say.
//
// The price: decisions wait for one another. While the process that has the
// next fact's share is gone, nothing behind that fact is decided, until its
// shares have gone to another.

// Shares says what this process is to decide. See the package shares.
type Shares interface {
	// Owns reports whether a share is this process's now.
	Owns(share int) bool
	// Changed gets a value after that may have changed.
	Changed() <-chan struct{}
}

// sharedJournal is what the service needs beside Journal of one that is shared.
type sharedJournal interface {
	AppendAfter(ctx context.Context, after uint64, evs ...events.Event) ([]uint64, error)
}

// sharer decides this process's shares. All that it decides it stores before
// it looks at anything else, so its state has what is on disk and no more.
type sharer struct {
	s      *Service
	state  *rules.State
	after  uint64     // sequence of the last decision in state
	open   []openFact // that are not known to be answered, in order
	at     int        // the first of them that is to be looked at
	wanted uint64     // ready once the facts up to here are answered
}

type openFact struct {
	events.Entry
	idle  bool // nothing comes of it: it gets no decision
	waits bool // another process has its share, and something comes of it
}

// run decides until ctx ends.
func (d *sharer) run(ctx context.Context, backlog []events.Entry) error {
	for _, f := range backlog {
		d.open = append(d.open, openFact{Entry: f})
	}
	again := time.NewTimer(0)
	defer again.Stop()
	for {
		more, err := d.step(ctx)
		if err != nil {
			return err
		}
		d.note()
		if more {
			select { // what has come meanwhile
			case es := <-d.s.facts:
				d.learn(es)
			default:
			}
			continue
		}
		select {
		case es := <-d.s.facts:
			d.learn(es)
		case <-d.s.cfg.Shares.Changed():
		case <-again.C:
			again.Reset(lookAgainShared) // a share may have been lost without a word
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// step decides and stores the next facts of this process's shares, if it is
// their turn. It reports whether there may be more.
func (d *sharer) step(ctx context.Context) (more bool, err error) {
	decisions := d.answer()
	if len(decisions) == 0 {
		return false, nil
	}
	err = d.store(ctx, decisions)
	if errors.Is(err, journal.ErrOvertaken) {
		d.s.log.Info("another process has decided; looking again", "after", d.after)
		return false, d.reset()
	}
	return err == nil, err
}

// mostDeciding is how long this process decides before it stores what it has:
// others wait for it, and so do pages.
const mostDeciding = 50 * time.Millisecond

// answer decides facts in order, up to the first that is another's to decide.
func (d *sharer) answer() (out []events.Event) {
	began, now := time.Now(), events.InstantOf(d.s.cfg.Now())
	for ; d.at < len(d.open) && len(out) < maxBatch; d.at++ {
		if len(out) > 0 && time.Since(began) > mostDeciding {
			break
		}
		f := &d.open[d.at]
		if f.Seq <= d.state.Cause || f.idle {
			continue
		}
		mine, must := d.s.cfg.Shares.Owns(d.share(f.Entry)), needsAnswer(f.Data)
		if !mine && (must || f.waits) {
			break
		}
		told := mine && d.s.glance(d.state, f.Entry)
		outcomes := d.s.eng.decide(d.state, f.Entry)
		if len(outcomes) == 0 && !must {
			f.idle = true // as all who look at it find
			continue
		}
		if !mine {
			f.waits = true
			break
		}
		dec := events.Decided{Cause: f.Seq, CauseUs: f.Time, Rules: d.s.eng.version, Outcomes: outcomes}
		if _, ok := f.Data.(events.ReadingTaken); ok && !told {
			d.s.early.send(Update{Fact: f.Entry, Decided: dec}, d.s.log)
		}
		d.s.eng.evolve(d.state, dec)
		out = append(out, events.Event{Source: events.SourceRules, Time: now, Subject: f.Subject, Data: dec})
	}
	return out
}

func (d *sharer) share(f events.Entry) int {
	if d.s.eng.share == nil {
		return 0
	}
	return d.s.eng.share(d.state, f)
}

// store puts decisions on disk behind the last one known; ErrOvertaken means
// that this is not the last one.
func (d *sharer) store(ctx context.Context, decisions []events.Event) error {
	wait := firstWait
	for {
		seqs, err := d.s.cfg.Journal.(sharedJournal).AppendAfter(ctx, d.after, decisions...)
		switch {
		case err == nil:
			d.after = seqs[len(seqs)-1]
			d.s.decidedHere.Add(uint64(len(seqs)))
			return nil
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case errors.Is(err, journal.ErrOvertaken):
			return err
		case errors.Is(err, journal.ErrTooLarge), errors.Is(err, journal.ErrClosed):
			return fmt.Errorf("store decisions: %w", err)
		}
		// After an unknown outcome they may be there: the next try is then
		// overtaken by this one.
		d.s.log.Warn("decisions are not on disk yet; trying again", "decisions", len(decisions), "err", err, "wait_ms", wait.Milliseconds())
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		wait = min(2*wait, mostWait)
	}
}

// reset takes the state anew from what is known to be on disk.
func (d *sharer) reset() error {
	d.s.mu.RLock()
	defer d.s.mu.RUnlock()
	st, err := d.s.copyState()
	if err != nil {
		return err
	}
	d.state, d.after, d.at = st, d.s.folded.seq.Load(), 0
	for i := range d.open {
		d.open[i].idle, d.open[i].waits = false, false
	}
	return nil
}

// learn takes what has come to the journal.
func (d *sharer) learn(es []events.Entry) {
	for _, e := range es {
		dec, ok := e.Data.(events.Decided)
		if !ok {
			d.open = append(d.open, openFact{Entry: e})
			continue
		}
		d.after = max(d.after, e.Seq)
		if dec.Cause > d.state.Cause { // else its own
			d.s.eng.evolve(d.state, dec)
		}
		d.drop(func(f *openFact) bool { return f.Seq <= dec.Cause })
	}
	d.s.pending.Add(-1)
}

// drop takes facts off the front.
func (d *sharer) drop(gone func(*openFact) bool) {
	n := 0
	for n < len(d.open) && gone(&d.open[n]) {
		n++
	}
	d.open, d.at = d.open[n:], max(0, d.at-n)
}

// note tells how far this process knows the facts to be answered.
func (d *sharer) note() {
	d.drop(func(f *openFact) bool { return f.idle })
	d.s.open.Store(int64(len(d.open)))
	if len(d.open) == 0 || d.open[0].Seq > d.wanted {
		d.s.ready.wants(0)
	}
}

// DecidedHere returns how many decisions this process has stored, with Shares.
func (s *Service) DecidedHere() uint64 { return s.decidedHere.Load() }

// maxWaiting is how many facts are kept for whoever is told of their
// decisions. Older ones are read again.
const maxWaiting = 8192

// keepWaiting keeps facts until their decisions come.
func (s *Service) keepWaiting(facts []events.Entry) {
	s.waiting = append(s.waiting, facts...)
	if n := len(s.waiting) - maxWaiting; n > 0 {
		s.waiting = append([]events.Entry(nil), s.waiting[n:]...)
	}
}

// factOf returns the fact that a decision answers; late are those that came
// with it and are not kept yet.
func (s *Service) factOf(ctx context.Context, cause uint64, late []events.Entry) (f events.Entry, ok bool, err error) {
	n := 0
	for n < len(s.waiting) && s.waiting[n].Seq < cause {
		n++
	}
	if s.waiting = s.waiting[n:]; len(s.waiting) > 0 && s.waiting[0].Seq == cause {
		return s.waiting[0], true, nil
	}
	for _, f := range late {
		if f.Seq == cause {
			return f, true, nil
		}
	}
	err = s.cfg.Journal.Read(ctx, cause, cause, func(es []events.Entry) error {
		f, ok = es[0], true
		return nil
	})
	return f, ok, err
}
