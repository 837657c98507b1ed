package calibration

import (
	"math"

	"witnessmark/events/quantity"
)

// leastOff is how many readings of each side must tell that tool and reference
// are exchanged: where a register has a step wrong, the reference's stand on
// it by chance once in a thousand times, for steps of ten to one. Our choice.
const leastOff = 3

// Exchanged reports whether the readings that are entered as the tool's look
// like the reference's, and the other way round: the tool's stand between its
// own steps, which its display cannot show, while all of the reference's stand
// on them. toolStep and referenceStep are their resolutions; of two with like
// steps nobody can tell, since an exchange only turns the sign of the
// deviation, and the answer is false. A reference's reading that is the target
// itself tells nothing: it may have been pulled to that. Readings in a unit in
// which the step is no round number stand on it on neither side: false as well.
func Exchanged(pairs []Pair, toolStep, referenceStep quantity.Torque) bool {
	step := toolStep.NewtonMetres()
	if !(step > 0) || referenceStep.NewtonMetres() > step/2 {
		return false
	}
	off, on := 0, 0
	for _, p := range pairs {
		r := p.Reference.NewtonMetres()
		switch {
		case !onSteps(r, step):
			return false
		case math.Abs(r-p.Target.NewtonMetres()) > step/2:
			on++
		}
		if !onSteps(p.Tool.NewtonMetres(), step) {
			off++
		}
	}
	return off >= leastOff && on >= leastOff
}

// onSteps reports whether v is a whole number of steps, but for what its
// conversion rounds.
func onSteps(v, step float64) bool {
	n := v / step
	return math.Abs(n-math.Round(n)) <= 1e-6*max(1, math.Abs(n))
}
