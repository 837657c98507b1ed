// Package fastening computes what a torque does to a screw thread: preload
// from torque and back, tensile stress area, share of proof load, and the
// setting of a wrench with an adapter. It is pure arithmetic on published
// formulas; each is named where it is used.
//
// The figures are an aid to judgement. The unit maker's torque and local codes
// come first: friction alone lets the preload of one torque vary by a quarter
// to a third either way.
package fastening

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"witnessmark/events/quantity"
)

// Caution belongs under every computed preload or torque.
const Caution = "The unit maker's figure, local codes and licensed practice come first. This is a computation: friction alone lets the preload of one torque vary by ±25 to ±35 %."

// Thread is a screw thread of the ISO metric or the unified inch series. Its
// zero value is none.
type Thread struct {
	d, p float64 // mm: major diameter, pitch
	inch bool
	name string
}

var (
	metricText = regexp.MustCompile(`^M\s*(\d+(?:\.\d+)?)(?:\s*[x×*]\s*(\d+(?:\.\d+)?))?(?:\s*-?\s*\d[a-zA-Z](?:\d[a-zA-Z])?)?$`)
	inchText   = regexp.MustCompile(`^(#?\d+|\d+\s*/\s*\d+|\d+[ -]\d+\s*/\s*\d+|\d*\.\d+)\s*(?:in(?:ch)?|")?(?:\s*[-–]\s*(\d+))?\s*(UNC|UNF|UNEF|UN|UNRC|UNRF|UNS)?(?:\s*-?\s*\d[AaBb])?$`)
)

// ParseThread reads a thread as drawings name it: "M10x1.5", "M10" (coarse),
// "3/8-16", "3/8-16 UNC", "1/2 UNF", "10-32". Other forms, such as pipe or
// left-hand threads, give an error that says what to write.
func ParseThread(s string) (Thread, error) {
	text := strings.ReplaceAll(strings.TrimSpace(s), ",", ".")
	if m := metricText.FindStringSubmatch(text); m != nil {
		return metric(s, m[1], m[2])
	}
	if m := inchText.FindStringSubmatch(text); m != nil {
		return unified(s, m[1], m[2], m[3])
	}
	return Thread{}, fmt.Errorf("read thread %q: it is neither a metric nor a unified thread; write for example M10x1.5, M10, 3/8-16 UNC or 10-32", s)
}

func metric(s, dia, pitch string) (Thread, error) {
	d, _ := strconv.ParseFloat(dia, 64)
	p := coarse[d]
	if pitch != "" {
		p, _ = strconv.ParseFloat(pitch, 64)
	} else if p == 0 {
		return Thread{}, fmt.Errorf("read thread %q: its coarse pitch is not in the table; write the pitch too, such as M%sx1.5", s, dia)
	}
	return checked(s, Thread{d: d, p: p, name: fmt.Sprintf("M%gx%g", d, p)})
}

func unified(s, dia, perInch, series string) (Thread, error) {
	d, err := inches(dia)
	if err != nil {
		return Thread{}, fmt.Errorf("read thread %q: %v; write for example 3/8-16 UNC or 10-32", s, err)
	}
	n, _ := strconv.Atoi(perInch)
	if n == 0 {
		i := map[string]int{"UNC": 0, "UNRC": 0, "UNF": 1, "UNRF": 1}
		k, known := i[series]
		if n = perInchOf[d][k]; !known || n == 0 {
			return Thread{}, fmt.Errorf("read thread %q: the threads per inch are missing; write for example 3/8-16", s)
		}
	}
	name := fmt.Sprintf("%s-%d", strings.ReplaceAll(dia, " ", ""), n)
	switch t := perInchOf[d]; n {
	case t[0]:
		name += " UNC"
	case t[1]:
		name += " UNF"
	}
	return checked(s, Thread{d: d * 25.4, p: 25.4 / float64(n), inch: true, name: name})
}

// inches reads "3/8", "1-1/8", ".5" and the numbered sizes: number n is
// 0.060 in + n × 0.013 in (ASME B1.1, from memory).
func inches(s string) (float64, error) {
	whole := 0.0
	if i := strings.IndexAny(s, " -"); i > 0 && strings.Contains(s, "/") && i < strings.Index(s, "/") && strings.Trim(s[:i], "0123456789") == "" && strings.TrimSpace(s[i+1:]) != "" && s[i+1] != '/' {
		whole, _ = strconv.ParseFloat(s[:i], 64)
		s = s[i+1:]
	}
	if num, den, ok := strings.Cut(strings.ReplaceAll(s, " ", ""), "/"); ok {
		a, _ := strconv.ParseFloat(num, 64)
		b, _ := strconv.ParseFloat(den, 64)
		if b == 0 {
			return 0, fmt.Errorf("its diameter is no fraction")
		}
		return whole + a/b, nil
	}
	if strings.Contains(s, ".") {
		return strconv.ParseFloat(s, 64)
	}
	n, _ := strconv.Atoi(strings.TrimPrefix(s, "#"))
	if n == 1 && !strings.HasPrefix(s, "#") {
		return 1, nil // the one-inch thread; number 1 is written #1
	}
	if n > 12 {
		return 0, fmt.Errorf("there is no numbered size %d", n)
	}
	return 0.060 + 0.013*float64(n), nil
}

func checked(s string, t Thread) (Thread, error) {
	if !(t.d > 0 && t.p > 0 && t.d <= 200 && t.p < t.d/2) {
		return Thread{}, fmt.Errorf("read thread %q: diameter %.4g mm and pitch %.4g mm do not go together; check the figures", s, t.d, t.p)
	}
	return t, nil
}

// coarse holds coarse pitches in mm by diameter in mm (ISO 261; M5 to M24 are
// checked against a published table, the rest is from memory).
var coarse = map[float64]float64{
	3: 0.5, 4: 0.7, 5: 0.8, 6: 1, 7: 1, 8: 1.25, 10: 1.5, 12: 1.75, 14: 2, 16: 2,
	18: 2.5, 20: 2.5, 22: 2.5, 24: 3, 27: 3, 30: 3.5, 33: 3.5, 36: 4, 39: 4,
}

// perInchOf holds threads per inch, coarse and fine, by diameter in inches
// (ASME B1.1; 1/4 to 3/4 are checked against a published table, the rest is
// from memory).
var perInchOf = map[float64][2]int{
	0.25: {20, 28}, 0.3125: {18, 24}, 0.375: {16, 24}, 0.4375: {14, 20}, 0.5: {13, 20},
	0.5625: {12, 18}, 0.625: {11, 18}, 0.75: {10, 16}, 0.875: {9, 14}, 1: {8, 12},
}

// IsZero reports whether t is no thread.
func (t Thread) IsZero() bool { return t.d == 0 }

// IsInch reports whether t is of the unified inch series.
func (t Thread) IsInch() bool { return t.inch }

// String returns the thread's name: "M10x1.5", "3/8-16 UNC".
func (t Thread) String() string { return t.name }

// Diameter returns the major diameter d.
func (t Thread) Diameter() quantity.Length { return quantity.Millimetres(t.d) }

// Pitch returns the pitch P.
func (t Thread) Pitch() quantity.Length { return quantity.Millimetres(t.p) }

// height is H, of the fundamental triangle: P·√3/2 (ISO 68-1).
func (t Thread) height() float64 { return t.p * math.Sqrt(3) / 2 }

// PitchDiameter returns d2 = d − 3H/4 = d − 0.649519 P (ISO 724).
func (t Thread) PitchDiameter() quantity.Length {
	return quantity.Millimetres(t.d - 0.75*t.height())
}

// MinorDiameter returns d3, of the external thread's root: d − 17H/12 =
// d − 1.226869 P (ISO 898-1); for an inch thread d − 3H/2 = d − 1.299038 P
// (ASME B1.1).
func (t Thread) MinorDiameter() quantity.Length {
	if t.inch {
		return quantity.Millimetres(t.d - 1.5*t.height())
	}
	return quantity.Millimetres(t.d - 17*t.height()/12)
}

// InternalMinorDiameter returns D1 = d − 5H/4 = d − 1.082532 P (ISO 724).
func (t Thread) InternalMinorDiameter() quantity.Length {
	return quantity.Millimetres(t.d - 1.25*t.height())
}

// StressArea returns the nominal stress area. Metric: As = π/4·((d2+d3)/2)²
// (ISO 898-1). Inch: As = π/4·(d − 0.9743/n)², n threads per inch (ASME B1.1).
func (t Thread) StressArea() quantity.Area {
	d := (t.PitchDiameter().Millimetres() + t.MinorDiameter().Millimetres()) / 2
	if t.inch {
		d = t.d - 0.9743*t.p
	}
	return quantity.SquareMillimetres(math.Pi / 4 * d * d)
}

// StressAreaFormula says how StressArea is computed.
func (t Thread) StressAreaFormula() (formula, source string) {
	if t.inch {
		return "As = π/4·(d − 0.9743/n)²", "ASME B1.1, as printed in Shigley, Mechanical Engineering Design, 9th ed., Table 8-2"
	}
	return "As = π/4·((d2 + d3)/2)², d2 = d − 0.649519·P, d3 = d − 1.226869·P", "ISO 898-1, ISO 724"
}
