package profile

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"witnessmark/events/quantity"
)

// readForm reads how a frame is taken apart.
func (p *Profile) readForm(n node) {
	k := n.keys("pattern", "fields")
	switch pattern, fields := k["pattern"], k["fields"]; {
	case !n.ok():
	case pattern.ok() == fields.ok():
		n.wrong("give either a pattern or fields", "it needs one way to take a frame apart")
	case pattern.ok():
		p.form.readPattern(pattern)
	default:
		p.form.readFields(fields)
	}
	if n.ok() && (p.form.pattern != nil || p.form.fields != nil) && !p.form.has(partValue) {
		n.wrong("name a group or a field \"value\"", "it gives no value")
	}
}

func (f *form) readPattern(n node) {
	text := n.text()
	if len(text) > 1000 {
		n.wrong("write at most 1000 characters", "the pattern has %d", len(text))
		return
	}
	re, err := regexp.Compile(`\A(?:` + text + `)\z`)
	if err != nil {
		n.wrong("write a regular expression as RE2 does, with groups such as (?<value>[0-9]+)", "%s", strings.TrimPrefix(err.Error(), "error parsing regexp: "))
		return
	}
	f.pattern = re
	f.groups = make([]part, re.NumSubexp()+1)
	seen := [parts]bool{}
	for i, name := range re.SubexpNames() {
		f.groups[i] = parts
		if name == "" {
			continue
		}
		p, ok := partByName(name)
		switch {
		case !ok:
			n.wrong(choose(name, partNames[:]), "group %q is not known", name)
		case seen[p]:
			n.wrong("name one group so", "two groups are named %q", name)
		default:
			seen[p], f.groups[i] = true, p
		}
	}
}

// fieldTypes are the words for field types; literal is given as a field name.
var fieldTypes = []string{
	string(typeDecimal), string(typeHex), string(typeText), string(typeU8), string(typeI8),
	string(typeU16BE), string(typeU16LE), string(typeI16BE), string(typeI16LE),
	string(typeU32BE), string(typeU32LE), string(typeI32BE), string(typeI32LE), string(typeBit),
}

func (f *form) readFields(n node) {
	seen := [parts]bool{}
	for _, item := range n.list() {
		x := f.readField(item)
		if x.typ == typeLiteral {
			f.fields = append(f.fields, x)
			continue
		}
		if seen[x.part] && x.means == nil {
			item.wrong("leave one of them", "there are two fields %q", partNames[x.part])
		}
		seen[x.part] = true
		f.fields = append(f.fields, x)
	}
	if n.ok() && len(f.fields) == 0 {
		n.wrong("write at least the field of the value", "there are no fields")
	}
}

const literalName = "literal"

func (f *form) readField(n node) field {
	k := n.keys("field!", "at!", "length", "type", "bit", "means", "good", "is", "mask")
	name := k["field"].word(literalName, append([]string{literalName}, partNames[:]...)...)
	x := field{at: k["at"].whole(0, -mostFrame, mostFrame), typ: typeLiteral}
	allowed := "field at is mask"
	if name == literalName {
		x.readLiteral(k)
		if !k["is"].ok() {
			n.wrong(`add is, such as is: "T"`, "a literal does not say what must be there")
		}
	} else {
		x.part, _ = partByName(name)
		x.typ = fieldType(k["type"].word(string(typeDecimal), fieldTypes...))
		if !k["type"].ok() {
			n.wrong("add type, "+choose("", fieldTypes), "type is missing")
		}
		allowed = x.readTyped(n, k)
	}
	for _, key := range []string{"length", "type", "bit", "means", "good", "is", "mask"} {
		if k[key].ok() && !slices.Contains(strings.Fields(allowed), key) {
			k[key].wrong("leave it out", "%s has no meaning for this field", key)
		}
	}
	if x.at < 0 && x.at+x.length > 0 {
		k["at"].wrong(fmt.Sprintf("write %d or less", -x.length), "the field would end behind the frame")
	}
	return x
}

func (x *field) readLiteral(k map[string]node) {
	x.literal = k["is"].bytes(64)
	x.length = len(x.literal)
	if !k["mask"].ok() {
		return
	}
	x.mask = k["mask"].bytes(64)
	if len(x.mask) != len(x.literal) {
		k["mask"].wrong("write as many bytes as in is", "mask has %d bytes, is has %d", len(x.mask), len(x.literal))
		x.mask = nil
		return
	}
	for i := range x.mask {
		if x.literal[i]&^x.mask[i] != 0 {
			k["is"].wrong("leave only bits that mask has", "bits outside mask can never be there")
			return
		}
	}
}

// readTyped reads what belongs to a field's type and returns the keys that
// it may have.
func (x *field) readTyped(n node, k map[string]node) (allowed string) {
	length, binary := binaryTypes[x.typ]
	switch {
	case x.typ == typeBit:
		x.length = length
		x.bit = uint8(k["bit"].whole(0, 0, 7))
		if !k["bit"].ok() {
			n.wrong("add bit, 0 for the least", "bit is missing")
		}
		if x.part != partStatus {
			if x.part != partUnit && x.part != partKind && x.part != partSign {
				k["type"].wrong("a bit can be a unit, status, kind or sign", "a %s cannot be one bit", partNames[x.part])
			}
			return "type bit"
		}
		x.means = &status{word: k["means"].text(), good: k["good"].truth()}
		if !k["means"].ok() {
			n.wrong("add means, such as means: overload", "means is missing: what the status is if the bit is set")
		}
		return "type bit means good"
	case binary:
		x.length = length
		if words(x.part) {
			k["type"].wrong("use text or bit", "a %s is a word", partNames[x.part])
		}
		return "type"
	}
	x.length = k["length"].whole(1, 1, 64)
	if !k["length"].ok() {
		n.wrong("add length, in bytes", "length is missing")
	}
	if x.typ == typeHex && words(x.part) {
		k["type"].wrong("use text", "a %s is a word", partNames[x.part])
	}
	if (x.typ == typeText) != words(x.part) && x.typ != typeHex {
		k["type"].wrong("use text for words and decimal, hex or a binary type for numbers", "a %s is not written as %s", partNames[x.part], x.typ)
	}
	return "type length"
}

// words reports whether a part is a word, not a number.
func words(p part) bool {
	switch p {
	case partSign, partUnit, partStatus, partKind, partClock, partTravelUnit:
		return true
	}
	return false
}

// readMeaning reads what the parts mean.
func (p *Profile) readMeaning(top map[string]node) {
	m := &p.meaning
	m.minus = map[string]bool{"+": false, "-": true}
	m.readValueKeys(top["value"])
	m.readUnits(top["units"])
	m.readWords(top)
	m.readCounterKeys(top["counter"])
	m.readAngleKeys(top["angle"])
	m.readDurationKeys(top["duration"])
	m.readTravelKeys(top["travel"], &p.form)
	for _, x := range []struct {
		key string
		p   part
	}{{"units", partUnit}, {"status", partStatus}, {"kinds", partKind}, {"signs", partSign}, {"counter", partCounter}, {"angle", partAngle}, {"duration", partDuration}, {"travel", partTravel}} {
		if top[x.key].ok() && !p.form.has(x.p) {
			top[x.key].wrong("leave it out, or decode "+partNames[x.p], "decode gives no %s", partNames[x.p])
		}
		needed := x.p == partCounter || x.p == partAngle || x.p == partDuration || x.p == partTravel || x.p == partKind || (x.p == partStatus && p.form.statusWord())
		if needed && !top[x.key].ok() && p.form.has(x.p) {
			top["value"].wrong("add "+x.key+" at the top level", "decode gives a %s, but nothing says what it means", partNames[x.p])
		}
	}
	if top["value"].ok() && m.units == nil && m.unit.IsZero() {
		top["value"].wrong("add value.unit, or decode a unit and add units", "nothing says in which unit the value is")
	}
	if m.units == nil && p.form.has(partUnit) {
		top["value"].wrong("add units, with a line for each unit word", "decode gives a unit, but there is no table of unit words")
	}
	m.checkDimensions(top)
}

// statusWord reports whether the status is a word that needs a table.
func (f *form) statusWord() bool {
	for _, g := range f.groups {
		if g == partStatus {
			return true
		}
	}
	for i := range f.fields {
		if f.fields[i].part == partStatus && f.fields[i].typ == typeText {
			return true
		}
	}
	return false
}

func (m *meaning) readValueKeys(n node) {
	k := n.keys("decimal", "scale", "unit", "least", "most")
	switch k["decimal"].word("none", "point", "comma", "none") {
	case "point":
		m.decimal = '.'
	case "comma":
		m.decimal = ','
	}
	m.scale = k["scale"].factor()
	m.unit = k["unit"].unit()
	m.least, m.most = k["least"].quantity(""), k["most"].quantity("")
	if !m.least.IsZero() && !m.most.IsZero() && !(m.least.Base() <= m.most.Base()) {
		k["least"].wrong("exchange them", "least is above most")
	}
}

func (m *meaning) readUnits(n node) {
	if !n.ok() {
		return
	}
	m.units = readUnitTable(n, m.scale)
}

// readUnitTable reads a table of unit words; scale is that of units that have
// none of their own.
func readUnitTable(n node, scale number) map[string]scaledUnit {
	units := map[string]scaledUnit{}
	for word, x := range n.table() {
		if x.isMap() {
			k := x.keys("unit!", "scale")
			u := scaledUnit{k["unit"].unit(), scale}
			if k["scale"].ok() {
				u.scale = k["scale"].factor()
			}
			units[word] = u
			continue
		}
		units[word] = scaledUnit{x.unit(), scale}
	}
	return units
}

// readWords reads the tables of words.
func (m *meaning) readWords(top map[string]node) {
	if n := top["status"]; n.ok() {
		m.statuses = map[string]status{}
		for word, x := range n.table() {
			if x.isMap() {
				k := x.keys("means!", "good")
				m.statuses[word] = status{k["means"].text(), k["good"].truth()}
				continue
			}
			s := x.text()
			m.statuses[word] = status{s, s == StatusOK}
		}
	}
	if n := top["kinds"]; n.ok() {
		m.kinds = map[string]Kind{}
		for word, x := range n.table() {
			m.kinds[word] = Kind(x.word(string(Peak), string(Peak), string(Sample)))
		}
	}
	if n := top["signs"]; n.ok() {
		m.minus = map[string]bool{}
		for word, x := range n.table() {
			m.minus[word] = x.word("plus", "plus", "minus") == "minus"
		}
	}
}

// isMap reports whether n is written as a map.
func (n node) isMap() bool { return n.ok() && n.isTable() }

// table goes through a map from words to anything.
func (n node) table() func(yield func(word string, x node) bool) {
	return func(yield func(word string, x node) bool) {
		if !n.ok() {
			return
		}
		if len(n.y.Content) == 0 || len(n.y.Content)%2 != 0 || !n.isTable() {
			n.wrong("write a line for each word, such as NM: N·m", "it is %s", describe(n.y))
			return
		}
		for k, v := range n.pairs() {
			if !yield(k.y.Value, v) {
				return
			}
		}
	}
}

func (m *meaning) readCounterKeys(n node) {
	k := n.keys("modulus!", "counts")
	if !n.ok() {
		return
	}
	m.modulus = uint64(k["modulus"].whole(1, 2, 1<<53))
	m.countsFrames = k["counts"].word("readings", "readings", "frames") == "frames"
}

func (m *meaning) readAngleKeys(n node) {
	k := n.keys("unit!", "scale", "none")
	m.angleUnit, m.angleScale, m.angleNone = k["unit"].unit(), k["scale"].factor(), k["none"].text()
	if !m.angleUnit.IsZero() && m.angleUnit.Dimension() != quantity.DimAngle {
		k["unit"].wrong("write deg or rad", "%s is no unit of angle", m.angleUnit.Symbol())
	}
}

func (m *meaning) readDurationKeys(n node) {
	k := n.keys("unit!", "scale", "none")
	scale := k["scale"].factor()
	us := map[string]int64{"s": 1_000_000, "ms": 1000, "us": 1}[k["unit"].word("us", "s", "ms", "us")]
	m.durationScale, m.durationNone = number{scale.mant * us, scale.dec}, k["none"].text()
}

// checkDimensions sees to it that all units measure the same.
func (m *meaning) checkDimensions(top map[string]node) {
	dim := m.dimension()
	for _, u := range m.units {
		if u.unit.Dimension() != dim && !u.unit.IsZero() {
			top["units"].wrong("give units of one kind", "the units do not measure the same")
			return
		}
	}
	for _, q := range []quantity.Value{m.least, m.most} {
		if !q.IsZero() && dim != quantity.NoDimension && q.Dimension() != dim {
			top["value"].wrong("give both in units of "+dim.String(), "least or most is a %s, the value a %s", q.Dimension(), dim)
			return
		}
	}
}

// dimension returns what the values are.
func (m *meaning) dimension() quantity.Dimension {
	if !m.unit.IsZero() {
		return m.unit.Dimension()
	}
	for _, u := range m.units {
		if !u.unit.IsZero() {
			return u.unit.Dimension() // any: they are held to be the same
		}
	}
	return quantity.NoDimension
}
