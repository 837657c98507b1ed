package events

import "witnessmark/events/quantity"

// This file holds what people attest: loose ends, the items that a step asks
// for (marks, which way parts face, stop checks, sealant and grease), hold
// points, and who works at a bench.

// Who may close a loose end by a word, and who may release a hold point.
const (
	ByAnyone = ""              // whoever works on the job
	BySecond = "second_person" // a person who did none of the work
	ByLead   = "lead"          // a lead who did none of the work
)

// LooseEndOpenAsked says that something was slackened, left finger tight or
// put in for a time, which no step of the procedure knows of.
type LooseEndOpenAsked struct {
	Ask
	Job    string `json:"job"`
	Step   string `json:"step,omitempty"` // where it was done; "": the current step
	What   string `json:"what"`           // "rag in the sump"
	Closes string `json:"closes"`         // what will close it, in words: "the rag is out"
	Who    string `json:"who,omitempty"`  // ByAnyone, BySecond or ByLead
}

// LooseEndCloseAsked says that a loose end is closed: what it names has been
// done.
type LooseEndCloseAsked struct {
	Ask
	Job      string `json:"job"`
	LooseEnd string `json:"loose_end"` // its id
	Answer   string `json:"answer"`    // what was done, or seen
}

// Answers to the two questions of a stop check.
const (
	StopStops  = "stops"    // it came to a stop
	StopTurnOn = "turns_on" // it did not
)

// ItemAnswerAsked answers one thing that a step asks for. Which of the fields
// count hangs on the kind of item.
type ItemAnswerAsked struct {
	Ask
	Job  string `json:"job"`
	Step string `json:"step"`
	Item string `json:"item"` // id of the item in the step
	// Answer is a clock position ("7", "7:30") for a mark, the key of a choice
	// for a part that faces some way, StopStops or StopTurnOn for the first way
	// of a stop check; not used for sealant and grease.
	Answer string `json:"answer,omitempty"`
	Other  string `json:"other,omitempty"` // the other way of a stop check
	Remark string `json:"remark,omitempty"`
	Photo  string `json:"photo,omitempty"` // id of a stored photo, "" for none
	// Readings are journal sequences of indicator or angle readings for a stop
	// check: one is the free travel, two are its ends. Text and Unit are a
	// travel that was typed instead.
	Readings []uint64 `json:"readings,omitempty"`
	Text     string   `json:"text,omitempty"`
	Unit     string   `json:"unit,omitempty"`
	AgoS     int      `json:"ago_s,omitempty"` // sealant was applied so many seconds ago
}

// ItemDecisionAsked is a lead's decision on an item that differs from what the
// procedure wants.
type ItemDecisionAsked struct {
	Ask
	Job    string `json:"job"`
	Step   string `json:"step"`
	Item   string `json:"item"`
	Choice string `json:"choice"` // ChoiceAccept or ChoiceRedo
	Reason string `json:"reason"`
}

// HoldReleaseAsked releases a hold point.
type HoldReleaseAsked struct {
	Ask
	Job  string `json:"job"`
	Step string `json:"step"`
	Note string `json:"note,omitempty"`
}

// BadgeScanned is a line from a scanner, or a short code that was typed: it
// says who works at Ask.Bench from now on. Ask.By is empty: the badge tells.
type BadgeScanned struct {
	Ask
	Badge string `json:"badge"`
}

// LooseEndOpened says that something is loose, and what must close it.
type LooseEndOpened struct {
	Job      string  `json:"job"`
	LooseEnd string  `json:"loose_end"` // id: that of the procedure, or "L" and the request's journal sequence
	Step     string  `json:"step"`      // that opened it
	What     string  `json:"what"`
	Closes   string  `json:"closes"`        // the evidence that closes it, for people
	Who      string  `json:"who,omitempty"` // who may close it by a word; ByAnyone too where readings close it
	Adhoc    bool    `json:"adhoc"`         // not of the procedure
	Seq      uint64  `json:"seq"`           // journal sequence of the fact that opened it: evidence comes after
	By       string  `json:"by"`            // who opened it
	AtUs     Instant `json:"at_us"`
}

// LooseEndClosed says that the named evidence is there.
type LooseEndClosed struct {
	Job      string   `json:"job"`
	LooseEnd string   `json:"loose_end"`
	How      string   `json:"how"`                // for people
	Answer   string   `json:"answer,omitempty"`   // as it was attested
	Readings []uint64 `json:"readings,omitempty"` // that are the evidence
	By       string   `json:"by"`
	AtUs     Instant  `json:"at_us"`
}

// LooseEndReopened says that the evidence no longer holds.
type LooseEndReopened struct {
	Job      string  `json:"job"`
	LooseEnd string  `json:"loose_end"`
	Why      string  `json:"why"`
	AtUs     Instant `json:"at_us"`
}

// ItemAnswered is an answer to one thing that a step asks for, judged. A later
// one for the same item takes its place.
type ItemAnswered struct {
	Job      string         `json:"job"`
	Step     string         `json:"step"`
	Item     string         `json:"item"`
	Kind     string         `json:"kind"` // mark, match, facing, stop, sealant, grease
	What     string         `json:"what"` // what the item is about, for people
	Answer   string         `json:"answer"`
	Other    string         `json:"other,omitempty"`
	Wanted   string         `json:"wanted,omitempty"` // what was right: the mark as recorded, the way that it faces
	Good     bool           `json:"good"`
	Text     string         `json:"text"` // the answer and what it means, for people
	Remark   string         `json:"remark,omitempty"`
	Photo    string         `json:"photo,omitempty"`
	Readings []uint64       `json:"readings,omitempty"`
	Travel   quantity.Value `json:"travel,omitzero"`    // free travel of a stop check
	FromUs   Instant        `json:"from_us,omitempty"`  // when sealant was applied
	UntilUs  Instant        `json:"until_us,omitempty"` // end of its open time
	WarnUs   Instant        `json:"warn_us,omitempty"`  // when to warn of the end
	By       string         `json:"by"`
	AtUs     Instant        `json:"at_us"`
}

// ItemDecided is a lead's decision on an item: accepted as it is, which is a
// deviation, or to be done and asked again.
type ItemDecided struct {
	Job    string  `json:"job"`
	Step   string  `json:"step"`
	Item   string  `json:"item"`
	Choice string  `json:"choice"`
	Was    string  `json:"was"` // the answer decided on, for people
	By     string  `json:"by"`
	Reason string  `json:"reason"`
	AtUs   Instant `json:"at_us"`
}

// SealantClosed says that the last bolt of the joint is tight on sealant.
type SealantClosed struct {
	Job    string  `json:"job"`
	Step   string  `json:"step"`
	Item   string  `json:"item"`
	InTime bool    `json:"in_time"` // within its open time
	AtUs   Instant `json:"at_us"`
}

// HoldOpened says that a step's work is done and waits for its hold point.
type HoldOpened struct {
	Job    string  `json:"job"`
	Step   string  `json:"step"`
	Hold   string  `json:"hold"` // ByLead or BySecond
	Answer string  `json:"answer,omitempty"`
	By     string  `json:"by"` // who finished the work
	AtUs   Instant `json:"at_us"`
}

// HoldReleased says that a second person has released a hold point.
type HoldReleased struct {
	Job  string  `json:"job"`
	Step string  `json:"step"`
	Note string  `json:"note,omitempty"`
	By   string  `json:"by"`
	AtUs Instant `json:"at_us"`
}

// HoldWithdrawn says that a step which waited for its hold point, or had
// passed it, has to be worked on again.
type HoldWithdrawn struct {
	Job  string  `json:"job"`
	Step string  `json:"step"`
	Why  string  `json:"why"`
	AtUs Instant `json:"at_us"`
}

// BenchTaken says who works at a bench from now on.
type BenchTaken struct {
	Bench  string  `json:"bench"`
	Person string  `json:"person"`
	Was    string  `json:"was,omitempty"` // technician of the job until then, "" if there is none
	Job    string  `json:"job,omitempty"` // active there
	How    string  `json:"how"`           // "badge" or "code"
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (LooseEndOpenAsked) EventType() (string, int) { return "loose_end_open.asked", 1 }

// EventType implements Data.
func (LooseEndCloseAsked) EventType() (string, int) { return "loose_end_close.asked", 1 }

// EventType implements Data.
func (ItemAnswerAsked) EventType() (string, int) { return "item_answer.asked", 1 }

// EventType implements Data.
func (ItemDecisionAsked) EventType() (string, int) { return "item_decision.asked", 1 }

// EventType implements Data.
func (HoldReleaseAsked) EventType() (string, int) { return "hold_release.asked", 1 }

// EventType implements Data.
func (BadgeScanned) EventType() (string, int) { return "badge.scanned", 1 }

// OutcomeType implements OutcomeData.
func (LooseEndOpened) OutcomeType() (string, int) { return "loose_end.opened", 1 }

// OutcomeType implements OutcomeData.
func (LooseEndClosed) OutcomeType() (string, int) { return "loose_end.closed", 1 }

// OutcomeType implements OutcomeData.
func (LooseEndReopened) OutcomeType() (string, int) { return "loose_end.reopened", 1 }

// OutcomeType implements OutcomeData.
func (ItemAnswered) OutcomeType() (string, int) { return "item.answered", 1 }

// OutcomeType implements OutcomeData.
func (ItemDecided) OutcomeType() (string, int) { return "item.decided", 1 }

// OutcomeType implements OutcomeData.
func (SealantClosed) OutcomeType() (string, int) { return "sealant.closed", 1 }

// OutcomeType implements OutcomeData.
func (HoldOpened) OutcomeType() (string, int) { return "hold.opened", 1 }

// OutcomeType implements OutcomeData.
func (HoldReleased) OutcomeType() (string, int) { return "hold.released", 1 }

// OutcomeType implements OutcomeData.
func (HoldWithdrawn) OutcomeType() (string, int) { return "hold.withdrawn", 1 }

// OutcomeType implements OutcomeData.
func (BenchTaken) OutcomeType() (string, int) { return "bench.taken", 1 }
