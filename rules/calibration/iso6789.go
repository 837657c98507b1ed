// Package calibration judges torque tools and indicators against a reference:
// test points and limits, relative deviation, uncertainty budget, and the
// decision rule that joins them to a verdict.
//
// Deviations are in %, torques in quantity.Torque, lengths in quantity.Length.
// The rules of ISO 6789 are from memory where the comment says so; check them
// against the standard and the maker's instructions before a tool is released
// on them. No accreditation is claimed.
package calibration

import (
	"fmt"
	"strings"

	"witnessmark/events/quantity"
)

// A Class is the type and class of a hand torque tool by ISO 6789-1:2017,
// clause 4 and annexes A and B (from memory): type 1 indicates, type 2 is set.
type Class struct {
	Type   int
	Letter byte
}

// classes says what each is, in the words of the standard's list.
var classes = []struct {
	Class
	what string
}{
	{Class{1, 'A'}, "indicating wrench, torsion or flexion bar"},
	{Class{1, 'B'}, "indicating wrench, rigid housing, scale, dial or display"},
	{Class{1, 'C'}, "indicating wrench, rigid housing, electronic"},
	{Class{1, 'D'}, "indicating screwdriver, scale, dial or display"},
	{Class{1, 'E'}, "indicating screwdriver, electronic"},
	{Class{2, 'A'}, "setting wrench, adjustable, graduated or with display"},
	{Class{2, 'B'}, "setting wrench, fixed adjustment"},
	{Class{2, 'C'}, "setting wrench, adjustable, not graduated"},
	{Class{2, 'D'}, "setting screwdriver, adjustable, graduated or with display"},
	{Class{2, 'E'}, "setting screwdriver, fixed adjustment"},
	{Class{2, 'F'}, "setting screwdriver, adjustable, not graduated"},
	{Class{2, 'G'}, "setting wrench, flexion bar, adjustable, graduated"},
}

// ParseClass reads "I C", "IC", "1C", "II A", "2a".
func ParseClass(s string) (Class, error) {
	key := strings.ToUpper(strings.NewReplacer(" ", "", "-", "", "TYPE", "", "CLASS", "").Replace(strings.ToUpper(s)))
	for _, c := range classes {
		roman := strings.Repeat("I", c.Type) + string(c.Letter)
		if key == roman || key == fmt.Sprintf("%d%c", c.Type, c.Letter) {
			return c.Class, nil
		}
	}
	return Class{}, fmt.Errorf("tool type and class %q: want I A to I E (indicating) or II A to II G (setting), by ISO 6789-1", s)
}

// String writes "type I class C".
func (c Class) String() string {
	return fmt.Sprintf("type %s class %c", strings.Repeat("I", c.Type), c.Letter)
}

// What says in words what kind of tool it is.
func (c Class) What() string {
	for _, k := range classes {
		if k.Class == c {
			return k.what
		}
	}
	return "no class of ISO 6789-1"
}

// Setting tools release or click at a set torque; the others show it.
func (c Class) Setting() bool { return c.Type == 2 }

// fixed tools are tried at their set values, ten times; the others over
// their range, five times.
func (c Class) fixed() bool {
	return c.Setting() && strings.IndexByte("BCEF", c.Letter) >= 0
}

// MaxDeviation is the maximum permissible relative deviation in %: 6 up to
// 10 N·m and for bending bars and screwdrivers of the coarser classes, else 4.
// Source: ISO 6789-1:2017, 5.1.5 (from memory; the split of 4 % and 6 % was
// seen in print).
func (c Class) MaxDeviation(capacity quantity.Torque) float64 {
	fine := c.Type == 1 && strings.IndexByte("BCE", c.Letter) >= 0 || c.Type == 2 && strings.IndexByte("ABC", c.Letter) >= 0
	if fine && capacity.NewtonMetres() > 10 {
		return 4
	}
	return 6
}

// Readings is how many are taken at each point in each direction: 5, or 10
// for setting tools that are fixed or not graduated. Source: ISO 6789-1:2017,
// 6.5 (from memory).
func (c Class) Readings() int {
	if c.fixed() {
		return 10
	}
	return 5
}

// Preloads is how often the tool is loaded to its maximum before the readings,
// in each direction: 1 for indicating tools, whose display is then set to
// zero, 5 for setting tools. Source: ISO 6789-1:2017, 6.5 (from memory; printed
// summaries agree).
func (c Class) Preloads() int {
	if c.Setting() {
		return 5
	}
	return 1
}

// Points are the test points: the lowest value of the range, 60 % and 100 % of
// the maximum; of a tool that is fixed or not graduated, only most, its set
// value. Source: ISO 6789-1:2017, 6.5 (from memory). The 2003 edition asked for
// 20 % of the maximum instead of the lowest value.
func (c Class) Points(least, most quantity.Torque) []quantity.Torque {
	if c.fixed() {
		return []quantity.Torque{most}
	}
	points := []quantity.Torque{least}
	if sixty := 0.6 * most.NewtonMetres(); sixty > least.NewtonMetres() {
		points = append(points, quantity.NewtonMetres(sixty))
	}
	return append(points, most)
}

// Deviation is the relative deviation 100·(Xa − Xr)/Xr in %: Xa is indicated by
// or set on the tool, Xr is what the reference says. The reference stands below
// the line: 100 against 96 is +4.17 %, not 4. Source: ISO 6789-1:2017, 7.1.
func Deviation(tool, reference quantity.Torque) float64 {
	xa, xr := tool.NewtonMetres(), reference.NewtonMetres()
	return 100 * (xa - xr) / xr
}

// LeastRatio is the wanted ratio of the maximum permissible deviation to the
// expanded uncertainty of the reference. Source: ISO 6789-2:2017, 4.3 (from
// memory).
const LeastRatio = 4
