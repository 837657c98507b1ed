package events

import "witnessmark/events/quantity"

// Decided is the answer of the rules to one fact: all of its outcomes, in
// order, in one event, so that a decision is in the journal whole or not at
// all. A fact that changes nothing has no Decided, except that every reading
// and every request has one.
type Decided struct {
	Cause    uint64    `json:"cause"`    // journal sequence of the fact
	CauseUs  Instant   `json:"cause_us"` // Event.Time of the fact: "now", for the fold
	Rules    string    `json:"rules"`    // version of the rules that decided
	Outcomes []Outcome `json:"outcomes"`
}

// EventType implements Data.
func (Decided) EventType() (string, int) { return "rules.decided", 1 }

// OutcomeData is the content of one outcome; name and version are written
// with it, as for Data.
type OutcomeData interface {
	OutcomeType() (name string, version int)
}

// Outcome is one thing that the rules decided. In JSON it is an object with
// one member, whose name is the written type and version:
// {"reading.judged.v1": {…}}.
type Outcome struct{ Data OutcomeData }

// Verdict is what the rules say of a value.
type Verdict string

// The verdicts. Doubtful is inside the limits, but nearer to one than the
// expanded uncertainty of the tool (guarded acceptance, JCGM 106, with guard
// band w = U).
const (
	Within   Verdict = "within"
	Low      Verdict = "low"
	High     Verdict = "high"
	Doubtful Verdict = "doubtful"
)

// Grade is the evidence for which fastener a pull was.
type Grade string

// The grades, weakest first.
const (
	Counted  Grade = "counted"  // only the number agrees
	Reasoned Grade = "reasoned" // inferred, with a probability
	Placed   Grade = "placed"   // its position was confirmed
)

// ReadingJudged assigns a reading to a fastener in a pass (or, with Fastener
// empty, to a measure step) and says what it is worth.
type ReadingJudged struct {
	Reading  uint64         `json:"reading"` // journal sequence of the ReadingTaken
	Job      string         `json:"job"`
	Step     string         `json:"step"`
	Pass     int            `json:"pass"` // index from 0
	Fastener string         `json:"fastener,omitempty"`
	Verdict  Verdict        `json:"verdict"`
	Grade    Grade          `json:"grade,omitempty"`
	P        float64        `json:"p,omitempty"` // of a reasoned grade: probability that the fastener is tight by this pull
	Value    quantity.Value `json:"value"`
	Text     string         `json:"text"` // as the tool sent it
	Unit     string         `json:"unit"` // as the tool sent it
	LSL      quantity.Value `json:"lsl,omitzero"`
	Target   quantity.Value `json:"target,omitzero"`
	USL      quantity.Value `json:"usl,omitzero"`
	U        quantity.Value `json:"u,omitzero"` // expanded uncertainty used for the guard band, k = 2
	Angle    quantity.Value `json:"angle,omitzero"`
	Tool     string         `json:"tool"`
	// Calibrated is the tool's calibration date on that day, YYYY-MM-DD.
	Calibrated string  `json:"calibrated,omitempty"`
	Bench      string  `json:"bench"`
	By         string  `json:"by"` // the job's technician at that time, or who claimed or typed it
	AtUs       Instant `json:"at_us"`
	Claimed    string  `json:"claimed,omitempty"` // reason, if a person assigned it
	Typed      bool    `json:"typed,omitempty"`   // a person read the tool by eye and typed the value
	Class      string  `json:"class,omitempty"`   // consequence class of the joint: "A", "B" or "C"
	// Held says that the fastener is held until a lead decides.
	Held bool `json:"held,omitempty"`
	// Next is the fastener expected next in the same step, "" if none.
	Next string `json:"next,omitempty"`
}

// ReadingUnplaced keeps a reading that belongs to nothing that is open, until
// somebody claims or dismisses it.
type ReadingUnplaced struct {
	Reading uint64         `json:"reading"`
	Bench   string         `json:"bench"`
	Job     string         `json:"job,omitempty"` // the job at the bench, if any
	Tool    string         `json:"tool"`
	Value   quantity.Value `json:"value"`
	Text    string         `json:"text"`
	Unit    string         `json:"unit"`
	AtUs    Instant        `json:"at_us"`
	Angle   quantity.Value `json:"angle,omitzero"`
	By      string         `json:"by,omitempty"`    // the job's technician at that time, if any
	Alert   string         `json:"alert,omitempty"` // id of the alert that asks what it was, "" if none does
	Why     string         `json:"why"`             // for people
}

// ReadingDismissed sets an unplaced reading aside.
type ReadingDismissed struct {
	Reading uint64 `json:"reading"`
	By      string `json:"by"`
	Reason  string `json:"reason"`
}

// ReadingVoided says that a judged reading counts no longer. The reading and
// its verdict stay in the journal.
type ReadingVoided struct {
	Reading  uint64 `json:"reading"`
	Job      string `json:"job"`
	Step     string `json:"step"`
	Pass     int    `json:"pass"`
	Fastener string `json:"fastener,omitempty"`
	By       string `json:"by"`
	Reason   string `json:"reason"`
}

// ShopAdopted makes a shop description the one in force.
type ShopAdopted struct {
	Shop Shop   `json:"shop"`
	Hash string `json:"hash"`
}

// ProcedureReleased makes a procedure revision available. It never changes.
type ProcedureReleased struct {
	Procedure string  `json:"procedure"`
	Revision  string  `json:"revision"`
	Title     string  `json:"title"`
	Hash      string  `json:"hash"` // SHA-256 of Text, hexadecimal
	Text      string  `json:"text"`
	By        string  `json:"by"`
	AtUs      Instant `json:"at_us"`
}

// JobOpened starts a job, at a bench, pinned to one procedure revision.
type JobOpened struct {
	Job        string `json:"job"`
	UnitSerial string `json:"unit_serial"`
	Customer   string `json:"customer,omitempty"`
	Procedure  string `json:"procedure"`
	Revision   string `json:"revision"`
	Hash       string `json:"hash"`
	// Weighed says that the job's pulls are weighed by evidence, and that
	// closing rounds are asked for; jobs opened before rules 2 go on without.
	Weighed bool    `json:"weighed,omitempty"`
	Bench   string  `json:"bench"`
	By      string  `json:"by"`
	AtUs    Instant `json:"at_us"`
}

// JobPaused frees the bench; nothing is lost.
type JobPaused struct {
	Job  string  `json:"job"`
	By   string  `json:"by"`
	Note string  `json:"note,omitempty"`
	AtUs Instant `json:"at_us"`
}

// JobResumed goes on with a paused job.
type JobResumed struct {
	Job   string  `json:"job"`
	By    string  `json:"by"` // the technician from now on
	Bench string  `json:"bench"`
	AtUs  Instant `json:"at_us"`
}

// JobHandedOver gives a job to another person or bench.
type JobHandedOver struct {
	Job   string  `json:"job"`
	From  string  `json:"from"`
	To    string  `json:"to"`
	Bench string  `json:"bench"`
	Note  string  `json:"note,omitempty"`
	AtUs  Instant `json:"at_us"`
}

// StepFinished says that a step is done: all fasteners of all passes, a
// value within limits, an attestation, or a lead's acceptance.
type StepFinished struct {
	Job    string  `json:"job"`
	Step   string  `json:"step"`
	By     string  `json:"by"`
	Answer string  `json:"answer,omitempty"` // for attested steps
	AtUs   Instant `json:"at_us"`
}

// StepReopened says that a finished step is open again, e.g. after a reading
// was voided.
type StepReopened struct {
	Job  string `json:"job"`
	Step string `json:"step"`
	Why  string `json:"why"`
}

// FastenerPlaced says which fastener the next pull will be at.
type FastenerPlaced struct {
	Job      string  `json:"job"`
	Step     string  `json:"step"`
	Fastener string  `json:"fastener"`
	By       string  `json:"by"`
	AtUs     Instant `json:"at_us"`
}

// DeviationAccepted is an accepted departure from the procedure: a fastener
// (or measured value) left as it is.
type DeviationAccepted struct {
	Job      string  `json:"job"`
	Step     string  `json:"step"`
	Fastener string  `json:"fastener,omitempty"`
	Was      string  `json:"was"` // state before: "high", "low", "doubtful", "missed", …
	By       string  `json:"by"`
	Reason   string  `json:"reason"`
	AtUs     Instant `json:"at_us"`
}

// FastenerReset sends a fastener (or a measured value) back to be done again;
// its readings no longer count, but stay in the record.
type FastenerReset struct {
	Job      string `json:"job"`
	Step     string `json:"step"`
	Fastener string `json:"fastener,omitempty"`
	By       string `json:"by"`
	Reason   string `json:"reason"`
}

// AlertKind names what is wrong.
type AlertKind string

// The kinds of alert.
const (
	AlertMissed       AlertKind = "missed_fastener" // a fastener was left behind
	AlertHigh         AlertKind = "high"            // above the upper limit: held for a lead
	AlertLow          AlertKind = "low_left"        // the last pull was low and work went on
	AlertOutOfOrder   AlertKind = "out_of_order"
	AlertWrongTool    AlertKind = "wrong_tool" // range, kind or date of the tool
	AlertUnitSlip     AlertKind = "unit_slip"  // the right number in the wrong unit
	AlertUnplaced     AlertKind = "unplaced_reading"
	AlertExtraPull    AlertKind = "extra_pull" // more pulls than fasteners
	AlertMeasure      AlertKind = "out_of_limits"
	AlertStepSkipped  AlertKind = "step_skipped" // a step without fasteners was left open
	AlertCounterGap   AlertKind = "reading_lost" // the tool's counter says a reading is missing
	AlertBoxClock     AlertKind = "box_clock"    // a bench box's clock is off by more than the shop bears
	AlertBoxArrival   AlertKind = "box_arrival"  // something that a bench box sent is missing or could not be taken
	AlertToolStatus   AlertKind = "tool_status"  // the tool says overload, low battery, …
	AlertUnknownTool  AlertKind = "unknown_tool"
	AlertToolOff      AlertKind = "tool_off"     // a calibration, check or certificate found a tool outside its limits
	AlertToolUnusual  AlertKind = "tool_unusual" // a check differs from the tool's own history
	AlertReleaseGated AlertKind = "release_refused"
	AlertClosing      AlertKind = "closing_round_left"
	AlertRepeat       AlertKind = "repeat_pull"    // a tight fastener was pulled again in another's place
	AlertSameCycle    AlertKind = "same_cycle"     // one cycle came as two readings
	AlertSeized       AlertKind = "little_turn"    // torque reached with too little rotation: cross-threaded or bottomed
	AlertYield        AlertKind = "turn_no_torque" // rotation without torque: stripping or yielding
	AlertShims        AlertKind = "shims_differ"   // work went on though the re-measured value is not as predicted
	AlertShimStock    AlertKind = "shim_stock_low"
	AlertZeroShift    AlertKind = "zero_shift" // all pulls of a tool are off by the same amount

	AlertLooseEnd    AlertKind = "loose_end"    // something is still loose where it gets harder to close
	AlertOrderGuard  AlertKind = "order_guard"  // what must be in before is not
	AlertUnanswered  AlertKind = "unanswered"   // work began before a step's questions were answered
	AlertOrientation AlertKind = "orientation"  // a part stands otherwise than it was marked
	AlertWrongWay    AlertKind = "wrong_way"    // a part faces the wrong way
	AlertStopCheck   AlertKind = "stop_check"   // no stop one way, or the free travel differs
	AlertOpenTime    AlertKind = "open_time"    // sealant: its open time runs out, or has
	AlertHoldPoint   AlertKind = "hold_waiting" // work went on past a hold point
)

// AlertRaised says that something is wrong and what to do. It stays until it
// is settled; its sound stops when somebody acknowledges.
type AlertRaised struct {
	Alert     string           `json:"alert"` // id: "A" and the cause's journal sequence, "-" and an index
	Kind      AlertKind        `json:"kind"`
	Bench     string           `json:"bench,omitempty"`
	Job       string           `json:"job,omitempty"`
	Step      string           `json:"step,omitempty"`
	Pass      int              `json:"pass"`
	Fasteners []string         `json:"fasteners,omitempty"` // in drawing order
	Items     []string         `json:"items,omitempty"`     // loose ends, items of the step or steps that it names
	Tool      string           `json:"tool,omitempty"`      // the tool, where it is about one
	Reading   uint64           `json:"reading,omitempty"`
	Likely    []FastenerWeight `json:"likely,omitempty"` // which of them it may be, most probable first; P that it was left out
	P         float64          `json:"p,omitempty"`      // probability of what it says, where it was inferred
	Text      string           `json:"text"`             // what is wrong, for people, with figures
	Todo      string           `json:"todo"`             // what to do next
	Blocks    bool             `json:"blocks"`           // release is refused until it is settled
	AtUs      Instant          `json:"at_us"`
}

// AlertAcknowledged says that a person has seen it.
type AlertAcknowledged struct {
	Alert string  `json:"alert"`
	By    string  `json:"by"`
	AtUs  Instant `json:"at_us"`
}

// AlertSettled says that its cause is gone, or that a lead set it aside. By is
// who asked for what settled it.
type AlertSettled struct {
	Alert string  `json:"alert"`
	By    string  `json:"by,omitempty"` // "" if nobody asked: a reading settled it
	How   string  `json:"how"`          // for people
	AtUs  Instant `json:"at_us"`
}

// JobReleased says that the unit may leave: nothing was open.
type JobReleased struct {
	Job  string  `json:"job"`
	By   string  `json:"by"`
	AtUs Instant `json:"at_us"`
	// Facts are the journal sequences of all facts that concerned the job, in
	// order, so that a record can be shown to lack none. The request for the
	// release itself is not among them. Empty in older journals.
	Facts []uint64 `json:"facts,omitempty"`
}

// JobAbandoned ends a job without release.
type JobAbandoned struct {
	Job    string  `json:"job"`
	By     string  `json:"by"`
	Reason string  `json:"reason"`
	AtUs   Instant `json:"at_us"`
}

// RequestRefused answers a request that the rules do not grant.
type RequestRefused struct {
	Request string   `json:"request"` // written type name of the request
	Job     string   `json:"job,omitempty"`
	Code    string   `json:"code"`            // stable: "open_work", "no_right", "unknown_job", …
	Text    string   `json:"text"`            // why, for people
	Todo    string   `json:"todo"`            // what to do next
	Items   []string `json:"items,omitempty"` // what is open, one a line
}

// DeadlineSet says when the rules want to be asked again about a job (see
// TimeReached); 0 clears it.
type DeadlineSet struct {
	Job  string  `json:"job"`
	AtUs Instant `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (ReadingJudged) OutcomeType() (string, int) { return "reading.judged", 1 }

// OutcomeType implements OutcomeData.
func (ReadingUnplaced) OutcomeType() (string, int) { return "reading.unplaced", 1 }

// OutcomeType implements OutcomeData.
func (ReadingDismissed) OutcomeType() (string, int) { return "reading.dismissed", 1 }

// OutcomeType implements OutcomeData.
func (ReadingVoided) OutcomeType() (string, int) { return "reading.voided", 1 }

// OutcomeType implements OutcomeData.
func (ShopAdopted) OutcomeType() (string, int) { return "shop.adopted", 1 }

// OutcomeType implements OutcomeData.
func (ProcedureReleased) OutcomeType() (string, int) { return "procedure.released", 1 }

// OutcomeType implements OutcomeData.
func (JobOpened) OutcomeType() (string, int) { return "job.opened", 1 }

// OutcomeType implements OutcomeData.
func (JobPaused) OutcomeType() (string, int) { return "job.paused", 1 }

// OutcomeType implements OutcomeData.
func (JobResumed) OutcomeType() (string, int) { return "job.resumed", 1 }

// OutcomeType implements OutcomeData.
func (JobHandedOver) OutcomeType() (string, int) { return "job.handed_over", 1 }

// OutcomeType implements OutcomeData.
func (StepFinished) OutcomeType() (string, int) { return "step.finished", 1 }

// OutcomeType implements OutcomeData.
func (StepReopened) OutcomeType() (string, int) { return "step.reopened", 1 }

// OutcomeType implements OutcomeData.
func (FastenerPlaced) OutcomeType() (string, int) { return "fastener.placed", 1 }

// OutcomeType implements OutcomeData.
func (DeviationAccepted) OutcomeType() (string, int) { return "deviation.accepted", 1 }

// OutcomeType implements OutcomeData.
func (FastenerReset) OutcomeType() (string, int) { return "fastener.reset", 1 }

// OutcomeType implements OutcomeData.
func (AlertRaised) OutcomeType() (string, int) { return "alert.raised", 1 }

// OutcomeType implements OutcomeData.
func (AlertAcknowledged) OutcomeType() (string, int) { return "alert.acknowledged", 1 }

// OutcomeType implements OutcomeData.
func (AlertSettled) OutcomeType() (string, int) { return "alert.settled", 1 }

// OutcomeType implements OutcomeData.
func (JobReleased) OutcomeType() (string, int) { return "job.released", 1 }

// OutcomeType implements OutcomeData.
func (JobAbandoned) OutcomeType() (string, int) { return "job.abandoned", 1 }

// OutcomeType implements OutcomeData.
func (RequestRefused) OutcomeType() (string, int) { return "request.refused", 1 }

// OutcomeType implements OutcomeData.
func (DeadlineSet) OutcomeType() (string, int) { return "deadline.set", 1 }
