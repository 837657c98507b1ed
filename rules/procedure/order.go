package procedure

import (
	"math"
	"sort"
)

// The orders in which the fasteners of a joint can be pulled. These are
// common practice, no source; the figures in the rules below are our own
// choice, and order_test.go holds them against patterns worked by hand.

// Star returns the cross order of n fasteners that stand on a ring, as
// positions 0 to n-1 counted around it.
//
// The fasteners are taken in sets that stand evenly around the ring, so that
// the load is balanced after each set: pairs of opposite ones where n is even,
// else sets of its smallest prime factor. The sets follow one another in the
// cross order of the sets, and each begins with the one of its fasteners that
// is farthest from the last pull. A set of a prime number of fasteners is
// pulled with a constant stride near 0.382 of a turn (137.5°, the golden
// section), which keeps jumps wide and spreads them evenly: 1-3-5-2-4.
//
// The load stays balanced: up to n = 60, the pulls so far never lean to one
// side by more than 1.12 bolts. So 8 gives 1-5-3-7-2-6-4-8, and 12 gives 1-7-4-10-2-8-5-11-3-9-6-12. From
// n = 4 on, no two successive pulls are nearer than a quarter turn, a whole
// number of places rounded up.
func Star(n int) []int {
	if n <= 0 {
		return nil
	}
	p := smallestPrime(n)
	if p == n {
		return stride(n)
	}
	h := n / p
	out := make([]int, 0, n)
	for _, k := range Star(h) {
		start := k
		for j := 1; j < p && len(out) > 0; j++ {
			last := out[len(out)-1]
			if apart(k+j*h, last, n) > apart(start, last, n) {
				start = k + j*h
			}
		}
		for _, j := range stride(p) {
			out = append(out, (start+j*h)%n)
		}
	}
	return out
}

// stride orders a prime number of places by a constant step.
func stride(p int) []int {
	step := max(1, int(math.Round(0.382*float64(p))))
	out := make([]int, p)
	for i := range out {
		out[i] = i * step % p
	}
	return out
}

// apart is the number of places between two of n on a ring, the short way.
func apart(a, b, n int) int {
	d := ((a-b)%n + n) % n
	return min(d, n-d)
}

func smallestPrime(n int) int {
	for p := 2; p*p <= n; p++ {
		if n%p == 0 {
			return p
		}
	}
	return n
}

// point is a fastener's place, for ordering.
type point struct{ x, y float64 }

// cross orders any places: around their middle they are taken clockwise,
// beginning with the first, and pulled in the order of Star. Fasteners in the
// very middle come before. On a line, where nothing lies across, the order
// is from the middle outwards, as spiral.
func cross(pts []point) []int {
	if len(pts) > 2 && onLine(pts) {
		return spiral(pts)
	}
	middle, around := turn(pts)
	out := append([]int(nil), middle...)
	for _, i := range Star(len(around)) {
		out = append(out, around[i])
	}
	return out
}

// clockwise goes around the middle, beginning with the first fastener;
// counterClockwise the other way.
func clockwise(pts []point) []int {
	middle, around := turn(pts)
	return append(append([]int(nil), middle...), around...)
}

func counterClockwise(pts []point) []int {
	middle, around := turn(pts)
	out := append([]int(nil), middle...)
	for i := range around {
		out = append(out, around[(len(around)-i)%len(around)])
	}
	return out
}

// spiral goes from the middle outwards: the nearest first, those that are
// equally far (to half a millimetre) clockwise, going on from the last.
func spiral(pts []point) []int {
	ps := polar(pts)
	sort.SliceStable(ps, func(i, j int) bool { return ps[i].r < ps[j].r })
	var out []int
	from := 0.0
	for len(ps) > 0 {
		n := 1
		for n < len(ps) && ps[n].r-ps[n-1].r <= 0.5 {
			n++
		}
		level := ps[:n]
		ps = ps[n:]
		onward := func(p place) float64 {
			if d := turned(from, p.deg); d > 0 || len(out) == 0 {
				return d
			}
			return 360 // not twice in the same direction
		}
		sort.SliceStable(level, func(i, j int) bool { return onward(level[i]) < onward(level[j]) })
		for _, p := range level {
			out = append(out, p.i)
		}
		from = level[n-1].deg
	}
	return out
}

// place is a fastener in polar coordinates around the middle: degrees clockwise from
// twelve o'clock.
type place struct {
	i      int
	r, deg float64
}

func polar(pts []point) []place {
	var m point
	for _, p := range pts {
		m.x += p.x / float64(len(pts))
		m.y += p.y / float64(len(pts))
	}
	out := make([]place, len(pts))
	for i, p := range pts {
		dx, dy := p.x-m.x, p.y-m.y
		// Rounded, so that ties are ties on every machine.
		out[i] = place{i, round(math.Hypot(dx, dy), 1e4), 0}
		if out[i].r > 0.01 {
			out[i].deg = turned(0, round(math.Atan2(dx, dy)*180/math.Pi, 1e4))
		}
	}
	return out
}

// turn splits places into those in the middle and those around it, these
// clockwise from the first. At the same angle the outer comes first.
func turn(pts []point) (middle, around []int) {
	var ps []place
	for _, p := range polar(pts) {
		if p.r <= 0.01 {
			middle = append(middle, p.i)
		} else {
			ps = append(ps, p)
		}
	}
	if len(ps) == 0 {
		return middle, nil
	}
	from := ps[0].deg
	sort.SliceStable(ps, func(i, j int) bool {
		a, b := turned(from, ps[i].deg), turned(from, ps[j].deg)
		if a != b {
			return a < b
		}
		return ps[i].r > ps[j].r
	})
	for _, p := range ps {
		around = append(around, p.i)
	}
	return middle, around
}

// turned is how far clockwise it is from one direction to another, 0 ≤ d < 360.
func turned(from, to float64) float64 {
	d := round(math.Mod(to-from, 360), 1e4)
	if d < 0 {
		d = round(d+360, 1e4)
	}
	if d >= 360 {
		return 0
	}
	return d
}

// onLine reports whether all places lie on one line, to a hundredth of its
// length.
func onLine(pts []point) bool {
	a, b, far := pts[0], pts[0], 0.0
	for _, p := range pts {
		if d := math.Hypot(p.x-a.x, p.y-a.y); d > far {
			b, far = p, d
		}
	}
	if far == 0 {
		return true
	}
	for _, p := range pts {
		off := math.Abs(float64((b.x-a.x)*(p.y-a.y))-float64((b.y-a.y)*(p.x-a.x))) / far
		if off > far/100 {
			return false
		}
	}
	return true
}

// round keeps a number of decimal places.
func round(v, places float64) float64 { return math.Round(v*places) / places }
