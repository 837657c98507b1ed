package fastening

import (
	"fmt"
	"math"
	"strings"

	"witnessmark/events/quantity"
)

// Condition is the state of thread and bearing face, with the nut factor that
// goes with it.
type Condition struct {
	Name    string  // "oiled"
	K       float64 // nominal nut factor, dimensionless
	Scatter float64 // of the preload at one torque, as a share either way: 0.25 is ±25 %
	Source  string  // of both
	words   []string
}

const (
	shigley = "nut factor: Shigley, Mechanical Engineering Design, 9th ed., Table 8-15"
	nasa    = "scatter: NASA table of preload accuracy, after NASA-STD-5020"
)

// conditions in the order in which a text is searched for their words.
var conditions = []Condition{
	{"cadmium-plated", 0.16, 0.30, shigley + " (cadmium-plated), " + nasa + " (cadmium-plated)", []string{"cadmium"}},
	{"paste", 0.13, 0.25, "nut factor: common practice, no source, " + nasa + " (lubricated)", []string{"moly", "anti-seize", "antiseize", "anti seize", "paste", "mos2", "copper grease"}},
	{"thread locker", 0.20, 0.35, "nut factor: common practice, no source (wet adhesive on plain steel), " + nasa + " (unlubricated)", []string{"locker", "locking", "adhesive", "sealant", "sealer", "threadlock"}},
	{"waxed", 0.16, 0.25, "nut factor: common practice, no source, " + nasa + " (lubricated)", []string{"wax", "ptfe"}},
	{"oiled", 0.18, 0.25, shigley + " (lubricated), " + nasa + " (lubricated)", []string{"oil", "lubricated", "greas"}},
	{"zinc-plated", 0.20, 0.35, shigley + " (zinc-plated), " + nasa + " (unlubricated)", []string{"zinc", "galvan", "plated"}},
	{"dry", 0.30, 0.35, shigley + " (nonplated, black finish), " + nasa + " (unlubricated)", []string{"dry", "black", "plain", "clean", "degreased", "unlubricated"}},
}

// Conditions returns all that are in the table.
func Conditions() []Condition { return append([]Condition(nil), conditions...) }

// ConditionOf finds the condition that a text names: "oiled", "thread locker
// on a dry bolt". ok is false where no word is known.
func ConditionOf(text string) (c Condition, ok bool) {
	w := strings.ToLower(text)
	for _, no := range []string{"unlubricated", "not oiled", "no oil", "degreased", "oil-free", "oil free", "unplated", "nonplated", "non-plated"} {
		if strings.Contains(w, no) {
			return conditions[len(conditions)-1], true
		}
	}
	for _, c := range conditions {
		for _, word := range c.words {
			if strings.Contains(w, word) {
				return c, true
			}
		}
	}
	return Condition{}, false
}

// Range returns the nut factors that give the ends of the preload band
// F·(1 ± Scatter): K/(1 + Scatter) and K/(1 − Scatter).
func (c Condition) Range() (least, most float64) {
	return c.K / (1 + c.Scatter), c.K / (1 - c.Scatter)
}

// Friction is the coefficients of friction in the thread and under the head,
// dimensionless.
type Friction struct{ Thread, Head float64 }

func (f Friction) check() error {
	if !(f.Thread >= 0 && f.Head >= 0 && f.Thread+f.Head > 0 && f.Thread <= 1 && f.Head <= 1) {
		return fmt.Errorf("friction %g in the thread, %g under the head: each wants a share from 0 to 1, such as 0.12", f.Thread, f.Head)
	}
	return nil
}

// MeanBearingDiameter returns (outer + hole)/2, the friction diameter of the
// bearing face (ISO 16047).
func MeanBearingDiameter(outer, hole quantity.Length) quantity.Length {
	return quantity.Millimetres((outer.Millimetres() + hole.Millimetres()) / 2)
}

// hexagon holds, by thread diameter in mm, the least washer-face diameter of
// a hexagon head (ISO 4014, grade A) and the medium clearance hole (ISO 273),
// in mm. From memory; the torques of VDI 2230 confirm M8 to M24.
var hexagon = map[float64][2]float64{
	5: {6.88, 5.5}, 6: {8.88, 6.6}, 8: {11.63, 9}, 10: {14.63, 11}, 12: {16.63, 13.5},
	14: {19.64, 15.5}, 16: {22.49, 17.5}, 20: {28.19, 22}, 24: {33.61, 26},
}

// HexagonBearing returns the mean bearing diameter under a hexagon head of the
// usual size. Where the size is not in the table it is 1.25 d, the figure
// behind the 0.625 in Shigley's eq. 8-26; known is then false.
func HexagonBearing(t Thread) (mean quantity.Length, known bool) {
	if h, ok := hexagon[t.d]; ok && !t.inch {
		return MeanBearingDiameter(quantity.Millimetres(h[0]), quantity.Millimetres(h[1])), true
	}
	return quantity.Millimetres(1.25 * t.d), false
}

// cos30 is the cosine of half the thread angle of 60°.
var cos30 = math.Sqrt(3) / 2

// NutFactorByFriction returns K = dm/(2d)·(tan λ + f/cos 30°)/(1 − f·tan λ/cos 30°)
// + 0.625·fc, with dm the mean of major and minor diameter and tan λ =
// P/(π·dm). Source: Shigley, Mechanical Engineering Design, 9th ed., eq. 8-26.
func NutFactorByFriction(t Thread, f Friction) (float64, error) {
	if err := f.check(); err != nil {
		return 0, err
	}
	dm := (t.d + t.MinorDiameter().Millimetres()) / 2
	lambda := t.p / (math.Pi * dm)
	mu := f.Thread / cos30
	return dm/(2*t.d)*(lambda+mu)/(1-mu*lambda) + 0.625*f.Head, nil
}
