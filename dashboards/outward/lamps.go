package outward

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/port"
)

// Lamps are the lamps and horns on serial relays at a bench box. Told holds
// what the shop says is open; what it says no more is shown no more. A lamp is
// on as long as an alert that goes its way is open and nobody has acknowledged
// it, or for the time that its route sets for each alert, whichever ends first. Once the
// shop is silent for longer than lampSilence all go out: what is open then,
// nobody here knows.
type Lamps struct {
	lamps   []*lamp
	log     *slog.Logger
	silence time.Duration // lampSilence, but for tests
}

const (
	lampSilence = 8 * time.Second  // the shop says what is open every two
	lampLook    = time.Second      // how often a lamp is looked at
	lampAgain   = 10 * time.Second // what a relay was told, it is told again: it may have been unplugged
)

// lamp is one of them. Its port is touched by run alone.
type lamp struct {
	route Route
	wake  chan struct{}

	mu      sync.Mutex
	since   map[string]time.Time // when each alert was told first
	heard   time.Time            // when the shop spoke last
	lit     bool
	trouble string
}

// LoadLamps reads a file of routes for a bench box: of the form that Load reads,
// with relays alone. All else leaves from the shop.
func LoadLamps(name string, log *slog.Logger) (*Lamps, error) {
	routes, err := Load(name)
	if err != nil {
		return nil, err
	}
	l := &Lamps{log: log, silence: lampSilence}
	var errs []error
	for _, r := range routes {
		if r.Relay == nil {
			errs = append(errs, fmt.Errorf("%s: route %q: at a bench box only a relay can be named: webhooks and mail leave from the shop", name, r.Name))
			continue
		}
		l.lamps = append(l.lamps, &lamp{route: r, wake: make(chan struct{}, 1), since: map[string]time.Time{}})
	}
	return l, errors.Join(errs...)
}

// Told takes over which alerts are open and not acknowledged, and never waits.
// It returns how many lamps there are and are on, and what is wrong with them.
func (l *Lamps) Told(open []events.AlertRaised) (lamps, lit int, trouble string) {
	now := time.Now()
	for _, x := range l.lamps {
		x.mu.Lock()
		was := x.since
		x.since, x.heard = map[string]time.Time{}, now
		for i := range open {
			if a := &open[i]; x.route.takes(a) {
				at, known := was[a.Alert]
				if !known {
					at = now
				}
				x.since[a.Alert] = at
			}
		}
		x.mu.Unlock()
		select {
		case x.wake <- struct{}{}:
		default:
		}
	}
	return l.State()
}

// State tells how the lamps are.
func (l *Lamps) State() (lamps, lit int, trouble string) {
	var wrong []string
	for _, x := range l.lamps {
		x.mu.Lock()
		if x.lit {
			lit++
		}
		if x.trouble != "" {
			wrong = append(wrong, x.route.Name+": "+x.trouble)
		}
		x.mu.Unlock()
	}
	return len(l.lamps), lit, strings.Join(wrong, "; ")
}

// Run switches the lamps until ctx ends, and then off. At its begin all are
// switched off: an earlier run may have been killed with one on.
func (l *Lamps) Run(ctx context.Context) error {
	var all sync.WaitGroup
	for _, x := range l.lamps {
		all.Go(func() { x.run(ctx, l.log, l.silence) })
	}
	all.Wait()
	return nil
}

// wants reports whether the lamp must be on.
func (x *lamp) wants(now time.Time, silence time.Duration) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	if now.Sub(x.heard) > silence {
		return false
	}
	for _, at := range x.since {
		if !x.route.Relay.bounded || now.Sub(at) < x.route.Relay.For {
			return true
		}
	}
	return false
}

func (x *lamp) run(ctx context.Context, log *slog.Logger, silence time.Duration) {
	var p io.WriteCloser
	var told time.Time // when the relay was told last
	on := false
	look := time.NewTicker(min(lampLook, x.route.Relay.For))
	defer look.Stop()
	for {
		want := ctx.Err() == nil && x.wants(time.Now(), silence)
		var err error
		if p == nil {
			if p, err = x.open(); err != nil {
				p = nil
			}
			told = time.Time{}
		}
		if p != nil && (want != on || time.Since(told) > lampAgain) {
			bytes := x.route.Relay.off
			if want {
				bytes = x.route.Relay.on
			}
			if _, err = p.Write(bytes); err == nil {
				on, told = want, time.Now()
			} else {
				_ = p.Close() // it is of no use any more
				p, on = nil, false
			}
		}
		x.note(on && p != nil, err, log)
		if ctx.Err() != nil {
			if p != nil {
				_ = p.Close()
			}
			return
		}
		select {
		case <-ctx.Done():
		case <-look.C:
		case <-x.wake:
		}
	}
}

func (x *lamp) open() (io.WriteCloser, error) {
	p, err := port.Open(x.route.Relay.Port, port.Line{Baud: x.route.Relay.Baud})
	if err != nil {
		return nil, fmt.Errorf("open relay: %w", err)
	}
	return p, nil
}

// note keeps how the lamp is.
func (x *lamp) note(lit bool, err error, log *slog.Logger) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	x.mu.Lock()
	was, wasLit := x.trouble, x.lit
	x.lit, x.trouble = lit, text
	x.mu.Unlock()
	switch {
	case text != was && text != "":
		log.Warn("a lamp cannot be switched; trying again", "lamp", x.route.Name, "err", text)
	case text != was:
		log.Warn("the lamp can be switched again", "lamp", x.route.Name)
	}
	if lit != wasLit {
		log.Info("lamp switched", "lamp", x.route.Name, "on", lit)
	}
}
