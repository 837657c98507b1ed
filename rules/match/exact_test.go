package match

import (
	"math"
	"testing"

	"witnessmark/events"
)

// plain is a pull that tells nothing but that it was one.
func plain(i int) Pull {
	nan := math.NaN()
	return Pull{Reading: uint64(i), Tool: Tool{Counter: CountsCycles}, AtS: nan, Torque: 50, Angle: nan, Duration: nan, Placed: -1}
}

// branch is one way through all pulls, enumerated here by the words of
// model.md, apart from the filter's own code.
type branch struct {
	p            float64
	done, passed [3]bool
	low          [3]bool // begun, and not tight
	last         int
	partial      int // the one in progress; -1: none
	repeats      int
	// Tightenings done in one pull; begun with a swing; further swings; and ended ones.
	inOne, swung, more, ended int
	kinds                     []string
}

// begins is the chance of a swing at a fastener, by model.md: three beta
// distributions, each counted by how likely it makes what was seen. The moments of
// a beta distribution are products (any textbook; from memory).
func (b branch) begins(q *Params, f int) float64 {
	often := q.SwingOften
	var all, yes float64
	for _, c := range [][3]float64{
		{1 - often, q.Swing * q.SwingWeight, q.SwingWeight * (1 - q.Swing)},
		{often * (1 - q.SwingAll), 1.5, 1.5},
		{often * q.SwingAll, q.SwingAllWeight * (1 - q.SwingNone), q.SwingAllWeight * q.SwingNone},
	} {
		w, y, n := c[0], c[1], c[2]
		for range b.swung {
			w, y = w*y/(y+n), y+1
		}
		for range b.inOne {
			w, n = w*n/(y+n), n+1
		}
		all += w
		yes += w * y / (y + n)
	}
	if b.low[f] {
		return min(yes/all, b.goesOn())
	}
	return yes / all
}

func (b branch) goesOn() float64 {
	return (1 + float64(b.more)) / (3.5 + float64(b.more+b.ended))
}

// pull gives the ways in which a pull at a fastener that is not tight may have been
// a swing, if it was low, or all of it.
func (b branch) pull(q *Params, p float64, f int, pass int, kind string, low bool) []branch {
	begun, s := b.low[f], b.begins(q, f)
	c := b.to(p*(1-s), f, !low, pass, kind)
	c.low[f] = low
	if begun {
		c.ended++
	} else {
		c.inOne++
	}
	if !low {
		return []branch{c}
	}
	d := b.to(p*s, f, false, pass, "swing")
	d.partial, d.low[f] = f, true
	if begun {
		d.more++
	} else {
		d.swung++
	}
	return []branch{c, d}
}

func (b branch) next() int {
	from := 0
	if b.last >= 0 {
		from = b.last + 1
	}
	for i := range 3 {
		if f := (from + i) % 3; !b.passed[f] {
			return f
		}
	}
	return -1
}

func (b branch) to(p float64, f int, fresh bool, pass int, kind string) branch {
	b.p *= p
	b.kinds = append(append([]string{}, b.kinds...), kind)
	if pass >= 0 {
		b.passed[pass] = true
	}
	if f >= 0 {
		b.passed[f], b.last, b.partial = true, f, -1
		if fresh {
			b.done[f] = true
		}
	}
	return b
}

func n3(x [3]bool) (n float64) {
	for _, v := range x {
		if v {
			n++
		}
	}
	return n
}

// asked gives the ways in which a fastener that was asked for was pulled.
func (b branch) asked(q *Params, p float64, f int, low bool) []branch {
	switch {
	case b.done[f]:
		return []branch{b.to(p, f, false, -1, "repeat")}
	case f == b.next():
		return b.pull(q, p, f, -1, "next", low)
	}
	return b.pull(q, p, f, -1, "other", low)
}

// place weighs branches by where the last pull was said to be.
func place(q *Params, bs []branch, at int) {
	for i := range bs {
		switch b := &bs[i]; {
		case b.kinds[len(b.kinds)-1] == "no_fastener":
			b.p *= 10 * q.PlaceWrong
		case b.last != at:
			b.p *= q.PlaceWrong
		}
	}
}

// ways enumerates for a strict order, no other step, no features but whether the
// pull was low, and which fastener somebody was asked for; -1 for none.
func (b branch) ways(q *Params, low bool, asked int) (out []branch) {
	e, scale := b.next(), 1.0
	if f := b.partial; f >= 0 {
		s := b.goesOn()
		if low {
			c := b.to((1-q.LeaveLow)*s, f, false, -1, "swing")
			c.partial = f
			c.more++
			out = append(out, c)
		} else {
			c := b.to((1-q.LeaveLow)*(1-s), f, true, -1, "swing")
			c.low[f] = false
			c.ended++
			out = append(out, c)
		}
		scale = q.LeaveLow
	}
	if asked >= 0 {
		defer func() { place(q, out, asked) }()
		if asked != b.partial {
			out = append(out, b.asked(q, scale*q.Asked, asked, low)...)
			scale *= 1 - q.Asked
		}
	}
	if e >= 0 {
		c := b.to(scale*q.Contiguous*q.Again, e, true, -1, "repeat")
		out = append(out, c)
		skip := b.to(1, e, true, -1, "")
		if f := skip.next(); f >= 0 {
			kind := "other"
			c := b
			c.done[e] = true
			out = append(out, c.pull(q, scale*q.Contiguous*(1-q.Again), f, e, kind, low)...)
		}
		scale *= 1 - q.Contiguous
	}
	free := 1.0
	take := func(x float64) float64 { free -= x; return scale * x }
	if n3(b.done) > 0 {
		tight := b.last >= 0 && b.done[b.last]
		others := n3(b.done)
		habit := 0.0
		if tight {
			others--
			// No waits, no rotations: nothing to learn the number of walks from.
			habit = (q.Habit*q.HabitWeight + float64(b.repeats)) / (q.HabitWeight + float64(b.repeats))
		}
		h, l, k := take(habit), take(q.LostPlace), take(q.Check)
		if habit > 0 {
			c := b.to(h, b.last, false, -1, "repeat")
			c.repeats++
			out = append(out, c)
		}
		share := q.LostAgain
		if others == 0 {
			share = 1
		} else if !tight {
			share = 0
		}
		if tight && e >= 0 {
			out = append(out, b.to(l*share, b.last, false, e, "repeat"))
		}
		for f := range 3 {
			if f == b.last || !b.done[f] {
				continue
			}
			if e >= 0 {
				near := 0.5 / others
				switch {
				case b.last < 0:
					near += 0.5 / others
				case b.last > f:
					near += 0.5 * math.Pow(0.5, float64(b.last-f))
				}
				out = append(out, b.to(l*(1-share)*near, f, false, e, "repeat"))
			}
			out = append(out, b.to(k/others, f, false, -1, "repeat"))
		}
		r := take(q.Loosened)
		if tight && !low {
			c := b.to(r*(1-b.begins(q, b.last)), b.last, true, -1, "retightened")
			c.inOne++
			out = append(out, c)
		}
	}
	out = append(out, b.to(take(q.Nowhere), -1, false, -1, "no_fastener"))
	var behind, ahead []int
	for f := range 3 {
		switch {
		case b.done[f], f == b.partial:
		case b.passed[f]:
			behind = append(behind, f)
		default:
			ahead = append(ahead, f)
		}
	}
	if len(behind) > 0 {
		c := q.BackAmid
		if e < 0 {
			c = q.Back
		}
		c = take(c)
		for _, f := range behind {
			out = append(out, b.pull(q, c/float64(len(behind)), f, -1, "other", low)...)
		}
	}
	if len(behind) > 0 && e < 0 {
		tight := n3(b.done)
		c := take(min(q.BackWrong*tight, 0.1))
		for f := range 3 {
			if b.done[f] {
				out = append(out, b.to(c/tight, f, false, -1, "repeat"))
			}
		}
	}
	if e >= 0 && len(ahead) > 1 {
		after := b.to(1, e, false, -1, "")
		skip := q.Skip
		if b.repeats > 0 {
			skip = max(skip, q.SkipTwice/3/float64(b.repeats))
		}
		out = append(out, b.pull(q, take(skip), after.next(), e, "other", low)...)
		j := take(q.Jump)
		for _, f := range ahead {
			if f != e {
				out = append(out, b.pull(q, j/float64(len(ahead)-1), f, -1, "other", low)...)
			}
		}
	}
	if e >= 0 {
		out = append(out, b.pull(q, scale*free, e, -1, "next", low)...)
	}
	return out
}

// Enumerated: every way in which some pulls can have gone over three fasteners, by
// code of its own; the filter must give the same to 1e-9. Low pulls may be swings; and
// each is tried as one that somebody was asked for, too.
func TestEnumerated(t *testing.T) {
	for _, torques := range [][]float64{{50, 50, 50, 50}, {20, 50, 30, 50, 50}, {20, 35, 50, 50}, {20, 30, 20, 50}} {
		p := Default()
		p.Keep, p.Prune = 1<<20, 0
		// None so small that all together would be let go of.
		p.PlaceWrong, p.Contiguous, p.LostPlace, p.Check, p.Nowhere, p.Loosened = 0.02, 0.02, 0.01, 0.01, 0.01, 0.01
		f := New(p, Joint{N: 3, Strict: true, LSL: 40})
		bs := []branch{{p: 1, last: -1, partial: -1}}
		for k, x := range torques {
			q := plain(k)
			q.Torque = x
			for at := 2; at >= -1; at-- {
				if at >= 0 && k == 4 {
					continue // some ways would be so unlikely that they are not kept apart
				}
				a := q
				a.Placed, a.Asked = at, at >= 0
				var next []branch
				for _, b := range bs {
					next = append(next, b.ways(p, x < 40, at)...)
				}
				g := f.Pull(a)
				compare(t, g, next, k)
				if at < 0 {
					f, bs = g, next
				}
			}
		}
		if f.Dropped() > 1e-12 {
			t.Errorf("dropped %g of an exact filter", f.Dropped())
		}
	}
}

func compare(t *testing.T, f *Filter, bs []branch, k int) {
	t.Helper()
	var sum, all float64
	var tight [3]float64
	kinds := make([]map[events.ExplanationKind]float64, k+1)
	for i := range kinds {
		kinds[i] = map[events.ExplanationKind]float64{}
	}
	for _, b := range bs {
		sum += b.p
		if n3(b.done) == 3 {
			all += b.p
		}
		for f := range 3 {
			if b.done[f] {
				tight[f] += b.p
			}
		}
		for i, kd := range b.kinds {
			kinds[i][events.ExplanationKind(kd)] += b.p
		}
	}
	near := func(what string, got, want float64) {
		if math.Abs(got-want) > 1e-9 {
			t.Errorf("after pull %d: %s %.12f, want %.12f", k, what, got, want)
		}
	}
	near("all tight", f.AllTight(), all/sum)
	for i, p := range f.Tight() {
		near("tight", p, tight[i]/sum)
	}
	for i := range kinds {
		got := map[events.ExplanationKind]float64{}
		for _, e := range f.Explain(i) {
			got[e.Kind] += e.P
		}
		for kd, w := range kinds[i] {
			if math.Abs(got[kd]-w/sum) > 1e-5 { // Explain leaves out what is below one in a million
				t.Errorf("after pull %d: pull %d %s %.9f, want %.9f", k, i, kd, got[kd], w/sum)
			}
		}
	}
}

// The product of the predictive densities is the marginal likelihood of the
// normal-inverse-gamma model, which has a closed form (Gelman et al., Bayesian
// Data Analysis, 3rd ed., 3.3; from memory), whatever the order.
func TestMarginal(t *testing.T) {
	xs := []float64{3.1, 2.9, 3.4, 2.7, 3.0} // none further off than farOff
	p := newPrior(3.3, 0.9, 0.25, 8)
	sum := 0.0
	n := p.start()
	for _, x := range xs {
		sum += p.log(n, x)
		n = p.with(n, x)
	}
	m, mean, ss := float64(len(xs)), 0.0, 0.0
	for _, x := range xs {
		mean += x / m
	}
	for _, x := range xs {
		ss += (x - mean) * (x - mean)
	}
	k, a := p.k+m, p.a+m/2
	b := p.b + ss/2 + p.k*m*(mean-p.mean)*(mean-p.mean)/(2*k)
	g1, _ := math.Lgamma(a)
	g0, _ := math.Lgamma(p.a)
	want := g1 - g0 + p.a*math.Log(p.b) - a*math.Log(b) + 0.5*math.Log(p.k/k) - m/2*math.Log(2*math.Pi)
	if math.Abs(sum-want) > 1e-9 {
		t.Errorf("log marginal %.12f, want %.12f", sum, want)
	}
}

// One value far off teaches no more than one that is just far.
func TestFarValueTeachesLittle(t *testing.T) {
	p := newPrior(3, 0.5, 0.25, 8)
	n := p.with(p.with(p.start(), 3), 3.1)
	edge := n.mean - farOff*math.Sqrt(p.scale2(n))
	if a, b := p.with(n, -5), p.with(n, edge); math.Abs(a.mean-b.mean) > 1e-12 || math.Abs(a.b-b.b) > 1e-12 {
		t.Errorf("far: %+v, at the edge: %+v", a, b)
	}
	if a, b := p.with(n, edge+0.1), p.with(n, edge); a.b >= b.b {
		t.Errorf("nearer: %+v, at the edge: %+v", a, b)
	}
}

// Student's density with 5 degrees of freedom at 0 is 0.37961 (tables).
func TestStudentAtZero(t *testing.T) {
	if got := math.Exp(studentNorm(5)); math.Abs(got-0.3796067) > 1e-6 {
		t.Errorf("density %.7f", got)
	}
}
