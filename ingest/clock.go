package ingest

import (
	"time"

	"witnessmark/events"
)

// jump is by how much the wall clock may differ from what the monotonic clock
// says before it is called a jump.
const jump = 2 * time.Second

// clock tells the time of a session. Silence, rates and settling must not
// depend on a wall clock that somebody sets, so the decoder gets steady
// instants; events get the wall clock's.
type clock struct {
	now    func() time.Time
	start  time.Time
	base   events.Instant // wall clock at start
	offset time.Duration  // by how much wall is ahead of steady, when last said
}

func newClock(now func() time.Time) clock {
	return clock{now: now, start: time.Now(), base: events.InstantOf(now())}
}

// moment returns the present, and logs if the wall clock has jumped.
func (c *clock) moment(d *device) moment {
	mono := time.Now()
	m := moment{mono: mono, wall: events.InstantOf(c.now()), steady: c.base.Add(mono.Sub(c.start))}
	if off := m.wall.Sub(m.steady); (off - c.offset).Abs() > jump {
		d.log.Warn("the clock was set; times of receipt follow it", "by_s", (off - c.offset).Seconds())
		c.offset = off
	}
	return m
}
