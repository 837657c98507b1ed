package match

import (
	"math"
	"slices"
)

// dayGrid are the degrees of freedom that are tried for the variance of a day: the fewer,
// the more it differs from one day to the next. leastDays is how many jobs tell anything
// of that, leastOfDay how many values a job must have to be one of them, and ownBeside how
// many the usual spread is worth in what counts as far out in a job. Our choice.
var dayGrid = [...]float64{10, 14, 20, 28, 40, 56, 80, 112}

const (
	leastDays  = 5
	leastOfDay = 3
	ownBeside  = 4
)

// clippedSquare is the mean square of normal values that count as no further off than
// farOff = f: 1 − 2(fφ(f) + Q(f)) + 2f²Q(f), with φ and Q the density and the upper tail of
// the normal distribution. Computed.
const clippedSquare = 0.9775

// Turned fits how far first pulls turn in passes that the same hands pull, given as to
// KnownFrom with the job of each: the spread within a job and between the middles of jobs
// in each pass by itself; in all of them together, by how much the former differs from
// one job to the next, and the power of rotations that is about normal. Both are the hands' and
// the tool's more than the joint's, and one pass has too few values to tell them.
//
// Within a job values are taken for normal, around a mean of which nothing is known, with
// a variance that is itself scaled inverse χ² distributed (Gelman et al., Bayesian Data
// Analysis, 3rd ed., 5.4 and 17; from memory): so that what the filter believes of a job's
// variance before its first pull is fitted, not assumed.
func Turned(ks []*Known, fresh []Values) {
	var passes []*daysOf
	var fits [len(dayGrid)]float64
	for i, k := range ks {
		d := daysIn(&k.FreshAngle, fresh[i])
		if d == nil {
			continue
		}
		for g, df := range dayGrid {
			d.vars[g], d.fits[g] = d.fit(df)
			fits[g] += d.fits[g]
		}
		passes = append(passes, d)
	}
	if len(passes) == 0 {
		return
	}
	top := slices.Max(fits[:])
	var all, inverse float64
	for g, df := range dayGrid {
		fits[g] = math.Exp(fits[g] - top)
		all += fits[g]
		inverse += fits[g] / df
	}
	var worth, skew float64
	for _, d := range passes {
		v := 0.0
		for g, w := range fits {
			v += float64(w / all * d.vars[g])
		}
		d.of.Var, d.of.Days, d.of.DayDF = v, len(d.sums), math.Round(all/inverse)
		d.of.Between = max(d.middles-float64(v*d.each), 0)
		slices.Sort(d.off)
		w := float64(len(d.off)) * v
		worth, skew = worth+w, skew+float64(w*skewOf(d.off))
	}
	for _, d := range passes {
		d.of.Skew, d.of.SkewWorth = skew/worth, worth
	}
}

// daysOf are the jobs of a pass: the sum of squares of each, and from how many values
// beyond the first; how far all values are off the middle of their job; the variance of
// the middles, and the mean of one over a job's values.
type daysOf struct {
	of            *Moments
	sums, free    []float64
	off           []float64
	middles, each float64
	vars, fits    [len(dayGrid)]float64
}

// daysIn gives the jobs of a pass; nil where too few tell anything.
func daysIn(of *Moments, v Values) *daysOf {
	if len(v.Job) != len(v.X) || !(of.Var > 0) {
		return nil
	}
	d := &daysOf{of: of}
	far := farOff * math.Sqrt(of.Var)
	var middles []float64
	for _, ys := range byDay(v) {
		if len(ys) < leastOfDay {
			continue
		}
		n, c := float64(len(ys)), clippedMean(ys, far)
		d.sums, d.free = append(d.sums, squaresOf(ys, c, of.Var)), append(d.free, n-1)
		middles = append(middles, c)
		for _, y := range ys {
			d.off = append(d.off, (y-c)*math.Sqrt(n/(n-1)))
		}
		d.each += 1 / n
	}
	n := float64(len(d.sums))
	if n < leastDays {
		return nil
	}
	d.each /= n
	mean := 0.0
	for _, c := range middles {
		mean += c / n
	}
	for _, c := range middles {
		d.middles += float64((c-mean)*(c-mean)) / (n - 1)
	}
	return d
}

// squaresOf is the sum of squares of a day's values around c, where none counts as further
// than farOff of its own standard deviations, the usual variance being v.
func squaresOf(ys []float64, c, v float64) (s float64) {
	times := 1.0
	for range fitted {
		far := farOff * math.Sqrt(v*times)
		s = 0
		for _, y := range ys {
			off := max(min(y-c, far), -far)
			s += float64(off * off)
		}
		s /= clippedSquare
		times = (ownBeside + s/v) / (ownBeside + float64(len(ys)-1))
	}
	return s
}

// byDay are the logarithms of rotations, those of a job together, in the order in which
// jobs came.
func byDay(v Values) (days [][]float64) {
	at := map[int32]int{}
	for i, x := range v.X {
		y := turnLog(x)
		if !known(y) {
			continue
		}
		k, ok := at[v.Job[i]]
		if !ok {
			k = len(days)
			at[v.Job[i]] = k
			days = append(days, nil)
		}
		days[k] = append(days[k], y)
	}
	return days
}

// clippedMean is the mean of values that count as no further than far from it; ys are
// sorted by it.
func clippedMean(ys []float64, far float64) float64 {
	slices.Sort(ys)
	c := quantile(ys, 0.5)
	for range fitted {
		sum := 0.0
		for _, y := range ys {
			sum += max(min(y-c, far), -far)
		}
		c += sum / float64(len(ys))
	}
	return c
}

// fit gives the variance that makes the jobs' sums of squares likeliest, by expectation
// and maximisation, where that of a job has so many degrees of freedom; and the logarithm
// of how likely it makes them, but for what does not depend on df.
func (d *daysOf) fit(df float64) (v, fit float64) {
	var squares, free float64
	for i, s := range d.sums {
		squares += s
		free += d.free[i]
	}
	v = max(squares/free, leastTail*leastTail)
	for range fitted {
		squares = 0
		for i, s := range d.sums {
			squares += float64((df + d.free[i]) / (df + s/v) * s)
		}
		v = max(squares/free, leastTail*leastTail)
	}
	for i, s := range d.sums {
		f := d.free[i]
		a, _ := math.Lgamma((df + f) / 2)
		b, _ := math.Lgamma(df / 2)
		fit += a - b - float64(f/2*math.Log(df*v)) - float64((df+f)/2*math.Log1p(s/(v*df)))
	}
	return v, fit
}
