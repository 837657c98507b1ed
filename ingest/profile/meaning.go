package profile

import (
	"fmt"

	"witnessmark/events/quantity"
)

// meaning says what the parts of a frame mean.
type meaning struct {
	kind  Kind
	kinds map[string]Kind // by the frame's kind word; nil: kind

	decimal byte   // decimal sign of value, angle and duration; 0: digits only
	scale   number // of the value, where its unit has none of its own
	unit    quantity.Unit
	units   map[string]scaledUnit // by the frame's unit word; nil: unit
	minus   map[string]bool       // by the frame's sign word: whether it means below zero
	least   quantity.Value        // zero Value: no limit
	most    quantity.Value

	statuses map[string]status

	modulus      uint64 // of the counter; 0: none
	countsFrames bool

	angleUnit  quantity.Unit
	angleScale number
	angleNone  string

	durationScale number // to microseconds
	durationNone  string

	travel travel // of a press gauge; the zero value: it tells none
}

// scaledUnit is a unit with the worth of one step of the value in it.
type scaledUnit struct {
	unit  quantity.Unit
	scale number
}

// status is what a status word means.
type status struct {
	word string
	good bool // it does not speak against the value
}

var (
	statusOK      = status{StatusOK, true}
	statusUnknown = status{StatusUnknown, false}
)

// decode reads one whole frame: its checksum, its form, its meaning.
func (p *Profile) decode(frame []byte) (r *Reading, reason, detail string) {
	if reason, detail = p.sum.check(frame); reason != "" {
		return nil, reason, detail
	}
	if p.trace != nil && p.trace.mark.matches(frame) {
		return p.trace.read(frame)
	}
	var x raw
	if reason, detail = p.form.extract(frame, p.framing.body(frame), &x); reason != "" {
		return nil, reason, detail
	}
	r = &Reading{}
	for _, step := range [...]func(*raw, *Reading) (string, string){
		p.meaning.readKind, p.meaning.readStatus, p.meaning.readValue,
		p.meaning.readCounter, p.meaning.readAngle, p.meaning.readDuration, p.meaning.readTravel, p.readSamples,
	} {
		if reason, detail = step(&x, r); reason != "" {
			return nil, reason, detail
		}
	}
	r.ToolClock = string(x.text[partClock])
	return r, "", ""
}

func (m *meaning) readKind(x *raw, r *Reading) (reason, detail string) {
	r.Kind = m.kind
	if m.kinds == nil || !x.has[partKind] {
		return "", ""
	}
	k, ok := m.kinds[string(x.text[partKind])]
	if !ok {
		return ReasonForm, fmt.Sprintf("kind %q is not in the profile's table", x.text[partKind])
	}
	r.Kind = k
	return "", ""
}

// readStatus never refuses: a word that the profile does not know makes the
// reading one that is not to be trusted, but does not lose it.
func (m *meaning) readStatus(x *raw, r *Reading) (reason, detail string) {
	s := statusOK
	switch {
	case x.status != nil:
		s = *x.status
	case x.has[partStatus]:
		known, ok := m.statuses[string(x.text[partStatus])]
		if s = known; !ok {
			s = statusUnknown
		}
	}
	r.Status, r.Good = s.word, s.good
	return "", ""
}

func (m *meaning) readValue(x *raw, r *Reading) (reason, detail string) {
	n, reason, detail := m.number(x, partValue)
	if reason != "" {
		return reason, detail
	}
	if x.has[partSign] {
		below, ok := m.minus[string(x.text[partSign])]
		if !ok || n.mant < 0 {
			return ReasonNumber, fmt.Sprintf("sign %q of value %s is none", x.text[partSign], n.text())
		}
		if below {
			n.mant = -n.mant
		}
	}
	u := scaledUnit{m.unit, m.scale}
	r.UnitAssumed = true
	if x.has[partUnit] && m.units != nil {
		known, ok := m.units[string(x.text[partUnit])]
		if !ok {
			return ReasonUnit, fmt.Sprintf("unit %q is not in the profile's table", x.text[partUnit])
		}
		u, r.UnitAssumed = known, false
	}
	scaled, ok := n.times(u.scale)
	if !ok {
		return ReasonRange, fmt.Sprintf("value %s has too many digits", n.text())
	}
	r.Unit, r.Text, r.Value = u.unit, scaled.text(), quantity.Of(scaled.float(), u.unit)
	r.Resolution = quantity.Of(number{u.scale.mant, scaled.dec}.float(), u.unit)
	return m.inRange(r)
}

// inRange refuses what the tool cannot send. A tool that says itself that the
// value is past its range is believed.
func (m *meaning) inRange(r *Reading) (reason, detail string) {
	low := !m.least.IsZero() && !(m.least.Base() <= r.Value.Base())
	high := !m.most.IsZero() && !(r.Value.Base() <= m.most.Base())
	if !r.Value.Finite() || (r.Good && (low || high)) {
		return ReasonRange, fmt.Sprintf("value %s %s is beyond what the tool can send", r.Text, r.Unit.Symbol())
	}
	return "", ""
}

func (m *meaning) readCounter(x *raw, r *Reading) (reason, detail string) {
	if !x.has[partCounter] {
		return "", ""
	}
	n, reason, detail := m.number(x, partCounter)
	if reason != "" {
		return reason, detail
	}
	c := uint64(n.mant)
	if n.mant < 0 || n.dec != 0 || c >= m.modulus {
		return ReasonRange, fmt.Sprintf("counter %s is not from 0 to %d", n.text(), m.modulus-1)
	}
	if m.countsFrames {
		r.FrameNumber = &c
	} else {
		r.Counter = &c
	}
	return "", ""
}

func (m *meaning) readAngle(x *raw, r *Reading) (reason, detail string) {
	if !x.has[partAngle] || (x.isText[partAngle] && m.angleNone != "" && string(x.text[partAngle]) == m.angleNone) {
		return "", ""
	}
	n, reason, detail := m.number(x, partAngle)
	if reason != "" {
		return reason, detail
	}
	n, ok := n.times(m.angleScale)
	if !ok {
		return ReasonRange, "the angle has too many digits"
	}
	r.Angle = quantity.Of(n.float(), m.angleUnit)
	return "", ""
}

func (m *meaning) readDuration(x *raw, r *Reading) (reason, detail string) {
	if !x.has[partDuration] || (x.isText[partDuration] && m.durationNone != "" && string(x.text[partDuration]) == m.durationNone) {
		return "", ""
	}
	n, reason, detail := m.number(x, partDuration)
	if reason != "" {
		return reason, detail
	}
	n, ok := n.times(m.durationScale)
	if !ok || n.mant < 0 {
		return ReasonRange, "the duration is below zero or has too many digits"
	}
	r.DurationUs = n.round()
	return "", ""
}

// number returns a part that must be a number.
func (m *meaning) number(x *raw, p part) (n number, reason, detail string) {
	if !x.has[p] {
		return number{}, ReasonNumber, fmt.Sprintf("the frame has no %s", partNames[p])
	}
	if !x.isText[p] {
		return x.number[p], "", ""
	}
	n, below, reason := readDecimal(x.text[p], m.decimal)
	if reason != "" {
		return number{}, reason, fmt.Sprintf("%s %q is no number that can be read", partNames[p], x.text[p])
	}
	if below {
		n.mant = -n.mant
	}
	return n, "", ""
}
