package quantity

import "strings"

// Area is an area, held in square millimetres.
type Area struct{ mm2 float64 }

// SquareMillimetres returns v mm².
func SquareMillimetres(v float64) Area { return Area{v} }

// SquareInches returns v in²; 1 in² = 645.16 mm² exactly.
func SquareInches(v float64) Area { return Area{v * 645.16} }

// SquareMillimetres returns the area in mm².
func (a Area) SquareMillimetres() float64 { return a.mm2 }

// SquareInches returns the area in in².
func (a Area) SquareInches() float64 { return a.mm2 / 645.16 }

// Stress is a force per area, held in megapascals (1 MPa = 1 N/mm²).
type Stress struct{ mpa float64 }

// psi is 1 lbf/in² in MPa: 4.4482216152605 N over 645.16 mm².
const psi = 4.4482216152605 / 645.16

// Megapascals returns v MPa.
func Megapascals(v float64) Stress { return Stress{v} }

// KilopoundsPerSquareInch returns v ksi, thousands of lbf/in².
func KilopoundsPerSquareInch(v float64) Stress { return Stress{v * 1000 * psi} }

// Megapascals returns the stress in MPa.
func (s Stress) Megapascals() float64 { return s.mpa }

// KilopoundsPerSquareInch returns the stress in ksi.
func (s Stress) KilopoundsPerSquareInch() float64 { return s.mpa / (1000 * psi) }

// Over returns the force of the stress over an area.
func (s Stress) Over(a Area) Force { return Force{s.mpa * a.mm2} }

// Stiffness is a force per length, held in newtons per millimetre. Its zero
// value means "none".
type Stiffness struct{ nPerMM float64 }

// NewtonsPerMillimetre returns v N/mm.
func NewtonsPerMillimetre(v float64) Stiffness { return Stiffness{v} }

// NewtonsPerMillimetre returns the stiffness in N/mm.
func (k Stiffness) NewtonsPerMillimetre() float64 { return k.nPerMM }

// IsZero reports whether no stiffness is stated.
func (k Stiffness) IsZero() bool { return k.nPerMM == 0 }

// ParseStiffness reads a force with its unit, a slash, and a unit of length:
// "120 kN/mm", "40 N/µm", "650 lbf/thou". Errors are as for Parse.
func ParseStiffness(s string) (Stiffness, error) {
	force, length, ok := strings.Cut(s, "/")
	if !ok {
		return Stiffness{}, &ParseError{s, "it is no stiffness", `write a force over a length, such as "120 kN/mm"`}
	}
	f, _, err := parseAs(strings.TrimSpace(force), DimForce)
	if err != nil {
		return Stiffness{}, err
	}
	u, err := ParseUnit(strings.TrimSpace(length))
	if err != nil {
		return Stiffness{}, err
	}
	if u.dim != DimLength {
		return Stiffness{}, &ParseError{s, "what stands behind the slash is no unit of length", `write for example "120 kN/mm"`}
	}
	return Stiffness{f.base / u.factor}, nil
}
