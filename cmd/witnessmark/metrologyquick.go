package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/rules/calibration"
	"witnessmark/rules/drift"
)

func newQuickCheck() *cobra.Command {
	c := &cobra.Command{
		Use:   "check FILE",
		Short: "A shift's quick check of a tool against its own history",
		Long: `Three pulls on the bench tester at the start of a shift. The last check in the file
is compared with the earlier ones: is its mean where it usually is, and do its
pulls scatter as they usually do? Five earlier checks or more are wanted.

Columns: at (one name or date for each check), deviation, with a unit. The rows of
a check stand together.

  at,deviation_%
  2026-11-02,0.4
  2026-11-02,0.6
  2026-11-02,0.5`,
		Example: "  witnessmark metrology check k2.csv",
		Args:    cobra.ExactArgs(1),
		RunE:    runQuickCheck,
	}
	c.Flags().Float64("false", 0.01, "probability that a healthy tool is called off")
	return c
}

func runQuickCheck(c *cobra.Command, args []string) error {
	f, err := openCSV(args[0], c.InOrStdin(), "at", "deviation")
	if err != nil {
		return err
	}
	defer f.close()
	var checks [][]float64
	last := ""
	for {
		more, err := f.next()
		if err != nil {
			return err
		}
		if !more {
			break
		}
		at, err := f.label("at")
		if err != nil {
			return err
		}
		v, err := f.number("deviation")
		if err != nil {
			return err
		}
		if at != last || len(checks) == 0 {
			last, checks = at, append(checks, nil)
		}
		checks[len(checks)-1] = append(checks[len(checks)-1], v)
	}
	if len(checks) == 0 {
		return fmt.Errorf("%s: no checks: write a row for each pull", args[0])
	}
	q, err := drift.QuickCheck(checks[:len(checks)-1], checks[len(checks)-1], float(c, "false"))
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	unit := unitOr(f.unit("deviation"))
	r := report{Title: "Quick check " + last, Method: "mean: prediction interval from the means of earlier checks, by Student's t; scatter: F bound on the variance within checks",
		Source: "NIST/SEMATECH e-Handbook of Statistical Methods 1.3.5.9, from memory; prediction interval for a normal value"}
	r.add("earlier checks", float64(q.Checks), "1")
	r.add("mean now", q.Mean, unit, fmt.Sprintf("expected %s to %s, usually %s", num(q.Lower), num(q.Upper), num(q.Usual)))
	r.add("standard deviation now", q.SD, unit, fmt.Sprintf("expected up to %s, usually %s", num(q.Most), num(q.Pooled)))
	switch {
	case q.Off && q.Wild:
		r.Verdict = "Off, and more scattered than usual: calibrate it before it is used."
	case q.Off:
		r.Verdict = "Off: the mean is not where it usually is; repeat once, then calibrate it before it is used."
	case q.Wild:
		r.Verdict = "More scattered than usual: look for wear, grip and adapter; repeat."
	default:
		r.Verdict = "As usual."
	}
	return r.print(c)
}

func newIdle() *cobra.Command {
	return &cobra.Command{
		Use:   "idle FILE",
		Short: "Zero, noise and drift of a streaming tool while nothing is done with it",
		Long: `Columns: at, a number such as seconds, with a unit; value, with a unit.

  at_s,value_Nm
  0.0,0.014
  0.1,0.012`,
		Example: "  witnessmark metrology idle v3.csv",
		Args:    cobra.ExactArgs(1),
		RunE:    runIdle,
	}
}

func runIdle(c *cobra.Command, args []string) error {
	s, err := readSeries(c, args[0])
	if err != nil {
		return err
	}
	i, err := drift.IdleOf(s.at, s.x)
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	r := report{Title: fmt.Sprintf("Idle tool, %d samples", i.N), Method: "least squares line; noise is the standard deviation about it", Source: "NIST/SEMATECH e-Handbook of Statistical Methods 4.4.3"}
	r.add("zero at the end", i.Zero, s.unit)
	r.add("noise", i.Noise, s.unit)
	r.add("drift", i.Drift, s.unit+" per "+s.time, fmt.Sprintf("± %s at 95 %%", num(i.Half)))
	r.Verdict = "The zero does not drift for sure."
	if i.Sure {
		r.Verdict = "The zero drifts: set it to zero before use, as its maker says."
	}
	return r.print(c)
}

func newDue() *cobra.Command {
	c := &cobra.Command{
		Use:   "due",
		Short: "When a tool is due: by the calendar or by its cycles, whichever comes first",
		Long: `12 months or 5,000 cycles where the shop has no rule of its own (ISO 6789-1:2017,
from memory). A bound of 0 is none. After a drop or abuse a tool is due at once.`,
		Example: "  witnessmark metrology due --calibrated 2026-03-01 --cycles 4310",
		Args:    cobra.NoArgs,
		RunE:    runDue,
	}
	usual := calibration.UsualPeriod()
	c.Flags().String("calibrated", "", "date of the last calibration")
	c.Flags().Int("cycles", 0, "cycles since then")
	c.Flags().Int("months", usual.Months, "months between calibrations")
	c.Flags().Int("most-cycles", usual.Cycles, "cycles between calibrations")
	c.Flags().String("today", "", "date to judge by; default: today")
	mustRequire(c, "calibrated")
	return c
}

func runDue(c *cobra.Command, _ []string) error {
	last, err := dateFlag(c, "calibrated")
	if err != nil {
		return err
	}
	now, err := today(c)
	if err != nil {
		return err
	}
	var p calibration.Period
	p.Months, _ = c.Flags().GetInt("months")
	p.Cycles, _ = c.Flags().GetInt("most-cycles")
	cycles, _ := c.Flags().GetInt("cycles")
	d, err := p.DueAt(last, cycles, now)
	if err != nil {
		return usageError("%v", err)
	}
	r := report{Title: "Due", Method: fmt.Sprintf("%d months or %d cycles, whichever comes first; cycles run on at the rate so far", p.Months, p.Cycles), Source: "ISO 6789-1:2017, 5.3, from memory, or the shop's own rule"}
	if p.Months > 0 {
		r.say("by the calendar", d.By.Format(time.DateOnly))
	}
	if p.Cycles > 0 {
		r.add("cycles left", float64(d.CyclesLeft), "cycles")
	}
	r.Verdict = "No bound is set."
	switch {
	case d.Over:
		r.Verdict = "Overdue: " + d.Why + ". Do not use it; calibrate it."
	case !d.Expected.IsZero():
		r.Verdict = "Due on " + d.Expected.Format(time.DateOnly) + "."
	case p.Cycles > 0:
		r.Verdict = fmt.Sprintf("Due after %d more cycles.", d.CyclesLeft)
	}
	return r.print(c)
}
