package procedure

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// joint builds the joint of a torque step. face is nil if it is not known.
func (r *reader) joint(s at, face *Face) *Joint {
	j := &Joint{
		Class:  Class(s.get("class").text()),
		Thread: s.get("thread").text(), Strength: s.get("strength").text(),
		Lubrication: s.get("lubrication").text(), Into: s.get("into").text(),
		Strict: s.get("strict").isTrue(), Lot: s.get("lot").text(), Evidence: events.Grade(s.get("evidence").text()),
	}
	if j.Class == ClassA && j.Evidence == events.Counted {
		r.err(s.get("evidence"), "counted is not enough for a joint of class A: it passes a fastener pulled twice and another never", "reasoned or placed, or leave the key out")
	}
	if j.Evidence == "" {
		j.Evidence = events.Counted
		if j.Class == ClassA {
			j.Evidence = events.Reasoned
		}
	}
	j.Tools, j.ToolKinds = r.tools(s, events.ToolTorqueWrench, events.ToolTorqueTester)
	if j.Thread != "" && j.Lubrication == "" && !r.broken(s) {
		r.warn(s.key("thread"), "lubrication missing: a torque says little of the clamp force without it",
			wantKey(schemaURL+"#/$defs/step", "lubrication"))
	}
	spots, ok := r.fasteners(s, j)
	if !ok {
		return j
	}
	r.places(spots, face)
	r.passes(s, j)
	return j
}

// places checks that the fasteners stand on the part and apart from another.
func (r *reader) places(spots []spot, face *Face) {
	if face != nil && face.body() {
		r.onFace(spots, face)
	}
	for i, a := range spots {
		if near, d := nearestSpot(a, spots[:i]); d < 1 {
			r.err(a.at, fmt.Sprintf("fasteners %s and %s stand at the same place, x %s, y %s", near.ID, a.ID, mm(a.X), mm(a.Y)),
				"a place of its own for each")
		} else if d < (a.Head+near.Head)/2 {
			r.warn(a.at, fmt.Sprintf("the heads of fasteners %s and %s overlap: %s mm from middle to middle", near.ID, a.ID, mm(d)),
				"smaller heads, or other places")
		}
	}
}

func nearestSpot(a spot, others []spot) (near spot, d float64) {
	d = math.Inf(1)
	for _, b := range others {
		if far := math.Hypot(a.X-b.X, a.Y-b.Y); far < d {
			near, d = b, far
		}
	}
	return near, d
}

// onFace reports fasteners outside the part or in a bore, once for each group
// or point of the file.
func (r *reader) onFace(spots []spot, face *Face) {
	for len(spots) > 0 {
		n := 1
		for n < len(spots) && spots[n].at.n == spots[0].at.n {
			n++
		}
		var off, bored []string
		for _, a := range spots[:n] {
			where := fmt.Sprintf("%s at x %s, y %s", a.ID, mm(a.X), mm(a.Y))
			if !face.on(a.X, a.Y) {
				off = append(off, where)
			} else if face.inBore(a.X, a.Y) {
				bored = append(bored, where)
			}
		}
		if len(off) > 0 {
			r.err(spots[0].at, fmt.Sprintf("outside the body of face %s: fastener %s", face.ID, listed(off, "; ")),
				"places inside it, or a greater outline")
		}
		if len(bored) > 0 {
			r.warn(spots[0].at, fmt.Sprintf("in a bore of face %s: fastener %s", face.ID, listed(bored, "; ")),
				"places beside it, or style: mark on the outline")
		}
		spots = spots[n:]
	}
}

func mm(v float64) string { return fmt.Sprintf("%g", round(v, 1e2)) }

// passes builds the passes and checks them against one another.
func (r *reader) passes(s at, j *Joint) {
	sound := true
	var takes [][]int // by pass
	seen := map[string]bool{}
	for _, p := range s.get("passes").items() {
		pass := Pass{Name: p.get("name").text(), Loose: p.get("loose").isTrue()}
		who, ok := r.only(p, j)
		sound = sound && ok
		sound = r.torque(p, &pass) && sound
		r.angle(p, &pass)
		from := p.get("order")
		if !from.ok() {
			from = s.get("order")
		}
		if ok {
			pass.Order = r.order(from, j, who, p.get("order").ok())
		}
		if pass.Name != "" && seen[pass.Name] {
			r.warn(p.get("name"), fmt.Sprintf("pass %q is there already", pass.Name), "a name of its own, so that the record is clear")
		}
		seen[pass.Name] = true
		j.Passes = append(j.Passes, pass)
		takes = append(takes, who)
	}
	if sound && len(j.Passes) > 0 {
		r.lastPasses(s, j, takes)
		r.proof(s, j, takes)
		j.closing()
	}
}

func (r *reader) torque(p at, pass *Pass) bool {
	l, ok := r.limits(p, quantity.DimTorque)
	if !ok {
		return false
	}
	where := p.get("limits")
	if l.low.IsZero() || l.high.IsZero() {
		r.err(where, "one limit is missing", "low and high, each with its unit: {low: 24 lbf·ft, high: 28 lbf·ft}")
		return false
	}
	if !(l.low.Base() > 0) {
		r.err(where, "the lower limit is not above 0", "a lower limit that only a pull can reach")
		return false
	}
	pass.LSL, pass.USL, pass.Target = l.low.Value, l.high.Value, l.target.Value
	pass.Unit = firstUnit(l)
	if l.target.IsZero() {
		pass.Target = l.low.WithBase((l.low.Base() + l.high.Base()) / 2)
	}
	return true
}

func (r *reader) angle(p at, pass *Pass) {
	a := p.get("angle")
	if !a.isMap() {
		return
	}
	low, okLow := r.amount(a.get("low"), quantity.DimAngle)
	high, okHigh := r.amount(a.get("high"), quantity.DimAngle)
	switch {
	case !okLow || !okHigh || low.IsZero() || high.IsZero():
	case !(low.Base() < high.Base()):
		r.err(a, fmt.Sprintf("the angle window is reversed: low %s is not below high %s", low.text, high.text), "low below high: exchange them")
	case low.Base() < 0 || high.Base() > 3600:
		r.err(a, fmt.Sprintf("the angle window %s to %s is out of range", low.text, high.text), "0° at least and 3600° at most")
	default:
		pass.AngleLo, pass.AngleHi = low.Value, high.Value
	}
}

// only gives the fasteners that a pass is about, as indices, all of them if
// it does not say.
func (r *reader) only(p at, j *Joint) (who []int, ok bool) {
	list := p.get("only")
	if !list.isList() {
		for i := range j.Fasteners {
			who = append(who, i)
		}
		return who, true
	}
	ok = true
	for _, it := range list.items() {
		members := j.named(it.text())
		if it.text() != "" && len(members) == 0 {
			r.err(it, fmt.Sprintf("unknown fastener or group %q", it.text()), oneOf(it.text(), j.names()))
			ok = false
		}
		for _, m := range members {
			if slices.Contains(who, m) {
				r.err(it, fmt.Sprintf("fastener %s is named twice", j.Fasteners[m].ID), "each once")
				ok = false
				continue
			}
			who = append(who, m)
		}
	}
	slices.Sort(who)
	return who, ok
}

// named returns the fasteners of a group, or the one with that id.
func (j *Joint) named(name string) []int {
	var out []int
	for i, f := range j.Fasteners {
		if name != "" && (f.Group == name || f.ID == name) {
			out = append(out, i)
		}
	}
	return out
}

// names returns all groups and fasteners by name.
func (j *Joint) names() []string {
	var out []string
	for _, f := range j.Fasteners {
		if f.Group != "" && !slices.Contains(out, f.Group) {
			out = append(out, f.Group)
		}
	}
	for _, f := range j.Fasteners {
		out = append(out, f.ID)
	}
	return out
}

// order computes the order of a pass over the fasteners who. own says that
// the pass states the order itself; the step's explicit order is cut down to
// the fasteners of the pass.
func (r *reader) order(p at, j *Joint, who []int, own bool) []int {
	if p.isList() {
		return r.explicit(p, j, who, own)
	}
	pts := make([]point, len(who))
	for i, f := range who {
		pts[i] = point{j.Fasteners[f].X, j.Fasteners[f].Y}
	}
	var local []int
	switch p.text() {
	case "cross":
		local = cross(pts)
	case "clockwise":
		local = clockwise(pts)
	case "counter-clockwise":
		local = counterClockwise(pts)
	case "spiral":
		local = spiral(pts)
	}
	out := make([]int, len(local))
	for i, k := range local {
		out[i] = who[k]
	}
	return out
}

func (r *reader) explicit(p at, j *Joint, who []int, own bool) []int {
	must := who
	if !own {
		must = make([]int, len(j.Fasteners))
		for i := range must {
			must[i] = i
		}
	}
	var all, out []int
	for _, it := range p.items() {
		i := j.Fastener(it.text())
		switch {
		case it.text() == "":
		case i < 0:
			r.err(it, fmt.Sprintf("the order names fastener %q, which does not exist", it.text()), oneOf(it.text(), j.ids(must)))
		case slices.Contains(all, i):
			r.err(it, fmt.Sprintf("the order names fastener %s twice", it.text()), "each once")
		case !slices.Contains(must, i):
			r.err(it, fmt.Sprintf("the order names fastener %s, which this pass leaves out", it.text()), oneOf(it.text(), j.ids(must)))
		default:
			all = append(all, i)
			if slices.Contains(who, i) {
				out = append(out, i)
			}
		}
	}
	var left []int
	for _, i := range must {
		if !slices.Contains(all, i) {
			left = append(left, i)
		}
	}
	if len(left) > 0 {
		r.err(p, fmt.Sprintf("the order leaves out %s", listed(j.ids(left), ", ")), "every fastener once")
	}
	return out
}

func (j *Joint) ids(who []int) []string {
	out := make([]string, len(who))
	for i, f := range who {
		out[i] = j.Fasteners[f].ID
	}
	return out
}

// listed joins words for people, cut after twelve.
func listed(words []string, sep string) string {
	const most = 12
	s := ""
	for i, w := range words {
		if i == most {
			return s + fmt.Sprintf(" and %d more", len(words)-most)
		}
		if i > 0 {
			s += sep
		}
		s += w
	}
	return s
}

// lastPasses checks that each fastener ends with a pass that is not loose,
// and that no later pass asks less of it than an earlier one.
func (r *reader) lastPasses(s at, j *Joint, takes [][]int) {
	items := s.get("passes").items()
	var never, loose []string
	warned := map[int]bool{}
	for i, f := range j.Fasteners {
		end := -1
		for k, pass := range j.Passes {
			if !slices.Contains(takes[k], i) {
				continue
			}
			if end >= 0 && pass.Target.Base() < j.Passes[end].Target.Base() && !warned[k] {
				warned[k] = true
				r.warn(items[k], fmt.Sprintf("pass %q asks for less torque than pass %q before it", pass.Name, j.Passes[end].Name),
					"rising targets; check the units")
			}
			end = k
		}
		switch {
		case end < 0:
			never = append(never, f.ID)
		case j.Passes[end].Loose:
			loose = append(loose, f.ID)
		}
	}
	if len(never) > 0 {
		r.err(s.get("passes"), fmt.Sprintf("no pass takes %s", listed(never, ", ")), "a pass for every fastener")
	}
	if len(loose) > 0 {
		r.err(s.get("passes"), fmt.Sprintf("the last pass of %s is a loose one", listed(loose, ", ")), "a final pass for every fastener")
	}
}

// closing adds the closing round to a joint that wants more evidence than the
// number of pulls: for each final pass one more, at the same torque, over the
// fasteners that end with it. A fastener whose final pull is evidence enough
// does not need it.
func (j *Joint) closing() {
	if j.Evidence == events.Counted {
		return
	}
	last := make([]int, len(j.Fasteners))
	for k, p := range j.Passes {
		for _, i := range p.Order {
			last[i] = k
		}
	}
	for k, p := range j.Passes[:len(j.Passes):len(j.Passes)] {
		var order []int
		for _, i := range p.Order {
			if last[i] == k {
				order = append(order, i)
			}
		}
		if len(order) == 0 {
			continue
		}
		c := p
		c.Name, c.Order, c.Closing = "closing round", order, true
		c.AngleLo, c.AngleHi = quantity.Value{}, quantity.Value{}
		if len(order) < len(p.Order) || k < len(j.Passes)-1 {
			c.Name += " (" + p.Name + ")"
		}
		j.Passes = append(j.Passes, c)
	}
}

// ClosingOf returns the index of the closing pass of fastener i, or -1.
func (j *Joint) ClosingOf(i int) int {
	for k := range j.Passes {
		if j.Passes[k].Closing && slices.Contains(j.Passes[k].Order, i) {
			return k
		}
	}
	return -1
}
