package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/rules/drift"
)

func newChart() *cobra.Command {
	c := &cobra.Command{
		Use:   "chart FILE",
		Short: "Control chart of a check standard or of a tool's quick checks",
		Long: `Limits come from the first --base points, believed to be healthy, or from
--centre and --sd. A signal names its rule, its point, and since when the change
seems to be there; it is a reason to look, not a verdict.

Kinds: i-mr (single points and moving range), shewhart, ewma, cusum. An EWMA and a
CUSUM are designed for the run length --arl of a healthy tool and a shift of
--shift standard deviations, unless --lambda and --limit, or --k and --h, are
given.

Real check standards wander slowly while healthy. --slow estimates that from the
base and widens the limits by it, so that a healthy tool does not alarm.

Columns: value, with a unit; at, a date or a number (optional); subgroup
(optional: points are then the subgroups' means); adjusted (optional: yes where the
tool was adjusted just before; the chart begins anew there).

  at,value_mg
  2026-03-02,-19.51
  2026-03-09,-19.49`,
		Example: `  witnessmark metrology chart mass.csv --kind ewma --slow
  witnessmark metrology chart rings.csv --kind cusum --base 25 --arl 500 --shift 1`,
		Args: cobra.ExactArgs(1),
		RunE: runChart,
	}
	c.Flags().String("kind", "i-mr", "i-mr, shewhart, ewma or cusum")
	c.Flags().Int("base", 0, "points at the start that set the limits; 0: all")
	c.Flags().Float64("centre", 0, "centre, in place of the base's")
	c.Flags().Float64("sd", 0, "standard deviation of a point, in place of the base's")
	c.Flags().Bool("slow", false, "allow for slow healthy variation, estimated from the base")
	c.Flags().Float64("arl", 370, "points until a false alarm, on average")
	c.Flags().Float64("shift", 1, "shift to be seen soon, in standard deviations")
	c.Flags().Float64("lambda", 0, "weight of an EWMA; 0: by design")
	c.Flags().Float64("limit", 3, "limits in standard deviations, of shewhart and of an EWMA with --lambda")
	c.Flags().Float64("k", 0, "reference value of a CUSUM in standard deviations; 0: by design")
	c.Flags().Float64("h", 0, "decision interval of a CUSUM in standard deviations; 0: by design")
	c.Flags().Int("run", 0, "also signal so many points in a row on one side (9 is usual); 0: do not")
	c.Flags().Bool("steady", false, "an EWMA's limits as after a long time, from the first point on")
	return c
}

// series is what a chart is drawn of.
type series struct {
	at     []float64 // days, or the number given, or the count of points
	label  []string
	x      []float64
	groups [][]float64
	unit   string
	time   string // unit of at
	before int    // points before the last adjustment, left out
}

func readSeries(c *cobra.Command, file string) (s series, err error) {
	f, err := openCSV(file, c.InOrStdin(), "value")
	if err != nil {
		return s, err
	}
	defer f.close()
	s.unit, s.time = unitOr(f.unit("value")), "points"
	if f.has("at") {
		s.time = f.unit("at")
	}
	last := ""
	for {
		more, err := f.next()
		if err != nil {
			return s, err
		}
		if !more {
			break
		}
		v, err := f.number("value")
		if err != nil {
			return s, err
		}
		adjusted, err := yesNo(f, "adjusted")
		if err != nil {
			return s, err
		}
		if adjusted { // what came before says nothing of the tool now
			s.before += len(s.x)
			s.at, s.label, s.x, s.groups, last = nil, nil, nil, nil, ""
		}
		if f.has("subgroup") {
			if g := f.text("subgroup"); len(s.groups) == 0 || g != last {
				last, s.groups = g, append(s.groups, nil)
			}
			k := len(s.groups) - 1
			if s.groups[k] = append(s.groups[k], v); len(s.groups[k]) > 1 {
				continue
			}
		}
		at, label := float64(len(s.x)), strconv.Itoa(s.before+len(s.x)+1)
		if f.has("at") {
			if at, label, err = moment(f, "at"); err != nil {
				return s, err
			}
			if s.time == "" {
				s.time = "days" // as dates count
				if _, err := strconv.ParseFloat(f.text("at"), 64); err == nil {
					s.time = "step of at"
				}
			}
		}
		s.at, s.label, s.x = append(s.at, at), append(s.label, label), append(s.x, v)
	}
	for i, g := range s.groups {
		sum := 0.0
		for _, v := range g {
			sum += v
		}
		s.x[i] = sum / float64(len(g))
	}
	if len(s.x) < 2 {
		return s, fmt.Errorf("%s: %d points: a chart wants two or more", file, len(s.x))
	}
	return s, nil
}

// moment is a number as it stands, or a date in days since 1970.
func moment(f *csvFile, col string) (float64, string, error) {
	text := f.text(col)
	if v, err := strconv.ParseFloat(text, 64); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		return v, text, nil
	}
	t, err := f.when(col)
	return float64(t.Unix()) / 86400, t.Format(time.DateOnly), err
}

func runChart(c *cobra.Command, args []string) error {
	s, err := readSeries(c, args[0])
	if err != nil {
		return err
	}
	p, method, err := processOf(c, s)
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	r := report{Source: "ISO 7870-2, -4, -6 (named from memory), NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2; run lengths by integral equation"}
	charts, err := chartsOf(c, s, p, &r)
	if err != nil {
		return err
	}
	r.Title = fmt.Sprintf("Control chart: %s, %d points", charts[0].Name, len(s.x))
	r.Method = method
	r.add("centre", p.Centre, s.unit)
	r.add("standard deviation of a point", p.SD, s.unit)
	if l := charts[0].Lines[len(s.x)-1]; strings.HasPrefix(charts[0].Name, "EWMA") {
		r.add("a lasting shift is seen from", l.Upper-p.Centre, s.unit, "half width of the limits at the last point")
	}
	if p.Slow != nil {
		r.add("of it quick", p.Slow.Quick, s.unit)
		r.add("of it slow", p.Slow.Drift, s.unit, fmt.Sprintf("memory %s %s; log likelihood %s above white noise", num(p.Slow.Tau), s.time, num(p.Slow.Gain)))
		r.note("run lengths hold for readings that do not follow each other; the slow part widens the limits to keep them")
		if charts[0].Low != nil {
			r.note("a CUSUM is widened by the long-run standard deviation and alarms more seldom than said; the EWMA sees more")
		}
	}
	if s.before > 0 {
		r.note("%d points before the last adjustment are left out", s.before)
	}
	signals := 0
	for _, ch := range charts {
		r.Tables = append(r.Tables, lines(ch, s)...)
		signals += len(ch.Signals)
	}
	r.Verdict = "No signal."
	if signals > 0 {
		r.Verdict = fmt.Sprintf("Signals: %d. Look for what changed; a signal is not a verdict on the tool.", signals)
	}
	return r.print(c)
}

func processOf(c *cobra.Command, s series) (p drift.Process, method string, err error) {
	base, _ := c.Flags().GetInt("base")
	if base <= 0 || base > len(s.x) {
		base = len(s.x)
	}
	slow, _ := c.Flags().GetBool("slow")
	given := c.Flags().Changed("centre") && c.Flags().Changed("sd")
	switch {
	case given && !slow:
		p, method = drift.Process{Centre: float(c, "centre"), SD: float(c, "sd")}, "centre and standard deviation as given"
	case slow:
		p, err = drift.BySlow(s.at[:base], s.x[:base])
		method = fmt.Sprintf("centre, quick and slow part from the first %d points, by likelihood", base)
	case s.groups != nil:
		p, _, err = drift.BySubgroups(s.groups[:base])
		method = fmt.Sprintf("centre and R̄/d2/√n from the first %d subgroups", base)
	default:
		p, err = drift.ByMovingRange(s.x[:base])
		method = fmt.Sprintf("centre and mean moving range/1.128 from the first %d points", base)
	}
	if err == nil && !(p.SD > 0) {
		err = fmt.Errorf("the standard deviation is %v: give --centre and --sd, or a base that varies", p.SD)
	}
	return p, method, err
}

func chartsOf(c *cobra.Command, s series, p drift.Process, r *report) ([]drift.Chart, error) {
	kind, _ := c.Flags().GetString("kind")
	run, _ := c.Flags().GetInt("run")
	steady, _ := c.Flags().GetBool("steady")
	arl, shift, limit := float(c, "arl"), float(c, "shift"), float(c, "limit")
	lengths := func(healthy, off float64) {
		r.add("run length of a healthy tool", healthy, "points", "mean number until a false alarm")
		r.add("run length when off", off, "points", fmt.Sprintf("by a shift of %g s", shift))
	}
	switch kind {
	case "i-mr", "shewhart":
		lengths(drift.ARLShewhart(limit, 0), drift.ARLShewhart(limit, shift))
		charts := []drift.Chart{drift.Shewhart(s.x, p, limit, run)}
		if kind == "i-mr" {
			charts = append(charts, drift.MovingRange(s.x, p))
		}
		return charts, nil
	case "ewma":
		lambda := float(c, "lambda")
		if lambda == 0 {
			d, err := drift.DesignEWMA(arl, shift)
			if err != nil {
				return nil, usageError("%v", err)
			}
			lambda, limit = d.Lambda, d.L
		}
		if !(lambda > 0 && lambda <= 1 && limit > 0) {
			return nil, usageError("--lambda %v, --limit %v: want a weight above 0 and at most 1, and a limit above 0", lambda, limit)
		}
		lengths(drift.ARLEWMA(lambda, limit, 0), drift.ARLEWMA(lambda, limit, shift))
		return []drift.Chart{drift.EWMA(s.at, s.x, p, lambda, limit, steady)}, nil
	case "cusum":
		k, h := float(c, "k"), float(c, "h")
		if k == 0 && h == 0 {
			d, err := drift.DesignCUSUM(arl, shift)
			if err != nil {
				return nil, usageError("%v", err)
			}
			k, h = d.K, d.H
		}
		if !(k >= 0 && h > 0) {
			return nil, usageError("--k %v, --h %v: give both, k not below 0 and h above 0", k, h)
		}
		lengths(drift.ARLCUSUM(k, h, 0), drift.ARLCUSUM(k, h, shift))
		return []drift.Chart{drift.CUSUM(s.at, s.x, p, k, h)}, nil
	}
	return nil, usageError("--kind %q: want i-mr, shewhart, ewma or cusum", kind)
}

// lines are the tables of a chart: its points, and its signals if there are any.
func lines(ch drift.Chart, s series) []grid {
	t := grid{Title: ch.Name, Columns: []string{"at", "value (" + s.unit + ")", "statistic", "lower", "upper", ""}}
	if ch.Low != nil {
		t.Columns = []string{"at", "value (" + s.unit + ")", "high side", "low side", "limit", ""}
	}
	for i, l := range ch.Lines {
		mark := ""
		for _, g := range ch.Signals {
			if g.At == i {
				mark = "<- " + side(g.High)
			}
		}
		if ch.Low != nil {
			t.Rows = append(t.Rows, []any{s.label[i], num(s.x[i]), num(l.Value), num(ch.Low[i].Value), num(l.Upper), mark})
		} else {
			t.Rows = append(t.Rows, []any{s.label[i], num(s.x[i]), num(l.Value), num(l.Lower), num(l.Upper), mark})
		}
	}
	out := []grid{t}
	if len(ch.Signals) > 0 {
		g := grid{Title: "Signals", Columns: []string{"rule", "side", "at", "since"}}
		for _, sig := range ch.Signals {
			g.Rows = append(g.Rows, []any{sig.Rule, side(sig.High), s.label[sig.At], s.label[min(sig.Since, len(s.label)-1)]})
		}
		out = append(out, g)
	}
	return out
}
