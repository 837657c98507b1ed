// Package rules decides what each fact means: to which job, step, pass and
// fastener a reading belongs, what it is worth, what is missing, and whether
// a request is granted. It is pure: no clock, no I/O, no randomness; time
// comes with the input. The same journal gives the same decisions on every
// machine.
//
//	outcomes := rules.Decide(state, entry)   // looks, does not touch
//	rules.Evolve(state, decided)             // folds, cannot fail
//
// State changes by Evolve alone, in journal order, so it can always be
// rebuilt from the Decided events.
package rules

import (
	"witnessmark/events"
	"witnessmark/rules/drift"
	"witnessmark/rules/learn"
	"witnessmark/rules/match"
	"witnessmark/rules/procedure"
)

// Version is written with every decision. A change of what the rules decide
// changes it; old decisions stay as they are.
const Version = "13"

// State is the fold over all decisions. Jobs that have ended leave it, so its
// size follows the open work, not the journal. Use New; read it freely, but
// change it by Evolve only.
type State struct {
	Cause      uint64      // greatest cause decided: facts up to here are answered
	Shop       events.Shop // in force; zero before the first
	ShopHash   string
	Procedures map[string]*procedure.Procedure   // by ProcKey
	Newest     map[string]string                 // procedure id -> newest released revision
	Jobs       map[string]*Job                   // open jobs by id
	Ended      map[string]bool                   // ids of jobs that have ended; an id is used once
	BenchJob   map[string]string                 // bench id -> job that is being worked on there
	Unplaced   map[uint64]events.ReadingUnplaced // by reading
	Alerts     map[string]*Alert                 // open alerts by id
	// Boxes holds how each bench box was last, Late the newest run of each source
	// that came late; BenchSince and BenchPast what was at a bench, and since when.
	Boxes      map[string]events.BoxNoted
	Late       map[string]LateRun
	BenchSince map[string]events.Instant
	BenchPast  map[string]BenchPast
	Tools      map[string]*Tool   // the register, by tool id
	Recalls    map[string]*Recall // by id, closed ones without their lines
	// Series holds what tools deviated at the points at which they were checked.
	Series map[string][]Series
	// Peers holds the torque rates of released jobs, Suspects the tools that they
	// speak against, Renewed since when a tool is what it is.
	Peers    *drift.Peers
	Suspects map[string]events.ToolSuspected
	Renewed  map[string]events.Instant
	// Learned is what the pulls of released jobs taught, by LearnKey.
	Learned *learn.State
	// Serials tells, by part number and serial, which job a part went into.
	Serials map[string]SerialUse
	// Shims holds what lies in the drawers of shims, by the drawer's id; see
	// ShimDrawers.
	Shims map[string][]events.ShimPiece
	// ProcTexts holds the files of the released procedures, by ProcKey.
	ProcTexts map[string]string
	// Unreadable tells, by ProcKey, why a released procedure cannot be read by
	// this program. The service must not go on with one: its jobs would be lost.
	Unreadable map[string]string

	index index // computed from the rest
}

// ProcKey is the key of a procedure revision in State.Procedures.
func ProcKey(id, revision string) string { return id + "/" + revision }

// JobStatus is where an open job stands.
type JobStatus string

// The states of an open job.
const (
	JobActive JobStatus = "active" // at a bench
	JobPaused JobStatus = "paused"
)

// Job is one unit being rebuilt.
type Job struct {
	ID         string
	UnitSerial string
	Customer   string
	Proc       *procedure.Procedure
	Bench      string // where it is, or was before the pause
	Technician string // person id
	Weighed    bool   // its pulls are weighed by evidence
	Status     JobStatus
	OpenedAt   events.Instant
	Steps      []StepState    // in procedure order
	Deadline   events.Instant // ask again then; 0: never
	LastAt     events.Instant // of the last reading, start, resume or hand-over
	Notes      []string       // hand-over and pause notes, oldest first
	Alerts     []string       // ids of its open alerts, oldest first
	LooseEnds  []LooseEnd     // that were opened, closed ones too, oldest first
	// Question is the one that waits for an answer, nil if none does.
	Question *events.QuestionAsked
	// Aside holds the latest pulls that were set aside, oldest first.
	Aside []events.PullSetAside
	// Strayed are the latest pulls of which it was said that they were made at a
	// joint before its turn.
	Strayed []uint64 `json:",omitempty"`
	// Lost holds, by tool, the cycles lost since its last weighed pull.
	Lost map[string]int
	// Audit says that the next pull at the bench is a residual-torque audit.
	Audit *events.ResidualAuditOpened
	// Overrides are the leads' decisions to use a tool that is refused.
	Overrides []events.OverrideGiven
	// Residuals holds the latest audits, oldest first.
	Residuals []events.ResidualJudged
	// Picked is the part of a kit that is being told, nil if none is.
	Picked *events.PartPicked
	// Photos are the photos that were kept, oldest first.
	Photos []events.PhotoKept
	// Streaming are the tools whose samples were looked into: what they settle on
	// is in those.
	Streaming []string
	// Rest is where the tool of the guided measurement made last stood then.
	Rest *GuidedRest `json:",omitempty"`
	// Pointed is the fastener that somebody said the next pull will be at.
	PointedStep, Pointed string
	// Facts are the journal sequences of the facts that concerned it, in order.
	Facts []uint64

	matching *match.Params // see State.UseMatching
}

// StepState is how far a step has come.
type StepState struct {
	Done      bool
	Pass      int             // current pass, index; len(Passes) once all are done
	Fasteners []FastenerState // of a torque step, as Joint.Fasteners
	Weigh     []*PassWeigh    // of a torque step, by pass; see ownWeigh
	Value     *Mark           // of a measure step: the reading that counts
	Accepted  bool            // left open or out of limits by a lead's decision
	Answer    string          // of an attested step
	// ChangedAt is when the step was finished, opened again, decided on or pointed
	// into last; 0: never.
	ChangedAt events.Instant
	Items     []ItemState // answers to what the step asks, oldest first
	Shim      *ShimState  `json:",omitempty"` // of a shim step whose stack is chosen
	// Hold is set once the work is done and waits for its hold point; HoldPassed
	// once that is released.
	Hold       *events.HoldOpened
	HoldPassed bool
	Asked      []int `json:",omitempty"` // fasteners that are to be pulled once more, first the one that was named first
	// Parts is what is recorded of a parts step's kit, oldest first.
	Parts []events.PartRecorded
	// Presses are the places of a press step, as PressSpec.Places.
	Presses  []PressState
	Guided   *Guided                 // of one that is measured under guidance: how far it is; nil before and after
	Attempts int                     // how often that was begun
	Made     *events.MeasurementMade // its latest result
}

// FastenerState is how far a fastener has come.
type FastenerState struct {
	Marks    []Mark // by pass; a zero Mark where nothing counts yet
	Held     bool   // high: nothing more until a lead decides
	Accepted bool   // left as it is by a lead's decision
	// Closing is the fastener's pass in the closing round, 0 for none: it is
	// needed where NeedsClosing is set and the final pull is less evidence than
	// Demands.
	Closing      int
	NeedsClosing bool
	Weighed      bool // its pulls are weighed: a later pass makes good what an earlier one left
	Demands      events.Grade
	Enough       float64 // probability with which a reasoned final pull is evidence enough
	P            float64 // probability that it is tight, as last weighed; 0: not weighed
	Redo         bool    // was witnessed or held before, must be done again: drawn as disturbed
}

// Mark is a reading that counts for a fastener in a pass, or for a measure
// step. Low marks are kept, but do not count as done.
type Mark struct {
	Reading uint64 // journal sequence; 0: none
	Verdict events.Verdict
	Grade   events.Grade
	Judged  *events.ReadingJudged // nil where there is no reading; never changed, so states share it
}

// Alert is an open alert.
type Alert struct {
	events.AlertRaised
	AckBy string         // person who has seen it, "" if nobody
	AckAt events.Instant // when
}

// Look is how a fastener is to be drawn.
type Look string

// The looks, as the design of the bench page names them.
const (
	LookWaiting   Look = "waiting"
	LookNext      Look = "next"
	LookPart      Look = "part"      // partly done: an earlier pass counts
	LookWitnessed Look = "witnessed" // all passes count, or accepted
	LookDisturbed Look = "disturbed" // to be done again
	LookLow       Look = "low"
	LookHigh      Look = "high"
	LookDoubtful  Look = "doubtful"
	LookMissed    Look = "missed" // an open alert says it was left behind
)
