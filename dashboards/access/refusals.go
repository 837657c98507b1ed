package access

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"witnessmark/events"
)

// Source is the source of the events of this package.
const Source = "access"

// Journal takes the events of this package.
type Journal interface {
	Append(ctx context.Context, es ...events.Event) ([]uint64, error)
}

const (
	// The first refusal of a kind is written at once, repeats are counted and
	// written together when foldFor is over.
	foldFor = 10 * time.Minute
	// Beyond foldMost kinds at once, or when refusals come faster than this,
	// they are folded by their reason alone. So whoever hammers at the door can
	// add no more than some 3,000 events a day to the journal.
	foldMost    = 256
	writeEvery  = 30 * time.Second
	writeBurst  = 30
	foldsLooked = 5 * time.Second
)

// refusals writes refusals into the journal, folded.
type refusals struct {
	journal Journal // nil: nothing is written
	log     *slog.Logger
	now     func() time.Time
	pace    *rate.Limiter

	mu    sync.Mutex
	folds map[events.AccessRefused]*fold // by what does not change
	count uint64                         // refusals since the start
}

type fold struct {
	times       int // not yet written
	since, last events.Instant
	until       time.Time
}

func newRefusals(j Journal, log *slog.Logger, now func() time.Time) *refusals {
	return &refusals{journal: j, log: log, now: now, pace: rate.NewLimiter(rate.Every(writeEvery), writeBurst), folds: map[events.AccessRefused]*fold{}}
}

// add notes one refusal. It writes the first of its kind before it returns.
func (r *refusals) add(ctx context.Context, x events.AccessRefused) {
	now := r.now()
	at := events.InstantOf(now)
	x.Times, x.SinceUs, x.AtUs = 0, 0, 0
	r.mu.Lock()
	r.count++
	if f := r.folds[x]; f != nil {
		f.add(at)
		r.mu.Unlock()
		return
	}
	if len(r.folds) >= foldMost || !r.pace.AllowN(now, 1) {
		x = events.AccessRefused{Why: x.Why}
		f := r.folds[x]
		if f == nil { // as many as there are reasons
			f = &fold{until: now.Add(foldFor)}
			r.folds[x] = f
		}
		f.add(at)
		r.mu.Unlock()
		return
	}
	r.folds[x] = &fold{until: now.Add(foldFor)}
	r.mu.Unlock()
	x.Times, x.SinceUs, x.AtUs = 1, at, at
	r.put(context.WithoutCancel(ctx), x)
}

func (f *fold) add(at events.Instant) {
	if f.times == 0 {
		f.since = at
	}
	f.times++
	f.last = at
}

// run writes folds that are over, until ctx ends; then all that is left.
func (r *refusals) run(ctx context.Context) {
	tick := time.NewTicker(foldsLooked)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
			r.flush(last, true)
			cancel()
			return
		case <-tick.C:
			r.flush(ctx, false)
		}
	}
}

func (r *refusals) flush(ctx context.Context, everything bool) {
	now := r.now()
	var due []events.AccessRefused
	r.mu.Lock()
	for x, f := range r.folds {
		if !everything && now.Before(f.until) {
			continue
		}
		delete(r.folds, x)
		if f.times > 0 {
			x.Times, x.SinceUs, x.AtUs = f.times, f.since, f.last
			due = append(due, x)
		}
	}
	r.mu.Unlock()
	for _, x := range due {
		r.put(ctx, x)
	}
}

func (r *refusals) total() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.count
}

// put appends an event of this package.
func (r *refusals) put(ctx context.Context, d events.Data) {
	if r.journal == nil {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	if _, err := r.journal.Append(ctx, events.Event{Source: Source, Time: events.InstantOf(r.now()), Data: d}); err != nil {
		// The refusal stands; only its note is lost, and the log says so.
		r.log.Error("the journal does not take a note of access", "type", events.TypeName(d), "err", err)
	}
}
