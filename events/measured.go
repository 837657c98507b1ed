package events

import "witnessmark/events/quantity"

// A guided measurement is one value that takes several: points at rest, or a
// turn. Its samples come as facts and stay facts. What the rules need of them
// goes through their decisions: thinned samples while it lasts, each point,
// what is in the way, and the result.

// MeasureDo is what a person asks of a guided measurement.
type MeasureDo string

// What can be asked.
const (
	MeasureAgain MeasureDo = "again" // all of it once more
	MeasureBack  MeasureDo = "back"  // the last point once more
	MeasureTake  MeasureDo = "take"  // the value that stands there now, though it hardly moved
	MeasureMoved MeasureDo = "moved" // the next place is reached
	MeasureMark  MeasureDo = "mark"  // a mark of the part passes the indicator
	MeasureEnd   MeasureDo = "end"   // the turn is done
)

// MeasureAsked asks something of the guided measurement of a step. Values are
// taken without it.
type MeasureAsked struct {
	Ask
	Job  string    `json:"job"`
	Step string    `json:"step"`
	Do   MeasureDo `json:"do"`
}

// EventType implements Data.
func (MeasureAsked) EventType() (string, int) { return "measure.asked", 1 }

// MeasurementStarted begins a guided measurement, or begins it anew.
type MeasurementStarted struct {
	Job        string  `json:"job"`
	Step       string  `json:"step"`
	Attempt    int     `json:"attempt"` // 1, 2, …
	Method     string  `json:"method"`
	What       string  `json:"what"`
	Tool       string  `json:"tool"`
	Calibrated string  `json:"calibrated,omitempty"` // the tool's calibration date on that day
	Unit       string  `json:"unit"`                 // that the tool sends
	Bench      string  `json:"bench"`
	By         string  `json:"by"`
	AtUs       Instant `json:"at_us"`
}

// MeasurementFed brings samples into a guided measurement, thinned to what it
// needs; the whole block is the fact that was decided on.
type MeasurementFed struct {
	Job        string         `json:"job"`
	Step       string         `json:"step"`
	FirstUs    Instant        `json:"first_at_us"`
	AtUs       []int64        `json:"at_offsets_us"` // of each, from FirstUs
	Values     []float64      `json:"values"`        // in Unit
	Unit       string         `json:"unit"`          // quantity.Unit code
	Resolution quantity.Value `json:"resolution"`    // one step of the tool, as its values show
}

// PointTaken is one value of a guided measurement.
type PointTaken struct {
	Job        string         `json:"job"`
	Step       string         `json:"step"`
	Index      int            `json:"index"` // from 0, within the attempt
	Kind       string         `json:"kind"`  // rest, value, first, other, stop, place
	Place      int            `json:"place"` // from 0, where there are several
	Asked      string         `json:"asked"` // what the program had asked for, for people
	Value      quantity.Value `json:"value"`
	Spread     quantity.Value `json:"spread,omitzero"`     // greatest minus least while it was still
	Resolution quantity.Value `json:"resolution,omitzero"` // one step of the tool
	Samples    int            `json:"samples,omitempty"`   // it was the median of
	Text       string         `json:"text"`
	Unit       string         `json:"unit"`
	Fact       uint64         `json:"fact"` // journal sequence of the reading, or of the block of samples that showed it
	Tool       string         `json:"tool"`
	Typed      bool           `json:"typed,omitempty"` // by a person
	By         string         `json:"by"`
	FromUs     Instant        `json:"from_us,omitzero"` // it was still from then
	AtUs       Instant        `json:"at_us"`            // until then
	Note       string         `json:"note,omitempty"`   // how it was made, for people
	// Lifted is what the tool shows while its tip is lifted, where that is known
	// by then: it is no point.
	Lifted quantity.Value `json:"lifted,omitzero"`
}

// ReadingGuided says that a reading of an indicator belongs to a guided
// measurement, which looks into the samples themselves.
type ReadingGuided struct {
	Reading uint64 `json:"reading"`
	Job     string `json:"job"`
	Step    string `json:"step"`
	Why     string `json:"why"`
}

// PointDropped takes the last point out of a guided measurement.
type PointDropped struct {
	Job   string `json:"job"`
	Step  string `json:"step"`
	Index int    `json:"index"`
	By    string `json:"by"`
	Why   string `json:"why"`
}

// PlaceReached says that a person moved on to the next place.
type PlaceReached struct {
	Job  string  `json:"job"`
	Step string  `json:"step"`
	By   string  `json:"by"`
	AtUs Instant `json:"at_us"`
}

// MarkPassed says that a mark of the part passed the indicator.
type MarkPassed struct {
	Job  string  `json:"job"`
	Step string  `json:"step"`
	By   string  `json:"by"`
	AtUs Instant `json:"at_us"`
}

// MeasurementTroubled says what is in the way of a guided measurement, and
// what to do. An empty Code says that it is gone.
type MeasurementTroubled struct {
	Job  string  `json:"job"`
	Step string  `json:"step"`
	Code string  `json:"code"` // never_settles, at_stop, unit_switched, link_lost, …
	Text string  `json:"text"`
	Todo string  `json:"todo"`
	AtUs Instant `json:"at_us"`
}

// MeasurementEnded throws the points of a guided measurement away: it begins
// anew.
type MeasurementEnded struct {
	Job  string  `json:"job"`
	Step string  `json:"step"`
	By   string  `json:"by,omitempty"` // "" if the program had to
	Why  string  `json:"why"`
	AtUs Instant `json:"at_us"`
}

// Figure is one figure of a result beside the value that is judged.
type Figure struct {
	Name  string         `json:"name"` // for people: "eccentricity"
	Value quantity.Value `json:"value"`
	Note  string         `json:"note,omitempty"`
}

// GaugeBudgetLine is one contribution to the uncertainty of a result.
type GaugeBudgetLine struct {
	Name   string         `json:"name"`
	Source string         `json:"source"`
	Type   string         `json:"type"`  // "A" from the readings, "B" from other knowledge (GUM)
	U      quantity.Value `json:"u"`     // standard uncertainty
	Share  float64        `json:"share"` // of the combined variance
}

// CurvePoint is one place of a run-out.
type CurvePoint struct {
	Angle float64 `json:"angle_deg"`
	V     float64 `json:"length_mm"`
}

// MeasurementMade is the result of a guided measurement. The reading.judged
// that follows it makes the value count.
type MeasurementMade struct {
	Job        string            `json:"job"`
	Step       string            `json:"step"`
	Attempt    int               `json:"attempt"`
	Method     string            `json:"method"`
	Judged     string            `json:"judged"` // which figure: mean, least, greatest, movement, eccentricity, form
	What       string            `json:"what"`
	Value      quantity.Value    `json:"value"`
	U          quantity.Value    `json:"u"`        // expanded uncertainty, k = 2
	Coverage   float64           `json:"coverage"` // factor for 95.45 % with so few readings; well above 2: U promises too much
	Verdict    Verdict           `json:"verdict"`
	LSL        quantity.Value    `json:"lsl,omitzero"`
	Target     quantity.Value    `json:"target,omitzero"`
	USL        quantity.Value    `json:"usl,omitzero"`
	Figures    []Figure          `json:"figures"`
	Budget     []GaugeBudgetLine `json:"budget"`
	Warnings   []string          `json:"warnings,omitempty"`
	Points     int               `json:"points"`
	Samples    int               `json:"samples,omitempty"` // of the turn
	Typed      int               `json:"typed,omitempty"`   // points that a person typed
	Curve      []CurvePoint      `json:"curve,omitempty"`
	Tool       string            `json:"tool"`
	Calibrated string            `json:"calibrated,omitempty"`
	Bench      string            `json:"bench"`
	By         string            `json:"by"`
	StartedUs  Instant           `json:"started_us"`
	AtUs       Instant           `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (MeasurementStarted) OutcomeType() (string, int) { return "measurement.started", 1 }

// OutcomeType implements OutcomeData.
func (MeasurementFed) OutcomeType() (string, int) { return "measurement.fed", 1 }

// OutcomeType implements OutcomeData.
func (PointTaken) OutcomeType() (string, int) { return "point.taken", 1 }

// OutcomeType implements OutcomeData.
func (ReadingGuided) OutcomeType() (string, int) { return "reading.guided", 1 }

// OutcomeType implements OutcomeData.
func (PointDropped) OutcomeType() (string, int) { return "point.dropped", 1 }

// OutcomeType implements OutcomeData.
func (PlaceReached) OutcomeType() (string, int) { return "place.reached", 1 }

// OutcomeType implements OutcomeData.
func (MarkPassed) OutcomeType() (string, int) { return "mark.passed", 1 }

// OutcomeType implements OutcomeData.
func (MeasurementTroubled) OutcomeType() (string, int) { return "measurement.troubled", 1 }

// OutcomeType implements OutcomeData.
func (MeasurementEnded) OutcomeType() (string, int) { return "measurement.ended", 1 }

// OutcomeType implements OutcomeData.
func (MeasurementMade) OutcomeType() (string, int) { return "measurement.made", 1 }
