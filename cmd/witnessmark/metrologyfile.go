package main

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"witnessmark/events/quantity"
)

// csvFile is a table of readings: the first line names the columns, a name may
// end in a unit after an underscore or in brackets, such as value_mm or
// "tool [N·m]"; lines that begin with # are remarks. Faults are told with file,
// line and column.
type csvFile struct {
	name string
	r    *csv.Reader
	head []csvColumn
	row  []string
	file io.Closer
}

type csvColumn struct{ name, unit string }

// openCSV reads the heading; "-" is the standard input. needed columns must be
// there.
func openCSV(name string, stdin io.Reader, needed ...string) (*csvFile, error) {
	f := &csvFile{name: name, file: io.NopCloser(nil)}
	in := stdin
	if name != "-" {
		file, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("read readings: %w", err)
		}
		in, f.file = file, file
	}
	buffered := bufio.NewReaderSize(in, 1<<16)
	f.r = csv.NewReader(buffered)
	f.r.Comment, f.r.TrimLeadingSpace, f.r.ReuseRecord = '#', true, true
	if start, _ := buffered.Peek(4096); usesSemicolons(string(start)) {
		f.r.Comma = ';'
	}
	if err := f.heading(needed); err != nil {
		f.file.Close()
		return nil, err
	}
	return f, nil
}

// usesSemicolons looks at the first line that is no remark.
func usesSemicolons(start string) bool {
	for line := range strings.Lines(start) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			return strings.Contains(line, ";") && !strings.Contains(line, ",")
		}
	}
	return false
}

func (f *csvFile) heading(needed []string) error {
	head, err := f.r.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return fmt.Errorf("%s:1:1: nothing in it: the first line names the columns: %s", f.name, strings.Join(needed, ", "))
		}
		return f.broken(err)
	}
	f.row = head
	for i, h := range head {
		c := splitUnit(strings.TrimPrefix(h, "\ufeff"))
		for _, other := range f.head {
			if other.name == c.name {
				return f.failAt(i, "a second column %q: name each column once", c.name)
			}
		}
		f.head = append(f.head, c)
	}
	for _, n := range needed {
		if !f.has(n) {
			return f.failAt(0, "no column %q: the columns wanted are %s; a unit may follow, such as %s_mm", n, strings.Join(needed, ", "), n)
		}
	}
	return nil
}

func splitUnit(h string) csvColumn {
	h = strings.TrimSpace(h)
	if name, unit, ok := strings.Cut(h, "["); ok {
		return csvColumn{strings.TrimSpace(strings.ToLower(name)), strings.TrimSpace(strings.TrimSuffix(unit, "]"))}
	}
	if name, unit, ok := strings.Cut(h, "_"); ok {
		return csvColumn{strings.ToLower(name), unit}
	}
	return csvColumn{strings.ToLower(h), ""}
}

func (f *csvFile) close() { f.file.Close() }

func (f *csvFile) index(col string) int {
	for i, c := range f.head {
		if c.name == col {
			return i
		}
	}
	return -1
}

func (f *csvFile) has(col string) bool { return f.index(col) >= 0 }

// unit is what follows the column's name; empty if nothing does.
func (f *csvFile) unit(col string) string {
	if i := f.index(col); i >= 0 {
		if u, err := quantity.ParseUnit(f.head[i].unit); err == nil {
			return u.Symbol()
		}
		return f.head[i].unit
	}
	return ""
}

// next moves to the next row; false at the end.
func (f *csvFile) next() (bool, error) {
	row, err := f.r.Read()
	if errors.Is(err, io.EOF) {
		return false, nil
	}
	if err != nil {
		return false, f.broken(err)
	}
	f.row = row
	return true, nil
}

func (f *csvFile) broken(err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return fmt.Errorf("%s:%d:%d: %w: each row wants as many columns as the first", f.name, p.Line, max(1, p.Column), p.Err)
	}
	return fmt.Errorf("read %s: %w", f.name, err)
}

func (f *csvFile) line() int {
	line, _ := f.r.FieldPos(0)
	return line
}

func (f *csvFile) failAt(i int, format string, a ...any) error {
	line, col := f.r.FieldPos(i)
	return fmt.Errorf("%s:%d:%d: %s", f.name, line, col, fmt.Sprintf(format, a...))
}

// fail is a fault of the row's column col.
func (f *csvFile) fail(col, format string, a ...any) error {
	return f.failAt(max(0, f.index(col)), format, a...)
}

// text is the cell, without spaces about it; empty if there is no such column.
func (f *csvFile) text(col string) string {
	if i := f.index(col); i >= 0 {
		return strings.TrimSpace(f.row[i])
	}
	return ""
}

// label is a text that must not be empty. It is a copy, safe to keep.
func (f *csvFile) label(col string) (string, error) {
	s := f.text(col)
	if s == "" {
		return "", f.fail(col, "empty: write the %s", col)
	}
	return strings.Clone(s), nil
}

func (f *csvFile) number(col string) (float64, error) {
	s := f.text(col)
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, f.fail(col, "%q is not a number: write it as 12.5, with a point", s)
	}
	return v, nil
}

// when is a date, with or without a time of day.
func (f *csvFile) when(col string) (time.Time, error) {
	s := f.text(col)
	for _, form := range []string{time.DateOnly, time.RFC3339, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.Parse(form, s); err == nil {
			return t, nil
		}
	}
	return time.Time{}, f.fail(col, "%q is not a date: write it as 2026-11-25 or 2026-11-25T08:00:00Z", s)
}

// value is a quantity: the number with the unit of its column's name, or else
// of the column "unit", or else as written in the cell.
func (f *csvFile) value(col string, dim quantity.Dimension) (quantity.Value, quantity.Unit, error) {
	s, unit := f.text(col), f.head[f.index(col)].unit
	if unit == "" {
		unit = f.text("unit")
	}
	v, u, err := quantity.Parse(strings.TrimSpace(s + " " + unit))
	if err != nil {
		return v, u, f.fail(col, "%v; name the unit in the heading, such as %s_Nm or %s_mm, or in a column unit", err, col, col)
	}
	if dim != quantity.NoDimension && v.Dimension() != dim {
		return v, u, f.fail(col, "%s is a %s; a %s is wanted", u.Symbol(), v.Dimension(), dim)
	}
	return v, u, nil
}
