package shims

import (
	"testing"
	"time"

	"witnessmark/events/quantity"
)

// Sixty is a drawer of sixty thicknesses, 1.000 to 2.475 mm, whose real
// thickness is known to the micrometre (invented, in no regular steps).
func sixty(count int) []Leaf {
	var drawer []Leaf
	for i := range 60 {
		th := 1 + 0.025*float64(i)
		drawer = append(drawer, Leaf{Thickness: quantity.Millimetres(th), Real: quantity.Millimetres(th + float64((i*37+i*i*5)%23-11)/1000), Count: count})
	}
	return drawer
}

// hard wants a stack of four that no stack of fewer gives, to a micrometre.
var hard = Task{Measured: quantity.Millimetres(9.138), Target: length1(0.05), Low: length1(0.0497), High: length1(0.0503), Most: 4}

// BenchmarkChoose is the choice among sixty thicknesses and stacks of four
// against brute force over the same stacks, measured in the same run: the
// figure to look at is choice/brute.
func BenchmarkChoose(b *testing.B) {
	drawer := sixty(3)
	leaves, _ := usable(drawer)
	_, target, _ := hard.window()
	start := time.Now()
	best := far
	for k := 0; k <= 4; k++ {
		every(leaves, k, func(_ []int, sum int64) { best = min(best, abs(sum-target)) })
	}
	brute := time.Since(start)
	b.ResetTimer()
	for range b.N {
		if _, err := Choose(drawer, hard); err != nil {
			b.Fatal(err)
		}
	}
	per := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	b.ReportMetric(per/1e6, "ms/choice")
	b.ReportMetric(per/float64(brute.Nanoseconds()), "choice/brute")
	_ = best
}

// Sixty thicknesses and stacks of four: the choice equals brute force.
func TestSixtyThicknesses(t *testing.T) {
	for _, count := range []int{1, 3} {
		drawer := sixty(count)
		leaves, _ := usable(drawer)
		lo, target, hi := hard.window()
		best, at := far, -1
		for k := 0; k <= 4 && at < 0; k++ {
			every(leaves, k, func(_ []int, sum int64) {
				if lo <= sum && sum <= hi && abs(sum-target) < best {
					best, at = abs(sum-target), k
				}
			})
		}
		got, err := Choose(drawer, hard)
		if err != nil || got.Best == nil || len(got.Best.Pieces) != at || distance(got.Best, target) != best {
			t.Errorf("%d of each: %s, %v; brute force has %d pieces %d nm off", count, names(got.Best), err, at, best)
		}
		if at != 4 {
			t.Errorf("the task is no longer hard: %d pieces do", at)
		}
	}
}
