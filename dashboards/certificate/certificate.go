// Package certificate writes the certificate of a calibration that was done in
// the shop: its results with uncertainty and budget, both decision limits, and
// the words that ISO/IEC 17025:2017, 7.8, expects of an in-house one. It claims
// no accreditation, and says so.
package certificate

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// Input is what a certificate is made of.
type Input struct {
	Shop        string
	Calibration events.CalibrationJudged
	Seq         uint64 // of the decision in the journal
	Tool        events.Tool
	Reference   events.Tool // zero if the shop file does not know it
	By, Bench   string      // names
	Issued      time.Time   // when it is written out
}

// A Table is a table of a certificate.
type Table struct {
	Title   string
	Columns []string
	Widths  []float64 // shares of the page, of each column
	Rows    [][]string
}

// A Certificate is laid out by WritePDF; everything that it says is in here.
type Certificate struct {
	Title    string
	Number   string
	Verdict  string
	Facts    [][2]string
	Tables   []Table
	Words    []string // statements, in order
	Notes    []string
	Date     time.Time // of the calibration
	Released string    // who authorised it
}

// Make says what a certificate says.
func Make(in Input) Certificate {
	c := &in.Calibration
	out := Certificate{Title: "Calibration certificate (in-house)", Number: c.Calibration, Verdict: verdict(c), Notes: c.Note, Date: c.AtUs.Time(), Released: in.By}
	fact := func(name, value string) {
		if value != "" {
			out.Facts = append(out.Facts, [2]string{name, value})
		}
	}
	fact("Calibrated by and for", in.Shop)
	fact("Where", in.Bench)
	fact("Item", strings.Join(nonEmpty(in.Tool.Name, kind(in.Tool.Kind), classOf(&in.Tool)), ", "))
	fact("Identification", strings.Join(nonEmpty("asset "+c.Tool, "serial number "+in.Tool.Serial), ", "))
	fact("Range and resolution", strings.Join(nonEmpty(valueIn(in.Tool.Least)+" to "+valueIn(in.Tool.Most), prefixed("resolution ", valueIn(in.Tool.Resolution))), ", "))
	fact("State", map[events.Phase]string{events.PhaseFound: "as found, before any adjustment", events.PhaseLeft: "as left, after adjustment"}[c.Phase])
	fact("Date of calibration", c.Date)
	fact("Date of issue", in.Issued.UTC().Format(time.DateOnly))
	fact("Cycles made by then", fmt.Sprint(c.Cycles))
	fact("Method", method(&in.Tool))
	fact("Reference", reference(&in))
	fact("Decision rule", rule(c))
	fact("Record", fmt.Sprintf("journal entry %d; the readings are kept there with their bytes", in.Seq))
	out.Tables = append(out.Tables, results(c))
	for i := range c.Results {
		if len(c.Results[i].Budget) > 0 {
			out.Tables = append(out.Tables, budget(&c.Results[i], c.K))
		}
	}
	if len(c.Pairs) > 0 {
		out.Tables = append(out.Tables, pairs(c.Pairs))
	}
	out.Words = words(&in)
	return out
}

func verdict(c *events.CalibrationJudged) string {
	switch c.Standing {
	case events.StandingGood:
		return "Within the permitted deviation at every point, by the decision rule stated."
	case events.StandingBad:
		return "OUTSIDE the permitted deviation at one point or more."
	case events.StandingDoubt:
		return "Not decided: at one point or more the uncertainty leaves it open."
	}
	return "No statement of conformity is made."
}

func words(in *Input) []string {
	k := in.Calibration.K
	if k == 0 {
		k = 2
	}
	w := []string{
		"This is the certificate of a calibration done by the shop for its own use. The shop does not claim accreditation to ISO/IEC 17025 by this document, and nobody has assessed it for that.",
		fmt.Sprintf("The expanded uncertainty is the standard uncertainty multiplied by k = %g, which for a normal distribution gives a coverage probability of about 95 %%. It was worked out as a budget by JCGM 100 (GUM); for torque tools with the components of ISO 6789-2.", k),
		"The results relate only to the item named here, in the state and at the time of its calibration. They say nothing of its long-term behaviour.",
		"The measured values trace to the reference named here and, through its certificate, to the International System of Units as far as that certificate does.",
		"The statement of conformity relates to the points listed. Permitted is the limit of the standard, the maker or the shop; accepted is that limit drawn in by the decision rule: a deviation between the two is neither accepted nor said to be outside.",
	}
	if len(in.Calibration.Note) == 0 {
		w = append(w, "Ambient conditions were not recorded with the readings.")
	}
	switch {
	case in.Calibration.Due == rules.NeverDue:
		w = append(w, "The shop's own rule sets no date until which the tool may be used; that is the shop's plan for its own tool, not a result of the calibration.")
	case in.Calibration.Due != "":
		w = append(w, "The shop's own rule lets the tool be used up to and including "+in.Calibration.Due+"; this is the shop's plan for its own tool, not a result of the calibration.")
	default:
		w = append(w, "By this result the tool may not be used.")
	}
	return append(w,
		"This document may only be reproduced in full, unless the shop agrees in writing. The maker's instructions, local codes and licensed practice come first.")
}

func results(c *events.CalibrationJudged) Table {
	t := Table{Title: "Results", Columns: []string{"Point", "n", "Mean deviation", "Smallest, largest", "U (k = 2)", "Permitted", "Accepted", "P conforming", "Statement"},
		Widths: []float64{15, 4, 12, 17, 10, 11, 11, 10, 10}}
	for _, r := range c.Results {
		u := unit(r.Unit)
		name := valueIn(r.Point)
		if r.Direction != "" {
			name += ", " + direction(r.Direction)
		}
		t.Rows = append(t.Rows, []string{name, fmt.Sprint(r.N), signed(r.Deviation, u), signed(r.Least, "") + ", " + signed(r.Most, u), plain(r.U, u), "± " + plain(r.Permitted, u), "± " + plain(r.Accept, u), fmt.Sprintf("%.1f %%", 100*r.P), standing(r.Standing)})
	}
	return t
}

func budget(r *events.CalibrationResult, k float64) Table {
	u := unit(r.Unit)
	title := "Uncertainty budget at " + valueIn(r.Point)
	if r.Direction != "" {
		title += ", " + direction(r.Direction)
	}
	t := Table{Title: title, Columns: []string{"Component", "From", "Type", "Distribution", "Stated", "Standard uncertainty", "Share"}, Widths: []float64{22, 26, 7, 13, 10, 13, 9}}
	lines := slices.Clone(r.Budget)
	slices.SortStableFunc(lines, func(a, b events.BudgetLine) int { return cmp.Compare(b.Share, a.Share) })
	for _, l := range lines {
		t.Rows = append(t.Rows, []string{l.Name, l.Source, l.Type, l.Shape, plain(l.Stated, u), plain(l.U, u), fmt.Sprintf("%.0f %%", 100*l.Share)})
	}
	if k == 0 {
		k = 2
	}
	t.Rows = append(t.Rows, []string{"combined", "root of the sum of squares", "", "", "", plain(r.U/k, u), "100 %"}, []string{"expanded", fmt.Sprintf("k = %g", k), "", "", "", plain(r.U, u), ""})
	return t
}

func pairs(ps []events.CalibrationPair) Table {
	t := Table{Title: "Readings", Columns: []string{"Point", "Direction", "Tool", "Reference", "Journal entries", "Note"}, Widths: []float64{18, 16, 18, 18, 18, 12}}
	for _, p := range ps {
		entries := "typed"
		if p.ToolReading != 0 || p.ReferenceReading != 0 {
			entries = fmt.Sprintf("%d, %d", p.ToolReading, p.ReferenceReading)
		}
		note := ""
		if p.Preload {
			note = "pre-loading"
		}
		t.Rows = append(t.Rows, []string{valueIn(p.Point), direction(p.Direction), valueIn(p.Tool), valueIn(p.Reference), entries, note})
	}
	return t
}

func rule(c *events.CalibrationJudged) string {
	switch {
	case c.Rule == "simple":
		return "simple acceptance: the measured deviation is held to the permitted one (JCGM 106, 8.2)"
	case c.Rule == "guard":
		return "guarded acceptance: the permitted deviation less the expanded uncertainty, w = U (JCGM 106, 8.3.2)"
	case strings.HasPrefix(c.Rule, "p="):
		return "accepted where the probability of conformity is at least " + strings.TrimPrefix(c.Rule, "p=") + " (JCGM 106, 8.3.3)"
	}
	return c.Rule
}

func method(t *events.Tool) string {
	switch t.Kind {
	case events.ToolTorqueWrench:
		return "comparison with a reference on the bench, points and readings after ISO 6789-1:2017, deviation 100·(Xa − Xr)/Xr"
	case events.ToolDialIndicator:
		return "error curve over the range against length standards"
	}
	return "comparison with a reference on the bench"
}

func reference(in *Input) string {
	c := &in.Calibration
	if c.Reference == "" {
		return ""
	}
	r := &in.Reference
	return strings.Join(nonEmpty("asset "+c.Reference, r.Name, prefixed("serial number ", r.Serial), prefixed("certificate ", r.Certificate), prefixed("calibrated ", r.Calibrated)), ", ")
}

func kind(k events.ToolKind) string {
	return map[events.ToolKind]string{events.ToolTorqueWrench: "torque wrench", events.ToolTorqueTester: "torque tester", events.ToolDialIndicator: "dial indicator", events.ToolPressGauge: "press gauge", events.ToolSpringScale: "spring scale"}[k]
}

func classOf(t *events.Tool) string {
	if t.Kind == events.ToolTorqueWrench {
		return prefixed("type and class ", t.Class)
	}
	return t.Design
}

func direction(d string) string {
	switch d {
	case "cw":
		return "clockwise"
	case "ccw":
		return "anticlockwise"
	case "in":
		return "going in"
	case "out":
		return "going out"
	}
	return d
}

func standing(s events.Standing) string {
	switch s {
	case events.StandingGood:
		return "within"
	case events.StandingBad:
		return "OUTSIDE"
	case events.StandingDoubt:
		return "open"
	}
	return "none"
}

func unit(code string) string {
	if u, ok := quantity.UnitByCode(code); ok {
		return u.Symbol()
	}
	return code
}

func valueIn(v quantity.Value) string {
	u := map[quantity.Dimension]quantity.Unit{quantity.DimTorque: quantity.NewtonMetre, quantity.DimLength: quantity.Millimetre, quantity.DimAngle: quantity.Degree, quantity.DimForce: quantity.Newton}
	unit, ok := u[v.Dimension()]
	if !ok || v.IsZero() {
		return ""
	}
	return fmt.Sprintf("%.6g %s", v.In(unit), unit.Symbol())
}

func plain(x float64, unit string) string {
	return strings.TrimSpace(fmt.Sprintf("%.3g %s", x, unit))
}

func signed(x float64, unit string) string {
	return strings.TrimSpace(fmt.Sprintf("%+.3g %s", x, unit))
}

func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}

func nonEmpty(ss ...string) []string {
	return slices.DeleteFunc(ss, func(s string) bool { return s == "" })
}
