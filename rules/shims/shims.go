// Package shims chooses shims: from a measured play or gap, the wanted result
// and the thicknesses in a drawer it finds the stack that comes closest to
// the target within the limits, fewest pieces first, and says what will be
// measured then. It also says, once that has been measured, whether the two
// agree, by how much they differ, and what is likely wrong.
//
// The maker's limits come first; the package computes, it does not approve.
package shims

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"witnessmark/events/quantity"
)

// MostPieces is the greatest stack that is searched for.
const MostPieces = 5

// Leaf is one thickness in a drawer.
type Leaf struct {
	Thickness quantity.Length // nominal, as marked
	Real      quantity.Length // as measured; zero: not known
	U         quantity.Length // expanded uncertainty (k = 2) of one piece; zero: see Task.Tolerance
	Count     int             // pieces in the drawer
}

// Takes returns the thickness to reckon with: the real one where it is known.
func (l Leaf) Takes() quantity.Length {
	if l.Real.Millimetres() > 0 {
		return l.Real
	}
	return l.Thickness
}

// String names the leaf: "0.30 mm" or "0.30 mm (really 0.303 mm)".
func (l Leaf) String() string {
	s := quantity.Format(l.Thickness.Value(), quantity.Millimetre, 2)
	if nm(l.Thickness)%10000 != 0 {
		s = quantity.Format(l.Thickness.Value(), quantity.Millimetre, 3)
	}
	if r := l.Real; r.Millimetres() > 0 && nm(r) != nm(l.Thickness) {
		s += " (really " + quantity.Format(r.Value(), quantity.Millimetre, 3) + ")"
	}
	return s
}

// Sense says what a thicker stack does to the result.
type Sense int

// The senses.
const (
	TakesPlay Sense = iota // a thicker stack leaves less play
	GivesPlay              // a thicker stack leaves more play
	Preloads               // a thicker stack presses harder, by Task.Stiffness
)

// Task is what is measured and what is wanted.
type Task struct {
	Measured quantity.Length // play or gap, as measured
	U        quantity.Length // its expanded uncertainty (k = 2)
	Fitted   quantity.Length // the stack in place while it was measured; zero: none
	FittedU  quantity.Length // expanded uncertainty of Fitted
	Sense    Sense

	Stiffness  quantity.Stiffness // for Preloads: force for each length of interference
	StiffnessU float64            // its expanded uncertainty as a share; 0: not known, taken as 0

	// Target and limits of the result: lengths, or forces for Preloads. One of
	// the limits may be the zero Value; a zero Target is the middle.
	Target, Low, High quantity.Value

	Most      int             // pieces in the stack; 0: MostPieces
	Tolerance quantity.Length // of a piece whose real thickness is not known, either way; zero: DefaultTolerance
	Unit      quantity.Unit   // in which texts are written; zero: mm, or N for Preloads
}

// DefaultTolerance is the tolerance of a shim of unmeasured thickness, either
// way. Our choice: shims are sold to about this.
var DefaultTolerance = quantity.Millimetres(0.01)

// ErrTask is wrapped by the errors of a task that cannot be worked on: the
// texts say what is wrong and what to do.
var ErrTask = errors.New("nothing can be chosen")

func wrong(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrTask, fmt.Sprintf(format, args...))
}

// nm is a length in whole nanometres: sums are exact and the same on every
// machine.
func nm(l quantity.Length) int64 { return int64(math.Round(l.Millimetres() * 1e6)) }

func mm(nm int64) quantity.Length { return quantity.Millimetres(float64(nm) / 1e6) }

// unit is the unit of texts.
func (t *Task) unit() quantity.Unit {
	switch {
	case !t.Unit.IsZero():
		return t.Unit
	case t.Sense == Preloads:
		return quantity.Newton
	}
	return quantity.Millimetre
}

// Say writes a value in the task's unit, as its texts do.
func (t *Task) Say(v quantity.Value) string { return quantity.Format(v, t.unit(), -1) }

// SayU writes an uncertainty in the task's unit with two significant digits
// (JCGM 100:2008, 7.2.6).
func (t *Task) SayU(v quantity.Value) string {
	x := math.Abs(v.In(t.unit()))
	if !(x > 0) || math.IsInf(x, 0) {
		return t.Say(v)
	}
	return quantity.Format(v, t.unit(), max(0, 1-int(math.Floor(math.Log10(x)))))
}

// dim is the dimension of the result.
func (t *Task) dim() quantity.Dimension {
	if t.Sense == Preloads {
		return quantity.DimForce
	}
	return quantity.DimLength
}

// ready checks the task and fills in what may be left out.
func (t *Task) ready() error {
	switch x := t.Measured.Millimetres(); {
	case math.IsNaN(x) || math.IsInf(x, 0):
		return wrong("the measured play is no number: measure again")
	case x < 0:
		return wrong("the measured play is %s, below zero: the indicator runs the other way round, or was not zeroed with the parts pushed home; set it up again and measure again", quantity.Format(t.Measured.Value(), quantity.Millimetre, -1))
	case x > 500:
		return wrong("the measured play is %s: check the indicator's unit and measure again", quantity.Format(t.Measured.Value(), quantity.Millimetre, -1))
	case !(t.U.Millimetres() >= 0) || !(t.Fitted.Millimetres() >= 0) || !(t.FittedU.Millimetres() >= 0) || !(t.Tolerance.Millimetres() >= 0):
		return wrong("an uncertainty, a tolerance or the stack in place is below zero: check the signs")
	case t.Sense == Preloads && !(t.Stiffness.NewtonsPerMillimetre() > 0):
		return wrong("a preload wants the stiffness of the joint, above zero: such as 120 kN/mm, from the maker or a trial")
	}
	for _, v := range []quantity.Value{t.Target, t.Low, t.High} {
		if !v.IsZero() && (v.Dimension() != t.dim() || !v.Finite()) {
			return wrong("%s is wanted, but the result is a %s: check the unit", quantity.Format(v, quantity.Unit{}, -1), t.dim())
		}
	}
	if t.Target.IsZero() {
		if t.Low.IsZero() || t.High.IsZero() {
			return wrong("neither a target nor two limits say what is wanted: give a target, or both limits")
		}
		t.Target = t.Low.WithBase((t.Low.Base() + t.High.Base()) / 2)
	}
	if !t.Low.IsZero() && !(t.Low.Base() <= t.Target.Base()) || !t.High.IsZero() && !(t.Target.Base() <= t.High.Base()) {
		return wrong("the target %s is not inside its limits: check them", t.Say(t.Target))
	}
	if t.Most == 0 {
		t.Most = MostPieces
	}
	if t.Most < 1 || t.Most > MostPieces {
		return wrong("%d pieces at most: want 1 to %d", t.Most, MostPieces)
	}
	if t.Tolerance.Millimetres() == 0 {
		t.Tolerance = DefaultTolerance
	}
	return nil
}

// stackFor returns the thickness of the stack that gives a result.
func (t *Task) stackFor(result float64) float64 {
	m, f := t.Measured.Millimetres(), t.Fitted.Millimetres()
	switch t.Sense {
	case GivesPlay:
		return f + result - m
	case Preloads:
		return f + m + result/t.Stiffness.NewtonsPerMillimetre()
	}
	return f + m - result
}

// resultOf returns what a stack gives, in the base unit of the result. A
// stack thinner than the gap presses nothing: its preload is 0.
func (t *Task) resultOf(stack float64) float64 {
	m, f := t.Measured.Millimetres(), t.Fitted.Millimetres()
	switch t.Sense {
	case GivesPlay:
		return m + stack - f
	case Preloads:
		return max(0, float64(t.Stiffness.NewtonsPerMillimetre()*(stack-f-m)))
	}
	return m - (stack - f)
}

// window returns the thinnest and the thickest stack whose result is inside
// the limits, and the target's, in nm.
func (t *Task) window() (lo, target, hi int64) {
	at := func(v quantity.Value, none int64) int64 {
		if v.IsZero() {
			return none
		}
		return int64(math.Round(t.stackFor(v.Base()) * 1e6))
	}
	target = at(t.Target, 0)
	lo, hi = at(t.Low, -far), at(t.High, far)
	if t.Sense == TakesPlay {
		lo, hi = at(t.High, -far), at(t.Low, far)
	}
	return lo, target, hi
}

const far = int64(1) << 50

// Stack is pieces that go in together.
type Stack struct {
	Pieces []Leaf // thickest first; Count is 1 in each
	Sum    quantity.Length
	Result quantity.Value // what will be measured
	U      quantity.Value // its expanded uncertainty (k = 2)
	Off    quantity.Value // Result − Target
	Fits   bool           // Result is inside the limits
}

// Choice is what came of a task.
type Choice struct {
	Need              quantity.Length // the stack that would hit the target
	NeedLow, NeedHigh quantity.Length // the stacks at the limits; zero where there is no limit
	Best              *Stack          // nil where nothing fits
	Others            []Stack         // with more pieces than Best, each closer to the target than the one before
	Below, Above      *Stack          // nearest to the target's stack, where nothing fits; nil if none
	Text              string          // what was found, for people
	Todo              string          // what to do
}

// Choose finds the stack. Among the stacks of the drawer whose result is
// inside the limits it takes one with the fewest pieces, and of those the one
// closest to the target; where two are equally close, the one with the
// thinnest piece. Without any limit it takes the closest of all. Errors wrap
// ErrTask.
func Choose(drawer []Leaf, t Task) (Choice, error) {
	if err := t.ready(); err != nil {
		return Choice{}, err
	}
	leaves, err := usable(drawer)
	if err != nil {
		return Choice{}, err
	}
	lo, target, hi := t.window()
	c := Choice{Need: mm(target)}
	if lo > -far {
		c.NeedLow = mm(lo)
	}
	if hi < far {
		c.NeedHigh = mm(hi)
	}
	free := lo == -far && hi == far
	s := newSearch(leaves)
	for k := 0; k <= t.Most; k++ {
		pick, ok := s.closest(k, target, lo, hi)
		if !ok || k == 0 && free && target > 0 {
			continue
		}
		stack := t.Stack(s.leavesOf(pick))
		switch {
		case c.Best == nil, free && distance(&stack, target) < distance(c.Best, target):
			c.Best = &stack
		case free:
		case distance(&stack, target) < distance(last(&c), target):
			c.Others = append(c.Others, stack)
		}
		if distance(&stack, target) == 0 {
			break
		}
	}
	if c.Best == nil {
		t.nearest(s, &c, target)
	}
	t.say(&c, leaves)
	return c, nil
}

func last(c *Choice) *Stack {
	if n := len(c.Others); n > 0 {
		return &c.Others[n-1]
	}
	return c.Best
}

func distance(s *Stack, target int64) int64 { return abs(nm(s.Sum) - target) }

func abs(x int64) int64 { return max(x, -x) }

// usable returns the leaves that have pieces, thinnest first.
func usable(drawer []Leaf) ([]Leaf, error) {
	var out []Leaf
	for _, l := range drawer {
		switch {
		case l.Count < 0:
			return nil, wrong("the drawer holds %d pieces of %s: count them and correct the stock", l.Count, l)
		case !(l.Takes().Millimetres() > 0) || l.Takes().Millimetres() > 500:
			return nil, wrong("a shim of %s: want a thickness above zero; correct the stock", l)
		case l.Count > 0:
			out = append(out, l)
		}
	}
	slices.SortStableFunc(out, func(a, b Leaf) int { return cmp.Compare(nm(a.Takes()), nm(b.Takes())) })
	return out, nil
}

// nearest finds what comes nearest from below and from above where nothing
// fits.
func (t *Task) nearest(s *search, c *Choice, target int64) {
	for k := 0; k <= t.Most; k++ {
		if pick, ok := s.closest(k, target, -far, target); ok {
			if st := t.Stack(s.leavesOf(pick)); c.Below == nil || distance(&st, target) < distance(c.Below, target) {
				c.Below = &st
			}
		}
		if pick, ok := s.closest(k, target, target, far); ok {
			if st := t.Stack(s.leavesOf(pick)); c.Above == nil || distance(&st, target) < distance(c.Above, target) {
				c.Above = &st
			}
		}
	}
}

// Stack returns what pieces give together. The order of the pieces does not
// matter.
func (t *Task) Stack(pieces []Leaf) Stack {
	pieces = slices.Clone(pieces)
	slices.SortStableFunc(pieces, func(a, b Leaf) int { return cmp.Compare(nm(b.Takes()), nm(a.Takes())) })
	var sum int64
	for i := range pieces {
		pieces[i].Count = 1
		sum += nm(pieces[i].Takes())
	}
	s := Stack{Pieces: pieces, Sum: mm(sum)}
	s.Result = t.value(t.resultOf(s.Sum.Millimetres()))
	if !t.Target.IsZero() {
		s.Off = t.value(s.Result.Base() - t.Target.Base())
	}
	s.U = t.value(t.spread(pieces, s.Result.Base()))
	lo, _, hi := t.window()
	s.Fits = lo <= sum && sum <= hi
	return s
}

func (t *Task) value(base float64) quantity.Value {
	if t.Sense == Preloads {
		return quantity.Newtons(base).Value()
	}
	return quantity.Millimetres(base).Value()
}

// spread is the expanded uncertainty (k = 2) of a result: measured play,
// stack in place and pieces are independent of each other and add by squares
// (JCGM 100:2008, 5.1.2); a preload adds the stiffness's.
func (t *Task) spread(pieces []Leaf, result float64) float64 {
	a, b, c := t.U.Millimetres(), t.FittedU.Millimetres(), stackU(pieces, t.Tolerance)
	u := math.Sqrt(float64(a*a) + float64(b*b) + float64(c*c))
	if t.Sense != Preloads {
		return u
	}
	f, s := t.Stiffness.NewtonsPerMillimetre()*u, t.StiffnessU*result
	return math.Sqrt(float64(f*f) + float64(s*s))
}

// MicrometerU is the expanded uncertainty (k = 2) of a measured piece where
// nobody states one: the greatest permitted error of an outside micrometer of
// 0 to 25 mm (ISO 3611; from memory).
var MicrometerU = quantity.Millimetres(0.004)

// Spread returns the expanded uncertainty (k = 2) of a stack of pieces, each
// with the tolerance where it has not been measured.
func Spread(pieces []Leaf, tolerance quantity.Length) quantity.Length {
	return quantity.Millimetres(stackU(pieces, tolerance))
}

// Sum returns the thickness of pieces together, one of each.
func Sum(pieces []Leaf) quantity.Length { return mm(sum(pieces)) }

// stackU is the expanded uncertainty of a stack, in mm. Pieces of one nominal
// thickness that nobody has measured are likely of one lot and err together:
// theirs add up (JCGM 100:2008, 5.2.2, fully correlated). All else adds by
// squares. A tolerance ±a is a rectangular distribution: U = 2·a/√3 (4.3.7).
func stackU(pieces []Leaf, tolerance quantity.Length) float64 {
	if tolerance.Millimetres() == 0 {
		tolerance = DefaultTolerance
	}
	sum := 0.0
	for i, p := range pieces {
		u := p.U.Millimetres()
		switch {
		case u == 0 && p.Real.Millimetres() == 0:
			u = 2 * tolerance.Millimetres() / math.Sqrt(3)
		case u == 0:
			u = MicrometerU.Millimetres()
		}
		n, first := 1, true
		if p.Real.Millimetres() == 0 {
			n = 0
			for k, q := range pieces {
				if q.Real.Millimetres() == 0 && nm(q.Thickness) == nm(p.Thickness) {
					n++
					first = first && k >= i
				}
			}
		}
		if first {
			x := float64(n) * u
			sum += float64(x * x)
		}
	}
	return math.Sqrt(sum)
}
