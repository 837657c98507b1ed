package gaugestudy

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Type1 study is one appraiser reading one reference part many times.
// Cg = 0.2·T/(6s), Cgk = (0.1·T − |x̄ − reference|)/(3s), T the width of the
// tolerance. Source: common form in the automotive trade, and ISO 22514-7 (from
// memory); other users set 0.15 or 4s: then the figures differ.
type Type1 struct {
	N         int
	Mean      float64
	SD        float64
	Bias      float64 // mean minus reference
	Cg        float64
	Cgk       float64
	T         float64 // of the bias, with N−1 degrees of freedom
	P         float64 // that a gauge without bias shows one so large
	Reference float64
	Width     float64 // of the tolerance
	Warnings  []string
}

// Good is the usual bound of Cg and Cgk: 1.33. Common practice, no source.
const Good = 1.33

// OnOnePart judges readings of a part whose value is known to be reference,
// for a tolerance of the given width; resolution is the gauge's step, 0 if not
// known.
func OnOnePart(readings []float64, reference, width, resolution float64) (Type1, error) {
	if len(readings) < 2 {
		return Type1{}, fmt.Errorf("a type-1 study from %d readings: take 25 or more", len(readings))
	}
	if !(width > 0) {
		return Type1{}, fmt.Errorf("tolerance width %v: want upper minus lower limit, above zero", width)
	}
	s := Type1{N: len(readings), Mean: stat.Mean(readings, nil), SD: stat.StdDev(readings, nil), Reference: reference, Width: width}
	s.Bias = s.Mean - reference
	s.Cg = 0.2 * width / (6 * s.SD)
	s.Cgk = (float64(0.1*width) - math.Abs(s.Bias)) / (3 * s.SD)
	s.T = s.Bias / (s.SD / math.Sqrt(float64(s.N)))
	s.P = 2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(s.N - 1)}.Survival(math.Abs(s.T))
	switch {
	case s.SD == 0 && resolution == 0:
		return s, fmt.Errorf("all readings are %v: the gauge's step hides its scatter; give its resolution or take a finer gauge", readings[0])
	case s.SD == 0:
		s.Warnings = append(s.Warnings, "all readings are alike: the scatter is below the gauge's step, and Cg says nothing")
		s.P = 1
	}
	if s.N < 25 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("%d readings; 25 or more are usual", s.N))
	}
	if resolution > 0.05*width {
		s.Warnings = append(s.Warnings, fmt.Sprintf("the gauge's step is %.3g %% of the tolerance; at most 5 %% is usual", 100*resolution/width))
	}
	return s, nil
}
