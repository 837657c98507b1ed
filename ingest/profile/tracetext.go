package profile

import (
	"bytes"
	"fmt"

	"witnessmark/events/quantity"
)

// textTrace says how a block is written that is a line of text: columns parted
// by a sign, the samples from one column on, each as many columns as it has
// figures. The columns stand between the bytes from and to of a traceForm.
type textTrace struct {
	sep                    byte // 0: blocks are binary
	counter, first, period int  // columns, from 1; period 0: none
	samples                int  // first column of the samples
	decimal                byte
	order                  []string // figures of a sample: torque, angle, time
	timeScale, angleScale  number
	torqueScale            number
}

// readTextTrace reads the keys that a trace of text lines has.
func (t *traceForm) readTextTrace(k map[string]node, decimal byte) {
	x := &t.text
	x.sep, x.decimal = ',', decimal
	if s := k["text"].bytes(1); len(s) == 1 {
		x.sep = s[0]
	} else {
		k["text"].wrong(`write one sign, such as ","`, "columns are parted by one sign")
	}
	if x.decimal == 0 {
		x.decimal = '.'
	}
	if x.decimal == x.sep {
		k["text"].wrong("let the tool send another sign between columns", "the decimal sign of value is the same")
	}
	column := func(n node, more ...string) (int, map[string]node) {
		c := n.keys(append([]string{"column!"}, more...)...)
		return c["column"].whole(1, 1, 999), c
	}
	x.counter, _ = column(k["counter"])
	x.first, _ = column(k["first"])
	if k["period"].ok() {
		var c map[string]node
		x.period, c = column(k["period"], "unit", "scale")
		t.hasPeriod, t.periodScale = true, microseconds(c)
	}
	x.samples = k["samples"].whole(1, 1, 999)
	if !k["samples"].ok() {
		k["sample"].wrong("add samples: the column where they begin", "nothing says where the samples of a line begin")
	}
	t.readTextSample(k["sample"])
}

// readTextSample reads the figures of a sample, in their order.
func (t *traceForm) readTextSample(n node) {
	x := &t.text
	seen := map[string]bool{}
	for _, item := range n.list() {
		k := item.keys("field!", "scale", "unit")
		name := k["field"].word("torque", "torque", "angle", "time")
		if seen[name] {
			item.wrong("leave one of them", "there are two columns %q", name)
		}
		seen[name] = true
		x.order = append(x.order, name)
		switch name {
		case "torque":
			x.torqueScale = k["scale"].factor()
			if k["unit"].ok() {
				k["unit"].wrong("leave it out", "the torque of a trace is in the unit of its reading")
			}
		case "angle":
			x.angleScale, t.hasAngle, t.angleUnit = k["scale"].factor(), true, quantity.Degree
			if k["unit"].ok() {
				t.angleUnit = k["unit"].unit()
			}
			if t.angleUnit.Dimension() != quantity.DimAngle {
				k["unit"].wrong("write deg or rad", "it is no unit of angle")
				t.angleUnit = quantity.Degree
			}
		case "time":
			x.timeScale, t.hasTime = microseconds(k), true
		}
	}
	if n.ok() && !seen["torque"] {
		n.wrong("add {field: torque}", "a sample has no torque")
	}
}

// readText takes a block apart that is a line of text.
func (t *traceForm) readText(frame []byte) (r *Reading, reason, detail string) {
	x := &t.text
	from, to := offset(t.from, len(frame)), offset(t.to, len(frame))
	if from < 0 || from >= to || to > len(frame) {
		return nil, ReasonForm, fmt.Sprintf("a line of %d bytes has no columns", len(frame))
	}
	columns := bytes.Split(frame[from:to], []byte{x.sep})
	each := len(x.order)
	rest := len(columns) - (x.samples - 1)
	if x.counter > len(columns) || x.first > len(columns) || x.period > len(columns) || rest < each || rest%each != 0 {
		return nil, ReasonForm, fmt.Sprintf("a line of %d columns has no whole samples", len(columns))
	}
	counter, ok1 := wholeColumn(columns[x.counter-1])
	first, ok2 := wholeColumn(columns[x.first-1])
	if !ok1 || !ok2 {
		return nil, ReasonNumber, "the counter or the number of the first sample is no whole number"
	}
	n := rest / each
	b := &Block{Counter: uint64(counter), First: int(first), torque: make([]number, 0, n)}
	if first+int64(n) > int64(t.most) {
		return nil, ReasonRange, fmt.Sprintf("samples %d to %d are not from 0 to %d", first, first+int64(n)-1, t.most-1)
	}
	if x.period > 0 {
		raw, ok := wholeColumn(columns[x.period-1])
		us, fits := number{mant: raw}.times(t.periodScale)
		if b.PeriodUs = us.round(); !ok || !fits || b.PeriodUs <= 0 {
			return nil, ReasonRange, "the time between samples is not above zero"
		}
	}
	for i, c := range columns[x.samples-1:] {
		if reason := t.textFigure(b, x.order[i%each], c); reason != "" {
			return nil, reason, fmt.Sprintf("%q in column %d is no figure", c, x.samples+i)
		}
	}
	return &Reading{Kind: Part, Status: StatusOK, Good: true, Block: b}, "", ""
}

// textFigure reads one figure of a sample into b.
func (t *traceForm) textFigure(b *Block, name string, c []byte) (reason string) {
	x := &t.text
	v, below, reason := readDecimal(c, x.decimal)
	if reason != "" {
		return reason
	}
	if below {
		v.mant = -v.mant
	}
	scale := map[string]number{"torque": x.torqueScale, "angle": x.angleScale, "time": x.timeScale}[name]
	v, ok := v.times(scale)
	switch {
	case !ok:
		return ReasonRange
	case name == "torque":
		b.torque = append(b.torque, v)
	case name == "angle":
		b.angle = append(b.angle, v)
	default:
		b.times = append(b.times, v.round())
	}
	return ""
}

// wholeColumn reads a whole number that is not below zero.
func wholeColumn(c []byte) (int64, bool) {
	n, below, reason := readDecimal(c, 0)
	return n.mant, reason == "" && !below && n.mant < 1<<40
}

// finest is the scale of the figure with the most decimals: what keeps all of
// them apart.
func finest(list []number) number {
	s := number{mant: 1}
	for _, x := range list {
		s.dec = max(s.dec, x.dec)
	}
	return s
}
