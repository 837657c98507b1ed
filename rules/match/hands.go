package match

import (
	"math"
	"slices"
)

// Hands fits how far out the waits of first pulls go towards less, and their peaks
// towards more, given as to FromTorque, in passes that the same hands pull: how wide in each
// pass by itself; of what shape in all of them together, each job brought to the usual
// spread. The shape is the hands' more than the joint's, and one pass has too few values
// to tell it.
func Hands(ks []*Known, pace, peak []Values) {
	days := map[int32]*day{}
	for i, k := range ks {
		k.Pace.addDays(days, pace[i])
		k.Peak.addDays(days, peak[i])
	}
	var low, high [][]float64
	for i := range ks {
		low, high = append(low, oneSide(pace[i], -1, days)), append(high, oneSide(peak[i], 1, days))
	}
	lows, lowDF := heavyTails(low)
	highs, highDF := heavyTails(high)
	for i, k := range ks {
		k.Pace.Tail2, k.Pace.DF = lows[i], lowDF
		k.Peak.Tail2, k.Peak.DF = highs[i], highDF
	}
}

// day adds up the squares of n values of a job, each over the usual variance.
type day struct{ sum, n float64 }

// times is how many times the usual the variance of the job was.
func (d *day) times() float64 {
	if d == nil {
		return 1
	}
	return (dayBeside + d.sum) / (dayBeside + d.n)
}

// dayBeside is how many values the usual variance is worth beside those of a job, while it
// is weighed (Params.DayWorth) as when it teaches: assumed. dayFar is how many standard
// deviations a value may be off at most, to tell of the spread of its day: our choice.
const (
	dayBeside = 12
	dayFar    = 3
)

// addDays adds values to those of their jobs.
func (t *Moments) addDays(days map[int32]*day, v Values) {
	if len(v.Job) != len(v.X) || !(t.Var > 0) {
		return
	}
	var squares []float64
	sum := 0.0
	for _, x := range v.X {
		d := min(math.Abs(positiveLog(x)/math.Sqrt(t.Var)), dayFar)
		squares = append(squares, float64(d*d))
		sum += float64(d * d)
	}
	if sum == 0 { // a tool that shows no spread
		return
	}
	for i, at := range v.Job {
		d := days[at]
		if d == nil {
			d = &day{}
			days[at] = d
		}
		d.sum += squares[i] * float64(len(squares)) / sum
		d.n++
	}
}

// oneSide are the logarithms of values on one side of nought, each brought to the usual
// spread from that of its job.
func oneSide(v Values, sign float64, days map[int32]*day) (ys []float64) {
	for i, x := range v.X {
		y := positiveLog(x)
		if !(sign*y > 0) {
			continue
		}
		if i < len(v.Job) {
			y /= math.Sqrt(days[v.Job[i]].times())
		}
		ys = append(ys, y)
	}
	return ys
}

// tailGrid are the degrees of freedom that are tried; fitted is how often a fit is
// made better, and leastTail the least standard deviation that is believed. Our choice.
var tailGrid = [...]float64{2.2, 3, 4, 5.5, 8, 12, 20, 50}

const (
	fitted    = 8
	leastTail = 1e-4
)

// heavyTails fits Student's t around zero to lists of values, by expectation and maximisation
// (Lange, Little and Taylor, JASA 84, 1989; from memory): the square of the scale of each,
// and their common degrees of freedom as the harmonic mean of those of tailGrid, each counted
// by how likely it makes the values of all.
func heavyTails(lists [][]float64) (scale2 []float64, df float64) {
	var fits [len(tailGrid)]float64
	scales := make([][len(tailGrid)]float64, len(lists))
	none := true
	for k, ys := range lists {
		none = none && len(ys) == 0
		for i, nu := range tailGrid {
			var fit float64
			scales[k][i], fit = heavyTail(ys, nu)
			fits[i] += fit
		}
	}
	scale2 = make([]float64, len(lists))
	if none {
		for k := range scale2 {
			scale2[k] = leastTail * leastTail
		}
		return scale2, tailGrid[0]
	}
	top := slices.Max(fits[:])
	var all, inverse float64
	for i, nu := range tailGrid {
		w := math.Exp(fits[i] - top)
		all += w
		inverse += w / nu
		for k := range scale2 {
			scale2[k] += float64(w * scales[k][i])
		}
	}
	for k := range scale2 {
		scale2[k] /= all
	}
	return scale2, all / inverse
}

// heavyTail fits the square of the scale for so many degrees of freedom, and tells the
// logarithm of how likely it makes the values.
func heavyTail(ys []float64, nu float64) (scale2, fit float64) {
	if len(ys) == 0 {
		return leastTail * leastTail, 0
	}
	n, v := float64(len(ys)), 0.0
	for _, y := range ys {
		v += float64(y * y)
	}
	s2 := max(v/n, leastTail*leastTail) * (nu - 2) / nu
	for range fitted {
		sum := 0.0
		for _, y := range ys {
			sum += (nu + 1) / (nu + float64(y*y)/s2) * y * y
		}
		s2 = max(sum/n, leastTail*leastTail)
	}
	far := 0.0
	for _, y := range ys {
		far += math.Log1p(y * y / (nu * s2))
	}
	return s2, float64(n*(studentNorm(nu)-math.Log(s2)/2)) - float64((nu+1)/2*far)
}
