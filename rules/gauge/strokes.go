package gauge

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Play is what pushing and pulling, or rocking, between two stops shows. All
// in the unit of the values that it was made of.
type Play struct {
	Mean     float64   // of Strokes
	SD       float64   // of Strokes, n − 1; 0 for one
	Strokes  []float64 // from stop to stop, each above zero
	Rejected int       // values at rest that were no stop: it stuck on the way, or stopped short
}

// playShare is by how much of the play a stop may differ from where the stops
// on its side mostly lie; our own choice.
const playShare = 0.15

// FindPlay makes strokes of values at rest, in the order in which they came.
//
// A value between its neighbours is where the part stuck and then slipped on
// in the same direction: it is no stop. A stop that lies off the others on its
// side, by more than playShare of the play and four steps, was not reached, or
// something else moved: it is left out too, with the strokes that it belongs
// to. The rule is our own.
func FindPlay(values []float64, step float64) Play {
	turns := turningPoints(values, 2*step)
	p := Play{Rejected: len(values) - len(turns)}
	if len(turns) < 2 {
		return p
	}
	up := turns[0] > turns[1]
	var sides [2][]float64 // the stops of even and odd index
	for i, v := range turns {
		sides[i%2] = append(sides[i%2], v)
	}
	mids := [2]float64{middle(sides[0]), middle(sides[1])}
	play := mids[0] - mids[1]
	if !up {
		play = -play
	}
	off := max(4*step, playShare*play)
	good := func(i int) bool { return math.Abs(turns[i]-mids[i%2]) <= off }
	for i := range turns {
		if !good(i) {
			p.Rejected++
		} else if i > 0 && good(i-1) {
			p.Strokes = append(p.Strokes, math.Abs(turns[i]-turns[i-1]))
		}
	}
	if len(p.Strokes) > 0 {
		p.Mean = stat.Mean(p.Strokes, nil)
	}
	if len(p.Strokes) > 1 {
		p.SD = stat.StdDev(p.Strokes, nil)
	}
	return p
}

// turningPoints leaves out values that lie between their neighbours, and such
// as do not differ from the one before by more than same.
func turningPoints(values []float64, same float64) []float64 {
	var out []float64
	for _, v := range values {
		n := len(out)
		switch {
		case n > 0 && math.Abs(v-out[n-1]) <= same:
			continue
		case n > 1 && (out[n-1]-out[n-2])*(v-out[n-1]) > 0:
			out[n-1] = v // it went on the same way
		default:
			out = append(out, v)
		}
	}
	return out
}

// middle is the median; of an even number the mean of the two in the middle.
func middle(xs []float64) float64 {
	s := slices.Clone(xs)
	slices.Sort(s)
	n := len(s)
	if n == 0 {
		return 0
	}
	return (s[(n-1)/2] + s[n/2]) / 2
}

// enough reports whether a play has been pushed and pulled so many times.
func (p Play) enough(cycles int) bool { return len(p.Strokes) >= 2*cycles-1 }
