package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// ParseError says why a quantity or a unit could not be read, and what to
// write instead.
type ParseError struct {
	Text string // as written
	Why  string // what is wrong with it
	Want string // what to write instead
}

// Error returns all three in one line.
func (e *ParseError) Error() string {
	return fmt.Sprintf("read quantity %q: %s; %s", shorten(e.Text), e.Why, e.Want)
}

func shorten(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// Parse reads one quantity with its unit, as people write it: "26 ft-lb",
// "26 lbf·ft", "312 in-lb", "35.3 N·m", "35,3 Nm", "0.15 mm", ".006 in",
// "6 thou", "90°", "27 lbf". It returns the value and the unit that was
// written. Decimal point and decimal comma are both read.
//
// What could mean two things is refused with a *ParseError: a number without
// a unit, "1,234 Nm" (thousands or decimals), "26 lb" (mass, force or
// torque), "26 nm" (nanometres), "mNm", "mil", fractions, ranges, exponents
// and separators between thousands.
func Parse(s string) (Value, Unit, error) {
	digits, rest := cutNumber(lookAlikes.Replace(strings.TrimSpace(minus.Replace(s))))
	x, fault := number(digits, rest)
	if fault != nil {
		fault.Text = s
		return Value{}, Unit{}, fault
	}
	u, fault := unit(rest)
	if fault != nil {
		fault.Text = s
		return Value{}, Unit{}, fault
	}
	v := Of(x, u)
	if !v.Finite() {
		return Value{}, Unit{}, &ParseError{s, "the number is too large", "check its digits"}
	}
	return v, u, nil
}

// ParseUnit reads a unit as people write it: "ft-lb", "lbf·ft", "Nm",
// "in-lb", "thou". Errors are as for Parse.
func ParseUnit(s string) (Unit, error) {
	u, fault := unit(s)
	if fault != nil {
		fault.Text = s
		return Unit{}, fault
	}
	return u, nil
}

// ParseTorque reads a torque as Parse does and refuses any other quantity.
func ParseTorque(s string) (Torque, Unit, error) {
	v, u, err := parseAs(s, DimTorque)
	return Torque{v.base}, u, err
}

// ParseLength reads a length as Parse does and refuses any other quantity.
func ParseLength(s string) (Length, Unit, error) {
	v, u, err := parseAs(s, DimLength)
	return Length{v.base}, u, err
}

// ParseAngle reads an angle as Parse does and refuses any other quantity.
func ParseAngle(s string) (Angle, Unit, error) {
	v, u, err := parseAs(s, DimAngle)
	return Angle{v.base}, u, err
}

// ParseForce reads a force as Parse does and refuses any other quantity.
func ParseForce(s string) (Force, Unit, error) {
	v, u, err := parseAs(s, DimForce)
	return Force{v.base}, u, err
}

var examples = map[Dimension]string{
	DimTorque: "35.3 N·m or 26 lbf·ft", DimLength: "0.15 mm or .006 in",
	DimAngle: "90°", DimForce: "120 N or 27 lbf",
}

func parseAs(s string, want Dimension) (Value, Unit, error) {
	v, u, err := Parse(s)
	if err != nil {
		return Value{}, Unit{}, err
	}
	if v.dim != want {
		why := fmt.Sprintf("%s is a unit of %s, not of %s", u.symbol, v.dim, want)
		return Value{}, Unit{}, &ParseError{s, why, "write for example " + examples[want]}
	}
	return v, u, nil
}

// Resolution returns one last digit of a number as a tool sent it, in u:
// "25.40" in newton metres gives 0.01 N·m, "90" in degrees 1°. The text is
// digits with an optional sign and decimal point; anything else is an error.
func Resolution(text string, u Unit) (Value, error) {
	bad := &ParseError{text, "it is not a plain number with a decimal point", "write for example 25.40"}
	if u.IsZero() {
		return Value{}, &ParseError{text, "its unit is not known", "name the unit"}
	}
	s := strings.TrimLeft(text, "+-")
	whole, decimals, point := strings.Cut(s, ".")
	if len(text)-len(s) > 1 || !allDigits(whole+decimals) || whole+decimals == "" || (point && decimals == "") || len(s) > 40 {
		return Value{}, bad
	}
	step, err := strconv.ParseFloat("1e-"+strconv.Itoa(len(decimals)), 64)
	if err != nil {
		return Value{}, bad
	}
	return Of(step, u), nil
}

func allDigits(s string) bool { return strings.Trim(s, "0123456789") == "" }

var minus = strings.NewReplacer("−", "-", "\u00a0", " ", "\u202f", " ", "\u2009", " ")

// cutNumber splits s after the sign, digits and decimal signs it begins with.
func cutNumber(s string) (digits, rest string) {
	i := 0
	if s != "" && (s[0] == '+' || s[0] == '-') {
		i++
	}
	for i < len(s) && strings.IndexByte("0123456789.,", s[i]) >= 0 {
		i++
	}
	return s[:i], strings.TrimSpace(s[i:])
}

// Digits returns the number of a quantity that Parse reads, as it was written,
// with a decimal point: "0,150 mm" gives "0.150".
func Digits(s string) string {
	digits, _ := cutNumber(lookAlikes.Replace(strings.TrimSpace(minus.Replace(s))))
	return strings.Replace(strings.TrimPrefix(digits, "+"), ",", ".", 1)
}

// number reads digits with one decimal sign. rest is what follows and only
// serves to say what is wrong. A fault's Text is for the caller to set.
func number(digits, rest string) (float64, *ParseError) {
	body := strings.TrimLeft(digits, "+-")
	commas, points := strings.Count(body, ","), strings.Count(body, ".")
	whole, decimals, _ := strings.Cut(body, ",")
	switch {
	case strings.Trim(body, ".,") == "":
		return 0, noNumber(rest)
	case commas+points > 1:
		return 0, &ParseError{Why: "it has more than one decimal sign or separates thousands", Want: "write the number with one decimal point, such as 1234.5"}
	case strings.HasSuffix(body, ".") || strings.HasSuffix(body, ","):
		return 0, &ParseError{Why: "no digit follows the decimal sign", Want: "write it without the sign, or with the missing digits"}
	case commas == 1 && len(decimals) == 3 && len(whole) <= 3 && strings.Trim(whole, "0") != "":
		return 0, &ParseError{Why: "the comma may separate thousands or decimals",
			Want: fmt.Sprintf("write %s%s for thousands, or %s.%s", whole, decimals, whole, decimals)}
	}
	x, err := strconv.ParseFloat(strings.Replace(digits, ",", ".", 1), 64)
	if err != nil || math.IsInf(x, 0) {
		return 0, &ParseError{Why: "the number is too large", Want: "check its digits"}
	}
	return x, nil
}

func noNumber(rest string) *ParseError {
	lower := strings.ToLower(rest)
	switch {
	case strings.HasPrefix(lower, "nan"), strings.HasPrefix(lower, "inf"), strings.HasPrefix(rest, "∞"):
		return &ParseError{Why: "it is not a finite number", Want: "write the measured value"}
	case strings.ContainsAny(rest, fractions):
		return fraction()
	}
	return &ParseError{Why: "it does not begin with a number", Want: "write a number and a unit, such as 35.3 N·m"}
}

const fractions = "/½⅓⅔¼¾⅛⅜⅝⅞⁄"

func fraction() *ParseError {
	return &ParseError{Why: "fractions are not read", Want: "write decimals, such as 1.5 in"}
}

// unit reads a unit. A fault's Text is for the caller to set.
func unit(s string) (Unit, *ParseError) {
	key := unitKey(s)
	if u, ok := bySpelling(key); ok && !danglingSign(s) {
		return u, nil
	}
	if r, ok := refusals[key]; ok {
		return Unit{}, &ParseError{Why: r.why, Want: r.want}
	}
	switch {
	case key == "":
		return Unit{}, &ParseError{Why: "it has no unit", Want: "add one, such as N·m, lbf·ft, mm, in, ° or N"}
	case strings.ContainsAny(s, fractions):
		return Unit{}, fraction()
	case exponent(s):
		return Unit{}, &ParseError{Why: "exponents are not read", Want: "write all digits"}
	case strings.ContainsFunc(s, unicode.IsDigit):
		return Unit{}, &ParseError{Why: "it has more than one number", Want: "write one number and one unit, such as 35.3 N·m"}
	}
	return Unit{}, &ParseError{Why: fmt.Sprintf("%q is no unit known here", shorten(strings.TrimSpace(s))),
		Want: "write one of " + known()}
}

// danglingSign reports whether s begins or ends with a sign that joins parts.
// A full stop at the end is that of an abbreviation: "ft. lbs.".
func danglingSign(s string) bool {
	s = strings.TrimSpace(lookAlikes.Replace(s))
	return strings.TrimLeft(s, "·-.*") != s || strings.TrimRight(s, "·-*") != s
}

// exponent reports whether s begins with e and a number.
func exponent(s string) bool {
	if s == "" || (s[0] != 'e' && s[0] != 'E') {
		return false
	}
	digits := strings.TrimLeft(s[1:], "+-")
	return digits != "" && digits[0] >= '0' && digits[0] <= '9'
}

func known() string {
	var names []string
	for _, u := range Units() {
		names = append(names, u.symbol)
	}
	return strings.Join(names, ", ")
}
