package quantity

import (
	"slices"
	"strings"
)

// A spelling is how people write a unit. Words are matched without regard to
// case, exact forms letter by letter, because there case carries meaning:
// "mN·m" is not "MN·m" and "nm" is a nanometre.
type spelling struct {
	unit  Unit
	words []string // parts joined by "·"
	exact []string
}

// Both orders of a torque unit mean the same: "ft-lb" and "lb-ft".
var spellings = []spelling{
	{NewtonMetre, []string{"newton·metre", "newton·metres", "newton·meter", "newton·meters", "newtonmetre", "newtonmetres", "newtonmeter", "newtonmeters"},
		[]string{"N·m", "Nm", "NM", "N·M", "m·N"}},
	{CentinewtonMetre, nil, []string{"cN·m", "cNm"}},
	{PoundFoot, join([]string{"lb", "lbs", "lbf", "pound", "pounds"}, []string{"ft", "foot", "feet"}), nil},
	{PoundInch, join([]string{"lb", "lbs", "lbf", "pound", "pounds"}, []string{"in", "inch", "inches"}), nil},
	{OunceInch, join([]string{"oz", "ozf", "ounce", "ounces"}, []string{"in", "inch", "inches"}), nil},
	{KilogramForceMetre, nil, []string{"kgf·m", "kgfm", "m·kgf", "kg·m", "kgm", "m·kg", "KGF·M", "KG·M", "KGM"}},
	{KilogramForceCm, nil, []string{"kgf·cm", "kgfcm", "cm·kgf", "kg·cm", "kgcm", "cm·kg", "KGF·CM", "KG·CM", "KGCM"}},
	{GramForceCm, nil, []string{"gf·cm", "gfcm", "cm·gf"}},

	{Degree, []string{"deg", "degs", "degree", "degrees"}, []string{"°"}},
	{Radian, []string{"rad", "rads", "radian", "radians"}, nil},

	{Millimetre, []string{"millimetre", "millimetres", "millimeter", "millimeters"}, []string{"mm", "MM"}},
	{Micrometre, []string{"micron", "microns", "micrometre", "micrometres", "micrometer", "micrometers"}, []string{"µm", "um"}},
	{Inch, []string{"in", "inch", "inches"}, []string{`"`}},
	{Thou, []string{"thou", "thous"}, nil},
	{MicroInch, []string{"microinch", "microinches", "micro·inch", "micro·inches"}, []string{"µin", "uin"}},

	{Newton, []string{"newton", "newtons"}, []string{"N"}},
	{Kilonewton, []string{"kilonewton", "kilonewtons"}, []string{"kN", "KN"}},
	{PoundForce, []string{"lbf", "lbsf", "pound·force", "pounds·force"}, nil},
	{KilogramForce, []string{"kgf"}, nil},
}

// join writes each force with each arm, in both orders, with and without a
// sign between them.
func join(forces, arms []string) []string {
	var all []string
	for _, f := range forces {
		for _, a := range arms {
			all = append(all, f+"·"+a, a+"·"+f, f+a, a+f)
		}
	}
	return all
}

// bySpelling returns the unit that s, in the form that unitKey gives, spells.
func bySpelling(key string) (Unit, bool) {
	lower := strings.ToLower(key)
	for _, sp := range spellings {
		if slices.Contains(sp.exact, key) || slices.Contains(sp.words, lower) {
			return sp.unit, true
		}
	}
	return Unit{}, false
}

// unitKey brings a unit as written into one form: parts joined by "·", one
// sign for each of the look-alikes.
func unitKey(s string) string {
	s = lookAlikes.Replace(s)
	parts := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(" \t·-.*", r) })
	return strings.Join(parts, "·")
}

var lookAlikes = strings.NewReplacer(
	"⋅", "·", "•", "·", "∙", "·", "×", "·", "‐", "-", "‑", "-", "–", "-",
	"μ", "µ", "º", "°", "˚", "°", "″", `"`, "”", `"`, "''", `"`,
	"\u00a0", " ", "\u202f", " ", "\u2009", " ",
)

// A refusal says why a spelling is not read, and what to write instead.
type refusal struct{ why, want string }

var (
	bareNanometre = refusal{"nm is a nanometre", "for newton metres write N·m or Nm"}
	milliOrMega   = refusal{"mN·m (thousandth) and MN·m (million) differ only in the case of one letter", "write it in N·m or cN·m"}
	barePound     = refusal{"a pound is a mass, and says neither force nor torque", "for a torque write lbf·ft or lbf·in, for a force lbf"}
	bareMil       = refusal{"a mil is a thousandth of an inch to some and a millimetre to others", "write thou or mm"}
)

// refusals are spellings that mean two things, or something that is not what
// it looks like. Keys as unitKey gives them, matched letter by letter.
var refusals = map[string]refusal{
	"nm":     bareNanometre,
	"n·m":    {"a small n is nano", "for newton metres write N·m or Nm"},
	"N·mm":   {"N·mm is not kept as a unit here", "write it in N·m or cN·m"},
	"Nmm":    {"N·mm is not kept as a unit here", "write it in N·m or cN·m"},
	"mNm":    milliOrMega,
	"mN·m":   milliOrMega,
	"MNm":    milliOrMega,
	"MN·m":   milliOrMega,
	"MNM":    milliOrMega,
	"mnm":    milliOrMega,
	"Mm":     {"Mm is a megametre", "for millimetres write mm"},
	"mM":     {"mM is no length", "for millimetres write mm"},
	"J":      {"a joule is an energy, not a torque", "write N·m"},
	"mil":    bareMil,
	"mils":   bareMil,
	"kn":     {"kn is a knot", "for kilonewtons write kN"},
	"n":      {"a small n is nano", "for newtons write N"},
	"'":      {"' is a foot to some and a minute of arc to others", "write in, mm or °"},
	"m":      {"a length in metres has no place here", "write mm"},
	"cm":     {"a length in centimetres has no place here", "write mm"},
	"kg":     {"a kilogram is a mass", "for a force write kgf or N, for a torque kgf·m or N·m"},
	"g":      {"a gram is a mass", "for a force write N, for a torque gf·cm or N·m"},
	"oz":     {"an ounce is a mass", "for a torque write ozf·in"},
	"#":      {"# is no unit", "for a force write lbf, for a torque lbf·ft"},
	"lb":     barePound,
	"lbs":    barePound,
	"LB":     barePound,
	"LBS":    barePound,
	"Lb":     barePound,
	"Lbs":    barePound,
	"pound":  barePound,
	"pounds": barePound,
	"Pound":  barePound,
	"Pounds": barePound,
}
