package profile

import (
	"bytes"
	"fmt"
	"regexp"
)

// part names what is in a frame.
type part uint8

const (
	partValue part = iota
	partSign
	partUnit
	partStatus
	partKind
	partCounter
	partAngle
	partDuration
	partClock
	partSamples
	partTravel
	partTravelUnit
	parts // how many there are
)

// partNames are the words for parts in profiles, as group names of a pattern
// and as names of byte fields.
var partNames = [parts]string{"value", "sign", "unit", "status", "kind", "counter", "angle", "duration", "clock", "samples", "travel", "travel_unit"}

func partByName(name string) (part, bool) {
	for i, n := range partNames {
		if n == name {
			return part(i), true
		}
	}
	return 0, false
}

// raw is what a form takes out of a frame. A part is text or, out of a
// binary field, a number.
type raw struct {
	has    [parts]bool
	text   [parts][]byte
	number [parts]number
	isText [parts]bool
	status *status // out of status bits
}

func (r *raw) setText(p part, b []byte) { r.has[p], r.isText[p], r.text[p] = true, true, b }

func (r *raw) setNumber(p part, v int64) { r.has[p], r.number[p] = true, number{mant: v} }

// form takes a frame apart: by a pattern, or by byte fields.
type form struct {
	pattern *regexp.Regexp
	groups  []part // part of each group of pattern; parts: none
	fields  []field
}

func (f *form) has(p part) bool {
	for _, g := range f.groups {
		if g == p {
			return true
		}
	}
	for i := range f.fields {
		if f.fields[i].part == p && f.fields[i].typ != typeLiteral {
			return true
		}
	}
	return false
}

// extract returns a reason and a detail if the frame has another form.
func (f *form) extract(frame, body []byte, r *raw) (reason, detail string) {
	if f.pattern != nil {
		m := f.pattern.FindSubmatchIndex(body)
		if m == nil {
			return ReasonForm, "the frame does not match the profile's pattern"
		}
		for i, p := range f.groups {
			if p != parts && m[2*i] >= 0 {
				r.setText(p, body[m[2*i]:m[2*i+1]])
			}
		}
		return "", ""
	}
	for i := range f.fields {
		if reason, detail = f.fields[i].extract(frame, r); reason != "" {
			return reason, detail
		}
	}
	return "", ""
}

// fieldType names how a byte field is written.
type fieldType string

const (
	typeDecimal fieldType = "decimal" // ASCII decimal digits, with sign and decimal sign
	typeHex     fieldType = "hex"     // ASCII hexadecimal digits, unsigned
	typeText    fieldType = "text"    // ASCII words
	typeU8      fieldType = "u8"
	typeI8      fieldType = "i8"
	typeU16BE   fieldType = "u16be"
	typeU16LE   fieldType = "u16le"
	typeI16BE   fieldType = "i16be"
	typeI16LE   fieldType = "i16le"
	typeU32BE   fieldType = "u32be"
	typeU32LE   fieldType = "u32le"
	typeI32BE   fieldType = "i32be"
	typeI32LE   fieldType = "i32le"
	typeBit     fieldType = "bit"     // one bit of a byte, 0 the least
	typeLiteral fieldType = "literal" // bytes that must be there
)

// binaryTypes gives the length of the binary types.
var binaryTypes = map[fieldType]int{
	typeU8: 1, typeI8: 1, typeU16BE: 2, typeU16LE: 2, typeI16BE: 2, typeI16LE: 2,
	typeU32BE: 4, typeU32LE: 4, typeI32BE: 4, typeI32LE: 4, typeBit: 1,
}

// field is one byte field. Its offset counts from the frame's first byte;
// below zero, back from behind its last.
type field struct {
	part    part
	at      int
	length  int
	typ     fieldType
	bit     uint8   // typeBit
	means   *status // typeBit of a status: what it means if set
	literal []byte  // typeLiteral: what must be there …
	mask    []byte  // … in these bits; nil: all
}

func (f *field) extract(frame []byte, r *raw) (reason, detail string) {
	at := offset(f.at, len(frame))
	if at < 0 || at+f.length > len(frame) {
		return ReasonForm, fmt.Sprintf("%d bytes are too few for the field at %d", len(frame), f.at)
	}
	b := frame[at : at+f.length]
	switch f.typ {
	case typeLiteral:
		if !f.literally(b) {
			return ReasonForm, fmt.Sprintf("bytes %X at %d where the profile has %X", b, f.at, f.literal)
		}
	case typeDecimal, typeText:
		r.setText(f.part, bytes.TrimLeft(b, " "))
	case typeHex:
		v, ok := readHex(b)
		if !ok {
			return ReasonNumber, fmt.Sprintf("%q at %d is no hexadecimal number", b, f.at)
		}
		r.setNumber(f.part, v)
	case typeBit:
		f.setBit(b[0]>>f.bit&1, r)
	default:
		r.setNumber(f.part, readBinary(f.typ, b))
	}
	return "", ""
}

func (f *field) literally(b []byte) bool {
	if f.mask == nil {
		return bytes.Equal(b, f.literal)
	}
	for i := range b {
		if b[i]&f.mask[i] != f.literal[i] {
			return false
		}
	}
	return true
}

var bitText = [2][]byte{[]byte("0"), []byte("1")}

// setBit sets a word "0" or "1"; of status bits the first one that is set
// counts.
func (f *field) setBit(bit uint8, r *raw) {
	switch {
	case f.means == nil:
		r.setText(f.part, bitText[bit])
	case bit == 1 && r.status == nil:
		r.status = f.means
	}
}

func readHex(b []byte) (int64, bool) {
	var v int64
	any := checksum{form: formHexAny}
	for _, c := range b {
		x, ok := any.digit(c)
		if !ok || len(b) > 14 {
			return 0, false
		}
		v = v<<4 | int64(x)
	}
	return v, len(b) > 0
}

func readBinary(t fieldType, b []byte) int64 {
	var u uint32
	for i := range b {
		c := b[i]
		if t == typeU16LE || t == typeI16LE || t == typeU32LE || t == typeI32LE {
			c = b[len(b)-1-i]
		}
		u = u<<8 | uint32(c)
	}
	switch t {
	case typeI8:
		return int64(int8(u))
	case typeI16BE, typeI16LE:
		return int64(int16(u))
	case typeI32BE, typeI32LE:
		return int64(int32(u))
	}
	return int64(u)
}
