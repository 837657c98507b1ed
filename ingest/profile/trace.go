package profile

import (
	"fmt"
	"math"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Block is a part of a trace: samples that follow one another. Figures are as
// sent; Trace gives them their unit.
type Block struct {
	Counter  uint64 // number of the reading that it belongs to
	First    int    // index of its first sample within the trace, from 0
	PeriodUs int64  // between samples; 0: each has its time
	torque   []number
	angle    []number // empty: the tool sends none
	times    []int64  // µs; empty unless PeriodUs is 0
}

// Len returns how many samples b has.
func (b *Block) Len() int { return len(b.torque) }

// traceForm says how a tool sends the trace of a pull: the summary, which is
// the reading, says how many samples follow; blocks bring them in order.
type traceForm struct {
	within time.Duration // from the summary to the last block
	most   int           // samples
	mark   field         // literal that tells a block from a summary

	counter, first, period field
	hasPeriod              bool
	periodScale            number // to microseconds
	from, to               int    // bytes of the samples, as offsets of checksum

	size                int // bytes of one sample
	torque, angle, time column
	hasAngle, hasTime   bool
	angleUnit           quantity.Unit

	text textTrace // where blocks are lines of text
}

// column is one figure of each sample.
type column struct {
	at    int // within the sample
	typ   fieldType
	scale number
}

func (c *column) read(sample []byte) (number, bool) {
	n := binaryTypes[c.typ]
	return number{mant: readBinary(c.typ, sample[c.at:c.at+n])}.times(c.scale)
}

// matches reports whether a frame has a literal field.
func (f *field) matches(frame []byte) bool {
	at := offset(f.at, len(frame))
	return at >= 0 && at+f.length <= len(frame) && f.literally(frame[at:at+f.length])
}

// whole reads a field that is a number of the binary types.
func (f *field) whole(frame []byte) (int64, bool) {
	at := offset(f.at, len(frame))
	if at < 0 || at+f.length > len(frame) {
		return 0, false
	}
	return readBinary(f.typ, frame[at:at+f.length]), true
}

// read takes a block apart.
func (t *traceForm) read(frame []byte) (r *Reading, reason, detail string) {
	if t.text.sep != 0 {
		return t.readText(frame)
	}
	from, to := offset(t.from, len(frame)), offset(t.to, len(frame))
	counter, ok1 := t.counter.whole(frame)
	first, ok2 := t.first.whole(frame)
	if !ok1 || !ok2 || from < 0 || from >= to || to > len(frame) || (to-from)%t.size != 0 {
		return nil, ReasonForm, fmt.Sprintf("a block of %d bytes has no whole samples", len(frame))
	}
	n := (to - from) / t.size
	b := &Block{Counter: uint64(counter), First: int(first), torque: make([]number, 0, n)}
	if first < 0 || int(first)+n > t.most {
		return nil, ReasonRange, fmt.Sprintf("samples %d to %d are not from 0 to %d", first, int(first)+n-1, t.most-1)
	}
	if t.hasPeriod {
		raw, ok := t.period.whole(frame)
		us, fits := number{mant: raw}.times(t.periodScale)
		if b.PeriodUs = us.round(); !ok || !fits || b.PeriodUs <= 0 {
			return nil, ReasonRange, "the time between samples is not above zero"
		}
	}
	for at := from; at < to; at += t.size {
		if !t.sample(frame[at:at+t.size], b) {
			return nil, ReasonRange, fmt.Sprintf("sample at byte %d has too many digits", at)
		}
	}
	return &Reading{Kind: Part, Status: StatusOK, Good: true, Block: b}, "", ""
}

// sample reads one sample into b.
func (t *traceForm) sample(s []byte, b *Block) bool {
	x, ok := t.torque.read(s)
	b.torque = append(b.torque, x)
	if t.hasAngle && ok {
		x, ok = t.angle.read(s)
		b.angle = append(b.angle, x)
	}
	if t.hasTime && ok {
		x, ok = t.time.read(s)
		b.times = append(b.times, x.round())
	}
	return ok
}

// readSamples reads how many samples follow.
func (p *Profile) readSamples(x *raw, r *Reading) (reason, detail string) {
	if !x.has[partSamples] || p.trace == nil {
		return "", ""
	}
	n, reason, detail := p.meaning.number(x, partSamples)
	if reason != "" {
		return reason, detail
	}
	// More than the limit is not the reading's fault: its blocks are refused.
	r.Samples = int(min(max(n.mant, 0), 1<<30))
	return "", ""
}

// Traces reports whether the tool sends traces, within what time of the
// summary a trace must be whole, and how many samples one has at most.
func (p *Profile) Traces() (within time.Duration, most int, ok bool) {
	if p.trace == nil {
		return 0, 0, false
	}
	return p.trace.within, p.trace.most, true
}

// Trace puts the blocks of a reading together. They must follow one another
// from 0; torque is in the unit of r. Torque and angle keep the digits that
// the tool sent; where the unit is not N·m or degrees, one digit more.
func (p *Profile) Trace(r *Reading, blocks []*Block) *events.Trace {
	out := &events.Trace{}
	if p.trace == nil || len(blocks) == 0 {
		return out
	}
	out.PeriodUs = blocks[0].PeriodUs
	torque := digits(r.Unit, p.trace.torque.scale)
	angle := digits(p.trace.angleUnit, p.trace.angle.scale)
	for _, b := range blocks {
		if p.trace.text.sep != 0 {
			torque, angle = digits(r.Unit, finest(b.torque)), digits(p.trace.angleUnit, finest(b.angle))
		}
		for _, x := range b.torque {
			out.Torque = append(out.Torque, roundTo(quantity.Of(x.float(), r.Unit).Base(), torque))
		}
		for _, x := range b.angle {
			out.Angle = append(out.Angle, roundTo(quantity.Of(x.float(), p.trace.angleUnit).In(quantity.Degree), angle))
		}
		out.TimesUs = append(out.TimesUs, b.times...)
	}
	if len(out.TimesUs) > 0 {
		for i, first := 0, out.TimesUs[0]; i < len(out.TimesUs); i++ {
			out.TimesUs[i] -= first
		}
	}
	return out
}

// digits returns how many decimals keep one step of a figure apart, after
// conversion to N·m or degrees.
func digits(u quantity.Unit, scale number) int {
	if u == quantity.NewtonMetre || u == quantity.Degree {
		return scale.dec
	}
	step := quantity.Of(scale.float(), u)
	base := step.Base()
	if u.Dimension() == quantity.DimAngle {
		base = step.In(quantity.Degree)
	}
	return min(max(1-int(math.Floor(math.Log10(base))), 0), 12)
}

func roundTo(x float64, decimals int) float64 {
	p := powersOfTen[decimals]
	return math.Round(x*p) / p
}

// Reports returns what the tool tells with each pull, as far as its profile
// says it.
func (p *Profile) Reports() events.ToolReports {
	out := events.ToolReports{
		Angle: p.form.has(partAngle), Duration: p.form.has(partDuration), Trace: p.trace != nil,
		CountsCycles: p.meaning.modulus > 0 && !p.meaning.countsFrames,
	}
	if out.Angle && p.meaning.decimal == 0 {
		out.AngleStep = quantity.Of(p.meaning.angleScale.float(), p.meaning.angleUnit)
	}
	return out
}
