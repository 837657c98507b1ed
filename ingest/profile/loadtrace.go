package profile

import (
	"time"

	"witnessmark/events/quantity"
)

// mostSamples bounds a trace, so that its event fits into one message of the
// journal: 20,000 samples with angle are some 300 kB.
const mostSamples = 20_000

// traceWithin is how long a trace may take if the profile does not say it.
const traceWithin = 1500 * time.Millisecond

var wholeTypes = []string{
	string(typeU8), string(typeU16BE), string(typeU16LE), string(typeU32BE), string(typeU32LE),
}

var columnTypes = []string{
	string(typeU8), string(typeI8), string(typeU16BE), string(typeU16LE), string(typeI16BE), string(typeI16LE),
	string(typeU32BE), string(typeU32LE), string(typeI32BE), string(typeI32LE),
}

// readTrace reads how the trace of a pull comes: see traceForm.
func (p *Profile) readTrace(n, decode node) {
	if !n.ok() {
		if p.form.has(partSamples) {
			decode.wrong("add trace at the top level", "decode gives samples, but nothing says how they come")
		}
		return
	}
	k := n.keys("within", "most!", "mark!", "counter!", "first!", "period", "from!", "to!", "text", "samples", "sample!")
	t := &traceForm{
		within: k["within"].duration(traceWithin, 10*time.Millisecond, 10*time.Second),
		most:   k["most"].whole(1, 2, mostSamples),
		from:   k["from"].whole(0, -mostFrame, mostFrame), to: k["to"].whole(0, -mostFrame, mostFrame),
	}
	t.readMark(k["mark"])
	if k["text"].ok() {
		t.readTextTrace(k, p.meaning.decimal)
	} else {
		t.readBinaryTrace(k)
	}
	switch {
	case !p.form.has(partSamples):
		n.wrong("decode a field samples: how many the summary says will follow", "nothing says how many samples a trace has")
	case !p.form.has(partCounter) || p.meaning.countsFrames:
		n.wrong("decode a counter of readings", "blocks name their reading by its counter, and there is none")
	case p.samples() || p.meaning.dimension() != quantity.DimTorque:
		n.wrong("leave trace out", "only a tool that reads peaks of torque has traces")
	case t.hasPeriod == t.hasTime:
		n.wrong("give a period, or a column time", "a trace needs one way to tell the times of its samples")
	}
	p.trace = t
}

// readBinaryTrace reads the keys that a trace of binary blocks has.
func (t *traceForm) readBinaryTrace(k map[string]node) {
	t.counter, _ = readWhole(k["counter"])
	t.first, _ = readWhole(k["first"])
	if k["period"].ok() {
		t.hasPeriod = true
		var x map[string]node
		t.period, x = readWhole(k["period"], "unit", "scale")
		t.periodScale = microseconds(x)
	}
	if k["samples"].ok() {
		k["samples"].wrong("leave it out", "it says where the samples of a line of text begin")
	}
	t.readSample(k["sample"])
}

func (t *traceForm) readMark(n node) {
	k := n.keys("at!", "is!")
	t.mark = field{typ: typeLiteral, at: k["at"].whole(0, -mostFrame, mostFrame), literal: k["is"].bytes(8)}
	t.mark.length = len(t.mark.literal)
	if k["is"].ok() && t.mark.length == 0 {
		k["is"].wrong(`write the bytes that only a block has there, such as "S"`, "the mark is empty")
	}
}

// readWhole reads a field that is a whole number from 0.
func readWhole(n node, more ...string) (field, map[string]node) {
	k := n.keys(append([]string{"at!", "type!"}, more...)...)
	x := field{at: k["at"].whole(0, -mostFrame, mostFrame), typ: fieldType(k["type"].word(string(typeU16LE), wholeTypes...))}
	x.length = binaryTypes[x.typ]
	return x, k
}

// microseconds reads unit and scale of a time.
func microseconds(k map[string]node) number {
	scale := k["scale"].factor()
	us := map[string]int64{"s": 1_000_000, "ms": 1000, "us": 1}[k["unit"].word("us", "s", "ms", "us")]
	return number{scale.mant * us, scale.dec}
}

// readSample reads the columns of a sample, in their order.
func (t *traceForm) readSample(n node) {
	seen := map[string]bool{}
	for _, item := range n.list() {
		k := item.keys("field!", "type!", "scale", "unit")
		name := k["field"].word("torque", "torque", "angle", "time")
		c := column{at: t.size, typ: fieldType(k["type"].word(string(typeI16LE), columnTypes...)), scale: k["scale"].factor()}
		t.size += binaryTypes[c.typ]
		if seen[name] {
			item.wrong("leave one of them", "there are two columns %q", name)
		}
		seen[name] = true
		switch name {
		case "torque":
			t.torque = c
			if k["unit"].ok() {
				k["unit"].wrong("leave it out", "the torque of a trace is in the unit of its reading")
			}
		case "angle":
			t.angle, t.hasAngle, t.angleUnit = c, true, quantity.Degree
			if k["unit"].ok() {
				t.angleUnit = k["unit"].unit()
			}
			if t.angleUnit.Dimension() != quantity.DimAngle {
				k["unit"].wrong("write deg or rad", "it is no unit of angle")
				t.angleUnit = quantity.Degree
			}
		case "time":
			c.scale = microseconds(k)
			t.time, t.hasTime = c, true
		}
	}
	if n.ok() && !seen["torque"] {
		n.wrong("add {field: torque, type: i16le, scale: 0.01}", "a sample has no torque")
	}
	t.size = max(t.size, 1)
}
