package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// PullWeight is what a pull was taken for by one decision.
type PullWeight struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PullWeighed
}

// Best returns the most probable explanation; the zero value if there is none.
func (w *PullWeight) Best() events.Explanation {
	if len(w.Explanations) == 0 {
		return events.Explanation{}
	}
	return w.Explanations[0]
}

func scanPullWeight(r scanner, w *PullWeight) error {
	var id int64
	var list, trace string
	var nm, deg sql.NullFloat64
	err := r.Scan(&id, &w.Reading, &w.Job, &w.Step, &w.Pass, &list, &w.Tool, &w.AtUs, &nm, &deg, &w.DurationUs, &trace, &w.Placed, &w.Numbered, &w.Late, &w.Lost)
	if err != nil {
		return err
	}
	w.Seq, w.Index = place(id)
	w.Torque, w.Angle = newtonMetres(nm), angle(deg)
	if trace != "" {
		w.Trace = new(events.TraceFound)
		if err := json.Unmarshal([]byte(trace), w.Trace); err != nil {
			return fmt.Errorf("%w: trace %q: %v", ErrBroken, trace, err)
		}
	}
	w.Explanations, err = explanations(list)
	return err
}

func newtonMetres(nm sql.NullFloat64) quantity.Value { return value(int(quantity.DimTorque), nm) }

// PullWeightsOf returns what the pulls of a job were taken for, decision by
// decision, in journal order; LatestWeights makes one of each pull.
func (q *Queries) PullWeightsOf(ctx context.Context, job string) ([]PullWeight, error) {
	return all(ctx, q, "weighed pulls of job "+job, `SELECT id, reading, job, step, pass, explanations, tool, at_us, torque_nm, angle_deg,
		duration_us, trace, placed, numbered, late, lost FROM pulls_weighed WHERE job = ? ORDER BY id`, scanPullWeight, job)
}

// Change is another reading of a pull than the one before, because of later
// pulls or an answer.
type Change struct {
	Seq uint64 // of the decision
	Was events.Explanation
	Is  events.Explanation
}

// Weight is what a pull is taken for at last, and how that came.
type Weight struct {
	PullWeight          // the last one
	First      uint64   // sequence of the decision that weighed it first
	Changes    []Change // each time that another explanation became the best
}

// LatestWeights returns one weight a pull, in the order in which they were
// first weighed, of what PullWeightsOf gives.
func LatestWeights(history []PullWeight) []Weight {
	var out []Weight
	at := map[uint64]int{}
	for _, w := range history {
		i, ok := at[w.Reading]
		if !ok {
			at[w.Reading] = len(out)
			out = append(out, Weight{PullWeight: w, First: w.Seq})
			continue
		}
		was, is := out[i].Best(), w.Best()
		if was.Kind != is.Kind || was.Fastener != is.Fastener {
			out[i].Changes = append(out[i].Changes, Change{Seq: w.Seq, Was: was, Is: is})
		}
		out[i].PullWeight = w
	}
	return out
}

// WeightsOf returns what each pull of a job is taken for at last.
func (q *Queries) WeightsOf(ctx context.Context, job string) ([]Weight, error) {
	history, err := q.PullWeightsOf(ctx, job)
	return LatestWeights(history), err
}

// WitnessWeight is how sure the fasteners of a step are by one decision.
type WitnessWeight struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.WitnessWeighed
}

const witnessColumns = "SELECT id, job, step, pass, fasteners, all_tight FROM witnesses_weighed "

func scanWitness(r scanner, w *WitnessWeight) error {
	var id int64
	var list string
	if err := r.Scan(&id, &w.Job, &w.Step, &w.Pass, &list, &w.AllTight); err != nil {
		return err
	}
	w.Seq, w.Index = place(id)
	var err error
	w.Fasteners, err = weights(list)
	return err
}

// WitnessWeightsOf returns how sure the fasteners of a job were, decision by
// decision, in journal order.
func (q *Queries) WitnessWeightsOf(ctx context.Context, job string) ([]WitnessWeight, error) {
	return all(ctx, q, "weighed witnesses of job "+job, witnessColumns+"WHERE job = ? ORDER BY id", scanWitness, job)
}

// WitnessWeightsNow returns the last weights of each step and pass of a job,
// in journal order.
func (q *Queries) WitnessWeightsNow(ctx context.Context, job string) ([]WitnessWeight, error) {
	return all(ctx, q, "weighed witnesses of job "+job,
		witnessColumns+"WHERE id IN (SELECT max(id) FROM witnesses_weighed WHERE job = ? GROUP BY step, pass) ORDER BY id", scanWitness, job)
}

// Counted is the fate of a set-aside pull that counts after all, because
// later pulls say so. See also Claimed and Dismissed.
const Counted = "counted"

// Aside is a pull that was set aside, and what became of it.
type Aside struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.PullSetAside
	Fate       string // "": still aside; Claimed, Counted or Dismissed
	FateSeq    uint64 // of the decision that ended it
	FateBy     string // "": later pulls did
	FateReason string
	FateAtUs   events.Instant
}

// AsideOf returns the pulls of a job that were set aside, in journal order.
// One that was set aside twice is there twice.
func (q *Queries) AsideOf(ctx context.Context, job string) ([]Aside, error) {
	return all(ctx, q, "set-aside pulls of job "+job, `SELECT id, reading, job, step, pass, kind, fastener, p, why, bench, tool, dim, value_base,
		text, unit, angle_deg, by_person, at_us, fate, fate_id, fate_by, fate_reason, fate_at_us FROM pulls_aside WHERE job = ? ORDER BY id`,
		func(r scanner, a *Aside) error {
			var id, fate int64
			var dim int
			var base, deg sql.NullFloat64
			err := r.Scan(&id, &a.Reading, &a.Job, &a.Step, &a.Pass, &a.Kind, &a.Fastener, &a.P, &a.Why, &a.Bench, &a.Tool, &dim, &base,
				&a.Text, &a.Unit, &deg, &a.By, &a.AtUs, &a.Fate, &fate, &a.FateBy, &a.FateReason, &a.FateAtUs)
			a.Value, a.Angle = value(dim, base), angle(deg)
			a.Seq, a.Index = place(id)
			a.FateSeq, _ = place(fate)
			return err
		}, job)
}

// Question is a question to the technician, and what became of it.
type Question struct {
	Seq   uint64 // of the decision that asked
	Index int    // of the outcome in it
	events.QuestionAsked
	SettledSeq   uint64 // of the decision that settled it; 0: open
	SettledIndex int    // of the outcome in it
	SettledBy    string // who answered; "": nobody did
	Answer       string // key of the choice; "": no answer
	SettledHow   string
	SettledAtUs  events.Instant
}

// Open reports whether the question waits for an answer.
func (x *Question) Open() bool { return x.SettledSeq == 0 }

// QuestionsOf returns the questions that were asked in a job, oldest first.
func (q *Queries) QuestionsOf(ctx context.Context, job string) ([]Question, error) {
	return all(ctx, q, "questions of job "+job, `SELECT id, question, job, bench, step, pass, reading, text, choices, at_us,
		settled_id, settled_by, settled_choice, settled_how, settled_at_us FROM questions WHERE job = ? ORDER BY id`,
		func(r scanner, x *Question) error {
			var id, settled int64
			var choices string
			err := r.Scan(&id, &x.Question, &x.Job, &x.Bench, &x.Step, &x.Pass, &x.Reading, &x.Text, &choices, &x.AtUs,
				&settled, &x.SettledBy, &x.Answer, &x.SettledHow, &x.SettledAtUs)
			if err != nil {
				return err
			}
			x.Seq, x.Index = place(id)
			x.SettledSeq, x.SettledIndex = place(settled)
			if err := json.Unmarshal([]byte(choices), &x.Choices); err != nil {
				return fmt.Errorf("%w: choices %q: %v", ErrBroken, choices, err)
			}
			return nil
		}, job)
}

// Lost says that a tool made pulls in a job that did not arrive.
type Lost struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.CyclesLost
}

// LostOf returns the cycles that were lost in a job, oldest first.
func (q *Queries) LostOf(ctx context.Context, job string) ([]Lost, error) {
	return all(ctx, q, "lost cycles of job "+job, "SELECT id, job, step, tool, cycles, at_us FROM cycles_lost WHERE job = ? ORDER BY id",
		func(r scanner, x *Lost) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Tool, &x.Cycles, &x.AtUs)
			x.Seq, x.Index = place(id)
			return err
		}, job)
}

// Forgotten says that what was learned about a joint no longer counts.
type Forgotten struct {
	Seq uint64 // of the decision
	events.LearningForgotten
}

// ForgottenOf returns when and why what was learned about a procedure's joints
// was forgotten, oldest first.
func (q *Queries) ForgottenOf(ctx context.Context, procedure string) ([]Forgotten, error) {
	return all(ctx, q, "forgotten learning of procedure "+procedure,
		"SELECT id, procedure, step, by_person, reason, at_us FROM learning_forgotten WHERE procedure = ? ORDER BY id",
		func(r scanner, x *Forgotten) error {
			var id int64
			err := r.Scan(&id, &x.Procedure, &x.Step, &x.By, &x.Reason, &x.AtUs)
			x.Seq, _ = place(id)
			return err
		}, procedure)
}

// Audit is a residual-torque audit that was opened. Residual has the result.
type Audit struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.ResidualAuditOpened
}

// AuditsOf returns the residual-torque audits that were opened in a job,
// oldest first.
func (q *Queries) AuditsOf(ctx context.Context, job string) ([]Audit, error) {
	return all(ctx, q, "residual audits of job "+job,
		"SELECT id, job, step, fastener, method, by_person, at_us FROM residual_audits WHERE job = ? ORDER BY id",
		func(r scanner, x *Audit) error {
			var id int64
			err := r.Scan(&id, &x.Job, &x.Step, &x.Fastener, &x.Method, &x.By, &x.AtUs)
			x.Seq, x.Index = place(id)
			return err
		}, job)
}

// Residual is the result of a residual-torque audit.
type Residual struct {
	Seq   uint64 // of the decision
	Index int    // of the outcome in it
	events.ResidualJudged
}

// ResidualsOf returns the results of a job's residual-torque audits, oldest
// first.
func (q *Queries) ResidualsOf(ctx context.Context, job string) ([]Residual, error) {
	return all(ctx, q, "residual torques of job "+job, `SELECT id, reading, job, step, fastener, method, residual_nm, u_nm, installed_nm,
		low_nm, high_nm, agrees, text, tool, by_person, at_us FROM residuals WHERE job = ? ORDER BY id`,
		func(r scanner, x *Residual) error {
			var id int64
			var residual, u, installed, low, high sql.NullFloat64
			err := r.Scan(&id, &x.Reading, &x.Job, &x.Step, &x.Fastener, &x.Method, &residual, &u, &installed,
				&low, &high, &x.Agrees, &x.Text, &x.Tool, &x.By, &x.AtUs)
			x.Seq, x.Index = place(id)
			x.Residual, x.U, x.Installed = newtonMetres(residual), newtonMetres(u), newtonMetres(installed)
			x.Low, x.High = newtonMetres(low), newtonMetres(high)
			return err
		}, job)
}
