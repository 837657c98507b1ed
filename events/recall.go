package events

import "witnessmark/events/quantity"

// RecallLevel is what a tool deviated at one value, in % of the true value.
type RecallLevel struct {
	At        quantity.Value `json:"at,omitzero"` // none: at all values
	Deviation float64        `json:"deviation"`
	U         float64        `json:"u"` // expanded uncertainty, k = 2
}

// RecallStanding is one end of the time that a recall looks at: when the tool
// was last known good, or when it was found out of tolerance.
type RecallStanding struct {
	What   string        `json:"what"` // "calibration", "check", "certificate", or "entered" by hand
	ID     string        `json:"id,omitempty"`
	AtUs   Instant       `json:"at_us"`
	Cycles int64         `json:"cycles,omitempty"`
	Levels []RecallLevel `json:"levels"`
}

// RecallWorth is what a reading is worth if the tool is taken to have deviated
// so much.
type RecallWorth struct {
	Deviation float64 `json:"deviation"` // assumed of the tool, %
	True      float64 `json:"true"`      // most likely true value, in the base unit of the line's value
	P         float64 `json:"p"`         // probability that it was outside the limits
}

// RecallLine is one reading in doubt. The verdict that it cites stays as it
// is.
type RecallLine struct {
	Line       int            `json:"line"`    // from 1, within the recall
	Reading    uint64         `json:"reading"` // journal sequence of the ReadingTaken
	Job        string         `json:"job"`
	UnitSerial string         `json:"unit_serial"`
	Customer   string         `json:"customer,omitempty"`
	Procedure  string         `json:"procedure"`
	Revision   string         `json:"revision"`
	Step       string         `json:"step"`
	Pass       int            `json:"pass"`
	Fastener   string         `json:"fastener,omitempty"` // none: a measured value
	Class      string         `json:"class,omitempty"`    // consequence class of the joint
	Status     string         `json:"status"`             // of the job when the list was made: "active", "paused", "released", "abandoned"
	Verdict    Verdict        `json:"verdict"`            // that it was given
	Value      quantity.Value `json:"value"`
	LSL        quantity.Value `json:"lsl,omitzero"`
	USL        quantity.Value `json:"usl,omitzero"`
	AtUs       Instant        `json:"at_us"`
	ByTime     RecallWorth    `json:"by_time"`
	ByCycles   RecallWorth    `json:"by_cycles"`
	Worst      RecallWorth    `json:"worst"`
}

// P is what the line is sorted by: the larger of the probabilities by time and
// by cycles.
func (l *RecallLine) P() float64 { return max(l.ByTime.P, l.ByCycles.P) }

// RecallAsked asks to open a recall, with the list that was made from the
// ledger. A list too long for one event goes on in RecallPartAsked.
type RecallAsked struct {
	Ask
	Recall   string         `json:"recall"` // id; unique for ever
	Tool     string         `json:"tool"`
	Good     RecallStanding `json:"good"`
	Bad      RecallStanding `json:"bad"`
	Position uint64         `json:"position"` // journal sequence up to which the ledger had come
	Least    float64        `json:"least"`    // probability, at the worst, from which a reading is listed
	InSpan   int            `json:"in_span"`  // readings judged in that time
	InDoubt  int            `json:"in_doubt"` // of these, could have been outside; superseded ones too
	Total    int            `json:"total"`    // lines in all
	Lines    []RecallLine   `json:"lines,omitempty"`
	Reason   string         `json:"reason"`
}

// RecallPartAsked brings further lines of a recall, in order.
type RecallPartAsked struct {
	Ask
	Recall string       `json:"recall"`
	Lines  []RecallLine `json:"lines"`
}

// RecallHow is how a line of a recall is closed.
type RecallHow string

// The ways to close a line.
const (
	RecallRetorqued RecallHow = "retorqued"   // done again with a tool in order
	RecallAccepted  RecallHow = "accepted"    // left as it is, with the reason
	RecallCalled    RecallHow = "called_back" // the customer was told to bring the unit
)

// RecallLineAsked asks to close lines of a recall.
type RecallLineAsked struct {
	Ask
	Recall string    `json:"recall"`
	Lines  []int     `json:"lines"`
	How    RecallHow `json:"how"`
	Reason string    `json:"reason"`
	// Reading is the one that proves a re-torque, if it was taken here; 0: none.
	Reading uint64 `json:"reading,omitempty"`
}

// RecallOpened begins a recall. No verdict in the journal changes by it: its
// lines cite the readings, and say what they are worth now.
type RecallOpened struct {
	Recall   string         `json:"recall"`
	Tool     string         `json:"tool"`
	Good     RecallStanding `json:"good"`
	Bad      RecallStanding `json:"bad"`
	Position uint64         `json:"position"`
	Least    float64        `json:"least"`
	InSpan   int            `json:"in_span"`
	InDoubt  int            `json:"in_doubt"`
	Total    int            `json:"total"`
	By       string         `json:"by"`
	Reason   string         `json:"reason"`
	AtUs     Instant        `json:"at_us"`
}

// RecallListed is a part of a recall's list.
type RecallListed struct {
	Recall string       `json:"recall"`
	Lines  []RecallLine `json:"lines"`
}

// RecallLineClosed closes lines of a recall.
type RecallLineClosed struct {
	Recall  string    `json:"recall"`
	Lines   []int     `json:"lines"`
	How     RecallHow `json:"how"`
	Reading uint64    `json:"reading,omitempty"`
	By      string    `json:"by"`
	Reason  string    `json:"reason"`
	AtUs    Instant   `json:"at_us"`
}

// RecallClosed says that every line of a recall is closed.
type RecallClosed struct {
	Recall string  `json:"recall"`
	By     string  `json:"by"`
	AtUs   Instant `json:"at_us"`
}

// DriftSignalled says that a control chart over a tool's checks shows that it
// no longer deviates as it did. It is a reason to look, never a verdict.
type DriftSignalled struct {
	Tool      string         `json:"tool"`
	Point     quantity.Value `json:"point"`
	Direction string         `json:"direction,omitempty"`
	Source    string         `json:"source"`   // id of the calibration, check or certificate that showed it
	Rule      string         `json:"rule"`     // which chart, with its parameters
	High      bool           `json:"high"`     // it reads more than it did
	SinceUs   Instant        `json:"since_us"` // from when on the change seems to be there
	Value     float64        `json:"value"`    // the deviation that showed it, %
	Centre    float64        `json:"centre"`   // what was usual, %
	SD        float64        `json:"sd"`       // standard deviation of a check, %
	ARL0      float64        `json:"arl0"`     // checks until a false alarm, in the mean, of a tool in order
	ARL1      float64        `json:"arl1"`     // checks until a shift of Shift is seen
	Shift     float64        `json:"shift"`    // that the chart is made for, in standard deviations
	AtUs      Instant        `json:"at_us"`
}

// ToolSuspected says that a tool's torque rates in production are off against
// its peers' on like joints: a suspicion, never a verdict. It blocks nothing.
type ToolSuspected struct {
	Tool   string  `json:"tool"`
	Factor float64 `json:"factor"` // 1.04: reads 4 % more than its peers
	Lower  float64 `json:"lower"`  // 95 % interval
	Upper  float64 `json:"upper"`
	Pulls  int     `json:"pulls"`
	Visits int     `json:"visits"` // joints that it worked on
	Peers  int     `json:"peers"`  // tools that it is compared with
	Z      float64 `json:"z"`
	Bound  float64 `json:"bound"` // of |z|
	False  float64 `json:"false"` // probability of any false suspicion in the shop, however often one looks
	Why    string  `json:"why"`   // for people
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (RecallAsked) EventType() (string, int) { return "recall.asked", 1 }

// EventType implements Data.
func (RecallPartAsked) EventType() (string, int) { return "recall_part.asked", 1 }

// EventType implements Data.
func (RecallLineAsked) EventType() (string, int) { return "recall_line.asked", 1 }

// OutcomeType implements OutcomeData.
func (RecallOpened) OutcomeType() (string, int) { return "recall.opened", 1 }

// OutcomeType implements OutcomeData.
func (RecallListed) OutcomeType() (string, int) { return "recall.listed", 1 }

// OutcomeType implements OutcomeData.
func (RecallLineClosed) OutcomeType() (string, int) { return "recall_line.closed", 1 }

// OutcomeType implements OutcomeData.
func (RecallClosed) OutcomeType() (string, int) { return "recall.closed", 1 }

// OutcomeType implements OutcomeData.
func (DriftSignalled) OutcomeType() (string, int) { return "drift.signalled", 1 }

// OutcomeType implements OutcomeData.
func (ToolSuspected) OutcomeType() (string, int) { return "tool.suspected", 1 }
