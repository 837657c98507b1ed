package quantity

// PreferredUnits says in which units a shop likes to see quantities. It never
// changes what is stored; the unit that a tool sent is always kept. A zero
// field means the base unit: N·m, mm, ° or N.
type PreferredUnits struct {
	Torque, Length, Angle, Force Unit
}

// For returns the unit for a dimension, and the zero Unit for none.
func (p PreferredUnits) For(d Dimension) Unit {
	switch d {
	case DimTorque:
		return either(p.Torque, NewtonMetre)
	case DimLength:
		return either(p.Length, Millimetre)
	case DimAngle:
		return either(p.Angle, Degree)
	case DimForce:
		return either(p.Force, Newton)
	}
	return Unit{}
}

// either returns u if it measures what base does, else base.
func either(u, base Unit) Unit {
	if u.dim == base.dim {
		return u
	}
	return base
}
