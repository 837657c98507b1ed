package match

import "witnessmark/events"

// Stiffness is a hint about a joint that nothing was learned of yet.
type Stiffness uint8

// The kinds of joint, after ISO 5393.
const (
	StiffnessUnknown Stiffness = iota
	Hard                       // at most 27° from 10 to 100 % of torque
	Soft                       // 324° (2017) or 650° (1994)
)

// Counter is what a tool's own counter counts.
type Counter uint8

// The kinds of counter.
const (
	NoCounter    Counter = iota
	CountsCycles         // every cycle, whether its reading arrives or not
	CountsSent           // readings sent
)

// MaxFasteners is how many fasteners a Filter can tell apart. A joint with
// more is weighed as if its later ones were always pulled: see New.
const MaxFasteners = 64

// MaxGap is the greatest number of cycles lost in a row that is believed. A
// counter that jumps by more has restarted, or was reset.
const MaxGap = 8

// Joint is one pass of one joint.
type Joint struct {
	N            int     // fasteners, 0 to N−1 in drawing order
	Order        []int   // the order that the pass wants; nil is drawing order
	Strict       bool    // that order binds
	Target       float64 // N·m
	LSL, USL     float64 // N·m; a pull below LSL leaves a fastener unfinished
	Stiffness    Stiffness
	Loose        bool      // a snugging pass, done loosely and by groups
	Closing      bool      // a closing round: each is expected to be tight already
	Before       []float64 // closing round: chance that each was tight before it; nil: as good as sure
	Left         []float64 // chance that each was left out in the pass before, though the number of its pulls was right; nil: as good as none
	Ask          float64   // share of AskP from which a question pays, by what a miss would cost; 0: all of it
	OtherTargets []float64 // N·m, of other open steps
	Known        Known
	Mood         Mood
}

// Tool is what the tool of a pull tells.
type Tool struct {
	Name       string
	Angle      bool // announces rotation
	Duration   bool
	Trace      bool
	Resolution float64 // N·m
	AngleStep  float64 // degrees
	Threshold  float64 // N·m from which it counts rotation
	URel       float64 // relative standard uncertainty of torque
	Counter    Counter
}

// Trace is what the evaluation of a pull's trace found. NaN stands for what
// was not found.
type Trace struct {
	NetDeg    float64 // net rotation, spring-back taken off
	RateNmDeg float64 // torque rate after snug
	Snug      bool    // a snug point was found
	Breakaway bool    // a breakaway near the peak was found
	Quarter   float64 // torque at which a quarter of the rotation was made, as a share of the peak
	Sure      bool    // the trace tells surely whether the fastener moved before
}

// Pull is one reading. What is missing is NaN, also what was announced but not
// reported.
type Pull struct {
	Reading     uint64
	Tool        Tool
	AtS         float64 // when it was taken, s from any start
	Torque      float64 // peak, N·m
	Angle       float64 // degrees
	Duration    float64 // s
	Trace       *Trace
	Placed      int  // fastener that somebody pointed at; −1: none
	Asked       bool // Placed was asked for, tight or not
	Gap         int  // cycles lost just before it, by the tool's counter; below 0, or above MaxGap: the counter cannot be believed
	Numbered    bool // the tool's counter tells it from the pull before
	SameCounter bool // the counter is that of an earlier reading of this pass
	Loosening   bool // turned the loosening way
}

// Explanation is one thing that a pull may have been.
type Explanation struct {
	Kind     events.ExplanationKind
	Fastener int // −1: none, or none known
	P        float64
}

// Candidate is a fastener that may have been left out.
type Candidate struct {
	Fastener int
	P        float64
}

// Miss says how sure it is that a fastener was left out.
type Miss struct {
	P          float64     // chance that one was left out, if the technician stops here
	Odds       float64     // of the same
	LR         float64     // Odds over the odds before any evidence of one such miss
	Behind     float64     // chance that one was passed over, also if work goes on
	Lost       float64     // chance that all are tight and a reading did not arrive
	Say        bool        // Odds are such that it should be said
	Candidates []Candidate // given that one was left out; likeliest first
}
