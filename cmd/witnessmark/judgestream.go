package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// A stream of readings, read for 'witnessmark judge'. stream-format.md says
// what may stand in it.

// maxStreamLine is the longest line that is read, in bytes: a trace of a
// hundred thousand samples with torque and angle.
const maxStreamLine = 4 << 20

// maxStreamSeconds bounds the times of a stream: a hundred years.
const maxStreamSeconds = 100 * 366 * 86400.0

// lineNote is what is wrong, or strange, in a stream. A problem kept the line,
// or a part of it, from being judged; a warning did not.
type lineNote struct {
	Line  int    `json:"line"`  // from 1; of the first one, for a warning
	Field string `json:"field"` // "" for the line as a whole
	Text  string `json:"text"`  // what is wrong
	Todo  string `json:"todo"`  // what would be right
	Count int    `json:"count"` // how many lines this is said of
	File  string `json:"file"`  // of an earlier job; "" for the stream that is judged
}

func (n lineNote) String() string {
	s := strconv.Itoa(n.Line) + ": "
	if n.Field != "" {
		s += n.Field + ": "
	}
	s += n.Text
	if n.Todo != "" {
		s += "; " + n.Todo
	}
	if n.Count > 1 {
		s += fmt.Sprintf(" (%d lines)", n.Count)
	}
	return s
}

// Error implements error.
func (n lineNote) Error() string { return n.String() }

type recordKind uint8

const (
	recordReading recordKind = iota
	recordBroken             // a reading that could not be read: it keeps its number
	recordPlace
	recordConfirm
	recordRelease
)

// streamRecord is one record after the first.
type streamRecord struct {
	kind    recordKind
	line    int
	pull    int   // number of a reading, from 1
	atUs    int64 // received (or said), from the start
	takenUs int64 // taken, from the start
	seq     *uint64
	reading events.ReadingTaken // without device, bench, counter and time
	step    string              // of place and confirm
	what    string              // fastener of a place, answer of a confirmation
}

// streamHead is the first record.
type streamHead struct {
	tools      []streamTool
	job        string
	unitSerial string
	start      time.Time
}

type streamTool struct {
	events.Tool
	unit    quantity.Unit // in which its figures are
	told    bool          // the tool reports its unit
	counter string        // "cycles", "sent" or ""
}

// stream is a file of readings as read, with what was wrong in it.
type stream struct {
	head     streamHead
	records  []streamRecord
	pulls    int
	problems []lineNote
	warnings []lineNote
}

func (s *stream) tool(id string) *streamTool {
	for i := range s.head.tools {
		if s.head.tools[i].ID == id {
			return &s.head.tools[i]
		}
	}
	return nil
}

// problem notes what could not be read.
func (s *stream) problem(line int, field, text, todo string) {
	s.problems = append(s.problems, lineNote{Line: line, Field: field, Text: text, Todo: todo, Count: 1})
}

// warn notes what is strange, once for each field and text.
func (s *stream) warn(line int, field, text, todo string) {
	for i := range s.warnings {
		if w := &s.warnings[i]; w.Field == field && w.Text == text {
			w.Count++
			return
		}
	}
	s.warnings = append(s.warnings, lineNote{Line: line, Field: field, Text: text, Todo: todo, Count: 1})
}

// loadStream reads a stream whole. The error is about the first record or the
// reading itself; what is wrong in later lines is in the stream's problems.
func loadStream(ctx context.Context, r io.Reader) (*stream, error) {
	s := &stream{}
	lines := newLineReader(r)
	headed := false
	rd := &recordReader{s: s, last: map[string]int64{}}
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		text, n, err := lines.next()
		switch {
		case err == io.EOF && !headed:
			return nil, lineNote{Line: max(n, 1), Count: 1, Text: "there is no first record", Todo: `begin with {"stream":1,"tools":[…],…}; 'witnessmark judge --format' describes it`}
		case err == io.EOF:
			return s, nil
		case errors.Is(err, errLongLine) && headed:
			s.problem(n, "", err.Error(), "split the trace off, or sample it less often")
			rd.broken(n)
			continue
		case err != nil:
			return nil, fmt.Errorf("%d: %w", n, err)
		case len(text) == 0:
			continue
		case !headed:
			if err := s.readHead(text, n); err != nil {
				return nil, err
			}
			headed = true
		default:
			rd.read(text, n)
		}
	}
}

var errLongLine = errors.New("the line is longer than 4 MiB")

// lineReader gives lines without their ends, blanks around and a byte order
// mark at the start.
type lineReader struct {
	r    *bufio.Reader
	line int
	buf  []byte
}

func newLineReader(r io.Reader) *lineReader { return &lineReader{r: bufio.NewReaderSize(r, 64<<10)} }

// next gives the next line, its number, and io.EOF after the last. What it
// returns is good until the next call.
func (l *lineReader) next() ([]byte, int, error) {
	l.line++
	l.buf = l.buf[:0]
	long := false
	for {
		part, err := l.r.ReadSlice('\n')
		if long = long || len(l.buf)+len(part) > maxStreamLine; !long {
			l.buf = append(l.buf, part...)
		}
		switch {
		case err == bufio.ErrBufferFull:
			continue
		case err != nil && err != io.EOF:
			return nil, l.line, err
		case long:
			return nil, l.line, errLongLine
		case err == io.EOF && len(part) == 0 && len(l.buf) == 0:
			return nil, l.line, io.EOF
		}
		text := l.buf
		if l.line == 1 {
			text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
		}
		return bytes.TrimSpace(text), l.line, nil
	}
}

// recordReader reads the records after the first.
type recordReader struct {
	s     *stream
	rx    int64            // of the record before
	last  map[string]int64 // by tool: when its last reading was taken
	ended bool             // release was asked for
}

// broken keeps the number of a reading that could not be read.
func (r *recordReader) broken(line int) {
	r.s.pulls++
	r.s.records = append(r.s.records, streamRecord{kind: recordBroken, line: line, pull: r.s.pulls, atUs: r.rx})
}

func (r *recordReader) read(text []byte, line int) {
	o, err := readObject(text)
	if err != nil {
		r.s.problem(line, "", err.Error(), "write one JSON object a line; null stands for what is not known, not NaN")
		r.broken(line)
		return
	}
	o.line = line
	var rec streamRecord
	reading := false
	switch {
	case o.has("place"):
		rec, err = r.place(o)
	case o.has("confirm"):
		rec, err = r.confirm(o)
	case o.has("release"):
		rec, err = r.release(o)
	default:
		reading = true
		rec, err = r.reading(o)
	}
	var note lineNote
	if errors.As(err, &note) {
		r.s.problem(line, note.Field, note.Text, note.Todo)
		if reading {
			r.broken(line)
		}
		return
	}
	r.unknown(o, rec.kind)
	r.keep(rec, line)
}

// keep takes a record in, with its time made one that never goes back.
func (r *recordReader) keep(rec streamRecord, line int) {
	rec.line = line
	if rec.atUs < r.rx {
		r.s.warn(line, "rx", "the time of receipt goes backwards", "write the records in order of receipt; judged as if it came right after the one before")
		rec.atUs = r.rx
	}
	r.rx = rec.atUs
	if rec.kind == recordReading {
		r.s.pulls++
		rec.pull = r.s.pulls
		if r.ended {
			r.s.warn(line, "", "a reading comes after release was asked for", "check the order of the records; it is judged where it stands")
		}
	}
	r.ended = r.ended || rec.kind == recordRelease
	r.s.records = append(r.s.records, rec)
}

var recordFields = map[recordKind][]string{
	recordReading: {"tool", "seq", "t", "rx", "value", "unit", "angle", "duration", "trace", "status"},
	recordPlace:   {"place", "t", "rx"},
	recordConfirm: {"confirm", "answer", "t", "rx"},
	recordRelease: {"release", "t", "rx"},
}

// unknown warns of fields that a record does not have.
func (r *recordReader) unknown(o object, kind recordKind) {
	r.s.unknown(o, "", recordFields[kind])
}

func (s *stream) unknown(o object, path string, known []string) {
	for _, name := range o.names() {
		if !slices.Contains(known, name) {
			s.warn(o.line, path+name, "unknown field", "it is not looked at; 'witnessmark judge --format' lists the fields")
		}
	}
}

// at reads when a record that is no reading was made.
func (r *recordReader) at(o object) (int64, error) {
	for _, name := range []string{"t", "rx"} {
		us, ok, err := o.seconds(name)
		if err != nil || ok {
			return us, err
		}
	}
	r.s.warn(o.line, "t", "there is no time", "write t in seconds from the start; taken as the time of the record before")
	return r.rx, nil
}

func (r *recordReader) place(o object) (rec streamRecord, err error) {
	rec.kind = recordPlace
	p, err := o.object("place")
	if err != nil {
		return rec, err
	}
	if rec.step, err = p.text("step"); err != nil {
		return rec, err
	}
	if rec.what, err = p.text("fastener"); err != nil {
		return rec, err
	}
	rec.atUs, err = r.at(o)
	return rec, err
}

func (r *recordReader) confirm(o object) (rec streamRecord, err error) {
	rec.kind = recordConfirm
	if rec.step, err = o.text("confirm"); err != nil {
		return rec, err
	}
	if o.has("answer") {
		if rec.what, err = o.text("answer"); err != nil {
			return rec, err
		}
	}
	rec.atUs, err = r.at(o)
	return rec, err
}

func (r *recordReader) release(o object) (rec streamRecord, err error) {
	rec.kind = recordRelease
	yes, _, err := o.truth("release")
	if err == nil && !yes {
		err = o.wrong("release", "it is false", "write true, or leave the record out")
	}
	if err != nil {
		return rec, err
	}
	rec.atUs, err = r.at(o)
	return rec, err
}

// reading reads a reading. A trace that cannot be used is a problem of its
// own: the reading is judged without it.
func (r *recordReader) reading(o object) (rec streamRecord, err error) {
	id, err := o.text("tool")
	if err != nil {
		return rec, err
	}
	if err := r.times(o, &rec, id); err != nil {
		return rec, err
	}
	if rec.seq, err = o.count("seq"); err != nil {
		return rec, err
	}
	tool := r.s.tool(id)
	switch {
	case tool == nil:
		r.s.warn(o.line, "tool", fmt.Sprintf("the first record names no tool %q", id), "name it among the tools there")
		tool = &streamTool{unit: quantity.NewtonMetre}
	case tool.counter == "":
		rec.seq = nil // the tool has no counter: a number that somebody added says nothing
	case rec.seq == nil:
		r.s.warn(o.line, "seq", "the tool has a counter, but its number is missing", "write the tool's own counter; without it no lost reading shows")
	}
	if rec.reading, err = r.taken(o, tool); err != nil {
		return rec, err
	}
	rec.reading.Tool = id
	rec.reading.ToolStatus, err = o.optionalText("status")
	return rec, err
}

// times reads when a reading was taken and received.
func (r *recordReader) times(o object, rec *streamRecord, tool string) error {
	t, hasT, err := o.seconds("t")
	if err != nil {
		return err
	}
	rx, hasRx, err := o.seconds("rx")
	switch {
	case err != nil:
		return err
	case !hasT && !hasRx:
		return o.wrong("t", "neither t nor rx is there", "write both in seconds from the start")
	case !hasRx:
		r.s.warn(o.line, "rx", "the time of receipt is missing", "write rx in seconds from the start; t is taken for it")
		rx = t
	case !hasT:
		r.s.warn(o.line, "t", "the time of the pull is missing", "write t in seconds from the start; rx is taken for it")
		t = rx
	case t > rx:
		r.s.warn(o.line, "t", "taken after it was received", "check the tool's clock; rx is taken for t")
		t = rx
	}
	if last, there := r.last[tool]; there && t < last {
		r.s.warn(o.line, "t", "the tool's time goes backwards", "check the tool's clock; a reading that comes late may stand here")
	}
	r.last[tool] = t
	rec.takenUs, rec.atUs = t, rx
	return nil
}

// taken reads what the tool measured.
func (r *recordReader) taken(o object, tool *streamTool) (e events.ReadingTaken, err error) {
	value, ok, err := o.number("value")
	if err != nil {
		return e, err
	}
	if !ok {
		return e, o.wrong("value", "there is no value", "write the number that the tool sent")
	}
	u, named, err := o.unit("unit")
	if err != nil {
		return e, err
	}
	if !named {
		u, e.UnitAssumed = tool.unit, true
	}
	e.Mode, e.Unit, e.Value = events.ModePeak, u.Code(), quantity.Of(value, u)
	e.Text = plainText(o.raw("value"), value)
	e.Resolution, _ = quantity.Resolution(e.Text, u)
	if angle, ok, err := o.number("angle"); err != nil {
		return e, err
	} else if ok {
		e.Angle = quantity.Degrees(angle).Value()
	}
	d, ok, err := o.seconds("duration")
	if err != nil {
		return e, err
	}
	if ok {
		e.DurationUs = d
	}
	if e.Trace, err = r.trace(o, u); err != nil {
		var note lineNote
		errors.As(err, &note)
		r.s.problem(o.line, note.Field, note.Text, note.Todo+"; the reading is judged without its trace")
	}
	return e, nil
}

// plainText gives the digits as they stand in the file, or written out where
// they have an exponent.
func plainText(raw []byte, v float64) string {
	if !bytes.ContainsAny(raw, "eE") {
		return string(raw)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// trace reads the pull sample by sample; nil if there is none.
func (r *recordReader) trace(o object, u quantity.Unit) (*events.Trace, error) {
	if !o.has("trace") {
		return nil, nil
	}
	p, err := o.object("trace")
	if err != nil {
		return nil, err
	}
	r.s.unknown(p, "trace.", []string{"rate", "t", "time", "torque", "angle"})
	tr := &events.Trace{}
	if tr.Torque, err = p.numbers("torque"); err != nil {
		return nil, err
	}
	if tr.Angle, err = p.numbers("angle"); err != nil {
		return nil, err
	}
	switch {
	case len(tr.Torque) == 0:
		return nil, p.wrong("torque", "the trace has no torque", "write a list of numbers in the reading's unit")
	case len(tr.Angle) > 0 && len(tr.Angle) != len(tr.Torque):
		return nil, p.wrong("angle", fmt.Sprintf("%d samples of angle, %d of torque", len(tr.Angle), len(tr.Torque)), "write one angle for each torque, or none")
	}
	if u != quantity.NewtonMetre {
		for i, v := range tr.Torque {
			tr.Torque[i] = quantity.Of(v, u).Base()
		}
	}
	return tr, p.traceTimes(tr)
}

// traceTimes reads a trace's rate, or the time of each of its samples.
func (o object) traceTimes(tr *events.Trace) error {
	name := "t"
	if !o.has("t") && o.has("time") {
		name = "time"
	}
	at, err := o.numbers(name)
	if err != nil {
		return err
	}
	rate, ok, err := o.number("rate")
	switch {
	case err != nil:
		return err
	case len(at) > 0 && len(at) != len(tr.Torque):
		return o.wrong(name, fmt.Sprintf("%d times, %d samples of torque", len(at), len(tr.Torque)), "write one time for each torque, or a rate")
	case len(at) > 0:
		return o.timesUs(name, at, tr)
	case !ok:
		return o.wrong("rate", "the trace has neither a rate nor times", "write rate in samples a second, or t in seconds")
	case !(rate > 0 && rate <= 1e6):
		return o.wrong("rate", fmt.Sprintf("%v samples a second", rate), "write a rate above 0 and up to 1000000")
	}
	tr.PeriodUs = int64(math.Round(1e6 / rate))
	if math.Abs(float64(tr.PeriodUs)*rate/1e6-1) > 5e-4 { // a period in whole microseconds is too coarse
		tr.PeriodUs = 0
		tr.TimesUs = make([]int64, len(tr.Torque))
		for i := range tr.TimesUs {
			tr.TimesUs[i] = int64(math.Round(float64(i) * 1e6 / rate))
		}
	}
	return nil
}

func (o object) timesUs(name string, at []float64, tr *events.Trace) error {
	tr.TimesUs = make([]int64, len(at))
	for i, v := range at {
		if math.Abs(v-at[0]) > maxStreamSeconds {
			return o.wrong(name, fmt.Sprintf("sample %d is at %v s", i+1, v), "write seconds")
		}
		tr.TimesUs[i] = int64(math.Round((v - at[0]) * 1e6))
	}
	return nil
}
