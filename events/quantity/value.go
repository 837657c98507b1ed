package quantity

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"github.com/go-json-experiment/json/jsontext"
)

// Value is a quantity whose dimension is known only at run time, such as what
// a tool reported or the limit of a step. Its zero value has no dimension and
// means "none".
//
// In JSON it is an object with one member whose name tells dimension and base
// unit: {"torque_nm":35.25}, {"angle_deg":90}, {"length_mm":0.15},
// {"force_n":120}. The zero Value is null.
type Value struct {
	dim  Dimension
	base float64
}

// Of returns v in unit u. A Unit that was not made by this package gives the
// zero Value.
func Of(v float64, u Unit) Value {
	if u.dim == NoDimension {
		return Value{}
	}
	return Value{u.dim, v * u.factor}
}

// Dimension tells what kind of quantity v is.
func (v Value) Dimension() Dimension { return v.dim }

// IsZero reports whether v is the zero Value, "none"; a torque of 0 N·m is not.
func (v Value) IsZero() bool { return v.dim == NoDimension }

// Base returns the magnitude in the base unit of v's dimension: N·m, degrees,
// mm or N.
func (v Value) Base() float64 { return v.base }

// WithBase returns a Value of v's dimension with another magnitude, in the
// base unit.
func (v Value) WithBase(base float64) Value {
	if v.dim == NoDimension {
		return Value{}
	}
	return Value{v.dim, base}
}

// In returns the magnitude of v in u. It is NaN if the dimensions differ.
func (v Value) In(u Unit) float64 {
	if v.dim != u.dim || v.dim == NoDimension {
		return math.NaN()
	}
	return v.base / u.factor
}

// Torque returns v as a torque; ok is false if it is none.
func (v Value) Torque() (t Torque, ok bool) { return Torque{v.base}, v.dim == DimTorque }

// Length returns v as a length; ok is false if it is none.
func (v Value) Length() (l Length, ok bool) { return Length{v.base}, v.dim == DimLength }

// Angle returns v as an angle; ok is false if it is none.
func (v Value) Angle() (a Angle, ok bool) { return Angle{v.base}, v.dim == DimAngle }

// Force returns v as a force; ok is false if it is none.
func (v Value) Force() (f Force, ok bool) { return Force{v.base}, v.dim == DimForce }

// Finite reports whether v has a dimension and is neither NaN nor infinite.
func (v Value) Finite() bool {
	return v.dim != NoDimension && !math.IsNaN(v.base) && !math.IsInf(v.base, 0)
}

type valueJSON struct {
	Torque *float64 `json:"torque_nm,omitempty"`
	Angle  *float64 `json:"angle_deg,omitempty"`
	Length *float64 `json:"length_mm,omitempty"`
	Force  *float64 `json:"force_n,omitempty"`
}

// MarshalJSON writes the form described at Value. A value that is NaN or
// infinite is an error, as JSON has no such numbers.
func (v Value) MarshalJSON() ([]byte, error) {
	if v.dim == NoDimension {
		return []byte("null"), nil
	}
	if !v.Finite() {
		return nil, fmt.Errorf("write %s %v: not a finite number", v.dim, v.base)
	}
	b := append(make([]byte, 0, 40), `{"`...)
	b = append(append(b, memberNames[v.dim]...), `":`...)
	return append(appendNumber(b, v.base), '}'), nil
}

// memberNames is how each dimension and its base unit are named in JSON.
var memberNames = [...]string{DimTorque: "torque_nm", DimAngle: "angle_deg", DimLength: "length_mm", DimForce: "force_n"}

// appendNumber writes a finite number in the shortest form that reads back
// the same, as encoding/json does: with an exponent below 1e-6 and from 1e21.
func appendNumber(b []byte, x float64) []byte {
	if abs := math.Abs(x); abs != 0 && (abs < 1e-6 || abs >= 1e21) {
		b = strconv.AppendFloat(b, x, 'e', -1, 64)
		if n := len(b); n >= 4 && b[n-4] == 'e' && b[n-3] == '-' && b[n-2] == '0' {
			b[n-2] = b[n-1] // e-09 is e-9
			b = b[:n-1]
		}
		return b
	}
	return strconv.AppendFloat(b, x, 'f', -1, 64)
}

// UnmarshalJSON reads the form described at Value.
func (v *Value) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*v = Value{}
		return nil
	}
	if x, ok := plain(b); ok {
		*v = x
		return nil
	}
	var w valueJSON
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	n := 0
	for _, c := range []struct {
		p *float64
		d Dimension
	}{{w.Torque, DimTorque}, {w.Angle, DimAngle}, {w.Length, DimLength}, {w.Force, DimForce}} {
		if c.p != nil {
			*v = Value{c.d, *c.p}
			n++
		}
	}
	if n != 1 {
		return fmt.Errorf("read quantity %s: want exactly one of torque_nm, angle_deg, length_mm, force_n", b)
	}
	return nil
}

// UnmarshalJSONFrom is UnmarshalJSON in one scan.
func (v *Value) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	b, err := dec.ReadValue()
	if err != nil {
		return err
	}
	return v.UnmarshalJSON(b)
}

// plain reads the form that MarshalJSON writes, byte for byte, which is what a
// journal is full of. ok is false for any other, also a valid one.
func plain(b []byte) (v Value, ok bool) {
	for _, f := range plainForms {
		rest, ok := bytes.CutPrefix(b, f.head)
		if !ok {
			continue
		}
		rest, ok = bytes.CutSuffix(rest, plainEnd)
		if !ok || !plainNumber(rest) {
			return Value{}, false
		}
		x, err := strconv.ParseFloat(string(rest), 64)
		return Value{f.dim, x}, err == nil
	}
	return Value{}, false
}

var plainEnd = []byte("}")

var plainForms = []struct {
	head []byte
	dim  Dimension
}{
	{[]byte(`{"torque_nm":`), DimTorque},
	{[]byte(`{"angle_deg":`), DimAngle},
	{[]byte(`{"length_mm":`), DimLength},
	{[]byte(`{"force_n":`), DimForce},
}

// plainNumber reports whether b is digits with at most a sign before and one
// point among them, not beginning with a needless zero: JSON's numbers
// without an exponent.
func plainNumber(b []byte) bool {
	b = bytes.TrimPrefix(b, []byte("-"))
	whole, part, point := bytes.Cut(b, []byte("."))
	return onlyDigits(whole) && (len(whole) == 1 || whole[0] != '0') && (!point || onlyDigits(part))
}

func onlyDigits(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) > 0
}
