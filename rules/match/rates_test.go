package match

import (
	"os"
	"slices"
	"strconv"
	"testing"
)

func TestRates(t *testing.T) {
	jobs := 20
	if v, err := strconv.Atoi(os.Getenv("MATCH_JOBS")); err == nil {
		jobs = v
	}
	for _, tier := range []string{"torque", "angle", "trace"} {
		for _, taught := range []int{0, 20} {
			rate(t, tier, taught, jobs)
		}
	}
}

// rate prints what is found at the default odds, and at the odds that alarm in
// one of a thousand of these clean jobs; beside it what one finds who knows
// the distributions of rotation and wait, and which pulls were habits.
func rate(t *testing.T, tier string, taught, jobs int) {
	var clean, miss, cleanBest, missBest [3][]float64
	top1, top3 := 0, 0
	var asked int
	for i := range jobs * 3 {
		hard := i % 3
		s := newShop(uint64(i), tier, hard)
		var k Known
		if taught > 0 {
			k = s.teach(taught)
		}
		for _, m := range []bool{false, true} {
			p, left := s.plan(m)
			f := New(nil, s.joint(k))
			qs := s.pulls(p)
			for _, q := range qs {
				f = f.Pull(q)
			}
			r := f.Missed()
			if !m {
				clean[hard] = append(clean[hard], r.Odds)
				cleanBest[hard] = append(cleanBest[hard], s.best(p, qs))
				if _, _, ok := f.Question(); ok {
					asked++
				}
				continue
			}
			miss[hard] = append(miss[hard], r.Odds)
			missBest[hard] = append(missBest[hard], s.best(p, qs))
			at := slices.IndexFunc(r.Candidates, func(c Candidate) bool { return c.Fastener == left })
			if at == 0 {
				top1++
			}
			if at >= 0 && at < 3 {
				top3++
			}
		}
	}
	thr, thrBest := quantileOf(clean), quantileOf(cleanBest)
	odds := Default().Odds
	switch {
	case tier == "torque":
		odds = Default().OddsTorque
	case taught == 0:
		odds = Default().OddsUntaught
	}
	for h := range 3 {
		t.Logf("  %s at default %.3f, false %.4f; at one in a thousand %.3f, best possible %.3f", []string{"hard", "mid ", "soft"}[h], over(miss[h], odds), over(clean[h], odds), over(miss[h], thr), over(missBest[h], thrBest))
	}
	m, c, b := slices.Concat(miss[:]...), slices.Concat(clean[:]...), slices.Concat(missBest[:]...)
	n := float64(len(m))
	t.Logf("%-6s taught %2d: at default %.3f, false %.4f; at one in a thousand %.3f (odds %.3g), best possible %.3f; named %.2f, in three %.2f; clean asked %.3f",
		tier, taught, over(m, odds), over(c, odds), over(m, thr), thr, over(b, thrBest), float64(top1)/n, float64(top3)/n, float64(asked)/n)
}

func quantileOf(xs [3][]float64) float64 {
	all := slices.Concat(xs[:]...)
	slices.Sort(all)
	return all[len(all)-1-len(all)/1000]
}

func over(xs []float64, t float64) float64 {
	n := 0
	for _, x := range xs {
		if x > t {
			n++
		}
	}
	return float64(n) / float64(len(xs))
}

func BenchmarkPull24(b *testing.B) {
	for _, tier := range []string{"torque", "angle", "trace"} {
		b.Run(tier, func(b *testing.B) {
			s := newShop(5, tier, 1)
			s.n = 24
			p, _ := s.plan(true)
			qs := s.pulls(p)
			b.ReportAllocs()
			b.ResetTimer()
			for b.Loop() {
				f := New(nil, s.joint(Known{}))
				for _, q := range qs {
					f = f.Pull(q)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(len(qs)), "µs/pull")
		})
	}
}
