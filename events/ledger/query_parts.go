package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Part is what was recorded for a line of a kit, and whether it still counts.
type Part struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PartRecorded
	UndoneSeq    uint64 // of the decision by which it counts no longer; 0: it counts
	UndoneIndex  int
	UndoneBy     string
	UndoneReason string
	UndoneAtUs   events.Instant
}

const partColumns = `SELECT id, job, step, part, number, name, count, trace, serial, condition, scanned, attributes, by_person, at_us,
	undone_id, undone_by, undone_reason, undone_at_us FROM parts `

func scanPart(r scanner, p *Part) error {
	var id, undone int64
	var attributes string
	err := r.Scan(&id, &p.Job, &p.Step, &p.Part, &p.Number, &p.Name, &p.Count, &p.Trace, &p.Serial, &p.Condition, &p.Scanned, &attributes, &p.By, &p.AtUs,
		&undone, &p.UndoneBy, &p.UndoneReason, &p.UndoneAtUs)
	if err != nil {
		return err
	}
	p.Seq, p.Index = place(id)
	p.UndoneSeq, p.UndoneIndex = place(undone)
	p.Attributes, err = fromList[events.Attribute](attributes)
	return err
}

// fromList reads a JSON array; nil for an empty one.
func fromList[T any](text string) ([]T, error) {
	var out []T
	if err := json.Unmarshal([]byte(text), &out); err != nil {
		return nil, fmt.Errorf("%w: list %q: %v", ErrBroken, text, err)
	}
	if len(out) == 0 {
		return nil, nil
	}
	return out, nil
}

// PartsOf returns what was recorded of the parts of a job, in journal order,
// also what counts no longer.
func (q *Queries) PartsOf(ctx context.Context, job string) ([]Part, error) {
	return all(ctx, q, "parts of job "+job, partColumns+"WHERE job = ? ORDER BY id", scanPart, job)
}

// PartsWith returns where parts of a lot, or the part with a serial, went, in
// journal order; number narrows it to one part number, "" does not.
func (q *Queries) PartsWith(ctx context.Context, trace, number string) ([]Part, error) {
	return all(ctx, q, "parts with lot or serial "+trace, partColumns+"WHERE trace = ?1 AND trace <> '' AND (?2 = '' OR number = ?2) ORDER BY id", scanPart, trace, number)
}

// PartUse is how many parts of a number went into units.
type PartUse struct {
	Number, Name string // Name as it was last recorded
	New, Reused  int
	Jobs         int
}

// PartsUsed returns the consumption in a span of time, by part number. What
// was undone is left out.
func (q *Queries) PartsUsed(ctx context.Context, s Span) ([]PartUse, error) {
	from, to := s.args()
	return all(ctx, q, "consumption of parts", `SELECT number, (SELECT name FROM parts AS n WHERE n.number = p.number ORDER BY id DESC LIMIT 1),
		sum(iif(condition = 're-used', 0, count)), sum(iif(condition = 're-used', count, 0)), count(DISTINCT job)
		FROM parts AS p WHERE undone_id = 0 AND at_us >= ? AND at_us < ? GROUP BY number ORDER BY number`,
		func(r scanner, u *PartUse) error { return r.Scan(&u.Number, &u.Name, &u.New, &u.Reused, &u.Jobs) }, from, to)
}

// Pressing is what a pressing told of the seat.
type Pressing struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PressJudged
}

// PressingsOf returns what the pressings of a job told of their seats, in
// journal order.
func (q *Queries) PressingsOf(ctx context.Context, job string) ([]Pressing, error) {
	return all(ctx, q, "pressings of job "+job, `SELECT id, reading, job, step, place, seat, force_n, jump_n, travel_mm, after_us, samples, text, by_person, at_us
		FROM presses WHERE job = ? ORDER BY id`, func(r scanner, p *Pressing) error {
		var id int64
		var force, jump, travel sql.NullFloat64
		err := r.Scan(&id, &p.Reading, &p.Job, &p.Step, &p.Place, &p.Seat, &force, &jump, &travel, &p.AfterUs, &p.Samples, &p.Text, &p.By, &p.AtUs)
		p.Seq, p.Index = place(id)
		p.Force, p.Jump, p.Travel = value(int(quantity.DimForce), force), value(int(quantity.DimForce), jump), value(int(quantity.DimLength), travel)
		return err
	}, job)
}

// Clearance is a pair that was found right before it was pressed.
type Clearance struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PressCleared
}

// ClearancesOf returns the pairs of a job that were found right before they
// were pressed, in journal order.
func (q *Queries) ClearancesOf(ctx context.Context, job string) ([]Clearance, error) {
	return all(ctx, q, "checked pairs of job "+job, `SELECT id, job, step, place, parts, by_person, at_us FROM presses_cleared WHERE job = ? ORDER BY id`,
		func(r scanner, c *Clearance) error {
			var id int64
			var parts string
			if err := r.Scan(&id, &c.Job, &c.Step, &c.Place, &parts, &c.By, &c.AtUs); err != nil {
				return err
			}
			c.Seq, c.Index = place(id)
			var err error
			c.Parts, err = fromList[events.PartInHand](parts)
			return err
		}, job)
}

// Recheck is what a re-check after a pressing showed.
type Recheck struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PressRecheckNoted
}

// RechecksOf returns what the re-checks after the pressings of a job showed,
// in journal order.
func (q *Queries) RechecksOf(ctx context.Context, job string) ([]Recheck, error) {
	return all(ctx, q, "re-checks of job "+job, `SELECT id, job, step, place, good, answer, by_person, at_us FROM press_rechecks WHERE job = ? ORDER BY id`,
		func(r scanner, c *Recheck) error {
			var id int64
			err := r.Scan(&id, &c.Job, &c.Step, &c.Place, &c.Good, &c.Answer, &c.By, &c.AtUs)
			c.Seq, c.Index = place(id)
			return err
		}, job)
}

// Photo is a photo of a job. Its file is in the object store, under its hash.
type Photo struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PhotoKept
}

const photoColumns = `SELECT id, photo, job, step, hash, size, type, width_px, height_px, note, by_person, at_us FROM photos `

func scanPhoto(r scanner, p *Photo) error {
	var id int64
	err := r.Scan(&id, &p.Photo, &p.Job, &p.Step, &p.Hash, &p.Size, &p.Type, &p.Width, &p.Height, &p.Note, &p.By, &p.AtUs)
	p.Seq, p.Index = place(id)
	return err
}

// PhotosOf returns the photos of a job in journal order.
func (q *Queries) PhotosOf(ctx context.Context, job string) ([]Photo, error) {
	return all(ctx, q, "photos of job "+job, photoColumns+"WHERE job = ? ORDER BY id", scanPhoto, job)
}

// PhotoByHash returns the first photo with a hash; ErrUnknown if no job has
// one.
func (q *Queries) PhotoByHash(ctx context.Context, hash string) (Photo, error) {
	return one(ctx, q, "photo", photoColumns+"WHERE hash = ? ORDER BY id LIMIT 1", scanPhoto, hash)
}
