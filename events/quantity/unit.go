package quantity

// Unit is a unit of torque, angle, length or force. Units are comparable; the
// zero Unit is none.
type Unit struct {
	dim    Dimension
	factor float64 // base units in one of this
	symbol string  // as shown to people: "N·m"
	ascii  string  // as stored and typed: "N.m"
}

// The units. Factors as U01 to U16 of the definitions in the package comment.
var (
	NewtonMetre        = Unit{DimTorque, 1, "N·m", "N.m"}
	CentinewtonMetre   = Unit{DimTorque, 0.01, "cN·m", "cN.m"}
	PoundFoot          = Unit{DimTorque, 1.3558179483314004, "lbf·ft", "lbf.ft"}
	PoundInch          = Unit{DimTorque, 0.1129848290276167, "lbf·in", "lbf.in"}
	OunceInch          = Unit{DimTorque, 0.00706155181422604375, "ozf·in", "ozf.in"}
	KilogramForceMetre = Unit{DimTorque, 9.80665, "kgf·m", "kgf.m"}
	KilogramForceCm    = Unit{DimTorque, 0.0980665, "kgf·cm", "kgf.cm"}
	GramForceCm        = Unit{DimTorque, 0.0000980665, "gf·cm", "gf.cm"}

	Degree = Unit{DimAngle, 1, "°", "deg"}
	Radian = Unit{DimAngle, 57.29577951308232, "rad", "rad"}

	Millimetre = Unit{DimLength, 1, "mm", "mm"}
	Micrometre = Unit{DimLength, 0.001, "µm", "um"}
	Inch       = Unit{DimLength, 25.4, "in", "in"}
	Thou       = Unit{DimLength, 0.0254, "thou", "thou"}
	MicroInch  = Unit{DimLength, 0.0000254, "µin", "uin"}

	Newton        = Unit{DimForce, 1, "N", "N"}
	Kilonewton    = Unit{DimForce, 1000, "kN", "kN"}
	PoundForce    = Unit{DimForce, 4.4482216152605, "lbf", "lbf"}
	KilogramForce = Unit{DimForce, 9.80665, "kgf", "kgf"}
)

// Dimension tells what the unit measures.
func (u Unit) Dimension() Dimension { return u.dim }

// Symbol returns the unit as shown to people, e.g. "lbf·ft".
func (u Unit) Symbol() string { return u.symbol }

// Code returns the unit as stored, in ASCII, e.g. "lbf.ft".
func (u Unit) Code() string { return u.ascii }

// IsZero reports whether u is no unit at all.
func (u Unit) IsZero() bool { return u.dim == NoDimension }

// MarshalText writes the unit's code; the zero Unit is empty.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.ascii), nil }

// UnmarshalText reads a unit's code, or a unit as people write it (see
// ParseUnit); an empty text gives the zero Unit.
func (u *Unit) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*u = Unit{}
		return nil
	}
	if known, ok := UnitByCode(string(text)); ok {
		*u = known
		return nil
	}
	parsed, err := ParseUnit(string(text))
	if err != nil {
		return err
	}
	*u = parsed
	return nil
}

// Units returns all units, torque first, in a fixed order.
func Units() []Unit {
	return []Unit{
		NewtonMetre, CentinewtonMetre, PoundFoot, PoundInch, OunceInch,
		KilogramForceMetre, KilogramForceCm, GramForceCm,
		Degree, Radian,
		Millimetre, Micrometre, Inch, Thou, MicroInch,
		Newton, Kilonewton, PoundForce, KilogramForce,
	}
}

// UnitByCode returns the unit with a stored code, such as "lbf.ft"; ok is
// false if there is none.
func UnitByCode(code string) (u Unit, ok bool) {
	for _, u := range Units() {
		if u.ascii == code {
			return u, true
		}
	}
	return Unit{}, false
}
