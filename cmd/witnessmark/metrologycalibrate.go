package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

func newCalibrate() *cobra.Command {
	c := &cobra.Command{
		Use:   "calibrate FILE",
		Short: "A torque tool against a reference: deviation, uncertainty budget, verdict per point",
		Long: `The deviation is 100·(tool − reference)/reference: the reference stands below the
line. Test points by ISO 6789-1:2017 are the lowest value of the range, 60 % and
100 % of the maximum; the limits and numbers of readings follow from type and
class. Each is from memory of the standard: check them there, and follow the
maker's instructions. No accreditation is claimed.

The budget (ISO 6789-2, GUM, k = 2) takes reference, resolution and repeatability
from the readings and flags; --reproducibility, --interface, --output-drive and
--lever are the spans of means, in %, found for the model of tool.

Columns: target, tool, reference, each with a unit; direction, cw or ccw
(optional: cw); phase, found or left (optional: found). Before an adjustment comes
what was found, then what was left.

  phase,direction,target_Nm,tool_Nm,reference_Nm
  found,cw,10,10.0,9.91`,
		Example: `  witnessmark metrology calibrate k2-7.csv --tool K2-7 --class "I C" --from "10 N·m" --to "200 N·m" \
      --resolution "0.1 N·m" --reference B1 --reference-u 0.5 --certified 2026-03-01 --due 2027-03-01 --rule guard`,
		Args: cobra.ExactArgs(1),
		RunE: runCalibrate,
	}
	s := c.Flags().String
	s("tool", "tool", "name of the tool")
	s("class", "", "type and class by ISO 6789-1: I A to I E, II A to II G")
	s("from", "", `lowest value of its range, such as "10 N·m"`)
	s("to", "", `highest value of its range, such as "200 N·m"`)
	s("resolution", "", `step of its display or scale, such as "0.1 N·m"`)
	s("reference", "reference", "name of the reference")
	s("reference-resolution", "", `step of the reference's display, such as "0.01 N·m"; with both, an exchange of the two columns can show`)
	s("certified", "", "date of its certificate")
	s("due", "", "until when the reference may be used")
	s("day", "", "date of the calibration; default: today")
	s("today", "", "date to judge by; default: today")
	f := c.Flags().Float64
	f("reference-u", 0, "expanded uncertainty of the reference, % with k = 2")
	f("permitted", 0, "maximum permissible deviation, %; 0: by type and class")
	f("ratio", calibration.LeastRatio, "wanted ratio of the limit to the reference's uncertainty")
	f("reproducibility", 0, "span of means when taken off and put on again, %")
	f("interface", 0, "span of means over positions of the adapter, %")
	f("output-drive", 0, "span of means over positions of the drive, %")
	f("lever", 0, "span of means over loading points of the grip, %")
	addRuleFlags(c)
	mustRequire(c, "class", "from", "to", "reference-u")
	return c
}

func runCalibrate(c *cobra.Command, args []string) error {
	s, err := sheetFrom(c)
	if err != nil {
		return err
	}
	if s.Pairs, err = readPairs(c, args[0]); err != nil {
		return err
	}
	res := calibration.Judge(s)
	r := calibrationReport(s, res)
	if err := r.print(c); err != nil {
		return err
	}
	for _, f := range res.Findings {
		if f.Stop {
			return exitCode{status: 1}
		}
	}
	return nil
}

func sheetFrom(c *cobra.Command) (s calibration.Sheet, err error) {
	text := func(name string) string { v, _ := c.Flags().GetString(name); return v }
	s.Tool.ID, s.Reference.ID = text("tool"), text("reference")
	if s.Tool.Class, err = calibration.ParseClass(text("class")); err != nil {
		return s, usageError("--class: %v", err)
	}
	for _, t := range []struct {
		name string
		to   *quantity.Torque
	}{{"from", &s.Tool.Least}, {"to", &s.Tool.Most}, {"resolution", &s.Tool.Resolution}, {"reference-resolution", &s.Reference.Resolution}} {
		if *t.to, err = torqueFlag(c, t.name); err != nil {
			return s, err
		}
	}
	if s.Now, err = today(c); err != nil {
		return s, err
	}
	for _, d := range []struct {
		name string
		to   *time.Time
	}{{"certified", &s.Reference.Certified}, {"due", &s.Reference.Due}, {"day", &s.Day}} {
		if *d.to, err = dateFlag(c, d.name); err != nil {
			return s, err
		}
	}
	if s.Day.IsZero() {
		s.Day = s.Now
	}
	s.Tool.Permitted, s.Reference.Expanded, s.Ratio = float(c, "permitted"), float(c, "reference-u"), float(c, "ratio")
	s.Influences = calibration.Influences{Reproducibility: float(c, "reproducibility"), Interface: float(c, "interface"), OutputDrive: float(c, "output-drive"), LeverLength: float(c, "lever")}
	s.Rule, err = ruleFrom(c)
	return s, err
}

func readPairs(c *cobra.Command, file string) ([]calibration.Pair, error) {
	f, err := openCSV(file, c.InOrStdin(), "target", "tool", "reference")
	if err != nil {
		return nil, err
	}
	defer f.close()
	var all []calibration.Pair
	for {
		more, err := f.next()
		if err != nil || !more {
			return all, err
		}
		p := calibration.Pair{Row: f.line(), Phase: calibration.AsFound, Direction: calibration.Clockwise}
		switch s := calibration.Phase(f.text("phase")); s {
		case calibration.AsFound, "":
		case calibration.AsLeft:
			p.Phase = s
		default:
			return nil, f.fail("phase", "%q: write found or left", s)
		}
		switch s := calibration.Direction(strings.ToLower(f.text("direction"))); s {
		case calibration.Clockwise, "":
		case calibration.CounterClockwise:
			p.Direction = s
		default:
			return nil, f.fail("direction", "%q: write cw or ccw", s)
		}
		for _, col := range []struct {
			name string
			to   *quantity.Torque
		}{{"target", &p.Target}, {"tool", &p.Tool}, {"reference", &p.Reference}} {
			v, u, err := f.value(col.name, quantity.DimTorque)
			if err != nil {
				return nil, err
			}
			*col.to, _ = v.Torque()
			if p.Unit.IsZero() {
				p.Unit = u
			} else if p.Unit != u {
				return nil, f.fail(col.name, "in %s, the column before it in %s: write all in one unit", u.Symbol(), p.Unit.Symbol())
			}
		}
		all = append(all, p)
	}
}

func calibrationReport(s calibration.Sheet, res calibration.Result) report {
	k := s.Tool.Class
	r := report{Title: fmt.Sprintf("Calibration of %s, %s (%s), against %s", s.Tool.ID, k, k.What(), s.Reference.ID),
		Method: "deviation = 100·(tool − reference)/reference, each reading against the limit; " + s.Rule.String() + "; U with k = 2",
		Source: "ISO 6789-1:2017 and ISO 6789-2:2017, from memory; JCGM 100 (GUM); JCGM 106"}
	unit := quantity.Unit{}
	if len(s.Pairs) > 0 {
		unit = s.Pairs[0].Unit
	}
	in := func(t quantity.Torque) num { return num(t.Value().In(unit)) }
	r.add("limit", res.Limit, "%", "±, by type, class and capacity, or as given")
	if !unit.IsZero() {
		var points []string
		for _, p := range k.Points(s.Tool.Least, s.Tool.Most) {
			points = append(points, in(p).String())
		}
		r.say("test points", joined(points)+" "+unit.Symbol())
	}
	r.say("at each", fmt.Sprintf("%d readings after %d preloads to the maximum, in each direction", k.Readings(), k.Preloads()))
	t := grid{Title: "Points", Columns: []string{"phase", "direction", "target (" + unit.Symbol() + ")", "n", "mean (%)", "s (%)", "worst (%)", "U (%)", "accept from (%)", "to (%)", "P within", "verdict"}}
	for _, p := range res.Points {
		t.Rows = append(t.Rows, []any{string(p.Phase), string(p.Direction), in(p.Target), p.N, num(round(p.Mean, 3)), num(round(p.SD, 3)), num(round(p.Worst, 3)), num(round(p.Budget.Expanded(), 3)),
			num(round(p.Verdict.Lower, 3)), num(round(p.Verdict.Upper, 3)), num(round(p.Verdict.P, 4)), verdictWord(p.Verdict)})
	}
	if len(res.Points) > 0 {
		r.Tables = append(r.Tables, t)
	}
	for _, p := range res.Points {
		r.Tables = append(r.Tables, budgetTable(fmt.Sprintf("Uncertainty budget, %s %s at %s %s", p.Phase, p.Direction, in(p.Target), unit.Symbol()), p.Budget))
	}
	stopped := false
	for _, f := range res.Findings {
		where := ""
		if f.Row > 0 {
			where = fmt.Sprintf("line %d: ", f.Row)
		}
		r.note("%s%s", where, f.Text)
		stopped = stopped || f.Stop
	}
	r.Verdict = calibrationVerdict(s, res, stopped)
	return r
}

func calibrationVerdict(s calibration.Sheet, res calibration.Result, stopped bool) string {
	if stopped {
		return "No verdict: put right what the notes say, then judge again."
	}
	var parts []string
	for _, phase := range []calibration.Phase{calibration.AsFound, calibration.AsLeft} {
		for _, p := range res.Points {
			if p.Phase == phase {
				word := "not within its limits"
				if res.Accepted(phase) {
					word = "within its limits"
				}
				parts = append(parts, fmt.Sprintf("as %s: %s", phase, word))
				break
			}
		}
	}
	text := strings.ToUpper(parts[0][:1]) + parts[0][1:] + "; " + strings.Join(parts[1:], "; ")
	text = strings.TrimSuffix(text, "; ") + "."
	if strings.Contains(parts[0], "found: not") {
		text += " Judge again what it tightened since it was last known good (metrology recall)."
	}
	return text
}

func verdictWord(v calibration.Verdict) string {
	switch {
	case v.Accept:
		return "accepted"
	case v.Inside:
		return "rejected, within the limit but not surely"
	}
	return "rejected"
}

func budgetTable(title string, b calibration.Budget) grid {
	g := grid{Title: title, Columns: []string{"component", "type", "distribution", "stated (" + b.Unit + ")", "divisor", "u (" + b.Unit + ")", "df", "share (%)", "from"}}
	for i, c := range b.Components {
		g.Rows = append(g.Rows, []any{c.Name, string(c.Type), string(c.Shape), num(round(c.Stated, 5)), num(round(c.Divisor, 4)), num(round(c.U(), 5)), df(c.DF), num(round(100*b.Share(i), 1)), c.Source})
	}
	g.Rows = append(g.Rows, []any{"combined", "", "", "", "", num(round(b.Combined(), 5)), df(b.EffectiveDF()), "", "Welch-Satterthwaite"},
		[]any{fmt.Sprintf("expanded, k = %g", b.K), "", "", "", "", num(round(b.Expanded(), 5)), "", "", fmt.Sprintf("95.45 %% would need k = %s", num(round(b.Coverage(0.9545), 2)))})
	return g
}

func df(v float64) any {
	if math.IsInf(v, 1) {
		return "∞"
	}
	return num(round(v, 1))
}

func newIndicator() *cobra.Command {
	c := &cobra.Command{
		Use:   "indicator FILE",
		Short: "Error curve of a dial indicator: span, hysteresis, repeatability",
		Long: `Readings over gauge blocks or a calibrator, plunger moving in and then out. The
error is reading minus reference; its span over the range is judged against the
maximum permissible error that the standard or the maker states.

Columns: reference, reading, each with a unit; travel, in or out (optional: in).

  travel,reference_mm,reading_mm
  in,0,0
  in,0.5,0.503`,
		Example: `  witnessmark metrology indicator d3.csv --permitted "0.013 mm" --u "0.001 mm"`,
		Args:    cobra.ExactArgs(1),
		RunE:    runIndicator,
	}
	c.Flags().String("permitted", "", `maximum permissible error of the span, such as "0.013 mm"`)
	c.Flags().String("u", "0 mm", "standard uncertainty of the span")
	addRuleFlags(c)
	mustRequire(c, "permitted")
	return c
}

func runIndicator(c *cobra.Command, args []string) error {
	rule, err := ruleFrom(c)
	if err != nil {
		return err
	}
	var lengths [2]quantity.Length
	for i, name := range []string{"permitted", "u"} {
		s, _ := c.Flags().GetString(name)
		if lengths[i], _, err = quantity.ParseLength(s); err != nil {
			return usageError("--%s: %v", name, err)
		}
	}
	rows, unit, err := readGauged(c, args[0])
	if err != nil {
		return err
	}
	res, err := calibration.JudgeIndicator(rows, lengths[0], lengths[1], rule)
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	in := func(l quantity.Length) float64 { return l.Value().In(unit) }
	r := report{Title: "Error curve of an indicator", Method: "error = reading − reference, means by place and travel; " + rule.String(), Source: "terms of ISO 463, from memory; limit as entered; JCGM 106"}
	t := grid{Title: "Curve", Columns: []string{"reference (" + unit.Symbol() + ")", "error in", "n", "error out", "n"}}
	for _, p := range res.Curve {
		row := []any{num(in(p.Reference)), num(math.NaN()), p.NIn, num(math.NaN()), p.NOut}
		if p.NIn > 0 {
			row[1] = num(in(p.In))
		}
		if p.NOut > 0 {
			row[3] = num(in(p.Out))
		}
		t.Rows = append(t.Rows, row)
	}
	r.Tables = []grid{t}
	r.add("span of error", in(res.Span), unit.Symbol())
	r.add("hysteresis", in(res.Hysteresis), unit.Symbol())
	r.add("repeatability", in(res.Repeatability), unit.Symbol(), "largest range at one place and travel")
	r.add("permitted", in(res.Permitted), unit.Symbol())
	r.add("probability of conformity", res.Verdict.P, "1")
	r.Verdict = "Span of error: " + verdictWord(res.Verdict) + "."
	return r.print(c)
}

func readGauged(c *cobra.Command, file string) (rows []calibration.Gauged, unit quantity.Unit, err error) {
	f, err := openCSV(file, c.InOrStdin(), "reference", "reading")
	if err != nil {
		return nil, unit, err
	}
	defer f.close()
	for {
		more, err := f.next()
		if err != nil || !more {
			return rows, unit, err
		}
		g := calibration.Gauged{Travel: calibration.Inward}
		switch s := calibration.Travel(f.text("travel")); s {
		case calibration.Inward, "":
		case calibration.Outward:
			g.Travel = s
		default:
			return nil, unit, f.fail("travel", "%q: write in or out", s)
		}
		ref, u, err := f.value("reference", quantity.DimLength)
		if err != nil {
			return nil, unit, err
		}
		read, u2, err := f.value("reading", quantity.DimLength)
		if err != nil {
			return nil, unit, err
		}
		if u != u2 || !unit.IsZero() && u != unit {
			return nil, unit, f.fail("reading", "units are mixed: write all in one unit")
		}
		g.Reference, _ = ref.Length()
		g.Reading, _ = read.Length()
		rows, unit = append(rows, g), u
	}
}

func newDecide() *cobra.Command {
	c := &cobra.Command{
		Use:   "decide",
		Short: "One measured value against its limits, by each decision rule",
		Long: `Simple acceptance, a guard band of U (k = 2), and a stated probability of
conformity, side by side, with the probability that the value truly lies within.
With --process, the standard deviation of what is measured, also the risks in the
long run and four ways to set a guard band by the test uncertainty ratio.`,
		Example: `  witnessmark metrology decide --value 103.2 --u 0.5 --lower 96 --upper 104 --unit "N·m"`,
		Args:    cobra.NoArgs,
		RunE:    runDecide,
	}
	c.Flags().Float64("value", 0, "measured value")
	c.Flags().Float64("u", 0, "its standard uncertainty")
	c.Flags().Float64("process", 0, "standard deviation of what is measured; 0: not known")
	c.Flags().Float64("least", 0.95, "least probability of conformity")
	c.Flags().Float64("guard", 1, "guard band as a multiple of U")
	c.Flags().String("unit", "", "unit of all of these")
	addLimitFlags(c)
	mustRequire(c, "value", "u")
	return c
}

func runDecide(c *cobra.Command, _ []string) error {
	l, err := limitsFrom(c)
	if err != nil {
		return err
	}
	y, u, process := float(c, "value"), float(c, "u"), float(c, "process")
	if !(u >= 0) || math.IsNaN(y) || !(process >= 0) {
		return usageError("--value %v, --u %v, --process %v: want numbers, the last two not below zero", y, u, process)
	}
	unit, _ := c.Flags().GetString("unit")
	unit = unitOr(unit)
	r := report{Title: "Decision", Method: "P = Φ((upper − y)/u) − Φ((lower − y)/u); guard band w drawn in from each limit", Source: "JCGM 106:2012; ILAC-G8:09/2019"}
	r.add("value", y, unit, "u = "+num(u).String())
	r.add("probability of conformity", calibration.Probability(y, u, l), "1")
	t := grid{Title: "By each rule", Columns: []string{"rule", "accept from (" + unit + ")", "to", "verdict"}}
	for _, rule := range []calibration.Rule{{Kind: calibration.Simple}, {Kind: calibration.Guarded, Guard: float(c, "guard")}, {Kind: calibration.Confident, Least: float(c, "least")}} {
		if err := rule.Check(); err != nil {
			return usageError("%v", err)
		}
		v := rule.Decide(y, u, l)
		t.Rows = append(t.Rows, []any{rule.String(), num(v.Lower), num(v.Upper), verdictWord(v)})
	}
	r.Tables = []grid{t}
	if width := l.Upper - l.Lower; process > 0 && u > 0 && !math.IsInf(width, 0) {
		r.Tables = append(r.Tables, risks(l, process, u))
		r.add("test uncertainty ratio", width/2/(2*u), "1", "half the tolerance over U")
	}
	return r.print(c)
}

func risks(l calibration.Limits, process, u float64) grid {
	centre, half := (l.Lower+l.Upper)/2, (l.Upper-l.Lower)/2
	g := grid{Title: "Risks in the long run (process centred)", Columns: []string{"acceptance limits", "share of tolerance", "false accept (%)", "false reject (%)"}}
	row := func(name string, share float64) {
		a := calibration.Limits{Lower: centre - share*half, Upper: centre + share*half}
		x := calibration.GlobalRisks(centre, process, u, l, a)
		g.Rows = append(g.Rows, []any{name, num(round(share, 4)), num(100 * x.FalseAccept), num(100 * x.FalseReject)})
	}
	row("simple acceptance", 1)
	for _, m := range calibration.GuardMethods() {
		row(string(m), m.Multiplier(half/(2*u)))
	}
	return g
}
