package events

import "witnessmark/events/quantity"

// ToolState is where a tool stands in the register.
type ToolState string

// The states of a tool.
const (
	ToolInUse       ToolState = "in_use"
	ToolQuarantined ToolState = "quarantined" // may not be used until somebody has looked at it
	ToolAway        ToolState = "away"        // at a laboratory, on loan
	ToolRetired     ToolState = "retired"     // never used again
)

// Phase says whether a tool was calibrated before or after it was adjusted.
type Phase string

// The phases of a calibration.
const (
	PhaseFound Phase = "found" // as it came from the bench: what its readings were worth
	PhaseLeft  Phase = "left"  // after adjustment: what they will be worth
)

// Standing is what a calibration, a check or a certificate said of a tool as a
// whole.
type Standing string

// The standings.
const (
	StandingGood    Standing = "good"    // inside its limits by the decision rule
	StandingDoubt   Standing = "doubt"   // the uncertainty leaves it open
	StandingBad     Standing = "bad"     // outside its limits
	StandingUnknown Standing = "unknown" // no verdict could be given
)

// CalibrationPair is one reading of a tool beside one of the reference. While
// a calibration is open, a pair of which only one half has come holds no value
// in the other.
type CalibrationPair struct {
	Point     quantity.Value `json:"point"`               // nominal test point
	Direction string         `json:"direction,omitempty"` // "cw", "ccw"; "in", "out" for an indicator
	Tool      quantity.Value `json:"tool"`                // Xa: indicated by, or set on, the tool
	Reference quantity.Value `json:"reference"`           // Xr: what the reference says
	// The journal sequences of the two readings; 0: typed, or set on the tool.
	ToolReading      uint64 `json:"tool_reading,omitempty"`
	ReferenceReading uint64 `json:"reference_reading,omitempty"`
	// The units in which the two were said, as codes; "" where nothing was.
	ToolUnit      string `json:"tool_unit,omitempty"`
	ReferenceUnit string `json:"reference_unit,omitempty"`
	Preload       bool   `json:"preload,omitempty"` // taken before the series, not judged
	Typed         bool   `json:"typed,omitempty"`   // a person typed a half of it, or the whole
}

// CalibrationResult is one test point, judged. Deviations, uncertainties and
// limits are in the unit of Unit.
type CalibrationResult struct {
	Point     quantity.Value `json:"point"`
	Direction string         `json:"direction,omitempty"`
	N         int            `json:"n"`
	Unit      string         `json:"unit"`      // "%" of the reference, or a length unit code for an indicator
	Deviation float64        `json:"deviation"` // mean of 100·(Xa − Xr)/Xr, or reading less reference
	Least     float64        `json:"least"`     // smallest and largest single deviation
	Most      float64        `json:"most"`
	U         float64        `json:"u"`         // expanded uncertainty, k = 2
	Permitted float64        `json:"permitted"` // maximum permissible deviation, either side
	Accept    float64        `json:"accept"`    // acceptance limit, either side, by the decision rule
	P         float64        `json:"p"`         // probability of conformity
	Standing  Standing       `json:"standing"`
	Budget    []BudgetLine   `json:"budget,omitempty"`
}

// BudgetLine is one component of an uncertainty budget, in the unit of its
// result.
type BudgetLine struct {
	Name   string  `json:"name"`
	Source string  `json:"source"`
	Type   string  `json:"type"` // "A" from readings, "B" from other knowledge
	Shape  string  `json:"shape"`
	Stated float64 `json:"stated"`
	U      float64 `json:"u"`     // standard uncertainty that it contributes
	Share  float64 `json:"share"` // of the combined variance
}

// CalibrationOpened begins a guided calibration at a bench: readings there of
// the tool and of the reference go into it and to no job.
type CalibrationOpened struct {
	Calibration string            `json:"calibration"` // id; unique for ever
	Tool        string            `json:"tool"`
	Reference   string            `json:"reference"`
	Bench       string            `json:"bench"`
	Phase       Phase             `json:"phase"`
	Rule        string            `json:"rule"`              // "simple", "guard", or "p=0.98"
	Plan        []CalibrationPair `json:"plan"`              // what is to be taken, in order: Point, Direction, Preload
	Setting     bool              `json:"setting,omitempty"` // the tool shows nothing: it is set to the point
	WithinUs    int64             `json:"within_us"`         // the two readings of a pair come within this time
	Note        []string          `json:"note,omitempty"`    // what is not as it should be, e.g. of the reference
	By          string            `json:"by"`
	AtUs        Instant           `json:"at_us"`
}

// CalibrationTaken is one pair of the plan, or the half of it that came first.
// A later one of the same row takes the place of an earlier one.
type CalibrationTaken struct {
	Calibration string          `json:"calibration"`
	Tool        string          `json:"tool"`
	Row         int             `json:"row"` // index into the plan
	Pair        CalibrationPair `json:"pair"`
	By          string          `json:"by"`
	AtUs        Instant         `json:"at_us"`
}

// CalibrationUndone takes the pair of a row, or its half, back.
type CalibrationUndone struct {
	Calibration string `json:"calibration"`
	Tool        string `json:"tool"`
	Row         int    `json:"row"`
	By          string `json:"by"`
	Reason      string `json:"reason,omitempty"`
}

// CalibrationJudged ends a calibration with its result.
type CalibrationJudged struct {
	Calibration string              `json:"calibration"`
	Tool        string              `json:"tool"`
	Reference   string              `json:"reference,omitempty"`
	Bench       string              `json:"bench,omitempty"`
	Phase       Phase               `json:"phase"`
	Rule        string              `json:"rule"`
	Pairs       []CalibrationPair   `json:"pairs"`
	Results     []CalibrationResult `json:"results"`
	K           float64             `json:"k"`
	Standing    Standing            `json:"standing"`
	Note        []string            `json:"note,omitempty"`
	Curve       *IndicatorCurve     `json:"curve,omitempty"` // of an indicator: its error curve as a whole
	Date        string              `json:"date"`            // YYYY-MM-DD
	Due         string              `json:"due,omitempty"`   // YYYY-MM-DD; empty where it may not be used
	Cycles      int64               `json:"cycles"`          // of the tool, by the journal, at that time
	By          string              `json:"by"`
	AtUs        Instant             `json:"at_us"`
}

// IndicatorCurve is what the error curve of an indicator showed as a whole; the
// results hold its points. All are lengths.
type IndicatorCurve struct {
	Span          quantity.Value `json:"span"`             // largest less smallest mean error
	Hysteresis    quantity.Value `json:"hysteresis"`       // largest difference of the two travels at one place
	Repeatability quantity.Value `json:"repeatability"`    // largest range of readings at one place; zero: nothing was repeated
	Permitted     quantity.Value `json:"permitted"`        // of the span
	Accept        quantity.Value `json:"accept"`           // acceptance limit by the decision rule
	U             quantity.Value `json:"u"`                // expanded uncertainty of the span, k = 2
	P             float64        `json:"p"`                // probability of conformity
	Source        string         `json:"source,omitempty"` // where Permitted comes from
}

// CalibrationDropped ends a calibration without a result.
type CalibrationDropped struct {
	Calibration string  `json:"calibration"`
	Tool        string  `json:"tool"`
	By          string  `json:"by"`
	Reason      string  `json:"reason"`
	AtUs        Instant `json:"at_us"`
}

// CertificateEntered is the calibration certificate of an outside laboratory.
type CertificateEntered struct {
	Certificate string              `json:"certificate"` // its number
	Tool        string              `json:"tool"`
	Laboratory  string              `json:"laboratory"`
	Phase       Phase               `json:"phase"`
	Date        string              `json:"date"` // YYYY-MM-DD
	Due         string              `json:"due,omitempty"`
	Results     []CalibrationResult `json:"results,omitempty"`
	K           float64             `json:"k,omitempty"`
	Standing    Standing            `json:"standing"`
	File        string              `json:"file,omitempty"`      // its name
	FileHash    string              `json:"file_hash,omitempty"` // SHA-256, hexadecimal
	FileSize    int64               `json:"file_size,omitempty"` // bytes
	Note        []string            `json:"note,omitempty"`
	Cycles      int64               `json:"cycles"`
	By          string              `json:"by"`
	AtUs        Instant             `json:"at_us"`
}

// CheckOpened begins a quick check at a bench.
type CheckOpened struct {
	Check     string         `json:"check"` // id
	Tool      string         `json:"tool"`
	Reference string         `json:"reference"`
	Bench     string         `json:"bench"`
	Point     quantity.Value `json:"point"`
	Pulls     int            `json:"pulls"`
	Setting   bool           `json:"setting,omitempty"` // the tool shows nothing: it is set to the point
	WithinUs  int64          `json:"within_us"`
	Note      []string       `json:"note,omitempty"`
	By        string         `json:"by"`
	AtUs      Instant        `json:"at_us"`
}

// CheckTaken is one pair of a quick check, or the half of it that came first.
type CheckTaken struct {
	Check string          `json:"check"`
	Tool  string          `json:"tool"`
	Row   int             `json:"row"` // index from 0
	Pair  CalibrationPair `json:"pair"`
	AtUs  Instant         `json:"at_us"`
}

// CheckJudged ends a quick check. Figures are in % of the reference.
type CheckJudged struct {
	Check      string         `json:"check"`
	Tool       string         `json:"tool"`
	Reference  string         `json:"reference"`
	Bench      string         `json:"bench"`
	Point      quantity.Value `json:"point"`
	Deviations []float64      `json:"deviations"`
	Deviation  float64        `json:"deviation"` // mean
	U          float64        `json:"u"`         // expanded, k = 2
	Permitted  float64        `json:"permitted"`
	Expected   float64        `json:"expected"` // from the tool's own history
	Room       float64        `json:"room"`     // how far from Expected is still usual
	History    int            `json:"history"`  // checks it was compared with; 0: none yet
	Standing   Standing       `json:"standing"` // against Permitted
	Unusual    bool           `json:"unusual"`  // farther from its own history than chance explains
	Why        string         `json:"why"`      // for people
	Note       []string       `json:"note,omitempty"`
	Cycles     int64          `json:"cycles"`
	By         string         `json:"by"`
	AtUs       Instant        `json:"at_us"`
}

// CheckDropped ends a quick check without a result.
type CheckDropped struct {
	Check  string `json:"check"`
	Tool   string `json:"tool"`
	By     string `json:"by"`
	Reason string `json:"reason"`
}

// ReadingPassedOver is a reading that came while a calibration or a check was
// open at its bench, of one of its two tools, and that was not taken into it.
type ReadingPassedOver struct {
	Reading     uint64         `json:"reading"`
	Calibration string         `json:"calibration,omitempty"` // or
	Check       string         `json:"check,omitempty"`
	Tool        string         `json:"tool"`  // that is calibrated or checked
	Taker       string         `json:"taker"` // whose reading it is: the tool's or the reference's
	Value       quantity.Value `json:"value"`
	Text        string         `json:"text"`
	Unit        string         `json:"unit"`
	Why         string         `json:"why"` // for people
	AtUs        Instant        `json:"at_us"`
}

// CycleOverloaded is one cycle of a torque tool beyond its range, by its value
// or by its own word. Cycles inside it are counted from the readings.
type CycleOverloaded struct {
	Reading uint64         `json:"reading"`
	Tool    string         `json:"tool"`
	Value   quantity.Value `json:"value"`
	Status  string         `json:"status,omitempty"` // the tool's word
	AtUs    Instant        `json:"at_us"`
}

// ToolMoved changes a tool's state or whereabouts.
type ToolMoved struct {
	Tool   string    `json:"tool"`
	State  ToolState `json:"state"`
	Place  string    `json:"place,omitempty"` // where it is now: a bench, a shelf, a laboratory
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	AtUs   Instant   `json:"at_us"`
}

// ToolAdjusted says that a tool was adjusted or mended: its series of
// deviations breaks here.
type ToolAdjusted struct {
	Tool   string  `json:"tool"`
	What   string  `json:"what"`
	By     string  `json:"by"`
	Cycles int64   `json:"cycles"`
	AtUs   Instant `json:"at_us"`
}

// OverrideGiven lets a tool that is refused be used for one job all the same:
// a deviation, decided by a lead.
type OverrideGiven struct {
	Tool   string  `json:"tool"`
	Job    string  `json:"job"`
	Was    string  `json:"was"` // why it is refused
	By     string  `json:"by"`
	Reason string  `json:"reason"`
	AtUs   Instant `json:"at_us"`
}

// ReadingAssigned says which tool of the register took a reading that came
// from one that nobody had registered.
type ReadingAssigned struct {
	Reading uint64  `json:"reading"`
	Tool    string  `json:"tool"`
	By      string  `json:"by"`
	Reason  string  `json:"reason"`
	AtUs    Instant `json:"at_us"`
}

// OutcomeType implements OutcomeData.
func (CalibrationOpened) OutcomeType() (string, int) { return "calibration.opened", 1 }

// OutcomeType implements OutcomeData.
func (CalibrationTaken) OutcomeType() (string, int) { return "calibration.taken", 1 }

// OutcomeType implements OutcomeData.
func (CalibrationUndone) OutcomeType() (string, int) { return "calibration.undone", 1 }

// OutcomeType implements OutcomeData.
func (CalibrationJudged) OutcomeType() (string, int) { return "calibration.judged", 1 }

// OutcomeType implements OutcomeData.
func (CalibrationDropped) OutcomeType() (string, int) { return "calibration.dropped", 1 }

// OutcomeType implements OutcomeData.
func (CertificateEntered) OutcomeType() (string, int) { return "certificate.entered", 1 }

// OutcomeType implements OutcomeData.
func (CheckOpened) OutcomeType() (string, int) { return "check.opened", 1 }

// OutcomeType implements OutcomeData.
func (CheckTaken) OutcomeType() (string, int) { return "check.taken", 1 }

// OutcomeType implements OutcomeData.
func (CheckJudged) OutcomeType() (string, int) { return "check.judged", 1 }

// OutcomeType implements OutcomeData.
func (CheckDropped) OutcomeType() (string, int) { return "check.dropped", 1 }

// OutcomeType implements OutcomeData.
func (ReadingPassedOver) OutcomeType() (string, int) { return "reading.passed_over", 1 }

// OutcomeType implements OutcomeData.
func (CycleOverloaded) OutcomeType() (string, int) { return "cycle.overloaded", 1 }

// OutcomeType implements OutcomeData.
func (ToolMoved) OutcomeType() (string, int) { return "tool.moved", 1 }

// OutcomeType implements OutcomeData.
func (ToolAdjusted) OutcomeType() (string, int) { return "tool.adjusted", 1 }

// OutcomeType implements OutcomeData.
func (OverrideGiven) OutcomeType() (string, int) { return "override.given", 1 }

// OutcomeType implements OutcomeData.
func (ReadingAssigned) OutcomeType() (string, int) { return "reading.assigned", 1 }
