package procedure

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Thicker says what a thicker stack of shims does.
type Thicker string

// What a thicker stack does.
const (
	LessPlay    Thicker = "less play"
	MorePlay    Thicker = "more play"
	MorePreload Thicker = "more preload"
)

// ShimSpec is how a shim step's stack is chosen. What it must give in the end
// is the step's Measure. A shim step without one is attested by a word.
type ShimSpec struct {
	From string // id of the earlier measure step that gives the play or gap
	// Drawer is the stock that the pieces come from, "" for none: then there
	// is any number of each of Series.
	Drawer string
	// Series holds the only thicknesses that may be used, thinnest first;
	// empty: all in the drawer.
	Series []quantity.Value
	Most   int     // pieces in the stack, of two sides on each
	Does   Thicker // of one stack
	// Fitted is the stack in place while From was measured; the zero Value:
	// none. Asked says that the technician tells it, piece by piece.
	Fitted quantity.Value
	Asked  bool

	Stiffness  quantity.Stiffness // for MorePreload
	StiffnessU float64            // its expanded uncertainty as a share; 0: not stated
	Tolerance  quantity.Value     // of a piece whose real thickness is not known, either way; the zero Value: not stated
	Sides      *ShimSides         // two stacks, between which shims move; nil: one stack
}

// ShimSides is a part between two stacks, such as a differential between its
// bearings. Shims that go from Right to Left move it; the total stays.
type ShimSides struct {
	Left, Right string  // names for people: "ring gear side"
	Ratio       float64 // growth of the measured value for each length that the part moves to Left
	RatioU      float64 // its expanded uncertainty as a share; 0: not stated
	Total       quantity.Value
}

// most pieces, as rules/shims searches for.
const (
	mostShims        = 5
	mostShimsPerSide = 3
)

// shim reads a shim step's spec and the measurement that closes it; nil, nil
// for a step that is attested only.
func (r *reader) shim(s at, p *Procedure) (*ShimSpec, *MeasureSpec) {
	k := s.get("shims")
	if !k.isMap() {
		return nil, nil
	}
	spec := &ShimSpec{From: k.get("from").text(), Drawer: k.get("stock").text(), Most: mostShims, Does: LessPlay}
	r.name(k.get("stock"))
	r.shimFrom(k.get("from"), p)
	r.shimKind(k, spec)
	r.shimPlace(k, spec)
	r.shimSeries(k, spec)
	if n := k.get("pieces"); n.ok() {
		spec.Most = int(n.number(0))
	} else if spec.Sides != nil {
		spec.Most = mostShimsPerSide
	}
	if spec.Sides != nil && spec.Most > mostShimsPerSide {
		r.err(k.get("pieces"), fmt.Sprintf("%d pieces on each side", spec.Most), fmt.Sprintf("%d at most where there are two sides", mostShimsPerSide))
	}
	if t, ok := r.amount(k.get("tolerance"), quantity.DimLength); ok && !t.IsZero() {
		if !(t.Base() > 0) {
			r.err(k.get("tolerance"), "the tolerance of a shim is not above 0", `such as "0.01 mm": how far its thickness may be from its mark, either way`)
		}
		spec.Tolerance = t.Value
	}
	m := r.shimResult(s, spec)
	r.shimSteps(k, spec, m)
	return spec, m
}

// shimFrom checks the step that gives the play.
func (r *reader) shimFrom(f at, p *Procedure) {
	if f.text() == "" {
		return // the schema has said so
	}
	var known []string
	for i := range p.Steps {
		if p.Steps[i].Kind == Measure {
			known = append(known, p.Steps[i].ID)
		}
	}
	if !slices.Contains(known, f.text()) {
		r.err(f, fmt.Sprintf("%q is no measure step before this one", f.text()), oneOf(f.text(), known))
	}
}

var shareOf = regexp.MustCompile(`^(.*?)\s*(?:±|\+\s*/\s*[-−–])\s*(\d+(?:[.,]\d+)?)\s*%$`)

// withShare cuts "120 kN/mm ± 10 %" in two.
func withShare(text string) (value string, share float64) {
	m := shareOf.FindStringSubmatch(text)
	if m == nil {
		return text, 0
	}
	f, _ := strconv.ParseFloat(strings.Replace(m[2], ",", ".", 1), 64)
	return strings.TrimSpace(m[1]), f / 100
}

// shimKind reads what a thicker stack does.
func (r *reader) shimKind(k at, spec *ShimSpec) {
	if t := k.get("thicker").text(); t != "" {
		spec.Does = Thicker(t)
	}
	st := k.get("stiffness")
	if text := st.text(); text != "" {
		value, share := withShare(text)
		v, err := quantity.ParseStiffness(value)
		switch {
		case err != nil:
			r.unreadable(st, text, err, `write for example "120 kN/mm" or "120 kN/mm ± 10 %"`)
		case !(v.NewtonsPerMillimetre() > 0):
			r.err(st, "the stiffness is not above 0", `such as "120 kN/mm"`)
		default:
			spec.Stiffness, spec.StiffnessU = v, share
		}
		if !k.get("thicker").ok() {
			spec.Does = MorePreload
		}
	}
	switch {
	case spec.Does == MorePreload && !st.ok():
		r.err(k, "stiffness missing: without it a preload says nothing of a thickness", `stiffness: "120 kN/mm", from the maker or a trial`)
	case spec.Does != MorePreload && st.ok():
		r.err(st, fmt.Sprintf("a stiffness goes with more preload, not with %s", spec.Does), `thicker: more preload, or leave the stiffness out`)
	}
}

// shimPlace reads what is in place, and the two sides.
func (r *reader) shimPlace(k at, spec *ShimSpec) {
	if f := k.get("fitted"); f.text() == "asked" {
		spec.Asked = true
	} else if a, ok := r.amount(f, quantity.DimLength); ok && !a.IsZero() {
		if spec.Fitted = a.Value; !(a.Base() >= 0) {
			r.err(f, "the stack in place is thinner than nothing", `a thickness such as "0.50 mm", or: asked`)
		}
	}
	sides := k.get("sides")
	if !sides.isMap() {
		return
	}
	spec.Asked = true
	s := &ShimSides{Left: sides.get("left").text(), Right: sides.get("right").text()}
	value, share := withShare(sides.get("ratio").text())
	s.RatioU = share
	f, err := strconv.ParseFloat(strings.Replace(value, ",", ".", 1), 64)
	if s.Ratio = f; sides.get("ratio").ok() && (err != nil || !(math.Abs(f) >= 0.05 && math.Abs(f) <= 5)) {
		r.err(sides.get("ratio"), fmt.Sprintf("ratio %s cannot be used", show(sides.get("ratio"))),
			"by how much the backlash grows for each length that the part moves to the left: 0.05 to 5, such as 0.75 or \"0.75 ± 10 %\"")
	}
	if t, ok := r.amount(sides.get("total"), quantity.DimLength); ok && !t.IsZero() {
		if s.Total = t.Value; !(t.Base() >= 0) {
			r.err(sides.get("total"), "the total may change by less than nothing", `such as "0.02 mm"`)
		}
	}
	if spec.Does != LessPlay || k.get("thicker").ok() {
		r.err(k, "two sides move a part: neither thicker nor stiffness belongs there", "leave them out; ratio says what moving does")
	}
	if !spec.Fitted.IsZero() {
		r.err(k.get("fitted"), "with two sides the technician tells what is in place", "leave the key out")
	}
	spec.Sides = s
}

// shimSeries reads the thicknesses.
func (r *reader) shimSeries(k at, spec *ShimSpec) {
	t := k.get("thicknesses")
	switch {
	case t.isMap():
		spec.Series = r.shimRange(t)
	case t.isList():
		for _, it := range t.items() {
			if a, ok := r.amount(it, quantity.DimLength); ok && !a.IsZero() {
				if !(a.Base() > 0) {
					r.err(it, fmt.Sprintf("a shim of %s", a.text), "a thickness above 0")
					continue
				}
				spec.Series = append(spec.Series, a.Value)
			}
		}
	case !k.get("stock").ok():
		r.err(k, "neither stock nor thicknesses say which shims there are", "stock: the id of a drawer in the shop file, or thicknesses: {from: 0.50 mm, to: 1.00 mm, step: 0.05 mm}")
	}
	slices.SortFunc(spec.Series, func(a, b quantity.Value) int {
		switch {
		case a.Base() < b.Base():
			return -1
		case a.Base() > b.Base():
			return 1
		}
		return 0
	})
	for i := 1; i < len(spec.Series); i++ {
		if spec.Series[i].Base()-spec.Series[i-1].Base() < 1e-6 {
			r.err(t, "a thickness is there twice", "each once")
			return
		}
	}
}

const mostThicknesses = 200

func (r *reader) shimRange(t at) []quantity.Value {
	from, ok1 := r.amount(t.get("from"), quantity.DimLength)
	to, ok2 := r.amount(t.get("to"), quantity.DimLength)
	step, ok3 := r.amount(t.get("step"), quantity.DimLength)
	if !ok1 || !ok2 || !ok3 || from.IsZero() || to.IsZero() || step.IsZero() {
		return nil
	}
	n := math.Floor((to.Base()-from.Base())/step.Base() + 1e-6)
	if !(from.Base() > 0 && step.Base() > 0 && n >= 0 && n < mostThicknesses) {
		r.err(t, fmt.Sprintf("no thicknesses lie from %s to %s in steps of %s", from.text, to.text, step.text),
			fmt.Sprintf("from above 0, to not below it, a step above 0, and %d thicknesses at most", mostThicknesses))
		return nil
	}
	var out []quantity.Value
	for i := range int(n) + 1 {
		out = append(out, from.moved(from.In(from.unit)+float64(float64(i)*step.In(from.unit))).Value)
	}
	return out
}

// shimResult reads what is measured at the end.
func (r *reader) shimResult(s at, spec *ShimSpec) *MeasureSpec {
	m := &MeasureSpec{What: s.get("what").text(), Gauge: r.gauge(s)}
	if m.Gauge != nil && (spec.Does == MorePreload || m.Gauge.Dimension() != quantity.DimLength) {
		r.err(s.get("method"), "this method measures no preload, and a shim step closes by a length or a preload", "leave method out, or take one that measures a play")
		m.Gauge = nil
	}
	want, fit := quantity.DimLength, []events.ToolKind{events.ToolDialIndicator}
	if spec.Does == MorePreload {
		want, fit = quantity.DimForce, []events.ToolKind{events.ToolPressGauge, events.ToolSpringScale}
	}
	m.Tools, m.ToolKinds = r.tools(s, fit...)
	l, ok := r.limits(s, want)
	if !ok {
		return m
	}
	m.Target, m.LSL, m.USL = l.target.Value, l.low.Value, l.high.Value
	m.Unit = firstUnit(l)
	if l.target.IsZero() && (l.low.IsZero() || l.high.IsZero()) && s.get("limits").ok() {
		r.err(s.get("limits"), "one limit alone does not say what to aim at", "target: the value aimed at, or both limits")
	}
	return m
}

// shimSteps warns where the steps of the thicknesses are wider than the
// limits: then a choice may fail though all is as it should be.
func (r *reader) shimSteps(k at, spec *ShimSpec, m *MeasureSpec) {
	if len(spec.Series) < 2 || m.LSL.IsZero() || m.USL.IsZero() || r.broken(k) {
		return
	}
	width := m.USL.Base() - m.LSL.Base()
	switch {
	case spec.Does == MorePreload:
		width /= spec.Stiffness.NewtonsPerMillimetre()
	case spec.Sides != nil:
		width /= math.Abs(spec.Sides.Ratio)
	}
	finest := math.Inf(1)
	for i := 1; i < len(spec.Series); i++ {
		finest = min(finest, spec.Series[i].Base()-spec.Series[i-1].Base())
	}
	if width < finest-1e-9 {
		r.warn(k.get("thicknesses"), fmt.Sprintf("the shims come in steps of %s, but the limits leave only %s for the stack",
			quantity.Format(quantity.Millimetres(finest).Value(), quantity.Millimetre, -1), quantity.Format(quantity.Millimetres(width).Value(), quantity.Millimetre, -1)),
			"finer steps, or wider limits: else now and then nothing fits")
	}
}
