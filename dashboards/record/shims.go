package record

import (
	"context"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// Shims is how the stack of a shim step was chosen, and what came of it, in
// journal order.
type Shims struct {
	From   string      `json:"from"`            // the step that gave the play
	Drawer string      `json:"stock,omitempty"` // the drawer that the pieces came from
	Left   string      `json:"left,omitempty"`  // names of two sides
	Right  string      `json:"right,omitempty"`
	Events []ShimEvent `json:"events"`
}

// ShimEvent is one thing that happened at a shim step. Kind says which of the
// fields count: "found" what was in place, "proposed", "fitted", "checked".
type ShimEvent struct {
	Kind       string             `json:"kind"`
	Left       []events.ShimPiece `json:"left,omitempty"`
	Right      []events.ShimPiece `json:"right,omitempty"`
	ReadingSeq uint64             `json:"reading_seq,omitempty"` // that it rests on
	Measured   quantity.Value     `json:"measured,omitzero"`
	Predicted  quantity.Value     `json:"predicted,omitzero"`
	U          quantity.Value     `json:"u,omitzero"` // expanded uncertainty (k = 2) of Predicted, or what is allowed between the two
	Good       bool               `json:"good"`       // proposed: one fits; fitted: as proposed; checked: they agree
	Text       string             `json:"text,omitempty"`
	Todo       string             `json:"todo,omitempty"`
	Likely     []string           `json:"likely,omitempty"`
	Reason     string             `json:"reason,omitempty"`
	By         *Person            `json:"by,omitempty"`
	AtUs       events.Instant     `json:"at_us"`
	Seq        uint64             `json:"seq"`
}

// shimFacts is what the ledger says of the shims of a job.
type shimFacts struct{ shims []ledger.ShimStep }

func (f *facts) gatherShims(ctx context.Context, q *ledger.Queries, job string) (err error) {
	f.shims, err = q.ShimStepsOf(ctx, job)
	return err
}

// shimOutcomes gives what was decided on shims.
func (f *facts) shimOutcomes(add func(seq uint64, index int, o events.OutcomeData)) {
	for _, s := range f.shims {
		switch {
		case s.Found != nil:
			add(s.Seq, s.Index, *s.Found)
		case s.Proposed != nil:
			add(s.Seq, s.Index, *s.Proposed)
		case s.Fitted != nil:
			add(s.Seq, s.Index, *s.Fitted)
		case s.Checked != nil:
			add(s.Seq, s.Index, *s.Checked)
		}
	}
}

// stepShims fills in how a step's shims were chosen; nil for another step.
func (f *facts) stepShims(p *procedure.Step) *Shims {
	if p.Shim == nil {
		return nil
	}
	out := &Shims{From: p.Shim.From, Drawer: p.Shim.Drawer, Events: []ShimEvent{}}
	if s := p.Shim.Sides; s != nil {
		out.Left, out.Right = s.Left, s.Right
	}
	for _, s := range f.shims {
		switch {
		case s.Found != nil && s.Found.Step == p.ID:
			d := s.Found
			out.Events = append(out.Events, ShimEvent{Kind: "found", Left: d.Left, Right: d.Right, Good: true, By: f.somebody(d.By, s.Seq), AtUs: d.AtUs, Seq: s.Seq})
		case s.Proposed != nil && s.Proposed.Step == p.ID:
			d := s.Proposed
			out.Events = append(out.Events, ShimEvent{Kind: "proposed", Left: d.Left, Right: d.Right, ReadingSeq: d.Reading, Measured: d.Measured, Predicted: d.Predicted, U: d.U,
				Good: d.Fits, Text: d.Text, Todo: d.Todo, AtUs: d.AtUs, Seq: s.Seq})
		case s.Fitted != nil && s.Fitted.Step == p.ID:
			d := s.Fitted
			out.Events = append(out.Events, ShimEvent{Kind: "fitted", Left: d.Left, Right: d.Right, Predicted: d.Predicted, U: d.U, Good: d.AsProposed, Text: d.Text, Reason: d.Reason,
				By: f.somebody(d.By, s.Seq), AtUs: d.AtUs, Seq: s.Seq})
		case s.Checked != nil && s.Checked.Step == p.ID:
			d := s.Checked
			out.Events = append(out.Events, ShimEvent{Kind: "checked", ReadingSeq: d.Reading, Measured: d.Measured, Predicted: d.Predicted, U: d.Allowed, Good: d.Agrees, Text: d.Text, Likely: d.Likely,
				AtUs: d.AtUs, Seq: s.Seq})
		}
	}
	return out
}

// Pieces writes the stacks of an event: "0.60 mm", "ring gear side: 1.10 mm;
// far side: 0.90 mm".
func (s *Shims) Pieces(e ShimEvent) string {
	if s.Left == "" {
		return events.ShimStackText(e.Left)
	}
	return s.Left + ": " + events.ShimStackText(e.Left) + "; " + s.Right + ": " + events.ShimStackText(e.Right)
}

// Words says an event in a sentence.
func (s *Shims) Words(e ShimEvent) string {
	switch e.Kind {
	case "found":
		return "In place: " + s.Pieces(e) + "."
	case "proposed":
		return "Proposed: " + e.Text
	case "fitted":
		if e.Good {
			return "Fitted as proposed: " + e.Text
		}
		return "Fitted otherwise than proposed (" + e.Reason + "): " + e.Text
	}
	text := e.Text
	for _, l := range e.Likely {
		text += " " + l
	}
	if !e.Good {
		return "NOT AS PREDICTED: " + text
	}
	return "Checked: " + text
}

// shims writes how a stack was chosen.
func (p *page) shims(s *Shims) {
	stock := ""
	if s.Drawer != "" {
		stock = ", pieces from drawer " + s.Drawer
	}
	p.line("  Shims by the value of step %s%s", s.From, stock)
	for _, e := range s.Events {
		by := ""
		if e.By != nil {
			by = " By " + e.By.String()
		}
		p.wrap("  "+clock(e.AtUs)+"  ", s.Words(e)+by)
	}
	if len(s.Events) == 0 {
		p.line("  NO SHIMS PROPOSED")
	}
}
