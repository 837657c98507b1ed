package fastening

import (
	"fmt"
	"strings"

	"witnessmark/events/quantity"
)

// Strength is the strength class or grade of a fastener. Its zero value is
// none.
type Strength struct {
	name string
	rows []strengthRow
	std  string
	bas  string
}

type strengthRow struct {
	upTo                  float64 // greatest diameter, mm
	proof, yield, tensile quantity.Stress
}

func mpa(upTo, proof, yield, tensile float64) strengthRow {
	return strengthRow{upTo, quantity.Megapascals(proof), quantity.Megapascals(yield), quantity.Megapascals(tensile)}
}

func ksi(upToInches, proof, yield, tensile float64) strengthRow {
	return strengthRow{upToInches * 25.4, quantity.KilopoundsPerSquareInch(proof), quantity.KilopoundsPerSquareInch(yield), quantity.KilopoundsPerSquareInch(tensile)}
}

// strengths holds the published minima. Basis "found": seen in retrieved text
// and checked in a test; "memory": known from the standard, text not retrieved.
var strengths = []Strength{
	{"4.6", []strengthRow{mpa(39, 225, 240, 400)}, "ISO 898-1", "memory"},
	{"4.8", []strengthRow{mpa(39, 310, 340, 420)}, "ISO 898-1", "memory"},
	{"5.6", []strengthRow{mpa(39, 280, 300, 500)}, "ISO 898-1", "memory"},
	{"5.8", []strengthRow{mpa(39, 380, 420, 520)}, "ISO 898-1", "memory"},
	{"6.8", []strengthRow{mpa(39, 440, 480, 600)}, "ISO 898-1", "memory"},
	{"8.8", []strengthRow{mpa(16, 580, 640, 800), mpa(39, 600, 660, 830)}, "ISO 898-1", "found"},
	{"9.8", []strengthRow{mpa(16, 650, 720, 900)}, "ISO 898-1", "memory"},
	{"10.9", []strengthRow{mpa(39, 830, 940, 1040)}, "ISO 898-1", "found"},
	{"12.9", []strengthRow{mpa(39, 970, 1100, 1220)}, "ISO 898-1", "found"},
	{"SAE 2", []strengthRow{ksi(0.75, 55, 57, 74), ksi(1.5, 33, 36, 60)}, "SAE J429", "found"},
	{"SAE 5", []strengthRow{ksi(1, 85, 92, 120), ksi(1.5, 74, 81, 105)}, "SAE J429", "found"},
	{"SAE 8", []strengthRow{ksi(1.5, 120, 130, 150)}, "SAE J429", "found"},
}

// Strengths returns the names of the classes and grades in the table.
func Strengths() []string {
	var all []string
	for _, s := range strengths {
		all = append(all, s.name)
	}
	return all
}

// ParseStrength reads a class or grade: "8.8", "class 10.9", "SAE 8",
// "grade 5".
func ParseStrength(s string) (Strength, error) {
	w := strings.ToLower(strings.TrimSpace(strings.ReplaceAll(s, ",", ".")))
	for _, prefix := range []string{"sae", "j429", "iso 898-1", "iso", "property", "class", "grade", "gr.", "gr", "-"} {
		w = strings.TrimSpace(strings.TrimPrefix(w, prefix))
	}
	for _, c := range strengths {
		if w == strings.TrimPrefix(strings.ToLower(c.name), "sae ") {
			return c, nil
		}
	}
	return Strength{}, fmt.Errorf("read strength class %q: it is not in the table; use one of %s", s, strings.Join(Strengths(), ", "))
}

// IsZero reports whether s is no class.
func (s Strength) IsZero() bool { return s.name == "" }

// String returns the class: "10.9", "SAE 8".
func (s Strength) String() string { return s.name }

// Source names the standard, and says where the figures are from memory.
func (s Strength) Source() string {
	if s.bas == "memory" {
		return s.std + " (from memory, text not retrieved)"
	}
	return s.std
}

// Minima returns the minimum proof stress, yield and tensile strength for a
// thread. ok is false where the standard has no figure for its size.
func (s Strength) Minima(t Thread) (proof, yield, tensile quantity.Stress, ok bool) {
	for _, r := range s.rows {
		if t.d <= r.upTo*(1+1e-9) {
			return r.proof, r.yield, r.tensile, true
		}
	}
	return quantity.Stress{}, quantity.Stress{}, quantity.Stress{}, false
}

// ProofLoad returns the proof load of a thread in a class: stress area times
// proof stress (ISO 898-1; SAE J429).
func ProofLoad(t Thread, s Strength) (quantity.Force, error) {
	proof, _, _, ok := s.Minima(t)
	if !ok {
		return quantity.Force{}, fmt.Errorf("proof load of %s in class %s: the standard has no figure for this size", t, s)
	}
	return proof.Over(t.StressArea()), nil
}
