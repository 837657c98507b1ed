package dashboards

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"witnessmark/events"
)

// clockWatch compares the wall clock of this machine with one that nobody
// sets. Order is the journal's and durations are measured by the steady clock;
// but times on records are the wall clock's, so who reads them must know when
// it was set.
type clockWatch struct {
	wall   func() time.Time
	steady func() (time.Duration, error) // goes on while the machine sleeps

	mu    sync.Mutex
	ahead time.Duration // of wall before steady, when last looked
	seen  bool
	steps uint64
	total time.Duration // of all steps, without sign
	last  clockStep
}

// clockStep is one time that the clock was set.
type clockStep struct {
	by     time.Duration // forward if above 0
	wall   time.Time     // after it
	steady time.Duration
}

const (
	clockEvery = time.Second
	// stepLeast is the least difference between two looks that is called a
	// step. Corrections that only make the clock go a little quicker or slower
	// are slower by far: 0.5 ms a second at most.
	stepLeast = 100 * time.Millisecond
	// lookMost is how long a look may take to count: else the machine was busy
	// between the two clocks.
	lookMost = 20 * time.Millisecond
	// noteWait is how long the journal has to take the note of a step.
	noteWait = time.Minute
	// stepShown is how long the pages tell of a step.
	stepShown = time.Hour
)

// bootTime is the time since the machine started, sleep included.
func bootTime() (time.Duration, error) {
	var t unix.Timespec
	err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t)
	return time.Duration(t.Nano()), err
}

// run looks until ctx ends.
func (c *clockWatch) run(ctx context.Context, every time.Duration, tell func(clockStep)) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if s, ok := c.look(); ok {
			tell(s)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// look compares the clocks once; ok if the wall clock was set since the last
// look.
func (c *clockWatch) look() (s clockStep, ok bool) {
	before, err1 := c.steady()
	wall := c.wall()
	after, err2 := c.steady()
	if err1 != nil || err2 != nil || after-before > lookMost {
		return s, false
	}
	mid := before + (after-before)/2
	ahead := time.Duration(wall.UnixNano()) - mid
	c.mu.Lock()
	defer c.mu.Unlock()
	by := ahead - c.ahead
	first := !c.seen
	c.ahead, c.seen = ahead, true
	if first || by.Abs() < stepLeast {
		return s, false
	}
	c.steps++
	c.total += by.Abs()
	c.last = clockStep{by, wall, mid}
	return c.last, true
}

// notice tells of the last step, if it is not long ago; else "".
func (c *clockWatch) notice() string {
	if c == nil {
		return ""
	}
	now, err := c.steady()
	c.mu.Lock()
	defer c.mu.Unlock()
	if err != nil || c.steps == 0 || now-c.last.steady > stepShown {
		return ""
	}
	return c.last.String() + " The order of readings is safe, and nothing is lost; times before and after do not fit together. " +
		"Let time synchronisation keep this clock (witnessmark doctor looks at it), and do not set it by hand during work."
}

// said is how often and by how much in all the clock was set.
func (c *clockWatch) said() (steps uint64, total, last time.Duration) {
	if c == nil {
		return 0, 0, 0
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.steps, c.total, c.last.by
}

func (s clockStep) String() string {
	way := "forward"
	if s.by < 0 {
		way = "back"
	}
	by := s.by.Abs().Round(time.Second)
	if by < 10*time.Second {
		by = s.by.Abs().Round(time.Millisecond)
	}
	return fmt.Sprintf("The clock of this machine was set %s by %s; it then said %s.", way, spanWords(by), s.wall.Format("15:04:05"))
}

// spanWords writes a span with spelled units: "1 h 7 min", "0.15 s".
func spanWords(d time.Duration) string {
	var out []string
	if h := d / time.Hour; h > 0 {
		out = append(out, fmt.Sprintf("%d h", h))
	}
	if m := d % time.Hour / time.Minute; m > 0 {
		out = append(out, fmt.Sprintf("%d min", m))
	}
	if s := d % time.Minute; s > 0 || len(out) == 0 {
		out = append(out, fmt.Sprintf("%g s", s.Seconds()))
	}
	return strings.Join(out, " ")
}

// noteStep writes a step of the clock into the journal. Where that does not take
// it, the log, the pages and the metrics have it all the same.
func (p *Pages) noteStep(ctx context.Context, s clockStep) {
	p.log.Warn("the clock of this machine was set", "by_s", s.by.Seconds())
	if p.cfg.Note == nil {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, noteWait)
	defer cancel()
	from, to := events.InstantOf(s.wall.Add(-s.by)), events.InstantOf(s.wall)
	e := events.ClockStepped{FromUs: from, ToUs: to, ByUs: to.Sub(from).Microseconds(), AtUs: to}
	if _, err := p.cfg.Note.Append(ctx, events.Event{Source: events.SourceClockSet, Time: to, Data: e}); err != nil {
		p.log.Error("the journal does not take a note of the clock", "by_s", s.by.Seconds(), "err", err)
	}
}
