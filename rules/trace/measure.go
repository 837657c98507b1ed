package trace

import (
	"math"

	"witnessmark/events"
)

// Limits of the evaluation. Shares are of the trace's peak.
const (
	startShare   = 0.1  // torque counts from here. Assumed; found: run-in down to 0.09
	swingShare   = 0.3  // a swing with less is none. Assumed
	releaseShare = 0.5  // a release falls below half. Found
	releaseUs    = 40e3 // for at least so long. Found: dips last up to 37 ms (95 %)
	backDeg      = 1.0  // and turns back by so much. Found: spring-back 3.4° sd 0.43; run-on of 0.25° steps
	slowHz       = 100  // Found: below, the worst 5 % lose more than 4 %
	zeroShare    = 0.1  // Found: 7 % at the start, 4 % at the end
	restUs       = 30e3 // a tool at rest shows the same torque for so long. Assumed
	restLeast    = 3    // and in so many samples. Assumed
	restShare    = 0.02 // the same torque: within so much. Assumed; found: noise 0.24 to 0.7 %
	restDeg      = 0.5  // and turns by less. Assumed: a slow hand's run-in makes 0.9° in that time
	strippedDeg  = 10   // rotation beyond the peak that means stripping. Found: run-on 1.75° (95 %); assumed margin
	yieldShare   = 0.5  // torque rate before the peak over the greatest. Common practice
	toothShare   = 0.05 // a drop that makes a tooth. Assumed; found: noise 0.24 to 0.7 %
	goneTooth    = 0.4  // between two teeth of a bit that slips torque falls below. Found
	stickTeeth   = 3    // Assumed
	goneShare    = 0.3  // later torque of a bit that slips. Found: 0.2 % against 97 %
)

var nan = math.NaN()

// Measure evaluates a trace. It allocates nothing for a sound one.
func Measure(tr *events.Trace, spec Spec) (f Features) {
	f = Features{
		TurnDeg: nan, NetDeg: nan, SpringDeg: nan, SnugNm: nan, SnugShare: nan, SnugDeg: nan, RateNmDeg: nan, BreakNm: nan, MoveNm: nan, StillNm: nan, QuarterNm: nan, BreakDrop: nan,
		RunInNm: nan, ZeroStart: nan, ZeroEnd: nan, LaterShare: nan, PastDeg: nan, FlatDeg: nan, LastShare: nan, PeakNm: nan, LevelNm: nan, PeakLoss: 1,
	}
	if tr == nil {
		f.Codes = Empty
		return f
	}
	v, codes := open(tr, spec.Loosen)
	f.Codes, f.Samples = codes, len(v.torque)
	if f.Samples == 0 {
		f.Codes |= Empty
		return f
	}
	f.RateHz = v.rate()
	f.PeakLoss = PeakLoss(f.RateHz)
	f.Codes |= v.timing(f.RateHz)
	if f.RateHz < slowHz {
		f.Codes |= Slow
	}
	f.PeakNm, f.PeakAt = v.y(v.peakAt), v.peakAt
	f.LevelNm = f.PeakNm / 2
	if !(f.PeakNm > 0) {
		f.Codes |= Empty
		return f
	}
	f.zero(&v, spec)
	start := max(spec.Threshold.NewtonMetres(), startShare*f.PeakNm)
	f.swings(&v, start)
	m := f.main()
	f.rise(&v, m)
	f.teeth(&v, start, spec.Loosen)
	if v.angle != nil {
		f.rotation(&v, m)
		f.slopes(&v, m)
	}
	f.click(&v, m)
	if v.angle != nil {
		f.flat(&v, m)
	}
	if spec.Loosen {
		f.Codes &^= Strip | Yield | Click | Flat // words of tightening
	}
	return f
}

// zero looks at where the torque begins and ends. Only a tool at rest shows its
// zero: a record that a tool starts when its threshold is reached, or ends on the
// way down, tells nothing of it.
func (f *Features) zero(v *view, spec Spec) {
	last := f.Samples - 1
	f.ZeroStart, f.ZeroEnd = v.y(0), v.y(last)
	most := max(spec.Target.NewtonMetres(), f.PeakNm)
	limit, band := zeroShare*most, restShare*most
	switch {
	case math.Abs(f.ZeroStart) > limit && v.restsAtStart(band):
		f.Codes |= NoZero
	case math.Abs(f.ZeroEnd) > limit && f.ZeroEnd < f.LevelNm && v.restsAtEnd(band):
		f.Codes |= NoZero
	}
	if f.ZeroEnd >= f.LevelNm {
		f.Codes |= NoRelease
	}
}

// restsAtStart reports whether a trace begins with a tool at rest: neither
// torque nor angle moves. At a level torque with the angle going on, a fastener
// is run in; without an angle nobody knows, but no run-in has a torque below none.
func (v *view) restsAtStart(band float64) bool {
	if v.y(0) > 0 && (v.angle == nil || v.a(v.peakAt) == v.a(0)) {
		return false
	}
	least, most := v.y(0), v.y(0)
	for i := range v.torque {
		least, most = min(least, v.y(i)), max(most, v.y(i))
		if most-least > band || v.angle != nil && math.Abs(v.a(i)-v.a(0)) >= restDeg {
			return false
		}
		if i+1 >= restLeast && v.t(i)-v.t(0) >= restUs {
			return true
		}
	}
	return false
}

// restsAtEnd reports whether a trace ends with a tool at rest. Its angle may
// still spring back.
func (v *view) restsAtEnd(band float64) bool {
	last := len(v.torque) - 1
	least, most := v.y(last), v.y(last)
	for i := last; i >= 0; i-- {
		least, most = min(least, v.y(i)), max(most, v.y(i))
		if most-least > band {
			return false
		}
		if last-i+1 >= restLeast && v.t(last)-v.t(i) >= restUs {
			return true
		}
	}
	return false
}

// cutter splits a trace in swings, sample by sample.
type cutter struct {
	f     *Features
	v     *view
	start float64
	in    bool
	s     Swing
	dip   int     // first sample of a dip; -1: none
	since int64   // its time
	most  float64 // greatest angle from just before it
}

// swings splits the trace. A release is torque below half the swing's peak for
// 40 ms and, judged by both, either the angle back by the spring-back or no
// torque at all; anything shorter is a dip.
func (f *Features) swings(v *view, start float64) {
	if start > f.PeakNm {
		start = startShare * f.PeakNm
	}
	c := cutter{f: f, v: v, start: start, dip: -1}
	for i, n := 0, len(v.torque); i < n; i++ { // the usual samples in loops of their own
		if !c.in {
			for i < n && v.sign*v.torque[i] < start {
				i++
			}
		} else if c.dip < 0 {
			i = c.climb(i)
		}
		if i < n {
			c.step(i, v.sign*v.torque[i])
		}
	}
	if c.in {
		c.s.To = len(v.torque) - 1
		if c.dip >= 0 {
			c.s.To = c.dip
		}
		c.end()
	}
	if f.Swings > 1 {
		f.Codes |= Rehit
	}
	if f.Dips > 0 {
		f.Codes |= Dip
	}
}

// climb follows a swing from a sample on to the first one below half its peak.
func (c *cutter) climb(i int) int {
	peak, at, half := c.s.PeakNm, c.s.PeakAt, releaseShare*c.s.PeakNm
	for torque := c.v.torque; i < len(torque); i++ {
		x := c.v.sign * torque[i]
		if x < half {
			break
		}
		if x > peak {
			peak, at, half = x, i, releaseShare*x
		}
	}
	c.s.PeakNm, c.s.PeakAt = peak, at
	return i
}

func (c *cutter) step(i int, x float64) {
	switch {
	case !c.in:
		if x >= c.start {
			c.in, c.dip = true, -1
			c.s = Swing{From: i, PeakAt: i, PeakNm: x, NetDeg: nan}
		}
	case x >= releaseShare*c.s.PeakNm: // back from a dip
		if c.s.PeakNm >= swingShare*c.f.PeakNm && c.v.t(i)-c.since < releaseUs {
			c.f.Dips++
		}
		c.dip = -1
		if x > c.s.PeakNm {
			c.s.PeakNm, c.s.PeakAt = x, i
		}
	case c.dip < 0:
		c.dip, c.since, c.most = i, c.v.t(i), max(c.angle(i), c.angle(max(0, i-1)))
	default:
		c.most = max(c.most, c.angle(i))
		if c.v.t(i)-c.since >= releaseUs && (x < c.start || c.v.angle != nil && c.most-c.angle(i) >= backDeg) {
			c.s.To = c.dip
			c.end()
		}
	}
}

func (c *cutter) angle(i int) float64 {
	if c.v.angle == nil {
		return 0
	}
	return c.v.a(i)
}

func (c *cutter) end() {
	c.in = false
	if c.s.PeakNm < swingShare*c.f.PeakNm {
		return
	}
	if c.f.Swings < MostSwings {
		c.f.Swing[c.f.Swings] = c.s
	} else if c.s.PeakNm >= c.f.Swing[MostSwings-1].PeakNm {
		c.f.Swing[MostSwings-1] = c.s
	}
	c.f.Swings++
}

// main gives the swing with the peak.
func (f *Features) main() *Swing {
	for i := range min(f.Swings, MostSwings) {
		if f.Swing[i].PeakAt == f.PeakAt {
			return &f.Swing[i]
		}
	}
	return &Swing{To: f.Samples - 1, PeakAt: f.PeakAt, PeakNm: f.PeakNm, NetDeg: nan}
}

// rise times the way up of the main swing and the whole pull.
func (f *Features) rise(v *view, m *Swing) {
	most, least, torque := 0.9*m.PeakNm, startShare*m.PeakNm, v.torque[:m.PeakAt+1]
	high := m.PeakAt
	for high > m.From && v.sign*torque[high] > most {
		high--
	}
	low := high
	for low > 0 && v.sign*torque[low] > least {
		low--
	}
	v.low = low
	f.RiseUs = v.t(high) - v.t(low)
	first, last := m.From, m.To
	if n := min(f.Swings, MostSwings); n > 0 {
		first, last = f.Swing[0].From, f.Swing[n-1].To
	}
	f.DurationUs = v.t(last) - v.t(first)
}

// rotation takes the angles of all swings at half the peak, and what the main
// swing did after its peak.
func (f *Features) rotation(v *view, m *Swing) {
	if back := v.angle[m.PeakAt] - v.angle[0]; back < -2*backDeg {
		v.turn = -1
		f.Codes |= AngleNegative
	}
	f.TurnDeg = v.a(m.PeakAt) - v.a(0)
	net := nan
	v.up, _ = f.crossing(v, m)
	for i := range min(f.Swings, MostSwings) {
		s := &f.Swing[i]
		up, ok := v.up, true
		if s != m {
			up, ok = f.crossing(v, s)
		}
		if ok {
			s.NetDeg = f.net(v, s, up, f.next(i))
		}
		if s.NetDeg == s.NetDeg {
			if net != net {
				net = 0
			}
			net += s.NetDeg
		}
	}
	f.NetDeg = net
	end := f.Samples - 1
	for i := range min(f.Swings, MostSwings) {
		if &f.Swing[i] == m {
			end = f.next(i)
		}
	}
	f.after(v, m, end)
}

// next is the last sample before the swing after i.
func (f *Features) next(i int) int {
	if i+1 < min(f.Swings, MostSwings) {
		return f.Swing[i+1].From - 1
	}
	return f.Samples - 1
}

// net is the rotation of one swing between rising and falling through half
// the trace's peak. At equal torque, tool and joint are wound up alike, so
// the difference is what stays: a tight fastener gives about 0.
func (f *Features) net(v *view, s *Swing, up float64, end int) float64 {
	down, fell := s.PeakAt, false
	for i := min(s.To, end); i >= s.PeakAt; i-- {
		if v.y(i) >= f.LevelNm {
			down, fell = i, i < end
			break
		}
	}
	if !fell {
		return v.a(s.PeakAt) - up
	}
	return v.between(down, down+1, f.LevelNm) - up
}

// crossing is the angle at which a swing last rose through half the trace's
// peak, dips shorter than 40 ms not counted.
func (f *Features) crossing(v *view, s *Swing) (deg float64, ok bool) {
	if s.PeakNm < f.LevelNm {
		return 0, false
	}
	up, torque := s.PeakAt, v.torque[:s.PeakAt]
	for i := len(torque) - 1; i >= 0; i-- {
		if v.sign*torque[i] >= f.LevelNm {
			up = i
		} else if v.t(up)-v.t(i) >= releaseUs {
			break
		}
	}
	if up == 0 {
		return v.a(0), true
	}
	return v.between(up-1, up, f.LevelNm), true
}

// between is the angle at a torque between two samples.
func (v *view) between(i, j int, nm float64) float64 {
	p, q := v.y(i), v.y(j)
	if p == q {
		return v.a(j)
	}
	share := min(1, max(0, (nm-p)/(q-p)))
	return v.a(i) + float64(share*(v.a(j)-v.a(i)))
}

// after takes the spring-back and the rotation beyond the peak.
func (f *Features) after(v *view, m *Swing, end int) {
	most, past := v.a(m.PeakAt), v.a(m.PeakAt)
	gone := goneShare * m.PeakNm
	for i := m.PeakAt + 1; i <= end; i++ {
		a := v.a(i)
		if a > most {
			most = a
		}
		if a > past && i <= m.To && v.y(i) >= gone {
			past = a
		}
	}
	if !f.Codes.Has(NoRelease) || end < f.Samples-1 {
		f.SpringDeg = most - v.a(end)
	}
	f.PastDeg = past - v.a(m.PeakAt)
	if f.PastDeg >= strippedDeg {
		f.Codes |= Strip
	}
}
