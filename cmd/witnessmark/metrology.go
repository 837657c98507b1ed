package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

func newMetrology() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "metrology",
		Short: "Calibrations, gauge studies, control charts, drift, intervals and recalls from files of readings",
		Long: `What a tool or a gauge is worth, worked out from a file of readings (CSV). Each
answer names its formula, its source and its units; --json gives it to programs.

The first line of a file names the columns. A unit follows a name after an
underscore or in brackets: value_mm, "tool [N·m]". Lines with # are remarks.
Each command's help lists its columns and shows a file. "-" reads the standard
input.

  calibrate   a torque tool against a reference, by ISO 6789
  indicator   the error curve of a dial indicator
  decide      one measured value against its limits, by each decision rule
  type1       one part read many times: is the gauge fine enough?
  grr         parts × appraisers × trials: how much of the scatter is the gauge?
  nested      repeats within days within runs
  capability  how readings lie in their limits
  chart       control charts of a check standard or tool
  check       a shift's quick check against the tool's own history
  idle        zero, noise and drift of a streaming tool at rest
  drift       when a tool will leave its tolerance
  peers       a tool's factor against its peers, from production pulls
  interval    how long until the next calibration
  due         when a tool is due, by calendar or cycles
  recall      which readings are in doubt after a tool was found bad

` + caution,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newCalibrate(), newIndicator(), newDecide(), newType1(), newGRR(), newNested(), newCapability(),
		newChart(), newQuickCheck(), newIdle(), newDue(), newDriftTrend(), newPeersRates(), newInterval(), newRecallFile())
	for _, c := range cmd.Commands() {
		c.Flags().Bool("json", false, "print the answer as JSON")
	}
	return cmd
}

// addRuleFlags adds the choice of a decision rule.
func addRuleFlags(c *cobra.Command) {
	c.Flags().String("rule", "simple", "decision rule: simple, guard, or probability")
	c.Flags().Float64("guard", 1, "guard band as a multiple of U (k = 2), for --rule guard")
	c.Flags().Float64("least", 0.95, "least probability of conformity, for --rule probability")
}

func ruleFrom(c *cobra.Command) (calibration.Rule, error) {
	kind, _ := c.Flags().GetString("rule")
	r := calibration.Rule{Kind: calibration.RuleKind(kind)}
	switch r.Kind {
	case calibration.Guarded:
		r.Guard, _ = c.Flags().GetFloat64("guard")
	case calibration.Confident:
		r.Least, _ = c.Flags().GetFloat64("least")
	}
	if err := r.Check(); err != nil {
		return r, usageError("%v", err)
	}
	return r, nil
}

// addLimitFlags adds the limits of a value, in the unit of the readings.
func addLimitFlags(c *cobra.Command) {
	c.Flags().Float64("lower", 0, "lower limit, in the unit of the readings")
	c.Flags().Float64("upper", 0, "upper limit, in the unit of the readings")
}

// limitsFrom reads the limits; one that was not given is not there.
func limitsFrom(c *cobra.Command) (calibration.Limits, error) {
	l := calibration.Limits{Lower: math.Inf(-1), Upper: math.Inf(1)}
	if c.Flags().Changed("lower") {
		l.Lower, _ = c.Flags().GetFloat64("lower")
	}
	if c.Flags().Changed("upper") {
		l.Upper, _ = c.Flags().GetFloat64("upper")
	}
	if math.IsInf(l.Lower, -1) && math.IsInf(l.Upper, 1) {
		return l, usageError("no limits: give --lower, --upper or both")
	}
	if !(l.Lower < l.Upper) {
		return l, usageError("limits %v to %v: the lower must be below the upper", l.Lower, l.Upper)
	}
	return l, nil
}

// dateFlag reads a date; the zero time if the flag was not given.
func dateFlag(c *cobra.Command, name string) (time.Time, error) {
	s, _ := c.Flags().GetString(name)
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return t, usageError("--%s %q: write the date as 2026-11-25", name, s)
	}
	return t, nil
}

// today is the flag --today, or the day it is.
func today(c *cobra.Command) (time.Time, error) {
	t, err := dateFlag(c, "today")
	if err == nil && t.IsZero() {
		t = time.Now().UTC().Truncate(24 * time.Hour)
	}
	return t, err
}

// torqueFlag reads a torque with its unit; zero if the flag was not given.
func torqueFlag(c *cobra.Command, name string) (quantity.Torque, error) {
	s, _ := c.Flags().GetString(name)
	if s == "" {
		return quantity.Torque{}, nil
	}
	t, _, err := quantity.ParseTorque(s)
	if err != nil {
		return t, usageError("--%s: %v", name, err)
	}
	return t, nil
}

const noUnit = "unit not given"

// unitOr says what a figure's unit is, and if none was named says that.
func unitOr(u string) string {
	if u == "" {
		return noUnit
	}
	return u
}

func percent(share float64) string { return fmt.Sprintf("%s %%", num(100*share)) }

// side is "above" or "below".
func side(high bool) string {
	if high {
		return "above"
	}
	return "below"
}

func joined(xs []string) string { return strings.Join(xs, ", ") }
