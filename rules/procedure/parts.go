package procedure

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"witnessmark/events"
)

// Part is one line of a kit: so many parts of one number.
type Part struct {
	ID         string // by which mates and places name it; the part number if the file gives none
	Number     string // part number, as the label says it
	Name       string
	Count      int
	New        bool // new parts are allowed
	Reused     bool // re-used ones are: if not, the part must be replaced
	Serial     bool // each part has a serial; Count of them are to be told
	Lot        bool // the parts have a lot
	Form       *regexp.Regexp
	FormText   string // pattern of the serial or lot as the file states it, "" if any will do
	Scan       bool   // the part number must come from a scanner
	Attributes []AttributeSpec
}

// AttributeSpec is one property of a part that is to be told, with the values
// that it can have.
type AttributeSpec struct {
	Key    string
	Values []string
}

// MustReplace reports whether a re-used part is not allowed.
func (p *Part) MustReplace() bool { return !p.Reused }

// Attribute returns what can be told of an attribute, or nil.
func (p *Part) Attribute(key string) *AttributeSpec {
	for i := range p.Attributes {
		if p.Attributes[i].Key == key {
			return &p.Attributes[i]
		}
	}
	return nil
}

// Mate says that two parts go together only if an attribute of the one fits an
// attribute of the other.
type Mate struct {
	ID      string
	A, B    PartAttribute
	Allowed [][2]string // values of A and B that go together; nil: they must be equal
	Why     string      // for people: what happens otherwise
}

// PartAttribute names an attribute of a line of a kit.
type PartAttribute struct{ Part, Key string }

// Fits reports whether two values go together.
func (m *Mate) Fits(a, b string) bool {
	if m.Allowed == nil {
		return a == b
	}
	return slices.Contains(m.Allowed, [2]string{a, b})
}

// Mate returns the mate with an id, or nil.
func (p *Procedure) Mate(id string) *Mate {
	for i := range p.Mates {
		if p.Mates[i].ID == id {
			return &p.Mates[i]
		}
	}
	return nil
}

// Part returns the line of a kit with an id and the index of its step, or nil
// and -1.
func (p *Procedure) Part(id string) (*Part, int) {
	for i := range p.Steps {
		for k := range p.Steps[i].Kit {
			if p.Steps[i].Kit[k].ID == id {
				return &p.Steps[i].Kit[k], i
			}
		}
	}
	return nil, -1
}

// MustMatch says in words what a mate demands.
func (m *Mate) MustMatch() string {
	if m.Allowed == nil {
		return fmt.Sprintf("%s of %s must equal %s of %s", m.A.Key, m.A.Part, m.B.Key, m.B.Part)
	}
	var pairs []string
	for _, a := range m.Allowed {
		pairs = append(pairs, a[0]+" with "+a[1])
	}
	return fmt.Sprintf("%s of %s and %s of %s: only %s", m.A.Key, m.A.Part, m.B.Key, m.B.Part, strings.Join(pairs, ", "))
}

// kits reads the kit lists of all steps; ids are unique in the procedure.
func (r *reader) kits(root at, p *Procedure) {
	seen := ids{}
	for i, s := range root.get("steps").items() {
		if i >= len(p.Steps) || p.Steps[i].Kind != Parts {
			continue
		}
		for _, l := range s.get("parts").items() {
			p.Steps[i].Kit = append(p.Steps[i].Kit, r.part(l, seen))
		}
	}
}

func (r *reader) part(l at, seen ids) Part {
	name := l.get("id")
	if !name.ok() {
		name = l.get("number")
	}
	r.once(seen, name, "part")
	p := Part{
		ID: name.text(), Number: l.get("number").text(), Name: l.get("name").text(), Count: int(l.get("count").number(1)),
		Scan: l.get("scan").isTrue(),
	}
	if strings.ContainsAny(p.Number, " \t;|") {
		r.err(l.get("number"), fmt.Sprintf("part number %s holds a space, ';' or '|'", show(l.get("number"))), "a number without: in a scanned line they part the number from the lot or serial")
	}
	switch c := l.get("condition").text(); c {
	case "", string(events.PartNew):
		p.New = true
	case string(events.PartReused):
		p.Reused = true
	case "either":
		p.New, p.Reused = true, true
	}
	serial, lot := l.get("serial"), l.get("lot")
	switch {
	case serial.ok() && lot.ok():
		r.err(lot, "a part has a serial or a lot, not both", "take one of them out")
	case serial.ok():
		p.Serial = true
		r.form(serial, &p)
	case lot.ok():
		p.Lot = true
		r.form(lot, &p)
	}
	r.attributes(l.get("attributes"), &p)
	return p
}

// form reads the pattern that a serial or lot must follow.
func (r *reader) form(f at, p *Part) {
	text := f.text()
	if text == "" || text == "any" {
		return
	}
	_, err := regexp.Compile(text)
	re, whole := regexp.Compile("^(?:" + text + ")$")
	if err == nil {
		err = whole
	}
	if err != nil {
		r.err(f, fmt.Sprintf("pattern %s cannot be read: %s", show(f), strings.TrimPrefix(err.Error(), "error parsing regexp: ")), `a regular expression such as "[A-Z]{2}[0-9]{4}", or any`)
		return
	}
	p.Form, p.FormText = re, text
}

func (r *reader) attributes(a at, p *Part) {
	if !a.isMap() {
		return
	}
	for i := 0; i+1 < len(a.n.Content); i += 2 {
		spec := AttributeSpec{Key: a.n.Content[i].Value}
		seen := ids{}
		for _, v := range a.get(spec.Key).items() {
			r.once(seen, v, "value")
			spec.Values = append(spec.Values, v.text())
		}
		p.Attributes = append(p.Attributes, spec)
	}
}

var matchText = regexp.MustCompile(`^\s*([A-Za-z0-9][A-Za-z0-9_-]*)\.([A-Za-z0-9_-]+)\s*==\s*([A-Za-z0-9][A-Za-z0-9_-]*)\.([A-Za-z0-9_-]+)\s*$`)

var sideText = regexp.MustCompile(`^\s*([A-Za-z0-9][A-Za-z0-9_-]*)\.([A-Za-z0-9_-]+)\s*$`)

// mates reads which parts must match. The kits must have been read.
func (r *reader) mates(root at, p *Procedure) {
	seen := ids{}
	for _, m := range root.get("mates").items() {
		r.once(seen, m.get("id"), "mate")
		mate := Mate{ID: m.get("id").text(), Why: m.get("why").text()}
		match, pair, allowed := m.get("match"), m.get("pair"), m.get("allowed")
		switch {
		case match.ok() == pair.ok():
			r.err(m, "what must match is missing or said twice", "either match: \"a.tooth == b.tooth\", or pair: [a.class, b.class] with allowed: [[A, A], …]")
			continue
		case match.ok():
			f := matchText.FindStringSubmatch(match.text())
			if f == nil {
				r.err(match, fmt.Sprintf("match %s cannot be read", show(match)), `two parts with an attribute each: "sleeve.tooth == hub.tooth"`)
				continue
			}
			mate.A, mate.B = PartAttribute{f[1], f[2]}, PartAttribute{f[3], f[4]}
			if !r.side(match, p, mate.A) || !r.side(match, p, mate.B) {
				continue
			}
			r.common(match, p, &mate)
		default:
			if !r.pair(pair, p, &mate) {
				continue
			}
			r.allowed(m, allowed, p, &mate)
		}
		if mate.A.Part == mate.B.Part {
			r.err(m, fmt.Sprintf("part %q is to match itself", mate.A.Part), "two lines of a kit")
			continue
		}
		p.Mates = append(p.Mates, mate)
	}
}

func (r *reader) pair(pair at, p *Procedure, mate *Mate) bool {
	sides := pair.items()
	if len(sides) != 2 {
		return false // the schema has said so
	}
	for i, to := range []*PartAttribute{&mate.A, &mate.B} {
		f := sideText.FindStringSubmatch(sides[i].text())
		if f == nil {
			r.err(sides[i], fmt.Sprintf("%s cannot be read", show(sides[i])), `a part with an attribute: "cone.class"`)
			return false
		}
		*to = PartAttribute{f[1], f[2]}
		if !r.side(sides[i], p, *to) {
			return false
		}
	}
	return true
}

// side checks that a part has an attribute.
func (r *reader) side(here at, p *Procedure, a PartAttribute) bool {
	part, _ := p.Part(a.Part)
	if part == nil {
		var known []string
		for i := range p.Steps {
			for k := range p.Steps[i].Kit {
				known = append(known, p.Steps[i].Kit[k].ID)
			}
		}
		r.err(here, fmt.Sprintf("no kit has a part %q", a.Part), oneOf(a.Part, known))
		return false
	}
	if part.Attribute(a.Key) == nil {
		var known []string
		for _, s := range part.Attributes {
			known = append(known, s.Key)
		}
		r.err(here, fmt.Sprintf("part %q has no attribute %q", a.Part, a.Key), oneOf(a.Key, known))
		return false
	}
	return true
}

// common warns where two attributes that must be equal never can be.
func (r *reader) common(here at, p *Procedure, m *Mate) {
	a, b := p.values(m.A), p.values(m.B)
	if !slices.ContainsFunc(a, func(v string) bool { return slices.Contains(b, v) }) {
		r.err(here, fmt.Sprintf("%s.%s and %s.%s have no value in common, so no pair would ever match", m.A.Part, m.A.Key, m.B.Part, m.B.Key),
			"the same words on both sides, or pair: with allowed:")
	}
}

func (p *Procedure) values(a PartAttribute) []string {
	part, _ := p.Part(a.Part)
	return part.Attribute(a.Key).Values
}

func (r *reader) allowed(m, allowed at, p *Procedure, mate *Mate) {
	if !allowed.ok() {
		r.err(m, "allowed missing", "add allowed: the pairs of values that go together, such as [[A, A], [B, C]]")
		return
	}
	mate.Allowed = [][2]string{}
	for _, row := range allowed.items() {
		vs := row.items()
		if len(vs) != 2 {
			continue // the schema has said so
		}
		for i, side := range []PartAttribute{mate.A, mate.B} {
			if known := p.values(side); !slices.Contains(known, vs[i].text()) {
				r.err(vs[i], fmt.Sprintf("%s.%s has no value %s", side.Part, side.Key, show(vs[i])), oneOf(vs[i].text(), known))
			}
		}
		mate.Allowed = append(mate.Allowed, [2]string{vs[0].text(), vs[1].text()})
	}
}
