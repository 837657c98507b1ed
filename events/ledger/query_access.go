package ledger

import (
	"context"

	"witnessmark/events"
)

// AccessRefusal is a refusal of access with its place in the journal.
type AccessRefusal struct {
	Seq uint64
	events.AccessRefused
}

// AccessRefusals returns the newest refusals of access, newest first, at most max;
// 0: all.
func (q *Queries) AccessRefusals(ctx context.Context, max int) ([]AccessRefusal, error) {
	return all(ctx, q, "refusals", `SELECT seq, why, what, person, role, device, origin, times, since_us, at_us
		FROM access_refusals ORDER BY seq DESC LIMIT ?`,
		func(r scanner, x *AccessRefusal) error {
			return r.Scan(&x.Seq, &x.Why, &x.What, &x.Person, &x.Role, &x.Device, &x.From, &x.Times, &x.SinceUs, &x.AtUs)
		}, limit(max))
}

// AccessChange is a change of access with its place in the journal.
type AccessChange struct {
	Seq uint64
	events.AccessChanged
}

// AccessChanges returns the newest changes of who can get in, newest first, at
// most max; 0: all.
func (q *Queries) AccessChanges(ctx context.Context, max int) ([]AccessChange, error) {
	return all(ctx, q, "changes of access", `SELECT seq, what, person, device, bench, by, origin, at_us
		FROM access_changes ORDER BY seq DESC LIMIT ?`,
		func(r scanner, x *AccessChange) error {
			return r.Scan(&x.Seq, &x.What, &x.Person, &x.Device, &x.Bench, &x.By, &x.From, &x.AtUs)
		}, limit(max))
}
