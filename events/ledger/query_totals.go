package ledger

import "context"

// ReadPosition reads the position from the file, where another process may
// have moved it.
func (q *Queries) ReadPosition(ctx context.Context) (uint64, error) {
	m, err := readMark(ctx, q.db)
	if err != nil {
		return 0, explain("read position of ledger", q.path, err)
	}
	return m.seq, nil
}

// Hole is a range of journal sequences that were missing when the ledger came
// to them, both ends included.
type Hole struct{ First, Last uint64 }

// Holes returns the holes, in order; none in a sound journal.
func (q *Queries) Holes(ctx context.Context) ([]Hole, error) {
	return all(ctx, q, "holes", "SELECT first, last FROM holes ORDER BY first",
		func(r scanner, h *Hole) error { return r.Scan(&h.First, &h.Last) })
}

// Totals counts over the whole journal.
type Totals struct {
	Events          map[string]uint64 // by written type without prefix and version
	Outcomes        map[string]uint64 // by written type without version
	Verdicts        map[string]uint64 // of judgements
	Grades          map[string]uint64 // of judgements
	Alerts          map[string]uint64 // raised, by kind
	SetAside        map[string]uint64 // pulls, by what they probably were
	Residuals       map[string]uint64 // audits, "agrees" or "differs"
	FramesRefused   map[string]uint64 // by reason
	RequestsRefused map[string]uint64 // by code
	OpenJobs        uint64
	OpenAlerts      uint64
	OpenUnplaced    uint64
	OpenQuestions   uint64
	Holes           uint64 // journal sequences that were missing
}

// Totals returns the counts. They are kept as the ledger is written, so this
// costs the same in a small ledger and a large one.
func (q *Queries) Totals(ctx context.Context) (Totals, error) {
	t := Totals{Events: map[string]uint64{}, Outcomes: map[string]uint64{}, Verdicts: map[string]uint64{}, Grades: map[string]uint64{},
		Alerts: map[string]uint64{}, SetAside: map[string]uint64{}, Residuals: map[string]uint64{}, FramesRefused: map[string]uint64{}, RequestsRefused: map[string]uint64{}}
	kinds := map[string]map[string]uint64{"event": t.Events, "outcome": t.Outcomes, "verdict": t.Verdicts, "grade": t.Grades,
		"alert": t.Alerts, "set_aside": t.SetAside, "residual": t.Residuals, "refused_frame": t.FramesRefused, "refused_request": t.RequestsRefused}
	_, err := all(ctx, q, "totals", "SELECT what, label, n FROM totals", func(r scanner, _ *struct{}) error {
		var what, label string
		var n uint64
		if err := r.Scan(&what, &label, &n); err != nil {
			return err
		}
		if m := kinds[what]; m != nil {
			m[label] = n
		}
		return nil
	})
	if err != nil {
		return t, err
	}
	_, err = one(ctx, q, "totals", `SELECT (SELECT count(*) FROM jobs WHERE status IN ('active', 'paused')),
		(SELECT count(*) FROM alerts WHERE settled_id = 0), (SELECT count(*) FROM unplaced WHERE fate = ''),
		(SELECT count(*) FROM questions WHERE settled_id = 0),
		(SELECT coalesce(sum(last - first + 1), 0) FROM holes)`, func(r scanner, _ *struct{}) error {
		return r.Scan(&t.OpenJobs, &t.OpenAlerts, &t.OpenUnplaced, &t.OpenQuestions, &t.Holes)
	})
	return t, err
}
