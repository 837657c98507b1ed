package rules

import (
	"fmt"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// careTools are the invented tools that only the scenarios about calibrations
// use: references, a setting wrench, one that is due after three cycles.
func careTools() []events.Tool {
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	in := func(t events.Tool) events.Tool {
		t.Name, t.Serial, t.Calibrated, t.Due = strings.ToUpper(t.ID), t.ID, "2026-06-01", "2027-06-01"
		return t
	}
	ref := in(events.Tool{ID: "ref", Kind: events.ToolTorqueTester, Least: nm(1), Most: nm(400), URel: 0.005, Resolution: nm(0.01), Reference: true, Certificate: "TR-1"})
	coarse := in(events.Tool{ID: "coarse", Kind: events.ToolTorqueTester, Least: nm(1), Most: nm(400), URel: 0.02, Reference: true, Certificate: "TR-2"})
	useless := in(events.Tool{ID: "useless", Kind: events.ToolTorqueTester, Least: nm(1), Most: nm(400), URel: 0.05, Reference: true, Certificate: "TR-3"})
	late := ref
	late.ID, late.Name, late.Serial, late.Due = "lateref", "LATEREF", "lateref", "2026-11-01"
	click := in(events.Tool{ID: "click", Kind: events.ToolTorqueWrench, Least: nm(20), Most: nm(100), URel: 0.02, Class: "II A", Resolution: nm(1)})
	worn := in(events.Tool{ID: "worn", Kind: events.ToolTorqueWrench, Least: nm(5), Most: nm(200), URel: 0.01, Class: "I C", Resolution: nm(0.1), Interval: events.ToolInterval{Cycles: 3}})
	blocks := in(events.Tool{ID: "blocks", Kind: events.ToolGaugeBlocks, Least: mm(0), Most: mm(100), UAbs: mm(0.0003), Reference: true, Certificate: "GB-1"})
	return []events.Tool{ref, coarse, useless, late, click, worn, blocks}
}

// careFact makes the requests about tools.
func (c *scene) careFact(f []string, w map[string]string, a events.Ask) events.Data {
	c.t.Helper()
	if w["by"] == "" {
		a.By = "quim"
	}
	if a.Bench == "" {
		a.Bench = "axle"
	}
	num := func(s string) int { n, _ := strconv.Atoi(s); return n }
	values := func(s string) (out []quantity.Value) {
		for x := range strings.SplitSeq(s, ",") {
			if v, _, err := quantity.Parse(x); err == nil {
				out = append(out, v)
			}
		}
		return out
	}
	switch f[0] {
	case "calibrate":
		d := events.CalibrationAsked{Ask: a, Tool: f[1], Reference: w["with"], Phase: events.Phase(w["as"]), Rule: w["rule"], Points: values(w["points"]), Readings: num(w["readings"]), WithinS: num(w["within"])}
		if w["turns"] != "" {
			d.Directions = strings.Split(w["turns"], ",")
		}
		return d
	case "pair":
		return c.typedPair(f, a)
	case "undo-pair":
		return events.CalibrationUndoAsked{Ask: a, Reason: w["because"]}
	case "close-calibration":
		return events.CalibrationCloseAsked{Ask: a}
	case "drop-calibration":
		return events.CalibrationDropAsked{Ask: a, Reason: c.because(w)}
	case "check":
		d := events.CheckAsked{Ask: a, Tool: f[1], Reference: w["with"], Pulls: num(w["pulls"])}
		if p := values(w["point"]); len(p) > 0 {
			d.Point = p[0]
		}
		return d
	case "drop-check":
		return events.CheckDropAsked{Ask: a, Reason: c.because(w)}
	case "certificate":
		return c.certificate(f, w, a)
	case "move":
		return events.ToolMoveAsked{Ask: a, Tool: f[1], State: events.ToolState(w["to"]), Place: w["place"], Reason: c.because(w)}
	case "adjust":
		return events.ToolAdjustAsked{Ask: a, Tool: f[1], What: c.because(w)}
	case "override":
		return events.OverrideAsked{Ask: a, Tool: f[1], Job: c.jobOf(w), Reason: c.because(w)}
	}
	return events.ReadingAssignAsked{Ask: a, Reading: c.reads[f[1]], Tool: w["to"], Reason: c.because(w)}
}

// typedPair reads "pair 20.1 N·m 20.0 N·m" and "pair - 20.0 N·m".
func (c *scene) typedPair(f []string, a events.Ask) events.Data {
	d := events.CalibrationPairAsked{Ask: a}
	f = f[1:]
	next := func(v *quantity.Value, unit *string) {
		if len(f) > 0 && f[0] == "-" {
			f = f[1:]
			return
		}
		if len(f) < 2 {
			return
		}
		x, u, err := quantity.Parse(f[0] + " " + f[1])
		if err != nil {
			return
		}
		*v, *unit, f = x, u.Code(), f[2:]
	}
	next(&d.Tool, &d.ToolUnit)
	next(&d.Reference, &d.ReferenceUnit)
	return d
}

// certificate reads points as 20:+1.0:0.5:4, that is N·m, deviation, U and
// limit in %.
func (c *scene) certificate(f []string, w map[string]string, a events.Ask) events.Data {
	d := events.CertificateAsked{Ask: a, Certificate: w["number"], Tool: f[1], Laboratory: "an invented laboratory", Phase: events.Phase(w["as"]), Date: w["dated"], Due: w["due"], Standing: events.Standing(w["standing"])}
	for p := range strings.SplitSeq(w["points"], ",") {
		var x [4]float64
		for i, s := range strings.Split(p, ":") {
			x[min(i, 3)], _ = strconv.ParseFloat(s, 64)
		}
		if p != "" {
			d.Results = append(d.Results, events.CalibrationResult{Point: quantity.NewtonMetres(x[0]).Value(), Unit: "%", Deviation: x[1], U: x[2], Permitted: x[3]})
		}
	}
	return d
}

// careAsk answers what a scenario asks about tools.
func (c *scene) careAsk(word, place string) string {
	switch word {
	case "tool":
		n := c.s.Tools[place]
		s := fmt.Sprintf("%s cycles %d overloads %d calibrated %s due %s", n.State, n.Cycles, n.Overloads, n.Calibrated, n.Due)
		if n.Standing != events.StandingGood {
			s += " " + string(n.Standing)
		}
		return s
	case "pairing":
		p, ok := c.s.PairingAt(place)
		if !ok {
			return "none"
		}
		if p.Row == p.Rows {
			return fmt.Sprintf("%d/%d", p.Row, p.Rows)
		}
		return fmt.Sprintf("%d/%d %s %s %d/%d", p.Row, p.Rows, show(p.Plan.Point, quantity.Unit{}), p.Plan.Direction, p.Reading, p.Readings)
	}
	var ids []string
	for _, r := range c.s.RefusedTools(c.s.Jobs[c.job], c.at) {
		ids = append(ids, r.Tool)
	}
	return orNone(ids)
}

// tellCare writes outcomes about tools in the words of the scenarios.
func (c *scene) tellCare(o events.OutcomeData) string {
	taken := func(row int, p *events.CalibrationPair) string {
		s := fmt.Sprintf("taken %d", row+1)
		if !full(p) {
			s += " half"
		}
		return s
	}
	switch o := o.(type) {
	case events.CalibrationOpened:
		c.texts = append(c.texts, o.Note...)
		s := fmt.Sprintf("calibration-opened %s %s %d", o.Tool, o.Phase, len(o.Plan))
		if len(o.Note) > 0 {
			s += " warned"
		}
		return s
	case events.CalibrationTaken:
		return taken(o.Row, &o.Pair)
	case events.CheckTaken:
		return taken(o.Row, &o.Pair)
	case events.CalibrationUndone:
		return fmt.Sprintf("undone %d", o.Row+1)
	case events.CalibrationJudged:
		c.texts = append(c.texts, o.Note...)
		s := strings.TrimSpace(fmt.Sprintf("calibrated %s %s %s %s", o.Tool, o.Phase, o.Standing, o.Due))
		for _, r := range o.Results {
			c.texts = append(c.texts, fmt.Sprintf("%s %s n %d: %+.4f %s, U %.4f, permitted ±%g, accept ±%.4f, p %.4f, %s", show(r.Point, quantity.Unit{}), r.Direction, r.N, r.Deviation, r.Unit, r.U, r.Permitted, r.Accept, r.P, r.Standing))
		}
		if o.Curve != nil {
			c.texts = append(c.texts, fmt.Sprintf("span %.4f hysteresis %.4f repeatability %.4f U %.4f", o.Curve.Span.Base(), o.Curve.Hysteresis.Base(), o.Curve.Repeatability.Base(), o.Curve.U.Base()))
		}
		return s
	case events.CalibrationDropped:
		return "calibration-dropped " + o.Tool
	case events.CheckOpened:
		return fmt.Sprintf("check-opened %s %s", o.Tool, show(o.Point, quantity.Unit{}))
	case events.CheckJudged:
		c.texts = append(c.texts, o.Why)
		s := "checked " + o.Tool + " " + string(o.Standing)
		if o.Unusual {
			s += " unusual"
		}
		return s
	case events.CheckDropped:
		return "check-dropped " + o.Tool
	case events.ReadingPassedOver:
		c.texts = append(c.texts, o.Why)
		return "passed-over " + o.Taker
	case events.ToolMoved:
		return strings.TrimSpace("moved " + o.Tool + " " + string(o.State) + " " + o.Place)
	case events.ToolAdjusted:
		return "adjusted " + o.Tool
	case events.CertificateEntered:
		c.texts = append(c.texts, o.Note...)
		return strings.TrimSpace("certificate " + o.Tool + " " + string(o.Standing) + " " + o.Due)
	case events.OverrideGiven:
		c.texts = append(c.texts, o.Was)
		return "override " + o.Tool
	case events.ReadingAssigned:
		return "assigned " + o.Tool
	}
	return fmt.Sprintf("%T", o)
}
