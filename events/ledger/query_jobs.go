package ledger

import (
	"context"

	"witnessmark/events"
)

// The states of a job.
const (
	Active    = "active"
	Paused    = "paused"
	Released  = "released"
	Abandoned = "abandoned"
)

// Job is one job, and where it stands.
type Job struct {
	Seq              uint64 // of the decision that opened it
	events.JobOpened        // as it was opened
	Title            string // of its procedure
	Status           string // Active, Paused, Released or Abandoned
	BenchNow         string // where it is, or was last
	Technician       string // person id, now or at last
	EndedBy          string
	EndedAtUs        events.Instant // 0: open
	EndReason        string         // of an abandoned one
	Judged           int            // readings judged for it, voided ones too
	LastAtUs         events.Instant // of the last reading judged for it; 0: none
	OpenAlerts       int
	BlockingAlerts   int // open alerts that block release
}

// Open reports whether the job has not ended.
func (j *Job) Open() bool { return j.EndedAtUs == 0 }

const jobColumns = `SELECT j.id, j.job, j.unit_serial, j.customer, j.procedure, j.revision, j.hash, j.weighed, j.opened_bench, j.opened_by,
	j.opened_at_us, coalesce((SELECT title FROM procedures p WHERE p.procedure = j.procedure AND p.revision = j.revision AND p.hash = j.hash LIMIT 1), ''),
	j.status, j.bench, j.technician, j.ended_by, j.ended_at_us, j.end_reason,
	(SELECT count(*) FROM judgements g WHERE g.job = j.job),
	coalesce((SELECT at_us FROM judgements g WHERE g.job = j.job ORDER BY id DESC LIMIT 1), 0),
	(SELECT count(*) FROM alerts a WHERE a.job = j.job AND a.settled_id = 0),
	(SELECT count(*) FROM alerts a WHERE a.job = j.job AND a.settled_id = 0 AND a.blocks = 1)
	FROM jobs j `

func scanJob(r scanner, j *Job) error {
	var id int64
	o := &j.JobOpened
	err := r.Scan(&id, &o.Job, &o.UnitSerial, &o.Customer, &o.Procedure, &o.Revision, &o.Hash, &o.Weighed, &o.Bench, &o.By, &o.AtUs,
		&j.Title, &j.Status, &j.BenchNow, &j.Technician, &j.EndedBy, &j.EndedAtUs, &j.EndReason,
		&j.Judged, &j.LastAtUs, &j.OpenAlerts, &j.BlockingAlerts)
	j.Seq, _ = place(id)
	return err
}

// JobFilter chooses jobs; the zero value chooses all.
type JobFilter struct {
	Open   bool   // active and paused ones only
	Status string // Active, Paused, …; "": any
	Bench  string // where it is, or was last; "": any
	Unit   string // begins the unit's serial number; "": any
	Limit  int    // at most so many, newest first; 0: no limit
}

// Jobs returns the jobs that f chooses, newest first.
func (q *Queries) Jobs(ctx context.Context, f JobFilter) ([]Job, error) {
	where, args := "WHERE 1", []any(nil)
	add := func(cond string, vals ...any) {
		where += " AND " + cond
		args = append(args, vals...)
	}
	if f.Open {
		add("j.status IN ('active', 'paused')")
	}
	if f.Status != "" {
		add("j.status = ?", f.Status)
	}
	if f.Bench != "" {
		add("j.bench = ?", f.Bench)
	}
	if f.Unit != "" {
		add("substr(j.unit_serial, 1, length(?)) = ?", f.Unit, f.Unit)
	}
	args = append(args, limit(f.Limit))
	return all(ctx, q, "jobs", jobColumns+where+" ORDER BY j.id DESC LIMIT ?", scanJob, args...)
}

// Job returns one job; ErrUnknown if there is none.
func (q *Queries) Job(ctx context.Context, job string) (Job, error) {
	return one(ctx, q, "job "+job, jobColumns+"WHERE j.job = ?", scanJob, job)
}

// Search returns the jobs of units whose serial number holds text, newest
// first, upper and lower case alike. It reads every job.
func (q *Queries) Search(ctx context.Context, text string, max int) ([]Job, error) {
	return all(ctx, q, "jobs", jobColumns+"WHERE instr(lower(j.unit_serial), lower(?)) > 0 ORDER BY j.id DESC LIMIT ?", scanJob, text, limit(max))
}

// JobEvent is something that happened to a job as a whole.
type JobEvent struct {
	Seq   uint64 // of the decision
	Job   string
	Kind  string // opened, paused, resumed, handed_over, released, abandoned, clock_stepped, shop_restored
	By    string // who did it; at a hand-over who had it
	To    string // who has it from then on; "" where that does not change
	Bench string // where from then on; "" where that does not change
	Note  string // note of a pause or hand-over, reason of an end
	AtUs  events.Instant
}

// JobEvents returns what happened to a job, oldest first.
func (q *Queries) JobEvents(ctx context.Context, job string) ([]JobEvent, error) {
	return all(ctx, q, "events of job "+job,
		"SELECT id, job, kind, by_person, to_person, bench, note, at_us FROM job_events WHERE job = ? ORDER BY id",
		func(r scanner, e *JobEvent) error {
			var id int64
			err := r.Scan(&id, &e.Job, &e.Kind, &e.By, &e.To, &e.Bench, &e.Note, &e.AtUs)
			e.Seq, _ = place(id)
			return err
		}, job)
}

// StepEvent says that a step was finished or is open again.
type StepEvent struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	Job   string
	Step  string
	Kind  string // finished, reopened
	By    string
	Note  string // what was attested, or why it is open again
	AtUs  events.Instant
}

// StepEvents returns what happened to the steps of a job, oldest first.
func (q *Queries) StepEvents(ctx context.Context, job string) ([]StepEvent, error) {
	return all(ctx, q, "steps of job "+job,
		"SELECT id, job, step, kind, by_person, note, at_us FROM step_events WHERE job = ? ORDER BY id",
		func(r scanner, e *StepEvent) error {
			var id int64
			err := r.Scan(&id, &e.Job, &e.Step, &e.Kind, &e.By, &e.Note, &e.AtUs)
			e.Seq, e.Index = place(id)
			return err
		}, job)
}

// Deviation is an accepted departure from the procedure.
type Deviation struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.DeviationAccepted
}

// Deviations returns the deviations of a job, oldest first.
func (q *Queries) Deviations(ctx context.Context, job string) ([]Deviation, error) {
	return all(ctx, q, "deviations of job "+job,
		"SELECT id, job, step, fastener, was, by_person, reason, at_us FROM deviations WHERE job = ? ORDER BY id",
		func(r scanner, d *Deviation) error {
			var id int64
			err := r.Scan(&id, &d.Job, &d.Step, &d.Fastener, &d.Was, &d.By, &d.Reason, &d.AtUs)
			d.Seq, d.Index = place(id)
			return err
		}, job)
}

// Reset says that a fastener was sent back to be done again.
type Reset struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.FastenerReset
	AtUs events.Instant
}

// Resets returns what was sent back in a job, oldest first.
func (q *Queries) Resets(ctx context.Context, job string) ([]Reset, error) {
	return all(ctx, q, "resets of job "+job,
		"SELECT id, job, step, fastener, by_person, reason, at_us FROM resets WHERE job = ? ORDER BY id",
		func(r scanner, x *Reset) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Fastener, &x.By, &x.Reason, &x.AtUs)
			x.Seq, x.Index = place(id)
			return err
		}, job)
}

// Refusal is a request that the rules did not grant.
type Refusal struct {
	Seq   uint64 // of the decision
	Ask   uint64 // of the request
	By    string // who asked
	Bench string
	events.RequestRefused
	AtUs events.Instant
}

// Refusals returns the requests about a job that were refused, oldest first.
func (q *Queries) Refusals(ctx context.Context, job string) ([]Refusal, error) {
	return all(ctx, q, "refusals of job "+job,
		`SELECT r.id, r.ask, coalesce(a.by_person, ''), coalesce(a.bench, ''), r.request, r.job, r.code, r.text, r.todo, r.items, r.at_us
		FROM requests_refused r LEFT JOIN asks a ON a.seq = r.ask WHERE r.job = ? ORDER BY r.id`,
		func(r scanner, x *Refusal) error {
			var id int64
			var items string
			if err := r.Scan(&id, &x.Ask, &x.By, &x.Bench, &x.Request, &x.Job, &x.Code, &x.Text, &x.Todo, &items, &x.AtUs); err != nil {
				return err
			}
			x.Seq, _ = place(id)
			var err error
			x.Items, err = lines(items)
			return err
		}, job)
}
