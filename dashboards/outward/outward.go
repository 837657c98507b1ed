package outward

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"witnessmark/events"
)

// Source is the source of the events about what was sent.
const Source = "notice"

// Journal is what is needed of a journal. What was tried is written there
// before anything else depends on it.
type Journal interface {
	Append(ctx context.Context, evs ...events.Event) ([]uint64, error)
	LastNumber(source string) uint64
}

// Config says what goes where.
type Config struct {
	Routes  []Route
	Journal Journal
	Shop    string // id
	Name    string // for people
	// Tried is what the journal says was tried before, oldest first.
	Tried []events.NoticeTried
	// Open are the alerts that are open now.
	Open []events.AlertRaised
	Log  *slog.Logger
	Now  func() time.Time
	// Wait returns how long to wait before try n+1; default: 5 s, doubling up to
	// ten minutes.
	Wait func(n int) time.Duration
}

// mostTries is how often a notice is tried: with the usual waits, for a day.
const mostTries = 150

// Outward carries alerts out. Use New, then Run; tell it of alerts with Raised.
type Outward struct {
	cfg    Config
	queues []chan job // by route

	mu     sync.Mutex // guards what follows
	done   map[key]string
	number uint64
	lost   int
}

type key struct{ alert, route string }

// job is one alert on one way.
type job struct {
	alert events.AlertRaised
	first int // number of the first try
}

// mostWaiting bounds how many alerts wait for one way. Beyond it the newest is
// given up, loudly: a way that has been dead for a thousand alerts is no way.
const mostWaiting = 1000

// New takes up where the journal says that an earlier run stopped: alerts that
// are open and were not sent are sent now. Whether one left whose try did not
// end, nobody knows: a webhook, which can tell a second copy by its id, gets it
// again; a mailbox and a horn do not.
func New(cfg Config) *Outward {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Wait == nil {
		cfg.Wait = usualWait
	}
	o := &Outward{cfg: cfg, done: map[key]string{}, number: cfg.Journal.LastNumber(Source)}
	tries := map[key]int{}
	for _, t := range cfg.Tried {
		k := key{t.Alert, t.Route}
		o.done[k], tries[k] = t.Result, t.Try
	}
	for i := range cfg.Routes {
		r := &cfg.Routes[i]
		q := make(chan job, mostWaiting)
		o.queues = append(o.queues, q)
		for _, a := range cfg.Open {
			k := key{a.Alert, r.Name}
			if !r.takes(&a) || len(q) == cap(q) {
				continue
			}
			switch o.done[k] {
			case events.NoticeSent, events.NoticeGivenUp:
				continue
			case events.NoticeSending:
				if r.way() != "webhook" {
					cfg.Log.Warn("whether an alert left before the last stop is not known; it is not sent again", "alert", a.Alert, "route", r.Name)
					continue
				}
			}
			o.done[k] = events.NoticeFailed
			q <- job{a, tries[k] + 1}
		}
	}
	return o
}

func usualWait(n int) time.Duration {
	return min(5*time.Second<<min(n-1, 10), 10*time.Minute)
}

// Raised queues alerts that were just raised. It never waits.
func (o *Outward) Raised(alerts ...events.AlertRaised) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for i := range o.cfg.Routes {
		r := &o.cfg.Routes[i]
		for _, a := range alerts {
			k := key{a.Alert, r.Name}
			if !r.takes(&a) || o.done[k] != "" {
				continue
			}
			select {
			case o.queues[i] <- job{a, 1}:
				o.done[k] = events.NoticeFailed
			default:
				o.lost++
				o.cfg.Log.Error("an alert does not leave: too many wait for this way", "alert", a.Alert, "route", r.Name, "waiting", mostWaiting)
			}
		}
	}
}

// Lost returns how many alerts did not leave because too many waited.
func (o *Outward) Lost() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.lost
}

// Run sends what is queued, each way at its own pace, until ctx ends.
func (o *Outward) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for i := range o.cfg.Routes {
		wg.Go(func() {
			for {
				select {
				case j := <-o.queues[i]:
					o.carry(ctx, &o.cfg.Routes[i], j)
				case <-ctx.Done():
					return
				}
			}
		})
	}
	wg.Wait()
	return nil
}

// carry tries until the alert is out, given up, or ctx ends.
func (o *Outward) carry(ctx context.Context, r *Route, j job) {
	for n := j.first; ; n++ {
		if err := o.note(ctx, r, &j.alert, events.NoticeSending, n, ""); err != nil {
			return // the journal is away: after the next start it is open still
		}
		err := o.send(ctx, r, &j.alert)
		result, detail := events.NoticeSent, ""
		switch {
		case err != nil && ctx.Err() != nil:
			return // stopped in the middle: not known, see New
		case err != nil && n >= mostTries:
			result, detail = events.NoticeGivenUp, err.Error()
		case err != nil:
			result, detail = events.NoticeFailed, err.Error()
		}
		if err := o.note(ctx, r, &j.alert, result, n, detail); err != nil {
			return
		}
		if result != events.NoticeFailed {
			return
		}
		o.cfg.Log.Warn("an alert did not leave; it is tried again", "alert", j.alert.Alert, "route", r.Name, "try", n, "err", detail)
		wait := time.NewTimer(o.cfg.Wait(n))
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return
		}
	}
}

func (o *Outward) send(ctx context.Context, r *Route, a *events.AlertRaised) error {
	switch {
	case r.Webhook != nil:
		return r.Webhook.post(ctx, o.cfg.Shop, a, o.cfg.Now())
	case r.Mail != nil:
		return r.Mail.send(ctx, o.cfg.Shop, o.cfg.Name, a, o.cfg.Now())
	}
	return r.Relay.sound(ctx)
}

// note writes what was tried into the journal.
func (o *Outward) note(ctx context.Context, r *Route, a *events.AlertRaised, result string, n int, detail string) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	at := events.InstantOf(o.cfg.Now())
	_, err := o.cfg.Journal.Append(ctx, events.Event{Source: Source, Number: o.number + 1, Time: at, Subject: a.Alert, Data: events.NoticeTried{
		Alert: a.Alert, Route: r.Name, Way: r.way(), Result: result, Try: n, Detail: oneLine(detail, 300), AtUs: at,
	}})
	if err != nil {
		if ctx.Err() == nil {
			o.cfg.Log.Error("an alert does not leave: the journal does not take the note of it", "alert", a.Alert, "route", r.Name, "err", err)
		}
		return fmt.Errorf("note in the journal: %w", err)
	}
	o.number++
	o.done[key{a.Alert, r.Name}] = result
	return nil
}
