// Package gaugestudy says how much of what a gauge shows is the gauge: type-1
// studies, crossed studies of repeatability and reproducibility by average and
// range and by analysis of variance, nested studies.
//
// All figures are in the unit of the readings, variances in its square,
// shares in %. Sources: AIAG, Measurement Systems Analysis, 4th ed. (constants
// and formulas as printed with the worked example); NIST/SEMATECH e-Handbook of
// Statistical Methods 2.4 (nested studies); ISO 22514-7 (type 1, from memory).
package gaugestudy

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Reading is one value of a crossed study: each appraiser reads each part
// the same number of times.
type Reading struct {
	Part      string
	Appraiser string
	Value     float64
}

// ErrNotCrossed says that the study has holes or is too small.
var ErrNotCrossed = errors.New("not a crossed study")

var errAlike = errors.New("all readings are alike: the gauge's step hides its scatter; take a finer gauge, or parts that differ")

// A table holds the readings by part, appraiser and trial, names in the order
// in which they first came.
type table struct {
	parts, appraisers []string
	values            [][][]float64
	p, o, r           int
}

func index(names *[]string, at map[string]int, name string) int {
	i, ok := at[name]
	if !ok {
		i = len(*names)
		at[name], *names = i, append(*names, name)
	}
	return i
}

func crossed(readings []Reading) (table, error) {
	var t table
	ps, as := map[string]int{}, map[string]int{}
	for _, r := range readings {
		index(&t.parts, ps, r.Part)
		index(&t.appraisers, as, r.Appraiser)
	}
	t.p, t.o = len(t.parts), len(t.appraisers)
	if t.p < 2 || t.o < 2 {
		return t, fmt.Errorf("%w: %d parts and %d appraisers; take at least two of each", ErrNotCrossed, t.p, t.o)
	}
	t.values = make([][][]float64, t.p)
	for i := range t.values {
		t.values[i] = make([][]float64, t.o)
	}
	for _, r := range readings {
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
			return t, fmt.Errorf("part %s, appraiser %s: %v is not a number: correct it", r.Part, r.Appraiser, r.Value)
		}
		i, j := ps[r.Part], as[r.Appraiser]
		t.values[i][j] = append(t.values[i][j], r.Value)
	}
	t.r = len(t.values[0][0])
	for i := range t.values {
		for j, v := range t.values[i] {
			if len(v) != t.r {
				return t, fmt.Errorf("%w: appraiser %s read part %s %d times, others %d times; complete the study", ErrNotCrossed, t.appraisers[j], t.parts[i], len(v), t.r)
			}
		}
	}
	if t.r < 2 {
		return t, fmt.Errorf("%w: each part was read once; read it at least twice", ErrNotCrossed)
	}
	return t, nil
}

// A Pooling says what is done with the interaction of parts and appraisers.
type Pooling struct {
	// Above pools the interaction with the error where its p is larger: 0.25 by
	// default, so that a doubtful interaction is kept. 1 never pools, 0 always.
	Above float64
}

// An Effect is a line of the table of the analysis of variance.
type Effect struct {
	Name string
	SS   float64
	DF   float64
	MS   float64
	F    float64 // 0 where there is none
	P    float64
	Over string // the effect whose mean square F divides by
}

// A Study is the answer of a crossed study. Standard deviations are roots of
// variances; a negative component counts as 0.
type Study struct {
	Method     string
	Table      []Effect // of the analysis of variance; empty by average and range
	Pooled     bool     // the interaction was taken as error
	Why        string   // why it was pooled or kept
	Parts      int
	Appraisers int
	Trials     int

	Repeatability   float64 // EV, standard deviation
	Appraiser       float64 // standard deviation
	Interaction     float64 // standard deviation; 0 if pooled
	Reproducibility float64 // AV, of appraiser and interaction
	GRR             float64 // of repeatability and reproducibility
	Part            float64 // PV
	Total           float64 // TV

	Ranges *Ranges // by average and range only
}

// Ranges are what the average and range method is worked out from.
type Ranges struct {
	MeanRange     float64 // R-double-bar
	AppraiserDiff float64 // largest minus smallest appraiser average
	PartRange     float64 // Rp, largest minus smallest part average
	K1, K2, K3    float64
	UpperRange    float64 // D4 times MeanRange: a cell above it is to be looked at
}

// PercentStudy is GRR in % of the total variation.
func (s Study) PercentStudy() float64 { return 100 * s.GRR / s.Total }

// PercentContribution is the variance of GRR in % of the total variance.
func (s Study) PercentContribution() float64 { return 100 * s.GRR * s.GRR / s.Total / s.Total }

// PercentTolerance is 6 standard deviations of GRR in % of the tolerance's
// width.
func (s Study) PercentTolerance(width float64) float64 { return 100 * 6 * s.GRR / width }

// Distinct is the number of distinct categories, 1.41·PV/GRR cut to a whole
// number, at least 1. Source: AIAG MSA.
func (s Study) Distinct() int {
	n := math.Floor(1.41 * s.Part / s.GRR)
	if !(n > 1) {
		return 1
	}
	return int(min(n, 1e6))
}

func (s *Study) sum() {
	s.Reproducibility = math.Hypot(s.Appraiser, s.Interaction)
	s.GRR = math.Hypot(s.Repeatability, s.Reproducibility)
	s.Total = math.Hypot(s.GRR, s.Part)
}

type sums struct{ part, appraiser, cell, within, total float64 }

func (t table) sums() (s sums) {
	n := float64(t.p * t.o * t.r)
	grand := 0.0
	part, appraiser := make([]float64, t.p), make([]float64, t.o)
	for i := range t.values {
		for j, v := range t.values[i] {
			for _, x := range v {
				part[i] += x / float64(t.o*t.r)
				appraiser[j] += x / float64(t.p*t.r)
				grand += x / n
			}
		}
	}
	for i := range t.values {
		s.part += float64(t.o*t.r) * (part[i] - grand) * (part[i] - grand)
		for j, v := range t.values[i] {
			mean := 0.0
			for _, x := range v {
				mean += x / float64(t.r)
			}
			for _, x := range v {
				s.within += (x - mean) * (x - mean)
				s.total += (x - grand) * (x - grand)
			}
			d := mean - part[i] - appraiser[j] + grand
			s.cell += float64(t.r) * d * d
		}
	}
	for j := range appraiser {
		s.appraiser += float64(t.p*t.r) * (appraiser[j] - grand) * (appraiser[j] - grand)
	}
	return s
}

// ByVariance is the crossed study by analysis of variance, all effects random.
func ByVariance(readings []Reading, pool Pooling) (Study, error) {
	t, err := crossed(readings)
	if err != nil {
		return Study{}, err
	}
	s := t.sums()
	if s.total == 0 {
		return Study{}, errAlike
	}
	p, o, r := float64(t.p), float64(t.o), float64(t.r)
	cell := effect("part × appraiser", s.cell, (p-1)*(o-1))
	within := effect("repeatability", s.within, p*o*(r-1))
	against(&cell, within)
	st := Study{Method: "analysis of variance", Parts: t.p, Appraisers: t.o, Trials: t.r}
	st.Pooled = cell.P > pool.Above
	over := cell
	if st.Pooled {
		st.Why = fmt.Sprintf("interaction pooled with the error: p = %.3g is above %g", cell.P, pool.Above)
		over = effect("pooled error", s.cell+s.within, cell.DF+within.DF)
	} else {
		st.Why = fmt.Sprintf("interaction kept: p = %.3g is not above %g", cell.P, pool.Above)
	}
	part, appraiser := effect("part", s.part, p-1), effect("appraiser", s.appraiser, o-1)
	against(&part, over)
	against(&appraiser, over)
	st.Table = []Effect{part, appraiser, cell, within}
	noise := within.MS
	if st.Pooled {
		st.Table, noise = append(st.Table, over), over.MS
	} else {
		st.Interaction = root((cell.MS - within.MS) / r)
	}
	st.Table = append(st.Table, effect("total", s.total, p*o*r-1))
	st.Repeatability = math.Sqrt(noise)
	st.Appraiser = root((appraiser.MS - over.MS) / (p * r))
	st.Part = root((part.MS - over.MS) / (o * r))
	st.sum()
	return st, nil
}

func root(v float64) float64 { return math.Sqrt(max(0, v)) }

func effect(name string, ss, df float64) Effect {
	return Effect{Name: name, SS: ss, DF: df, MS: ss / df}
}

func against(e *Effect, over Effect) {
	e.Over, e.F = over.Name, e.MS/over.MS
	e.P = distuv.F{D1: e.DF, D2: over.DF}.Survival(e.F)
	if over.MS == 0 { // nothing scatters within: a difference is certain, or there is none
		e.F, e.P = 0, 0
		if e.MS == 0 {
			e.P = 1
		}
	}
}

// k23 are 1/d2* for one range of m values, m from 2: the K2 and K3 of AIAG MSA.
// 0.5231 and 0.3146 as printed with the worked example, the others from memory;
// the test works them out.
var k23 = []float64{0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146}

// k1 and d4 by trials, from 2. k1 is 1/d2; 0.5908 as printed, the others, and
// d4 (ISO 7870-2), from memory.
var (
	k1 = []float64{0.8862, 0.5908, 0.4857, 0.4299}
	d4 = []float64{3.267, 2.574, 2.282, 2.114}
)

// ByRange is the crossed study by average and range: EV = R̄·K1,
// AV² = (X̄diff·K2)² − EV²/(parts·trials), PV = Rp·K3. It cannot see an
// interaction. For 2 to 5 trials, and 2 to 10 appraisers and parts.
func ByRange(readings []Reading) (Study, error) {
	t, err := crossed(readings)
	if err != nil {
		return Study{}, err
	}
	if t.r-2 >= len(k1) || t.o-2 >= len(k23) || t.p-2 >= len(k23) {
		return Study{}, fmt.Errorf("average and range has constants for up to 5 trials, 10 appraisers and 10 parts, not for %d, %d and %d: use the analysis of variance", t.r, t.o, t.p)
	}
	g := t.ranges()
	if g.MeanRange == 0 && g.PartRange == 0 {
		return Study{}, errAlike
	}
	s := Study{Method: "average and range", Parts: t.p, Appraisers: t.o, Trials: t.r, Ranges: &g, Why: "this method cannot see an interaction"}
	s.Repeatability = g.MeanRange * g.K1
	av := g.AppraiserDiff * g.K2
	s.Appraiser = root(av*av - s.Repeatability*s.Repeatability/float64(t.p*t.r))
	s.Part = g.PartRange * g.K3
	s.sum()
	return s, nil
}

func (t table) ranges() Ranges {
	g := Ranges{K1: k1[t.r-2], K2: k23[t.o-2], K3: k23[t.p-2]}
	part, appraiser := make([]float64, t.p), make([]float64, t.o)
	for i := range t.values {
		for j, v := range t.values[i] {
			g.MeanRange += span(v) / float64(t.p*t.o)
			for _, x := range v {
				part[i] += x / float64(t.o*t.r)
				appraiser[j] += x / float64(t.p*t.r)
			}
		}
	}
	g.AppraiserDiff, g.PartRange = span(appraiser), span(part)
	g.UpperRange = d4[t.r-2] * g.MeanRange
	return g
}

func span(xs []float64) float64 {
	lo, hi := xs[0], xs[0]
	for _, x := range xs[1:] {
		lo, hi = min(lo, x), max(hi, x)
	}
	return hi - lo
}
