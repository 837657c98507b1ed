package main

import (
	"context"
	"fmt"
	"math"

	"witnessmark/dashboards/record"
	"witnessmark/events"
	"witnessmark/rules/procedure"
	"witnessmark/simulator"
)

// planParts plans a parts step with a kit, or a press step whose force is
// measured; ok is false for any other step.
func planParts(p *procedure.Procedure, s *procedure.Step, tools map[events.ToolKind][]events.Tool) (st simulator.Step, ok bool, err error) {
	st = simulator.Step{ID: s.ID}
	if s.Statement != "" {
		st.Answer = planAnswer(s.Statement)
	}
	switch {
	case len(s.Kit) > 0:
		st.Kind = simulator.Kit
		for i := range s.Kit {
			k, err := planKitPart(p, &s.Kit[i])
			if err != nil {
				return st, false, err
			}
			st.Kit = append(st.Kit, k)
		}
	case s.Press != nil:
		gauges := tools[events.ToolPressGauge]
		if len(gauges) == 0 {
			return st, false, fmt.Errorf("the bench has no press gauge")
		}
		st.Kind, st.Tool = simulator.Press, gauges[0].ID
		for _, q := range s.Press.Places {
			st.Presses = append(st.Presses, simulator.Place{ID: q.ID, Pair: planPair(p, q.Mates), Low: s.Press.LSL, High: s.Press.USL,
				Seat: s.Press.Seat != nil, Recheck: s.Press.Recheck != nil && s.Press.Recheck.Ask != ""})
		}
	default:
		return st, false, nil
	}
	return st, true, nil
}

// planKitPart scans what has a label and answers the rest by hand.
func planKitPart(p *procedure.Procedure, part *procedure.Part) (simulator.KitPart, error) {
	trace, err := planTrace(part)
	if err != nil {
		return simulator.KitPart{}, err
	}
	out := simulator.KitPart{Part: part.ID, Scans: []string{part.Number}}
	if trace != "" {
		out.Scans = append(out.Scans, trace)
	}
	a := simulator.PartAnswer{Attributes: planAttributes(p, part)}
	if part.Count > 1 && !part.Serial {
		a.Count = part.Count
	}
	if part.New && part.Reused {
		a.Condition = string(events.PartReused)
	}
	if a.Count > 0 || a.Condition != "" || len(a.Attributes) > 0 {
		out.Answer = &a
	}
	return out, nil
}

// planTrace is the lot or serial on the label of an invented part.
func planTrace(part *procedure.Part) (string, error) {
	switch {
	case part.Serial && part.Form == nil:
		return "SN-" + simulator.OwnSerial, nil
	case !part.Serial && !part.Lot:
		return "", nil
	}
	for _, t := range []string{"FD1107", "1107", "A1107", "L-1107"} {
		if part.Form == nil || part.Form.MatchString(t) {
			return t, nil
		}
	}
	return "", fmt.Errorf("no invented lot or serial has the form %s of %s", part.FormText, part.ID)
}

// planAttributes tells attributes that match wherever a mate asks.
func planAttributes(p *procedure.Procedure, part *procedure.Part) [][2]string {
	var out [][2]string
	for _, spec := range part.Attributes {
		out = append(out, [2]string{spec.Key, planValue(p, part, spec.Key)})
	}
	return out
}

func planValue(p *procedure.Procedure, part *procedure.Part, key string) string {
	for i := range p.Mates {
		m := &p.Mates[i]
		for n, side := range []procedure.PartAttribute{m.A, m.B} {
			if side.Part != part.ID || side.Key != key {
				continue
			}
			a, b := planFit(p, m)
			return [2]string{a, b}[n]
		}
	}
	return part.Attribute(key).Values[0]
}

// planFit returns the first values of a mate that go together.
func planFit(p *procedure.Procedure, m *procedure.Mate) (a, b string) {
	pa, _ := p.Part(m.A.Part)
	pb, _ := p.Part(m.B.Part)
	for _, a := range pa.Attribute(m.A.Key).Values {
		for _, b := range pb.Attribute(m.B.Key).Values {
			if m.Fits(a, b) {
				return a, b
			}
		}
	}
	return "", "" // the procedure's check refuses such a mate
}

// planPair is what is told of the parts in hand.
func planPair(p *procedure.Procedure, mates []string) []simulator.Hand {
	var out []simulator.Hand
	for _, id := range mates {
		m := p.Mate(id)
		for _, side := range []procedure.PartAttribute{m.A, m.B} {
			part, _ := p.Part(side.Part)
			trace, _ := planTrace(part) // planned before: it cannot fail now
			out = append(out, simulator.Hand{Part: part.ID, Trace: trace, Attributes: [][2]string{{side.Key, planValue(p, part, side.Key)}}})
		}
	}
	return out
}

// Scan implements simulator.PartsDesk.
func (d desk) Scan(ctx context.Context, j simulator.Job, step, line string) error {
	return d.ask(ctx, events.PartScanned{Ask: by(j.Technician, j), Job: j.ID, Step: step, Text: line})
}

// Part implements simulator.PartsDesk.
func (d desk) Part(ctx context.Context, j simulator.Job, step, part string, a simulator.PartAnswer) error {
	return d.ask(ctx, events.PartAnswered{Ask: by(j.Technician, j), Job: j.ID, Step: step, Part: part, Trace: a.Trace, Count: a.Count,
		Condition: events.Condition(a.Condition), Attributes: attributes(a.Attributes)})
}

// Pair implements simulator.PartsDesk.
func (d desk) Pair(ctx context.Context, j simulator.Job, step, place string, hands []simulator.Hand) error {
	ask := events.PressReadyAsked{Ask: by(j.Technician, j), Job: j.ID, Step: step, Place: place}
	for _, h := range hands {
		ask.Parts = append(ask.Parts, events.PartInHand{Part: h.Part, Trace: h.Trace, Attributes: attributes(h.Attributes)})
	}
	return d.ask(ctx, ask)
}

// Recheck implements simulator.PartsDesk.
func (d desk) Recheck(ctx context.Context, j simulator.Job, step, place string, good bool) error {
	return d.ask(ctx, events.PressRechecked{Ask: by(j.Technician, j), Job: j.ID, Step: step, Place: place, Good: good, Answer: "looked at it"})
}

func attributes(list [][2]string) []events.Attribute {
	var out []events.Attribute
	for _, a := range list {
		out = append(out, events.Attribute{Key: a[0], Value: a[1]})
	}
	return out
}

// pressDifferences says where the record's pressings and what was truly pressed
// do not agree: the greatest force within 2 %, and the seat.
func pressDifferences(rec *record.Record, truth simulator.Truth) []string {
	var diff []string
	places := map[[2]string]*record.Place{}
	for i := range rec.Steps {
		if p := rec.Steps[i].Press; p != nil {
			for k := range p.Places {
				places[[2]string{rec.Steps[i].ID, p.Places[k].ID}] = &p.Places[k]
			}
		}
	}
	if len(places) != len(truth.Presses) {
		diff = append(diff, fmt.Sprintf("the record has %d places to press, %d were pressed", len(places), len(truth.Presses)))
	}
	for _, t := range truth.Presses {
		p := places[[2]string{t.Step, t.Place}]
		switch {
		case p == nil || len(p.Pressings) == 0:
			diff = append(diff, fmt.Sprintf("%s of step %s was pressed, and the record does not say so", t.Place, t.Step))
		default:
			last := &p.Pressings[len(p.Pressings)-1]
			if math.Abs(last.Value.Base()/t.Force.Base()-1) > 0.02 {
				diff = append(diff, fmt.Sprintf("%s of step %s was pressed with %.0f N, the record says %.0f", t.Place, t.Step, t.Force.Base(), last.Value.Base()))
			}
			if (last.Seat == events.SeatReached) != t.Seats || p.State != record.Witnessed {
				diff = append(diff, fmt.Sprintf("%s of step %s: seat %s, %s; truly home: %t", t.Place, t.Step, last.Seat, p.State, t.Seats))
			}
		}
	}
	return diff
}
