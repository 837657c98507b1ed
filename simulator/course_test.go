package simulator

import (
	"math"
	"testing"
	"time"

	"witnessmark/events/quantity"
)

// A course goes nowhere faster than a hand does, and a turn ends where it
// began; what it truly shows is what it was made with.
func TestCourses(t *testing.T) {
	mm := quantity.Millimetres
	for name, c := range map[string]struct {
		course Course
		travel float64 // greatest minus least once the tip is set
	}{
		"end play": {EndPlayCourse(mm(0.15), 3), 0.15},
		"run-out":  {RunOutCourse(mm(0.02), quantity.Length{}, quantity.Degrees(40)), 0.04},
		"lobes":    {RunOutCourse(quantity.Length{}, mm(0.03), quantity.Angle{}), 0.06},
		"backlash": {BacklashCourse([]quantity.Length{mm(0.18)}, 2), 0.18},
	} {
		lo, hi, last := math.Inf(1), math.Inf(-1), 0.0
		end := c.course.Lasts()
		if name == "backlash" {
			end -= courseSet + courseStill // where the tip is lifted
		}
		for at := time.Duration(0); at < end; at += time.Millisecond {
			x := c.course.At(at)
			if math.Abs(x-last) > 0.02 {
				t.Fatalf("%s: jumps by %g mm in a millisecond at %s", name, x-last, at)
			}
			last = x
			if at > courseSet {
				lo, hi = min(lo, x), max(hi, x)
			}
		}
		if math.Abs(hi-lo-c.travel) > 0.001 {
			t.Errorf("%s: travels %.4f mm, was made with %.4f", name, hi-lo, c.travel)
		}
		if name == "run-out" || name == "lobes" {
			if d := c.course.At(c.course.Lasts()) - c.course.At(courseSet+courseZero); math.Abs(d) > 1e-9 {
				t.Errorf("%s: the turn ends %g mm from where it began", name, d)
			}
		}
	}
}
