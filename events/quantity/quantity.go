// Package quantity holds the physical quantities that Witnessmark deals in:
// torque, angle, length and force. A quantity cannot be made without naming
// its unit, and no bare float64 crosses a package border.
//
// Each type keeps its value in one base unit: newton metres (N·m), degrees
// (°), millimetres (mm) and newtons (N). The base units are those of the
// trade and of stored names (torque_nm, angle_deg, length_mm, force_n), not
// always those of the SI.
//
// Factors are exact by definition: 1 lb = 0.45359237 kg, 1 ft = 0.3048 m,
// 1 in = 25.4 mm, g_n = 9.80665 m/s² (NIST SP 811, appendix B).
package quantity

import "math"

// Dimension says what kind of quantity a Value or a Unit is.
type Dimension uint8

// The dimensions. The zero Dimension is none of them.
const (
	NoDimension Dimension = iota
	DimTorque
	DimAngle
	DimLength
	DimForce
)

// String returns "torque", "angle", "length", "force" or "no dimension".
func (d Dimension) String() string {
	switch d {
	case DimTorque:
		return "torque"
	case DimAngle:
		return "angle"
	case DimLength:
		return "length"
	case DimForce:
		return "force"
	}
	return "no dimension"
}

// Torque is a moment of force, held in newton metres (N·m). It is never an
// energy, although the joule has the same dimensions.
type Torque struct{ nm float64 }

// Angle is a plane angle, held in degrees.
type Angle struct{ deg float64 }

// Length is a length or displacement, held in millimetres.
type Length struct{ mm float64 }

// Force is a force, held in newtons.
type Force struct{ n float64 }

// NewtonMetres returns v N·m.
func NewtonMetres(v float64) Torque { return Torque{v} }

// PoundFeet returns v lbf·ft; 1 lbf·ft = 1.3558179483314004 N·m exactly.
func PoundFeet(v float64) Torque { return Torque{v * 1.3558179483314004} }

// PoundInches returns v lbf·in; 1 lbf·in = 1/12 lbf·ft.
func PoundInches(v float64) Torque { return Torque{v * 0.1129848290276167} }

// Degrees returns v degrees.
func Degrees(v float64) Angle { return Angle{v} }

// Radians returns v rad; 1 rad = 180/π degrees.
func Radians(v float64) Angle { return Angle{v * 180 / math.Pi} }

// Millimetres returns v mm.
func Millimetres(v float64) Length { return Length{v} }

// Inches returns v in; 1 in = 25.4 mm exactly.
func Inches(v float64) Length { return Length{v * 25.4} }

// Newtons returns v N.
func Newtons(v float64) Force { return Force{v} }

// PoundsForce returns v lbf; 1 lbf = 4.4482216152605 N exactly.
func PoundsForce(v float64) Force { return Force{v * 4.4482216152605} }

// NewtonMetres returns the torque in N·m.
func (t Torque) NewtonMetres() float64 { return t.nm }

// PoundFeet returns the torque in lbf·ft.
func (t Torque) PoundFeet() float64 { return t.nm / 1.3558179483314004 }

// Value returns the torque as a Value.
func (t Torque) Value() Value { return Value{DimTorque, t.nm} }

// Degrees returns the angle in degrees.
func (a Angle) Degrees() float64 { return a.deg }

// Radians returns the angle in radians.
func (a Angle) Radians() float64 { return a.deg * math.Pi / 180 }

// Value returns the angle as a Value.
func (a Angle) Value() Value { return Value{DimAngle, a.deg} }

// Millimetres returns the length in mm.
func (l Length) Millimetres() float64 { return l.mm }

// Value returns the length as a Value.
func (l Length) Value() Value { return Value{DimLength, l.mm} }

// Newtons returns the force in N.
func (f Force) Newtons() float64 { return f.n }

// Value returns the force as a Value.
func (f Force) Value() Value { return Value{DimForce, f.n} }
