package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/shims"
)

func newCalcShims() *cobra.Command {
	c := &cobra.Command{
		Use:   "shims",
		Short: "Which shims to take: the stack closest to the target within the limits, fewest pieces first",
		Long: `From a measured play and the wanted one, the stack that comes closest to the
target within the limits, fewest pieces first, with what will be measured then.

The drawer is a list of thicknesses in mm, each with its count after x, and
behind = what it really measures: "0.50 x6, 0.55=0.553 x3". A series is
"0.50..1.00/0.05 x2": from, to, step. Without a count there are plenty.

--thicker says what a thicker stack gives: "less play" (so without the flag),
"more play", or "more preload", with the joint's --stiffness; then target and
limits are forces.

Two sides: --ratio, --left and --right (what is in place now) and --total. Shims
move from one side of a differential to the other; the backlash grows by the
ratio for each length that the part moves to the left, the total, and with it
the preload, stays.`,
		Example: `  witnessmark calc shims --play "0.62 mm" --target "0.05 mm" --low "0.02 mm" --high "0.08 mm" --stock "0.50 x6, 0.55=0.553 x3"
  witnessmark calc shims --play "0.52 mm" --thicker "more preload" --stiffness "80 kN/mm" --target "4 kN" --low "3 kN" --high "5 kN" --stock "0.50..0.80/0.01" --pieces 1
  witnessmark calc shims --play "0.10 mm" --target "0.18 mm" --low "0.13 mm" --high "0.23 mm" --ratio 0.8 --left 1.00 --right 1.00 --total "0.02 mm" --stock "0.90 x2, 1.10 x2"`,
		Args: cobra.NoArgs,
		RunE: calcShims,
	}
	c.Flags().String("play", "", "the measured play, gap or backlash, with its unit")
	c.Flags().String("u", "", `its expanded uncertainty (k = 2), such as "0.005 mm"`)
	c.Flags().String("target", "", "what is wanted; default: the middle of the limits")
	c.Flags().String("low", "", "the lower limit of the result")
	c.Flags().String("high", "", "the upper limit of the result")
	c.Flags().String("stock", "", `the drawer: "0.50 x6, 0.55=0.553 x3" or "0.50..1.00/0.05 x2", in mm`)
	c.Flags().Int("pieces", 0, "the most pieces in a stack; default: 5, with two sides 3 on each")
	c.Flags().String("fitted", "", "the stack in place while the play was measured")
	c.Flags().String("thicker", "less play", "what a thicker stack gives: less play, more play, more preload")
	c.Flags().String("stiffness", "", `force for each length, such as "80 kN/mm", for more preload`)
	c.Flags().String("tolerance", "", `how far an unmeasured piece may be from its mark; default: "0.01 mm"`)
	c.Flags().Float64("ratio", 0, "two sides: growth of the backlash for each length that the part moves to the left")
	c.Flags().String("left", "", "two sides: pieces in place on the left, in mm: 1.00+0.10")
	c.Flags().String("right", "", "two sides: pieces in place on the right")
	c.Flags().String("total", "", `two sides: how far the total may change; default: "0.02 mm"`)
	return c
}

func calcShims(c *cobra.Command, _ []string) error {
	t := shims.Task{}
	drawer, err := readDrawer(flag(c, "stock"))
	if err != nil {
		return err
	}
	thicker := flag(c, "thicker")
	dim, unit := quantity.DimLength, quantity.Millimetre
	switch strings.TrimSpace(thicker) {
	case "less play":
	case "more play":
		t.Sense = shims.GivesPlay
	case "more preload":
		t.Sense = shims.Preloads
		dim, unit = quantity.DimForce, quantity.Kilonewton
		if t.Stiffness, err = quantity.ParseStiffness(flag(c, "stiffness")); err != nil {
			return usageError("--stiffness: %v", err)
		}
	default:
		return usageError(`--thicker %q: write "less play", "more play" or "more preload"`, thicker)
	}
	a := calcAnswer{Source: "arithmetic; uncertainties combined by JCGM 100:2008 (GUM), 5.1.2",
		Caution: "The maker's limits and way of measuring, local codes and licensed practice come first. Measure each piece, fit it clean, and measure again."}
	for _, x := range []struct {
		flag string
		dim  quantity.Dimension
		into *quantity.Value
		name string
	}{{"target", dim, &t.Target, "target"}, {"low", dim, &t.Low, "lower limit"}, {"high", dim, &t.High, "upper limit"}} {
		v, u, given, err := quantityFlag(c, x.flag, x.dim)
		if err != nil {
			return err
		}
		if given {
			*x.into, unit = v, u
			a.give(figureOf(x.name, v, u, ""))
		}
	}
	t.Unit = unit
	play, pu, err := needed(c, "play", quantity.DimLength)
	if err != nil {
		return err
	}
	t.Measured, _ = play.Length()
	a.give(figureOf("measured", play, pu, ""))
	for _, x := range []struct {
		flag string
		into *quantity.Length
		name string
	}{{"u", &t.U, "its uncertainty (k = 2)"}, {"fitted", &t.Fitted, "stack in place"}, {"tolerance", &t.Tolerance, "tolerance of a piece"}} {
		v, u, given, err := quantityFlag(c, x.flag, quantity.DimLength)
		if err != nil {
			return err
		}
		if given {
			*x.into, _ = v.Length()
			a.give(figureOf(x.name, v, u, ""))
		}
	}
	t.Most, _ = c.Flags().GetInt("pieces")
	if c.Flags().Changed("ratio") || flag(c, "left") != "" || flag(c, "right") != "" {
		return calcSides(c, &a, &t, drawer)
	}
	a.What = "Shims for a play of " + quantity.Format(play, pu, -1)
	a.Formula = map[shims.Sense]string{
		shims.TakesPlay: "result = play − (stack − stack in place)",
		shims.GivesPlay: "result = play + (stack − stack in place)",
		shims.Preloads:  "preload = stiffness·(stack − stack in place − play)",
	}[t.Sense]
	ch, err := shims.Choose(drawer, t)
	if err != nil {
		return usageError("%v", err)
	}
	a.result(figureOf("stack wanted", ch.Need.Value(), quantity.Millimetre, ""))
	if ch.Best != nil {
		a.stack("take", ch.Best, &t)
		for i := range ch.Others {
			a.stack("or", &ch.Others[i], &t)
		}
	}
	a.Say = append(a.Say, ch.Text, ch.Todo)
	if err := a.print(c); err != nil || ch.Best != nil {
		return err
	}
	return exitCode{1, nil}
}

func (a *calcAnswer) stack(name string, s *shims.Stack, t *shims.Task) {
	a.result(calcFigure{Name: name, Value: s.Sum.Millimetres(), Unit: "mm", Text: shims.Named(s.Pieces), Note: fmt.Sprintf("%s together; gives %s ± %s", quantity.Format(s.Sum.Value(), quantity.Millimetre, -1), t.Say(s.Result), t.SayU(s.U))})
}

func calcSides(c *cobra.Command, a *calcAnswer, t *shims.Task, drawer []shims.Leaf) error {
	s := shims.Sides{Measured: t.Measured, U: t.U, Target: t.Target, Low: t.Low, High: t.High, Most: t.Most, Tolerance: t.Tolerance, Unit: t.Unit, Total: quantity.Millimetres(0.02)}
	s.Ratio, _ = c.Flags().GetFloat64("ratio")
	var err error
	if s.Left, err = readPieces("left", flag(c, "left")); err != nil {
		return err
	}
	if s.Right, err = readPieces("right", flag(c, "right")); err != nil {
		return err
	}
	if v, _, given, err := quantityFlag(c, "total", quantity.DimLength); err != nil {
		return err
	} else if given {
		s.Total, _ = v.Length()
	}
	a.What, a.Formula = "Shims moved from side to side", "backlash = measured + ratio·(Δleft − Δright)/2"
	a.give(pureFigure("ratio", s.Ratio, ""), calcFigure{Name: "left now", Value: shims.Sum(s.Left).Millimetres(), Unit: "mm", Text: shims.Named(s.Left)},
		calcFigure{Name: "right now", Value: shims.Sum(s.Right).Millimetres(), Unit: "mm", Text: shims.Named(s.Right)}, figureOf("total may change", s.Total.Value(), quantity.Millimetre, ""))
	m, err := shims.Move(drawer, s)
	if err != nil {
		return usageError("%v", err)
	}
	a.result(figureOf("to move", m.Move.Value(), quantity.Millimetre, "to the left if above zero"))
	if m.Found {
		a.result(calcFigure{Name: "left", Value: shims.Sum(m.Left).Millimetres(), Unit: "mm", Text: shims.Named(m.Left)},
			calcFigure{Name: "right", Value: shims.Sum(m.Right).Millimetres(), Unit: "mm", Text: shims.Named(m.Right)},
			figureOf("backlash then", m.Result, t.Unit, "± "+t.SayU(m.U)), figureOf("total changes by", m.TotalChange.Value(), quantity.Millimetre, ""))
	}
	a.Say = append(a.Say, m.Text, m.Todo)
	if err := a.print(c); err != nil || m.Found {
		return err
	}
	return exitCode{1, nil}
}

const plenty = 99

// readDrawer reads "0.50 x6, 0.55=0.553 x3, 0.60..1.00/0.05".
func readDrawer(text string) ([]shims.Leaf, error) {
	if strings.TrimSpace(text) == "" {
		return nil, usageError(`--stock is missing: the thicknesses in mm, such as "0.50 x6, 0.55=0.553 x3" or "0.50..1.00/0.05"`)
	}
	var out []shims.Leaf
	for part := range strings.SplitSeq(text, ",") {
		what, count, counted := strings.Cut(strings.NewReplacer("×", "x", " ", "", "mm", "").Replace(part), "x")
		n := plenty
		if counted {
			var err error
			if n, err = strconv.Atoi(count); err != nil || n < 0 {
				return nil, usageError("--stock %q: %q is no number of pieces; write for example \"0.50 x6\"", part, count)
			}
		}
		series, err := readThickness(what)
		if err != nil {
			return nil, usageError("--stock %q: %v", strings.TrimSpace(part), err)
		}
		for _, l := range series {
			l.Count = n
			out = append(out, l)
		}
	}
	return out, nil
}

func readThickness(what string) ([]shims.Leaf, error) {
	if ends, step, ok := strings.Cut(what, "/"); ok {
		lo, hi, ok := strings.Cut(ends, "..")
		a, err1 := strconv.ParseFloat(lo, 64)
		b, err2 := strconv.ParseFloat(hi, 64)
		s, err3 := strconv.ParseFloat(step, 64)
		if !ok || err1 != nil || err2 != nil || err3 != nil || !(a > 0 && b >= a && s > 0) || (b-a)/s > 500 {
			return nil, fmt.Errorf(`it is no series: write "0.50..1.00/0.05", from, to and step in mm`)
		}
		var out []shims.Leaf
		for i := 0; float64(i) <= (b-a)/s+1e-6; i++ {
			x, _ := strconv.ParseFloat(strconv.FormatFloat(a+float64(i)*s, 'f', 6, 64), 64)
			out = append(out, shims.Leaf{Thickness: quantity.Millimetres(x)})
		}
		return out, nil
	}
	mark, real, measured := strings.Cut(what, "=")
	x, err := strconv.ParseFloat(mark, 64)
	l := shims.Leaf{Thickness: quantity.Millimetres(x)}
	if err == nil && measured {
		var y float64
		y, err = strconv.ParseFloat(real, 64)
		l.Real = quantity.Millimetres(y)
	}
	if err != nil || !(x > 0) || measured && !(l.Real.Millimetres() > 0) {
		return nil, fmt.Errorf(`it is no thickness: write mm above 0, such as 0.50, or 0.55=0.553 for one that was measured`)
	}
	return []shims.Leaf{l}, nil
}

// readPieces reads "1.00+0.10".
func readPieces(name, text string) ([]shims.Leaf, error) {
	var out []shims.Leaf
	for part := range strings.SplitSeq(strings.NewReplacer(" ", "", "mm", "").Replace(text), "+") {
		if part == "" {
			continue
		}
		l, err := readThickness(part)
		if err != nil || len(l) != 1 {
			return nil, usageError("--%s %q: write the pieces in mm, such as 1.00+0.10", name, text)
		}
		l[0].Count = 1
		out = append(out, l[0])
	}
	return out, nil
}

func newCalcPinion() *cobra.Command {
	c := &cobra.Command{
		Use:   "pinion",
		Short: "By how much a drive pinion's shims change with its depth mark",
		Long: `A drive pinion carries a mark of how far it departs from its nominal depth. For
a new pinion the pack behind it changes by the difference of the marks. Makers
differ in the sign: theirs comes first.`,
		Example: "  witnessmark calc pinion --old 2 --new -1 --unit \"0.001 in\"\n  witnessmark calc pinion --old 0 --new 3 --unit \"0.01 mm\"",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			v, u, err := needed(c, "unit", quantity.DimLength)
			if err != nil {
				return err
			}
			was, _ := c.Flags().GetInt("old")
			is, _ := c.Flags().GetInt("new")
			step, _ := v.Length()
			change, err := shims.PinionChange(was, is, step)
			if err != nil {
				return usageError("%v", err)
			}
			a := calcAnswer{What: "Shims behind a drive pinion", Formula: shims.PinionForm, Source: shims.PinionSource,
				Caution: "Makers differ in the sign of the mark: the maker's service information, local codes and licensed practice come first. Check the contact pattern."}
			a.give(pureFigure("old mark", float64(was), ""), pureFigure("new mark", float64(is), ""), figureOf("one step of the marks", v, u, ""))
			also := quantity.Inch
			if u == quantity.Inch || u == quantity.Thou {
				also = quantity.Millimetre
			}
			a.result(figureOf("change of the pack", change.Value(), u, "above zero: add shims", also))
			return a.print(c)
		},
	}
	c.Flags().Int("old", 0, "mark on the old pinion")
	c.Flags().Int("new", 0, "mark on the new pinion")
	c.Flags().String("unit", "", `what one step of the marks means: "0.001 in", "0.01 mm"`)
	return c
}
