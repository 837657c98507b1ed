package gauge

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"witnessmark/events/quantity"
)

// Dragged is what turning a bearing or a gear train shows.
type Dragged struct {
	Mean   quantity.Torque
	SD     quantity.Torque // of the torque while it turned
	Peak   quantity.Torque // that it took to start, which is left out
	Over   quantity.Angle  // what it was averaged over; 0: the angle is not known
	Turned bool            // it was a whole turn at least
}

// ErrDrag says that a trace holds no running torque.
var ErrDrag = errors.New("the trace holds no running torque: turn slowly and evenly for more than a turn, without stopping")

// FindDrag averages the torque of a trace while it turned. torque and angle,
// which may be empty, are sample by sample.
//
// The start is left out: where the angle is known the first eighth of a turn,
// and beyond it until the torque has come down from its first peak. The end,
// where the pull dies away, is left out from where the torque last leaves the
// running torque. If more than a turn is left, the last whole turn counts: a
// bearing drags unevenly round the turn. Read while turning, not at the start:
// common practice of the manuals; how much is left out is our own choice.
func FindDrag(torque []float64, angle []float64) (Dragged, error) {
	if len(angle) > 0 && len(angle) != len(torque) {
		return Dragged{}, fmt.Errorf("%d torques and %d angles: %w", len(torque), len(angle), ErrDrag)
	}
	if len(torque) < 10 {
		return Dragged{}, ErrDrag
	}
	run := middle(torque[len(torque)/3 : 2*len(torque)/3])
	if !(run > 0) {
		return Dragged{}, ErrDrag
	}
	from, to := startOver(torque, angle, run), endBefore(torque, run)
	if to-from < 5 {
		return Dragged{}, ErrDrag
	}
	d := Dragged{Peak: quantity.NewtonMetres(slices.Max(torque[:from+1]))}
	if len(angle) > 0 {
		over := math.Abs(angle[to-1] - angle[from])
		if over >= 360 {
			d.Turned = true
			for over := 360.0; from < to && math.Abs(angle[to-1]-angle[from+1]) >= over; from++ {
			}
		}
		d.Over = quantity.Degrees(math.Abs(angle[to-1] - angle[from]))
	}
	d.average(torque[from:to], angle, from)
	return d, nil
}

// average takes the mean over the angle where it is known, else over samples.
func (d *Dragged) average(torque, angle []float64, from int) {
	var sum, weight float64
	w := func(i int) float64 {
		if len(angle) == 0 || i == 0 {
			return 1
		}
		return math.Abs(angle[from+i] - angle[from+i-1])
	}
	for i, t := range torque {
		if i == 0 && len(angle) > 0 {
			continue
		}
		sum, weight = sum+float64(t*w(i)), weight+w(i)
	}
	mean := sum / max(weight, math.SmallestNonzeroFloat64)
	if weight == 0 {
		mean = middle(torque)
	}
	ss := 0.0
	for _, t := range torque {
		ss += float64((t - mean) * (t - mean))
	}
	d.Mean, d.SD = quantity.NewtonMetres(mean), quantity.NewtonMetres(math.Sqrt(ss/float64(len(torque)-1)))
}

// startOver is the first sample after the start.
func startOver(torque, angle []float64, run float64) int {
	peak := 0
	for i := range len(torque) / 3 {
		if torque[i] > torque[peak] {
			peak = i
		}
	}
	i := peak
	for i+1 < len(torque) && torque[i] > 1.1*run {
		i++
	}
	if len(angle) > 0 {
		for i+1 < len(torque) && math.Abs(angle[i]-angle[0]) < 45 {
			i++
		}
		return i
	}
	return max(i, len(torque)/8)
}

// endBefore is one more than the last sample at about the running torque.
func endBefore(torque []float64, run float64) int {
	i := len(torque)
	for i > 0 && torque[i-1] < run/2 {
		i--
	}
	return i
}
