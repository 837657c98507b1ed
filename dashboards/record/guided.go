package record

import (
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

// Guided is one guided measurement: its points, its result with uncertainty,
// and what was in the way.
type Guided struct {
	Attempt  int            `json:"attempt"`
	Method   string         `json:"method"`
	Judged   string         `json:"judged,omitempty"` // which figure is held against the limits
	Ended    string         `json:"ended,omitempty"`  // why it was begun anew; then there is no result
	Value    quantity.Value `json:"value,omitzero"`
	U        quantity.Value `json:"u,omitzero"` // expanded uncertainty, k = 2
	Coverage float64        `json:"coverage,omitempty"`
	Verdict  events.Verdict `json:"verdict,omitempty"`

	Figures  []events.Figure          `json:"figures,omitempty"`
	Budget   []events.GaugeBudgetLine `json:"budget,omitempty"`
	Warnings []string                 `json:"warnings,omitempty"`
	Points   []GuidedPoint            `json:"points"`
	Troubles []GuidedTrouble          `json:"troubles,omitempty"`
	Samples  int                      `json:"samples,omitempty"`
	Curve    []events.CurvePoint      `json:"curve,omitempty"`
	Tool     string                   `json:"tool,omitempty"`
	By       Person                   `json:"by,omitzero"`
	AtUs     events.Instant           `json:"at_us,omitempty"`
	Seq      uint64                   `json:"decided_seq,omitempty"`
}

// GuidedPoint is one value that was taken.
type GuidedPoint struct {
	events.PointTaken
	Dropped string `json:"dropped,omitempty"` // why it was taken out again
}

// GuidedTrouble is what was in the way.
type GuidedTrouble struct {
	Code string         `json:"code"`
	Text string         `json:"text"`
	AtUs events.Instant `json:"at_us"`
}

// guidedOf puts together what happened in the guided measurements of a step,
// attempt by attempt.
func (f *facts) guidedOf(step string) []Guided {
	var out []Guided
	var now *Guided
	open := func() *Guided {
		if now == nil {
			now = &Guided{Attempt: len(out) + 1, Points: []GuidedPoint{}}
		}
		return now
	}
	shut := func() {
		if now != nil && (len(now.Points) > 0 || len(now.Troubles) > 0 || now.Seq > 0) {
			out = append(out, *now)
		}
		now = nil
	}
	made := 0
	results := func(before uint64) { // those decided before an event
		for ; made < len(f.measurements); made++ {
			m := &f.measurements[made]
			if before != 0 && m.Seq >= before {
				return
			}
			if m.Step == step {
				f.madeInto(open(), m)
				shut()
			}
		}
	}
	for _, e := range f.measuring {
		if measuredStep(e.Data) != step {
			continue
		}
		results(e.Seq)
		f.guidedEvent(e, open, shut)
	}
	results(0)
	shut()
	return out
}

func (f *facts) madeInto(g *Guided, m *ledger.Measurement) {
	g.Method, g.Judged, g.Value, g.U, g.Coverage, g.Verdict = m.Method, m.Judged, m.Value, m.U, m.Coverage, m.Verdict
	g.Figures, g.Budget, g.Warnings, g.Samples, g.Curve = m.Figures, m.Budget, m.Warnings, m.Samples, m.Curve
	g.Attempt, g.Tool, g.By, g.AtUs, g.Seq = m.Attempt, m.Tool, f.person(m.By, m.Seq), m.AtUs, m.Seq
}

func (f *facts) guidedEvent(e ledger.MeasureEvent, open func() *Guided, shut func()) {
	switch d := e.Data.(type) {
	case events.MeasurementStarted:
		if g := open(); len(g.Points) > 0 {
			g.Ended = "begun anew"
			shut()
		}
		g := open()
		g.Attempt, g.Method, g.Tool = d.Attempt, d.Method, d.Tool
	case events.PointTaken:
		g := open()
		g.Points = append(g.Points, GuidedPoint{PointTaken: d})
	case events.PointDropped:
		if g := open(); len(g.Points) > 0 {
			g.Points[len(g.Points)-1].Dropped = d.Why
		}
	case events.MeasurementTroubled:
		if d.Code != "" {
			g := open()
			g.Troubles = append(g.Troubles, GuidedTrouble{d.Code, d.Text, d.AtUs})
		}
	case events.MeasurementEnded:
		open().Ended = d.Why
		shut()
	}
}

func measuredStep(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.MeasurementStarted:
		return o.Step
	case events.PointTaken:
		return o.Step
	case events.PointDropped:
		return o.Step
	case events.MeasurementTroubled:
		return o.Step
	case events.MeasurementEnded:
		return o.Step
	}
	return ""
}

// isResult reports whether a judgement is that of a guided measurement, which
// stands on its points and on no single reading.
func (f *facts) isResult(seq uint64) bool {
	for i := range f.measurements {
		if f.measurements[i].Seq == seq {
			return true
		}
	}
	return false
}

// guided writes the guided measurements of a step.
func (p *page) guided(gs []Guided, unit quantity.Unit) {
	for i := range gs {
		g := &gs[i]
		show := func(v quantity.Value) string { return quantity.Format(v, unit, -1) }
		if g.Ended != "" {
			p.wrap("    attempt        ", fmt.Sprintf("%d, %s: no result, %s", g.Attempt, methodWords(g.Method), g.Ended))
		} else {
			p.wrap("    attempt        ", join(", ", fmt.Sprintf("%d, %s", g.Attempt, methodWords(g.Method)), word(g.Judged != "", "judged by the "+g.Judged), word(g.Tool != "", "with "+g.Tool)))
		}
		for k := range g.Points {
			p.wrap("      point        ", guidedPoint(k, &g.Points[k], show))
		}
		for _, t := range g.Troubles {
			p.wrap("      in the way   ", t.Text)
		}
		if g.Seq == 0 {
			continue
		}
		p.wrap("      result       ", fmt.Sprintf("%s, expanded uncertainty %s (k = 2): %s", show(g.Value), show(g.U), g.Verdict))
		for _, x := range g.Figures {
			p.wrap("      figure       ", join(", ", x.Name+" "+quantity.Format(x.Value, unitOr(unit, x.Value), -1), x.Note))
		}
		for _, b := range g.Budget {
			p.wrap("      uncertainty  ", fmt.Sprintf("%s %s, %.0f %% (%s, type %s)", b.Name, quantity.Format(b.U, unitOr(unit, b.U), -1), 100*b.Share, b.Source, b.Type))
		}
		for _, w := range g.Warnings {
			p.wrap("      note         ", w)
		}
	}
}

func guidedPoint(k int, x *GuidedPoint, show func(quantity.Value) string) string {
	return join(", ", fmt.Sprintf("%d %s %s", k+1, x.Kind, sent(x.Text, x.Unit)), word(!x.Spread.IsZero(), "still within "+show(x.Spread)),
		word(x.Typed, "typed by hand by "+x.By), x.Note, word(x.Dropped != "", "taken out: "+x.Dropped), fmt.Sprintf("J%d", x.Fact))
}

func unitOr(u quantity.Unit, v quantity.Value) quantity.Unit {
	if u.Dimension() == v.Dimension() {
		return u
	}
	return quantity.PreferredUnits{}.For(v.Dimension())
}

func methodWords(m string) string { return strings.ReplaceAll(m, "_", " ") }
