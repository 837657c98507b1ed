package labelled

import (
	"cmp"
	"math"
	"slices"
)

// Candidate is a fastener that may have been left out.
type Candidate struct {
	Step     string
	Fastener string
	P        float64 // given that one was left out
}

// Best is what a method could say that knows the generator's own densities,
// and beside them what it is not told in life: which pass each reading belongs
// to, the technician's pace, aim and habits of the day, and of a trace the
// turn without noise. So it is a bound from above.
type Best struct {
	// Ratio is how much likelier the readings are with a count-masked miss
	// than in a clean job, all places and kinds of miss being as likely as the
	// generator makes them.
	Ratio float64
	// Missed are the fasteners that may have been left out, most probable
	// first.
	Missed []Candidate
}

// Best computes the likelihood ratio of a count-masked miss exactly: it sums
// over every place at which a fastener can be left out, every other that can
// be pulled in its place, every clean order, and every way to cut the readings
// into visits. With taught, the joint's angle, knee and gasket are known; else
// it averages over the generator's own distribution of them. It speaks of
// streams that are clean or have one masked miss, without a closing round.
func (s *Sample) Best(taught bool) Best {
	var out Best
	for i := range s.shop.steps {
		st := &s.shop.steps[i]
		g := s.segment(i)
		clean := 0.0
		missed := make([]float64, st.n)
		joints := s.joints(st, taught)
		for k := range joints {
			joints[k].clean = g.inOrder(joints[k].joint)
		}
		likeliest := slices.MaxFunc(joints, func(a, b weighted) int { return cmp.Compare(a.clean, b.clean) }).clean
		for _, j := range joints {
			if j.clean < 1e-6*likeliest {
				continue // whatever happened: all readings but one say so
			}
			c, m := g.likelihoods(j.joint)
			clean += j.weight * c
			for k := range m {
				missed[k] += j.weight * m[k]
			}
		}
		for k, m := range missed {
			r := m / max(clean, 1e-250) / float64(len(s.shop.steps))
			out.Ratio += r
			out.Missed = append(out.Missed, Candidate{Step: st.id, Fastener: fastenerName(k), P: r})
		}
	}
	if out.Ratio > 0 {
		for k := range out.Missed {
			out.Missed[k].P /= out.Ratio
		}
	}
	slices.SortStableFunc(out.Missed, func(a, b Candidate) int { return cmp.Compare(b.P, a.P) })
	return out
}

type weighted struct {
	joint  joint
	weight float64
	clean  float64 // likelihood of the pass in order and without fault
}

// joints returns what the joint may be like: itself, or the distribution that
// newStep draws from, at the middle of equal shares.
func (s *Sample) joints(st *step, taught bool) []weighted {
	if taught {
		return []weighted{{joint: st.joint, weight: 1}}
	}
	turns, knees, gaskets := 36, 3, 4
	if s.shop.tier == Torque { // the joint shows in the time alone
		turns, knees, gaskets = 12, 1, 1
	}
	w := s.shop.w
	cvs := []float64{w.cvLow}
	if w.cvHigh > w.cvLow {
		turns, cvs = turns*2/3, []float64{w.cvLow + (w.cvHigh-w.cvLow)/6, (w.cvLow + w.cvHigh) / 2, w.cvHigh - (w.cvHigh-w.cvLow)/6}
	}
	var all []weighted
	for a := range turns {
		turn := w.hardestDeg * math.Pow(w.softestDeg/w.hardestDeg, (float64(a)+0.5)/float64(turns))
		for b := range knees * len(cvs) {
			knee := (float64(b%knees) + 0.5) / float64(knees)
			j := joint{w: w, turn: turn, knee: w.kneeLow + (w.kneeHigh-w.kneeLow)*knee, cv: cvs[b/knees]}
			p := 1 / float64(turns*knees*len(cvs))
			if turn > w.gasketLeast {
				for c := range gaskets {
					k := j
					k.gasket = w.gasketLow + w.gasketRange*(float64(c)+0.5)/float64(gaskets)
					all = append(all, weighted{joint: k, weight: p * w.gasketChance / float64(gaskets)})
				}
				p *= 1 - w.gasketChance
			}
			all = append(all, weighted{joint: j, weight: p})
		}
	}
	return all
}

// segment is the last pass of a step as it was read.
type segment struct {
	shop *Shop
	w    *world
	st   *step
	step int
	p    int
	mood mood
	tier Tier
	obs  []seen
	j    joint // assumed
	// Densities of each reading as each kind, divided by their greatest:
	final  [][3]float64 // after so many unfinished swings
	swing  [][2]float64 // as the first, as the second
	tight  []float64    // repeat in another's place
	second []float64
	done   [][3]float64 // share of the turn that the swings before did
	whole  []float64    // degrees, of a whole pull at the time of each reading
	order  []int
}

// seen is what one reading tells.
type seen struct {
	value  float64 // of target, zero taken off
	turn   float64 // degrees, best estimate of the fastener's
	turnSD float64
	breaks float64 // of target
	atEnd  bool    // it broke loose only at the peak
	gap    float64 // s since the last reading of the pass; 0 for the first
	index  int     // in the stream
	dur    float64 // s
}

func (s *Sample) segment(i int) *segment {
	st := &s.shop.steps[i]
	t := &s.shop.tool
	g := &segment{shop: s.shop, w: s.shop.w, order: s.orders[i], st: st, step: i, p: len(st.passes) - 1, mood: s.mood, tier: s.shop.tier}
	target := st.passes[g.p].target
	last := 0.0
	for k := range s.Readings {
		r, tr := &s.Readings[k], &s.Truth.Readings[k]
		if tr.step != i || tr.Pass != g.p || tr.Kind == ClosingPull {
			continue
		}
		o := seen{value: (r.Value - t.zero) / target, gap: r.T - last, index: k}
		if len(g.obs) == 0 {
			o.gap = 0
		}
		last = r.T
		if r.Angle != nil {
			// Rotation and duration each tell the turn; together they tell it as
			// one measurement does.
			a, va := *r.Angle-t.windUpAt(r.Value), t.angleSD*t.angleSD+t.angleRes*t.angleRes/12
			w := s.shop.w
			d, sd := w.slowDegS*(*r.Duration-w.pullStartS), w.slowDegS*w.durationCV**r.Duration
			vd := sd*sd + w.slowDegS*w.slowDegS*1e-4/12
			o.turn, o.turnSD = (a*vd+d*va)/(va+vd), math.Sqrt(va*vd/(va+vd))
			o.dur = *r.Duration
		}
		if r.Trace != nil {
			o.turn, o.turnSD = tr.TurnDeg, 0.02
			o.breaks, o.atEnd = tr.BreakNm/target, tr.BreakNm > tr.TrueNm-0.002
		}
		g.obs = append(g.obs, o)
	}
	return g
}

// prepare computes the densities of each reading for one assumed joint.
func (g *segment) prepare(j joint) {
	g.j = j
	st := *g.st
	st.joint = j
	w := g.w
	n := len(g.obs)
	g.whole = make([]float64, n)
	for i := range g.obs {
		g.whole[i] = st.passTurn(g.p) * g.mood.joint * g.mood.changed(g.obs[i].index)
	}
	g.final, g.swing, g.done = make([][3]float64, n), make([][2]float64, n), make([][3]float64, n)
	g.tight, g.second = make([]float64, n), make([]float64, n)
	t := &g.shop.tool
	lim := st.passes[g.p].limits - 0.005 - (math.Abs(t.zero)+t.res)/st.passes[g.p].target
	within := func(sd, shift float64) float64 {
		m := g.mood.aim + shift
		return w.stoppedBelow(lim, m, sd) - w.stoppedBelow(-lim, m, sd)
	}
	zf, zr := within(w.handSD, 0), within(w.repeatSD, w.repeatShift)
	for i := range g.obs {
		o := &g.obs[i]
		most := 1e-300
		keep := func(d float64) float64 { most = max(most, d); return d }
		inside := math.Abs(o.value-1) < lim+t.res/st.passes[g.p].target
		for s := range 3 {
			if s > i {
				break
			}
			done := 0.0
			for k := i - s; k < i; k++ {
				done = max(done, swingPart(&st, g.p, g.obs[k].value))
			}
			g.done[i][s] = done
			if inside {
				g.final[i][s] = keep(w.stoppedDensity(o.value-1, g.mood.aim, w.handSD) / zf * g.turned(o, (1-done)*g.whole[i]) * g.broke(o, s))
			}
			if s < 2 && o.value > w.swingLeast-0.005 && o.value < w.swingMost+0.005 {
				if part := swingPart(&st, g.p, o.value) - done; part >= 0.015 {
					g.swing[i][s] = keep(g.turned(o, part*g.whole[i]) * g.broke(o, s) / (w.swingMost - w.swingLeast))
				}
			}
		}
		if inside {
			v := w.stoppedDensity(o.value-1, g.mood.aim+w.repeatShift, w.repeatSD) / zr
			g.second[i] = keep(v * g.still(o) * g.brokeTight(o))
			g.tight[i] = g.second[i]
			if j.gasket > 0 {
				m := st.repeatTurn(g.p) * g.mood.joint * g.mood.changed(o.index)
				turn := 1.0
				if g.tier != Torque {
					turn = normal(o.turn, m, math.Hypot(w.neighbourTurnSD*m, o.turnSD))
				}
				g.tight[i] = keep(v * turn * g.brokeTight(o))
			}
		}
		for s := range 3 {
			g.final[i][s] /= most
		}
		for s := range 2 {
			g.swing[i][s] /= most
		}
		g.tight[i] /= most
		g.second[i] /= most
	}
}

// turned is the density of a turn with the slope's scatter.
func (g *segment) turned(o *seen, mean float64) float64 {
	if g.tier == Torque {
		return 1
	}
	return g.w.turnDensity(o.turn, mean, g.j.cv, o.turnSD) + tiny
}

// still is the density of a tight fastener's turn.
func (g *segment) still(o *seen) float64 {
	if g.tier == Torque {
		return 1
	}
	return g.w.stillDensity(o.turn, g.j.turn, o.turnSD) + tiny
}

// tiny keeps a density from being nought where rounding may have moved a
// figure.
const tiny = 1e-12

// broke is the density of where a fastener began to turn in a pull that
// followed so many swings.
func (g *segment) broke(o *seen, swings int) float64 {
	if g.tier != Trace {
		return 1
	}
	final := g.st.passes[len(g.st.passes)-1].target
	target := g.st.passes[g.p].target
	mean, sd := g.j.knee*final/target, 0.03*final/target
	if g.p > 0 {
		from := g.st.passes[g.p-1].target / target
		mean, sd = from*(1+restart), from*restartSD
	}
	if swings > 0 {
		i := indexOf(g.obs, o)
		from := g.obs[i-1].value
		mean, sd = from*(1+restart), from*restartSD
	}
	return reached(o, mean, sd) + tiny
}

// brokeTight is the same for a tight fastener.
func (g *segment) brokeTight(o *seen) float64 {
	if g.tier != Trace {
		return 1
	}
	return reached(o, (1+g.mood.aim+g.w.past)*(1+restart), math.Hypot(restartSD, math.Hypot(g.w.handSD, g.w.past))) + tiny
}

// reached is the density of the lesser of a normal variable and the peak: a
// part of the probability lies on the peak itself, and is spread over a
// thousandth of the target.
func reached(o *seen, mean, sd float64) float64 {
	if o.atEnd {
		return below((mean-o.value)/sd) * 1000
	}
	return normal(o.breaks, mean, sd)
}

func indexOf(obs []seen, o *seen) int {
	for i := range obs {
		if &obs[i] == o {
			return i
		}
	}
	return -1
}

// came is the density of the time before reading i, if the technician came
// from fastener a to b and the pull turned by mean degrees times a factor of
// how far off a standard normal value is.
// Divided by a plain walk's, so that the figures stay of one size.
func (g *segment) came(i, a, b int, w walk, mean float64, factor func(z float64) float64) float64 {
	o := &g.obs[i]
	if i == 0 || a < 0 {
		return 1
	}
	m := g.st.walkMedian(a, b, w, g.mood.pace)
	return g.after(o, mean, factor, func(s float64) float64 { return g.w.walkDensity(s, m) })
}

// after is the density of a gap, the pull's own duration taken off.
func (g *segment) after(o *seen, mean float64, factor func(z float64) float64, d func(float64) float64) float64 {
	if g.tier != Torque {
		return 10 * d(max(0.01, o.gap-o.dur))
	}
	sum := 0.0
	for _, h := range hermite5 {
		sum += h[1] * d(o.gap-g.w.pullStartS-mean*factor(h[0])/g.w.slowDegS)
	}
	return 10 * sum
}

// stay is the likelihood of the n readings from i as one visit to fastener b
// from a.
func (g *segment) stay(i, n, a, b int) float64 {
	w := g.w
	loose := func(z float64) float64 { return w.factor(g.j.cv, z) }
	if i+n > len(g.obs) {
		return 0
	}
	sum := 0.0
	for second := range 2 {
		swings := n - 1 - second
		if swings < 0 || swings > 2 {
			continue
		}
		q := g.mood.swing
		l := [3]float64{1 - q, q * (1 - q), q * q}[swings] * [2]float64{1 - g.mood.second, g.mood.second}[second]
		for s := 0; s < swings && l > 0; s++ {
			l *= g.swing[i+s][s]
			part := max(0, swingPart(g.st, g.p, g.obs[i+s].value)-g.done[i+s][s]) * g.whole[i+s]
			if s == 0 {
				l *= g.came(i, a, b, walked, part, loose)
			} else {
				l *= g.after(&g.obs[i+s], part, loose, func(x float64) float64 { return logNormal(x, w.swingGapS, w.swingGapSD) })
			}
		}
		k := i + swings
		l *= g.final[k][swings]
		if l == 0 {
			continue
		}
		turn := (1 - g.done[k][swings]) * g.whole[k]
		if swings == 0 {
			l *= g.came(i, a, b, walked, turn, loose)
		} else {
			l *= g.after(&g.obs[k], turn, loose, func(x float64) float64 { return logNormal(x, w.swingGapS, w.swingGapSD) })
		}
		if second == 1 {
			still := w.stillMean(g.j.turn)
			l *= g.second[k+1] * g.after(&g.obs[k+1], still, same, func(x float64) float64 { return logNormal(x, w.secondGapS, w.secondGapSD) })
		}
		sum += l
	}
	return sum
}

// same is the factor of what does not spread.
func same(float64) float64 { return 1 }

const longestStay = 4 // readings: two swings, the pull, a second one

// again is the likelihood of reading i as a repeat on b, coming from a.
func (g *segment) again(i, a, b int, w walk) float64 {
	if g.tight[i] == 0 {
		return 0
	}
	mean, factor := g.w.stillMean(g.j.turn), same
	if g.j.gasket > 0 {
		mean, factor = g.j.gasket*g.whole[i], func(z float64) float64 { return max(0.2, 1+g.w.neighbourTurnSD*z) }
	}
	return g.tight[i] * g.came(i, a, b, w, mean, factor)
}

// before returns the place in the order before k, -1 if there is none.
func (g *segment) before(k int) int {
	if k == 0 {
		return -1
	}
	return g.order[k-1]
}

func (g *segment) table() [][]float64 {
	t := make([][]float64, g.st.n+2)
	for i := range t {
		t[i] = make([]float64, len(g.obs)+1)
	}
	return t
}

// ahead returns at [k][i] the likelihood that the first k places of the order
// took the first i readings. What is next to nothing of its row is left
// out.
func (g *segment) ahead() [][]float64 {
	t := g.table()
	t[0][0] = 1
	m := len(g.obs)
	for k := range g.st.n {
		most := slices.Max(t[k])
		for i, l := range t[k] {
			if l < 1e-60*most {
				t[k][i] = 0
				continue
			}
			for w := 1; l > 0 && w <= longestStay && i+w <= m; w++ {
				t[k+1][i+w] += l * g.stay(i, w, g.before(k), g.order[k])
			}
		}
	}
	return t
}

// inOrder returns the likelihood of the pass in order, without fault.
func (g *segment) inOrder(j joint) float64 {
	g.prepare(j)
	return g.ahead()[g.st.n][len(g.obs)]
}

// likelihoods returns that of the readings in a clean job, and that of them
// with each fastener left out.
func (g *segment) likelihoods(j joint) (clean float64, missed []float64) {
	g.prepare(j)
	n, m := g.st.n, len(g.obs)
	order := g.order
	ahead := g.ahead()
	// rest(end)[k][i]: the places from k to before end take all from i.
	rest := func(end int) [][]float64 {
		t := g.table()
		t[end][m] = 1
		for k := end - 1; k > 0; k-- {
			for i := range m {
				for w := 1; w <= longestStay && i+w <= m; w++ {
					if t[k+1][i+w] > 0 {
						t[k][i] += t[k+1][i+w] * g.stay(i, w, g.before(k), order[k])
					}
				}
			}
		}
		return t
	}
	whole, butLast := rest(n), rest(n-1)
	// go visits the given places from reading i on, then goes on by t from place k.
	var visits func(i, at int, places []int, t []float64) float64
	visits = func(i, at int, places []int, t []float64) float64 {
		if len(places) == 0 {
			return t[i]
		}
		sum := 0.0
		for w := 1; w <= longestStay && i+w <= m; w++ {
			if l := g.stay(i, w, at, places[0]); l > 0 {
				sum += l * visits(i+w, places[0], places[1:], t)
			}
		}
		return sum
	}
	end := make([]float64, m+1)
	end[m] = 1
	clean = ahead[n][m]
	if !g.st.strict && n > 2 {
		clean *= 1 - g.w.swapChance
		for k := 1; k < n-1; k++ {
			places, t := []int{order[k+1], order[k]}, end
			if k+2 < n {
				places, t = append(places, order[k+2]), whole[k+3]
				if k+3 >= n {
					t = end
				}
			}
			for i, l := range ahead[k] {
				if l > 0 {
					clean += g.w.swapChance / float64(n-2) * l * visits(i, order[k-1], places, t)
				}
			}
		}
	}
	missed = make([]float64, n)
	each := 1 / float64(n-1) / 3 // place, and kind
	for k := 1; k < n; k++ {
		w := g.shop.lostWeights(g.step, order, k)
		for i, l := range ahead[k] {
			if l == 0 || i >= m {
				continue
			}
			for jj := range k {
				b := order[jj]
				lost := w[jj] * g.again(i, order[k-1], b, lostPlace)
				twice := 0.0
				if jj == k-1 {
					twice = g.again(i, order[k-1], b, stayed)
				}
				if lost+twice == 0 {
					continue
				}
				next, t := []int{}, end
				if k+1 < n {
					next, t = []int{order[k+1]}, whole[k+2]
				}
				if k+2 >= n {
					t = end
				}
				missed[order[k]] += each * l * (lost + twice) * visits(i+1, b, next, t)
				if k == n-1 {
					missed[order[k]] += each * l * lost * end[i+1]
					continue
				}
				t = butLast[k+1]
				if k+1 == n-1 {
					t = end
				}
				missed[order[n-1]] += each * l * lost * visits(i+1, b, []int{order[k]}, t)
			}
		}
	}
	return clean, missed
}

// Counted is what counting alone says of a job: how many passes had more
// pulls within limits than fasteners, and how many fewer.
func (s *Sample) Counted() (over, short int) {
	for i := range s.shop.steps {
		st := &s.shop.steps[i]
		for p, ps := range st.passes {
			n := 0
			for k, r := range s.Readings {
				t := s.Truth.Readings[k]
				if t.step == i && t.Pass == p && t.Kind != ClosingPull && math.Abs(r.Value/ps.target-1) <= ps.limits {
					n++
				}
			}
			switch {
			case n > st.n:
				over++
			case n < st.n:
				short++
			}
		}
	}
	return over, short
}

// Closing says whether the job had a closing round at a step.
func (s *Sample) Closing(id string) bool {
	return slices.ContainsFunc(s.shop.steps, func(st step) bool { return st.id == id && st.closing })
}
