package quantity

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// names gives the reference table's names of units in the way they are parsed.
var names = map[string]string{"inch": "inch", "thou (mil)": "thou", "microinch": "microinch"}

// digits is how many significant digits a factor is printed with.
func digits(s string) int {
	return len(strings.TrimLeft(strings.Replace(s, ".", "", 1), "0"))
}

// Every row of the reference table of unit factors, each of which names its
// source: definitions (lb, g_n, ft, in), the NAVFAC design manual's appendix
// B, NIST SP 811 appendix B.8 from memory.
func TestFactorsAgainstReferenceTable(t *testing.T) {
	f, err := os.Open("../../../shared/reference/units.csv")
	if err != nil {
		t.Skipf("SKIPPED: no shared reference data (units.csv): %v", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 23 {
		t.Fatalf("the table has %d rows, want at least 23", len(rows))
	}
	for _, row := range rows[1:] {
		id, from, to, factor, exact := row[0], row[1], row[2], row[3], row[4]
		t.Run(id, func(t *testing.T) {
			one, unit := unitNamed(t, from), unitNamed(t, to)
			want, err := strconv.ParseFloat(factor, 64)
			if err != nil {
				t.Fatal(err)
			}
			tolerance := 4e-16 * want // two roundings of a float64
			if !strings.HasPrefix(exact, "yes") {
				// Half a unit in the last printed place.
				lead := math.Floor(math.Log10(want))
				tolerance = math.Max(tolerance, 0.5*math.Pow(10, lead-float64(digits(factor))+1))
			}
			got := Of(1, one).In(unit)
			if d := math.Abs(got - want); !(d <= tolerance) {
				t.Errorf("1 %s = %.17g %s, want %s (off by %g, %s)", from, got, to, factor, d, row[6])
			}
		})
	}
}

func unitNamed(t *testing.T, name string) Unit {
	t.Helper()
	if other, ok := names[name]; ok {
		name = other
	}
	u, err := ParseUnit(name)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// The named constructors and the units must agree.
func TestConstructorsAgreeWithUnits(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want Value
	}{
		{"lbf·ft", PoundFeet(26).Value(), Of(26, PoundFoot)},
		{"lbf·in", PoundInches(312).Value(), Of(312, PoundInch)},
		{"in", Inches(0.006).Value(), Of(0.006, Inch)},
		{"lbf", PoundsForce(27).Value(), Of(27, PoundForce)},
		{"N·m", NewtonMetres(35).Value(), Of(35, NewtonMetre)},
		{"mm", Millimetres(1).Value(), Of(1, Millimetre)},
		{"°", Degrees(90).Value(), Of(90, Degree)},
		{"N", Newtons(5).Value(), Of(5, Newton)},
	} {
		if c.got != c.want {
			t.Errorf("%s: %v and %v", c.name, c.got, c.want)
		}
	}
	if got := Radians(math.Pi).Degrees(); math.Abs(got-180) > 1e-12 {
		t.Errorf("π rad = %v°", got)
	}
	if got := PoundFeet(26).PoundFeet(); math.Abs(got-26) > 1e-14 {
		t.Errorf("26 lbf·ft comes back as %v", got)
	}
	if got := Degrees(180).Radians(); got != math.Pi {
		t.Errorf("180° = %v rad", got)
	}
}
