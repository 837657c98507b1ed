package ledger

import (
	"context"

	"witnessmark/events"
)

// LateReadings returns the readings that came late while a job was at their bench,
// in journal order; job "": all of them.
func (q *Queries) LateReadings(ctx context.Context, job string) ([]events.ReadingCameLate, error) {
	return all(ctx, q, "late readings", `SELECT reading, box, bench, tool, job, taken_us, arrived_us
		FROM readings_late WHERE ? IN ('', job) ORDER BY id`,
		func(r scanner, x *events.ReadingCameLate) error {
			return r.Scan(&x.Reading, &x.Box, &x.Bench, &x.Tool, &x.Job, &x.TakenUs, &x.ArrivedUs)
		}, job)
}

// ClockSteps returns when and by how much the clock of the shop's machine was
// set, newest first, at most max; 0: all.
func (q *Queries) ClockSteps(ctx context.Context, max int) ([]events.ClockStepped, error) {
	return all(ctx, q, "clock steps", `SELECT from_us, to_us, by_us, at_us FROM clock_steps ORDER BY seq DESC LIMIT ?`,
		func(r scanner, x *events.ClockStepped) error { return r.Scan(&x.FromUs, &x.ToUs, &x.ByUs, &x.AtUs) }, limit(max))
}

// BoxClocks returns the newest comparison of each bench box's clock with the
// shop's, by box.
func (q *Queries) BoxClocks(ctx context.Context) ([]events.ClockCompared, error) {
	return all(ctx, q, "clocks of bench boxes", `SELECT box, ahead_us, round_trip_us, limit_us, at_us FROM box_clocks
		WHERE seq IN (SELECT max(seq) FROM box_clocks GROUP BY box) ORDER BY box`,
		func(r scanner, x *events.ClockCompared) error {
			return r.Scan(&x.Box, &x.AheadUs, &x.RoundTripUs, &x.LimitUs, &x.AtUs)
		})
}

// Restored is a ShopRestored and where it stands in the journal.
type Restored struct {
	Seq uint64
	events.ShopRestored
}

// Restores returns where the journal went on from a backup, in journal order.
func (q *Queries) Restores(ctx context.Context) ([]Restored, error) {
	return all(ctx, q, "restores", `SELECT seq, backup, manifest_sha256, last_seq, sealed_to, moved, made_us, restored_us, by_user, at_us FROM restores ORDER BY seq`,
		func(r scanner, x *Restored) error {
			return r.Scan(&x.Seq, &x.Backup, &x.Manifest, &x.Last, &x.Sealed, &x.Moved, &x.MadeUs, &x.RestoredUs, &x.By, &x.AtUs)
		})
}

// ArrivalsRefused returns what came from bench boxes and could not be taken,
// newest first, at most max; 0: all. Why is "missing" for what a box has lost.
func (q *Queries) ArrivalsRefused(ctx context.Context, max int) ([]events.ArrivalRefused, error) {
	return all(ctx, q, "refused arrivals", `SELECT box, source, number, type, why, detail, coalesce(bytes, x''), at_us
		FROM arrivals_refused ORDER BY seq DESC LIMIT ?`,
		func(r scanner, x *events.ArrivalRefused) error {
			return r.Scan(&x.Box, &x.Source, &x.Number, &x.Type, &x.Why, &x.Detail, &x.Bytes, &x.AtUs)
		}, limit(max))
}
