package certificate

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

func input() Input {
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	day := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC)
	result := func(p, d float64, s events.Standing) events.CalibrationResult {
		return events.CalibrationResult{Point: nm(p), Direction: "cw", N: 5, Unit: "%", Deviation: d, Least: d - 0.4, Most: d + 0.4, U: 0.62, Permitted: 4, Accept: 3.38, P: 0.998, Standing: s,
			Budget: []events.BudgetLine{{Name: "repeatability", Source: "5 readings", Type: "A", Shape: "normal", Stated: 0.2, U: 0.2, Share: 0.4}, {Name: "reference", Source: "its certificate", Type: "B", Shape: "normal", Stated: 0.48, U: 0.24, Share: 0.6}}}
	}
	return Input{
		Shop: "Fenholt Driveline", Seq: 1234, By: "Quim Sala", Bench: "Axle bench", Issued: day,
		Tool:      events.Tool{ID: "k2-07", Name: "Orrin K2 no. 7", Kind: events.ToolTorqueWrench, Serial: "K2-1180-07", Least: nm(40), Most: nm(200), Class: "I C", Resolution: nm(0.1)},
		Reference: events.Tool{ID: "tester", Name: "Bench tester", Serial: "T-1", Certificate: "LAB-2231", Calibrated: "2026-03-02"},
		Calibration: events.CalibrationJudged{Calibration: "K2-07-3", Tool: "k2-07", Reference: "tester", Bench: "axle", Phase: events.PhaseFound, Rule: "guard", K: 2, Standing: events.StandingGood, Date: "2026-11-25", Due: "2027-11-25",
			Cycles: 3120, By: "quim", AtUs: events.InstantOf(day), Results: []events.CalibrationResult{result(40, 1.2, events.StandingGood), result(120, -0.3, events.StandingGood), result(200, 0.1, events.StandingGood)},
			Pairs: []events.CalibrationPair{{Point: nm(40), Direction: "cw", Tool: nm(40.5), Reference: nm(40), ToolReading: 1200, ReferenceReading: 1201}, {Point: nm(40), Direction: "cw", Tool: nm(40.4), Reference: nm(40), Preload: true}}},
	}
}

// all is everything that a certificate says, as text.
func (c *Certificate) all() string {
	s := []string{c.Title, c.Number, c.Verdict}
	for _, f := range c.Facts {
		s = append(s, f[0]+": "+f[1])
	}
	for _, t := range c.Tables {
		s = append(s, t.Title, strings.Join(t.Columns, " | "))
		for _, r := range t.Rows {
			s = append(s, strings.Join(r, " | "))
		}
	}
	return strings.Join(append(append(s, c.Words...), c.Notes...), "\n")
}

// TestWhatItSays: what ISO/IEC 17025:2017, 7.8.2 and 7.8.4, list for a report and
// a calibration certificate (from memory) is there, and nothing is claimed that
// is not so.
func TestWhatItSays(t *testing.T) {
	in := input()
	c := Make(in)
	text := c.all()
	for what, want := range map[string]string{
		"title": "Calibration certificate", "identification": "K2-07-3", "name": "Fenholt Driveline", "location": "Axle bench", "method": "ISO 6789-1:2017", "item": "serial number K2-1180-07", "state": "as found",
		"date of calibration": "Date of calibration: 2026-11-25", "date of issue": "Date of issue: 2026-11-25", "only the item": "relate only to the item", "in full": "reproduced in full", "uncertainty": "coverage probability of about 95 %",
		"traceability": "trace to the reference", "certificate of the reference": "certificate LAB-2231", "budget": "Uncertainty budget at 40 N·m", "decision rule": "w = U (JCGM 106, 8.3.2)",
		"permitted limit": "± 4 %", "accepted limit": "± 3.38 %", "no accreditation": "does not claim accreditation", "unit": "N·m", "larger share first": "reference | its certificate | B", "pre-loading": "pre-loading", "entries": "1200, 1201", "ambient": "Ambient conditions were not recorded",
		"plan, no result": "not a result of the calibration",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%s: the certificate does not say %q", what, want)
		}
	}
	in.Calibration.Standing, in.Calibration.Due, in.Calibration.Phase, in.Calibration.Rule = events.StandingBad, "", events.PhaseLeft, "p=0.98"
	in.Calibration.Results[0].Standing = events.StandingBad
	c = Make(in)
	text = c.all()
	for _, want := range []string{"OUTSIDE the permitted deviation", "may not be used", "as left", "at least 0.98"} {
		if !strings.Contains(text, want) {
			t.Errorf("a bad one does not say %q", want)
		}
	}
}

// TestPDF: the same certificate gives the same bytes, and a long one breaks into
// pages. Where pdftotext is there, it reads the words back.
func TestPDF(t *testing.T) {
	in := input()
	for i := range 120 {
		p := in.Calibration.Pairs[i%2]
		in.Calibration.Pairs = append(in.Calibration.Pairs, p)
	}
	c := Make(in)
	var a, b bytes.Buffer
	if err := c.WritePDF(&a); err != nil {
		t.Fatal(err)
	}
	if err := c.WritePDF(&b); err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(a.Bytes(), []byte("%PDF-")) || !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Errorf("no PDF, or two that differ (%d and %d bytes)", a.Len(), b.Len())
	}
	if n := bytes.Count(a.Bytes(), []byte("/Type /Page\n")); n < 3 {
		t.Errorf("%d pages", n)
	}
	path, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Log("no pdftotext here: the words were not read back from the pages")
		return
	}
	file := filepath.Join(t.TempDir(), "c.pdf")
	if err := os.WriteFile(file, a.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command(path, file, "-").Output()
	if err != nil || !strings.Contains(string(text), "Calibration certificate (in-house)") || !strings.Contains(string(text), "K2-07-3") {
		t.Errorf("read back %q, %v", text, err)
	}
}
