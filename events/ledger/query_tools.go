package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"witnessmark/events"
)

// Moved is a change of a tool's state or place.
type Moved struct {
	Seq uint64 // of the decision
	events.ToolMoved
}

// MovesOf returns what became of a tool, oldest first; of all with tool "".
func (q *Queries) MovesOf(ctx context.Context, tool string) ([]Moved, error) {
	return all(ctx, q, "moves of tools", "SELECT id, tool, state, place, by_person, reason, at_us FROM tool_moves WHERE ?1 = '' OR tool = ?1 ORDER BY id",
		func(r scanner, m *Moved) error {
			return withSeq(&m.Seq, func(id *int64) error { return r.Scan(id, &m.Tool, &m.State, &m.Place, &m.By, &m.Reason, &m.AtUs) })
		}, tool)
}

// Adjusted is an adjustment or repair of a tool.
type Adjusted struct {
	Seq uint64
	events.ToolAdjusted
}

// AdjustmentsOf returns the adjustments of a tool, oldest first.
func (q *Queries) AdjustmentsOf(ctx context.Context, tool string) ([]Adjusted, error) {
	return all(ctx, q, "adjustments", "SELECT id, tool, what, by_person, cycles, at_us FROM tool_adjustments WHERE tool = ? ORDER BY id",
		func(r scanner, a *Adjusted) error {
			return withSeq(&a.Seq, func(id *int64) error { return r.Scan(id, &a.Tool, &a.What, &a.By, &a.Cycles, &a.AtUs) })
		}, tool)
}

// Overloaded is a cycle beyond a tool's range.
type Overloaded struct {
	Seq uint64
	events.CycleOverloaded
}

// OverloadsOf returns the overload cycles of a tool, oldest first.
func (q *Queries) OverloadsOf(ctx context.Context, tool string) ([]Overloaded, error) {
	return all(ctx, q, "overload cycles", "SELECT id, reading, tool, dim, value_base, status, at_us FROM tool_overloads WHERE tool = ? ORDER BY id",
		func(r scanner, o *Overloaded) error {
			var d int
			var v sql.NullFloat64
			err := withSeq(&o.Seq, func(id *int64) error { return r.Scan(id, &o.Reading, &o.Tool, &d, &v, &o.Status, &o.AtUs) })
			o.Value = value(d, v)
			return err
		}, tool)
}

// Override is a lead's decision to let a refused tool be used for a job.
type Override struct {
	Seq uint64
	events.OverrideGiven
}

const overrideColumns = "SELECT id, tool, job, was, by_person, reason, at_us FROM tool_overrides "

func scanOverride(r scanner, o *Override) error {
	return withSeq(&o.Seq, func(id *int64) error { return r.Scan(id, &o.Tool, &o.Job, &o.Was, &o.By, &o.Reason, &o.AtUs) })
}

// Overrides returns the overrides of a job, oldest first.
func (q *Queries) Overrides(ctx context.Context, job string) ([]Override, error) {
	return all(ctx, q, "overrides", overrideColumns+"WHERE job = ? ORDER BY id", scanOverride, job)
}

// OverridesOf returns the overrides of a tool, oldest first.
func (q *Queries) OverridesOf(ctx context.Context, tool string) ([]Override, error) {
	return all(ctx, q, "overrides", overrideColumns+"WHERE tool = ? ORDER BY id", scanOverride, tool)
}

// Assigned says which tool took a reading of one that nobody had registered.
type Assigned struct {
	Seq uint64
	events.ReadingAssigned
}

// AssignedTo returns the readings that were assigned to a tool, oldest first.
func (q *Queries) AssignedTo(ctx context.Context, tool string) ([]Assigned, error) {
	return all(ctx, q, "assigned readings", "SELECT id, reading, tool, by_person, reason, at_us FROM readings_assigned WHERE tool = ? ORDER BY id",
		func(r scanner, a *Assigned) error {
			return withSeq(&a.Seq, func(id *int64) error { return r.Scan(id, &a.Reading, &a.Tool, &a.By, &a.Reason, &a.AtUs) })
		}, tool)
}

// PassedOver is a reading that was not taken into an open calibration or check.
type PassedOver struct {
	Seq uint64
	events.ReadingPassedOver
}

// PassedOverOf returns such readings by the tool that was calibrated or
// checked, oldest first.
func (q *Queries) PassedOverOf(ctx context.Context, tool string) ([]PassedOver, error) {
	return all(ctx, q, "readings passed over", "SELECT id, reading, calibration, checked, tool, taker, dim, value_base, text, unit, why, at_us FROM readings_passed_over WHERE tool = ? ORDER BY id",
		func(r scanner, p *PassedOver) error {
			var d int
			var v sql.NullFloat64
			err := withSeq(&p.Seq, func(id *int64) error {
				return r.Scan(id, &p.Reading, &p.Calibration, &p.Check, &p.Tool, &p.Taker, &d, &v, &p.Text, &p.Unit, &p.Why, &p.AtUs)
			})
			p.Value = value(d, v)
			return err
		}, tool)
}

// withSeq scans with the id of an outcome and gives the sequence of its decision.
func withSeq(seq *uint64, scan func(id *int64) error) error {
	var id int64
	err := scan(&id)
	*seq, _ = place(id)
	return err
}

// readJSON reads what jsonOf wrote; an empty list gives nil.
func readJSON[T any](text, what string) (v T, err error) {
	if text == "" || text == "[]" {
		return v, nil
	}
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		return v, fmt.Errorf("%w: %s %q: %v", ErrBroken, what, text, err)
	}
	return v, nil
}
