package service

import (
	"context"
	"fmt"
	"log/slog"
	"sync"

	"witnessmark/events"
)

// Submit stores data as a fact of the desk and waits for its decision. It
// returns the fact with its place in the journal. If the fact could not be
// stored, the error is the journal's. If ctx ends while waiting, the fact is
// in the journal and will be decided; the entry is returned with the error.
//
// A refused request is no error: look for RequestRefused in the outcomes.
func (s *Service) Submit(ctx context.Context, data events.Data) (events.Entry, events.Decided, error) {
	e := events.Event{
		Source: events.SourceDesk, Time: events.InstantOf(s.cfg.Now()), Subject: subjectOf(data), Data: data,
	}
	s.desk.enter()
	defer s.desk.leave()
	seqs, err := s.cfg.Journal.Append(ctx, e)
	if err != nil {
		return events.Entry{}, events.Decided{}, err
	}
	fact := events.Entry{Seq: seqs[0], Event: e}
	w := s.desk.waitFor(fact.Seq)
	defer s.desk.forget(fact.Seq)
	select {
	case u := <-w:
		return u.Fact, u.Decided, nil
	case <-ctx.Done():
		err = context.Cause(ctx)
	case <-s.stopped:
		err = ErrStopped
	}
	return fact, events.Decided{}, fmt.Errorf("wait for the decision on entry %d (it is stored and will be decided): %w", fact.Seq, err)
}

// subjectOf names the job, or else the procedure, that data is about.
func subjectOf(data events.Data) string {
	switch d := data.(type) {
	case events.JobAsked:
		return d.Job
	case events.JobPauseAsked:
		return d.Job
	case events.JobResumeAsked:
		return d.Job
	case events.HandOverAsked:
		return d.Job
	case events.StepConfirmAsked:
		return d.Job
	case events.FastenerPointed:
		return d.Job
	case events.ReadingClaimAsked:
		return d.Job
	case events.DecisionAsked:
		return d.Job
	case events.ReleaseAsked:
		return d.Job
	case events.AbandonAsked:
		return d.Job
	case events.ReadingTaken:
		return d.Job
	}
	return ""
}

// desk brings decisions to those who wait in Submit. A decision may come
// before Submit knows its fact's sequence, so all decisions on facts of the
// desk are kept while anybody is in Submit.
type desk struct {
	mu      sync.Mutex
	inside  int
	answers map[uint64]chan Update // by cause; each holds one
}

func (d *desk) enter() {
	d.mu.Lock()
	d.inside++
	d.mu.Unlock()
}

func (d *desk) leave() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.inside--; d.inside == 0 {
		d.answers = nil
	}
}

func (d *desk) waitFor(cause uint64) <-chan Update {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.at(cause)
}

func (d *desk) at(cause uint64) chan Update {
	if d.answers == nil {
		d.answers = map[uint64]chan Update{}
	}
	if d.answers[cause] == nil {
		d.answers[cause] = make(chan Update, 1)
	}
	return d.answers[cause]
}

func (d *desk) forget(cause uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.answers, cause)
}

func (d *desk) answer(u Update) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.inside == 0 || u.Fact.Source != events.SourceDesk {
		return
	}
	select {
	case d.at(u.Fact.Seq) <- u:
	default: // a repeat
	}
}

// Update is a decision that has just come to be visible.
type Update struct {
	Seq     uint64 // of the Decided
	Fact    events.Entry
	Decided events.Decided
}

// Subscribe returns a channel of decisions, each sent after View shows it. A
// subscriber that lets buffer updates pile up is dropped: its channel is
// closed, and it should take a fresh View and subscribe again. The channel is
// closed too when the service stops. cancel ends the subscription.
func (s *Service) Subscribe(buffer int) (ch <-chan Update, cancel func()) {
	return s.subs.add(max(buffer, 1))
}

// SubscribeEarly is Subscribe for the verdicts on readings, each sent as soon
// as it is known: the reading is on disk, its decision soon will be, View does
// not show it yet, and Update.Seq is 0. Of a plain pull it tells the judgement
// alone, ahead of the weighing (rules.Glance). It is for showing a figure and
// its verdict without waiting for a second sync, and for nothing that must
// last.
func (s *Service) SubscribeEarly(buffer int) (ch <-chan Update, cancel func()) {
	return s.early.add(max(buffer, 1))
}

// Dropped returns how many subscribers were dropped for being too slow.
func (s *Service) Dropped() uint64 {
	s.subs.mu.Lock()
	defer s.subs.mu.Unlock()
	return s.subs.dropped
}

// any reports whether anybody has subscribed.
func (u *subscribers) any() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	return len(u.set) > 0
}

type subscribers struct {
	mu      sync.Mutex
	set     map[chan Update]struct{}
	dropped uint64
	ended   bool
}

func (u *subscribers) add(buffer int) (<-chan Update, func()) {
	ch := make(chan Update, buffer)
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.ended {
		close(ch)
		return ch, func() {}
	}
	if u.set == nil {
		u.set = map[chan Update]struct{}{}
	}
	u.set[ch] = struct{}{}
	return ch, func() {
		u.mu.Lock()
		defer u.mu.Unlock()
		u.remove(ch)
	}
}

func (u *subscribers) remove(ch chan Update) {
	if _, ok := u.set[ch]; ok {
		delete(u.set, ch)
		close(ch)
	}
}

func (u *subscribers) send(x Update, log *slog.Logger) {
	u.mu.Lock()
	defer u.mu.Unlock()
	for ch := range u.set {
		select {
		case ch <- x:
		default:
			u.remove(ch)
			u.dropped++
			log.Debug("dropped a slow subscriber", "dropped", u.dropped)
		}
	}
}

func (u *subscribers) closeAll() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.ended = true
	for ch := range u.set {
		u.remove(ch)
	}
}

// readiness closes ch once the visible state has passed what it waits for.
type readiness struct {
	mu   sync.Mutex
	ch   chan struct{}
	set  bool
	want uint64
	pos  uint64
	done bool
}

// wants says that all up to seq must be visible.
func (r *readiness) wants(seq uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.set, r.want = true, seq
	r.check()
}

// passed says that all up to seq are visible.
func (r *readiness) passed(seq uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.pos = max(r.pos, seq)
	r.check()
}

// position is the last sequence that is visible.
func (r *readiness) position() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.pos
}

func (r *readiness) check() {
	if r.set && r.pos >= r.want && !r.done {
		r.done = true
		close(r.ch)
	}
}
