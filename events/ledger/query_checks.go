package ledger

import (
	"context"
	"database/sql"

	"witnessmark/events"
)

// Checked is a judged quick check.
type Checked struct {
	Seq uint64 // of the decision
	events.CheckJudged
}

// ChecksOf returns the judged quick checks of a tool, oldest first.
func (q *Queries) ChecksOf(ctx context.Context, tool string) ([]Checked, error) {
	return all(ctx, q, "checks", `SELECT id, checked, tool, reference, bench, dim, point_base, deviations, deviation, u, permitted, expected, room, history,
		standing, unusual, why, notes, cycles, by_person, at_us FROM checks WHERE tool = ? ORDER BY id`, func(r scanner, c *Checked) error {
		var d int
		var point sql.NullFloat64
		var deviations, notes string
		err := withSeq(&c.Seq, func(id *int64) error {
			return r.Scan(id, &c.Check, &c.Tool, &c.Reference, &c.Bench, &d, &point, &deviations, &c.Deviation, &c.U, &c.Permitted, &c.Expected, &c.Room, &c.History,
				&c.Standing, &c.Unusual, &c.Why, &notes, &c.Cycles, &c.By, &c.AtUs)
		})
		if err != nil {
			return err
		}
		c.Point = value(d, point)
		if c.Deviations, err = readJSON[[]float64](deviations, "deviations"); err != nil {
			return err
		}
		c.Note, err = lines(notes)
		return err
	}, tool)
}

// CheckStart is the opening of a quick check.
type CheckStart struct {
	Seq uint64
	events.CheckOpened
}

// ChecksBegun returns the quick checks of a tool that were opened, oldest
// first, whatever became of them.
func (q *Queries) ChecksBegun(ctx context.Context, tool string) ([]CheckStart, error) {
	return all(ctx, q, "checks", `SELECT id, checked, tool, reference, bench, dim, point_base, pulls, setting, within_us, notes, by_person, at_us
		FROM checks_opened WHERE tool = ? ORDER BY id`, func(r scanner, c *CheckStart) error {
		var d int
		var point sql.NullFloat64
		var notes string
		err := withSeq(&c.Seq, func(id *int64) error {
			return r.Scan(id, &c.Check, &c.Tool, &c.Reference, &c.Bench, &d, &point, &c.Pulls, &c.Setting, &c.WithinUs, &notes, &c.By, &c.AtUs)
		})
		if err != nil {
			return err
		}
		c.Point = value(d, point)
		c.Note, err = lines(notes)
		return err
	}, tool)
}

// CheckPairs returns the pairs that were taken into a quick check, in that
// order; a later one of the same row takes the place of an earlier one.
func (q *Queries) CheckPairs(ctx context.Context, check string) ([]events.CheckTaken, error) {
	return all(ctx, q, "check pairs", "SELECT checked, tool, place, pair, at_us FROM check_pairs WHERE checked = ? ORDER BY id",
		func(r scanner, t *events.CheckTaken) error {
			var pair string
			err := r.Scan(&t.Check, &t.Tool, &t.Row, &pair, &t.AtUs)
			if err == nil {
				t.Pair, err = readJSON[events.CalibrationPair](pair, "pair")
			}
			return err
		}, check)
}

// DroppedCheck is a quick check that ended without a result.
type DroppedCheck struct {
	AtUs events.Instant
	events.CheckDropped
}

// ChecksDropped returns those of a tool, oldest first.
func (q *Queries) ChecksDropped(ctx context.Context, tool string) ([]DroppedCheck, error) {
	return all(ctx, q, "dropped checks", "SELECT checked, tool, by_person, reason, at_us FROM checks_dropped WHERE tool = ? ORDER BY id",
		func(r scanner, d *DroppedCheck) error { return r.Scan(&d.Check, &d.Tool, &d.By, &d.Reason, &d.AtUs) }, tool)
}
