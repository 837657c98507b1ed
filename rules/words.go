package rules

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"witnessmark/events/quantity"
)

// show writes a value in a unit with at most four figures after the leading
// one's place: "35.25 N·m". It is part of what is decided and written down, so
// it is kept here and does not follow display settings.
func show(v quantity.Value, u quantity.Unit) string {
	if v.IsZero() {
		return "none"
	}
	if u.Dimension() != v.Dimension() {
		u = baseUnit(v.Dimension())
	}
	return number(v.In(u)) + " " + u.Symbol()
}

func number(x float64) string {
	decimals := 4
	if a := math.Abs(x); a >= 1 {
		decimals = max(0, 3-int(math.Floor(math.Log10(a))))
	}
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func baseUnit(d quantity.Dimension) quantity.Unit {
	switch d {
	case quantity.DimTorque:
		return quantity.NewtonMetre
	case quantity.DimLength:
		return quantity.Millimetre
	case quantity.DimForce:
		return quantity.Newton
	}
	return quantity.Degree
}

// wanted writes what the limits ask for: "26 lbf·ft (24.7 to 27.3)".
func (l limits) wanted() string {
	u := l.unit
	if u.Dimension() != l.dim() {
		u = baseUnit(l.dim())
	}
	var span string
	switch {
	case !l.lsl.IsZero() && !l.usl.IsZero():
		span = number(l.lsl.In(u)) + " to " + number(l.usl.In(u))
	case !l.lsl.IsZero():
		span = "at least " + number(l.lsl.In(u))
	case !l.usl.IsZero():
		span = "at most " + number(l.usl.In(u))
	}
	if l.target.IsZero() {
		return span + " " + u.Symbol()
	}
	return fmt.Sprintf("%s %s (%s)", number(l.target.In(u)), u.Symbol(), span)
}

// said writes a reading as its tool sent it, and in another unit beside it
// where that differs: "26.0 N·m (19.18 lbf·ft)".
func (r *reading) said(u quantity.Unit) string {
	su, ok := quantity.UnitByCode(r.unit)
	if !ok {
		return strings.TrimSpace(r.text + " " + r.unit)
	}
	s := r.text + " " + su.Symbol()
	if u != su && u.Dimension() == su.Dimension() && r.value.Finite() {
		s += " (" + show(r.value, u) + ")"
	}
	return s
}

// list writes ids for people: "fastener 7", "fasteners 7, 8, 9".
func list(ids []string) string {
	if len(ids) == 1 {
		return "fastener " + ids[0]
	}
	return "fasteners " + strings.Join(ids, ", ")
}

// toolName writes a tool for people: its name and id, or its id.
func (s *State) toolName(id string) string {
	if t, ok := s.index.tools[id]; ok && t.Name != "" && t.Name != id {
		return fmt.Sprintf("%s (%s)", t.Name, id)
	}
	return id
}

// isOne writes "is" or "are".
func isOne(ids []string) string {
	if len(ids) == 1 {
		return "is"
	}
	return "are"
}

// title writes the name of step i.
func (j *Job) title(i int) string { return strconv.Quote(j.Proc.Steps[i].Title) }

// where writes a slot for people: its step, and its pass where it has several.
func (j *Job) where(w *slot) string {
	if w.joint == nil || len(w.joint.Passes) == 1 {
		return j.title(w.step)
	}
	return j.title(w.step) + " (" + passName(w.joint, w.pass) + " pass)"
}
