package events

import "reflect"

// Written is an event as it lies in the journal: its attributes as they were
// written, and its JSON byte for byte. It is what seals are made over.
type Written struct {
	Seq     uint64 `json:"seq"` // place in the journal: 1, 2, 3 …
	Source  string `json:"source"`
	ID      string `json:"id"`
	Type    string `json:"type"`
	Time    string `json:"time,omitempty"`    // RFC 3339, microseconds
	Subject string `json:"subject,omitempty"` // percent-encoded, as the message header has it
	Data    string `json:"data"`              // the JSON, as text
}

// JobOf returns the job that an outcome names, "" if none.
func JobOf(o OutcomeData) string {
	switch o := o.(type) { // the usual ones, quicker
	case ReadingJudged:
		return o.Job
	case PullWeighed:
		return o.Job
	case WitnessWeighed:
		return o.Job
	case MeasurementFed:
		return o.Job
	}
	return jobField(o)
}

// JobNamed returns the job that a request names, "" if none.
func JobNamed(a Asker) string { return jobField(a) }

func jobField(v any) string {
	f := reflect.ValueOf(v).FieldByName("Job")
	if !f.IsValid() || f.Kind() != reflect.String {
		return ""
	}
	return f.String()
}

// SealMade is a signed checkpoint over all of the journal before it.
type SealMade struct {
	Size uint64  `json:"size"` // entries 1 to Size are sealed
	Root string  `json:"root"` // of their Merkle tree, base64
	Note string  `json:"note"` // the signed checkpoint, whole
	Key  string  `json:"key"`  // name and hash of the key, as the note has them
	Why  string  `json:"why"`  // "time", "release", "start", "asked"
	Job  string  `json:"job,omitempty"`
	AtUs Instant `json:"at_us"`
}

// EventType implements Data.
func (SealMade) EventType() (string, int) { return "seal.made", 1 }
