package events

import "witnessmark/events/quantity"

// Condition says whether a part is new or comes from the unit.
type Condition string

// The conditions of a part.
const (
	PartNew    Condition = "new"
	PartReused Condition = "re-used"
)

// Attribute is one property of a part that people read on it: its tooth
// style, a side mark, its hand, its thickness class.
type Attribute struct {
	Key   string `json:"key"`
	Value string `json:"value"`
}

// PartScanned brings one line of a scanner that types (a keyboard wedge), or
// the same typed by hand: a part number, perhaps with its lot or serial behind
// it, or the lot or serial of the part that was scanned before.
type PartScanned struct {
	Ask
	Job  string `json:"job"`
	Step string `json:"step"`
	Text string `json:"text"`
}

// PartAnswered answers a line of a kit, or adds to what is known of the part
// that was scanned last. Empty fields add nothing.
type PartAnswered struct {
	Ask
	Job        string      `json:"job"`
	Step       string      `json:"step"`
	Part       string      `json:"part"`            // id of the line of the kit
	Trace      string      `json:"trace,omitempty"` // lot or serial
	Count      int         `json:"count,omitempty"`
	Condition  Condition   `json:"condition,omitempty"`
	Attributes []Attribute `json:"attributes,omitempty"`
}

// PartUndoAsked asks that what was recorded for a line of a kit counts no
// longer: the wrong part was scanned.
type PartUndoAsked struct {
	Ask
	Job    string `json:"job"`
	Step   string `json:"step"`
	Part   string `json:"part"`
	Reason string `json:"reason"`
}

// PartInHand is a part as somebody sees it before it is pressed: what its
// label says, and its attributes.
type PartInHand struct {
	Part       string      `json:"part"`            // id of the line of the kit
	Trace      string      `json:"trace,omitempty"` // lot or serial
	Attributes []Attribute `json:"attributes,omitempty"`
}

// PressReadyAsked asks to press: these are the parts that will be pressed
// together. It is granted if they are those of the kit and match.
type PressReadyAsked struct {
	Ask
	Job   string       `json:"job"`
	Step  string       `json:"step"`
	Place string       `json:"place"`
	Parts []PartInHand `json:"parts"`
}

// PressRechecked says what the look or the turn by hand after a pressing
// showed.
type PressRechecked struct {
	Ask
	Job    string `json:"job"`
	Step   string `json:"step"`
	Place  string `json:"place"`
	Good   bool   `json:"good"`
	Answer string `json:"answer,omitempty"` // in the technician's words
}

// PhotoTaken says that a photo is in the object store of the journal: it was
// synced to disk before this was written. Hash is its identity there.
type PhotoTaken struct {
	Ask
	Job    string `json:"job"`
	Step   string `json:"step,omitempty"` // "": of the unit as a whole
	Hash   string `json:"hash"`           // SHA-256 of the file, hexadecimal
	Size   int64  `json:"size"`           // bytes
	Type   string `json:"type"`           // media type: "image/jpeg"
	Width  int    `json:"width_px"`
	Height int    `json:"height_px"`
	Note   string `json:"note,omitempty"`
}

// Stroke is one pressing from contact to release, sample by sample. TimesUs,
// Force and, unless it is empty, Travel are of one length.
type Stroke struct {
	TimesUs []int64   `json:"times_us"` // of each sample, from the first
	Force   []float64 `json:"force_n"`
	Travel  []float64 `json:"travel_mm,omitempty"` // of the ram, from the first; empty: the gauge tells none, or see TravelNote
	// TravelNote says for people what was wrong with the travel that the gauge
	// told. Without Travel it is why there is none; with it, what was left out.
	TravelNote string `json:"travel_note,omitempty"`
}

// PartPicked says that a line of a kit is being answered and what is known of
// the part so far. Missing says in words what is still to be told.
type PartPicked struct {
	Job        string      `json:"job"`
	Step       string      `json:"step"`
	Part       string      `json:"part"`
	Scanned    bool        `json:"scanned,omitempty"` // its number was read by a scanner
	Trace      string      `json:"trace,omitempty"`
	Count      int         `json:"count,omitempty"`
	Condition  Condition   `json:"condition,omitempty"`
	Attributes []Attribute `json:"attributes,omitempty"`
	Missing    []string    `json:"missing"`
	By         string      `json:"by"`
	AtUs       Instant     `json:"at_us"`
}

// PartRecorded says that parts went into a unit: their number, name and count,
// lot or serial, condition and attributes. This is also the consumption.
type PartRecorded struct {
	Job        string      `json:"job"`
	Step       string      `json:"step"`
	Part       string      `json:"part"`   // id of the line of the kit
	Number     string      `json:"number"` // part number
	Name       string      `json:"name"`
	Count      int         `json:"count"`
	Trace      string      `json:"trace,omitempty"`  // lot or serial
	Serial     bool        `json:"serial,omitempty"` // Trace is a serial: one part, once
	Condition  Condition   `json:"condition"`
	Scanned    bool        `json:"scanned,omitempty"`
	Attributes []Attribute `json:"attributes,omitempty"`
	By         string      `json:"by"`
	AtUs       Instant     `json:"at_us"`
}

// PartUndone says that what was recorded for a line of a kit counts no longer.
type PartUndone struct {
	Job    string  `json:"job"`
	Step   string  `json:"step"`
	Part   string  `json:"part"`
	By     string  `json:"by"`
	Reason string  `json:"reason"`
	AtUs   Instant `json:"at_us"`
}

// PressCleared says that the parts in hand are those of the kit and match:
// they may be pressed together.
type PressCleared struct {
	Job   string       `json:"job"`
	Step  string       `json:"step"`
	Place string       `json:"place"`
	Parts []PartInHand `json:"parts"`
	By    string       `json:"by"`
	AtUs  Instant      `json:"at_us"`
}

// SeatFound says what a pressing told of the seat.
type SeatFound string

// What a pressing told of the seat.
const (
	SeatReached SeatFound = "reached"     // the force jumped, or the ram came to its place
	SeatNot     SeatFound = "not_reached" // it should have, and did not
	SeatUnknown SeatFound = "unknown"     // the gauge gave one value and no course
	SeatUnasked SeatFound = "not_asked"   // the procedure does not ask
)

// PressJudged says what a pressing told beside its greatest force, which has a
// judgement of its own.
type PressJudged struct {
	Reading uint64         `json:"reading"`
	Job     string         `json:"job"`
	Step    string         `json:"step"`
	Place   string         `json:"place"`
	Seat    SeatFound      `json:"seat"`
	Force   quantity.Value `json:"force,omitzero"`  // at which the seat was reached
	Jump    quantity.Value `json:"jump,omitzero"`   // by how much the force rose from there
	Travel  quantity.Value `json:"travel,omitzero"` // of the ram up to there
	AfterUs int64          `json:"after_us,omitempty"`
	Samples int            `json:"samples"` // of the stroke; 0: none
	Text    string         `json:"text"`    // for people
	By      string         `json:"by"`
	AtUs    Instant        `json:"at_us"`
}

// PressRecheckNoted says what the re-check after a pressing showed.
type PressRecheckNoted struct {
	Job    string  `json:"job"`
	Step   string  `json:"step"`
	Place  string  `json:"place"`
	Good   bool    `json:"good"`
	Answer string  `json:"answer,omitempty"`
	By     string  `json:"by"`
	AtUs   Instant `json:"at_us"`
}

// PhotoKept says that a photo belongs to a job. Photo is its id, by which
// other events may name it.
type PhotoKept struct {
	Photo  string  `json:"photo"`
	Job    string  `json:"job"`
	Step   string  `json:"step,omitempty"`
	Hash   string  `json:"hash"`
	Size   int64   `json:"size"`
	Type   string  `json:"type"`
	Width  int     `json:"width_px"`
	Height int     `json:"height_px"`
	Note   string  `json:"note,omitempty"`
	By     string  `json:"by"`
	AtUs   Instant `json:"at_us"`
}

// The kinds of alert that parts and presses raise.
const (
	AlertPressForce   AlertKind = "press_force"      // above the force limit: held for a lead
	AlertPressSeat    AlertKind = "press_not_seated" // the force was there, the seat was not
	AlertPressPair    AlertKind = "press_unchecked"  // pressed before the pair was checked: held for a lead
	AlertPressRecheck AlertKind = "press_recheck"    // the re-check was bad: held for a lead
)

// EventType implements Data.
func (PartScanned) EventType() (string, int) { return "part.scanned", 1 }

// EventType implements Data.
func (PartAnswered) EventType() (string, int) { return "part.answered", 1 }

// EventType implements Data.
func (PartUndoAsked) EventType() (string, int) { return "part_undo.asked", 1 }

// EventType implements Data.
func (PressReadyAsked) EventType() (string, int) { return "press_ready.asked", 1 }

// EventType implements Data.
func (PressRechecked) EventType() (string, int) { return "press.rechecked", 1 }

// EventType implements Data.
func (PhotoTaken) EventType() (string, int) { return "photo.taken", 1 }

// OutcomeType implements OutcomeData.
func (PartPicked) OutcomeType() (string, int) { return "part.picked", 1 }

// OutcomeType implements OutcomeData.
func (PartRecorded) OutcomeType() (string, int) { return "part.recorded", 1 }

// OutcomeType implements OutcomeData.
func (PartUndone) OutcomeType() (string, int) { return "part.undone", 1 }

// OutcomeType implements OutcomeData.
func (PressCleared) OutcomeType() (string, int) { return "press.cleared", 1 }

// OutcomeType implements OutcomeData.
func (PressJudged) OutcomeType() (string, int) { return "press.judged", 1 }

// OutcomeType implements OutcomeData.
func (PressRecheckNoted) OutcomeType() (string, int) { return "press_recheck.noted", 1 }

// OutcomeType implements OutcomeData.
func (PhotoKept) OutcomeType() (string, int) { return "photo.kept", 1 }
