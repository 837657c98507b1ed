package trace

import (
	"math"
	"slices"

	"witnessmark/events"
)

// view is a sound trace: finite numbers of one length, time never backwards.
type view struct {
	torque, angle []float64 // angle empty: none
	times         []int64
	period        int64
	sign, turn    float64 // direction of torque and of rotation
	peakAt        int     // first sample of the greatest torque
	low           int     // last sample before the main peak at a tenth of it or less, or the first
	up            float64 // angle where the main swing rose through half the peak
}

func (v *view) t(i int) int64 {
	if v.times != nil {
		return v.times[i]
	}
	return int64(i) * v.period
}

func (v *view) y(i int) float64 { return v.sign * v.torque[i] }
func (v *view) a(i int) float64 { return v.turn * v.angle[i] }

// open checks a trace and gives a view of it, over a cleaned copy where it has
// faults that demand one.
func open(tr *events.Trace, loosen bool) (v view, c Codes) {
	v = view{torque: tr.Torque, angle: tr.Angle, times: tr.TimesUs, period: tr.PeriodUs, sign: 1, turn: 1}
	if loosen {
		v.sign = -1
	}
	if v.period > 0 || len(v.times) == 0 {
		v.times = nil
	}
	if v.period <= 0 || v.period > 1e9 {
		v.period = 1000 // no times at all: taken as 1 kHz, and said
		if v.times == nil {
			c |= TimeBackwards
		}
	}
	c |= v.cut()
	torqueOK, angleOK, timesOK := v.peak(), finite(v.angle), inOrder(v.times)
	if !torqueOK {
		c |= NotANumber
	}
	if !timesOK {
		c |= TimeBackwards
	}
	if !torqueOK || !timesOK {
		v.clean()
		v.peak()
	}
	if !angleOK {
		c |= AnglePart
		v.fill()
	}
	if len(v.angle) == 0 {
		v.angle = nil
		c |= NoAngle
	}
	return v, c
}

// cut makes the lists of one length. An angle that is missing for more than a
// tenth is not used.
func (v *view) cut() (c Codes) {
	n := len(v.torque)
	if v.times != nil && len(v.times) != n {
		n = min(n, len(v.times))
		c |= Lengths
		v.times, v.torque = v.times[:n], v.torque[:n]
	}
	switch m := len(v.angle); {
	case m == 0 || m == n:
	case m > n:
		c |= Lengths
		v.angle = v.angle[:n]
	case m*10 >= n*9:
		c |= Lengths | AnglePart
		v.torque = v.torque[:m]
		if v.times != nil {
			v.times = v.times[:m]
		}
	default:
		c |= Lengths | AnglePart
		v.angle = nil
	}
	return c
}

// huge is beyond any torque or rotation of a hand tool; larger numbers count
// as no numbers, so that sums stay finite.
const huge = 1e7

func usable(x float64) bool { return math.Abs(x) <= huge }

// beyond has its highest bit set where a number is not usable: sizes of floats
// order as whole numbers do, with what is no number above all, so the difference
// is negative. No branch waits for a sample, and that is most of what a pass costs.
func beyond(x float64) uint64 { return hugeBits - math.Float64bits(x)&(1<<63-1) }

var hugeBits = math.Float64bits(huge)

func finite(xs []float64) bool {
	var bad uint64
	for _, x := range xs {
		bad |= beyond(x)
	}
	return bad>>63 == 0
}

// peak looks for the greatest torque and where it comes first, and whether all
// can be used: if not, it is found again once the trace is clean.
func (v *view) peak() (sound bool) {
	const block = 64
	flip := math.Float64bits(v.sign) & (1 << 63) // the other direction
	most, from := int64(math.MinInt64), 0
	var bad uint64
	for i := 0; i < len(v.torque); i += block {
		xs := v.torque[i:min(i+block, len(v.torque))]
		a := most
		for _, x := range xs {
			bad |= beyond(x)
			a = max(a, int64(math.Float64bits(x)^flip))
		}
		if a > most {
			most, from = a, i
		}
	}
	v.peakAt = 0
	if most > 0 {
		for v.peakAt = from; v.y(v.peakAt) < math.Float64frombits(uint64(most)); {
			v.peakAt++
		}
		return bad>>63 == 0
	}
	for i := range v.torque { // none in this direction: others order the other way round
		if v.y(i) > v.y(v.peakAt) {
			v.peakAt = i
		}
	}
	return bad>>63 == 0
}

// hugeUs is a day: no pull lasts so long.
const hugeUs = 86400e6

func inOrder(ts []int64) bool {
	last := int64(-hugeUs)
	for _, t := range ts {
		if t < last || t > hugeUs {
			return false
		}
		last = t
	}
	return true
}

// clean leaves out samples without a torque and those that run back in time.
func (v *view) clean() {
	var torque, angle []float64
	var times []int64
	last := int64(-hugeUs)
	for i, x := range v.torque {
		t := v.t(i)
		if !usable(x) || t < last || t > hugeUs {
			continue
		}
		last = t
		torque, times = append(torque, x), append(times, t)
		if len(v.angle) > 0 {
			angle = append(angle, v.angle[i])
		}
	}
	v.torque, v.angle, v.times = torque, angle, times
}

// fill sets missing angles to those between their neighbours'. Where more
// than a fifth is missing the angle is not used.
func (v *view) fill() {
	a := slices.Clone(v.angle)
	missing, last := 0, -1
	for i, x := range a {
		if !usable(x) {
			missing++
			continue
		}
		for j := last + 1; j < i; j++ {
			if last < 0 {
				a[j] = x
			} else {
				a[j] = a[last] + float64((x-a[last])*float64(j-last)/float64(i-last))
			}
		}
		last = i
	}
	if last < 0 || missing*5 > len(a) {
		v.angle = nil
		return
	}
	for j := last + 1; j < len(a); j++ {
		a[j] = a[last]
	}
	v.angle = a
}

// rate gives the median sampling rate, over up to 63 of the distances.
func (v *view) rate() float64 {
	n := len(v.torque) - 1
	if n < 1 {
		return 0
	}
	if v.times == nil {
		return 1e6 / float64(v.period)
	}
	var d [63]int64
	k := min(n, len(d))
	for j := range k {
		i := j * n / k
		d[j] = v.times[i+1] - v.times[i]
	}
	slices.Sort(d[:k])
	if d[k/2] <= 0 {
		if all := v.times[n] - v.times[0]; all > 0 {
			return 1e6 * float64(n) / float64(all)
		}
		return 0
	}
	return 1e6 / float64(d[k/2])
}

// timing looks for gaps and repeated times. A gap is 50 ms or more, and five
// periods. Found: in sound station traces the largest is 20 ms (median), and
// 0.8 % of the time stamps repeat.
func (v *view) timing(rate float64) (c Codes) {
	if v.times == nil || rate <= 0 {
		return 0
	}
	limit := max(50e3, int64(5e6/rate))
	equal, last := 0, v.times[0]
	for _, t := range v.times[1:] {
		if t == last {
			equal++
		}
		if t-last >= limit {
			c |= Gap
		}
		last = t
	}
	if equal*20 > len(v.times) {
		c |= EqualTimes
	}
	return c
}
