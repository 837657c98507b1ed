package profile

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Kind says what a value is.
type Kind string

// The kinds of value.
const (
	Peak   Kind = "peak"   // the greatest value of one pull: a reading by itself
	Sample Kind = "sample" // a value of the moment: readings are settled out of many
	Part   Kind = "trace"  // no value: a part of the trace of the last reading, see Reading.Block
)

// StatusOK is the status of a reading that its tool has no doubts about.
// Other words are the profile's; StatusUnknown is not in its table.
const (
	StatusOK      = "ok"
	StatusUnknown = "unknown"
)

// Reading is what one good frame says.
type Reading struct {
	Kind        Kind
	Text        string         // digits as sent, scaled as the profile says, with a decimal point: "25.40"
	Unit        quantity.Unit  // as sent or, see UnitAssumed, as the profile says
	UnitAssumed bool           // the tool sent no unit
	Value       quantity.Value // Text in Unit, converted once; always finite
	Resolution  quantity.Value // one last digit of what was sent
	Angle       quantity.Value // zero Value: none was sent
	DurationUs  int64          // duration of the pull; 0: none was sent
	Counter     *uint64        // the tool's number of the reading; nil: it has none
	FrameNumber *uint64        // a number that counts frames, not readings; nil: it has none
	Status      string         // a word of the profile's table; StatusOK if the tool sends none
	Good        bool           // the status does not speak against the value; false for overload and the like
	ToolClock   string         // the tool's own time as sent; data, never order
	Travel      quantity.Value // of the ram of a press, growing as it goes in; zero Value: none was sent, or see NoTravel
	NoTravel    string         // for people: why a gauge that tells travel told none that can be used; the force stands
	Samples     int            // how many samples of its trace follow in blocks; 0: none
	Block       *Block         // of a Part, which has nothing else; nil: this is no Part
}

// Why a run of bytes was refused: the codes of events.FrameRefused.
const (
	ReasonNoise    = "noise"    // no frame begins here
	ReasonChecksum = "checksum" // a frame whose checksum is wrong
	ReasonForm     = "form"     // a frame of another form than the profile's
	ReasonNumber   = "number"   // digits that are no number
	ReasonUnit     = "unit"     // a unit word that the profile does not know
	ReasonRange    = "range"    // a number beyond what the tool can send
	ReasonTooLong  = "too_long" // no end within the greatest length
	ReasonCut      = "cut"      // it began and did not end before the line fell silent
	ReasonTrace    = "trace"    // a part of a trace that belongs to no reading, or of one that did not become whole
)

// Frame is a run of bytes as they came: a reading, or a refusal that says
// why. Every byte of a stream is in exactly one frame, in order.
type Frame struct {
	Bytes  []byte         // the frame's own copy
	Offset uint64         // of the first byte since the decoder was made
	At     events.Instant // when the last byte came

	Reading *Reading // nil: refused
	Reason  string   // a Reason constant if refused, else ""
	Detail  string   // for people, if refused
}
