package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/rules"
)

func newShopCheck() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE",
		Short: "Say whether a shop file is right",
		Long: `Says what is wrong with a shop file: what the service would refuse at its start, and
dates of tools that cannot be true today, with which it would refuse each of their
readings. A tool that is overdue is named too; that is no fault of the file.`,
		Example: "  witnessmark shop check shop.yaml",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			s, err := readShop(args[0])
			if err != nil {
				return err
			}
			now := time.Now()
			var errs []error
			for _, wrong := range append(rules.CheckShop(s), wrongDates(s.Tools, now)...) {
				errs = append(errs, fmt.Errorf("%s: %s", args[0], wrong))
			}
			if len(errs) > 0 {
				return errors.Join(errs...)
			}
			for _, t := range s.Tools {
				if t.Due < begun(now) {
					fmt.Fprintf(c.OutOrStdout(), "%s: tool %q is overdue: its last day of use was %s\n", args[0], t.ID, t.Due)
				}
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: good: %s, %d benches, %d people, %d tools, %d devices\n",
				args[0], s.Name, len(s.Benches), len(s.People), len(s.Tools), len(s.Devices))
			return err
		},
	}
}

// firstYear is before any calibration that can still count. Our choice.
const firstYear = 1970

// wrongDates says which dates of tools cannot be true. They depend on the
// clock, so a start does not fail on them: with a clock that is wrong no
// reading would be taken.
func wrongDates(tools []events.Tool, now time.Time) (wrong []string) {
	bad := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	for _, t := range tools {
		from, err1 := time.Parse(time.DateOnly, t.Calibrated)
		due, err2 := time.Parse(time.DateOnly, t.Due)
		if err1 != nil || err2 != nil {
			continue // named where the file is read
		}
		switch {
		case t.Calibrated > begun(now):
			bad("tool %q: calibrated %s lies in the future: today is %s. Correct the date, or the machine's clock", t.ID, t.Calibrated, begun(now))
		case from.Year() < firstYear:
			bad("tool %q: calibrated %s is before %d: correct the date", t.ID, t.Calibrated, firstYear)
		case t.Due != rules.NeverDue && due.After(from.AddDate(0, rules.MostMonths, 0)):
			bad("tool %q: due %s is more than %d months after calibrated %s: correct the date; for a tool that no date bounds write %s", t.ID, t.Due, rules.MostMonths, t.Calibrated, rules.NeverDue)
		}
	}
	return wrong
}

// begun is the day that has begun here or in UTC, whichever is later: days in
// the register are UTC's, people write their own.
func begun(now time.Time) string {
	return max(now.Format(time.DateOnly), now.UTC().Format(time.DateOnly))
}
