package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// CertificateFault is one thing that is wrong with an outside laboratory's
// certificate as somebody would enter it.
type CertificateFault struct {
	// Field is the written name of what is wrong, as in the request or, for a
	// point, as CertificateColumns has it.
	Field string
	Point int // of which point, from 1; 0: of none
	Text  string
}

// String says it in one line.
func (f CertificateFault) String() string {
	if f.Point > 0 {
		return fmt.Sprintf("point %d: %s", f.Point, f.Text)
	}
	return f.Text
}

// CertificateColumns are what a point of a certificate has, by the names that
// files of points use.
var CertificateColumns = [...]string{"point", "direction", "n", "deviation", "u", "permitted"}

// CertificatePoint reads a point of a certificate as people write it, a text
// for each of CertificateColumns; direction and n may be empty. Decimal point
// and comma are both read. Deviation, uncertainty and limit are in % of the
// reference, for a length in mm; the unit may stand behind the figure.
func CertificatePoint(columns [len(CertificateColumns)]string) (p events.CalibrationResult, wrong []CertificateFault) {
	bad := func(column int, format string, a ...any) {
		wrong = append(wrong, CertificateFault{Field: CertificateColumns[column], Text: fmt.Sprintf(format, a...)})
	}
	for i := range columns {
		columns[i] = strings.TrimSpace(columns[i])
	}
	var err error
	if p.Point, _, err = quantity.Parse(columns[0]); err != nil {
		bad(0, "%v", err)
	}
	p.Unit = "%"
	if p.Point.Dimension() == quantity.DimLength {
		p.Unit = quantity.Millimetre.Code()
	}
	if p.Direction = columns[1]; columns[2] != "" {
		if p.N, err = strconv.Atoi(columns[2]); err != nil || p.N < 0 {
			bad(2, "n %q: want a whole number", columns[2])
		}
	}
	for i, to := range []*float64{&p.Deviation, &p.U, &p.Permitted} {
		text := strings.TrimSpace(strings.TrimSuffix(columns[3+i], p.Unit))
		*to, err = strconv.ParseFloat(strings.NewReplacer(",", ".", "\u2212", "-").Replace(text), 64)
		switch {
		case text == "":
			bad(3+i, "%s is missing: want a figure", CertificateColumns[3+i])
		case err != nil || math.IsNaN(*to) || math.IsInf(*to, 0):
			bad(3+i, "%s %q: want a figure", CertificateColumns[3+i], columns[3+i])
		}
	}
	return p, wrong
}

// certificateAsked enters the certificate of an outside laboratory.
func (t *tx) certificateAsked(r *request, d events.CertificateAsked) {
	if !t.mayCare(r, "enter a certificate") {
		return
	}
	tool, ok := t.knownTool(r, d.Tool)
	if !ok {
		return
	}
	if d.Phase == "" {
		d.Phase = events.PhaseFound
	}
	if faults := certificateFaults(&d, &tool, t.at); len(faults) > 0 {
		wrong := make([]string, len(faults))
		for i, f := range faults {
			wrong[i] = f.String()
		}
		t.refuse(r, "certificate_wrong", "the certificate cannot be entered so", "Put right what is listed and enter it again.", wrong...)
		return
	}
	o := events.CertificateEntered{
		Certificate: d.Certificate, Tool: d.Tool, Laboratory: d.Laboratory, Phase: d.Phase, Date: d.Date, Due: d.Due, K: d.K,
		Standing: d.Standing, Results: slices.Clone(d.Results), File: d.File, FileHash: d.FileHash, FileSize: d.FileSize,
		Cycles: tool.reg.Cycles, By: r.By, AtUs: t.at,
	}
	if o.K == 0 {
		o.K = 2
	}
	for i := range o.Results {
		judgeResult(&o.Results[i], o.K, calibration.Rule{Kind: calibration.Guarded, Guard: 1})
	}
	t.standOf(&o, &tool)
	t.add(o)
	if o.Standing == events.StandingBad {
		t.foundOff(&tool, o.Phase, "certificate "+o.Certificate+" of "+o.Laboratory, r.By, "")
	}
}

// CertificateFaults says what is wrong with a certificate if it were entered
// at that time, in its order; nothing if it can be. A tool that nobody
// registered is one fault, of the field tool.
func (s *State) CertificateFaults(d events.CertificateAsked, at events.Instant) []CertificateFault {
	tool, ok := s.registered(d.Tool)
	if !ok {
		return []CertificateFault{{Field: "tool", Text: fmt.Sprintf("there is no tool %q in the shop file", d.Tool)}}
	}
	return certificateFaults(&d, &tool, at)
}

func certificateFaults(d *events.CertificateAsked, tool *toolDates, at events.Instant) []CertificateFault {
	var wrong []CertificateFault
	bad := func(field, format string, a ...any) {
		wrong = append(wrong, CertificateFault{Field: field, Text: fmt.Sprintf(format, a...)})
	}
	if d.Certificate == "" {
		bad("certificate", "its number is missing")
	}
	if d.Laboratory == "" {
		bad("laboratory", "the laboratory that issued it is missing")
	}
	if slices.Contains(tool.reg.Papers, paperOf(d.Laboratory, d.Certificate, d.Phase)) {
		bad("certificate", "certificate %s of %s, as %s, was entered for this tool already: it would count twice", d.Certificate, d.Laboratory, d.Phase)
	}
	date, err := time.Parse(time.DateOnly, d.Date)
	switch {
	case err != nil:
		bad("date", "date %q: want YYYY-MM-DD", d.Date)
	case events.InstantOf(date) > at:
		bad("date", "it is dated %s, in the future: today is %s", d.Date, day(at))
	}
	if due, err := time.Parse(time.DateOnly, d.Due); d.Due != "" && (err != nil || due.Before(date)) {
		bad("due", "due %q: want a date as YYYY-MM-DD, not before its date", d.Due)
	}
	if d.Phase != events.PhaseFound && d.Phase != events.PhaseLeft {
		bad("phase", "phase %q: want found or left", d.Phase)
	}
	if !slices.Contains([]events.Standing{"", events.StandingGood, events.StandingDoubt, events.StandingBad, events.StandingUnknown}, d.Standing) {
		bad("standing", "standing %q: want good, doubt, bad or unknown", d.Standing)
	}
	if d.Standing == "" && len(d.Results) == 0 {
		bad("results", "it has neither points nor a standing: enter its points, or say good, doubt or bad")
	}
	if !(d.K >= 0 && d.K <= 5) {
		bad("k", "coverage factor %v: want 2, or what the certificate states", d.K)
	}
	switch {
	case d.File == "" && (d.FileHash != "" || d.FileSize != 0):
		bad("file", "a file's hash or size is given, but no name")
	case d.File != "" && (!isHash(d.FileHash) || d.FileSize <= 0):
		bad("file", "file %q: want its SHA-256 as 64 hexadecimal digits, and its size", d.File)
	}
	for i := range d.Results {
		if f, ok := wrongResult(&d.Results[i], d.Results[0].Unit, tool); ok {
			f.Point = i + 1
			wrong = append(wrong, f)
		}
	}
	return wrong
}

// wrongResult says what is wrong with one point of a certificate, ok if
// something is.
func wrongResult(p *events.CalibrationResult, unit string, tool *toolDates) (f CertificateFault, ok bool) {
	finite := func(xs ...float64) bool {
		return !slices.ContainsFunc(xs, func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	}
	bad := func(field, format string, a ...any) (CertificateFault, bool) {
		return CertificateFault{Field: field, Text: fmt.Sprintf(format, a...)}, true
	}
	want := "%"
	if tool.Most.Dimension() == quantity.DimLength {
		want = quantity.Millimetre.Code()
	}
	v := p.Point.Base()
	switch {
	case p.Point.Dimension() != tool.Most.Dimension():
		return bad("point", "it is a %s, the tool measures a %s", p.Point.Dimension(), tool.Most.Dimension())
	case !(v >= tool.Least.Base()-convSlack(tool) && v <= tool.Most.Base()+convSlack(tool)):
		return bad("point", "%s is outside the tool's range of %s to %s", show(p.Point, quantity.Unit{}), show(tool.Least, quantity.Unit{}), show(tool.Most, quantity.Unit{}))
	case p.Unit != want:
		return bad("deviation", "its figures are in %q: want all in %q", p.Unit, want)
	case p.Unit != unit:
		return bad("deviation", "its figures are in %q, those of the first point in %q: want one unit", p.Unit, unit)
	case p.U < 0:
		return bad("u", "its uncertainty is below zero")
	case p.Permitted < 0:
		return bad("permitted", "its limit is below zero")
	case !finite(p.Deviation, p.Least, p.Most, p.U, p.Permitted, p.Accept, p.P):
		return bad("deviation", "a figure is no number")
	}
	return f, false
}
