package quantity

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// Wanted figures by hand, from the factors in the package comment.
func TestParseReadsWhatPeopleWrite(t *testing.T) {
	for _, c := range []struct {
		text string
		want float64
		unit Unit
	}{
		{"26 ft-lb", 26, PoundFoot},
		{"26 lbf·ft", 26, PoundFoot},
		{"26 lb-ft", 26, PoundFoot},
		{"26 ft·lb", 26, PoundFoot},
		{"26 ft lbs", 26, PoundFoot},
		{"26 ft. lbs.", 26, PoundFoot},
		{"26ftlb", 26, PoundFoot},
		{"26 FT-LBS", 26, PoundFoot},
		{"26 foot-pounds", 26, PoundFoot},
		{"26 pound-feet", 26, PoundFoot},
		{"26 lbf.ft", 26, PoundFoot},
		{"26 lbf*ft", 26, PoundFoot},
		{"312 in-lb", 312, PoundInch},
		{"312 lbf·in", 312, PoundInch},
		{"312 in. lb.", 312, PoundInch},
		{"40 oz-in", 40, OunceInch},
		{"35.3 N·m", 35.3, NewtonMetre},
		{"35,3 Nm", 35.3, NewtonMetre},
		{"35.3 N-m", 35.3, NewtonMetre},
		{"35.3 N m", 35.3, NewtonMetre},
		{"35.3 N⋅m", 35.3, NewtonMetre},
		{"35.3\u00a0N\u202fm", 35.3, NewtonMetre},
		{"35.3 newton metres", 35.3, NewtonMetre},
		{"+35.3 Nm", 35.3, NewtonMetre},
		{"−12 Nm", -12, NewtonMetre},
		{"1234,567 Nm", 1234.567, NewtonMetre}, // four digits cannot come before a thousands comma
		{"1.234 Nm", 1.234, NewtonMetre},       // a point is a decimal point
		{"12,34 Nm", 12.34, NewtonMetre},
		{"1,2345 Nm", 1.2345, NewtonMetre},
		{"250 cN·m", 250, CentinewtonMetre},
		{"3.6 kgf·m", 3.6, KilogramForceMetre},
		{"36 kg-cm", 36, KilogramForceCm},
		{"500 gf·cm", 500, GramForceCm},
		{"0.15 mm", 0.15, Millimetre},
		{"0,150 mm", 0.15, Millimetre}, // nought cannot come before a thousands comma
		{".006 in", 0.006, Inch},
		{",006 in", 0.006, Inch},
		{`0.006"`, 0.006, Inch},
		{"0.006 inches", 0.006, Inch},
		{"6 thou", 6, Thou},
		{"6thou", 6, Thou},
		{"15 µm", 15, Micrometre},      // micro sign
		{"15 \u03bcm", 15, Micrometre}, // Greek mu
		{"15 um", 15, Micrometre},
		{"15 microns", 15, Micrometre},
		{"50 µin", 50, MicroInch},
		{"90°", 90, Degree},
		{"90 º", 90, Degree},
		{"90 deg", 90, Degree},
		{"1.5 rad", 1.5, Radian},
		{"120 N", 120, Newton},
		{"1.2 kN", 1.2, Kilonewton},
		{"27 lbf", 27, PoundForce},
		{"12 kgf", 12, KilogramForce},
		{"  7 Nm \t", 7, NewtonMetre},
	} {
		t.Run(c.text, func(t *testing.T) {
			v, u, err := Parse(c.text)
			if err != nil {
				t.Fatal(err)
			}
			if u != c.unit || v != Of(c.want, c.unit) {
				t.Errorf("got %v %s, want %v %s", v.In(c.unit), u.Symbol(), c.want, c.unit.Symbol())
			}
		})
	}
}

func TestParseRefusesWhatIsAmbiguous(t *testing.T) {
	for _, c := range []struct{ name, text, why, want string }{
		{"thousands or decimals", "1,234 Nm", "comma may separate thousands or decimals", "1234 for thousands, or 1.234"},
		{"thousands or decimals, three digits before", "312,000 in-lb", "comma may", "312000"},
		{"two signs", "1,234.5 Nm", "more than one decimal sign", "1234.5"},
		{"two signs, the other way", "1.234,5 Nm", "more than one decimal sign", "1234.5"},
		{"two points", "1.2.3 Nm", "more than one", "1234.5"},
		{"thousands by space", "1 234 Nm", "more than one number", "one number"},
		{"bare number", "26", "no unit", "add one"},
		{"bare unit", "Nm", "does not begin with a number", "35.3 N·m"},
		{"nothing", "", "does not begin with a number", "write a number"},
		{"only a point", ". Nm", "does not begin with a number", "write a number"},
		{"no digit after the point", "26. Nm", "no digit follows", "missing digits"},
		{"pound", "26 lb", "mass", "lbf·ft"},
		{"pounds", "26 lbs.", "mass", "lbf·ft"},
		{"nanometre or newton metre", "26 nm", "nanometre", "N·m"},
		{"nano", "26 n-m", "nano", "N·m"},
		{"milli or mega", "26 mNm", "thousandth", "cN·m"},
		{"mega or milli", "26 MNm", "million", "N·m"},
		{"energy", "26 J", "energy", "N·m"},
		{"mil", "6 mil", "millimetre to others", "thou"},
		{"knot", "2 kn", "knot", "kN"},
		{"foot mark", "6'", "foot", "write in"},
		{"mass", "12 kg", "mass", "kgf"},
		{"trailing number", "26 ft-lb 3", "more than one number", "one number"},
		{"range", "24-28 ft-lb", "more than one number", "one number"},
		{"tolerance", "26 ± 2 Nm", "more than one number", "one number"},
		{"product", "2 × 10 Nm", "more than one number", "one number"},
		{"mixed fraction", "1 1/2 in", "fractions", "1.5 in"},
		{"fraction", "1/2 in", "fractions", "1.5 in"},
		{"fraction sign", "½ in", "fractions", "1.5 in"},
		{"mixed fraction sign", "1½ in", "fractions", "1.5 in"},
		{"exponent", "1e3 Nm", "exponents", "all digits"},
		{"hexadecimal", "0x1A Nm", "more than one number", "one number"},
		{"not a number", "NaN Nm", "not a finite number", "measured"},
		{"infinite", "inf Nm", "not a finite number", "measured"},
		{"minus infinite", "-Infinity Nm", "not a finite number", "measured"},
		{"too large", strings.Repeat("9", 400) + " Nm", "too large", "digits"},
		{"two signs before", "--5 Nm", "does not begin with a number", "write a number"},
		{"unknown", "5 furlong", "no unit known", "N·m, "},
		{"two units", "5 Nm Nm", "no unit known", "N·m, "},
		{"sign before the unit", "5 -ft-lb", "no unit known", "lbf·ft"},
		{"words after", "26 ft-lb dry", "no unit known", "lbf·ft"},
		{"megametre", "5 Mm", "megametre", "mm"},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, _, err := Parse(c.text)
			var pe *ParseError
			if !errors.As(err, &pe) {
				t.Fatalf("Parse(%q) = %v, %v; want a ParseError", c.text, v, err)
			}
			if pe.Text != c.text || !strings.Contains(pe.Why, c.why) || !strings.Contains(pe.Want, c.want) {
				t.Errorf("Parse(%q): %v; want why %q and want %q", c.text, err, c.why, c.want)
			}
		})
	}
}

func TestParseOneDimension(t *testing.T) {
	if v, u, err := ParseTorque("26 ft-lb"); err != nil || v != PoundFeet(26) || u != PoundFoot {
		t.Errorf("torque: got %v %v %v", v, u, err)
	}
	if v, u, err := ParseLength("6 thou"); err != nil || math.Abs(v.Millimetres()-0.1524) > 1e-15 || u != Thou {
		t.Errorf("length: got %v %v %v", v, u, err)
	}
	if v, u, err := ParseAngle("90°"); err != nil || v != Degrees(90) || u != Degree {
		t.Errorf("angle: got %v %v %v", v, u, err)
	}
	if v, u, err := ParseForce("27 lbf"); err != nil || v != PoundsForce(27) || u != PoundForce {
		t.Errorf("force: got %v %v %v", v, u, err)
	}
	for text, parse := range map[string]func(string) error{
		"27 lbf": func(s string) error { _, _, err := ParseTorque(s); return err },
		"26 Nm":  func(s string) error { _, _, err := ParseForce(s); return err },
		"5 mm":   func(s string) error { _, _, err := ParseAngle(s); return err },
		"90°":    func(s string) error { _, _, err := ParseLength(s); return err },
		"26 lb":  func(s string) error { _, _, err := ParseTorque(s); return err },
	} {
		if err := parse(text); err == nil || !strings.Contains(err.Error(), "write") {
			t.Errorf("%s as another dimension: got error %v, want one that says what to write", text, err)
		}
	}
}

func TestEveryUnitReadsItsOwnSymbolAndCode(t *testing.T) {
	for _, u := range Units() {
		for _, s := range []string{u.Symbol(), u.Code()} {
			if got, err := ParseUnit(s); err != nil || got != u {
				t.Errorf("ParseUnit(%q) = %v, %v", s, got, err)
			}
		}
		var back Unit
		text, _ := u.MarshalText()
		if err := back.UnmarshalText(text); err != nil || back != u {
			t.Errorf("unit %s does not come back from its text: %v %v", u.Symbol(), back, err)
		}
	}
	var u Unit
	if err := u.UnmarshalText(nil); err != nil || !u.IsZero() {
		t.Errorf("empty text: got %v %v", u, err)
	}
	if err := u.UnmarshalText([]byte("furlong")); err == nil {
		t.Error("an unknown unit was read")
	}
}

// No spelling may stand for two units.
func TestSpellingsAreDisjoint(t *testing.T) {
	seen := map[string]Unit{}
	for _, sp := range spellings {
		for _, s := range append(append([]string{}, sp.words...), sp.exact...) {
			if other, ok := seen[s]; ok && other != sp.unit {
				t.Errorf("%q spells %s and %s", s, other.Symbol(), sp.unit.Symbol())
			}
			seen[s] = sp.unit
			if _, ok := refusals[s]; ok {
				t.Errorf("%q is both read and refused", s)
			}
		}
	}
	for key := range refusals {
		if u, ok := bySpelling(key); ok {
			t.Errorf("%q is refused, but reads as %s", key, u.Symbol())
		}
	}
}

func TestResolution(t *testing.T) {
	for _, c := range []struct {
		text string
		unit Unit
		want Value
	}{
		{"25.40", NewtonMetre, NewtonMetres(0.01).Value()},
		{"25.4", NewtonMetre, NewtonMetres(0.1).Value()},
		{"+90", Degree, Degrees(1).Value()},
		{"-0.00005", Inch, Inches(0.00001).Value()},
		{".006", Inch, Inches(0.001).Value()},
	} {
		got, err := Resolution(c.text, c.unit)
		if err != nil || got != c.want {
			t.Errorf("Resolution(%q, %s) = %v, %v; want %v", c.text, c.unit.Symbol(), got, err, c.want)
		}
	}
	for _, bad := range []string{"", "+", ".", "25.", "25,40", "1e3", "25.40 ", "++1", "NaN", strings.Repeat("1", 50)} {
		if got, err := Resolution(bad, NewtonMetre); err == nil {
			t.Errorf("Resolution(%q) = %v, want an error", bad, got)
		}
	}
	if _, err := Resolution("1", Unit{}); err == nil {
		t.Error("a resolution without a unit was given")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"26 ft-lb", "35,3 Nm", ".006 in", "1,234 Nm", "90°", "−0 µm", "1½ in", "9e9 kN", "\xff N", "0.000001 lbf·ft"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, u, err := Parse(s)
		if err != nil {
			if !v.IsZero() || !u.IsZero() || err.Error() == "" {
				t.Fatalf("Parse(%q) gives a value and an error", s)
			}
			return
		}
		if !v.Finite() || u.Dimension() != v.Dimension() {
			t.Fatalf("Parse(%q) = %v %v", s, v, u)
		}
		x := math.Abs(v.In(u))
		if x > 1e12 {
			return // beyond what a float holds to the last decimal written
		}
		for _, decimals := range []int{-1, 0, 3, 12} {
			text := Format(v, u, decimals)
			back, unit, err := Parse(text)
			if err != nil || unit != u {
				t.Fatalf("Parse(Format(%q, %d) = %q): %v %v", s, decimals, text, unit, err)
			}
			tolerance := x * 6e-3 // three significant digits
			if decimals >= 0 {
				tolerance = 0.5*math.Pow10(-decimals) + x*1e-14
			} else if x < 1e-9 {
				tolerance = 1e-9
			}
			if d := math.Abs(back.In(u) - v.In(u)); !(d <= tolerance) {
				t.Fatalf("%q written as %q is off by %g", s, text, d)
			}
		}
	})
}

func TestDigitsAreThoseThatWereWritten(t *testing.T) {
	for in, want := range map[string]string{
		"0,150 mm": "0.150", ".006 in": ".006", "+6 thou": "6", "−0.02 mm": "-0.02", " 35.30 N·m ": "35.30",
	} {
		if got := Digits(in); got != want {
			t.Errorf("Digits(%q) = %q, want %q", in, got, want)
		}
	}
}
