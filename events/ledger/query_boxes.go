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

// ArrivalsRefused returns what came from bench boxes and could not be taken,
// newest first, at most max; 0: all. Why is "missing" for what a box has lost.
func (q *Queries) ArrivalsRefused(ctx context.Context, max int) ([]events.ArrivalRefused, error) {
	return all(ctx, q, "refused arrivals", `SELECT box, source, number, type, why, detail, coalesce(bytes, x''), at_us
		FROM arrivals_refused ORDER BY seq DESC LIMIT ?`,
		func(r scanner, x *events.ArrivalRefused) error {
			return r.Scan(&x.Box, &x.Source, &x.Number, &x.Type, &x.Why, &x.Detail, &x.Bytes, &x.AtUs)
		}, limit(max))
}
