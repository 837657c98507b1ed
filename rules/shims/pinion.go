package shims

import (
	"math"

	"witnessmark/events/quantity"
)

// PinionForm and PinionSource say what PinionChange computes.
const (
	PinionForm   = "change of the shim pack = (new mark − old mark) × unit of the marks"
	PinionSource = "US Army TM 5-3895-369-14, Table 5-4"
)

// PinionChange returns by how much the shim pack behind a drive pinion grows
// when a pinion is exchanged for one with another depth mark. unit is what one
// step of the marks means, such as 0.001 in or 0.01 mm. Makers differ in the
// sign; this is the one of PinionSource. Errors wrap ErrTask.
func PinionChange(oldMark, newMark int, unit quantity.Length) (quantity.Length, error) {
	if !(unit.Millimetres() > 0 && unit.Millimetres() < 1) {
		return quantity.Length{}, wrong("the unit of the marks is %s: want a small length above zero, such as 0.001 in", quantity.Format(unit.Value(), quantity.Millimetre, -1))
	}
	if oldMark < -100 || oldMark > 100 || newMark < -100 || newMark > 100 {
		return quantity.Length{}, wrong("pinion marks %d and %d are out of reason: want −100 to 100", oldMark, newMark)
	}
	return quantity.Millimetres(math.Round(float64(newMark-oldMark)*unit.Millimetres()*1e6) / 1e6), nil
}
