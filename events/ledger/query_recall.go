package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"witnessmark/events"
)

// Recall is a recall, and how far it has come.
type Recall struct {
	Seq uint64 // of the decision that opened it
	events.RecallOpened
	Listed     int // lines that are in
	Open       int // lines that wait
	Shipped    int // lines on jobs that were released when the list was made
	ClosedSeq  uint64
	ClosedBy   string
	ClosedAtUs events.Instant // 0: open
}

// Done reports whether every line is closed.
func (r *Recall) Done() bool { return r.ClosedAtUs != 0 }

const recallColumns = `SELECT id, recall, tool, good, bad, position, least, in_span, in_doubt, total, by_person, reason, at_us, closed_id, closed_by, closed_at_us,
	(SELECT count(*) FROM recall_lines l WHERE l.recall = r.recall), (SELECT count(*) FROM recall_lines l WHERE l.recall = r.recall AND l.closed_id = 0),
	(SELECT count(*) FROM recall_lines l WHERE l.recall = r.recall AND l.status = 'released') FROM recalls r `

func scanRecall(r scanner, x *Recall) error {
	var id, closed int64
	var good, bad string
	err := r.Scan(&id, &x.Recall, &x.Tool, &good, &bad, &x.Position, &x.Least, &x.InSpan, &x.InDoubt, &x.Total, &x.By, &x.Reason, &x.AtUs,
		&closed, &x.ClosedBy, &x.ClosedAtUs, &x.Listed, &x.Open, &x.Shipped)
	if err != nil {
		return err
	}
	x.Seq, _ = place(id)
	x.ClosedSeq, _ = place(closed)
	if err := json.Unmarshal([]byte(good), &x.Good); err != nil {
		return fmt.Errorf("%w: standing %q: %v", ErrBroken, good, err)
	}
	if err := json.Unmarshal([]byte(bad), &x.Bad); err != nil {
		return fmt.Errorf("%w: standing %q: %v", ErrBroken, bad, err)
	}
	return nil
}

// Recalls returns the recalls, newest first; of one tool, if it is named.
func (q *Queries) Recalls(ctx context.Context, tool string) ([]Recall, error) {
	return all(ctx, q, "recalls", recallColumns+"WHERE ?1 = '' OR tool = ?1 ORDER BY id DESC", scanRecall, tool)
}

// RecallNamed returns one recall; ErrUnknown if there is none.
func (q *Queries) RecallNamed(ctx context.Context, recall string) (Recall, error) {
	return one(ctx, q, "recall "+recall, recallColumns+"WHERE recall = ?", scanRecall, recall)
}

// RecallLine is a line of a recall, and what became of it.
type RecallLine struct {
	Recall string
	Seq    uint64 // of the decision that listed it
	events.RecallLine
	ClosedSeq  uint64 // 0: open
	How        events.RecallHow
	Proof      uint64 // reading of the re-torque; 0: none here
	ClosedBy   string
	Reason     string
	ClosedAtUs events.Instant
}

// Open reports whether the line waits.
func (l *RecallLine) Open() bool { return l.ClosedSeq == 0 }

const recallLineColumns = `SELECT recall, line, id, reading, job, unit_serial, customer, procedure, revision, step, pass, fastener, class, status, verdict,
	dim, value_base, lsl_base, usl_base, at_us, time_deviation, time_true, time_p, cycles_deviation, cycles_true, cycles_p,
	worst_deviation, worst_true, worst_p, closed_id, how, proof, closed_by, closed_reason, closed_at_us FROM recall_lines `

func scanRecallLine(r scanner, l *RecallLine) error {
	var id, closed int64
	var dim int
	var v, lsl, usl sql.NullFloat64
	err := r.Scan(&l.Recall, &l.Line, &id, &l.Reading, &l.Job, &l.UnitSerial, &l.Customer, &l.Procedure, &l.Revision, &l.Step, &l.Pass,
		&l.Fastener, &l.Class, &l.Status, &l.Verdict, &dim, &v, &lsl, &usl, &l.AtUs,
		&l.ByTime.Deviation, &l.ByTime.True, &l.ByTime.P, &l.ByCycles.Deviation, &l.ByCycles.True, &l.ByCycles.P,
		&l.Worst.Deviation, &l.Worst.True, &l.Worst.P, &closed, &l.How, &l.Proof, &l.ClosedBy, &l.Reason, &l.ClosedAtUs)
	l.Seq, _ = place(id)
	l.ClosedSeq, _ = place(closed)
	l.Value, l.LSL, l.USL = value(dim, v), value(dim, lsl), value(dim, usl)
	return err
}

// RecallLines returns the lines of a recall in their order.
func (q *Queries) RecallLines(ctx context.Context, recall string) ([]RecallLine, error) {
	return all(ctx, q, "lines of recall "+recall, recallLineColumns+"WHERE recall = ? ORDER BY line", scanRecallLine, recall)
}

// RecallLinesOf returns the lines of all recalls on a job.
func (q *Queries) RecallLinesOf(ctx context.Context, job string) ([]RecallLine, error) {
	return all(ctx, q, "recall lines of job "+job, recallLineColumns+"WHERE job = ? ORDER BY id, line", scanRecallLine, job)
}

// DoubtRow is a judgement with what a list of doubts says of it.
type DoubtRow struct {
	ID int64 // see ToolPull
	Judgement
	UnitSerial, Customer, Procedure, Revision string
	Status                                    string // of the job now
	// Counts says that the reading still is what its place is judged by: it was
	// not voided, no later one took its place, and the place was not sent back.
	Counts bool
}

// DoubtRows returns judgements by their keys, in the order of the keys.
func (q *Queries) DoubtRows(ctx context.Context, ids []int64) ([]DoubtRow, error) {
	list, err := json.Marshal(ids)
	if err != nil {
		return nil, err
	}
	return all(ctx, q, "judgements in doubt", `SELECT g.id, g.reading, g.cause, g.job, g.step, g.pass, g.fastener, g.verdict, g.grade, g.p, g.dim, g.value_base,
	g.text, g.unit, g.lsl_base, g.target_base, g.usl_base, g.u_base, g.angle_deg, g.tool, g.calibrated, g.bench, g.by_person,
	g.at_us, g.claimed, g.typed, g.held, g.next_fastener, g.class,
	coalesce(j.unit_serial, ''), coalesce(j.customer, ''), coalesce(j.procedure, ''), coalesce(j.revision, ''), coalesce(j.status, ''),
	NOT EXISTS (SELECT 1 FROM voids v WHERE v.reading = g.reading AND v.id > g.id)
	AND NOT EXISTS (SELECT 1 FROM judgements l WHERE l.job = g.job AND l.id > g.id AND l.step = g.step AND l.fastener = g.fastener
		AND NOT EXISTS (SELECT 1 FROM voids v WHERE v.reading = l.reading AND v.id > l.id))
	AND NOT EXISTS (SELECT 1 FROM resets s WHERE s.job = g.job AND s.id > g.id AND s.step = g.step AND s.fastener = g.fastener)
	FROM json_each(?) AS want CROSS JOIN judgements g ON g.id = want.value LEFT JOIN jobs j ON j.job = g.job ORDER BY want.key`,
		func(r scanner, d *DoubtRow) error {
			return scanJudgement(more{r, []any{&d.UnitSerial, &d.Customer, &d.Procedure, &d.Revision, &d.Status, &d.Counts}, &d.ID}, &d.Judgement)
		}, string(list))
}

// more scans a row that has further columns behind those of another scan, and
// keeps the key that stands first.
type more struct {
	scanner
	dest []any
	id   *int64
}

func (m more) Scan(dest ...any) error {
	err := m.scanner.Scan(append(dest, m.dest...)...)
	if id, ok := dest[0].(*int64); ok {
		*m.id = *id
	}
	return err
}

// DriftSignal is a signal of a control chart over a tool's checks.
type DriftSignal struct {
	Seq uint64
	events.DriftSignalled
}

// DriftSignals returns the signals of a tool, oldest first.
func (q *Queries) DriftSignals(ctx context.Context, tool string) ([]DriftSignal, error) {
	return all(ctx, q, "drift signals of tool "+tool, `SELECT id, tool, dim, point_base, direction, source, rule, high, since_us, value, centre, sd, arl0, arl1, shift, at_us
		FROM drift_signals WHERE tool = ? ORDER BY id`, func(r scanner, s *DriftSignal) error {
		var id int64
		var dim int
		var point sql.NullFloat64
		err := r.Scan(&id, &s.Tool, &dim, &point, &s.Direction, &s.Source, &s.Rule, &s.High, &s.SinceUs, &s.Value, &s.Centre, &s.SD, &s.ARL0, &s.ARL1, &s.Shift, &s.AtUs)
		s.Seq, _ = place(id)
		s.Point = value(dim, point)
		return err
	}, tool)
}

// Suspicion is a suspicion against a tool by its peers.
type Suspicion struct {
	Seq uint64
	events.ToolSuspected
}

// Suspicions returns the suspicions against a tool, oldest first.
func (q *Queries) Suspicions(ctx context.Context, tool string) ([]Suspicion, error) {
	return all(ctx, q, "suspicions against tool "+tool, `SELECT id, tool, factor, lower, upper, pulls, visits, peers, z, bound, false_p, why, at_us
		FROM suspicions WHERE tool = ? ORDER BY id`, func(r scanner, s *Suspicion) error {
		var id int64
		err := r.Scan(&id, &s.Tool, &s.Factor, &s.Lower, &s.Upper, &s.Pulls, &s.Visits, &s.Peers, &s.Z, &s.Bound, &s.False, &s.Why, &s.AtUs)
		s.Seq, _ = place(id)
		return err
	}, tool)
}

// PositionNow returns the journal sequence up to which the ledger has come, as
// these queries see it.
func (q *Queries) PositionNow(ctx context.Context) (uint64, error) {
	return one(ctx, q, "position", "SELECT seq FROM position", func(r scanner, seq *uint64) error { return r.Scan(seq) })
}

// ToolJob is a job that a tool worked on.
type ToolJob struct {
	Job, UnitSerial, Customer, Status string
	Readings                          int
	LastAtUs                          events.Instant
}

// latestPulls is how far back ToolJobs looks.
const latestPulls = 2000

// ToolJobs returns the jobs of a tool's latest 2,000 judged readings, newest
// first.
func (q *Queries) ToolJobs(ctx context.Context, tool string, max int) ([]ToolJob, error) {
	return all(ctx, q, "jobs of tool "+tool, `SELECT g.job, coalesce(j.unit_serial, ''), coalesce(j.customer, ''), coalesce(j.status, ''), count(*), max(g.at_us)
		FROM (SELECT job, at_us, id FROM judgements WHERE tool = ? ORDER BY id DESC LIMIT ?) g LEFT JOIN jobs j ON j.job = g.job
		GROUP BY g.job ORDER BY max(g.id) DESC LIMIT ?`, func(r scanner, t *ToolJob) error {
		return r.Scan(&t.Job, &t.UnitSerial, &t.Customer, &t.Status, &t.Readings, &t.LastAtUs)
	}, tool, latestPulls, limit(max))
}

// SampleMean is a run of samples of a streaming tool.
type SampleMean struct {
	Seq  uint64
	AtUs events.Instant
	Unit string
	N    int
	Mean float64 // in Unit
	SD   float64
}

// SampleMeans returns the latest runs of samples of a tool, oldest first.
func (q *Queries) SampleMeans(ctx context.Context, tool string, max int) ([]SampleMean, error) {
	return all(ctx, q, "samples of tool "+tool, `SELECT seq, at_us, unit, n, mean_in_unit, sd_in_unit FROM
		(SELECT * FROM sample_means WHERE tool = ? ORDER BY seq DESC LIMIT ?) ORDER BY seq`, func(r scanner, s *SampleMean) error {
		return r.Scan(&s.Seq, &s.AtUs, &s.Unit, &s.N, &s.Mean, &s.SD)
	}, tool, limit(max))
}
