package ledger

import (
	"context"
	"database/sql"
	"fmt"

	"witnessmark/events"
)

// Calibration is a judged calibration.
type Calibration struct {
	Seq uint64 // of the decision
	events.CalibrationJudged
}

const calibrationColumns = `SELECT id, calibration, tool, reference, bench, phase, rule, pairs, k, standing, notes, curve, date, due, cycles, by_person, at_us FROM calibrations `

// calibrations reads judged calibrations with their points.
func (q *Queries) calibrations(ctx context.Context, where string, arg string) ([]Calibration, error) {
	var ids []int64
	out, err := all(ctx, q, "calibrations", calibrationColumns+where+" ORDER BY id", func(r scanner, c *Calibration) error {
		var id int64
		var pairs, notes, curve string
		err := r.Scan(&id, &c.Calibration, &c.Tool, &c.Reference, &c.Bench, &c.Phase, &c.Rule, &pairs, &c.K, &c.Standing, &notes, &curve,
			&c.Date, &c.Due, &c.Cycles, &c.By, &c.AtUs)
		if err != nil {
			return err
		}
		ids = append(ids, id)
		c.Seq, _ = place(id)
		if c.Pairs, err = readJSON[[]events.CalibrationPair](pairs, "pairs"); err != nil {
			return err
		}
		if c.Curve, err = readJSON[*events.IndicatorCurve](curve, "curve"); err != nil {
			return err
		}
		c.Note, err = lines(notes)
		return err
	}, arg)
	if err != nil {
		return nil, err
	}
	for i := range out {
		if out[i].Results, err = q.points(ctx, ids[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// CalibrationsOf returns the judged calibrations of a tool, oldest first.
func (q *Queries) CalibrationsOf(ctx context.Context, tool string) ([]Calibration, error) {
	return q.calibrations(ctx, "WHERE tool = ?", tool)
}

// Calibration returns a judged calibration by its id; ErrUnknown if there is
// none.
func (q *Queries) Calibration(ctx context.Context, id string) (Calibration, error) {
	cs, err := q.calibrations(ctx, "WHERE calibration = ?", id)
	if err != nil || len(cs) > 0 {
		return append(cs, Calibration{})[0], err
	}
	return Calibration{}, fmt.Errorf("read calibration %s: %w", id, ErrUnknown)
}

// Certificate is the certificate of an outside laboratory.
type Certificate struct {
	Seq uint64
	events.CertificateEntered
}

// CertificatesOf returns the certificates of a tool in the order in which they
// were entered.
func (q *Queries) CertificatesOf(ctx context.Context, tool string) ([]Certificate, error) {
	return q.certificates(ctx, "WHERE tool = ?", tool)
}

// CertificateByFile returns the first certificate whose file has a hash;
// ErrUnknown if none has.
func (q *Queries) CertificateByFile(ctx context.Context, hash string) (Certificate, error) {
	cs, err := q.certificates(ctx, "WHERE file_hash = ?", hash)
	if err != nil || len(cs) > 0 {
		return append(cs, Certificate{})[0], err
	}
	return Certificate{}, fmt.Errorf("read certificate with the file %.12s: %w", hash, ErrUnknown)
}

func (q *Queries) certificates(ctx context.Context, where, what string) ([]Certificate, error) {
	var ids []int64
	out, err := all(ctx, q, "certificates", `SELECT id, certificate, tool, laboratory, phase, date, due, k, standing, file, file_hash, file_size, notes, cycles, by_person, at_us
		FROM certificates `+where+` ORDER BY id`, func(r scanner, c *Certificate) error {
		var id int64
		var notes string
		err := r.Scan(&id, &c.Certificate, &c.Tool, &c.Laboratory, &c.Phase, &c.Date, &c.Due, &c.K, &c.Standing, &c.File, &c.FileHash, &c.FileSize,
			&notes, &c.Cycles, &c.By, &c.AtUs)
		if err != nil {
			return err
		}
		ids = append(ids, id)
		c.Seq, _ = place(id)
		c.Note, err = lines(notes)
		return err
	}, what)
	if err != nil {
		return nil, err
	}
	for i := range out {
		if out[i].Results, err = q.points(ctx, ids[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// points returns the results of a calibration or certificate, in order.
func (q *Queries) points(ctx context.Context, id int64) ([]events.CalibrationResult, error) {
	return all(ctx, q, "calibration points", `SELECT dim, point_base, direction, n, unit, deviation, least, most, u, permitted, accept, p, standing, budget
		FROM calibration_points WHERE id = ? ORDER BY place`, func(r scanner, p *events.CalibrationResult) error {
		var d int
		var point sql.NullFloat64
		var budget string
		err := r.Scan(&d, &point, &p.Direction, &p.N, &p.Unit, &p.Deviation, &p.Least, &p.Most, &p.U, &p.Permitted, &p.Accept, &p.P, &p.Standing, &budget)
		if err != nil {
			return err
		}
		p.Point = value(d, point)
		p.Budget, err = readJSON[[]events.BudgetLine](budget, "budget")
		return err
	}, id)
}

// CalibrationStart is the opening of a calibration.
type CalibrationStart struct {
	Seq uint64
	events.CalibrationOpened
}

// CalibrationsBegun returns the calibrations of a tool that were opened,
// oldest first, whatever became of them.
func (q *Queries) CalibrationsBegun(ctx context.Context, tool string) ([]CalibrationStart, error) {
	return all(ctx, q, "calibrations", `SELECT id, calibration, tool, reference, bench, phase, rule, plan, setting, within_us, notes, by_person, at_us
		FROM calibrations_opened WHERE tool = ? ORDER BY id`, func(r scanner, c *CalibrationStart) error {
		var plan, notes string
		err := withSeq(&c.Seq, func(id *int64) error {
			return r.Scan(id, &c.Calibration, &c.Tool, &c.Reference, &c.Bench, &c.Phase, &c.Rule, &plan, &c.Setting, &c.WithinUs, &notes, &c.By, &c.AtUs)
		})
		if err != nil {
			return err
		}
		if c.Plan, err = readJSON[[]events.CalibrationPair](plan, "plan"); err != nil {
			return err
		}
		c.Note, err = lines(notes)
		return err
	}, tool)
}

// CalibrationPairs returns the pairs that were taken into a calibration, in
// that order; a later one of the same row takes the place of an earlier one.
func (q *Queries) CalibrationPairs(ctx context.Context, calibration string) ([]events.CalibrationTaken, error) {
	return all(ctx, q, "calibration pairs", "SELECT calibration, tool, place, pair, by_person, at_us FROM calibration_pairs WHERE calibration = ? ORDER BY id",
		func(r scanner, t *events.CalibrationTaken) error {
			var pair string
			err := r.Scan(&t.Calibration, &t.Tool, &t.Row, &pair, &t.By, &t.AtUs)
			if err == nil {
				t.Pair, err = readJSON[events.CalibrationPair](pair, "pair")
			}
			return err
		}, calibration)
}

// Undone is a pair that was taken back.
type Undone struct {
	Seq  uint64
	AtUs events.Instant
	events.CalibrationUndone
}

// CalibrationUndos returns the rows that were taken back, oldest first.
func (q *Queries) CalibrationUndos(ctx context.Context, calibration string) ([]Undone, error) {
	return all(ctx, q, "calibration undos", "SELECT id, calibration, tool, place, by_person, reason, at_us FROM calibration_undos WHERE calibration = ? ORDER BY id",
		func(r scanner, u *Undone) error {
			return withSeq(&u.Seq, func(id *int64) error {
				return r.Scan(id, &u.Calibration, &u.Tool, &u.Row, &u.By, &u.Reason, &u.AtUs)
			})
		}, calibration)
}

// CalibrationsDropped returns the calibrations of a tool that ended without a
// result, oldest first.
func (q *Queries) CalibrationsDropped(ctx context.Context, tool string) ([]events.CalibrationDropped, error) {
	return all(ctx, q, "dropped calibrations", "SELECT calibration, tool, by_person, reason, at_us FROM calibrations_dropped WHERE tool = ? ORDER BY id",
		func(r scanner, d *events.CalibrationDropped) error {
			return r.Scan(&d.Calibration, &d.Tool, &d.By, &d.Reason, &d.AtUs)
		}, tool)
}
