package events

import "witnessmark/events/quantity"

// This file holds shims: the drawers they lie in, what goes in and out of a
// drawer, and how a shim step is done.

// ShimPiece is pieces of one thickness.
type ShimPiece struct {
	Thickness quantity.Value `json:"thickness"`     // nominal, as marked
	Real      quantity.Value `json:"real,omitzero"` // as measured, where it was
	U         quantity.Value `json:"u,omitzero"`    // expanded uncertainty (k = 2) of Real
	Count     int            `json:"count"`
}

// ShimDrawer is the shims of one kind that a shop keeps.
type ShimDrawer struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Low  int    `json:"low,omitempty"` // fewer than so many of a thickness are too few; 0: never
	// Pieces are what lay in the drawer when the shop file first named them.
	// From then on the events say what there is.
	Pieces []ShimPiece `json:"pieces,omitempty"`
}

// What happens to the stock of a drawer.
const (
	ShimReceived = "received" // pieces came in
	ShimCounted  = "counted"  // somebody counted: so many there are
	ShimTaken    = "taken"    // pieces went out for something else, or were spoilt
	ShimFitting  = "fitted"   // pieces went into a unit
	ShimReturned = "returned" // pieces came out of a unit
)

// ShimStockAsked says that pieces came into a drawer or went out of it, or how
// many were counted.
type ShimStockAsked struct {
	Ask
	Drawer string    `json:"drawer"`
	Change string    `json:"change"` // ShimReceived, ShimCounted or ShimTaken
	Piece  ShimPiece `json:"piece"`  // Count: how many came, went or are there
	Reason string    `json:"reason,omitempty"`
}

// ShimFoundAsked says which pieces are in place in the unit before anything is
// changed.
type ShimFoundAsked struct {
	Ask
	Job   string      `json:"job"`
	Step  string      `json:"step"`
	Left  []ShimPiece `json:"left"`            // the stack; of two sides the first
	Right []ShimPiece `json:"right,omitempty"` // the other side
}

// ShimFitAsked says which pieces went in.
type ShimFitAsked struct {
	Ask
	Job    string      `json:"job"`
	Step   string      `json:"step"`
	Left   []ShimPiece `json:"left"`
	Right  []ShimPiece `json:"right,omitempty"`
	Reason string      `json:"reason,omitempty"` // why other ones than were proposed
}

// ShimStockChanged says how many pieces of a thickness a drawer holds now.
type ShimStockChanged struct {
	Drawer string    `json:"drawer"`
	Piece  ShimPiece `json:"piece"` // Count: how many there are now
	Was    int       `json:"was"`
	Change string    `json:"change"`
	Job    string    `json:"job,omitempty"`
	Step   string    `json:"step,omitempty"`
	By     string    `json:"by"`
	Reason string    `json:"reason,omitempty"`
	AtUs   Instant   `json:"at_us"`
}

// ShimFound tells what was in place.
type ShimFound struct {
	Job   string      `json:"job"`
	Step  string      `json:"step"`
	Left  []ShimPiece `json:"left"`
	Right []ShimPiece `json:"right,omitempty"`
	By    string      `json:"by"`
	AtUs  Instant     `json:"at_us"`
}

// ShimOption is another stack that would do.
type ShimOption struct {
	Left      []ShimPiece    `json:"left"`
	Predicted quantity.Value `json:"predicted"`
	U         quantity.Value `json:"u"`
}

// ShimProposed is the stack that the rules propose, with what it will give.
type ShimProposed struct {
	Job       string         `json:"job"`
	Step      string         `json:"step"`
	Reading   uint64         `json:"reading"` // that it rests on
	Measured  quantity.Value `json:"measured"`
	MeasuredU quantity.Value `json:"measured_u"`
	Fits      bool           `json:"fits"`  // a stack was found
	Need      quantity.Value `json:"need"`  // the stack that would hit the target; of two sides, what should move to the first
	Left      []ShimPiece    `json:"left"`  // thickest first
	Right     []ShimPiece    `json:"right"` // of two sides
	Predicted quantity.Value `json:"predicted"`
	U         quantity.Value `json:"u"`                 // expanded uncertainty (k = 2) of Predicted
	Options   []ShimOption   `json:"options,omitempty"` // with more pieces, closer to the target
	Text      string         `json:"text"`              // for people: what was found, or why nothing fits
	Todo      string         `json:"todo"`
	AtUs      Instant        `json:"at_us"`
}

// ShimFitted tells which pieces are in, and what they should give.
type ShimFitted struct {
	Job        string         `json:"job"`
	Step       string         `json:"step"`
	Left       []ShimPiece    `json:"left"`
	Right      []ShimPiece    `json:"right,omitempty"`
	Predicted  quantity.Value `json:"predicted"`
	U          quantity.Value `json:"u"`
	AsProposed bool           `json:"as_proposed"`
	Text       string         `json:"text"` // for people
	By         string         `json:"by"`
	Reason     string         `json:"reason,omitempty"`
	AtUs       Instant        `json:"at_us"`
}

// ShimChecked holds the value measured after fitting against the prediction.
type ShimChecked struct {
	Job        string         `json:"job"`
	Step       string         `json:"step"`
	Reading    uint64         `json:"reading"`
	Measured   quantity.Value `json:"measured"`
	Predicted  quantity.Value `json:"predicted"`
	Difference quantity.Value `json:"difference"` // measured − predicted
	Allowed    quantity.Value `json:"allowed"`    // what both uncertainties explain together
	En         float64        `json:"en"`         // |Difference| / Allowed, −1 where Allowed is 0 and Difference is not
	Agrees     bool           `json:"agrees"`
	Text       string         `json:"text"`
	Likely     []string       `json:"likely,omitempty"` // what is likely wrong, most telling first
	AtUs       Instant        `json:"at_us"`
}

// EventType implements Data.
func (ShimStockAsked) EventType() (string, int) { return "shim_stock.asked", 1 }

// EventType implements Data.
func (ShimFoundAsked) EventType() (string, int) { return "shim_found.asked", 1 }

// EventType implements Data.
func (ShimFitAsked) EventType() (string, int) { return "shim_fit.asked", 1 }

// OutcomeType implements OutcomeData.
func (ShimStockChanged) OutcomeType() (string, int) { return "shim_stock.changed", 1 }

// OutcomeType implements OutcomeData.
func (ShimFound) OutcomeType() (string, int) { return "shim.found", 1 }

// OutcomeType implements OutcomeData.
func (ShimProposed) OutcomeType() (string, int) { return "shim.proposed", 1 }

// OutcomeType implements OutcomeData.
func (ShimFitted) OutcomeType() (string, int) { return "shim.fitted", 1 }

// OutcomeType implements OutcomeData.
func (ShimChecked) OutcomeType() (string, int) { return "shim.checked", 1 }
