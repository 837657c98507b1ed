// Package record makes the audit record of a job: for each step, fastener and
// pass what it got, from which tool, how well that tool was calibrated, who
// pulled it, where and when; what was superseded, voided or sent back; every
// deviation; every alert and what became of it; what is missing.
//
// Everything comes from the ledger at one instant. What counts is not decided
// here: the job's decisions are folded by the rules themselves.
package record

import (
	"fmt"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// Standing are the words that every record carries.
var Standing = [...]string{
	procedure.Deference,
	"Witnessmark records and computes; it does not approve.",
}

// Record is everything about one job. Its JSON names are stable. Quantities
// are objects that name their unit, such as {"torque_nm":35.25}; instants are
// microseconds since 1970-01-01 UTC; sequences are places in the journal.
type Record struct {
	Standing   []string   `json:"standing"`
	Job        string     `json:"job"`
	Status     string     `json:"status"` // active, paused, released, abandoned
	Shop       Shop       `json:"shop"`
	UnitModel  string     `json:"unit_model"`
	UnitSerial string     `json:"unit_serial"`
	Customer   string     `json:"customer,omitempty"`
	Procedure  Procedure  `json:"procedure"`
	Weighed    bool       `json:"weighed"` // its pulls are weighed by evidence, not counted alone
	Opened     Moment     `json:"opened"`
	Ended      *Moment    `json:"ended,omitempty"`
	History    []JobEvent `json:"history"`
	Summary    Summary    `json:"summary"`
	Warnings   []string   `json:"warnings"` // why this record may not be whole
	// Removed tells which captures of the job are no longer here, by the shop's
	// rule: raw bytes, traces, samples. What was judged is in here all the same.
	Removed []Removal `json:"captures_removed,omitempty"`
	Steps   []Step    `json:"steps"`
	// Elsewhere are judged readings whose place the procedure does not know.
	Elsewhere  []Pull      `json:"elsewhere"`
	LooseEnds  []LooseEnd  `json:"loose_ends,omitempty"` // each time that one was opened
	Deviations []Deviation `json:"deviations"`
	Alerts     []Alert     `json:"alerts"`
	Unplaced   []Unplaced  `json:"unplaced"`
	SetAside   []SetAside  `json:"set_aside"`        // pulls that count for no fastener, nothing being asked of them
	Questions  []Question  `json:"questions"`        // to the technician
	Lost       []Lost      `json:"lost_cycles"`      // pulls that a tool made and that did not arrive
	Audits     []Audit     `json:"residual_audits"`  // never a witness
	Photos     []Photo     `json:"photos,omitempty"` // of the unit as a whole; the others are with their steps
	Refusals   []Refusal   `json:"refused_requests"`
	Tools      []Tool      `json:"tools"`       // that were used, each calibration its own
	People     []Person    `json:"people"`      // who worked on it
	JournalSeq uint64      `json:"journal_seq"` // up to which the journal is in here
	units      quantity.PreferredUnits
}

// Removal is a removal of captures under the shop's rule.
type Removal struct {
	AtUs     events.Instant `json:"at_us"`
	By       Person         `json:"by"`
	Rule     string         `json:"rule"`
	Captures int64          `json:"captures"` // of this job
	Archive  string         `json:"archive"`  // name of what holds them
	SHA256   string         `json:"archive_sha256"`
	Seqs     []uint64       `json:"journal_seqs"` // of the entries that tell of it
}

// String says it in words, with the time in UTC.
func (x Removal) String() string {
	return fmt.Sprintf("captures removed on %s by %s: %d of this job, with their raw bytes and traces; %s. The archive %s holds them, SHA-256 %s.",
		x.AtUs.Time().UTC().Format("2006-01-02"), x.By, x.Captures, x.Rule, x.Archive, x.SHA256)
}

// Shop is the shop and how it likes to see quantities.
type Shop struct {
	ID         string `json:"id"`
	Name       string `json:"name"`
	TorqueUnit string `json:"torque_unit"` // unit code, such as "lbf.ft"
	LengthUnit string `json:"length_unit"`
}

// Person is somebody, named as the shop file did at that time.
type Person struct {
	ID   string `json:"id"`
	Name string `json:"name,omitempty"`
}

// Moment is who, where and when.
type Moment struct {
	By     Person         `json:"by"`
	Bench  string         `json:"bench,omitempty"`
	AtUs   events.Instant `json:"at_us"`
	Reason string         `json:"reason,omitempty"`
}

// Procedure is the revision that the job was done by.
type Procedure struct {
	ID       string `json:"id"`
	Revision string `json:"revision"`
	Title    string `json:"title"`
	Hash     string `json:"sha256"`
	Released Moment `json:"released"`
}

// JobEvent is something that happened to the job as a whole.
type JobEvent struct {
	Kind  string         `json:"kind"` // opened, paused, resumed, handed_over, released, abandoned, clock_stepped, shop_restored
	By    Person         `json:"by"`
	To    *Person        `json:"to,omitempty"` // who has it from then on
	Bench string         `json:"bench,omitempty"`
	Note  string         `json:"note,omitempty"`
	AtUs  events.Instant `json:"at_us"`
	Seq   uint64         `json:"seq"`
}

// Summary counts. Fasteners is the sum of the five below it.
type Summary struct {
	Fasteners       int            `json:"fasteners"`
	Witnessed       int            `json:"witnessed"` // all passes count, no deviation
	Accepted        int            `json:"accepted"`  // left as it is by a lead's decision
	Missing         int            `json:"missing"`   // not a single reading that counts
	Partly          int            `json:"partly"`    // some passes count, others do not
	Held            int            `json:"held"`      // waits for a lead's decision
	WitnessedBy     map[string]int `json:"witnessed_by_grade"`
	Doubtful        int            `json:"doubtful"` // witnessed, but nearer to a limit than the tool can tell
	Measured        int            `json:"measured"`
	MeasuredOf      int            `json:"measured_of"`
	Attested        int            `json:"attested"`
	AttestedOf      int            `json:"attested_of"`
	Readings        int            `json:"readings_judged"` // each once
	Voided          int            `json:"readings_voided"` // by people
	Deviations      int            `json:"deviations"`
	Alerts          int            `json:"alerts"`
	AlertsOpen      int            `json:"alerts_open"`
	UnplacedOpen    int            `json:"unplaced_open"`
	SetAside        int            `json:"set_aside"` // pulls that are aside, dismissed ones too
	Questions       int            `json:"questions"`
	QuestionsOpen   int            `json:"questions_open"`
	LostCycles      int            `json:"lost_cycles"`
	ReadOtherwise   int            `json:"read_otherwise"` // pulls that later ones showed to be something else
	Audits          int            `json:"residual_audits"`
	AuditsDiffer    int            `json:"residual_audits_differ"`
	Closed          int            `json:"closing_round"`        // witnessed with a closing round
	Short           int            `json:"evidence_short"`       // witnessed on less evidence than the procedure asks for
	LeastSure       *LeastSure     `json:"least_sure,omitempty"` // of the witnessed fasteners that were weighed
	LooseEnds       int            `json:"loose_ends,omitempty"`
	LooseEndsOpen   int            `json:"loose_ends_open,omitempty"`
	RefusedRequests int            `json:"refused_requests"`
}

// LeastSure is the witnessed fastener with the least probability of being tight.
type LeastSure struct {
	Step     string  `json:"step"`
	Fastener string  `json:"fastener"`
	P        float64 `json:"p"`
}

// States of a fastener, or of a measured value.
const (
	Witnessed = "witnessed" // all that the procedure asks counts
	Accepted  = "accepted"  // left as it is by a lead's decision
	Missing   = "missing"   // nothing counts
	Partly    = "partly"    // some passes count
	Held      = "held"      // waits for a lead's decision
)

// Step is one step of the procedure.
type Step struct {
	ID       string         `json:"id"`
	Title    string         `json:"title"`
	Kind     procedure.Kind `json:"kind"`
	Done     bool           `json:"done"`
	Accepted bool           `json:"accepted"` // a lead accepted what was left open
	// Statement and Answer of an attested step; Attested is who and when.
	Statement string      `json:"statement,omitempty"`
	Answer    string      `json:"answer,omitempty"`
	Attested  *Moment     `json:"attested,omitempty"`
	Events    []StepEvent `json:"events"`
	Items     []Item      `json:"items,omitempty"` // answers to what it asks, in journal order
	Holds     []HoldEvent `json:"holds,omitempty"` // what happened at its hold point
	Joint     *Joint      `json:"joint,omitempty"`
	Kit       *Kit        `json:"kit,omitempty"`
	Press     *Press      `json:"press,omitempty"`
	Photos    []Photo     `json:"photos,omitempty"`
	Shims     *Shims      `json:"shims,omitempty"`
	Measure   *Measure    `json:"measure,omitempty"`
}

// StepEvent says that a step was finished or is open again.
type StepEvent struct {
	Kind string         `json:"kind"` // finished, reopened
	By   Person         `json:"by"`
	Note string         `json:"note,omitempty"`
	AtUs events.Instant `json:"at_us"`
	Seq  uint64         `json:"seq"`
}

// Joint is what a torque step's fasteners have in common.
type Joint struct {
	Class       procedure.Class `json:"class"`
	Evidence    events.Grade    `json:"evidence"` // the least that the procedure takes
	Thread      string          `json:"thread,omitempty"`
	Strength    string          `json:"strength,omitempty"`
	Lubrication string          `json:"lubrication,omitempty"`
	Face        string          `json:"face,omitempty"`
	FaceTitle   string          `json:"face_title,omitempty"`
	Passes      []Pass          `json:"passes"`
	Fasteners   []Fastener      `json:"fasteners"` // all of them, in drawing order
}

// Pass is one round, as the procedure asks for it.
type Pass struct {
	Name    string         `json:"name"`
	Target  quantity.Value `json:"target,omitzero"`
	LSL     quantity.Value `json:"lsl,omitzero"`
	USL     quantity.Value `json:"usl,omitzero"`
	AngleLo quantity.Value `json:"angle_lo,omitzero"`
	AngleHi quantity.Value `json:"angle_hi,omitzero"`
	Closing bool           `json:"closing,omitempty"` // the closing round
	Unit    string         `json:"unit"`              // code of the unit that the procedure states it in
	unit    quantity.Unit
}

// Fastener is one fastener at its place.
type Fastener struct {
	ID    string  `json:"id"`
	Note  string  `json:"note,omitempty"`
	Xmm   float64 `json:"x_mm"`
	Ymm   float64 `json:"y_mm"`
	State string  `json:"state"` // Witnessed, Accepted, …
	// Grade of a witnessed one. Where pulls are weighed it is that of the final
	// pass, or of the closing round if that is more; else the weakest of all.
	Grade events.Grade `json:"grade,omitempty"`
	P     float64      `json:"p,omitempty"` // probability that it is tight, as last weighed; 0: not weighed
	// Closed is set of one that was pulled again in a closing round, which counts.
	Closed bool `json:"closing_round,omitempty"`
	// Short is set of a witnessed one whose evidence is less than the procedure
	// asks for, and that had no closing round in its place.
	Short bool `json:"evidence_short,omitempty"`
	// Doubtful is set if a reading that counts is nearer to a limit than the
	// tool's uncertainty.
	Doubtful bool `json:"doubtful"`
	// Disturbed is set if it was done before and must be done again.
	Disturbed  bool         `json:"disturbed"`
	Passes     []PassResult `json:"passes"` // those that it is in
	Deviations []Deviation  `json:"deviations,omitempty"`
}

// PassResult is what a fastener got in a pass.
type PassResult struct {
	Pass    string `json:"pass"`
	Index   int    `json:"index"`   // from 0
	Missing bool   `json:"missing"` // nothing counts in it
	// NotNeeded is set for a closing round that the evidence makes needless.
	NotNeeded bool   `json:"not_needed,omitempty"`
	Pulls     []Pull `json:"pulls"` // all of them, in journal order; at most one counts
}

// Measure is a measured value and what the procedure asks of it.
type Measure struct {
	What       string         `json:"what"`
	Target     quantity.Value `json:"target,omitzero"`
	LSL        quantity.Value `json:"lsl,omitzero"`
	USL        quantity.Value `json:"usl,omitzero"`
	Unit       string         `json:"unit"`
	State      string         `json:"state"` // Witnessed, Accepted, Missing or Held (counts, but is out of limits)
	Values     []Pull         `json:"values"`
	Deviations []Deviation    `json:"deviations,omitempty"`
	Guided     []Guided       `json:"guided,omitempty"` // measurements that the program led through, attempt by attempt
	unit       quantity.Unit
}

// Pull is one reading that was judged for a place.
type Pull struct {
	Counts   bool           `json:"counts"`
	Fate     string         `json:"fate,omitempty"` // why it does not count: "voided", "sent back", "superseded", "low", …
	FateBy   *Person        `json:"fate_by,omitempty"`
	FateWhy  string         `json:"fate_why,omitempty"`
	FateAtUs events.Instant `json:"fate_at_us,omitempty"`

	Step        string         `json:"step"`
	Pass        int            `json:"pass"`
	Fastener    string         `json:"fastener,omitempty"`
	Value       quantity.Value `json:"value"`
	SentText    string         `json:"sent_text"`
	SentUnit    string         `json:"sent_unit"` // unit code
	UnitAssumed bool           `json:"unit_assumed,omitempty"`
	LSL         quantity.Value `json:"lsl,omitzero"`
	Target      quantity.Value `json:"target,omitzero"`
	USL         quantity.Value `json:"usl,omitzero"`
	U           quantity.Value `json:"u_expanded,omitzero"` // expanded uncertainty, k = 2
	Angle       quantity.Value `json:"angle,omitzero"`
	Verdict     events.Verdict `json:"verdict"`
	Grade       events.Grade   `json:"grade,omitempty"` // of one that counts: as last weighed
	P           float64        `json:"p,omitempty"`     // probability that the fastener is tight by this pull, where it was reasoned
	ReadAs      *ReadAs        `json:"read_as,omitempty"`
	Trace       int            `json:"trace_samples,omitempty"` // of the whole pull; the trace is in the journal
	Mode        events.Mode    `json:"mode,omitempty"`
	ToolStatus  string         `json:"tool_status,omitempty"`
	Stale       bool           `json:"stale,omitempty"` // waited in the line: its time is not known
	// CameLateUs is when it reached the shop, of a reading that a bench box kept
	// back while the shop was away; it was judged with the time it was taken.
	CameLateUs events.Instant `json:"came_late_us,omitempty"`
	Box        string         `json:"box,omitempty"` // which box that was
	Tool       Tool           `json:"tool"`
	By         Person         `json:"by"`
	Bench      string         `json:"bench"`
	TakenAtUs  events.Instant `json:"taken_at_us"`       // when the reading reached the machine; 0: not known
	AtUs       events.Instant `json:"at_us"`             // as the decision says
	Claimed    string         `json:"claimed,omitempty"` // reason, if a person assigned it
	ReadingSeq uint64         `json:"reading_seq"`
	DecidedSeq uint64         `json:"decided_seq"`
}

// Tool is a tool with its calibration on that day.
type Tool struct {
	ID         string `json:"id"`
	Name       string `json:"name,omitempty"`
	Serial     string `json:"serial,omitempty"`
	Calibrated string `json:"calibrated,omitempty"` // YYYY-MM-DD, as the decision says
	Due        string `json:"due,omitempty"`        // YYYY-MM-DD, as the shop file said
}

// Deviation is an accepted departure from the procedure.
type Deviation struct {
	Step     string         `json:"step"`
	Fastener string         `json:"fastener,omitempty"`
	Tool     string         `json:"tool,omitempty"` // a refused tool that was let be used; Was says why it is refused
	Was      string         `json:"was"`
	By       Person         `json:"by"`
	Reason   string         `json:"reason"`
	AtUs     events.Instant `json:"at_us"`
	Seq      uint64         `json:"seq"`
}

// Alert is an alert and what became of it.
type Alert struct {
	ID          string           `json:"id"`
	Kind        events.AlertKind `json:"kind"`
	Step        string           `json:"step,omitempty"`
	Fasteners   []string         `json:"fasteners,omitempty"`
	Tool        string           `json:"tool,omitempty"`
	Likely      []Candidate      `json:"likely,omitempty"` // which of them it may be, most probable first
	P           float64          `json:"p,omitempty"`      // probability of what it says, where it was inferred
	Text        string           `json:"text"`
	Todo        string           `json:"todo"`
	Blocks      bool             `json:"blocks"`
	AtUs        events.Instant   `json:"at_us"`
	Seq         uint64           `json:"seq"`
	ReadingSeq  uint64           `json:"reading_seq,omitempty"`
	SeenBy      *Person          `json:"acknowledged_by,omitempty"`
	SeenAtUs    events.Instant   `json:"acknowledged_at_us,omitempty"`
	Settled     bool             `json:"settled"`
	SettledBy   *Person          `json:"settled_by,omitempty"` // nil: an event settled it
	SettledHow  string           `json:"settled_how,omitempty"`
	SettledAtUs events.Instant   `json:"settled_at_us,omitempty"`
}

// Unplaced is a reading that belonged to nothing that was open.
type Unplaced struct {
	Value      quantity.Value `json:"value"`
	SentText   string         `json:"sent_text"`
	SentUnit   string         `json:"sent_unit"`
	Tool       string         `json:"tool"`
	Bench      string         `json:"bench"`
	Why        string         `json:"why"`
	AtUs       events.Instant `json:"at_us"`
	ReadingSeq uint64         `json:"reading_seq"`
	Fate       string         `json:"fate"` // open, claimed, dismissed
	FateJob    string         `json:"fate_job,omitempty"`
	FateBy     *Person        `json:"fate_by,omitempty"`
	FateReason string         `json:"fate_reason,omitempty"`
	FateAtUs   events.Instant `json:"fate_at_us,omitempty"`
}

// Refusal is a request that the rules did not grant.
type Refusal struct {
	Request string         `json:"request"`
	By      Person         `json:"by"`
	Code    string         `json:"code"`
	Text    string         `json:"text"`
	Todo    string         `json:"todo"`
	Items   []string       `json:"items,omitempty"`
	AtUs    events.Instant `json:"at_us"`
	Seq     uint64         `json:"seq"`
}

// clock writes an instant as people read it, in UTC.
func clock(i events.Instant) string {
	if i == 0 {
		return "time not known"
	}
	return i.Time().Format(time.DateTime)
}
