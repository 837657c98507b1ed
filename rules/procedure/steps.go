package procedure

import (
	"fmt"
	"regexp"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/gauge"
)

// procedure builds the procedure and checks what a schema cannot say. It
// passes over what the schema has refused already.
func (r *reader) procedure(root at) *Procedure {
	p := &Procedure{
		ID:       root.get("procedure").text(),
		Revision: root.get("revision").text(),
		Title:    root.get("title").text(),
		Unit:     root.get("unit").text(),
		Cautions: []string{Deference},
	}
	for _, c := range root.get("cautions").texts() {
		if c != Deference {
			p.Cautions = append(p.Cautions, c)
		}
	}
	r.name(root.get("procedure"))
	r.name(root.get("revision"))
	r.faces(root, p)
	r.steps(root, p)
	r.kits(root, p)
	r.mates(root, p)
	r.presses(root, p)
	r.attested(root, p)
	return p
}

func (r *reader) faces(root at, p *Procedure) {
	seen := ids{}
	for _, f := range root.get("faces").items() {
		face := Face{ID: f.get("id").text(), Title: f.get("title").text()}
		r.once(seen, f.get("id"), "face")
		for i, o := range f.get("outlines").items() {
			face.Outlines = append(face.Outlines, outline(o, i))
		}
		if len(face.Outlines) > 0 && !face.body() {
			r.err(f.get("outlines"), "no outline is the body of the part", "style: body on the outline of the part")
		}
		p.Faces = append(p.Faces, face)
	}
}

func outline(o at, i int) Outline {
	out := Outline{
		Shape: o.get("shape").text(), Style: o.get("style").text(),
		X: o.get("x").number(0), Y: o.get("y").number(0),
		W: o.get("width").number(0), H: o.get("height").number(0),
	}
	switch {
	case out.Style != "":
	case i == 0:
		out.Style = "body"
	default:
		out.Style = "mark"
	}
	switch out.Shape {
	case "circle":
		out.R = o.get("r").number(0)
	case "rectangle":
		out.R = o.get("corner").number(0)
	case "polygon":
		out.Round = o.get("corner").number(0)
		for _, p := range o.get("points").items() {
			out.Points = append(out.Points, [2]float64{p.get("x").number(0), p.get("y").number(0)})
		}
	}
	return out
}

// ids remembers where a name was first given.
type ids map[string]at

var nameText = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)

// name checks a name that YAML takes for a number: the schema lets these pass.
func (r *reader) name(p at) {
	if _, isNumber := finiteAt(p); isNumber && !nameText.MatchString(p.text()) {
		r.err(p, fmt.Sprintf("the name %s is not allowed", show(p)), described(schemaURL+"#/$defs/name"))
	}
}

// once checks a name, and reports one that is given a second time.
func (r *reader) once(seen ids, p at, what string) {
	id := p.text()
	if id == "" {
		return
	}
	r.name(p)
	if first, twice := seen[id]; twice {
		r.err(p, fmt.Sprintf("%s %q is there already, in line %d", what, id, first.n.Line), "a name of its own")
		return
	}
	seen[id] = p
}

func (r *reader) steps(root at, p *Procedure) {
	items := root.get("steps").items()
	var all []string
	for _, s := range items {
		all = append(all, s.get("id").text())
	}
	seen := ids{}
	for i, s := range items {
		r.once(seen, s.get("id"), "step")
		step := Step{
			ID: all[i], Title: s.get("title").text(), Kind: Kind(s.get("kind").text()),
			Text: s.get("text").texts(), Cautions: s.get("cautions").texts(),
			Face: s.get("face").text(), Covers: s.get("covers").texts(),
		}
		r.covers(s, all, i)
		r.faceOf(s, p)
		switch step.Kind {
		case Torque:
			face := p.Face(step.Face)
			if r.broken(root.get("faces")) {
				face = nil // nothing sure can be said of places on it
			}
			step.Joint = r.joint(s, face)
			step.Pause = r.pause(s.get("pause"))
			if step.Joint.Class == ClassA && len(step.Cautions) == 0 && !r.broken(s) {
				r.warn(s, "a class A joint without a caution", "cautions: who can be hurt by what")
			}
		case Measure:
			step.Measure = r.measure(s)
		case Shim, Press, Attest, Parts:
			if step.Kind == Shim {
				step.Shim, step.Measure = r.shim(s, p)
			}
			step.Statement = s.get("statement").text()
		}
		p.Steps = append(p.Steps, step)
	}
}

// covers checks that a step covers earlier steps only.
func (r *reader) covers(s at, all []string, i int) {
	seen := ids{}
	for _, c := range s.get("covers").items() {
		id := c.text()
		if id == "" {
			continue
		}
		r.once(seen, c, "covered step")
		switch j := slices.Index(all, id); {
		case j < 0:
			r.err(c, fmt.Sprintf("unknown step %q", id), oneOf(id, all[:i]))
		case j == i:
			r.err(c, fmt.Sprintf("step %q covers itself", id), "the steps whose work it hides")
		case j > i:
			r.err(c, fmt.Sprintf("step %q comes later, so its work cannot be covered here", id), "an earlier step, or list the steps in another order")
		}
	}
}

func (r *reader) faceOf(s at, p *Procedure) {
	f := s.get("face")
	if id := f.text(); id != "" && p.Face(id) == nil {
		var known []string
		for _, face := range p.Faces {
			known = append(known, face.ID)
		}
		r.err(f, fmt.Sprintf("unknown face %q", id), oneOf(id, known))
	}
}

func (r *reader) measure(s at) *MeasureSpec {
	m := &MeasureSpec{What: s.get("what").text(), Gauge: r.gauge(s)}
	want, fit := quantity.DimLength, []events.ToolKind{events.ToolDialIndicator}
	if m.Gauge != nil && m.Gauge.Method == gauge.Drag {
		want, fit = quantity.DimTorque, []events.ToolKind{events.ToolTorqueWrench, events.ToolTorqueTester, events.ToolPressGauge, events.ToolSpringScale}
	}
	m.Tools, m.ToolKinds = r.tools(s, fit...)
	if m.Gauge != nil && m.Gauge.Arm.Millimetres() <= 0 && slices.Contains(m.ToolKinds, string(events.ToolSpringScale)) {
		r.err(s.get("tools"), "a spring scale measures a force, and the step a torque", "arm: the radius at which it hooks on, such as 150 mm")
	}
	l, ok := r.limits(s, quantity.NoDimension)
	if !ok {
		return m
	}
	for _, a := range []struct {
		amount
		p at
	}{{l.target, s.get("target")}, {l.low, s.get("limits")}, {l.high, s.get("limits")}} {
		if d := a.Dimension(); d != quantity.NoDimension && d != want {
			r.wrongMeasure(a.p, a.text, d, want)
			return m
		}
	}
	m.Target, m.LSL, m.USL = l.target.Value, l.low.Value, l.high.Value
	m.Unit = firstUnit(l)
	return m
}

func firstUnit(l limits) quantity.Unit {
	for _, a := range []amount{l.target, l.low, l.high} {
		if !a.unit.IsZero() {
			return a.unit
		}
	}
	return quantity.Unit{}
}

var toolKinds = []string{
	string(events.ToolTorqueWrench), string(events.ToolTorqueTester),
	string(events.ToolDialIndicator), string(events.ToolPressGauge), string(events.ToolSpringScale),
}

// tools splits the allowed tools into ids and kinds. fit is a kind that can
// do the step.
func (r *reader) tools(s at, fit ...events.ToolKind) (tools, kinds []string) {
	seen := ids{}
	for _, t := range s.get("tools").items() {
		id := t.text()
		r.once(seen, t, "tool")
		switch {
		case id == "":
		case !slices.Contains(toolKinds, id):
			if m := nearest(id, toolKinds); m != "" {
				r.warn(t, fmt.Sprintf("tool %q is taken as the id of a tool", id), fmt.Sprintf("did you mean the kind %q?", m))
			}
			tools = append(tools, id)
		case !slices.Contains(fit, events.ToolKind(id)):
			r.err(t, fmt.Sprintf("a %s cannot do a step of kind %s", id, s.get("kind").text()), fmt.Sprintf("such as %s", fit[0]))
		default:
			kinds = append(kinds, id)
		}
	}
	return tools, kinds
}
