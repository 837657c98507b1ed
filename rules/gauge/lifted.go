package gauge

import (
	"fmt"
	"math"
	"time"

	"witnessmark/events/quantity"
)

// What tells a tip that left the surface during a turn. A turn moves it as a
// wave does: of a wave of any speed a third of the time is spent in the middle
// half of its range, and six tenths of the range take a fifth of a turn. The
// figures are our own choice.
const (
	leastLift  = 0.2                    // mm: less is no lift
	mostOfLift = 0.6                    // share of the range that is passed in a leap
	quickFall  = 150 * time.Millisecond // no part is turned round in seven tenths of a second
	slowFall   = 300 * time.Millisecond // by a hand at the plunger
	slowReturn = 600 * time.Millisecond // a tip is set gently
	lessMiddle = 0.28                   // share of the time in the middle half
)

// Lifted looks for a tip that left the surface and was set back, or fell into
// a groove, while a part was turned: the value falls in a leap (an indicator
// counts up when it is pushed in) and comes back in one. It returns how far it
// fell, in mm, and for how long it was away; ok is false where nothing leaps.
func Lifted(samples []Sample) (far float64, away time.Duration, ok bool) {
	if len(samples) < 4 {
		return 0, 0, false
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range samples {
		lo, hi = min(lo, s.V.Base()), max(hi, s.V.Base())
	}
	far = hi - lo
	if !(far >= leastLift) {
		return 0, 0, false
	}
	fall, quick := leap(samples, 0, -mostOfLift*far, quickFall)
	if !quick {
		var fell bool
		if fall, fell = leap(samples, 0, -mostOfLift*far, slowFall); !fell || halfway(samples, lo, hi) >= lessMiddle {
			return 0, 0, false
		}
	}
	back, ok := leap(samples, fall, mostOfLift*far, slowReturn)
	if !ok {
		return 0, 0, false
	}
	return far, samples[back].At.Sub(samples[fall].At), true
}

// OffSurface says so where the tip left the surface, see Lifted; nil where it
// did not.
func OffSurface(samples []Sample, unit quantity.Unit) *Trouble {
	far, away, ok := Lifted(samples)
	if !ok {
		return nil
	}
	return &Trouble{"lifted", fmt.Sprintf("The tip left the surface for %.1f s: it fell by %s at once and came back as suddenly. That is no turn.", away.Seconds(), quantity.Format(quantity.Millimetres(far).Value(), unit, -1)),
		"Leave the tip on the part and turn slowly once round. If there is a groove, a hole or a keyway, set the tip beside it, or have the procedure measure at places."}
}

// leap returns the first sample from which on the value changes by that much
// within a time, or with the very next sample.
func leap(samples []Sample, from int, by float64, within time.Duration) (at int, ok bool) {
	for i := from; i < len(samples); i++ {
		for k := i + 1; k < len(samples) && (k == i+1 || samples[k].At.Sub(samples[i].At) <= within); k++ {
			if d := samples[k].V.Base() - samples[i].V.Base(); d/by >= 1 {
				return i, true
			}
		}
	}
	return 0, false
}

// halfway is the share of the time in the middle half of a range, from when the
// value first leaves where it began until it is last elsewhere than at the end.
func halfway(samples []Sample, lo, hi float64) float64 {
	room := (hi - lo) / 20
	from, to := 0, len(samples)-1
	for from < to && math.Abs(samples[from].V.Base()-samples[0].V.Base()) <= room {
		from++
	}
	for end := samples[to].V.Base(); to > from && math.Abs(samples[to].V.Base()-end) <= room; {
		to--
	}
	n := 0
	for _, s := range samples[from : to+1] {
		if math.Abs(s.V.Base()-(lo+hi)/2) < (hi-lo)/4 {
			n++
		}
	}
	return float64(n) / float64(to+1-from)
}
