package gauge

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"witnessmark/events/quantity"
)

// Around is what values at places evenly round a part show.
type Around struct {
	Least, Greatest, Mean quantity.Length
	LeastAt, GreatestAt   int             // index of the place
	Spread                quantity.Length // greatest minus least
	SD                    quantity.Length // n − 1; 0 for one
	// Tilt is how much the plane through the values rises across the diameter:
	// twice the amplitude of the first harmonic. TiltAngle is the same as an
	// angle, where the diameter is known; TiltAt is where the value is greatest.
	// Three places or more.
	Tilt      quantity.Length
	TiltAngle quantity.Angle
	TiltAt    quantity.Angle
}

// FindAround looks at values at places evenly round a part. diameter is that
// of the circle of the places; 0: not known.
func FindAround(values []quantity.Length, diameter quantity.Length) Around {
	if len(values) == 0 {
		return Around{}
	}
	xs := make([]float64, len(values))
	a := Around{Least: values[0], Greatest: values[0]}
	var c, s float64
	for i, v := range values {
		xs[i] = v.Millimetres()
		if xs[i] < a.Least.Millimetres() {
			a.Least, a.LeastAt = v, i
		}
		if xs[i] > a.Greatest.Millimetres() {
			a.Greatest, a.GreatestAt = v, i
		}
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(len(values)))
		c, s = c+float64(2*xs[i]*cos)/float64(len(xs)), s+float64(2*xs[i]*sin)/float64(len(xs))
	}
	a.Mean = quantity.Millimetres(stat.Mean(xs, nil))
	a.Spread = quantity.Millimetres(a.Greatest.Millimetres() - a.Least.Millimetres())
	if len(xs) > 1 {
		a.SD = quantity.Millimetres(stat.StdDev(xs, nil))
	}
	if len(xs) >= 3 {
		amp := math.Hypot(c, s)
		a.Tilt, a.TiltAt = quantity.Millimetres(2*amp), quantity.Degrees(math.Mod(math.Atan2(s, c)*180/math.Pi+360, 360))
		if d := diameter.Millimetres(); d > 0 {
			a.TiltAngle = quantity.Radians(math.Atan(2 * amp / d))
		}
	}
	return a
}

// Levered is the displacement that a lever indicator's reading stands for:
// reading × cos of the angle between its stylus and the surface. Source:
// geometry of the lever; tables in the trade print the same factor.
func Levered(reading quantity.Length, stylus quantity.Angle) quantity.Length {
	return quantity.Millimetres(reading.Millimetres() * math.Cos(stylus.Radians()))
}

// The angle of a lever indicator's stylus. Common practice, no source: it is
// kept below about 15°, by eye; so how well it is known is some degrees.
const (
	SteepLever    = 30.0 // degrees: the correction is above 13 % and no longer sure
	SteepestLever = 60.0 // degrees: half of the reading or less is left; not taken
	leverKnown    = 5.0  // degrees, half width: how well an eye sets an angle
	squareKnown   = 3.0  // degrees, half width: how square a plunger is set
)

// AtRadius is a backlash as it would show at another radius: an indicator at
// arm that shows v stands for v·radius/arm. Zero radius or arm: v.
func AtRadius(v, arm, radius quantity.Length) quantity.Length {
	if arm.Millimetres() <= 0 || radius.Millimetres() <= 0 {
		return v
	}
	return quantity.Millimetres(v.Millimetres() * radius.Millimetres() / arm.Millimetres())
}

// AtArm is the torque of a force at right angles to an arm.
func AtArm(f quantity.Force, arm quantity.Length) quantity.Torque {
	return quantity.NewtonMetres(f.Newtons() * arm.Millimetres() / 1000)
}
