package shims

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"witnessmark/events/quantity"
)

// MostPerSide is the greatest stack on one side that Move searches for.
const MostPerSide = 3

// Sides is the two-sided case: a part between two stacks, such as a
// differential between its bearings. Shims moved from one side to the other
// move the part and so change the backlash; the total, and with it the
// preload, stays.
type Sides struct {
	Measured quantity.Length // backlash, as measured
	U        quantity.Length // its expanded uncertainty (k = 2)
	// Ratio is by how much the backlash grows for each length that the part
	// moves when shims go from Right to Left. It is the gear's geometry: the
	// maker states it, or two measurements show it.
	Ratio  float64
	RatioU float64 // its expanded uncertainty as a share of it
	// Left and Right are the pieces in place now, one Leaf for each piece.
	Left, Right []Leaf

	Target, Low, High quantity.Value  // of the backlash
	Total             quantity.Length // how far the total thickness may change, either way
	Most              int             // pieces on each side; 0: MostPerSide
	Tolerance         quantity.Length // as of a Task
	Unit              quantity.Unit   // as of a Task
}

// Moved is what came of it.
type Moved struct {
	Move        quantity.Length // that would hit the target: to the left if above zero
	Found       bool
	Left, Right []Leaf          // the new stacks, thickest first
	Shift       quantity.Length // how far the part moves
	TotalChange quantity.Length // of both stacks together
	Result, U   quantity.Value  // the predicted backlash and its expanded uncertainty
	Text, Todo  string
}

func (s *Sides) task() Task {
	return Task{Measured: s.Measured, U: s.U, Target: s.Target, Low: s.Low, High: s.High, Most: max(s.Most, 1), Tolerance: s.Tolerance, Unit: s.Unit}
}

// Move finds the two stacks. From the drawer and the pieces in place it takes
// those that keep the total within Total and the backlash within its limits:
// with the fewest pieces, then with the backlash closest to the target, then
// with the least change of the total. Errors wrap ErrTask.
func Move(drawer []Leaf, s Sides) (Moved, error) {
	if s.Most == 0 {
		s.Most = MostPerSide
	}
	t := s.task()
	switch err := t.ready(); {
	case err != nil:
		return Moved{}, err
	case s.Most > MostPerSide:
		return Moved{}, wrong("%d pieces on each side: want 1 to %d", s.Most, MostPerSide)
	case !(math.Abs(s.Ratio) > 0.01 && math.Abs(s.Ratio) < 10):
		return Moved{}, wrong("the ratio of backlash to movement is %g: want about 0.3 to 1.5, from the maker or from two measurements", s.Ratio)
	case !(s.Total.Millimetres() >= 0):
		return Moved{}, wrong("the total may change by less than nothing: give a length, such as 0.02 mm")
	case len(s.Left)+len(s.Right) == 0:
		return Moved{}, wrong("the pieces in place are not known: measure both stacks and enter them")
	}
	pool, err := usable(append(slices.Clone(drawer), pieces(s.Left, s.Right)...))
	if err != nil {
		return Moved{}, err
	}
	pool = merged(pool)
	b := &balance{Sides: s, task: t, pool: pool, left: sum(s.Left), right: sum(s.Right)}
	m := Moved{Move: quantity.Millimetres((t.Target.Base() - s.Measured.Millimetres()) / s.Ratio)}
	b.search(&m)
	b.say(&m)
	return m, nil
}

// Predict returns what two stacks give that somebody has chosen.
func (s *Sides) Predict(left, right []Leaf) (Moved, error) {
	t := s.task()
	if err := t.ready(); err != nil {
		return Moved{}, err
	}
	b := &balance{Sides: *s, task: t, left: sum(s.Left), right: sum(s.Right)}
	dl, dr := sum(left)-b.left, sum(right)-b.right
	shift := float64(dl-dr) / 2 / 1e6
	m := Moved{
		Move: quantity.Millimetres((t.Target.Base() - s.Measured.Millimetres()) / s.Ratio), Found: true,
		Left: left, Right: right, Shift: quantity.Millimetres(shift), TotalChange: mm(dl + dr),
		Result: quantity.Millimetres(s.Measured.Millimetres() + float64(s.Ratio*shift)).Value(),
	}
	m.U = quantity.Millimetres(b.spread(&m)).Value()
	b.say(&m)
	return m, nil
}

// Compare holds the backlash measured after the stacks were changed against
// what they were to give; see Task.Compare.
func (s *Sides) Compare(m Moved, measured, u quantity.Value) (Comparison, error) {
	t := s.task()
	c, err := t.Compare(Stack{Result: m.Result, U: m.U}, measured, u, nil)
	if err != nil || c.Agrees {
		return c, err
	}
	c.Likely = nil
	say := func(text string) { c.Likely = append(c.Likely, text) }
	near := func(y float64) bool { return math.Abs(measured.Base()-y) <= c.Allowed.Base() }
	was, moved := s.Measured.Millimetres(), float64(s.Ratio*m.Shift.Millimetres())
	if measured.Base() < 0 {
		say("The value is below zero: the indicator runs the other way, or was zeroed on the wrong side.")
	}
	if moved != 0 && near(was) {
		say("It is what was there before: the stacks may not have been changed.")
	}
	if moved != 0 && near(was-moved) {
		say("It has changed the wrong way by as much: left and right may be interchanged.")
	}
	if moved != 0 && (near(was+moved/2) || near(was+2*moved)) {
		say("It has changed by half or by twice as much: one side may not have been changed, or the ratio is another for this gear.")
	}
	say("The bearings may not be seated: turn the gear several times and measure at the same tooth. Dirt under a shim moves the part too.")
	return c, nil
}

// pieces returns single pieces as leaves of one.
func pieces(lists ...[]Leaf) []Leaf {
	var out []Leaf
	for _, list := range lists {
		for _, l := range list {
			l.Count = 1
			out = append(out, l)
		}
	}
	return out
}

// merged puts leaves of one kind together.
func merged(leaves []Leaf) []Leaf {
	var out []Leaf
	for _, l := range leaves {
		if i := slices.IndexFunc(out, func(o Leaf) bool { return nm(o.Thickness) == nm(l.Thickness) && nm(o.Real) == nm(l.Real) }); i >= 0 {
			out[i].Count += l.Count
			continue
		}
		out = append(out, l)
	}
	return out
}

func sum(leaves []Leaf) (total int64) {
	for _, l := range leaves {
		total += nm(l.Takes())
	}
	return total
}

// balance is the search for two stacks.
type balance struct {
	Sides
	task        Task
	pool        []Leaf
	left, right int64 // in place, nm
}

// pile is one possible stack.
type pile struct {
	sum  int64
	pick []int
}

// piles returns all stacks of the pool, thinnest first.
func (b *balance) piles() []pile {
	var out []pile
	used := make([]int, len(b.pool))
	var grow func(from int, total int64, pick []int)
	grow = func(from int, total int64, pick []int) {
		out = append(out, pile{total, slices.Clone(pick)})
		if len(pick) == b.Most {
			return
		}
		for i := from; i < len(b.pool); i++ {
			if used[i] < b.pool[i].Count {
				used[i]++
				grow(i, total+nm(b.pool[i].Takes()), append(pick, i))
				used[i]--
			}
		}
	}
	grow(0, 0, nil)
	slices.SortStableFunc(out, func(x, y pile) int { return cmp.Compare(x.sum, y.sum) })
	return out
}

// found is a pair of stacks with what decides between pairs.
type found struct {
	left, right  *pile
	pieces       int
	off, change  float64 // mm
	result, move float64 // mm
}

func (f *found) better(o *found) bool {
	const same = 1e-7 // mm
	switch {
	case o == nil || f.pieces != o.pieces:
		return o == nil || f.pieces < o.pieces
	case math.Abs(f.off-o.off) > same:
		return f.off < o.off
	}
	return f.change < o.change-same
}

func (b *balance) search(m *Moved) {
	all := b.piles()
	tol := nm(b.Total)
	total := b.left + b.right
	var best *found
	for i := range all {
		l := &all[i]
		from, _ := slices.BinarySearchFunc(all, total-tol-l.sum, func(p pile, want int64) int { return cmp.Compare(p.sum, want) })
		for k := from; k < len(all) && all[k].sum <= total+tol-l.sum; k++ {
			if f := b.judge(l, &all[k]); f != nil && f.better(best) && b.enough(l, &all[k]) {
				best = f
			}
		}
	}
	if best == nil {
		return
	}
	m.Found = true
	m.Left, m.Right = b.leaves(best.left), b.leaves(best.right)
	m.Shift = quantity.Millimetres(best.move)
	m.TotalChange = mm(best.left.sum + best.right.sum - total)
	m.Result = quantity.Millimetres(best.result).Value()
	m.U = quantity.Millimetres(b.spread(m)).Value()
}

// judge returns what a pair gives, nil if the backlash is outside its limits.
func (b *balance) judge(l, r *pile) *found {
	move := float64((l.sum-b.left)-(r.sum-b.right)) / 2 / 1e6
	result := b.Measured.Millimetres() + float64(b.Ratio*move)
	const slack = 1e-9
	if !b.task.Low.IsZero() && result < b.task.Low.Base()-slack || !b.task.High.IsZero() && result > b.task.High.Base()+slack {
		return nil
	}
	return &found{
		left: l, right: r, pieces: len(l.pick) + len(r.pick), off: math.Abs(result - b.task.Target.Base()),
		change: math.Abs(float64(l.sum+r.sum-b.left-b.right)) / 1e6, result: result, move: move,
	}
}

// enough reports whether there are pieces for both stacks.
func (b *balance) enough(l, r *pile) bool {
	for _, i := range append(slices.Clone(l.pick), r.pick...) {
		n := 0
		for _, k := range l.pick {
			if k == i {
				n++
			}
		}
		for _, k := range r.pick {
			if k == i {
				n++
			}
		}
		if n > b.pool[i].Count {
			return false
		}
	}
	return true
}

func (b *balance) leaves(p *pile) []Leaf {
	out := make([]Leaf, len(p.pick))
	for i, k := range p.pick {
		out[i] = b.pool[k]
		out[i].Count = 1
	}
	slices.Reverse(out)
	return out
}

// spread is the expanded uncertainty of the predicted backlash: that of the
// measured one, of the pieces that change place (half a piece's error moves
// the part), and of the ratio.
func (b *balance) spread(m *Moved) float64 {
	x := math.Abs(b.Ratio) / 2 * stackU(append(changed(b.Left, m.Left), changed(b.Right, m.Right)...), b.Tolerance)
	y := b.RatioU * b.Ratio * m.Shift.Millimetres()
	u := b.U.Millimetres()
	return math.Sqrt(float64(u*u) + float64(x*x) + float64(y*y))
}

// changed returns the pieces that are in one list and not in the other.
func changed(was, is []Leaf) []Leaf {
	same := func(a Leaf) func(Leaf) bool {
		return func(b Leaf) bool { return nm(a.Thickness) == nm(b.Thickness) && nm(a.Real) == nm(b.Real) }
	}
	rest := slices.Clone(is)
	var out []Leaf
	for _, l := range was {
		if i := slices.IndexFunc(rest, same(l)); i >= 0 {
			rest = slices.Delete(rest, i, i+1)
			continue
		}
		out = append(out, l)
	}
	return append(out, rest...)
}

func (b *balance) say(m *Moved) {
	t := &b.task
	if !m.Found {
		m.Text = fmt.Sprintf("No two stacks of %d pieces at most on each side give %s with the total within ± %s; %s should move.",
			b.Most, t.limitsText(), length(b.Total), length(m.Move))
		m.Todo = "Measure the stacks and the backlash once more. Then get thinner steps, allow the total more if the maker does, or ask a lead."
		return
	}
	m.Text = fmt.Sprintf("Left: %s. Right: %s. The part moves %s; the total changes by %s. This gives %s ± %s, within %s.",
		Named(m.Left), Named(m.Right), length(m.Shift), length(m.TotalChange), t.Say(m.Result), t.SayU(m.U), t.limitsText())
	m.Todo = "Change the stacks, turn the gear to seat the bearings, and measure the backlash again. The preload must feel as before."
}
