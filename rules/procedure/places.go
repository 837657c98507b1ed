package procedure

import (
	"fmt"
	"math"
	"strconv"
)

// spot is a fastener with the place in the file that put it there.
type spot struct {
	Fastener
	at at
}

// fasteners builds all groups of a step into the joint. ok is false where
// their places or names are in doubt, so that nothing more is said of them.
func (r *reader) fasteners(s at, j *Joint) (spots []spot, ok bool) {
	ok = s.get("fasteners").isList()
	seen, groups := map[string]bool{}, ids{}
	next := map[string]int{} // by prefix
	for _, g := range s.get("fasteners").items() {
		r.once(groups, g.get("group"), "group")
		added := r.group(g)
		if len(added) == 0 || r.broken(g) {
			ok = false
		}
		if len(spots)+len(added) > MaxFasteners {
			r.err(g, "too many fasteners", fmt.Sprintf("%d at most in one step", MaxFasteners))
			return nil, false
		}
		prefix := g.get("prefix").text()
		for _, f := range added {
			if f.ID == "" {
				next[prefix]++
				f.ID = prefix + strconv.Itoa(next[prefix])
			}
			r.name(f.at.get("id"))
			if seen[f.ID] {
				r.err(f.at, fmt.Sprintf("fastener %q is there already", f.ID), "an id of its own, or a prefix for the group")
				ok = false
			}
			seen[f.ID] = true
			f.Thread, f.Strength = or(f.Thread, j.Thread), or(f.Strength, j.Strength)
			spots = append(spots, f)
		}
	}
	for name, p := range groups {
		if seen[name] {
			r.err(p, fmt.Sprintf("group %q has the name of a fastener", name), "a name of its own")
			ok = false
		}
	}
	for _, f := range spots {
		j.Fasteners = append(j.Fasteners, f.Fastener)
	}
	return spots, ok && len(spots) > 0
}

func or(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// DefaultHead is the size of a head across corners where the file gives none.
const DefaultHead = 15.0

// group places the fasteners of one group, yet without ids.
func (r *reader) group(g at) []spot {
	base := Fastener{
		Group: g.get("group").text(), Note: g.get("note").text(), Head: g.get("head").number(DefaultHead),
		Thread: g.get("thread").text(), Strength: g.get("strength").text(),
	}
	var out []spot
	put := func(p at, x, y float64) {
		f := base
		// Rounded to a nanometre: the same on every machine, and short in print.
		f.X, f.Y = round(x, 1e6)+0, round(y, 1e6)+0
		out = append(out, spot{f, p})
	}
	switch {
	case g.get("ring").isMap():
		ring(g.get("ring"), put)
	case g.get("rectangle").isMap():
		rectangle(g.get("rectangle"), put)
	case g.get("line").isMap():
		line(g.get("line"), put)
	}
	for _, p := range g.get("points").items() {
		if !p.isMap() {
			continue
		}
		put(p, p.get("x").number(0), p.get("y").number(0))
		f := &out[len(out)-1]
		f.ID, f.Head, f.Note = p.get("id").text(), p.get("head").number(f.Head), or(p.get("note").text(), f.Note)
	}
	return out
}

type put func(p at, x, y float64)

// count reads a number of fasteners that the schema has allowed, else 0.
func count(p at, least, most float64) int {
	if n := p.number(0); least <= n && n <= most && n == math.Trunc(n) {
		return int(n)
	}
	return 0
}

// ring places fasteners evenly on a circle, the first at start degrees
// clockwise from twelve o'clock.
func ring(g at, put put) {
	n := count(g.get("count"), 1, 200)
	x, y, d := g.get("x").number(0), g.get("y").number(0), g.get("diameter").number(0)
	way := 1.0
	if g.get("direction").text() == "counter-clockwise" {
		way = -1
	}
	for i := range n {
		deg := g.get("start").number(0) + way*360*float64(i)/float64(n)
		sin, cos := math.Sincos(deg * math.Pi / 180)
		put(g, x+float64(d/2*sin), y+float64(d/2*cos))
	}
}

// rectangle places fasteners along the sides, corners included, clockwise
// from the top left corner.
func rectangle(g at, put put) {
	across, down := count(g.get("across"), 2, 100), count(g.get("down"), 2, 100)
	if across == 0 || down == 0 {
		return
	}
	w, h := g.get("width").number(0), g.get("height").number(0)
	left, top := g.get("x").number(0)-w/2, g.get("y").number(0)+h/2
	dx, dy := w/float64(across-1), h/float64(down-1)
	for i := range across {
		put(g, left+float64(dx*float64(i)), top)
	}
	for i := 1; i < down; i++ {
		put(g, left+w, top-float64(dy*float64(i)))
	}
	for i := across - 2; i >= 0; i-- {
		put(g, left+float64(dx*float64(i)), top-h)
	}
	for i := down - 2; i > 0; i-- {
		put(g, left, top-float64(dy*float64(i)))
	}
}

// line places fasteners evenly from one point to another, both included.
func line(g at, put put) {
	n := count(g.get("count"), 1, 200)
	from, to := g.get("from"), g.get("to")
	x, y := from.get("x").number(0), from.get("y").number(0)
	dx, dy := to.get("x").number(0)-x, to.get("y").number(0)-y
	for i := range n {
		t := 0.0
		if n > 1 {
			t = float64(i) / float64(n-1)
		}
		put(g, x+float64(dx*t), y+float64(dy*t))
	}
}
