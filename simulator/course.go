package simulator

import (
	"context"
	"math"
	"time"

	"witnessmark/events/quantity"
)

// Course is where the tip of an indicator goes while a part is measured. What
// the part truly measures is in how it is made; all of it is invented.
type Course struct {
	from float64 // mm, where the tip is before
	legs []leg
}

// leg is one movement and the rest after it.
type leg struct {
	to   float64       // mm, where it goes
	over time.Duration // on its way
	hold time.Duration // there
	// round: it goes round instead, and comes back to where it was.
	ecc, lobe, phase float64 // mm, mm, radians
	turns            int
	point            bool // a value is wanted here: who is led by a screen holds still until it was taken
}

// How long things take. A person who is led by a screen holds still for about
// a second; our own choice, as are the heights.
const (
	courseSet   = 150 * time.Millisecond  // the tip comes down
	courseStill = 1200 * time.Millisecond // at a stop
	courseLift  = 400 * time.Millisecond  // in the air, from place to place
	courseMove  = 150 * time.Millisecond  // from stop to stop
	courseTurn  = 2500 * time.Millisecond // once round
	courseZero  = 900 * time.Millisecond  // before the turn
	courseRest  = 1900 * time.Millisecond // after it
	courseAt    = 2.0                     // mm, how far the plunger is pushed in when it is set
)

// EndPlayCourse pushes and pulls a part that has the play, cycles times.
func EndPlayCourse(play quantity.Length, cycles int) Course {
	c := Course{}
	return c.rock(courseAt, play, cycles)
}

// BacklashCourse rocks a gear at places round it, where it has the plays,
// cycles times each. Between them the tip is lifted.
func BacklashCourse(plays []quantity.Length, cycles int) Course {
	c := Course{}
	for i, p := range plays {
		c = c.rock(courseAt+0.4*float64(i), p, cycles)
		c.legs = append(c.legs, leg{to: 0, over: courseSet, hold: courseLift})
	}
	return c
}

// DifferenceCourse sets the tip on one place and, lifted between, on another
// that is so much farther in.
func DifferenceCourse(d quantity.Length) Course {
	return Course{legs: []leg{
		{to: courseAt, over: courseSet, hold: courseStill, point: true},
		{to: 0, over: courseSet, hold: courseLift},
		{to: courseAt + d.Millimetres(), over: courseSet, hold: courseStill, point: true},
	}}
}

func (c Course) rock(from float64, play quantity.Length, cycles int) Course {
	for i := range cycles {
		over := courseMove
		if i == 0 {
			over = courseSet
		}
		c.legs = append(c.legs, leg{to: from, over: over, hold: courseStill, point: true}, leg{to: from + play.Millimetres(), over: courseMove, hold: courseStill, point: true})
	}
	return c
}

// RunOutCourse turns a part once round evenly: one that runs off its axis by
// ecc, and has two lobes of a height beside.
func RunOutCourse(ecc, lobe quantity.Length, phase quantity.Angle) Course {
	return Course{legs: []leg{
		{to: courseAt, over: courseSet, hold: courseZero, point: true},
		{to: courseAt, over: courseTurn, hold: courseRest, ecc: ecc.Millimetres(), lobe: lobe.Millimetres(), phase: phase.Radians(), turns: 1},
	}}
}

// Lasts is how long it takes.
func (c Course) Lasts() time.Duration {
	var d time.Duration
	for _, l := range c.legs {
		d += l.over + l.hold
	}
	return d
}

// At is where the tip is after some time, in mm. It begins at rest, at nought.
func (c Course) At(t time.Duration) float64 {
	from := c.from
	for _, l := range c.legs {
		switch {
		case t < l.over:
			return l.during(from, t.Seconds()/l.over.Seconds())
		case t < l.over+l.hold:
			return l.to
		}
		t -= l.over + l.hold
		from = l.to
	}
	return from
}

func (l leg) during(from, share float64) float64 {
	if l.turns == 0 {
		return from + (l.to-from)*share
	}
	shape := func(a float64) float64 { return l.ecc*math.Cos(a-l.phase) + l.lobe*math.Cos(2*a) }
	return l.to + shape(2*math.Pi*float64(l.turns)*share) - shape(0)
}

// Follower is a tool whose tip can follow a course.
type Follower interface {
	// Follow moves the tip along a course. At each rest it calls held, which
	// returns when the tip is to go on; point says that a value is wanted there,
	// and long how long a person would stay.
	Follow(ctx context.Context, c Course, w Wire, held func(ctx context.Context, point bool, long time.Duration) error) error
}

// Follow implements Follower.
func (t *d3) Follow(ctx context.Context, c Course, w Wire, held func(context.Context, bool, time.Duration) error) error {
	t.mu.Lock()
	rested := t.clock.Now().Sub(t.lifted)
	t.mu.Unlock()
	if err := t.rest(ctx, d3Rest-rested); err != nil {
		return err
	}
	t.mu.Lock()
	t.garbs, t.noises = w.Garble, w.Noise
	t.mu.Unlock()
	for _, l := range c.legs {
		t.mu.Lock()
		t.course, t.courseFrom = &Course{from: t.place(), legs: []leg{l}}, t.clock.Now()
		t.mu.Unlock()
		err := t.rest(ctx, l.over)
		t.mu.Lock()
		t.to, t.begin, t.course = l.to, time.Time{}, nil
		t.mu.Unlock()
		if err == nil {
			err = held(ctx, l.point, l.hold)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
