package main

import (
	"strconv"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/simulator"
)

// planAttested tells the simulated people what step i asks of them: answers
// ahead of the work, loose ends that must be closed before it, and the hold
// point behind it.
func planAttested(p *procedure.Procedure, i int, st *simulator.Step) {
	s := &p.Steps[i]
	for _, e := range hardenedFirst(p, i) {
		st.Before = append(st.Before, simulator.Attested{Kind: simulator.AttestClose, Step: s.ID, ID: e})
	}
	for k := range s.Items {
		st.Before = append(st.Before, planItem(s.ID, &s.Items[k]))
	}
	if s.Hold != "" {
		st.After = append(st.After, simulator.Attested{Kind: simulator.AttestRelease, Step: s.ID})
	}
}

// planItem is a good answer to what a step asks. A mark stands at the same
// place at tear-down and at assembly.
func planItem(step string, it *procedure.Item) simulator.Attested {
	a := simulator.Attested{Kind: simulator.AttestAnswer, Step: step, ID: it.ID}
	switch it.Kind {
	case procedure.ItemMark, procedure.ItemMatch:
		a.Answer = strconv.Itoa(1+len(it.ID)%12) + ":30"
	case procedure.ItemFacing:
		a.Answer = simulator.RightWay
	case procedure.ItemStop:
		a.Answer, a.Other = events.StopStops, events.StopStops
		if it.Travel != quantity.NoDimension {
			a.Text, a.Unit = travelOf(it), it.Unit.Code()
		}
	}
	return a
}

// travelOf is a free travel that is right: half of the greatest one, or of the
// spread where no greatest is stated.
func travelOf(it *procedure.Item) string {
	v := it.Most
	if v.IsZero() {
		v = it.Spread
	}
	if v.IsZero() {
		return "1"
	}
	return quantity.FormatNumber(v.WithBase(v.Base()/2), it.Unit, 2)
}

// hardenedFirst returns the loose ends that a word closes and that step i is
// the first to make harder to close.
func hardenedFirst(p *procedure.Procedure, i int) []string {
	var ids []string
	for opener := range i {
		for k := range p.Steps[opener].Opens {
			e := &p.Steps[opener].Opens[k]
			first := e.Step == "" && p.Steps[i].Harder(e, p.Steps[opener].ID)
			for between := opener + 1; between < i; between++ {
				first = first && !p.Steps[between].Harder(e, p.Steps[opener].ID)
			}
			if first {
				ids = append(ids, e.ID)
			}
		}
	}
	return ids
}
