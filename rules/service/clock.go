package service

import (
	"context"
	"errors"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
)

// lookAgain is how often the wall clock is looked at while waiting: timers
// stand still while a machine sleeps, the wall clock does not.
const lookAgain = time.Minute

// lookAgainShared is how often a process that does not keep the time looks
// whether it does now.
const lookAgainShared = 500 * time.Millisecond

// deadline is for what the visible state waits, and when that is by the
// monotonic clock; 0: for nothing.
type deadline struct {
	at    events.Instant
	until time.Time
}

// noteDeadline tells the clock for what the visible state waits. It wakes the
// clock only if that would look too late: most deadlines are put off, with
// each reading, long before they come.
func (s *Service) noteDeadline() {
	var d events.Instant
	s.View(func(st *rules.State) { d = s.eng.deadline(st) })
	if old := s.deadline.Load(); old != nil && old.at == d {
		return
	}
	s.deadline.Store(&deadline{d, time.Now().Add(s.timeTo(d))})
	if armed := events.Instant(s.armed.Load()); d != 0 && (armed == 0 || d < armed) {
		select {
		case s.sooner <- struct{}{}:
		default: // it will look
		}
	}
}

// keepTime writes a TimeReached when the state's next deadline has passed: by
// a timer, or by the wall clock, whichever is first. So a clock that is set
// back delays nothing, and one that is set forward fires at most early, which
// the rules see from the time in the event. Each deadline is written once.
func (s *Service) keepTime(ctx context.Context) error {
	t := time.NewTimer(time.Hour)
	defer t.Stop()
	var written events.Instant
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-s.sooner:
		case <-t.C:
		}
		w := s.deadline.Load()
		for again := true; again; { // noted before it is armed, or seen here
			if w == nil || w.at == written {
				w = &deadline{}
			}
			s.armed.Store(int64(w.at))
			now := s.deadline.Load()
			again = now != nil && now.at != w.at && now.at != written
			if again {
				w = now
			}
		}
		waitFor := w.at
		if waitFor == 0 {
			continue
		}
		left := min(time.Until(w.until), s.timeTo(waitFor))
		if left > 0 {
			t.Reset(min(left, lookAgain))
			continue
		}
		if s.cfg.Shares != nil && !s.cfg.Shares.Owns(0) {
			t.Reset(lookAgainShared) // whoever has the shop's share keeps the time
			continue
		}
		if err := s.timeReached(ctx, waitFor); err != nil {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			if errors.Is(err, journal.ErrOvertaken) { // what it wrote moves the deadline
				t.Reset(time.Second)
				continue
			}
			s.log.Warn("an instant that the rules waited for is not on disk yet; trying again", "err", err)
			t.Reset(time.Second)
			continue
		}
		written = waitFor
		t.Reset(0) // for what it waits then
	}
}

// timeTo returns how far away d is by the wall clock, a year at most.
func (s *Service) timeTo(d events.Instant) time.Duration {
	const year = 365 * 24 * time.Hour
	now := events.InstantOf(s.cfg.Now())
	if d > now.Add(year) {
		return year
	}
	return max(d.Sub(now), 0)
}

// timeReached writes that the deadline has passed. Its time is never before
// the deadline, whatever the wall clock says.
func (s *Service) timeReached(ctx context.Context, deadline events.Instant) error {
	at := max(deadline, events.InstantOf(s.cfg.Now()))
	e := events.Event{Source: events.SourceClock, Time: at, Data: events.TimeReached{AtUs: at}}
	if s.cfg.Shares != nil { // so that another process is found out
		e.Number = s.cfg.Journal.LastNumber(events.SourceClock) + 1
	}
	_, err := s.cfg.Journal.Append(ctx, e)
	return err
}
