package ledger

import (
	"context"
	"database/sql"

	"witnessmark/events"
)

// LooseEnd is something that was opened and has to be closed.
type LooseEnd struct {
	Seq uint64 // of the decision
	events.LooseEndOpened
}

// LooseEnds returns the loose ends that a job opened, oldest first. One that
// was opened twice is there twice.
func (q *Queries) LooseEnds(ctx context.Context, job string) ([]LooseEnd, error) {
	return all(ctx, q, "loose ends of job "+job,
		"SELECT id, job, loose_end, step, what, closes, who, adhoc, seq, by_person, at_us FROM loose_ends WHERE job = ? ORDER BY id",
		func(r scanner, x *LooseEnd) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.LooseEnd, &x.Step, &x.What, &x.Closes, &x.Who, &x.Adhoc, &x.LooseEndOpened.Seq, &x.By, &x.AtUs)
			x.Seq, _ = place(id)
			return err
		}, job)
}

// LooseEndFate says that a loose end was closed, or that its evidence holds no
// longer.
type LooseEndFate struct {
	Seq      uint64 // of the decision
	Job      string
	LooseEnd string
	Kind     string // closed, reopened
	How      string // what closed it, or why it is open again
	Answer   string
	Readings []uint64
	By       string
	AtUs     events.Instant
}

// LooseEndFates returns what became of the loose ends of a job, oldest first.
func (q *Queries) LooseEndFates(ctx context.Context, job string) ([]LooseEndFate, error) {
	return all(ctx, q, "fates of the loose ends of job "+job,
		"SELECT id, job, loose_end, kind, how, answer, readings, by_person, at_us FROM loose_end_fates WHERE job = ? ORDER BY id",
		func(r scanner, x *LooseEndFate) error {
			var id int64
			var ns string
			err := r.Scan(&id, &x.Job, &x.LooseEnd, &x.Kind, &x.How, &x.Answer, &ns, &x.By, &x.AtUs)
			if err != nil {
				return err
			}
			x.Seq, _ = place(id)
			x.Readings, err = sequences(ns)
			return err
		}, job)
}

// Item is an answer to one thing that a step asked for.
type Item struct {
	Seq uint64 // of the decision
	events.ItemAnswered
}

// ItemsOf returns the answers to what the steps of a job asked for, oldest
// first. A later one for the same item takes the place of an earlier one.
func (q *Queries) ItemsOf(ctx context.Context, job string) ([]Item, error) {
	return all(ctx, q, "answers in job "+job,
		`SELECT id, job, step, item, kind, what, answer, other, wanted, good, text, remark, photo, readings, dim, travel_base,
		from_us, until_us, warn_us, by_person, at_us FROM items WHERE job = ? ORDER BY id`,
		func(r scanner, x *Item) error {
			var id int64
			var ns string
			var dimension int
			var travel sql.NullFloat64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Item, &x.Kind, &x.What, &x.Answer, &x.Other, &x.Wanted, &x.Good, &x.Text, &x.Remark, &x.Photo,
				&ns, &dimension, &travel, &x.FromUs, &x.UntilUs, &x.WarnUs, &x.By, &x.AtUs)
			if err != nil {
				return err
			}
			x.Seq, _ = place(id)
			x.Travel = value(dimension, travel)
			x.Readings, err = sequences(ns)
			return err
		}, job)
}

// ItemDecision is a lead's decision on an item.
type ItemDecision struct {
	Seq uint64 // of the decision
	events.ItemDecided
}

// ItemDecisions returns the decisions on the items of a job, oldest first.
func (q *Queries) ItemDecisions(ctx context.Context, job string) ([]ItemDecision, error) {
	return all(ctx, q, "decisions on items of job "+job,
		"SELECT id, job, step, item, choice, was, by_person, reason, at_us FROM item_decisions WHERE job = ? ORDER BY id",
		func(r scanner, x *ItemDecision) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Item, &x.Choice, &x.Was, &x.By, &x.Reason, &x.AtUs)
			x.Seq, _ = place(id)
			return err
		}, job)
}

// SealantEnd says that the joint on a sealant was closed.
type SealantEnd struct {
	Seq uint64 // of the decision
	events.SealantClosed
}

// SealantsClosed returns which joints of a job were closed on their sealant,
// oldest first.
func (q *Queries) SealantsClosed(ctx context.Context, job string) ([]SealantEnd, error) {
	return all(ctx, q, "joints on sealant of job "+job,
		"SELECT id, job, step, item, in_time, at_us FROM sealants_closed WHERE job = ? ORDER BY id",
		func(r scanner, x *SealantEnd) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Item, &x.InTime, &x.AtUs)
			x.Seq, _ = place(id)
			return err
		}, job)
}

// HoldEvent is something that happened at a hold point.
type HoldEvent struct {
	Seq  uint64 // of the decision
	Job  string
	Step string
	Kind string // opened, released, withdrawn
	Hold string // who may release it, of an opened one
	Note string // the answer, the note of the release, or why it was withdrawn
	By   string
	AtUs events.Instant
}

// Holds returns what happened at the hold points of a job, oldest first.
func (q *Queries) Holds(ctx context.Context, job string) ([]HoldEvent, error) {
	return all(ctx, q, "hold points of job "+job,
		"SELECT id, job, step, kind, hold, note, by_person, at_us FROM holds WHERE job = ? ORDER BY id",
		func(r scanner, x *HoldEvent) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Kind, &x.Hold, &x.Note, &x.By, &x.AtUs)
			x.Seq, _ = place(id)
			return err
		}, job)
}

// BenchTaking says who works at a bench from a moment on.
type BenchTaking struct {
	Seq uint64 // of the decision
	events.BenchTaken
}

// BenchTakings returns who took the bench of a job while it was there, oldest
// first.
func (q *Queries) BenchTakings(ctx context.Context, job string) ([]BenchTaking, error) {
	return all(ctx, q, "people at the bench of job "+job,
		"SELECT id, bench, person, was, job, how, at_us FROM bench_takings WHERE job = ? ORDER BY id",
		func(r scanner, x *BenchTaking) error {
			var id int64
			err := r.Scan(&id, &x.Bench, &x.Person, &x.Was, &x.Job, &x.How, &x.AtUs)
			x.Seq, _ = place(id)
			return err
		}, job)
}
