package main

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"witnessmark/rules/calibration"
	"witnessmark/rules/drift"
)

func newInterval() *cobra.Command {
	c := &cobra.Command{
		Use:   "interval [FILE]",
		Short: "How long until the next calibration, by a named method",
		Long: `Methods:

  a3           of --tested calibrations at the interval --days, --good were found in
               tolerance; is the target missed for sure, and how much shorter or
               longer should it be? (NCSLI RP-1, method A3)
  exponential  the same counts, by exp(-λt), for a FILE of ages too
               columns: age_days, good, tested
  growth       FILE of deviations against days since calibration; when does a tool
               that starts at --start leave --lower or --upper? (NASA-HDBK-8739.19-5)
               columns: age_days, deviation, with a unit

No advice is longer than --most days: torque tools go a year at most (FAA AC
43.13-1B; ISO 6789: 12 months or 5,000 cycles where the shop has no rule of its
own), and are checked at once after a drop or abuse.`,
		Example: `  witnessmark metrology interval --good 15 --tested 20 --days 365 --target 0.95
  witnessmark metrology interval --method growth drift.csv --start 0.03 --upper 1 --u0 0.28`,
		Args: cobra.MaximumNArgs(1),
		RunE: runInterval,
	}
	c.Flags().String("method", "a3", "a3, exponential or growth")
	c.Flags().Int("good", 0, "found in tolerance")
	c.Flags().Int("tested", 0, "calibrated at this interval")
	c.Flags().Float64("days", 365, "the interval until now, days")
	c.Flags().Float64("target", 0.95, fmt.Sprintf("share to be found in tolerance at the end of an interval; NIST GMP 11 asks %g of critical parameters", drift.GMP11Target))
	c.Flags().Float64("confidence", 0.5, "a3: confidence wanted before the interval is changed; growth: confidence of the band, there 0.95 if not given")
	c.Flags().Float64("most", 365*drift.TorqueYears, "longest interval, days")
	c.Flags().Float64("start", 0, "growth: deviation just after calibration")
	c.Flags().Float64("u0", 0, "growth: standard uncertainty just after calibration")
	c.Flags().Float64("until-u", 0, "growth: also say when the standard uncertainty reaches this")
	c.Flags().Int("degree", 2, "growth: highest power of time, 1 to 3")
	addLimitFlags(c)
	return c
}

func runInterval(c *cobra.Command, args []string) error {
	method, _ := c.Flags().GetString("method")
	if !(float(c, "most") > 0) {
		return usageError("--most %v: want days above zero", float(c, "most"))
	}
	switch {
	case method == "a3" && len(args) == 0:
		return intervalByCounts(c, method)
	case method == "exponential" && len(args) == 0:
		return intervalByCounts(c, method)
	case method == "exponential":
		return intervalByAges(c, args[0])
	case method == "growth" && len(args) == 1:
		return intervalByGrowth(c, args[0])
	case method == "growth":
		return usageError("the method growth wants a FILE of deviations")
	case method == "a3":
		return usageError("the method a3 takes --good and --tested, not a FILE")
	}
	return usageError("--method %q: want a3, exponential or growth", method)
}

// advise ends a report with the interval, cut to the longest one.
func advise(c *cobra.Command, r *report, days float64) error {
	r.add("interval by the method", days, "days")
	if target := float(c, "target"); target < drift.GMP11Target {
		r.note("NIST GMP 11 asks a target of %s for a parameter that makes up %d %% of the uncertainty or more, and no interval above %d years", percent(drift.GMP11Target), drift.GMP11Critical, drift.GMP11Years)
	}
	if most := float(c, "most"); days > most {
		r.note("cut to %s days, the longest interval allowed here", num(most))
		days = most
	}
	r.Verdict = fmt.Sprintf("Next interval: %s days.", num(math.Floor(days)))
	return r.print(c)
}

func intervalByCounts(c *cobra.Command, method string) error {
	good, _ := c.Flags().GetInt("good")
	tested, _ := c.Flags().GetInt("tested")
	days, target, conf := float(c, "days"), float(c, "target"), float(c, "confidence")
	a, err := drift.ByTest(good, tested, days, target, conf)
	if method == "exponential" {
		a, err = drift.ByExponential(good, tested, days, target)
	}
	if err != nil {
		return usageError("%v", err)
	}
	r := report{Title: "Calibration interval", Method: "new = old·10^((observed − target)·Q), within half and twice the old, where Q is at least the confidence", Source: a.Method}
	if method == "exponential" {
		r.Method, r.Source = "new = old·ln(target)/ln(observed)", "exponential model of NCSLI RP-1 and NASA RP-1342, from memory"
	}
	r.add("found in tolerance", a.Observed*100, "%", fmt.Sprintf("%d of %d; %s to %s at %g %%", good, tested, percent(a.Lower), percent(a.Upper), 100*conf))
	r.add("target", 100*target, "%")
	if method == "a3" {
		r.add("the target is missed with confidence", 100*a.Reject, "%")
		if !a.Changed {
			r.note("the interval stays: the target is not missed surely enough")
		}
	}
	return advise(c, &r, a.Interval)
}

func intervalByAges(c *cobra.Command, file string) error {
	f, err := openCSV(file, c.InOrStdin(), "age", "good", "tested")
	if err != nil {
		return err
	}
	defer f.close()
	var groups []drift.Checked
	for {
		more, err := f.next()
		if err != nil {
			return err
		}
		if !more {
			break
		}
		var v [3]float64
		for i, col := range []string{"age", "good", "tested"} {
			if v[i], err = f.number(col); err != nil {
				return err
			}
		}
		if v[1] != math.Trunc(v[1]) || v[2] != math.Trunc(v[2]) || v[1] > v[2] || v[1] < 0 || v[0] <= 0 {
			return f.fail("good", "%v good of %v tested at age %v: want whole numbers, no more good than tested, and an age above zero", v[1], v[2], v[0])
		}
		groups = append(groups, drift.Checked{Age: v[0], In: int(v[1]), N: int(v[2])})
	}
	rate, err := drift.Rate(groups)
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	r := report{Title: "Calibration interval", Method: "R(t) = exp(−λt), λ of greatest likelihood; interval = −ln(target)/λ", Source: "exponential model of NCSLI RP-1, from memory"}
	r.add("λ", rate, "per "+unitOr(f.unit("age")))
	t := grid{Title: "Model against what was found", Columns: []string{"age (" + unitOr(f.unit("age")) + ")", "tested", "good (%)", "model (%)"}}
	for _, g := range groups {
		t.Rows = append(t.Rows, []any{num(g.Age), g.N, num(round(100*float64(g.In)/float64(g.N), 1)), num(round(100*math.Exp(-rate*g.Age), 1))})
	}
	r.Tables = []grid{t}
	if u := f.unit("age"); u != "days" && u != "" {
		r.add("interval by the method", -math.Log(float(c, "target"))/rate, u)
		r.Verdict = fmt.Sprintf("Next interval: %s %s.", num(-math.Log(float(c, "target"))/rate), u)
		return r.print(c)
	}
	return advise(c, &r, -math.Log(float(c, "target"))/rate)
}

func intervalByGrowth(c *cobra.Command, file string) error {
	degree, _ := c.Flags().GetInt("degree")
	conf := 0.95
	if c.Flags().Changed("confidence") {
		conf = float(c, "confidence")
	}
	if degree < 1 || degree > 3 || !(conf > 0 && conf < 1) {
		return usageError("--degree %d, --confidence %v: want 1 to 3, and above 0 and below 1", degree, conf)
	}
	l, err := limitsFrom(c)
	if err != nil {
		return err
	}
	f, err := openCSV(file, c.InOrStdin(), "age", "deviation")
	if err != nil {
		return err
	}
	defer f.close()
	var at, dev []float64
	for {
		more, err := f.next()
		if err != nil {
			return err
		}
		if !more {
			break
		}
		a, err := f.number("age")
		if err != nil {
			return err
		}
		d, err := f.number("deviation")
		if err != nil {
			return err
		}
		at, dev = append(at, a), append(dev, d)
	}
	g, err := drift.GrowthOf(at, dev, float(c, "u0"), degree)
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	return growthReport(c, g, l, conf, unitOr(f.unit("deviation")))
}

func growthReport(c *cobra.Command, g drift.Growth, l calibration.Limits, conf float64, unit string) error {
	r := report{Title: "Calibration interval", Method: "deviation = b1·t + b2·t² + …; u(t)² = u0² + s² + u²(fit); until start + deviation ± t·u leaves a limit", Source: "NASA-HDBK-8739.19-5, chapter 7 (variables data)"}
	for i, b := range g.Fit.Coef {
		r.add(fmt.Sprintf("b%d", i+1), b, fmt.Sprintf("%s per day^%d", unit, i+1), "± "+num(g.Fit.UCoef(i)).String())
	}
	r.add("residual s", g.Fit.S, unit, fmt.Sprintf("%d degrees of freedom", g.Fit.DF))
	p := conf
	if !math.IsInf(l.Lower, 0) && !math.IsInf(l.Upper, 0) {
		p = (1 + conf) / 2 // two limits share what is left
	}
	if most := float(c, "until-u"); most > 0 {
		r.add("standard uncertainty reaches "+num(most).String(), g.UntilUncertainty(most), "days")
	}
	return advise(c, &r, g.UntilOutside(float(c, "start"), l, p))
}
