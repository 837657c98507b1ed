package labelled

import (
	"bufio"
	"encoding/json"
	"io"
)

// ToolRecord is what the stream's first record says of a tool. Torques are in
// the tool's unit.
type ToolRecord struct {
	Tool            string   `json:"tool"`
	Unit            *string  `json:"unit"`
	Resolution      float64  `json:"resolution"`
	Capacity        float64  `json:"capacity"`
	Least           float64  `json:"least"`
	Threshold       float64  `json:"threshold"`
	Counter         *string  `json:"counter"` // "cycles", "sent" or null
	AngleResolution *float64 `json:"angle_resolution"`
	Duration        bool     `json:"duration"`
	TraceRate       *float64 `json:"trace_rate"`
	URel            float64  `json:"u_rel"`
}

// HeadRecord is a stream's first record.
type HeadRecord struct {
	Stream int          `json:"stream"`
	Tools  []ToolRecord `json:"tools"`
	Job    JobRecord    `json:"job"`
	Start  string       `json:"start"`
}

// JobRecord names the job.
type JobRecord struct {
	ID         string `json:"id"`
	UnitSerial string `json:"unit_serial"`
}

// TraceRecord is a pull sample by sample.
type TraceRecord struct {
	Rate   float64   `json:"rate,omitempty"` // Hz; 0: see T
	T      []float64 `json:"t,omitempty"`    // s
	Torque []float64 `json:"torque"`
	Angle  []float64 `json:"angle"`
}

// ReadingRecord is one reading.
type ReadingRecord struct {
	Tool     string       `json:"tool"`
	Seq      uint64       `json:"seq"`
	T        float64      `json:"t"`  // s from the start, taken
	Rx       float64      `json:"rx"` // s from the start, received
	Value    float64      `json:"value"`
	Unit     *string      `json:"unit"`
	Angle    *float64     `json:"angle"`
	Duration *float64     `json:"duration"`
	Trace    *TraceRecord `json:"trace,omitempty"`
}

// ReleaseRecord closes a stream.
type ReleaseRecord struct {
	Release bool    `json:"release"`
	T       float64 `json:"t"`
}

// Sample is one job: what was to be done, what the tool told, and what truly
// happened. Truth.Readings goes with Readings, one by one.
type Sample struct {
	Procedure []byte
	Head      HeadRecord
	Readings  []ReadingRecord
	Release   ReleaseRecord
	Truth     Truth

	shop   *Shop
	mood   mood
	orders [][]int // as done, by step
}

// WriteStream writes the readings as JSON Lines.
func (s *Sample) WriteStream(w io.Writer) error {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(s.Head); err != nil {
		return err
	}
	for i := range s.Readings {
		if err := enc.Encode(&s.Readings[i]); err != nil {
			return err
		}
	}
	if err := enc.Encode(s.Release); err != nil {
		return err
	}
	return b.Flush()
}

// WriteTruth writes the truth as indented JSON.
func (s *Sample) WriteTruth(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false)
	return enc.Encode(s.Truth)
}
