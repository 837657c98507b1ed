package fastening

import (
	"fmt"
	"math"

	"witnessmark/events/quantity"
)

// Adapter is a crowfoot or an extension that moves the fastener out of the
// wrench's drive axis.
type Adapter struct {
	Wrench quantity.Length // from the drive square's axis to the middle of the grip, where the hand pulls
	Length quantity.Length // from the drive square's axis to the fastener's
	// Angle between the wrench's line, away from the handle, and the adapter:
	// 0° in line, 90° at a right angle, 180° back towards the handle.
	Angle quantity.Angle
}

// AdapterForm and AdapterSource say what is computed.
const (
	AdapterForm   = "setting = T·L/(L + A·cos α)"
	AdapterSource = "US Army TM 9-254, ch. 4, and TM 1-1500-204-23-9, ch. 8"
)

// Effective returns the effective length L + A·cos α.
func (a Adapter) Effective() (quantity.Length, error) {
	l, x := a.Wrench.Millimetres(), a.Length.Millimetres()
	switch {
	case !(l > 0) || math.IsInf(l, 0):
		return quantity.Length{}, fmt.Errorf("the wrench's length is not above zero: measure from the drive square to the middle of the grip")
	case !(x >= 0) || math.IsInf(x, 0):
		return quantity.Length{}, fmt.Errorf("the adapter's length is below zero: measure from the drive square to the fastener; one that points back has an angle of 180°")
	case math.IsNaN(a.Angle.Degrees()) || math.Abs(a.Angle.Degrees()) > 360:
		return quantity.Length{}, fmt.Errorf("the angle is out of range: 0° is in line, 90° at a right angle, 180° pointing back at the handle")
	}
	e := l + x*cosine(a.Angle)
	if !(e > 0.1*l) {
		return quantity.Length{}, fmt.Errorf("the adapter reaches back so far that hardly any lever is left (%.3g mm of %.3g mm): use a shorter one, or turn it", e, l)
	}
	return quantity.Millimetres(e), nil
}

// cosine is exact at the angles that a wrench is used at most.
func cosine(a quantity.Angle) float64 {
	switch math.Mod(math.Abs(a.Degrees()), 360) {
	case 0:
		return 1
	case 90, 270:
		return 0
	case 180:
		return -1
	}
	return math.Cos(a.Radians())
}

// Setting returns what to set the wrench to, so that the fastener gets torque.
func (a Adapter) Setting(torque quantity.Torque) (quantity.Torque, error) {
	e, err := a.Effective()
	if err == nil {
		err = positive(torque.NewtonMetres(), "the torque")
	}
	if err != nil {
		return quantity.Torque{}, err
	}
	return quantity.NewtonMetres(torque.NewtonMetres() * a.Wrench.Millimetres() / e.Millimetres()), nil
}

// AtFastener returns what the fastener gets when the wrench shows a setting.
func (a Adapter) AtFastener(setting quantity.Torque) (quantity.Torque, error) {
	e, err := a.Effective()
	if err == nil {
		err = positive(setting.NewtonMetres(), "the torque")
	}
	if err != nil {
		return quantity.Torque{}, err
	}
	return quantity.NewtonMetres(setting.NewtonMetres() * e.Millimetres() / a.Wrench.Millimetres()), nil
}
