package ledger

import (
	"context"
	"database/sql"

	"witnessmark/events"
)

// Reading is one value that a tool reported.
type Reading struct {
	Seq    uint64 // in the journal
	Number uint64 // in the device's source
	// ReadingTaken is without the trace, and then without its bytes, and
	// without the stroke: they are in the journal.
	events.ReadingTaken
	TraceSamples  int // of the trace; 0: the tool gave none
	StrokeSamples int // of the stroke; 0: the gauge gave none
}

const readingColumns = `SELECT r.seq, r.number, r.device, r.tool, r.bench, r.mode, r.dim, r.value_base, r.text, r.unit, r.unit_assumed,
	r.resolution_base, r.angle_deg, r.duration_us, r.trace_samples, r.stroke_samples, r.tool_counter, r.tool_status, r.tool_clock, r.taken_at_us, r.received_at_us, r.stale,
	r.profile, r.bytes, r.byte_offset, r.typed_by, r.typed_for FROM readings r `

func scanReading(r scanner, x *Reading) error {
	var dim int
	var base, resolution, deg sql.NullFloat64
	var counter sql.NullInt64
	err := r.Scan(&x.Seq, &x.Number, &x.Device, &x.Tool, &x.Bench, &x.Mode, &dim, &base, &x.Text, &x.Unit, &x.UnitAssumed,
		&resolution, &deg, &x.DurationUs, &x.TraceSamples, &x.StrokeSamples, &counter, &x.ToolStatus, &x.ToolClock, &x.TakenAtUs, &x.ReceivedAtUs, &x.Stale,
		&x.Profile, &x.Bytes, &x.Offset, &x.By, &x.Job)
	x.Value, x.Resolution, x.Angle = value(dim, base), value(dim, resolution), angle(deg)
	if counter.Valid {
		n := uint64(counter.Int64)
		x.ToolCounter = &n
	}
	return err
}

// Reading returns one reading by its journal sequence.
func (q *Queries) Reading(ctx context.Context, seq uint64) (Reading, error) {
	return one(ctx, q, "reading", readingColumns+"WHERE r.seq = ?", scanReading, int64(seq))
}

// ReadingsByTool returns a tool's readings in a span of time, oldest first, at
// most max of them; 0: no limit.
func (q *Queries) ReadingsByTool(ctx context.Context, tool string, s Span, max int) ([]Reading, error) {
	from, to := s.args()
	return all(ctx, q, "readings of tool "+tool,
		readingColumns+"WHERE r.tool = ? AND r.received_at_us >= ? AND r.received_at_us < ? ORDER BY r.received_at_us, r.seq LIMIT ?",
		scanReading, tool, from, to, limit(max))
}

// ReadingsOf returns the readings that were judged for a job, that came to it
// unplaced or were set aside in it, or that audited it, in journal order.
func (q *Queries) ReadingsOf(ctx context.Context, job string) ([]Reading, error) {
	return all(ctx, q, "readings of job "+job, readingColumns+`WHERE r.seq IN (
		SELECT reading FROM judgements WHERE job = ?1 UNION SELECT reading FROM unplaced WHERE job = ?1
		UNION SELECT reading FROM pulls_aside WHERE job = ?1 UNION SELECT reading FROM residuals WHERE job = ?1) ORDER BY r.seq`, scanReading, job)
}

// Recent returns the newest readings of all tools, newest first.
func (q *Queries) Recent(ctx context.Context, max int) ([]Reading, error) {
	return all(ctx, q, "newest readings", readingColumns+"ORDER BY r.seq DESC LIMIT ?", scanReading, limit(max))
}

// Judgement is what the rules said of a reading.
type Judgement struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	Cause uint64 // journal sequence of the fact decided on
	events.ReadingJudged
}

const judgementColumns = `SELECT g.id, g.reading, g.cause, g.job, g.step, g.pass, g.fastener, g.verdict, g.grade, g.p, g.dim, g.value_base,
	g.text, g.unit, g.lsl_base, g.target_base, g.usl_base, g.u_base, g.angle_deg, g.tool, g.calibrated, g.bench, g.by_person,
	g.at_us, g.claimed, g.typed, g.held, g.next_fastener, g.class FROM judgements g `

func scanJudgement(r scanner, j *Judgement) error {
	var id int64
	var dim int
	var base, lsl, target, usl, u, deg sql.NullFloat64
	err := r.Scan(&id, &j.Reading, &j.Cause, &j.Job, &j.Step, &j.Pass, &j.Fastener, &j.Verdict, &j.Grade, &j.P, &dim, &base,
		&j.Text, &j.Unit, &lsl, &target, &usl, &u, &deg, &j.Tool, &j.Calibrated, &j.Bench, &j.By, &j.AtUs, &j.Claimed, &j.Typed, &j.Held, &j.Next, &j.Class)
	j.Seq, j.Index = place(id)
	j.Value, j.LSL, j.Target, j.USL = value(dim, base), value(dim, lsl), value(dim, target), value(dim, usl)
	j.U, j.Angle = value(dim, u), angle(deg)
	return err
}

// JudgementsOf returns all judgements for a job in journal order, those of
// voided readings too.
func (q *Queries) JudgementsOf(ctx context.Context, job string) ([]Judgement, error) {
	return all(ctx, q, "judgements of job "+job, judgementColumns+"WHERE g.job = ? ORDER BY g.id", scanJudgement, job)
}

// JudgementsByReading returns all judgements of one reading in journal order.
func (q *Queries) JudgementsByReading(ctx context.Context, reading uint64) ([]Judgement, error) {
	return all(ctx, q, "judgements of a reading", judgementColumns+"WHERE g.reading = ? ORDER BY g.id", scanJudgement, int64(reading))
}

// JudgementsByTool returns the judgements of a tool's readings that were
// received in a span of time, in journal order.
func (q *Queries) JudgementsByTool(ctx context.Context, tool string, s Span) ([]Judgement, error) {
	from, to := s.args()
	return all(ctx, q, "judgements of tool "+tool, judgementColumns+`WHERE g.reading IN (
		SELECT seq FROM readings WHERE tool = ? AND received_at_us >= ? AND received_at_us < ?) ORDER BY g.id`, scanJudgement, tool, from, to)
}

// Void says that a judged reading counts no longer.
type Void struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.ReadingVoided
	AtUs events.Instant
}

// Voids returns what was voided in a job, oldest first.
func (q *Queries) Voids(ctx context.Context, job string) ([]Void, error) {
	return all(ctx, q, "voided readings of job "+job,
		"SELECT id, reading, job, step, pass, fastener, by_person, reason, at_us FROM voids WHERE job = ? ORDER BY id",
		func(r scanner, v *Void) error {
			var id int64
			err := r.Scan(&id, &v.Reading, &v.Job, &v.Step, &v.Pass, &v.Fastener, &v.By, &v.Reason, &v.AtUs)
			v.Seq, v.Index = place(id)
			return err
		}, job)
}

// Fates of an unplaced reading.
const (
	Claimed   = "claimed"
	Dismissed = "dismissed"
)

// Unplaced is a reading that belonged to nothing that was open, and what
// became of it.
type Unplaced struct {
	Seq uint64 // of the decision
	events.ReadingUnplaced
	Fate       string // "": open, Claimed or Dismissed
	FateSeq    uint64 // of the decision that ended it
	FateJob    string // of a claimed one
	FateBy     string
	FateReason string
	FateAtUs   events.Instant
}

const unplacedColumns = `SELECT id, reading, bench, job, tool, dim, value_base, text, unit, at_us, angle_deg, by_person, alert, why,
	fate, fate_id, fate_job, fate_by, fate_reason, fate_at_us FROM unplaced `

func scanUnplaced(r scanner, u *Unplaced) error {
	var id, fate int64
	var dim int
	var base, deg sql.NullFloat64
	err := r.Scan(&id, &u.Reading, &u.Bench, &u.Job, &u.Tool, &dim, &base, &u.Text, &u.Unit, &u.AtUs, &deg, &u.By, &u.Alert, &u.Why,
		&u.Fate, &fate, &u.FateJob, &u.FateBy, &u.FateReason, &u.FateAtUs)
	u.Value, u.Angle = value(dim, base), angle(deg)
	u.Seq, _ = place(id)
	u.FateSeq, _ = place(fate)
	return err
}

// UnplacedOpen returns the readings that wait to be claimed or dismissed,
// oldest first.
func (q *Queries) UnplacedOpen(ctx context.Context) ([]Unplaced, error) {
	return all(ctx, q, "unplaced readings", unplacedColumns+"WHERE fate = '' ORDER BY id", scanUnplaced)
}

// UnplacedOf returns the unplaced readings that came while a job was at the
// bench, or that were claimed for it, oldest first.
func (q *Queries) UnplacedOf(ctx context.Context, job string) ([]Unplaced, error) {
	return all(ctx, q, "unplaced readings of job "+job,
		unplacedColumns+"WHERE job = ?1 OR (fate_job = ?1 AND fate_job <> '') ORDER BY id", scanUnplaced, job)
}
