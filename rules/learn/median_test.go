package learn

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// The variance of the median of a few normal values, held against drawn ones.
func TestMedianVar(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	for n := 2; n <= 12; n++ {
		const draws = 40_000
		xs, sum := make([]float64, n), 0.0
		for range draws {
			for i := range xs {
				xs[i] = rng.NormFloat64()
			}
			slices.Sort(xs)
			m := median(xs)
			sum += m * m
		}
		// The error of a drawn variance is √(2/draws) of it.
		if got, want := medianVar(n), sum/draws; math.Abs(got-want) > 0.006+5*want*math.Sqrt(2.0/draws) {
			t.Errorf("median of %d: variance %.4f, drawn %.4f", n, got, want)
		}
	}
}
