package procedure

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// PressSpec is what a press step asks for, where its force is measured.
type PressSpec struct {
	Places           []PressPlace   // in the order to be pressed
	LSL, USL         quantity.Value // of the ram's greatest force; LSL may be the zero Value
	Unit             quantity.Unit  // in which the procedure states them
	Seat             *SeatSpec      // how the seat shows; nil: not asked
	Recheck          *RecheckSpec   // what must follow each pressing; nil: nothing
	Tools, ToolKinds []string       // as of a Joint
}

// PressPlace is one thing that is pressed in.
type PressPlace struct {
	ID    string
	Title string   // "pin of the first/second fork"
	Mates []string // ids of the mates that are checked before it is pressed
}

// SeatSpec says how a pressing shows that the part is home.
type SeatSpec struct {
	Jump     quantity.Value // least rise of the force once the part is home; zero: not by force
	TravelLo quantity.Value // window of the ram's travel to the seat; zero Values: not by travel
	TravelHi quantity.Value
}

// RecheckSpec is a check after each pressing: a later step, or a question.
type RecheckSpec struct {
	Step string // id of a later step of kind measure or attest; "" for a question
	Ask  string // a question that is answered right or wrong, place by place
}

// Place returns the index of the place with an id, or -1.
func (p *PressSpec) Place(id string) int {
	return slices.IndexFunc(p.Places, func(q PressPlace) bool { return q.ID == id })
}

// presses reads what the press steps ask for. Kits and mates must have been
// read.
func (r *reader) presses(root at, p *Procedure) {
	for i, s := range root.get("steps").items() {
		if i < len(p.Steps) && p.Steps[i].Kind == Press && s.get("places").ok() {
			p.Steps[i].Press = r.press(s, p, i)
		}
	}
}

func (r *reader) press(s at, p *Procedure, step int) *PressSpec {
	out := &PressSpec{}
	seen := ids{}
	for _, q := range s.get("places").items() {
		r.once(seen, q.get("id"), "place")
		place := PressPlace{ID: q.get("id").text(), Title: q.get("title").text(), Mates: q.get("mates").texts()}
		for _, m := range q.get("mates").items() {
			r.mateOf(m, p, step)
		}
		out.Places = append(out.Places, place)
	}
	out.Tools, out.ToolKinds = r.tools(s, events.ToolPressGauge)
	if l, ok := r.limits(s, quantity.DimForce); ok {
		out.LSL, out.USL, out.Unit = l.low.Value, l.high.Value, firstUnit(l)
		if l.high.IsZero() {
			r.err(s.get("limits"), "a press step needs a force limit", "limits: {high: 8 kN}: above it something bends or breaks")
		}
	}
	out.Seat = r.seat(s.get("seat"), out)
	out.Recheck = r.recheck(s.get("recheck"), p, step)
	if len(p.Steps[step].Cautions) == 0 && !r.broken(s) {
		r.warn(s, "a press step without a caution", "cautions: presses throw parts; say who can be hurt by what")
	}
	return out
}

// mateOf checks a mate that a place names: there, and its parts are recorded
// before.
func (r *reader) mateOf(m at, p *Procedure, step int) {
	mate := p.Mate(m.text())
	if mate == nil {
		var known []string
		for i := range p.Mates {
			known = append(known, p.Mates[i].ID)
		}
		if !r.broken(at{m.n, "mates"}) {
			r.err(m, fmt.Sprintf("unknown mate %s", show(m)), oneOf(m.text(), known))
		}
		return
	}
	for _, a := range []PartAttribute{mate.A, mate.B} {
		if _, i := p.Part(a.Part); i > step {
			r.err(m, fmt.Sprintf("part %q is recorded in step %q, which comes later", a.Part, p.Steps[i].ID), "put the kit before the press step")
		}
	}
}

func (r *reader) seat(s at, p *PressSpec) *SeatSpec {
	if !s.ok() {
		return nil
	}
	out := &SeatSpec{}
	jump, ok := r.amount(s.get("jump"), quantity.DimForce)
	if ok && !jump.IsZero() {
		out.Jump = jump.Value
		if !(jump.Base() > 0) {
			r.err(s.get("jump"), fmt.Sprintf("jump %s is not above zero", show(s.get("jump"))), "the least rise of the force once the part is home, such as 1.5 kN")
		} else if !p.USL.IsZero() && jump.Base() >= p.USL.Base() {
			r.err(s.get("jump"), fmt.Sprintf("jump %s is not below the force limit", show(s.get("jump"))), "a rise that fits below the limit")
		}
	}
	lo, ok1 := r.amount(s.get("travel").get("low"), quantity.DimLength)
	hi, ok2 := r.amount(s.get("travel").get("high"), quantity.DimLength)
	if ok1 && ok2 && !hi.IsZero() {
		out.TravelLo, out.TravelHi = lo.Value, hi.Value
		if !(lo.Base() < hi.Base()) {
			r.err(s.get("travel"), fmt.Sprintf("the lower travel %s is not below the upper travel %s", lo.text, hi.text), "low below high: exchange them")
		}
	}
	return out
}

func (r *reader) recheck(c at, p *Procedure, step int) *RecheckSpec {
	if !c.ok() {
		return nil
	}
	s, ask := c.get("step"), c.get("ask")
	out := &RecheckSpec{Step: s.text(), Ask: ask.text()}
	if s.ok() == ask.ok() {
		r.err(c, "the re-check is missing or said twice", "either step: a later step of kind measure or attest, or ask: a question")
		return out
	}
	if !s.ok() || out.Step == "" {
		return out
	}
	var later []string
	for _, q := range p.Steps[step+1:] {
		if q.Kind == Measure || q.Kind == Attest {
			later = append(later, q.ID)
		}
	}
	if !slices.Contains(later, out.Step) {
		r.err(s, fmt.Sprintf("%s is no later step that measures or attests", show(s)), oneOf(out.Step, later))
	}
	return out
}
