package rules

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Ville's inequality (1939, from memory): where there is no step, and the peaks
// are as the odds take them, the odds ever reach k in at most one in k passes. So
// too where the aim drifts.
func TestStepOddsKeepVillesBound(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1939))
	const passes, pulls = 1500, 24
	for _, drift := range []float64{0, 1} {
		for _, k := range []float64{5, 30} {
			over := 0
			for range passes {
				// The scatter that the odds expect: inverse chi-square.
				chi := 0.0
				for range int(stepWorth) {
					z := r.NormFloat64()
					chi += z * z
				}
				sd := stepScatter * math.Sqrt(stepWorth/chi)
				ratio := sd / stepScatter
				mean, slope := stepAimSD*ratio*r.NormFloat64(), drift*stepDrift*ratio*r.NormFloat64()
				x := make([]float64, pulls)
				for i := range x {
					x[i] = stepAim + mean + slope*(float64(i)/(pulls-1)-0.5) + sd*r.NormFloat64()
				}
				for n := stepAfter + 1; n <= pulls; n++ {
					if stepIn(x[:n], stepAim, stepAimSD, stepScatter).odds >= k {
						over++
						break
					}
				}
			}
			// A line whose slope grows with what was seen is not one model, so the
			// drift keeps the bound only roughly.
			if most := passes * (1 + drift) / k; float64(over) > most {
				t.Errorf("drift %g: odds of %g in %d of %d passes without a step, at most %.0f may", drift, k, over, passes, most)
			}
		}
	}
}

// A step of four times the scatter after eight pulls. A tabular CUSUM (k 0.5, h
// 5) that is told mean and scatter takes 10.4 pulls for a step of one (r-cran-spc
// xcusum.arl, row Q052 of the project's reference tables); these odds are told
// neither, and must not take longer for four times the step.
func TestStepIsSoonSeen(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 1939))
	const passes, before, most = 400, 8, 40
	waited, early := 0, 0
	for range passes {
		var x []float64
		for n := 1; n <= most; n++ {
			v := 0.01 * r.NormFloat64()
			if n > before {
				v -= 0.04
			}
			x = append(x, v)
			s := stepIn(x, stepAim, stepAimSD, stepScatter)
			if n > stepAfter && s.odds >= stepSure && len(x)-s.at >= stepAfter {
				if n <= before {
					early++
				} else {
					waited += n - before
				}
				break
			}
			if n == most {
				waited += most
			}
		}
	}
	if mean := float64(waited) / float64(passes-early); mean > 10.376 {
		t.Errorf("a step of four times the scatter is seen after %.2f pulls on average", mean)
	}
	if float64(early) > passes/stepSure {
		t.Errorf("seen before it came in %d of %d", early, passes)
	}
}

// Where a series steps, how much and since when; and what is no step.
func TestStepIn(t *testing.T) {
	steps := []float64{0.012, 0.004, 0.009, 0.015, 0.007, -0.044, -0.038, -0.041, -0.047}
	if s := stepIn(steps, stepAim, stepAimSD, stepScatter); s.odds < stepSure || s.at != 5 || math.Abs(s.by+0.05) > 0.008 {
		t.Errorf("step: %+v", s)
	}
	drift := make([]float64, 20)
	for i := range drift {
		drift[i] = 0.03 - 0.003*float64(i) + 0.004*math.Sin(float64(7*i))
	}
	if s := stepIn(drift, stepAim, stepAimSD, stepScatter); s.odds >= stepSure {
		t.Errorf("a drift: %+v", s)
	}
	one := []float64{0.01, 0.012, 0.009, 0.011, -0.05, 0.01, 0.008, 0.012, 0.01}
	if s := stepIn(one, stepAim, stepAimSD, stepScatter); s.odds >= stepSure {
		t.Errorf("one low pull: %+v", s)
	}
}
