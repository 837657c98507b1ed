package labelled

import (
	"math/rand/v2"
	"slices"
)

// visit is one stay of the technician at a fastener: unfinished swings, a
// pull that ends, perhaps a second one by habit.
type visit struct {
	step, pass, fastener int
	kind                 Kind // of the pull that ends
	walk                 walk
	fault                Fault // that this visit is; "" for none
	factor               float64
	turnFactor           float64
	plain                bool // no swings, no second pull
	instead              int  // the fastener left out for it
}

// walk says how the technician came.
type walk int

const (
	walked    walk = iota
	lostPlace      // hesitating
	stayed         // socket lifted and put on again
	cameFar        // from another place in the shop
)

// plan returns the visits of a clean job, and the order in which each step is
// done, swaps apart.
func (s *Shop) plan(rng *rand.Rand) ([]visit, [][]int) {
	var all []visit
	var orders [][]int
	for i := range s.steps {
		st := &s.steps[i]
		done := st.order
		if s.w.aroundChance > 0 && !st.strict && rng.Float64() < s.w.aroundChance {
			done = slices.Sorted(slices.Values(done))
		}
		orders = append(orders, done)
		for p := range st.passes {
			order := slices.Clone(done)
			if !st.strict && len(order) > 2 && rng.Float64() < s.w.swapChance {
				k := 1 + rng.IntN(len(order)-2)
				order[k], order[k+1] = order[k+1], order[k]
			}
			for _, f := range order {
				all = append(all, visit{step: i, pass: p, fastener: f, kind: Fresh, factor: 1, turnFactor: 1, instead: -1})
			}
		}
		if st.closing {
			for _, f := range done {
				all = append(all, visit{step: i, pass: len(st.passes) - 1, fastener: f, kind: ClosingPull, factor: 1, turnFactor: 1, plain: true, instead: -1})
			}
		}
	}
	return all, orders
}

// planner puts faults into a plan.
type planner struct {
	shop   *Shop
	rng    *rand.Rand
	visits []visit
	orders [][]int
	faults []planned
	steps  []int // that no fault was put into yet
}

// planned is a fault as planned.
type planned struct {
	fault            Fault
	step             int
	fastener, pulled int // -1: none
	visit            int // its own, or the first after it
	known            int // the visit whose first reading makes it knowable; len(visits): the release
}

// span returns the visits of the last pass of a step, without a closing round.
func (p *planner) span(step int) (from, to int) {
	last := len(p.shop.steps[step].passes) - 1
	is := func(v visit) bool {
		return v.step == step && v.pass == last && v.kind != ClosingPull && v.fault != Elsewhere
	}
	from = slices.IndexFunc(p.visits, is)
	to = from
	for to < len(p.visits) && is(p.visits[to]) {
		to++
	}
	return from, to
}

// remove takes visit i out and keeps what was planned in step with it.
func (p *planner) remove(i int) { p.shift(i, -1); p.visits = slices.Delete(p.visits, i, i+1) }

func (p *planner) insert(i int, v visit) {
	p.shift(i, 1)
	p.visits = slices.Insert(p.visits, i, v)
}

func (p *planner) shift(i, by int) {
	for k := range p.faults {
		f := &p.faults[k]
		if f.visit > i || by > 0 && f.visit == i {
			f.visit += by
		}
		if f.known > i || by > 0 && f.known == i {
			f.known += by
		}
	}
}

// canonical reorders the last pass of a step by its order, so that a fault
// that changes the order does not meet a swap.
func (p *planner) canonical(step int) {
	from, to := p.span(step)
	for k, f := range p.orders[step] {
		if from+k < to {
			p.visits[from+k].fastener = f
		}
	}
}

// put plans one fault in a step of its own; false if there is no room.
func (p *planner) put(f Fault) bool {
	if len(p.steps) == 0 {
		return false
	}
	k := p.rng.IntN(len(p.steps))
	step := p.steps[k]
	st := &p.shop.steps[step]
	if f == WrongStep {
		if len(p.shop.steps) < 2 {
			return false
		}
		step = p.rng.IntN(len(p.shop.steps) - 1)
		for _, w := range []int{step, step + 1} {
			if !slices.Contains(p.steps, w) {
				return false
			}
		}
		p.wrongStep(step)
		return true
	}
	p.steps = slices.Delete(p.steps, k, k+1)
	from, to := p.span(step)
	n := to - from
	i := from + 1 + p.rng.IntN(n-1)
	add := func(x planned) { x.fault, x.step = f, step; p.faults = append(p.faults, x) }
	switch f {
	case PlainMiss:
		v := p.visits[i]
		p.remove(i)
		add(planned{fastener: v.fastener, pulled: -1, visit: i, known: p.after(step)})
	case MaskedTwice, MaskedLost, MaskedCounted:
		p.canonical(step)
		p.masked(f, step, from, to, add)
	case OrderError:
		p.canonical(step)
		a := from + p.rng.IntN(n-2)
		b := min(to-1, a+2+p.rng.IntN(n))
		p.visits[a].fastener, p.visits[b].fastener = p.visits[b].fastener, p.visits[a].fastener
		add(planned{fastener: p.visits[a].fastener, pulled: -1, visit: a, known: a})
	case LeftEarly:
		left := 2 + p.rng.IntN(max(1, n/2-1))
		v := p.visits[to-left]
		for range left {
			p.remove(to - left)
		}
		add(planned{fastener: v.fastener, pulled: -1, visit: to - left, known: p.after(step)})
	case UnitSlip, OverTorque, UnderTorque, Seized, Stripping, LostReading, LostRepulled, SameCycle, ZeroShift:
		v := &p.visits[i]
		v.fault, v.plain = f, true
		known := i
		switch f {
		case UnitSlip:
			v.factor = 1.3558
		case OverTorque:
			v.factor = 1 + st.limits + 0.06 + 0.2*p.rng.Float64()
		case UnderTorque:
			v.factor = 1 - st.limits - 0.05 - 0.2*p.rng.Float64()
			known = i + 1
		case Seized:
			v.turnFactor = 0.05 + 0.15*p.rng.Float64()
		case Stripping:
			v.turnFactor = 2 + p.rng.Float64()
			v.factor = 0.75 + 0.25*p.rng.Float64()
		case LostReading:
			known = i + 1
		case ZeroShift:
			known = 0
		}
		add(planned{fastener: v.fastener, pulled: -1, visit: i, known: known})
		if f == LostRepulled {
			again := *v
			again.kind, again.fault, again.walk, again.instead = Second, "", stayed, -1
			p.insert(i+1, again)
		}
	case Elsewhere:
		p.insert(i, visit{step: step, pass: len(st.passes) - 1, fastener: -1, kind: NoFastener, walk: cameFar, fault: f,
			factor: 0.6 + 0.45*p.rng.Float64(), turnFactor: 1, plain: true, instead: -1})
		p.visits[i+1].walk = cameFar
		add(planned{fastener: -1, pulled: -1, visit: i, known: i})
	case Retightened:
		j := from + p.rng.IntN(i-from)
		p.insert(i, visit{step: step, pass: len(st.passes) - 1, fastener: p.visits[j].fastener, kind: Again, walk: lostPlace, fault: f,
			factor: 1, turnFactor: 1, plain: true, instead: -1})
		add(planned{fastener: p.visits[j].fastener, pulled: -1, visit: i, known: i})
	}
	return true
}

// after returns the first visit after a step's last pass.
func (p *planner) after(step int) int { _, to := p.span(step); return to }

// masked leaves a fastener out while the count agrees.
func (p *planner) masked(f Fault, step, from, to int, add func(planned)) {
	n := to - from
	k := 1 + p.rng.IntN(n-1) // the place in the order that is left out, or that the extra pull takes
	order := p.orders[step]
	w := p.shop.lostWeights(step, order, k)
	j := k - 1
	if f != MaskedTwice {
		j = draw(p.rng, w)
	}
	v := p.visits[from+k]
	v.fastener, v.kind, v.plain, v.fault, v.walk = order[j], Repeat, true, f, lostPlace
	if f == MaskedTwice {
		v.walk = stayed
	}
	v.instead = order[k]
	if f == MaskedCounted {
		for m := to - 1; m > from+k; m-- {
			p.visits[m].fastener = p.visits[m-1].fastener
		}
		v.instead = order[n-1]
	}
	p.visits[from+k] = v
	add(planned{fastener: v.instead, pulled: v.fastener, visit: from + k, known: to})
}

// lostWeights says at which of the places 0 to k-1 of the order somebody pulls
// who lost the place k: near the right one.
func (s *Shop) lostWeights(step int, order []int, k int) []float64 {
	st := &s.steps[step]
	w := make([]float64, k)
	if s.w.lostBefore > 0 {
		for j := range w {
			w[j] = (1 - s.w.lostBefore) / float64(k)
		}
		w[k-1] += s.w.lostBefore
		return w
	}
	sum := 0.0
	near := st.distance(0, 1)
	for j := range w {
		d := st.distance(order[j], order[k]) / near
		w[j] = 1 / (d * d)
		sum += w[j]
	}
	for j := range w {
		w[j] /= sum
	}
	return w
}

func draw(rng *rand.Rand, w []float64) int {
	x := rng.Float64()
	for i, p := range w {
		if x -= p; x < 0 {
			return i
		}
	}
	return len(w) - 1
}

// wrongStep does the step after this one first.
func (p *planner) wrongStep(step int) {
	a := slices.IndexFunc(p.visits, func(v visit) bool { return v.step == step })
	b := slices.IndexFunc(p.visits, func(v visit) bool { return v.step == step+1 })
	c := b
	for c < len(p.visits) && p.visits[c].step == step+1 {
		c++
	}
	moved := slices.Concat(p.visits[b:c], p.visits[a:b])
	copy(p.visits[a:c], moved)
	p.faults = append(p.faults, planned{fault: WrongStep, step: step, fastener: -1, pulled: -1, visit: a, known: a})
	p.steps = slices.DeleteFunc(p.steps, func(s int) bool { return s == step || s == step+1 })
}
