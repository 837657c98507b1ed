package events

import "witnessmark/events/quantity"

// Mode says how a reading came to be.
type Mode string

// The modes of a reading.
const (
	ModePeak    Mode = "peak"    // the greatest torque of one pull, or force of one pressing
	ModeSettled Mode = "settled" // an indicator's value once it stood still
	ModeTyped   Mode = "typed"   // typed by a person, by eye
)

// ReadingTaken is one value that a tool reported, or that a person typed.
// Version 1, which knew torque only, had torque_nm in place of mode and value.
type ReadingTaken struct {
	Device string `json:"device,omitempty"` // "" for a typed value
	Tool   string `json:"tool"`             // tool id, as the device is bound to it
	Bench  string `json:"bench"`
	Mode   Mode   `json:"mode"`

	Text         string         `json:"text"`                   // digits as sent, decimal sign normalised to ".": "25.40"
	Unit         string         `json:"unit"`                   // quantity.Unit code as sent or, see UnitAssumed, as the profile says
	UnitAssumed  bool           `json:"unit_assumed,omitempty"` // the tool sent no unit
	Value        quantity.Value `json:"value"`                  // Text in Unit, converted once
	Resolution   quantity.Value `json:"resolution,omitzero"`    // one last digit of Text
	Angle        quantity.Value `json:"angle,omitzero"`         // rotation the tool reported with the pull
	DurationUs   int64          `json:"duration_us,omitempty"`  // duration of the pull, as the tool reported it
	Trace        *Trace         `json:"trace,omitempty"`        // the whole pull, where the tool gives it
	Stroke       *Stroke        `json:"stroke,omitempty"`       // the whole pressing, where the gauge streams
	ToolCounter  *uint64        `json:"tool_counter,omitempty"` // the tool's own number of the reading
	ToolStatus   string         `json:"tool_status,omitempty"`  // status word by the profile's table, e.g. "overload"; "" or "ok" is good
	ToolClock    string         `json:"tool_clock,omitempty"`   // the tool's own time stamp as sent; data, never order
	TakenAtUs    Instant        `json:"taken_at_us,omitzero"`   // when the pull ended by a clock that can be trusted, e.g. of a stream file; 0: not known
	ReceivedAtUs Instant        `json:"received_at_us"`         // when the frame's last byte reached this machine
	Stale        bool           `json:"stale,omitempty"`        // waited in the line before the port was opened: time unknown
	Profile      string         `json:"profile,omitempty"`      // name and short hash of the profile that decoded it
	Bytes        []byte         `json:"bytes,omitempty"`        // the frame as it came
	Offset       uint64         `json:"offset"`                 // of the frame's first byte since the port was opened
	By           string         `json:"by,omitempty"`           // person, for a typed value
	Job          string         `json:"job,omitempty"`          // for a typed value: the job it was typed for
}

// Trace is a pull from start to end, sample by sample. Torque, Angle and, if
// PeriodUs is 0, TimesUs are of one length.
type Trace struct {
	PeriodUs int64     `json:"period_us,omitempty"` // between samples; 0: see TimesUs
	TimesUs  []int64   `json:"times_us,omitempty"`  // of each sample, from the first
	Torque   []float64 `json:"torque_nm"`
	Angle    []float64 `json:"angle_deg,omitempty"` // empty: the tool has none
}

// EventType implements Data.
func (ReadingTaken) EventType() (string, int) { return "reading.taken", 2 }

// FrameRefused is a run of bytes that the profile could not read. The bytes
// are kept; nothing that a tool sent is thrown away.
type FrameRefused struct {
	Device       string  `json:"device"`
	Tool         string  `json:"tool,omitempty"`
	Bench        string  `json:"bench"`
	Bytes        []byte  `json:"bytes"`
	Offset       uint64  `json:"offset"` // of the first byte since the port was opened
	Reason       string  `json:"reason"` // code: noise, checksum, form, number, unit, range, too_long, cut, trace
	Detail       string  `json:"detail"` // for people
	Profile      string  `json:"profile,omitempty"`
	ReceivedAtUs Instant `json:"received_at_us"`
}

// EventType implements Data.
func (FrameRefused) EventType() (string, int) { return "frame.refused", 1 }

// FrameRepeated is a reading that the tool sent again because it saw no
// answer. It is the same reading, never a second pull.
type FrameRepeated struct {
	Device       string  `json:"device"`
	Of           uint64  `json:"of"` // Number, within the device's source, of the reading it repeats
	ToolCounter  uint64  `json:"tool_counter"`
	Bytes        []byte  `json:"bytes"`
	ReceivedAtUs Instant `json:"received_at_us"`
}

// EventType implements Data.
func (FrameRepeated) EventType() (string, int) { return "frame.repeated", 1 }

// CounterGapFound says that the tool's own counter skipped: readings were
// taken that did not reach this machine, or the counter started anew.
type CounterGapFound struct {
	Device       string  `json:"device"`
	Tool         string  `json:"tool"`
	Bench        string  `json:"bench"`
	After        uint64  `json:"after"`   // last counter seen
	Next         uint64  `json:"next"`    // counter seen now
	Restart      bool    `json:"restart"` // Next is below After: the counter began anew
	ReceivedAtUs Instant `json:"received_at_us"`
}

// EventType implements Data.
func (CounterGapFound) EventType() (string, int) { return "counter_gap.found", 1 }

// ForceRising says how great the force of a pressing has become that still goes
// on, so that somebody can stop the press. Each tells more than the one before;
// the whole pressing follows as a reading.
type ForceRising struct {
	Device  string         `json:"device"`
	Tool    string         `json:"tool"`
	Bench   string         `json:"bench"`
	Text    string         `json:"text"` // as the gauge sent it
	Unit    string         `json:"unit"` // quantity.Unit code of Text
	Value   quantity.Value `json:"value"`
	Status  string         `json:"status,omitempty"` // a word of its profile, if the gauge found something wrong
	SinceUs int64          `json:"since_us"`         // from the first contact, by the gauge's clock where it has one
	AtUs    Instant        `json:"at_us"`            // of receipt
}

// EventType implements Data.
func (ForceRising) EventType() (string, int) { return "force.rising", 1 }

// Link states.
const (
	LinkUp     = "up"     // open, bytes can come
	LinkDown   = "down"   // was open, hung up or unplugged
	LinkAbsent = "absent" // no such port
	LinkDenied = "denied" // no permission
	LinkBusy   = "busy"   // another process or device has it
	LinkMute   = "mute"   // open, but a polled tool does not answer
)

// LinkChanged says that a device's connection changed.
type LinkChanged struct {
	Device string  `json:"device"`
	Bench  string  `json:"bench"`
	Port   string  `json:"port"`
	State  string  `json:"state"`  // a Link constant
	Detail string  `json:"detail"` // for people, ends with what to do
	AtUs   Instant `json:"at_us"`
}

// EventType implements Data.
func (LinkChanged) EventType() (string, int) { return "link.changed", 1 }

// SamplesCaptured is a run of samples of a streaming or polled tool, kept so
// that whatever was read out of them can be read again.
type SamplesCaptured struct {
	Device  string    `json:"device"`
	Tool    string    `json:"tool"`
	Bench   string    `json:"bench"`
	Unit    string    `json:"unit"`          // quantity.Unit code of Values
	Values  []float64 `json:"values"`        // in Unit, in order of receipt
	AtUs    []int64   `json:"at_offsets_us"` // receipt of each, from FirstUs
	FirstUs Instant   `json:"first_at_us"`
	Bytes   []byte    `json:"bytes"` // the frames as they came, joined
	// Status is what the tool said of itself with one of these samples or more,
	// a word of its profile, where its value may then not be relied on:
	// "out_of_range". "" if it found nothing wrong.
	Status string `json:"status,omitempty"`
}

// EventType implements Data.
func (SamplesCaptured) EventType() (string, int) { return "samples.captured", 1 }
