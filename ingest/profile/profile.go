// Package profile reads the bytes of a tool by a profile: a YAML file that
// says how the line is set, where a frame begins and ends, how it is checked,
// where its figures are and what they mean.
//
// A Profile is the file, checked. A Decoder cuts a stream of bytes into
// frames and decodes them: every byte ends in exactly one frame, a reading or
// a refusal with its reason. It does no I/O, and the time comes with the
// bytes.
package profile

import (
	"time"

	"witnessmark/events/settle"
)

// Parity of a serial line.
type Parity string

// The parities.
const (
	ParityNone  Parity = "none"
	ParityOdd   Parity = "odd"
	ParityEven  Parity = "even"
	ParityMark  Parity = "mark"
	ParitySpace Parity = "space"
)

// Flow is how a serial line is held up.
type Flow string

// The kinds of flow control.
const (
	FlowNone Flow = "none"
	FlowRTS  Flow = "rts_cts"
	FlowXON  Flow = "xon_xoff"
)

// Line is how a serial port is to be set.
type Line struct {
	Baud     int
	DataBits int    // 5 to 8
	Parity   Parity // never ""
	StopBits string // "1", "1.5" or "2"
	Flow     Flow   // never ""
}

// By says who speaks first.
type By string

// The ways of acquiring readings.
const (
	Push   By = "push"   // the tool sends when it has something
	Poll   By = "poll"   // it answers when asked
	Stream By = "stream" // told to start, it sends samples until told to stop
)

// Acquire is how readings are got out of a tool.
type Acquire struct {
	By      By
	Ask     []byte        // poll: what to send
	Every   time.Duration // poll: how often
	Timeout time.Duration // poll: how long to wait for the answer; stream: silence after which Start is sent again
	Start   []byte        // stream: what starts it
	Stop    []byte        // stream: what stops it; may be empty
	Rate    int           // stream: samples a second; 0: not said
}

// Profile says how to read one kind of tool. It is safe for concurrent use.
type Profile struct {
	name, about, hash string

	line    Line
	acquire Acquire
	answer  template
	resends bool
	settle  *settle.Config
	stroke  *Stroke
	framing framing
	sum     checksum
	form    form
	meaning meaning
	trace   *traceForm // nil: the tool sends no traces
}

// Name returns the profile's name, such as "orrin-k2".
func (p *Profile) Name() string { return p.name }

// About returns what the tool is, for people.
func (p *Profile) About() string { return p.about }

// Hash returns the first 12 hexadecimal digits of the SHA-256 of the file.
func (p *Profile) Hash() string { return p.hash }

// ID returns name and hash, as readings name the profile that decoded them:
// "orrin-k2@1f00ba5e0c11".
func (p *Profile) ID() string { return p.name + "@" + p.hash }

// Line returns how the port is to be set.
func (p *Profile) Line() Line { return p.line }

// Acquire returns how readings are got out of the tool.
func (p *Profile) Acquire() Acquire { return p.acquire }

// Kind returns what the tool's values are, if its frames do not say so.
func (p *Profile) Kind() Kind { return p.meaning.kind }

// Answer returns what the tool is to be sent once r is in the journal; nil if
// it waits for nothing.
func (p *Profile) Answer(r Reading) []byte { return p.answer.fill(r) }

// Resends reports whether the tool sends a reading again until it is
// answered: then the same counter and the same bytes as of a recent reading
// are that reading.
func (p *Profile) Resends() bool { return p.resends }

// CounterModulus returns the number after which the tool's counter of
// readings begins anew at 0; 0 if the tool counts no readings.
func (p *Profile) CounterModulus() uint64 {
	if p.meaning.countsFrames {
		return 0
	}
	return p.meaning.modulus
}

// FrameModulus is to frame numbers what CounterModulus is to readings.
func (p *Profile) FrameModulus() uint64 {
	if !p.meaning.countsFrames {
		return 0
	}
	return p.meaning.modulus
}

// Settle returns when samples count as a reading; ok is false if the tool
// sends peaks only.
func (p *Profile) Settle() (cfg settle.Config, ok bool) {
	if p.settle == nil {
		return settle.Config{}, false
	}
	return *p.settle, true
}

// IdleAfter returns how long after the last byte Decoder.Idle has something
// to say: the gap that ends a frame, or the silence that makes a half one a
// cut one.
func (p *Profile) IdleAfter() time.Duration { return p.framing.quiet }
