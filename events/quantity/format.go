package quantity

import (
	"math"
	"strconv"
	"strings"
)

// Format writes v in u with its symbol: "35.3 N·m", "90°". With decimals of 0
// to 12 it writes exactly so many. With decimals below 0 it writes a sensible
// number: four significant digits, but three where the fourth is finer than
// the unit is read in the trade, without trailing zeros.
//
// If u measures another dimension, v is written in its base unit, so that a
// wrong unit never shows a wrong figure. The zero Value gives "–".
// Parse reads back what Format writes of a finite value.
func Format(v Value, u Unit, decimals int) string {
	if v.IsZero() {
		return "–"
	}
	if u.dim != v.dim {
		u = PreferredUnits{}.For(v.dim)
	}
	gap := " "
	if u == Degree {
		gap = ""
	}
	return FormatNumber(v, u, decimals) + gap + u.symbol
}

// FormatNumber writes v in u as Format does, without the unit. v and u must
// be of one dimension; otherwise it gives "NaN".
func FormatNumber(v Value, u Unit, decimals int) string {
	x := v.In(u)
	if decimals < 0 {
		return sensible(x, u)
	}
	return fixed(x, min(decimals, 12))
}

// fixed is strconv's form without a negative zero.
func fixed(x float64, decimals int) string {
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}

// finest is how many decimals are of use in the trade; our own choice, two
// beyond what common tools resolve for torque, one for lengths.
var finest = map[Unit]int{
	NewtonMetre: 3, CentinewtonMetre: 1, PoundFoot: 3, PoundInch: 2, OunceInch: 1,
	KilogramForceMetre: 4, KilogramForceCm: 2, GramForceCm: 0,
	Degree: 1, Radian: 4,
	Millimetre: 4, Micrometre: 1, Inch: 5, Thou: 2, MicroInch: 0,
	Newton: 1, Kilonewton: 3, PoundForce: 1, KilogramForce: 2,
}

func sensible(x float64, u Unit) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return fixed(x, 0)
	}
	lead := int(math.Floor(math.Log10(math.Abs(x)))) // power of ten of the first digit
	decimals := max(0, min(3-lead, max(finest[u], 2-lead)))
	s := fixed(x, min(decimals, 12))
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}
