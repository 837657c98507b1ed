package profile

import (
	"math"
	"strconv"
)

// number is a decimal number, exact: mant × 10^-dec.
type number struct {
	mant int64
	dec  int // 0 to maxDecimals
}

const (
	maxDecimals = 18
	maxMantissa = 999_999_999_999_999_999 // eighteen digits
)

// readDecimal reads digits with an optional sign and, if sign is not 0, at
// most one decimal sign, which must be sign. It reads nothing else: no NaN,
// no exponents, no blanks. reason is "" if it could.
func readDecimal(b []byte, sign byte) (n number, negative bool, reason string) {
	if len(b) > 0 && (b[0] == '+' || b[0] == '-') {
		negative = b[0] == '-'
		b = b[1:]
	}
	point, digits := false, 0
	for _, c := range b {
		switch {
		case '0' <= c && c <= '9':
			if n.mant > maxMantissa/10 {
				return number{}, false, ReasonRange
			}
			n.mant = n.mant*10 + int64(c-'0')
			digits++
			if point {
				n.dec++
			}
		case c == sign && sign != 0 && !point && digits > 0:
			point = true
		default:
			return number{}, false, ReasonNumber
		}
	}
	if digits == 0 || (point && n.dec == 0) {
		return number{}, false, ReasonNumber
	}
	if n.dec > maxDecimals {
		return number{}, false, ReasonRange
	}
	return n, negative, ""
}

// times multiplies exactly; ok is false if the product has too many digits.
func (n number) times(s number) (number, bool) {
	if s.mant == 0 || n.mant == 0 {
		return number{0, min(n.dec+s.dec, maxDecimals)}, true
	}
	p := number{n.mant * s.mant, n.dec + s.dec}
	if abs(n.mant) > maxMantissa/abs(s.mant) || p.dec > maxDecimals {
		return number{}, false
	}
	return p, true
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}

// text writes n with all its decimals.
func (n number) text() string {
	var buf [24]byte
	b := strconv.AppendInt(buf[:0], abs(n.mant), 10)
	for len(b) <= n.dec {
		b = append(b, 0)
		copy(b[1:], b)
		b[0] = '0'
	}
	if n.dec > 0 {
		at := len(b) - n.dec
		b = append(b, 0)
		copy(b[at+1:], b[at:])
		b[at] = '.'
	}
	if n.mant < 0 {
		return "-" + string(b)
	}
	return string(b)
}

// float returns the binary number nearest to n.
func (n number) float() float64 {
	// Both are exact below 2^53 and up to 10^18, so that one division rounds
	// once; beyond, strconv takes its time.
	if abs(n.mant) < 1<<53 {
		return float64(n.mant) / powersOfTen[n.dec]
	}
	f, _ := strconv.ParseFloat(n.text(), 64) // eighteen digits are always in range
	return f
}

var powersOfTen = func() (p [maxDecimals + 1]float64) {
	for i := range p {
		p[i] = math.Pow10(i)
	}
	return p
}()

// round returns the whole number nearest to n, halves away from zero.
func (n number) round() int64 {
	div := int64(1)
	for range n.dec {
		div *= 10
	}
	q, rest := n.mant/div, n.mant%div
	if 2*abs(rest) >= div {
		if n.mant < 0 {
			return q - 1
		}
		return q + 1
	}
	return q
}
