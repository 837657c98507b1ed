package match

import "math"

// mostWaits is how many pulls' waits are weighed anew after each later one.
const mostWaits = 80

// waitSeen is the time before a pull, and what it told when the pull came.
type waitSeen struct {
	x              float64 // logarithm of seconds; NaN where it tells nothing
	whole, learned bool
	then           waited
}

// waits are the log densities of the time since the pull before.
func (m *model) waits(n, grip normal, x *features) (w waited) {
	if known(x.wait) {
		w = m.waitsAt(n, x.wait, x.whole)
		m.grips(grip, x.wait, &w)
	}
	return w
}

func (m *model) waitsAt(n normal, x float64, whole bool) (w waited) {
	pause := m.logs.pause + student5(x, m.logs.pauseS, m.p.PauseSpread)
	with := func(l float64) float64 { return logAdd(m.logs.notPause+l, pause) }
	w[wWalk>>waitShift] = with(m.waitFresh(n, x))
	w[wAgain>>waitShift] = w[wWalk>>waitShift]
	once := heavy5(x, n.mean+m.logs.atOnce, m.p.AtOnceSp)
	if whole {
		w[wAgain>>waitShift] = with(m.waitAgain(n, x))
		once = (once + heavy5(x, m.logs.onceS, m.p.AtOnceSp)) / 2
	}
	w[wOnce>>waitShift] = with(math.Log(once))
	w[wOnceWalk>>waitShift] = logAdd(w[wOnce>>waitShift], w[wWalk>>waitShift]) - math.Ln2
	w[wOnceAgain>>waitShift] = logAdd(w[wOnce>>waitShift], w[wAgain>>waitShift]) - math.Ln2
	w[wHabit>>waitShift] = logAdd(w[wOnce>>waitShift]+m.logs.hasty, w[wAgain>>waitShift]+m.logs.slow)
	return w
}

// waitFresh is the log density of the wait before a first pull. A short one is
// less of a surprise than to the lognormal: the tightening, which is a part of it,
// spreads about normally, and so may the walk. Where short waits are most of what tells of
// a repeat they count for somewhat less than was taught: hands, places and looks differ by
// more than is modelled.
func (m *model) waitFresh(n normal, x float64) float64 {
	d := x - n.mean
	if d >= 0 {
		return m.wait.log(n, x)
	}
	if m.bare.taught {
		return m.bare.wait.log(d, m.wait.off2(n), m.wait.times(n, Spread{})*m.p.WaitWiden)
	}
	return m.wait.log(n, n.mean+math.Expm1(m.p.WaitSkew*d)/m.p.WaitSkew) + float64(m.p.WaitSkew*d)
}

// waitShares are the shares of a first pull's wait that the wait before a repeat may
// take, where the wait holds the tightening too.
var waitShares = [6]float64{1.2, 0.9, 0.65, 0.45, 0.32, 0.2}

// Whoever lost the place hesitates: a repeat may come as late as a first pull, even
// if most of that one's wait is the tightening. From which share of the wait on
// that counts, as a logarithm, and the least weight of it. Assumed.
const (
	stayedAsLong = -0.2
	stayedLong   = 1
)

// waitAgain is the log density of the wait before a repeat, which turns hardly at
// all: what is left of a first pull's wait without the tightening. How much that
// is, a wrench without an angle does not say; but people's walks do not differ so
// much, so that of a long wait most is the tightening.
func (m *model) waitAgain(n normal, x float64) float64 {
	if m.bare.taught {
		return m.waitLess(n, x)
	}
	s := max(math.Sqrt(m.wait.scale2(n)+0.01), 0.3)
	var sum, all float64
	for _, by := range m.shifts {
		z := (n.mean + by - m.logs.repeatS) / m.p.RepeatRange
		w := 1 / (1 + float64(z*z*z*z)) // broad, with heavy tails
		if by > stayedAsLong {
			w = max(w, stayedLong)
		}
		all += w
		sum += float64(w * heavy5(x, n.mean+by, s))
	}
	return math.Log(sum / all)
}

// heavy5 is Student's density with five degrees of freedom: see student5.
func heavy5(x, loc, scale float64) float64 {
	z := (x - loc) / scale
	z = 1 + float64(z*z)/5
	return student5Top / (scale * z * z * z)
}

// learnWait takes the time before a pull into those of the walks so far. What a
// hypothesis says that the pull was makes no difference: if it did, one that
// calls a long walk something else would think the others shorter, and win a
// little with every pull to come. Most waits are walks; what is rather a break
// teaches nothing about them, nor do single odd ones: see with. After an unfinished
// pull the tool is most often set on anew at the same place: that is no walk, and
// is learned apart.
func (m *model) learnWait(n, grip normal, x *features) (walks, grips normal) {
	if !known(x.wait) || x.brokeOff {
		return n, grip
	}
	if x.after {
		return n, m.grip.with(grip, x.wait)
	}
	walk := m.logs.notPause + m.wait.log(n, x.wait)
	if pause := m.logs.pause + student5(x.wait, m.logs.pauseS, m.p.PauseSpread); walk < pause+math.Log(3) {
		return n, grip
	}
	return m.wait.with(n, x.wait), grip
}

// weighWaits weighs the waits of all pulls so far anew, each by all the others:
// when it came, the ones after it were not known, and with torque alone they are
// most of what is told.
func (f *Filter) weighWaits() {
	m := f.m
	off := farOff * math.Sqrt(m.wait.scale2(f.wait))
	middle := f.wait.mean
	near := func(x float64) float64 { return min(max(x, middle-off), middle+off) }
	var n, sum float64
	for i := range f.waits {
		if f.waits[i].learned {
			n++
			sum += near(f.waits[i].x)
		}
	}
	mean := sum / max(n, 1)
	ss := 0.0
	for i := range f.waits {
		if f.waits[i].learned {
			d := near(f.waits[i].x) - mean
			ss += float64(d * d)
		}
	}
	p := m.wait
	d := mean - p.mean
	all := normal{mean: (float64(p.k*p.mean) + sum) / (p.k + n), b: p.b + ss/2 + p.k*n*float64(d*d)/(2*(p.k+n)), n: int32(n)}
	gripped := f.gripped()
	var change [mostWaits]waited
	for i := range f.waits {
		w := &f.waits[i]
		if !known(w.x) {
			continue
		}
		rest := all
		if w.learned {
			rest = p.without(all, near(w.x))
		}
		change[i] = m.waitsAt(rest, w.x, w.whole && !gripped)
		m.grips(f.grip, w.x, &change[i])
		for k := range change[i] {
			change[i][k] -= w.then[k]
		}
	}
	for i := range f.hyps {
		h := &f.hyps[i]
		h.lt = 0
		for at, k := h.path, len(f.waits)-1; at != nil && k >= 0; at, k = at.parent, k-1 {
			h.lt += change[k][at.wait]
		}
	}
	normalise(f.hyps)
}
