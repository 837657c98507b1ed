package ledger

import (
	"context"

	"witnessmark/events"
)

// Seal is a signed checkpoint with its place in the journal.
type Seal struct {
	Seq uint64
	events.SealMade
}

// Seals returns the newest seals, newest first, at most limit; 0: all.
func (q *Queries) Seals(ctx context.Context, limit int) ([]Seal, error) {
	if limit <= 0 {
		limit = -1
	}
	return all(ctx, q, "seals", "SELECT seq, size, root, note, key, why, job, at_us FROM seals ORDER BY seq DESC LIMIT ?",
		func(r scanner, s *Seal) error {
			return r.Scan(&s.Seq, &s.Size, &s.Root, &s.Note, &s.Key, &s.Why, &s.Job, &s.AtUs)
		}, limit)
}

// OpenedAt returns the journal sequence of the decision that opened a job;
// ErrUnknown if there is no such job.
func (q *Queries) OpenedAt(ctx context.Context, job string) (uint64, error) {
	ids, err := all(ctx, q, "job", "SELECT id FROM jobs WHERE job = ?", func(r scanner, id *int64) error { return r.Scan(id) }, job)
	if err != nil {
		return 0, err
	}
	if len(ids) == 0 {
		return 0, ErrUnknown
	}
	return uint64(ids[0]) >> 16, nil
}
