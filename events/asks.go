package events

// Ask is what every request carries: who asks, where, when. By is a person's
// id; Bench may be empty for a request from the office.
type Ask struct {
	By    string  `json:"by"`
	Bench string  `json:"bench,omitempty"`
	AtUs  Instant `json:"at_us"`
}

// Asker gives the common part of a request.
type Asker interface {
	Data
	Asked() Ask
}

// Asked returns the common part of a request.
func (a Ask) Asked() Ask { return a }

// ShopDescribed carries the shop file that the service was started with. It
// is written only when it differs from the last.
type ShopDescribed struct {
	Ask
	Shop Shop   `json:"shop"`
	Hash string `json:"hash"` // SHA-256 of Shop's JSON, hexadecimal
}

// ProcedureOffered asks to release a procedure revision.
type ProcedureOffered struct {
	Ask
	Text string `json:"text"` // the YAML file, whole
	Hash string `json:"hash"` // SHA-256 of Text, hexadecimal
}

// JobAsked asks to open a job for one unit.
type JobAsked struct {
	Ask
	Job        string `json:"job"`         // the job's id; unique for ever
	UnitSerial string `json:"unit_serial"` // serial number of the unit being rebuilt
	Customer   string `json:"customer,omitempty"`
	Procedure  string `json:"procedure"`
	Revision   string `json:"revision,omitempty"` // "": the newest released
}

// JobPauseAsked asks to pause a job; its bench becomes free.
type JobPauseAsked struct {
	Ask
	Job  string `json:"job"`
	Note string `json:"note,omitempty"`
}

// JobResumeAsked asks to go on with a paused job at Ask.Bench, by Ask.By.
type JobResumeAsked struct {
	Ask
	Job string `json:"job"`
}

// HandOverAsked asks to hand a job to another person and, if ToBench is set,
// another bench.
type HandOverAsked struct {
	Ask
	Job      string `json:"job"`
	ToPerson string `json:"to_person"`
	ToBench  string `json:"to_bench,omitempty"`
	Note     string `json:"note,omitempty"`
}

// StepConfirmAsked says that an attested step is done, or that a cover goes
// on. Answer is what was attested, where the step asks for words.
type StepConfirmAsked struct {
	Ask
	Job    string `json:"job"`
	Step   string `json:"step"`
	Answer string `json:"answer,omitempty"`
}

// FastenerPointed says at which fastener the next pull will be (a tap on the
// bench page, a scanner).
type FastenerPointed struct {
	Ask
	Job      string `json:"job"`
	Step     string `json:"step"`
	Fastener string `json:"fastener"`
}

// ReadingClaimAsked asks to count an unplaced reading for a fastener, or for
// a measure step if Fastener is empty.
type ReadingClaimAsked struct {
	Ask
	Reading  uint64 `json:"reading"` // journal sequence of the ReadingTaken
	Job      string `json:"job"`
	Step     string `json:"step"`
	Fastener string `json:"fastener,omitempty"`
	Reason   string `json:"reason"`
}

// ReadingDismissAsked asks to set an unplaced reading aside, with a reason.
type ReadingDismissAsked struct {
	Ask
	Reading uint64 `json:"reading"`
	Reason  string `json:"reason"`
}

// ReadingVoidAsked asks that a judged reading counts no longer.
type ReadingVoidAsked struct {
	Ask
	Reading uint64 `json:"reading"`
	Reason  string `json:"reason"`
}

// Choices for DecisionAsked.
const (
	ChoiceAccept = "accept" // a deviation: leave it as it is
	ChoiceRedo   = "redo"   // slacken or renew it and do it again
)

// DecisionAsked is a lead's decision on a fastener (or, with Fastener empty,
// a step) that is high, doubtful, low, missed or held.
type DecisionAsked struct {
	Ask
	Job      string `json:"job"`
	Step     string `json:"step"`
	Fastener string `json:"fastener,omitempty"`
	Choice   string `json:"choice"` // ChoiceAccept or ChoiceRedo
	Reason   string `json:"reason"`
}

// AlertAckAsked says that somebody has seen an alert: its sound stops, it
// stays until it is settled.
type AlertAckAsked struct {
	Ask
	Alert string `json:"alert"`
}

// AlertSettleAsked asks a lead to settle an alert that no later event can
// settle by itself, with a reason.
type AlertSettleAsked struct {
	Ask
	Alert  string `json:"alert"`
	Reason string `json:"reason"`
}

// ReleaseAsked asks to release a job: the unit may leave.
type ReleaseAsked struct {
	Ask
	Job string `json:"job"`
}

// AbandonAsked asks to end a job without release.
type AbandonAsked struct {
	Ask
	Job    string `json:"job"`
	Reason string `json:"reason"`
}

// QuestionAnswered answers a question that the rules asked.
type QuestionAnswered struct {
	Ask
	Job      string `json:"job"`
	Question string `json:"question"`
	Choice   string `json:"choice"` // key of the choice
}

// LearningForgetAsked asks to forget what was learned about a step's joint.
type LearningForgetAsked struct {
	Ask
	Procedure string `json:"procedure"`
	Step      string `json:"step"`
	Reason    string `json:"reason"`
}

// ResidualAuditAsked asks to take the next pull at Ask.Bench as the audit of
// one finished fastener.
type ResidualAuditAsked struct {
	Ask
	Job      string         `json:"job"`
	Step     string         `json:"step"`
	Fastener string         `json:"fastener"`
	Method   ResidualMethod `json:"method"`
}

// ClosingTurnReported says that a fastener turned when it was pulled in the
// closing round, in which none may turn.
type ClosingTurnReported struct {
	Ask
	Job      string `json:"job"`
	Step     string `json:"step"`
	Fastener string `json:"fastener"`
}

// EventType implements Data.
func (ClosingTurnReported) EventType() (string, int) { return "closing_turn.reported", 1 }

// TimeReached says that an instant for which the rules waited has passed.
type TimeReached struct {
	AtUs Instant `json:"at_us"`
}

// EventType implements Data.
func (ShopDescribed) EventType() (string, int) { return "shop.described", 1 }

// EventType implements Data.
func (ProcedureOffered) EventType() (string, int) { return "procedure.offered", 1 }

// EventType implements Data.
func (JobAsked) EventType() (string, int) { return "job.asked", 1 }

// EventType implements Data.
func (JobPauseAsked) EventType() (string, int) { return "job_pause.asked", 1 }

// EventType implements Data.
func (JobResumeAsked) EventType() (string, int) { return "job_resume.asked", 1 }

// EventType implements Data.
func (HandOverAsked) EventType() (string, int) { return "hand_over.asked", 1 }

// EventType implements Data.
func (StepConfirmAsked) EventType() (string, int) { return "step_confirm.asked", 1 }

// EventType implements Data.
func (FastenerPointed) EventType() (string, int) { return "fastener.pointed", 1 }

// EventType implements Data.
func (ReadingClaimAsked) EventType() (string, int) { return "reading_claim.asked", 1 }

// EventType implements Data.
func (ReadingDismissAsked) EventType() (string, int) { return "reading_dismiss.asked", 1 }

// EventType implements Data.
func (ReadingVoidAsked) EventType() (string, int) { return "reading_void.asked", 1 }

// EventType implements Data.
func (DecisionAsked) EventType() (string, int) { return "decision.asked", 1 }

// EventType implements Data.
func (AlertAckAsked) EventType() (string, int) { return "alert_ack.asked", 1 }

// EventType implements Data.
func (AlertSettleAsked) EventType() (string, int) { return "alert_settle.asked", 1 }

// EventType implements Data.
func (ReleaseAsked) EventType() (string, int) { return "release.asked", 1 }

// EventType implements Data.
func (AbandonAsked) EventType() (string, int) { return "abandon.asked", 1 }

// EventType implements Data.
func (TimeReached) EventType() (string, int) { return "time.reached", 1 }

// EventType implements Data.
func (QuestionAnswered) EventType() (string, int) { return "question.answered", 1 }

// EventType implements Data.
func (LearningForgetAsked) EventType() (string, int) { return "learning_forget.asked", 1 }

// EventType implements Data.
func (ResidualAuditAsked) EventType() (string, int) { return "residual_audit.asked", 1 }
