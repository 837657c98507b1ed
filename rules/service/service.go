// Package service runs the rules over the journal: it reads facts in journal
// order, decides each, stores the decision, and keeps the state that the
// stored decisions make.
//
// There are two states. The working state is ahead: it has every decision
// that was made. The visible state has those that are on disk; it is folded
// from the journal alone, in the same way after a restart as live, and it is
// what View and Subscribe show. So readers never wait for the disk and never
// see what a crash could take back, and the next facts are decided while the
// last decisions are being written. The price is that each decision is folded
// twice, which is little beside encoding and storing it (BenchmarkEvolve).
//
// One thing is told ahead of the decision's own sync: the verdict on a reading
// that is on disk (SubscribeEarly). It follows from the journal and the rules
// alone, so a crash in between brings the same one. What a reading makes of a
// fastener shows only with the decision.
//
//	journal --follow--> facts --> decider --> decisions --> appender --> journal
//	              \---> decisions --> visible state --> View, Subscribe, Submit
//
// Decisions carry their own numbers and follow from the facts alone. So one
// whose storing failed is stored again, as it is, until it is there: a second
// time changes nothing.
package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/rules"
)

// Journal is what the service needs of a journal.
type Journal interface {
	Append(ctx context.Context, evs ...events.Event) ([]uint64, error)
	Read(ctx context.Context, from, to uint64, fn func([]events.Entry) error) error
	Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error
	Last() uint64
	LastNumber(source string) uint64
	// Identity tells this journal from any other.
	Identity() string
}

// Config says what a Service runs over.
type Config struct {
	Journal Journal
	// Shares says which share of the facts this process decides, where several
	// do (see shared.go); nil: it decides all. The journal must then be shared.
	Shares Shares
	// Snapshot is a file in which the state is kept from time to time, so that
	// a start need not fold the whole journal. "": none.
	Snapshot string
	// SnapshotEvery is after how many decisions. Default 50,000; and at stop.
	SnapshotEvery int
	// Log takes what is healed and what needs a person. Default: none.
	Log *slog.Logger
	// Now is the wall clock. Default time.Now.
	Now func() time.Time

	engine engine // of tests
}

// Service runs the rules over a journal. Use New, then Run.
type Service struct {
	cfg Config
	eng engine
	log *slog.Logger

	mu    sync.RWMutex // guards state
	state *rules.State // visible

	desk     desk
	subs     subscribers
	early    subscribers
	ready    readiness
	inFlight inFlight
	pending  atomic.Int64 // runs of facts to be decided, and of decisions to be stored
	folded   foldCount

	facts       chan []events.Entry      // to the decider, in journal order; with Shares the decisions too
	waiting     []events.Entry           // facts that no decision has come for; with Shares only; of the follower
	open        atomic.Int64             // facts that wait for their decision; with Shares only
	decidedHere atomic.Uint64            // see DecidedHere
	decided     chan batch               // to the appender
	deadline    atomic.Pointer[deadline] // for the clock
	armed       atomic.Int64             // the deadline that the clock waits for, an Instant; 0: none
	sooner      chan struct{}            // to the clock: it waits for too late a one
	stopped     chan struct{}            // closed when Run ends
	folding     chan struct{}            // closed once the journal is folded
}

// ErrStopped is what Submit gets when the service does not run any more.
var ErrStopped = errors.New("the rules have stopped")

// New returns a Service; Run starts it.
func New(cfg Config) (*Service, error) {
	if cfg.Journal == nil {
		return nil, errors.New("start the rules: no journal given")
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.SnapshotEvery <= 0 {
		cfg.SnapshotEvery = 50_000
	}
	if cfg.engine.decide == nil {
		cfg.engine = theRules
	}
	if _, ok := cfg.Journal.(sharedJournal); cfg.Shares != nil && !ok {
		return nil, errors.New("start the rules: shares of a journal that cannot be shared")
	}
	s := &Service{
		cfg: cfg, eng: cfg.engine, log: cfg.Log,
		facts: make(chan []events.Entry, 16), decided: make(chan batch, 1),
		sooner: make(chan struct{}, 1), stopped: make(chan struct{}),
		folding: make(chan struct{}),
	}
	s.state = s.eng.new()
	s.ready.ch = make(chan struct{})
	s.folded.due = make(chan struct{}, 1)
	return s, nil
}

// Run restores the state, decides what is undecided, and then follows the
// journal until ctx ends; then it returns nil. It may be called once. An
// error means that the rules cannot go on: the journal cannot be read, or was
// written by a newer version (events.ErrNewer).
func (s *Service) Run(ctx context.Context) error {
	defer close(s.stopped)
	defer s.subs.closeAll()
	defer s.early.closeAll()
	backlog, next, err := s.catchUp(ctx)
	if err != nil {
		return ignoreEnd(ctx, err)
	}
	working, err := s.copyState()
	if err != nil {
		return err
	}
	s.ready.passed(next - 1)
	s.noteDeadline()
	close(s.folding)
	g, gctx := errgroup.WithContext(ctx)
	if s.cfg.Shares != nil {
		s.waiting = slices.Clone(backlog)
		d := &sharer{s: s, state: working, after: s.folded.seq.Load(), wanted: next - 1}
		g.Go(func() error { return d.run(gctx, backlog) })
	} else {
		g.Go(func() error { return s.decide(gctx, working, backlog) })
		g.Go(func() error { return s.store(gctx) })
	}
	g.Go(func() error { return s.keepTime(gctx) })
	g.Go(func() error { return s.keepSnapshots(gctx) })
	g.Go(func() error {
		return s.cfg.Journal.Follow(gctx, next, func(es []events.Entry) error { return s.followed(gctx, es) })
	})
	err = ignoreEnd(ctx, g.Wait())
	return errors.Join(err, s.saveSnapshot())
}

// ignoreEnd makes an orderly stop no error.
func ignoreEnd(ctx context.Context, err error) error {
	if ctx.Err() != nil && (errors.Is(err, context.Cause(ctx)) || errors.Is(err, ctx.Err())) {
		return nil
	}
	return err
}

// Ready returns a channel that is closed once every fact that was in the
// journal at the start is decided and the decisions show in View.
func (s *Service) Ready() <-chan struct{} { return s.ready.ch }

// Folded returns a channel that is closed once the state is that of the journal
// as it was at the start, so that this process can decide.
func (s *Service) Folded() <-chan struct{} { return s.folding }

// Idle waits until all that is in the journal is decided and on disk: nothing
// more will be written by itself. It is for an orderly stop, once nobody
// writes facts any more.
func (s *Service) Idle(ctx context.Context) error {
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		if s.ready.position() >= s.cfg.Journal.Last() && s.pending.Load() == 0 && s.open.Load() == 0 && s.ready.position() >= s.cfg.Journal.Last() {
			return nil
		}
		select {
		case <-tick.C:
		case <-s.stopped:
			return ErrStopped
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// View calls fn with the visible state: all decisions that are on disk. fn
// must not change the state nor keep it, and should be quick: decisions wait.
func (s *Service) View(fn func(*rules.State)) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	fn(s.state)
}

// copyState returns a state that shows nothing of what the visible one becomes.
func (s *Service) copyState() (*rules.State, error) {
	if s.cfg.Shares != nil && s.eng.clone != nil {
		return s.eng.clone(s.state), nil
	}
	b, err := s.eng.snapshot(s.state)
	if err != nil {
		return nil, fmt.Errorf("copy the state of the rules: %w", err)
	}
	return s.eng.restore(b)
}

// catchUp folds what the journal holds. It returns the facts that no decision
// answers yet, and the sequence to follow from.
func (s *Service) catchUp(ctx context.Context) (backlog []events.Entry, next uint64, err error) {
	s.restoreSnapshot()
	last := s.cfg.Journal.Last()
	err = s.cfg.Journal.Read(ctx, s.state.Cause+1, last, func(es []events.Entry) error {
		for _, e := range es {
			d, ok := e.Data.(events.Decided)
			if !ok {
				backlog = append(backlog, e)
				continue
			}
			if err := s.apply(e, d, nil); err != nil {
				return err
			}
			backlog = dropDecided(backlog, d.Cause)
		}
		return nil
	})
	if err != nil {
		return nil, 0, fmt.Errorf("fold the journal: %w", err)
	}
	return dropDecided(backlog, s.state.Cause), last + 1, nil
}

func dropDecided(facts []events.Entry, cause uint64) []events.Entry {
	for len(facts) > 0 && facts[0].Seq <= cause {
		facts = facts[1:]
	}
	return facts
}

// apply folds a decision into the visible state, with what the working one has
// made of its evidence. One that is known already changes nothing.
func (s *Service) apply(e events.Entry, d events.Decided, weighed []rules.Weighed) error {
	if err := checkVersion(e.Seq, d.Rules, s.eng.version); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if d.Cause > s.state.Cause {
		s.eng.evolve(s.state, d)
		if len(weighed) > 0 {
			s.eng.adopt(s.state, weighed)
		}
		s.folded.add(e.Seq, s.cfg.SnapshotEvery)
	}
	return nil
}

// followed takes new entries in journal order: facts to the decider,
// decisions into the visible state and to whoever waits for them.
func (s *Service) followed(ctx context.Context, es []events.Entry) error {
	var facts []events.Entry
	for _, e := range es {
		d, ok := e.Data.(events.Decided)
		if !ok {
			facts = append(facts, e)
			continue
		}
		made, ok := s.inFlight.take(d.Cause)
		fact := made.Entry
		if err := s.apply(e, d, made.weighed); err != nil {
			return err
		}
		if s.cfg.Shares != nil {
			var err error
			if fact, ok, err = s.factOf(ctx, d.Cause, facts); err != nil {
				return err
			}
		}
		if ok {
			u := Update{Seq: e.Seq, Fact: fact, Decided: d}
			s.desk.answer(u)
			s.subs.send(u, s.log)
		}
	}
	s.noteDeadline()
	if s.cfg.Shares != nil {
		s.keepWaiting(facts)
		facts = es
	}
	if len(facts) > 0 {
		s.pending.Add(1)
	}
	s.ready.passed(es[len(es)-1].Seq)
	if len(facts) == 0 {
		return nil
	}
	select {
	case s.facts <- facts:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
