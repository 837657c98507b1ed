package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/stat"

	"witnessmark/rules/capability"
	"witnessmark/rules/gaugestudy"
)

// readColumn reads one column of numbers and its unit.
func readColumn(c *cobra.Command, file, col string) ([]float64, string, error) {
	f, err := openCSV(file, c.InOrStdin(), col)
	if err != nil {
		return nil, "", err
	}
	defer f.close()
	var all []float64
	for {
		more, err := f.next()
		if !more {
			return all, unitOr(f.unit(col)), err
		}
		v, err := f.number(col)
		if err != nil {
			return nil, "", err
		}
		all = append(all, v)
	}
}

func newType1() *cobra.Command {
	c := &cobra.Command{
		Use:   "type1 FILE",
		Short: "One reference part read many times: Cg and Cgk",
		Long: `One person reads one reference part 25 times or more. Cg compares the scatter
with a fifth of the tolerance, Cgk the bias too; 1.33 and more are usual.

Column: value, with a unit.

  value_mm
  10.0012
  10.0009`,
		Example: "  witnessmark metrology type1 bore.csv --reference 10.001 --tolerance 0.05 --resolution 0.001",
		Args:    cobra.ExactArgs(1),
		RunE:    runType1,
	}
	c.Flags().Float64("reference", 0, "value of the reference part, in the unit of the readings")
	c.Flags().Float64("tolerance", 0, "width of the tolerance, upper minus lower limit")
	c.Flags().Float64("resolution", 0, "step of the gauge; 0: not known")
	mustRequire(c, "reference", "tolerance")
	return c
}

// mustRequire marks flags that must be given.
func mustRequire(c *cobra.Command, names ...string) {
	for _, n := range names {
		if err := c.MarkFlagRequired(n); err != nil {
			panic(err) // our own mistake: no such flag
		}
	}
}

func float(c *cobra.Command, name string) float64 {
	v, _ := c.Flags().GetFloat64(name)
	return v
}

func runType1(c *cobra.Command, args []string) error {
	xs, unit, err := readColumn(c, args[0], "value")
	if err != nil {
		return err
	}
	s, err := gaugestudy.OnOnePart(xs, float(c, "reference"), float(c, "tolerance"), float(c, "resolution"))
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	r := report{Title: "Type-1 gauge study", Method: "Cg = 0.2·T/(6s); Cgk = (0.1·T − |mean − reference|)/(3s)",
		Source: "common form of the trade and ISO 22514-7, from memory; bound 1.33 is common practice"}
	r.add("readings", float64(s.N), "1")
	r.add("mean", s.Mean, unit)
	r.add("standard deviation", s.SD, unit)
	r.add("bias", s.Bias, unit, fmt.Sprintf("t = %s, p = %s", num(s.T), num(s.P)))
	r.add("Cg", s.Cg, "1")
	r.add("Cgk", s.Cgk, "1")
	r.Notes = s.Warnings
	r.Verdict = fmt.Sprintf("Cg and Cgk of at least %g: %s", gaugestudy.Good, yes(s.Cg >= gaugestudy.Good && s.Cgk >= gaugestudy.Good))
	return r.print(c)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func newGRR() *cobra.Command {
	c := &cobra.Command{
		Use:   "grr FILE",
		Short: "Crossed gauge study: repeatability and reproducibility, by two methods",
		Long: `Each appraiser reads each part the same number of times; 10 parts, 3 appraisers
and 3 trials are usual. The study is worked out by analysis of variance and by
average and range; the two differ, and the report says why. The interaction of
parts and appraisers is pooled with the error where its p is above --pool-above.

Columns: part, appraiser, value, with a unit.

  part,appraiser,value_mm
  1,Maren,4.0012
  1,Maren,4.0009
  1,Odd,4.0015`,
		Example: "  witnessmark metrology grr study.csv --tolerance 0.05",
		Args:    cobra.ExactArgs(1),
		RunE:    runGRR,
	}
	c.Flags().Float64("tolerance", 0, "width of the tolerance, upper minus lower limit; 0: not given")
	c.Flags().Float64("pool-above", 0.25, "p above which the interaction is pooled; 1 keeps it always, 0 pools it nearly always")
	return c
}

func runGRR(c *cobra.Command, args []string) error {
	f, err := openCSV(args[0], c.InOrStdin(), "part", "appraiser", "value")
	if err != nil {
		return err
	}
	defer f.close()
	var rs []gaugestudy.Reading
	for {
		more, err := f.next()
		if err != nil {
			return err
		}
		if !more {
			break
		}
		part, err := f.label("part")
		if err != nil {
			return err
		}
		who, err := f.label("appraiser")
		if err != nil {
			return err
		}
		v, err := f.number("value")
		if err != nil {
			return err
		}
		rs = append(rs, gaugestudy.Reading{Part: part, Appraiser: who, Value: v})
	}
	s, err := gaugestudy.ByVariance(rs, gaugestudy.Pooling{Above: float(c, "pool-above")})
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	r := grrReport(s, unitOr(f.unit("value")), float(c, "tolerance"))
	if ranges, err := gaugestudy.ByRange(rs); err != nil {
		r.note("average and range: %v", err)
	} else {
		r.Tables = append(r.Tables, components(ranges, unitOr(f.unit("value")), float(c, "tolerance")))
		g := ranges.Ranges
		r.Tables = append(r.Tables, grid{"From", []string{"R̄", "X̄diff", "Rp", "K1", "K2", "K3", "upper range limit"},
			[][]any{{num(g.MeanRange), num(g.AppraiserDiff), num(g.PartRange), num(g.K1), num(g.K2), num(g.K3), num(g.UpperRange)}}})
		r.note("the two methods differ: ranges see no interaction, and the number of categories is cut, not rounded")
	}
	return r.print(c)
}

func grrReport(s gaugestudy.Study, unit string, tolerance float64) report {
	r := report{Title: fmt.Sprintf("Gauge study, %d parts × %d appraisers × %d trials", s.Parts, s.Appraisers, s.Trials),
		Method: "variance components from mean squares; categories = 1.41·PV/GRR, cut; a negative component counts as 0",
		Source: "AIAG, Measurement Systems Analysis, 4th ed."}
	r.say("interaction", s.Why)
	t := grid{Title: "Analysis of variance", Columns: []string{"effect", "SS", "df", "MS", "F", "p", "F divides by"}}
	for _, e := range s.Table {
		row := []any{e.Name, num(e.SS), num(e.DF), num(e.MS), "", "", ""}
		if e.Over != "" {
			row[4], row[5], row[6] = num(e.F), num(e.P), e.Over
		}
		t.Rows = append(t.Rows, row)
	}
	r.Tables = append(r.Tables, t, components(s, unit, tolerance))
	r.Verdict = fmt.Sprintf("GRR is %s %% of the study's variation; usual bounds: below 10 good, to 30 by agreement (AIAG MSA).", num(s.PercentStudy()))
	return r
}

func components(s gaugestudy.Study, unit string, tolerance float64) grid {
	g := grid{Title: "By " + s.Method, Columns: []string{"", "s (" + unit + ")", "variance", "% of study", "% of variance"}}
	if tolerance > 0 {
		g.Columns = append(g.Columns, "6s in % of tolerance")
	}
	for _, v := range []struct {
		name string
		s    float64
	}{{"repeatability (EV)", s.Repeatability}, {"reproducibility (AV)", s.Reproducibility}, {"  of appraisers", s.Appraiser}, {"  of the interaction", s.Interaction},
		{"gauge (GRR)", s.GRR}, {"parts (PV)", s.Part}, {"total (TV)", s.Total}} {
		row := []any{v.name, num(v.s), num(v.s * v.s), num(100 * v.s / s.Total), num(100 * v.s * v.s / s.Total / s.Total)}
		if tolerance > 0 {
			row = append(row, num(600*v.s/tolerance))
		}
		g.Rows = append(g.Rows, row)
	}
	g.Rows = append(g.Rows, []any{"distinct categories", s.Distinct(), "", "", ""})
	return g
}

func newNested() *cobra.Command {
	return &cobra.Command{
		Use:   "nested FILE",
		Short: "Repeats within days within runs: how much each level adds",
		Long: `Columns, either every reading:

  run,day,value_mm
  1,1,96.08

or, for each day, mean, standard deviation and number of readings:

  run,mean_mm,sd_mm,n
  1,96.0771,0.1024,6`,
		Example: "  witnessmark metrology nested wafer.csv",
		Args:    cobra.ExactArgs(1),
		RunE:    runNested,
	}
}

func runNested(c *cobra.Command, args []string) error {
	f, err := openCSV(args[0], c.InOrStdin(), "run")
	if err != nil {
		return err
	}
	defer f.close()
	runs, unit, err := readNested(f)
	if err != nil {
		return err
	}
	n, err := gaugestudy.ByLevels(runs)
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	r := report{Title: "Nested gauge study", Method: "level 1: pooled s within days; level 2: s of day means within a run; level 3: s of run means",
		Source: "NIST/SEMATECH e-Handbook of Statistical Methods 2.4.4"}
	t := grid{Title: "By run", Columns: []string{"run", "mean (" + unit + ")", "level 1", "level 2"}}
	for i := range runs {
		t.Rows = append(t.Rows, []any{i + 1, num(n.RunMeans[i]), num(n.Level1[i]), num(n.Level2[i])})
	}
	r.Tables = []grid{t}
	r.add("level 1, pooled", n.Pooled1, unit)
	r.add("level 2, pooled", n.Pooled2, unit)
	r.add("level 3", n.Level3, unit)
	r.add("of days alone", n.Day, unit, "what repeats leave of level 1 taken off")
	r.add("of runs alone", n.Run, unit, "what days leave of level 2 taken off")
	return r.print(c)
}

func readNested(f *csvFile) (runs [][]gaugestudy.Group, unit string, err error) {
	summed := f.has("mean") && f.has("sd") && f.has("n")
	if !summed && !(f.has("day") && f.has("value")) {
		return nil, "", f.failAt(0, "want the columns run, day, value, or run, mean, sd, n")
	}
	at := map[string]int{}
	days := map[string]int{}
	var values [][][]float64
	for {
		more, err := f.next()
		if err != nil {
			return nil, "", err
		}
		if !more {
			break
		}
		name, err := f.label("run")
		if err != nil {
			return nil, "", err
		}
		i, ok := at[name]
		if !ok {
			i = len(runs)
			at[name], runs, values = i, append(runs, nil), append(values, nil)
		}
		if summed {
			g, err := groupRow(f)
			if err != nil {
				return nil, "", err
			}
			runs[i] = append(runs[i], g)
			continue
		}
		v, err := f.number("value")
		if err != nil {
			return nil, "", err
		}
		key := name + "\x00" + f.text("day")
		k, ok := days[key]
		if !ok {
			k = len(values[i])
			days[key], values[i] = k, append(values[i], nil)
		}
		values[i][k] = append(values[i][k], v)
	}
	if summed {
		return runs, unitOr(f.unit("mean")), nil
	}
	for i := range values {
		for _, xs := range values[i] {
			runs[i] = append(runs[i], gaugestudy.GroupOf(xs))
		}
	}
	return runs, unitOr(f.unit("value")), nil
}

func groupRow(f *csvFile) (g gaugestudy.Group, err error) {
	if g.Mean, err = f.number("mean"); err != nil {
		return g, err
	}
	if g.SD, err = f.number("sd"); err != nil {
		return g, err
	}
	n, err := f.number("n")
	if err == nil && (n < 1 || n != float64(int(n)) || g.SD < 0) {
		err = f.fail("n", "n = %v and sd = %v: want a whole number of readings and no negative sd", n, g.SD)
	}
	g.N = int(n)
	return g, err
}

func newCapability() *cobra.Command {
	c := &cobra.Command{
		Use:   "capability FILE",
		Short: "How readings of one dimension lie in their limits, and tolerance limits",
		Long: `Indices from the mean and the standard deviation of all readings; look at a chart
first: they mean nothing of a process that wanders.

Column: value, with a unit.`,
		Example: "  witnessmark metrology capability rings.csv --lower 73.95 --upper 74.05",
		Args:    cobra.ExactArgs(1),
		RunE:    runCapability,
	}
	addLimitFlags(c)
	c.Flags().Float64("target", 0, "target value, for Cpm")
	c.Flags().Float64("confidence", 0.95, "confidence of the interval of Cp and of the tolerance limits")
	c.Flags().Float64("share", 0.90, "share of all parts that the tolerance limits hold")
	return c
}

func runCapability(c *cobra.Command, args []string) error {
	l, err := limitsFrom(c)
	if err != nil {
		return err
	}
	xs, unit, err := readColumn(c, args[0], "value")
	if err != nil {
		return err
	}
	if len(xs) < 2 {
		return fmt.Errorf("%s: %d readings: want two or more", args[0], len(xs))
	}
	mean, s := stat.MeanStdDev(xs, nil)
	conf := float(c, "confidence")
	i, err := capability.Of(mean, s, float64(len(xs)-1), l, conf)
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	tol := capability.Tolerance{N: len(xs), Share: float(c, "share"), Confidence: conf}
	two, err := tol.TwoSided()
	if err != nil {
		return usageError("%v", err)
	}
	r := report{Title: "Capability", Method: "Cp = (USL − LSL)/6s; Cpk = nearer limit/3s; normal model; tolerance limits mean ± k·s, exact k",
		Source: "ISO 22514-2 (named from memory); NIST/SEMATECH e-Handbook of Statistical Methods 6.1.6, 7.2.6.3"}
	r.add("readings", float64(len(xs)), "1")
	r.add("mean", mean, unit)
	r.add("standard deviation", s, unit, "of all readings: performance, not short-term capability")
	r.add("Cp", i.Cp, "1", fmt.Sprintf("%g %%: %s to %s", 100*conf, num(i.CpLower), num(i.CpUpper)))
	r.add("Cpk", i.Cpk, "1")
	if c.Flags().Changed("target") {
		r.add("Cpm", capability.Cpm(mean, s, float(c, "target"), l), "1")
	}
	r.add("outside limits", 100*i.Outside, "%", "by the normal model")
	r.add("tolerance factor k", two, "1", fmt.Sprintf("%g %% of parts with %g %% confidence", 100*tol.Share, 100*conf))
	r.add("tolerance limit, lower", mean-two*s, unit)
	r.add("tolerance limit, upper", mean+two*s, unit)
	return r.print(c)
}
