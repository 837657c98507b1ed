package rules

import (
	"fmt"
	"math"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/calibration"
)

// closeAsked judges an open calibration. A good one makes the tool good until
// it is due; a bad one takes it out of use.
func (t *tx) closeAsked(r *request, d events.CalibrationCloseAsked) {
	p := t.openPairing(r, d.Calibration, "")
	if p == nil || !t.mayPair(r, p) {
		return
	}
	if p.check != "" {
		t.refuse(r, "is_check", "it is a quick check", "It ends by itself after its last pull; or drop it.")
		return
	}
	for _, x := range []float64{d.Reproducibility, d.Interface, d.OutputDrive, d.LeverLength} {
		if !(x >= 0 && x <= 100) {
			t.refuse(r, "bad_influence", fmt.Sprintf("an influence of %v %% cannot be", x), "Give the span of the means in % of the reading, 0 where it does not apply.")
			return
		}
	}
	tool, _ := t.tool(p.tool)
	ref, _ := t.tool(p.reference)
	c := tool.reg.Calibration
	o := events.CalibrationJudged{
		Calibration: c.Calibration, Tool: c.Tool, Reference: c.Reference, Bench: c.Bench, Phase: c.Phase, Rule: c.Rule, K: 2,
		Note: append([]string(nil), c.Note...), Date: day(t.at), Cycles: tool.reg.Cycles, By: r.By, AtUs: t.at,
	}
	for i := range c.Pairs {
		if full(&c.Pairs[i]) {
			o.Pairs = append(o.Pairs, c.Pairs[i])
		}
	}
	if len(o.Pairs) == 0 {
		t.refuse(r, "nothing_taken", "no pair has been taken", "Take the readings, or drop the calibration.")
		return
	}
	if d.Note != "" {
		o.Note = append(o.Note, d.Note)
	}
	judge := t.judgeTorque
	if tool.Most.Dimension() == quantity.DimLength {
		judge = t.judgeIndicator
	}
	judge(&o, &d, &tool, &ref)
	if left := len(c.Plan) - len(o.Pairs); left > 0 {
		o.Note = append(o.Note, fmt.Sprintf("%d of %d readings of the plan are missing", left, len(c.Plan)))
		if o.Standing == events.StandingGood {
			o.Standing = events.StandingUnknown
		}
	}
	if o.Standing == events.StandingGood {
		o.Due = dueAfter(&tool, o.Date)
	}
	t.add(o)
	if o.Standing == events.StandingBad {
		t.foundOff(&tool, o.Phase, "calibration "+o.Calibration, r.By, o.Bench)
	}
}

// judgeTorque judges the pairs of a torque tool, a verdict for each point.
func (t *tx) judgeTorque(o *events.CalibrationJudged, d *events.CalibrationCloseAsked, tool, ref *toolDates) {
	rule, _ := ParseRule(o.Rule) // was read when it was opened
	class, _ := classOf(tool)
	least := o.Pairs[0].Point
	var pairs []calibration.Pair
	mixed := false
	for i, p := range o.Pairs {
		mixed = mixed || p.ToolUnit != p.ReferenceUnit
		if p.Preload {
			continue
		}
		if p.Point.Base() < least.Base() {
			least = p.Point
		}
		pairs = append(pairs, calibration.Pair{
			Row: i + 1, Phase: calibration.Phase(o.Phase), Direction: calibration.Direction(p.Direction), Unit: quantity.NewtonMetre,
			Target: quantity.NewtonMetres(p.Point.Base()), Tool: quantity.NewtonMetres(p.Tool.Base()), Reference: quantity.NewtonMetres(p.Reference.Base()),
		})
	}
	if mixed {
		o.Note = append(o.Note, "tool and reference were read in different units; both were converted")
	}
	res := calibration.Judge(calibration.Sheet{
		Tool: calibration.Tool{ID: tool.ID, Class: class, Least: quantity.NewtonMetres(tool.Least.Base()), Most: quantity.NewtonMetres(tool.Most.Base()),
			Resolution: quantity.NewtonMetres(tool.Resolution.Base()), Permitted: limitOf(tool)},
		Reference: calibration.Reference{ID: ref.ID, Certified: midnight(ref.Calibrated), Due: midnight(ref.Due), Expanded: refU(ref, least),
			Least: quantity.NewtonMetres(ref.Least.Base()), Most: quantity.NewtonMetres(ref.Most.Base()), Resolution: quantity.NewtonMetres(ref.Resolution.Base())},
		Day: t.at.Time().Truncate(24 * time.Hour), Now: t.at.Time(), Rule: rule, Pairs: pairs,
		Influences: calibration.Influences{Reproducibility: d.Reproducibility, Interface: d.Interface, OutputDrive: d.OutputDrive, LeverLength: d.LeverLength},
	})
	stopped := false
	for _, f := range res.Findings {
		stopped = stopped || f.Stop
		o.Note = append(o.Note, findingText(f))
	}
	for _, p := range res.Points {
		o.Results = append(o.Results, torqueResult(&p, res.Limit))
	}
	spread(o, pairs)
	if o.Standing = worst(o.Results); stopped || len(o.Results) == 0 {
		if o.Standing != events.StandingBad {
			o.Standing = events.StandingUnknown
		}
	}
}

func findingText(f calibration.Finding) string {
	if f.Row > 0 {
		return fmt.Sprintf("reading %d: %s", f.Row, f.Text)
	}
	return f.Text
}

func midnight(date string) time.Time {
	d, _ := time.Parse(time.DateOnly, date) // no date: the zero time, which bounds nothing
	return d
}

func torqueResult(p *calibration.Point, limit float64) events.CalibrationResult {
	r := events.CalibrationResult{
		Point: p.Target.Value(), Direction: string(p.Direction), N: p.N, Unit: "%", Deviation: p.Mean,
		U: p.Budget.Expanded(), Permitted: limit, Accept: max(0, p.Verdict.Upper), P: p.Verdict.P, Standing: standing(p.Verdict),
	}
	for i, c := range p.Budget.Components {
		r.Budget = append(r.Budget, events.BudgetLine{
			Name: c.Name, Source: c.Source, Type: string(c.Type), Shape: string(c.Shape), Stated: c.Stated, U: c.U(), Share: p.Budget.Share(i),
		})
	}
	return r
}

// spread fills in the smallest and the largest single deviation of each point.
func spread(o *events.CalibrationJudged, pairs []calibration.Pair) {
	for i := range o.Results {
		r := &o.Results[i]
		r.Least, r.Most = math.Inf(1), math.Inf(-1)
		for _, p := range pairs {
			if p.Target.Value() == r.Point && string(p.Direction) == r.Direction {
				d := calibration.Deviation(p.Tool, p.Reference)
				r.Least, r.Most = min(r.Least, d), max(r.Most, d)
			}
		}
	}
}

// judgeIndicator judges the error curve of an indicator: its span against the
// entered maximum permissible error. Its points carry the mean errors.
func (t *tx) judgeIndicator(o *events.CalibrationJudged, _ *events.CalibrationCloseAsked, tool, ref *toolDates) {
	rule, _ := ParseRule(o.Rule) // was read when it was opened
	var rows []calibration.Gauged
	for _, p := range o.Pairs {
		rows = append(rows, calibration.Gauged{Travel: calibration.Travel(p.Direction), Reference: quantity.Millimetres(p.Reference.Base()), Reading: quantity.Millimetres(p.Tool.Base())})
	}
	b := spanBudget(tool, ref)
	res, err := calibration.JudgeIndicator(rows, quantity.Millimetres(tool.MaxError.Base()), quantity.Millimetres(b.Combined()), rule)
	if err != nil {
		o.Note, o.Standing = append(o.Note, err.Error()), events.StandingUnknown
		return
	}
	u := quantity.Millimetres(b.Expanded())
	o.Curve = &events.IndicatorCurve{
		Span: res.Span.Value(), Hysteresis: res.Hysteresis.Value(), Repeatability: res.Repeatability.Value(), Permitted: res.Permitted.Value(),
		Accept: quantity.Millimetres(max(0, res.Verdict.Upper)).Value(), U: u.Value(), P: res.Verdict.P, Source: tool.LimitSource,
	}
	o.Standing = standing(res.Verdict)
	for _, p := range res.Curve {
		for _, side := range []struct {
			travel calibration.Travel
			n      int
			mean   quantity.Length
		}{{calibration.Inward, p.NIn, p.In}, {calibration.Outward, p.NOut, p.Out}} {
			if side.n > 0 {
				o.Results = append(o.Results, indicatorResult(o, rows, p.Reference, side.travel, side.mean, &b, tool))
			}
		}
	}
}

func indicatorResult(o *events.CalibrationJudged, rows []calibration.Gauged, at quantity.Length, travel calibration.Travel, mean quantity.Length, b *calibration.Budget, tool *toolDates) events.CalibrationResult {
	r := events.CalibrationResult{
		Point: at.Value(), Direction: string(travel), Unit: quantity.Millimetre.Code(), Deviation: mean.Millimetres(),
		Least: math.Inf(1), Most: math.Inf(-1), U: b.Expanded(), Permitted: tool.MaxError.Base(), Accept: o.Curve.Accept.Base(), P: o.Curve.P, Standing: o.Standing,
	}
	for _, g := range rows {
		if g.Reference == at && g.Travel == travel {
			e := g.Reading.Millimetres() - at.Millimetres()
			r.N++
			r.Least, r.Most = min(r.Least, e), max(r.Most, e)
		}
	}
	for i, c := range b.Components {
		r.Budget = append(r.Budget, events.BudgetLine{
			Name: c.Name, Source: c.Source, Type: string(c.Type), Shape: string(c.Shape), Stated: c.Stated, U: c.U(), Share: b.Share(i),
		})
	}
	return r
}

// spanBudget is the uncertainty of the span of an error curve, in mm: of two
// blocks, and of two readings with the indicator's own step. The indicator's
// scatter is in the curve itself. Our choice, after GUM 5.1.2.
func spanBudget(tool, ref *toolDates) calibration.Budget {
	block := calibration.FromCertificate("blocks", uncertainty(ref.Tool, tool.Most).Base(), 2)
	step := calibration.FromResolution(tool.Resolution.Base())
	block.Weight, step.Weight = math.Sqrt2, math.Sqrt2
	return calibration.Budget{Unit: "mm", Components: []calibration.Component{block, step}, K: 2}
}
