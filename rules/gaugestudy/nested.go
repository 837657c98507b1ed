package gaugestudy

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Group is what was read on one occasion: mean and standard deviation of N
// readings.
type Group struct {
	Mean float64
	SD   float64
	N    int
}

// GroupOf sums up readings.
func GroupOf(xs []float64) Group {
	g := Group{N: len(xs), Mean: stat.Mean(xs, nil)}
	if len(xs) > 1 {
		g.SD = stat.StdDev(xs, nil)
	}
	return g
}

// ErrTooFewGroups says that there are not two groups, or nothing repeats.
var ErrTooFewGroups = errors.New("want two groups or more, with more than one reading in some")

// A OneWay is the analysis of variance of groups, such as days: is there more
// between them than within them would make? Sources: NIST/SEMATECH e-Handbook
// 7.4.3; JCGM 100 (GUM) H.5.
type OneWay struct {
	Mean      float64
	SSBetween float64
	SSWithin  float64
	DFBetween float64
	DFWithin  float64
	F         float64
	P         float64 // of so large an F where groups do not differ
	Within    float64 // standard deviation within groups
	Between   float64 // standard deviation between groups, its own share alone; 0 if none shows
	R2        float64
}

// ByGroups is the analysis from the groups' means and standard deviations.
func ByGroups(groups []Group) (OneWay, error) {
	var a OneWay
	n, squares := 0.0, 0.0
	for _, g := range groups {
		k := float64(g.N)
		a.Mean, n, squares = a.Mean+k*g.Mean, n+k, squares+k*k
		a.SSWithin += (k - 1) * g.SD * g.SD
	}
	a.Mean /= n
	for _, g := range groups {
		a.SSBetween += float64(g.N) * (g.Mean - a.Mean) * (g.Mean - a.Mean)
	}
	a.DFBetween, a.DFWithin = float64(len(groups)-1), n-float64(len(groups))
	if !(a.DFBetween > 0 && a.DFWithin > 0) {
		return OneWay{}, ErrTooFewGroups
	}
	between, within := a.SSBetween/a.DFBetween, a.SSWithin/a.DFWithin
	a.F, a.Within, a.R2 = between/within, math.Sqrt(within), a.SSBetween/(a.SSBetween+a.SSWithin)
	a.P = distuv.F{D1: a.DFBetween, D2: a.DFWithin}.Survival(a.F)
	a.Between = root((between - within) / ((n - squares/n) / a.DFBetween))
	return a, nil
}

// A Nested is a study of three levels: repeats within an occasion, occasions
// within a run, runs. Source: NIST/SEMATECH e-Handbook 2.4.4: the level-2
// standard deviation is that of occasion means, so it holds a share of level 1.
type Nested struct {
	RunMeans []float64
	Level1   []float64 // by run
	Level2   []float64 // by run
	Pooled1  float64
	Pooled2  float64
	Level3   float64 // of run means; 0 with one run
	// Day and Run are the shares of occasions and of runs alone, what lies below
	// them taken off; 0 if none shows.
	Day, Run float64
}

// ByLevels is the study from runs of occasions, each with its own repeats.
func ByLevels(runs [][]Group) (Nested, error) {
	var n Nested
	var v1, df1, v2, df2, repeats, days float64
	for _, run := range runs {
		if len(run) < 2 {
			return Nested{}, ErrTooFewGroups
		}
		var means []float64
		var ss, df float64
		for _, g := range run {
			means = append(means, g.Mean)
			k := float64(g.N - 1)
			ss, df = ss+k*g.SD*g.SD, df+k
			repeats += float64(g.N)
		}
		if df == 0 {
			return Nested{}, ErrTooFewGroups
		}
		days += float64(len(run))
		between := stat.Variance(means, nil)
		n.RunMeans = append(n.RunMeans, stat.Mean(means, nil))
		n.Level1, n.Level2 = append(n.Level1, math.Sqrt(ss/df)), append(n.Level2, math.Sqrt(between))
		v1, df1 = v1+ss, df1+df
		v2, df2 = v2+between*float64(len(run)-1), df2+float64(len(run)-1)
	}
	if len(runs) == 0 {
		return Nested{}, ErrTooFewGroups
	}
	n.Pooled1, n.Pooled2 = math.Sqrt(v1/df1), math.Sqrt(v2/df2)
	n.Day = root(v2/df2 - v1/df1/(repeats/days))
	if len(runs) > 1 {
		n.Level3 = stat.StdDev(n.RunMeans, nil)
		n.Run = root(n.Level3*n.Level3 - v2/df2/(days/float64(len(runs))))
	}
	return n, nil
}
