package ledger

import (
	"context"
	"database/sql"

	"witnessmark/events"
)

// Adoption is a shop description and since when it is in force.
type Adoption struct {
	Seq  uint64 // of the decision that adopted it
	Hash string
	AtUs events.Instant
	events.Shop
}

// ShopAt returns the shop description that was in force at a journal sequence;
// ErrUnknown if there was none yet.
func (q *Queries) ShopAt(ctx context.Context, seq uint64) (Adoption, error) {
	var id int64
	a, err := one(ctx, q, "shop description", "SELECT id, shop, name, torque_unit, length_unit, hash, at_us FROM shops WHERE id < ? ORDER BY id DESC LIMIT 1",
		func(r scanner, a *Adoption) error {
			return r.Scan(&id, &a.ID, &a.Name, &a.Torque, &a.Length, &a.Hash, &a.AtUs)
		}, after(seq))
	if err != nil {
		return a, err
	}
	a.Seq, _ = place(id)
	return a, q.fillShop(ctx, id, &a.Shop)
}

// ShopsUntil returns the shop description that was in force at a journal
// sequence, if any, and those adopted after it up to another, oldest first.
func (q *Queries) ShopsUntil(ctx context.Context, from, to uint64) ([]Adoption, error) {
	seqs, err := all(ctx, q, "shop descriptions", `SELECT id FROM shops WHERE id < ?2 AND
		id >= coalesce((SELECT max(id) FROM shops WHERE id < ?1), 0) ORDER BY id`,
		func(r scanner, seq *uint64) error {
			var id int64
			err := r.Scan(&id)
			*seq, _ = place(id)
			return err
		}, after(from), after(to))
	if err != nil {
		return nil, err
	}
	out := make([]Adoption, len(seqs))
	for i, seq := range seqs {
		if out[i], err = q.ShopAt(ctx, seq); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// after returns the least id of an outcome that comes after a sequence.
func after(seq uint64) int64 {
	if seq >= (1<<63)/outcomesPerDecision-1 {
		return 1<<63 - 1
	}
	return int64((seq + 1) * outcomesPerDecision)
}

// ShopNow returns the shop description in force; ErrUnknown if there is none
// yet.
func (q *Queries) ShopNow(ctx context.Context) (Adoption, error) { return q.ShopAt(ctx, 1<<63) }

// fillShop reads what a shop description holds, each in its order.
func (q *Queries) fillShop(ctx context.Context, id int64, s *events.Shop) (err error) {
	const which = " WHERE adopted = ? ORDER BY place"
	s.Benches, err = all(ctx, q, "benches", "SELECT bench, name FROM benches"+which,
		func(r scanner, b *events.Bench) error { return r.Scan(&b.ID, &b.Name) }, id)
	if err != nil {
		return err
	}
	s.People, err = all(ctx, q, "people", "SELECT person, name, role, badge, code FROM people"+which,
		func(r scanner, p *events.Person) error { return r.Scan(&p.ID, &p.Name, &p.Role, &p.Badge, &p.Code) }, id)
	if err != nil {
		return err
	}
	s.Tools, err = all(ctx, q, "tools", `SELECT tool, name, kind, serial, dim, least_base, most_base, u_rel_ratio, u_abs_base,
		reports_angle, reports_duration, reports_trace, angle_step_deg, threshold_base, counts_sent, counts_cycles, late, calibrated, due,
		class, design, resolution_base, owner, kept_at, interval_months, interval_cycles, reference, certificate, max_deviation_ratio, max_error_base, limit_source FROM tools`+which, scanTool, id)
	if err != nil {
		return err
	}
	s.Devices, err = all(ctx, q, "devices", "SELECT device, tool, bench, profile, port, usb_vendor, usb_product, usb_serial, box FROM shop_devices"+which,
		func(r scanner, d *events.Device) error {
			return r.Scan(&d.ID, &d.Tool, &d.Bench, &d.Profile, &d.Port, &d.USBVendor, &d.USBProduct, &d.USBSerial, &d.Box)
		}, id)
	if err != nil {
		return err
	}
	s.Boxes, err = all(ctx, q, "bench boxes", "SELECT box, key FROM shop_boxes"+which,
		func(r scanner, b *events.Box) error { return r.Scan(&b.ID, &b.Key) }, id)
	if err != nil {
		return err
	}
	return q.fillDrawers(ctx, id, s)
}

func scanTool(r scanner, t *events.Tool) error {
	var dim int
	var least, most, u, step, threshold, resolution, maxError sql.NullFloat64
	x := &t.Reports
	err := r.Scan(&t.ID, &t.Name, &t.Kind, &t.Serial, &dim, &least, &most, &t.URel, &u,
		&x.Angle, &x.Duration, &x.Trace, &step, &threshold, &x.CountsSent, &x.CountsCycles, &x.Late, &t.Calibrated, &t.Due,
		&t.Class, &t.Design, &resolution, &t.Owner, &t.Place, &t.Interval.Months, &t.Interval.Cycles, &t.Reference, &t.Certificate, &t.MaxDeviation, &maxError, &t.LimitSource)
	t.Resolution, t.MaxError = value(dim, resolution), value(dim, maxError)
	x.AngleStep, x.Threshold = angle(step), value(dim, threshold)
	t.Least, t.Most, t.UAbs = value(dim, least), value(dim, most), value(dim, u)
	return err
}

// Procedure is a released procedure revision.
type Procedure struct {
	Seq uint64 // of the decision that released it
	events.ProcedureReleased
}

func scanProcedure(r scanner, p *Procedure) error {
	var id int64
	err := r.Scan(&id, &p.Procedure, &p.Revision, &p.Title, &p.Hash, &p.Text, &p.By, &p.AtUs)
	p.Seq, _ = place(id)
	return err
}

// ReleasedProcedures returns all released revisions, oldest first, without
// their text.
func (q *Queries) ReleasedProcedures(ctx context.Context) ([]Procedure, error) {
	return all(ctx, q, "procedures", "SELECT id, procedure, revision, title, hash, '', by_person, at_us FROM procedures ORDER BY id", scanProcedure)
}

// ProcedureText returns a released revision with its text; ErrUnknown if there
// is none.
func (q *Queries) ProcedureText(ctx context.Context, procedure, revision string) (Procedure, error) {
	return one(ctx, q, "procedure "+procedure+" revision "+revision,
		`SELECT id, procedure, revision, title, hash, text, by_person, at_us FROM procedures
		WHERE procedure = ? AND revision = ? ORDER BY id LIMIT 1`, scanProcedure, procedure, revision)
}
