package events

import "witnessmark/events/quantity"

// ExplanationKind names what a pull may have been.
type ExplanationKind string

// The kinds of explanation.
const (
	ExplainedNext      ExplanationKind = "next"        // the fastener that the order wanted, not tight before
	ExplainedOther     ExplanationKind = "other"       // another fastener that was not tight before
	ExplainedSwing     ExplanationKind = "swing"       // a further or unfinished swing on the one in progress
	ExplainedRepeat    ExplanationKind = "repeat"      // once more on one that was tight already
	ExplainedRetighten ExplanationKind = "retightened" // tightened again after it had been loosened
	ExplainedElsewhere ExplanationKind = "other_step"  // a fastener of another open step
	ExplainedNowhere   ExplanationKind = "no_fastener" // on no fastener: a checker, a vice, a slip
	ExplainedSameCycle ExplanationKind = "same_cycle"  // the same cycle, sent twice
)

// Explanation is one thing that a pull may have been.
type Explanation struct {
	Kind     ExplanationKind `json:"kind"`
	Fastener string          `json:"fastener,omitempty"` // "" where it was none, or none is known
	P        float64         `json:"p"`                  // probability, given all pulls up to the decision
}

// PullWeighed says what a pull of a torque step probably was, best first. A
// later one about the same reading takes its place: later pulls can change
// the reading of an earlier one. The evidence is repeated in it, so that what
// the rules have learned can be folded from decisions alone.
type PullWeighed struct {
	Reading      uint64         `json:"reading"`
	Job          string         `json:"job"`
	Step         string         `json:"step"`
	Pass         int            `json:"pass"`
	Explanations []Explanation  `json:"explanations"` // at most five
	Tool         string         `json:"tool"`
	AtUs         Instant        `json:"at_us"`
	Torque       quantity.Value `json:"torque"`
	Angle        quantity.Value `json:"angle,omitzero"`
	DurationUs   int64          `json:"duration_us,omitempty"`
	Trace        *TraceFound    `json:"trace,omitempty"`
	Placed       string         `json:"placed,omitempty"`   // the fastener that somebody pointed at
	Numbered     bool           `json:"numbered,omitempty"` // the tool's own counter tells it from the one before
	Late         bool           `json:"late,omitempty"`     // its time is no evidence: see ToolReports
	Lost         int            `json:"lost,omitempty"`     // cycles that the tool's counter says were lost just before
}

// CyclesLost says that a tool made pulls during a step that did not arrive, as
// its counter tells.
type CyclesLost struct {
	Job    string  `json:"job"`
	Step   string  `json:"step,omitempty"` // the current one
	Tool   string  `json:"tool"`
	Cycles int     `json:"cycles"`
	AtUs   Instant `json:"at_us"`
}

// TraceFound is what the evaluation of a pull's trace found. Zero values
// stand for what could not be found.
type TraceFound struct {
	Samples    int            `json:"samples"`
	RateHz     float64        `json:"rate_hz"`               // median sampling rate
	Peak       quantity.Value `json:"peak,omitzero"`         // greatest torque
	PeakLoss   float64        `json:"peak_loss,omitempty"`   // share of the peak that sampling may have missed (95 %)
	Snug       quantity.Value `json:"snug,omitzero"`         // torque at the change of slope
	SnugToPeak quantity.Value `json:"snug_to_peak,omitzero"` // rotation from there to the peak
	NetAngle   quantity.Value `json:"net_angle,omitzero"`    // rotation up to the peak, spring-back taken off
	SpringBack quantity.Value `json:"spring_back,omitzero"`
	RateNmDeg  float64        `json:"rate_nm_deg,omitempty"` // torque rate after snug, N·m per degree
	Quarter    quantity.Value `json:"quarter,omitzero"`      // torque at which it had made a quarter of its rotation up to the peak
	Breakaway  quantity.Value `json:"breakaway,omitzero"`    // torque at which a tight fastener began to move
	DurationUs int64          `json:"duration_us,omitempty"`
	Findings   []string       `json:"findings,omitempty"` // codes: gap, time_backwards, slow, stick_slip, click, yield, strip, no_zero, dip, still, flat
}

// PullSetAside keeps a pull that counts for no fastener and of which nothing
// is asked: a second pull on a tight fastener, an unfinished swing, the same
// cycle sent twice, a pull on nothing.
type PullSetAside struct {
	Reading  uint64          `json:"reading"`
	Job      string          `json:"job"`
	Step     string          `json:"step"`
	Pass     int             `json:"pass"`
	Kind     ExplanationKind `json:"kind"`
	Fastener string          `json:"fastener,omitempty"` // the most probable one
	P        float64         `json:"p"`                  // of Kind, whichever the fastener
	Why      string          `json:"why"`                // for people
	Bench    string          `json:"bench"`
	Tool     string          `json:"tool"`
	Value    quantity.Value  `json:"value"`
	Text     string          `json:"text"`
	Unit     string          `json:"unit"`
	Angle    quantity.Value  `json:"angle,omitzero"`
	By       string          `json:"by,omitempty"`
	AtUs     Instant         `json:"at_us"`
}

// FastenerWeight is the evidence for one fastener.
type FastenerWeight struct {
	Fastener string  `json:"fastener"`
	P        float64 `json:"p"` // probability that it is tight
	Grade    Grade   `json:"grade,omitempty"`
}

// WitnessWeighed says how sure it is that each fastener of a torque step is
// tight, given all pulls so far. A later one takes its place.
type WitnessWeighed struct {
	Job       string           `json:"job"`
	Step      string           `json:"step"`
	Pass      int              `json:"pass"`
	Fasteners []FastenerWeight `json:"fasteners"` // in drawing order
	AllTight  float64          `json:"all_tight"` // probability that none was left out
}

// Choice is one answer that a question offers.
type Choice struct {
	Key      string          `json:"key"`
	Text     string          `json:"text"` // for people
	Kind     ExplanationKind `json:"kind"`
	Fastener string          `json:"fastener,omitempty"`
}

// QuestionAsked asks the technician one short question about a pull, because
// the answer matters for a witness.
type QuestionAsked struct {
	Question string   `json:"question"` // id: "Q" and the cause's journal sequence
	Job      string   `json:"job"`
	Bench    string   `json:"bench"`
	Step     string   `json:"step"`
	Pass     int      `json:"pass"`
	Reading  uint64   `json:"reading"`
	Text     string   `json:"text"`
	Choices  []Choice `json:"choices"`
	AtUs     Instant  `json:"at_us"`
}

// QuestionSettled ends a question: it was answered, or no longer matters.
type QuestionSettled struct {
	Question string  `json:"question"`
	Job      string  `json:"job"`
	By       string  `json:"by,omitempty"`     // who answered
	Choice   string  `json:"choice,omitempty"` // key of the answer
	How      string  `json:"how"`              // for people
	AtUs     Instant `json:"at_us"`
}

// LearningForgotten says that what was learned about a step's joint no longer
// counts, e.g. because the bolts come from another lot.
type LearningForgotten struct {
	Procedure string  `json:"procedure"`
	Step      string  `json:"step"`
	By        string  `json:"by"`
	Reason    string  `json:"reason"`
	AtUs      Instant `json:"at_us"`
}

// ResidualMethod names how a residual torque is measured on a tight fastener.
type ResidualMethod string

// The methods of a residual-torque audit.
const (
	ResidualFirstMovement ResidualMethod = "first_movement"  // from a trace, tightening: where the two slopes meet
	ResidualTighten       ResidualMethod = "tighten"         // the peak at which it just moves on, tightening
	ResidualLoosen        ResidualMethod = "loosen"          // the peak at which it just breaks loose
	ResidualMark          ResidualMethod = "loosen_retorque" // marked, slackened, tightened again to the mark
)

// ResidualAuditOpened says that the next pull at the job's bench is a lead's
// audit of one finished fastener. It counts for no pass.
type ResidualAuditOpened struct {
	Job      string         `json:"job"`
	Step     string         `json:"step"`
	Fastener string         `json:"fastener"`
	Method   ResidualMethod `json:"method"`
	By       string         `json:"by"`
	AtUs     Instant        `json:"at_us"`
}

// ResidualJudged is the result of a residual-torque audit. It is never a
// witness.
type ResidualJudged struct {
	Reading   uint64         `json:"reading"`
	Job       string         `json:"job"`
	Step      string         `json:"step"`
	Fastener  string         `json:"fastener"`
	Method    ResidualMethod `json:"method"`
	Residual  quantity.Value `json:"residual"`           // torque that the method gives
	U         quantity.Value `json:"u"`                  // expanded uncertainty, k = 2
	Installed quantity.Value `json:"installed,omitzero"` // torque of the fastener's witness
	Low       quantity.Value `json:"low"`                // least residual that agrees with it
	High      quantity.Value `json:"high"`               // greatest
	Agrees    bool           `json:"agrees"`
	Text      string         `json:"text"` // for people
	Tool      string         `json:"tool,omitempty"`
	By        string         `json:"by"`
	AtUs      Instant        `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (PullWeighed) OutcomeType() (string, int) { return "pull.weighed", 1 }

// OutcomeType implements OutcomeData.
func (CyclesLost) OutcomeType() (string, int) { return "cycles.lost", 1 }

// OutcomeType implements OutcomeData.
func (PullSetAside) OutcomeType() (string, int) { return "pull.set_aside", 1 }

// OutcomeType implements OutcomeData.
func (WitnessWeighed) OutcomeType() (string, int) { return "witness.weighed", 1 }

// OutcomeType implements OutcomeData.
func (QuestionAsked) OutcomeType() (string, int) { return "question.asked", 1 }

// OutcomeType implements OutcomeData.
func (QuestionSettled) OutcomeType() (string, int) { return "question.settled", 1 }

// OutcomeType implements OutcomeData.
func (LearningForgotten) OutcomeType() (string, int) { return "learning.forgotten", 1 }

// OutcomeType implements OutcomeData.
func (ResidualAuditOpened) OutcomeType() (string, int) { return "residual_audit.opened", 1 }

// OutcomeType implements OutcomeData.
func (ResidualJudged) OutcomeType() (string, int) { return "residual.judged", 1 }
