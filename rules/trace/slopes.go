package trace

// mostPoints is the number of groups that a way up is gathered in for fitting.
const mostPoints = 48

// points are groups of neighbouring samples with their running sums.
type points struct {
	n    int
	x, y [mostPoints]float64
	sum  [mostPoints + 1]sums
}

type sums struct{ n, x, y, xx, xy, yy float64 }

func (s sums) minus(t sums) sums {
	return sums{s.n - t.n, s.x - t.x, s.y - t.y, s.xx - t.xx, s.xy - t.xy, s.yy - t.yy}
}

// line fits y = at + slope·x by least squares.
func (s sums) line() (at, slope float64) {
	sxx := s.xx - float64(s.x*s.x)/s.n
	sxy := s.xy - float64(s.x*s.y)/s.n
	if sxx > 1e-9 {
		slope = sxy / sxx
	}
	return (s.y - float64(slope*s.x)) / s.n, slope
}

// rest is what such a line leaves, of the sums one by one: it is wanted for
// every place where the line could break.
func rest(n, x, y, xx, xy, yy float64) float64 {
	sxx, slope := xx-float64(x*x)/n, 0.0
	sxy := xy - float64(x*y)/n
	if sxx > 1e-9 {
		slope = sxy / sxx
	}
	return max(0, yy-float64(y*y)/n-float64(slope*sxy))
}

// gather takes the samples from..to in groups of at least two neighbours, as
// even in angle as they come, angles counted from the first. At skip or above
// (0: nowhere) what lies a tenth below the torque so far is left out: dips while
// the drive changes its speed.
func (p *points) gather(v *view, from, to int, skip float64) {
	a0 := v.a(from)
	width := (v.a(to) - a0) / (mostPoints - 8)
	p.n = 0
	var x, y, n, most float64
	next, torques := width, v.torque[from:to+1]
	var sn, sx, sy, sxx, sxy, syy float64
	for i, a := range v.angle[from : to+1] {
		torque := v.sign * torques[i]
		if torque > most {
			most = torque
		} else if skip > 0 && most >= skip && torque < 0.9*most {
			continue
		}
		a = float64(v.turn*a) - a0
		x, y, n = x+a, y+torque, n+1
		if n < 2 || a < next {
			continue
		}
		if p.n == mostPoints {
			return
		}
		x, y = x/n, y/n
		p.x[p.n], p.y[p.n] = x, y
		p.n++
		sn, sx, sy, sxx, sxy, syy = sn+1, sx+x, sy+y, sxx+float64(x*x), sxy+float64(x*y), syy+float64(y*y)
		p.sum[p.n] = sums{sn, sx, sy, sxx, sxy, syy}
		if a > next {
			next = a
		}
		next += width
		x, y, n = 0, 0, 0
	}
}

// knee is where two straight lines fit a way up best.
type knee struct {
	x, y          float64 // of their intersection, or of the break where that is elsewhere
	before, after float64 // slopes
	gain          float64 // of one line's rest, the share that two take away
}

func (p *points) two() (k knee, ok bool) {
	const least = 3
	if p.n < 2*least {
		return k, false
	}
	all := &p.sum[p.n]
	one := rest(all.n, all.x, all.y, all.xx, all.xy, all.yy)
	best, at := one, -1
	for i := least; i <= p.n-least; i++ {
		s := &p.sum[i]
		r1 := rest(s.n, s.x, s.y, s.xx, s.xy, s.yy)
		if r1 >= best {
			continue // what the second line leaves is never less than nothing
		}
		r2 := rest(all.n-s.n, all.x-s.x, all.y-s.y, all.xx-s.xx, all.xy-s.xy, all.yy-s.yy)
		if r1+r2 < best {
			best, at = r1+r2, i
		}
	}
	if at < 0 || one <= 0 {
		return k, false
	}
	c1, b1 := p.sum[at].line()
	c2, b2 := all.minus(p.sum[at]).line()
	k = knee{x: p.x[at], y: p.y[at], before: b1, after: b2, gain: 1 - best/one}
	if b1 != b2 {
		x := (c1 - c2) / (b2 - b1)
		if p.x[max(0, at-least)] <= x && x <= p.x[min(p.n-1, at+least)] {
			k.x, k.y = x, c1+float64(b1*x)
		}
	}
	return k, true
}

// Limits of the slopes. Assumed but for the slopes found in station traces:
// 0.09 and 1.24 % of target per degree.
const (
	snugRatio    = 1.5  // slope after snug over the one before; found: 14
	breakRatio   = 2.0  // slope of the wind-up over the one after breakaway
	movedDeg     = 0.5  // two steps of the angle. Found: 0.25° steps
	stillDeg     = 0.75 // three steps of the angle
	stillUpTo    = 0.85 // of the peak. An earlier pass leaves seldom more than three quarters; found: a restart starts 2.6 to 14.4 % higher
	stillShare   = 0.15 // of the wind-up: springs are not quite straight. Assumed
	quarterLeast = 1.0  // of a rotation of less, four steps of the angle, a quarter is none
	windowTurn   = 3.5  // rotations from half the peak to it that the fit looks back
)

// slopes looks for snug, or else for the breakaway of a tight fastener.
func (f *Features) slopes(v *view, m *Swing) {
	var p points
	wind := v.a(m.PeakAt) - v.up
	from := f.back(v, m, v.a(m.PeakAt)-max(4, windowTurn*wind))
	f.RateNmDeg = f.plainRate(v, m)
	elastic := f.elastic(m)
	from = wound(v, from, m.PeakAt, elastic)
	p.gather(v, from, m.PeakAt, f.LevelNm)
	k, ok := p.two()
	if ok && k.after >= snugRatio*max(k.before, 0) && k.after > 0 && k.gain > 0.6 && 0 < k.y && k.y < 0.9*m.PeakNm && f.turns(m) {
		f.snug(v, m, from, k)
		f.runIn(v, m, k)
	}
	f.breakaway(v, m, elastic)
	f.still(v, m)
	f.quarter(v, m)
	f.yield(v, m)
}

// turns tells whether the main swing moved its fastener at all, so that a
// change of slope can be snug and not slack in the drive.
func (f *Features) turns(m *Swing) bool { return !(m.NetDeg < backDeg) }

// back is the first sample of the way up from an angle on, of the main swing
// or just before.
func (f *Features) back(v *view, m *Swing, deg float64) int {
	least := 0
	for i := range min(f.Swings, MostSwings) {
		if f.Swing[i].To < m.From {
			least = f.Swing[i].To + 1
		}
	}
	i := m.PeakAt
	for angle := v.angle[:i]; i > least && v.turn*angle[i-1] >= deg; {
		i--
	}
	return i
}

// wound is the first sample from which the fastener has turned by 0.5° beyond
// what winds up tool and joint. Before that torque rises steeply with nothing
// moved, which would hide the change of slope.
func wound(v *view, from, to int, elastic float64) int {
	wind := 0.0
	if elastic == elastic {
		wind = 1 / elastic
	}
	start := v.a(from) - float64(wind*v.y(from)) + movedDeg
	torque := v.torque[from:to]
	for i, a := range v.angle[from:to] {
		if float64(v.turn*a)-float64(wind*float64(v.sign*torque[i])) >= start {
			return from + i
		}
	}
	return to
}

func (f *Features) snug(v *view, m *Swing, from int, k knee) {
	f.SnugNm, f.SnugShare = k.y, k.y/m.PeakNm
	f.SnugDeg = v.a(m.PeakAt) - v.a(from) - k.x
	f.RateNmDeg = k.after
}

// plainRate is the torque rate from half the peak to nine tenths of it.
func (f *Features) plainRate(v *view, m *Swing) float64 {
	i, torque := m.PeakAt, v.torque[:m.PeakAt+1]
	for i > 0 && v.sign*torque[i] > f.LevelNm {
		i--
	}
	if d := v.a(m.PeakAt) - v.a(i); d > 0 {
		return (m.PeakNm - v.y(i)) / d
	}
	return nan
}

// elastic is the rate of tool and joint while they wind up, from the
// spring-back; NaN if that is not known.
func (f *Features) elastic(m *Swing) float64 {
	if f.SpringDeg >= 0.5 {
		return (m.PeakNm - max(0, f.ZeroEnd)) / f.SpringDeg
	}
	return nan
}

// runIn takes the mean torque of the run-in: over the middle of the rotation
// before the snug point, where that is more than a quarter of a turn.
func (f *Features) runIn(v *view, m *Swing, k knee) {
	snug := v.a(m.PeakAt) - f.SnugDeg
	start := v.a(0)
	span := snug - start
	if span < 90 {
		return
	}
	low, high := start+0.2*span, start+0.85*span
	sum, n := 0.0, 0
	torque := v.torque[:m.PeakAt]
	for i, a := range v.angle[:m.PeakAt] {
		if a *= v.turn; low <= a && a <= high {
			sum += torque[i]
			n++
		}
	}
	if n > 3 {
		f.RunInNm = v.sign * sum / float64(n)
	}
}

// breakaway looks for the torque at which a fastener that was tight began to
// move: up to it, tool and joint only wind up, after it the slope is less.
// It is the intersection of the two slopes; where static friction makes a
// peak of its own before the drop, it is that peak.
func (f *Features) breakaway(v *view, m *Swing, elastic float64) {
	if f.SnugNm == f.SnugNm {
		return
	}
	from := m.PeakAt
	for from > 0 && v.y(from-1) > 0.2*m.PeakNm && v.t(m.PeakAt)-v.t(from) < 30e6 {
		from--
	}
	to := f.moving(v, m)
	var p points
	p.gather(v, from, to, 0)
	k, ok := p.two()
	if !ok || k.before <= 0 || k.after*breakRatio > k.before || k.gain < 0.3 || k.y < 0.3*m.PeakNm {
		return
	}
	// Up to the knee nothing but wind-up: as stiff as the spring-back, within a
	// factor of two.
	if elastic == elastic && k.before < elastic/2 {
		return
	}
	f.MoveNm = min(k.y, m.PeakNm)
	f.BreakNm = f.MoveNm
	f.static(v, from, to)
}

// still takes the torque at which the fastener had turned by stillDeg and
// stillShare of the wind-up beyond what winds up tool and joint, from a tenth of
// the peak on. Both are known by the spring-back, also where there is next to none.
func (f *Features) still(v *view, m *Swing) {
	if !(f.SpringDeg >= 0) || f.Codes&NoRelease != 0 {
		return
	}
	wind := f.SpringDeg / (m.PeakNm - max(0, f.ZeroEnd))
	from := v.low
	if v.y(from) <= startShare*m.PeakNm {
		from++
	}
	from = max(from, m.From)
	start := v.a(from) - float64(wind*v.y(from)) + stillDeg + float64(stillShare*f.SpringDeg)
	f.StillNm = m.PeakNm
	torque := v.torque[from:m.PeakAt]
	for i, a := range v.angle[from:m.PeakAt] {
		if y := v.sign * torque[i]; float64(v.turn*a)-float64(wind*y) >= start {
			f.StillNm = y
			break
		}
	}
	if f.StillNm >= stillUpTo*m.PeakNm {
		f.Codes |= Still
	}
}

// quarter takes the torque at which a quarter of the rotation was made that stays,
// up to the peak. On a joint it hangs on the form of its torque over its rotation,
// not on how far one of its fasteners turned.
func (f *Features) quarter(v *view, m *Swing) {
	if !(f.SpringDeg >= 0) || f.Codes&NoRelease != 0 {
		return
	}
	turn := f.TurnDeg - f.SpringDeg
	if turn < quarterLeast {
		return
	}
	wind := f.SpringDeg / (m.PeakNm - max(0, f.ZeroEnd))
	start := v.a(0) - float64(wind*max(0, v.y(0))) + turn/4
	f.QuarterNm = m.PeakNm
	torque := v.torque[:m.PeakAt]
	for i, a := range v.angle[:m.PeakAt] {
		if y := v.sign * torque[i]; float64(v.turn*a)-float64(wind*y) >= start {
			f.QuarterNm = max(y, 0.01*f.PeakNm)
			break
		}
	}
}

// moving is the last sample of the main swing before it is let go.
func (f *Features) moving(v *view, m *Swing) int {
	i := m.PeakAt
	for i < m.To && v.y(i+1) >= 0.8*m.PeakNm && v.a(i+1) >= v.a(i) {
		i++
	}
	return i
}

// static looks for a peak of static friction: the mean of two neighbours
// falls by 2 % of it or more.
func (f *Features) static(v *view, from, to int) {
	hi, lo := 0.0, 0.0
	for i := from + 1; i <= to; i++ {
		y := (v.y(i) + v.y(i-1)) / 2
		if y > hi {
			if hi > 0 && lo < 0.98*hi {
				break
			}
			hi, lo = y, y
		}
		lo = min(lo, y)
	}
	if hi > 0 && lo < 0.98*hi && hi >= 0.8*f.BreakNm {
		f.BreakNm, f.BreakDrop = hi, 1-lo/hi
	}
}

// yield compares the torque rate of the last fifth of the rotation after snug
// with the greatest of the fifths before it.
func (f *Features) yield(v *view, m *Swing) {
	if !(f.SnugDeg >= 5) {
		return
	}
	last, most := 0.0, 0.0
	top := v.a(m.PeakAt)
	i, y := m.PeakAt, m.PeakNm
	angle := v.angle[:i+1]
	for k := 1; k <= 5; k++ {
		level := top - float64(k)*f.SnugDeg/5
		for i > 0 && v.turn*angle[i] > level {
			i--
		}
		low := (v.y(i) + v.y(max(0, i-1))) / 2
		slope := y - low
		if k == 1 {
			last = slope
		}
		most, y = max(most, slope), low
	}
	if most > 0 {
		f.LastShare = last / most
		if f.LastShare < yieldShare {
			f.Codes |= Yield
		}
	}
}
