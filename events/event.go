// Package events holds Witnessmark's event types and their envelope. It does
// no I/O and knows no screens and no devices; importing it costs nobody NATS
// or SQLite.
//
// There are three families. Facts come from the outside: bytes that a tool
// sent (ReadingTaken, FrameRefused, …), things that a person asks for
// (JobAsked, ReleaseAsked, …) and instants that passed (TimeReached). For
// every fact that the rules must answer there is exactly one Decided event,
// which carries all outcomes (ReadingJudged, AlertRaised, …) of that fact in
// order: one input, one decision, whole or absent. State is a fold over
// decisions alone, in journal order.
package events

import (
	"strconv"
	"time"
)

// Instant is a point in time as integer microseconds since 1970-01-01 UTC.
// The zero Instant means "not known".
type Instant int64

// InstantOf returns t as an Instant, cut to microseconds.
func InstantOf(t time.Time) Instant { return Instant(t.UnixMicro()) }

// Time returns i in UTC.
func (i Instant) Time() time.Time { return time.UnixMicro(int64(i)).UTC() }

// Add returns i moved by d, cut to microseconds.
func (i Instant) Add(d time.Duration) Instant { return i + Instant(d.Microseconds()) }

// Sub returns the time from j to i.
func (i Instant) Sub(j Instant) time.Duration { return time.Duration(i-j) * time.Microsecond }

// Sources other than devices. A device's source is DeviceSource(id).
const (
	SourceDesk  = "desk"  // what people ask for, on pages and at the command line
	SourceClock = "clock" // instants that the rules waited for
	SourceRules = "rules" // decisions
)

// DeviceSource returns the source of the events of one device: "device/" and
// the device's id.
func DeviceSource(device string) string { return "device/" + device }

// Event is one fact or decision. Source and Number are its identity: the
// events of one source are numbered 1, 2, 3 … without gaps, so publishing an
// event again is harmless and a missing one shows.
type Event struct {
	Source string  // see DeviceSource and the Source constants
	Number uint64  // 1, 2, 3 … within Source
	Time   Instant // when it happened, by the clock of the machine that recorded it
	// Subject is what it is about, e.g. a job or tool id; may be empty.
	Subject string
	Data    Data // never nil in a stored event
}

// ID returns the CloudEvents id, which is unique within Source: the decimal
// Number.
func (e Event) ID() string { return strconv.FormatUint(e.Number, 10) }

// Entry is an event at its place in the journal.
type Entry struct {
	Seq uint64 // journal sequence: 1, 2, 3 …; the order of everything
	Event
}

// Data is the content of an event. Name and version are written with it and
// are for ever; they are not the Go type's name.
type Data interface {
	// EventType returns the written type name without prefix and version,
	// e.g. "reading.taken", and the version of the form that is written now.
	EventType() (name string, version int)
}
