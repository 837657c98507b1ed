package match

import (
	"os"
	"slices"
	"strconv"
	"testing"
)

func TestRates(t *testing.T) {
	jobs := 30
	if v, err := strconv.Atoi(os.Getenv("MATCH_JOBS")); err == nil {
		jobs = v
	}
	for _, tier := range []string{"torque", "angle", "trace"} {
		for _, taught := range []int{0, 20} {
			for hard := range 3 {
				if tier == "torque" && taught > 0 && jobs < 1000 {
					continue
				}
				rate(t, tier, taught, hard, jobs)
			}
		}
	}
}

func rate(t *testing.T, tier string, taught, hard, jobs int) {
	var clean, miss []float64
	top1, top3 := 0, 0
	for i := range jobs {
		s := newShop(uint64(i*3+hard), tier, hard)
		var k Known
		if taught > 0 {
			k = s.teach(taught)
		}
		for _, m := range []bool{false, true} {
			p, left := s.plan(m)
			f := New(nil, s.joint(k))
			for _, q := range s.pulls(p) {
				f = f.Pull(q)
			}
			r := f.Missed()
			if !m {
				clean = append(clean, r.Odds)
				continue
			}
			miss = append(miss, r.Odds)
			at := slices.IndexFunc(r.Candidates, func(c Candidate) bool { return c.Fastener == left })
			if at == 0 {
				top1++
			}
			if at >= 0 && at < 3 {
				top3++
			}
		}
	}
	slices.Sort(clean)
	thr := clean[len(clean)-1-len(clean)/1000]
	count := func(xs []float64, t float64) (n int) {
		for _, x := range xs {
			if x > t {
				n++
			}
		}
		return n
	}
	n := float64(jobs)
	t.Logf("%-6s taught %2d %s: recall %.3f at clean's quantile (odds %.3g); at default: recall %.3f, false %.4f; named %.2f, in three %.2f; clean top %.3g",
		tier, taught, []string{"hard", "mid ", "soft"}[hard], float64(count(miss, thr))/n, thr, float64(count(miss, Default().Odds))/n, float64(count(clean, Default().Odds))/n, float64(top1)/n, float64(top3)/n, clean[max(0, len(clean)-4):])
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
