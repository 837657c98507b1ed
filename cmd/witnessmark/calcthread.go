package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/fastening"
)

func addThreadFlags(c *cobra.Command) {
	c.Flags().String("thread", "", `the thread: "M10x1.5", "M10" (coarse), "3/8-16 UNC", "10-32"`)
	c.Flags().String("strength", "", "strength class or grade: "+strings.Join(fastening.Strengths(), ", "))
}

func addFrictionFlags(c *cobra.Command) {
	var words []string
	for _, x := range fastening.Conditions() {
		words = append(words, fmt.Sprintf("%s (K %.2f ± %.0f %%)", x.Name, x.K, 100*x.Scatter))
	}
	c.Flags().String("lubrication", "", "state of thread and bearing face: "+strings.Join(words, ", "))
	c.Flags().Float64("k", 0, "nut factor instead, such as 0.18")
	c.Flags().Float64("friction", 0, "coefficient of friction in the thread instead, such as 0.12: the friction form of ISO 16047")
	c.Flags().Float64("head-friction", 0, "coefficient under the head; default: as in the thread")
	c.Flags().String("bearing", "", `mean diameter of the bearing face, such as "12.8 mm"; default: of a usual hexagon head`)
}

func threadFlag(c *cobra.Command) (fastening.Thread, error) {
	s := flag(c, "thread")
	if s == "" {
		return fastening.Thread{}, usageError("--thread is missing, such as M10x1.5 or 3/8-16\nsee '%s --help'", c.CommandPath())
	}
	t, err := fastening.ParseThread(s)
	if err != nil {
		return t, usageError("--thread: %v", err)
	}
	return t, nil
}

func strengthFlag(c *cobra.Command) (fastening.Strength, error) {
	s := flag(c, "strength")
	if s == "" {
		return fastening.Strength{}, nil
	}
	st, err := fastening.ParseStrength(s)
	if err != nil {
		return st, usageError("--strength: %v", err)
	}
	return st, nil
}

func threadFigures(t fastening.Thread) []calcFigure {
	if t.IsInch() {
		return []calcFigure{
			{Name: "thread", Value: t.Diameter().Value().In(quantity.Inch), Unit: "in", Text: t.String(), Note: fmt.Sprintf("d %s, %s threads per inch", quantity.Format(t.Diameter().Value(), quantity.Inch, -1), num(25.4/t.Pitch().Millimetres()))},
		}
	}
	return []calcFigure{{Name: "thread", Value: t.Diameter().Millimetres(), Unit: "mm", Text: t.String(), Note: fmt.Sprintf("d %s, P %s", quantity.Format(t.Diameter().Value(), quantity.Millimetre, -1), quantity.Format(t.Pitch().Value(), quantity.Millimetre, -1))}}
}

func areaFigure(t fastening.Thread) calcFigure {
	a := t.StressArea()
	if t.IsInch() {
		return calcFigure{Name: "stress area", Value: a.SquareInches(), Unit: "in²", Text: fmt.Sprintf("%.4f in² (%.2f mm²)", a.SquareInches(), a.SquareMillimetres())}
	}
	return calcFigure{Name: "stress area", Value: a.SquareMillimetres(), Unit: "mm²", Text: fmt.Sprintf("%.2f mm² (%.4f in²)", a.SquareMillimetres(), a.SquareInches())}
}

// way is how torque and preload hang together.
type way struct {
	k, scatter float64 // nut factor; scatter of the preload as a share, 0: not known
	friction   *fastening.Friction
	bearing    quantity.Length
	given      []calcFigure
	formula    string
	source     string
}

// wayOf reads the friction flags: exactly one of --lubrication, --k, --friction.
func wayOf(c *cobra.Command, t fastening.Thread) (w way, err error) {
	k, _ := c.Flags().GetFloat64("k")
	mu, _ := c.Flags().GetFloat64("friction")
	word := flag(c, "lubrication")
	n := 0
	for _, given := range []bool{word != "", c.Flags().Changed("k"), c.Flags().Changed("friction")} {
		if given {
			n++
		}
	}
	if n != 1 {
		return w, usageError("give one of --lubrication, --k and --friction: without friction a torque says nothing of the preload\nsee '%s --help'", c.CommandPath())
	}
	w.formula, w.source = fastening.NutFactorForm, fastening.NutFactorSource
	switch {
	case word != "":
		x, ok := fastening.ConditionOf(word)
		if !ok {
			var known []string
			for _, x := range fastening.Conditions() {
				known = append(known, x.Name)
			}
			return w, usageError("--lubrication %q is not in the table: use one of %s, or give --k or --friction", word, strings.Join(known, ", "))
		}
		w.k, w.scatter = x.K, x.Scatter
		w.source += "; " + x.Source
		w.given = append(w.given, pureFigure("nut factor K", x.K, word))
	case c.Flags().Changed("k"):
		w.k = k
		w.given = append(w.given, pureFigure("nut factor K", k, "as given"))
	default:
		if err := w.readFriction(c, t, mu); err != nil {
			return w, err
		}
	}
	return w, nil
}

func (w *way) readFriction(c *cobra.Command, t fastening.Thread, mu float64) error {
	head := mu
	if c.Flags().Changed("head-friction") {
		head, _ = c.Flags().GetFloat64("head-friction")
	}
	w.friction = &fastening.Friction{Thread: mu, Head: head}
	w.formula, w.source = fastening.FrictionForm, fastening.FrictionSource
	note := "of a usual hexagon head: least washer face of ISO 4014, medium hole of ISO 273 (from memory)"
	var known bool
	if w.bearing, known = fastening.HexagonBearing(t); !known {
		note = "1.25 d: give --bearing for this head"
	}
	v, _, given, err := quantityFlag(c, "bearing", quantity.DimLength)
	if err != nil {
		return err
	}
	if given {
		w.bearing, _ = v.Length()
		note = "as given"
	}
	w.given = append(w.given, pureFigure("friction in the thread", mu, ""), pureFigure("friction under the head", head, ""),
		figureOf("bearing diameter D_b", w.bearing.Value(), quantity.Millimetre, note))
	return nil
}

func (w *way) preload(tq quantity.Torque, t fastening.Thread) (quantity.Force, error) {
	if w.friction != nil {
		return fastening.PreloadByFriction(tq, t, *w.friction, w.bearing)
	}
	return fastening.PreloadByNutFactor(tq, t, w.k)
}

func (w *way) torque(f quantity.Force, t fastening.Thread) (quantity.Torque, error) {
	if w.friction != nil {
		return fastening.TorqueByFriction(f, t, *w.friction, w.bearing)
	}
	return fastening.TorqueByNutFactor(f, t, w.k)
}

func newCalcPreload() *cobra.Command {
	c := &cobra.Command{
		Use:   "preload",
		Short: "What a torque does to a thread: preload, its scatter, share of proof load",
		Example: `  witnessmark calc preload --thread M10x1.5 --torque "45 N·m" --lubrication oiled --strength 8.8
  witnessmark calc preload --thread 3/8-16 --torque "26 lbf·ft" --k 0.2 --strength "SAE 8"
  witnessmark calc preload --thread M10x1.5 --torque "49 N·m" --friction 0.12`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			t, err := threadFlag(c)
			if err != nil {
				return err
			}
			st, err := strengthFlag(c)
			if err != nil {
				return err
			}
			v, u, err := needed(c, "torque", quantity.DimTorque)
			if err != nil {
				return err
			}
			w, err := wayOf(c, t)
			if err != nil {
				return err
			}
			tq, _ := v.Torque()
			f, err := w.preload(tq, t)
			if err != nil {
				return usageError("%v", err)
			}
			a := calcAnswer{What: fmt.Sprintf("Preload of %s at %s", t, quantity.Format(v, u, -1)), Formula: w.formula, Source: w.source, Caution: fastening.Caution}
			a.give(threadFigures(t)...)
			a.give(figureOf("torque", v, u, ""))
			a.give(w.given...)
			a.preload(f, &w, t)
			if err := a.proof(f, &w, t, st); err != nil {
				return err
			}
			return a.print(c)
		},
	}
	addThreadFlags(c)
	addFrictionFlags(c)
	c.Flags().String("torque", "", `the torque with its unit: "45 N·m", "26 lbf·ft"`)
	return c
}

// preload adds a preload and its band.
func (a *calcAnswer) preload(f quantity.Force, w *way, t fastening.Thread) {
	a.result(figureOf("preload", f.Value(), quantity.Kilonewton, "", quantity.PoundForce))
	if w.scatter > 0 {
		lo, hi := w.k/(1+w.scatter), w.k/(1-w.scatter)
		a.result(figureOf("at least", quantity.Newtons(f.Newtons()*(1-w.scatter)).Value(), quantity.Kilonewton, fmt.Sprintf("K %.2f", hi), quantity.PoundForce),
			figureOf("at most", quantity.Newtons(f.Newtons()*(1+w.scatter)).Value(), quantity.Kilonewton, fmt.Sprintf("K %.2f", lo), quantity.PoundForce))
	}
	if w.friction != nil {
		a.result(pureFigure("nut factor K", w.nutFactor(t), "that this friction amounts to"))
	}
}

// nutFactor is the nut factor that a friction amounts to: K = T/(F·d).
func (w *way) nutFactor(t fastening.Thread) float64 {
	one := quantity.Newtons(1000)
	tq, err := fastening.TorqueByFriction(one, t, *w.friction, w.bearing)
	if err != nil {
		return 0
	}
	k, _ := fastening.NutFactor(tq, one, t)
	return k
}

// proof adds the share of the proof load, if a class is named.
func (a *calcAnswer) proof(f quantity.Force, w *way, t fastening.Thread, st fastening.Strength) error {
	if st.IsZero() {
		return nil
	}
	p, err := fastening.ProofLoad(t, st)
	if err != nil {
		return usageError("%v", err)
	}
	stress, _, _, _ := st.Minima(t)
	a.Source += "; proof stress: " + st.Source()
	a.result(areaFigure(t), figureOf("proof load", p.Value(), quantity.Kilonewton, fmt.Sprintf("As · %s MPa, class %s", num(stress.Megapascals()), st), quantity.PoundForce))
	x := f.Newtons() / p.Newtons()
	a.result(shareFigure("share of proof", x, ""))
	if w != nil && w.scatter > 0 {
		a.result(shareFigure("share at least", x*(1-w.scatter), ""), shareFigure("share at most", x*(1+w.scatter), ""))
	}
	switch {
	case x > fastening.MostShare:
		a.Say = append(a.Say, fmt.Sprintf("That is past %.0f %% of proof: there is no room for scatter. Check thread, class, lubrication and unit against the maker's figure.", 100*fastening.MostShare))
	case x < fastening.LeastShare:
		a.Say = append(a.Say, fmt.Sprintf("That is below %.0f %% of proof: the joint may slip or work loose. Check thread, class, lubrication and unit against the maker's figure.", 100*fastening.LeastShare))
	}
	return nil
}

func newCalcTorque() *cobra.Command {
	c := &cobra.Command{
		Use:   "torque",
		Short: "The torque for a preload, for a share of proof load, or for the assembly preload of VDI 2230",
		Example: `  witnessmark calc torque --thread M10x1.5 --preload "25 kN" --lubrication oiled
  witnessmark calc torque --thread 1/2-20 --strength "SAE 8" --proof 75% --k 0.2
  witnessmark calc torque --thread M12x1.25 --strength 10.9 --yield 90% --friction 0.12`,
		Args: cobra.NoArgs,
		RunE: calcTorque,
	}
	addThreadFlags(c)
	addFrictionFlags(c)
	c.Flags().String("preload", "", `the preload with its unit: "25 kN", "5600 lbf"`)
	c.Flags().String("proof", "", `or a share of the proof load of --strength: "75%"`)
	c.Flags().String("yield", "", `or the assembly preload of VDI 2230, at a share of the yield strength of --strength: "90%"; with --friction`)
	return c
}

func calcTorque(c *cobra.Command, _ []string) error {
	t, err := threadFlag(c)
	if err != nil {
		return err
	}
	st, err := strengthFlag(c)
	if err != nil {
		return err
	}
	w, err := wayOf(c, t)
	if err != nil {
		return err
	}
	a := calcAnswer{Formula: strings.Replace(w.formula, fastening.NutFactorForm, fastening.NutTorqueForm, 1), Source: w.source, Caution: fastening.Caution}
	a.give(threadFigures(t)...)
	f, err := a.wantedPreload(c, &w, t, st)
	if err != nil {
		return err
	}
	a.give(w.given...)
	tq, err := w.torque(f, t)
	if err != nil {
		return usageError("%v", err)
	}
	a.What = fmt.Sprintf("Torque for %s in %s", quantity.Format(f.Value(), quantity.Kilonewton, -1), t)
	a.result(figureOf("torque", tq.Value(), quantity.NewtonMetre, "", quantity.PoundFoot, quantity.PoundInch))
	a.preload(f, &w, t)
	if err := a.proof(f, &w, t, st); err != nil {
		return err
	}
	return a.print(c)
}

// wantedPreload reads the one of three ways to say a preload.
func (a *calcAnswer) wantedPreload(c *cobra.Command, w *way, t fastening.Thread, st fastening.Strength) (quantity.Force, error) {
	v, u, given, err := quantityFlag(c, "preload", quantity.DimForce)
	if err != nil {
		return quantity.Force{}, err
	}
	proof, yield := flag(c, "proof"), flag(c, "yield")
	n := 0
	for _, g := range []bool{given, proof != "", yield != ""} {
		if g {
			n++
		}
	}
	switch {
	case n != 1:
		return quantity.Force{}, usageError("give one of --preload, --proof and --yield\nsee '%s --help'", c.CommandPath())
	case given:
		a.give(figureOf("preload", v, u, ""))
		f, _ := v.Force()
		return f, nil
	case st.IsZero():
		return quantity.Force{}, usageError("--strength is missing: a share of what?")
	case proof != "":
		x, err := shareText("proof", proof)
		if err != nil {
			return quantity.Force{}, err
		}
		p, err := fastening.ProofLoad(t, st)
		if err != nil {
			return p, usageError("%v", err)
		}
		a.give(shareFigure("share of proof", x, ""))
		return quantity.Newtons(x * p.Newtons()), nil
	case w.friction == nil:
		return quantity.Force{}, usageError("--yield goes with --friction: the twist in the bolt hangs on it")
	}
	x, err := shareText("yield", yield)
	if err != nil {
		return quantity.Force{}, err
	}
	f, err := fastening.AssemblyPreload(t, st, w.friction.Thread, x)
	if err != nil {
		return f, usageError("%v", err)
	}
	a.Formula += "; " + fastening.AssemblyForm
	a.Source += "; " + fastening.AssemblySource
	a.give(shareFigure("share of yield ν", x, "class "+st.String()))
	return f, nil
}

// shareText reads "75%", "75 %" or "0.75".
func shareText(name, s string) (float64, error) {
	text, percent := strings.CutSuffix(strings.TrimSpace(s), "%")
	x, err := strconv.ParseFloat(strings.TrimSpace(strings.Replace(text, ",", ".", 1)), 64)
	if percent {
		x /= 100
	}
	if err != nil || !(x > 0 && x <= 1.2) {
		return 0, usageError("--%s %q: write a share such as 75%% or 0.75", name, s)
	}
	return x, nil
}

func newCalcStressArea() *cobra.Command {
	return &cobra.Command{
		Use:     "stress-area THREAD",
		Short:   "Diameters and tensile stress area of a thread, metric or inch",
		Example: "  witnessmark calc stress-area M10x1.5\n  witnessmark calc stress-area 3/8-16\n  witnessmark calc stress-area \"1/2 UNF\" --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := fastening.ParseThread(args[0])
			if err != nil {
				return usageError("%v", err)
			}
			a := calcAnswer{What: "Thread " + t.String()}
			a.Formula, a.Source = t.StressAreaFormula()
			u := quantity.Millimetre
			if t.IsInch() {
				u = quantity.Inch
			}
			a.give(figureOf("major diameter d", t.Diameter().Value(), u, ""), figureOf("pitch P", t.Pitch().Value(), u, ""))
			a.result(figureOf("pitch diameter d2", t.PitchDiameter().Value(), u, "d − 0.649519·P"), figureOf("minor diameter d3", t.MinorDiameter().Value(), u, rootNote(t)),
				figureOf("minor diameter D1", t.InternalMinorDiameter().Value(), u, "of the internal thread, d − 1.082532·P"), areaFigure(t))
			return a.print(c)
		},
	}
}

func rootNote(t fastening.Thread) string {
	if t.IsInch() {
		return "of the external thread's root, d − 1.299038·P"
	}
	return "of the external thread's root, d − 1.226869·P"
}

func newCalcProof() *cobra.Command {
	c := &cobra.Command{
		Use:   "proof",
		Short: "Proof load of a thread in a strength class, and the share that a torque or a preload takes of it",
		Example: `  witnessmark calc proof --thread M10x1.5 --strength 10.9
  witnessmark calc proof --thread M12x1.25 --strength 10.9 --torque "120 N·m" --lubrication "thread locker"
  witnessmark calc proof --thread 3/4-16 --strength "SAE 5" --preload "25000 lbf"`,
		Args: cobra.NoArgs,
		RunE: calcProof,
	}
	addThreadFlags(c)
	addFrictionFlags(c)
	c.Flags().String("torque", "", `a torque with its unit; with --lubrication, --k or --friction`)
	c.Flags().String("preload", "", `or a preload with its unit`)
	return c
}

func calcProof(c *cobra.Command, _ []string) error {
	t, err := threadFlag(c)
	if err != nil {
		return err
	}
	st, err := strengthFlag(c)
	if err != nil {
		return err
	}
	if st.IsZero() {
		return usageError("--strength is missing: one of %s", strings.Join(fastening.Strengths(), ", "))
	}
	p, err := fastening.ProofLoad(t, st)
	if err != nil {
		return usageError("%v", err)
	}
	stress, yield, tensile, _ := st.Minima(t)
	formula, source := t.StressAreaFormula()
	a := calcAnswer{What: fmt.Sprintf("Proof load of %s, class %s", t, st), Formula: "F_p = As·S_p; " + formula, Source: st.Source() + "; " + source, Caution: fastening.Caution}
	a.give(threadFigures(t)...)
	for _, s := range []struct {
		name string
		v    quantity.Stress
	}{{"proof stress S_p", stress}, {"least yield strength", yield}, {"least tensile strength", tensile}} {
		a.give(calcFigure{Name: s.name, Value: s.v.Megapascals(), Unit: "MPa", Text: fmt.Sprintf("%.0f MPa (%.1f ksi)", s.v.Megapascals(), s.v.KilopoundsPerSquareInch())})
	}
	tq, tu, byTorque, err := quantityFlag(c, "torque", quantity.DimTorque)
	if err != nil {
		return err
	}
	v, u, byForce, err := quantityFlag(c, "preload", quantity.DimForce)
	switch {
	case err != nil:
		return err
	case byTorque && byForce:
		return usageError("give --torque or --preload, not both")
	case byTorque:
		w, err := wayOf(c, t)
		if err != nil {
			return err
		}
		torque, _ := tq.Torque()
		f, err := w.preload(torque, t)
		if err != nil {
			return usageError("%v", err)
		}
		a.Formula += "; " + w.formula
		a.Source += "; " + w.source
		a.give(figureOf("torque", tq, tu, ""))
		a.give(w.given...)
		a.preload(f, &w, t)
		if err := a.proof(f, &w, t, st); err != nil {
			return err
		}
	case byForce:
		f, _ := v.Force()
		a.give(figureOf("preload", v, u, ""))
		if !(f.Newtons() > 0) {
			return usageError("--preload: %s is not above zero", quantity.Format(v, u, -1))
		}
		if err := a.proof(f, nil, t, st); err != nil {
			return err
		}
	default:
		a.result(areaFigure(t), figureOf("proof load", p.Value(), quantity.Kilonewton, "", quantity.PoundForce))
	}
	return a.print(c)
}
