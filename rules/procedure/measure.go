package procedure

import (
	"fmt"
	"slices"

	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// gaugeKeys are the keys of a measure step's method, and which methods have
// them; a method's name is that of gauge.Method.
var gaugeKeys = []struct {
	key string
	of  []gauge.Method
}{
	{"judge", []gauge.Method{gauge.Backlash, gauge.Clearance, gauge.RunOut}},
	{"cycles", []gauge.Method{gauge.Direct, gauge.EndPlay, gauge.Backlash, gauge.Drag}},
	{"positions", []gauge.Method{gauge.Backlash, gauge.Clearance, gauge.RunOut}},
	{"turns", []gauge.Method{gauge.RunOut}},
	{"turn_marks", []gauge.Method{gauge.RunOut}},
	{"arm", []gauge.Method{gauge.Backlash, gauge.Drag}},
	{"radius", []gauge.Method{gauge.Backlash}},
	{"lever", []gauge.Method{gauge.Direct, gauge.Difference, gauge.EndPlay, gauge.Backlash, gauge.Clearance, gauge.RunOut}},
	{"reference", []gauge.Method{gauge.Difference}},
	{"sense", []gauge.Method{gauge.Difference}},
	{"diameter", []gauge.Method{gauge.Clearance}},
	{"spread", []gauge.Method{gauge.Backlash, gauge.Clearance}},
}

// gauge reads how a value is measured; nil if the step does not say.
func (r *reader) gauge(s at) *gauge.Spec {
	method := gauge.Method(s.get("method").text())
	known := slices.Contains(gauge.Methods(), method)
	for _, k := range gaugeKeys {
		switch p := s.get(k.key); {
		case !p.ok():
		case !s.get("method").ok():
			r.err(s.key(k.key), fmt.Sprintf("%s without a method", k.key), "method: one of "+methodWords(k.of))
		case known && !slices.Contains(k.of, method):
			r.err(s.key(k.key), fmt.Sprintf("%s does not belong to the method %s", k.key, method), "it belongs to "+methodWords(k.of))
		}
	}
	if !known {
		return nil
	}
	g := &gauge.Spec{
		Method: method, Judge: gauge.Judge(s.get("judge").text()),
		Cycles: int(s.get("cycles").number(0)), Places: int(s.get("positions").number(0)),
		Turns: int(s.get("turns").number(0)), Marks: int(s.get("turn_marks").number(0)),
		Arm: r.length(s.get("arm")), Radius: r.length(s.get("radius")), Reference: r.length(s.get("reference")),
		Diameter: r.length(s.get("diameter")), Spread: r.length(s.get("spread")), Fall: s.get("sense").text() == "fall",
	}
	if a, ok := r.amount(s.get("lever"), quantity.DimAngle); ok && !a.IsZero() {
		g.Lever, _ = a.Angle()
	}
	r.checkGauge(s, g)
	full := g.Complete()
	return &full
}

// checkGauge says what does not go together in a method.
func (r *reader) checkGauge(s at, g *gauge.Spec) {
	if j := s.get("judge"); j.ok() && !slices.Contains(g.Method.Judges(), g.Judge) && len(g.Method.Judges()) > 1 {
		var can []string
		for _, x := range g.Method.Judges() {
			can = append(can, string(x))
		}
		r.err(j, fmt.Sprintf("%s cannot be judged by %s", g.Method, show(j)), oneOf(j.text(), can))
	}
	if g.Method == gauge.Backlash && s.get("arm").ok() != s.get("radius").ok() {
		r.err(s, "arm and radius go together", "arm: where the tip touches, radius: the pitch radius; or neither if the tip is at the pitch radius")
	}
	if g.Method == gauge.RunOut && g.Places > 0 && (g.Turns > 0 || g.Marks > 0) {
		r.err(s.get("positions"), "positions beside turns or turn_marks", "positions if it is turned from one to the next and rests there; turns or turn_marks if it is turned without stopping")
	}
	if g.Method == gauge.RunOut && g.Marks > 0 && g.Turns > 1 {
		r.err(s.get("turn_marks"), "turn_marks over several turns", "turns: 1, or no turn_marks")
	}
	if g.Method == gauge.RunOut && g.Places > 0 && g.Places < 4 {
		r.err(s.get("positions"), fmt.Sprintf("%d positions are too few for a run-out", g.Places), "4 at least; 8 or more find the high spot better")
	}
	p := s.get("lever")
	switch a := g.Lever.Degrees(); {
	case !p.ok():
	case !(a >= 0 && a < gauge.SteepestLever):
		r.err(p, fmt.Sprintf("a stylus at %g° to the surface shows hardly any of the movement", a), fmt.Sprintf("0° up to %g°", gauge.SteepestLever))
	case a > gauge.SteepLever:
		r.warn(p, fmt.Sprintf("a stylus at %g° to the surface is too steep to trust: the correction hangs on the angle", a), fmt.Sprintf("%g° at most, as flat as it will go", gauge.SteepLever))
	}
}

// length reads a length above zero; zero if there is none.
func (r *reader) length(p at) quantity.Length {
	a, ok := r.amount(p, quantity.DimLength)
	if !ok || a.IsZero() {
		return quantity.Length{}
	}
	if !(a.Base() > 0) {
		r.err(p, fmt.Sprintf("%q is not above zero", a.text), "a length such as \"95 mm\"")
	}
	l, _ := a.Length()
	return l
}

func methodWords(ms []gauge.Method) string {
	out := ""
	for i, m := range ms {
		switch {
		case i == 0:
		case i == len(ms)-1:
			out += " or "
		default:
			out += ", "
		}
		out += string(m)
	}
	return out
}

// wrongMeasure refuses limits of a kind that the step cannot measure.
func (r *reader) wrongMeasure(p at, text string, is, want quantity.Dimension) {
	if want == quantity.DimTorque {
		r.err(p, fmt.Sprintf("drag is a torque; %q is %s", text, withArticle(is)), "a torque such as \"1.2 N·m\"")
		return
	}
	todo := "a length, or a step of kind attest with a statement"
	if is == quantity.DimTorque {
		todo = "a length; method: drag for a rotating torque; or a step of kind attest with a statement"
	}
	r.err(p, fmt.Sprintf("a measure step takes the value of an indicator, a length; %q is %s", text, withArticle(is)), todo)
}
