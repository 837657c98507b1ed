package match

import (
	"math"
	"math/rand/v2"
	"slices"
)

// An invented shop, on assumptions of its own: rotations are gamma, normal,
// lognormal or contaminated, never what the model says of them, and nothing is
// shared with Params.

type shop struct {
	rng              *rand.Rand
	n                int
	mean, cv         float64
	family           int
	windup, share    float64
	walk, walkSD     float64
	speed            float64
	peakMean, peakSD float64
	angle, dur       bool
	trace            bool
	counter          Counter
	noise            float64
	rate             float64
	job              float64 // of the last job made
}

func newShop(seed uint64, tier string, hard int) *shop {
	r := rand.New(rand.NewPCG(seed, 77))
	s := &shop{rng: r, n: 4 + r.IntN(21), cv: 0.12 + 0.2*r.Float64(), family: r.IntN(4), windup: 1 + 3*r.Float64(), walk: 3 + 6*r.Float64(), walkSD: 0.25 + 0.25*r.Float64(),
		speed: 25 + 40*r.Float64(), peakMean: 1 + 0.03*r.Float64(), peakSD: 0.006 + 0.02*r.Float64(), noise: 0.3 + 0.7*r.Float64(), counter: CountsCycles}
	if s.family == 1 { // a normal one with more would turn backwards at times; real rotations are skewed (screw-tightening-wear)
		s.cv = min(s.cv, 0.22)
	}
	switch hard {
	case 0:
		s.mean = 12 + 18*r.Float64()
	case 1:
		s.mean = 30 * math.Pow(10, r.Float64())
	default:
		s.mean = 300 + 350*r.Float64()
	}
	s.share = 0.06 * r.Float64()
	if r.Float64() < 0.15 {
		s.share = 0.15 + 0.2*r.Float64()
	}
	s.rate = 90 / s.mean
	s.angle = tier != "torque"
	s.dur = tier != "torque"
	s.trace = tier == "trace"
	return s
}

func (s *shop) gamma(shape float64) float64 {
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := s.rng.NormFloat64()
		v := math.Pow(1+c*x, 3)
		if v > 0 && math.Log(s.rng.Float64()) < 0.5*x*x+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}

func (s *shop) freshTurn(job float64) float64 {
	m, cv := s.mean*job, s.cv
	var a float64
	switch s.family {
	case 0:
		k := 1 / (cv * cv)
		a = m * s.gamma(k) / k
	case 1:
		a = m * math.Max(0.2, 1+cv*s.rng.NormFloat64())
	case 2:
		a = m * math.Exp(cv*s.rng.NormFloat64()-cv*cv/2)
	default:
		if s.rng.Float64() < 0.03 {
			cv *= 2
		}
		a = m * math.Exp(cv*s.rng.NormFloat64()-cv*cv/2)
	}
	return a
}

func (s *shop) repeatTurn(job float64) float64 {
	return s.windup*s.gamma(6)/6 + s.share*s.mean*job*s.gamma(4)/4
}

type genPull struct {
	fresh, partial, habit bool
	f                     int
}

// plan makes what is done to whom. miss: one is pulled again in place of
// another.
func (s *shop) plan(miss bool) (out []genPull, left int) {
	left = -1
	at := -1
	if miss {
		at = 1 + s.rng.IntN(s.n-1)
	}
	habitual := s.rng.Float64() < 0.05
	swing := s.rng.Float64() < 0.04
	swingAt := s.rng.IntN(s.n)
	hs := s.rng.IntN(s.n)
	for f := range s.n {
		if f == at {
			r := f - 1
			if s.rng.Float64() < 0.5 {
				r = s.rng.IntN(f)
			}
			out = append(out, genPull{f: r})
			left = f
			continue
		}
		if swing && f == swingAt {
			out = append(out, genPull{fresh: true, partial: true, f: f})
		}
		out = append(out, genPull{fresh: true, f: f})
		if habitual && f == hs {
			out = append(out, genPull{f: f, habit: true})
		}
	}
	return out, left
}

func (s *shop) pulls(plan []genPull) []Pull {
	t := 0.0
	var out []Pull
	job := math.Exp(0.06 * s.rng.NormFloat64())
	s.job = job
	last := -1
	swung := false
	for i, g := range plan {
		walk := s.walk * math.Exp(s.walkSD*s.rng.NormFloat64())
		if g.f == last {
			walk = 0.7 + 1.0*s.rng.Float64()
			if !g.fresh && s.rng.Float64() < 0.3 {
				walk = s.walk * 0.7
			}
		}
		if s.rng.Float64() < 0.02 {
			walk += 30 + 200*s.rng.Float64()
		}
		a := s.freshTurn(job)
		torque := min(max(100*(s.peakMean+s.peakSD*s.rng.NormFloat64()), 94.5), 107) // one left low is no clean job
		if !g.fresh {
			a = s.repeatTurn(job)
			torque *= 1 + 0.01*s.rng.Float64()
		}
		if g.partial {
			a *= 0.4 + 0.3*s.rng.Float64()
			torque *= 0.4 + 0.4*s.rng.Float64()
			swung = true
		} else if swung {
			a *= 0.5
			swung = false
		}
		d := (0.5 + a/s.speed) * math.Exp(0.2*s.rng.NormFloat64())
		t += walk + d
		q := Pull{Reading: uint64(i), Tool: Tool{Name: "K2", Angle: s.angle, Duration: s.dur, Trace: s.trace, Counter: s.counter}, AtS: t, Torque: torque, Angle: math.NaN(), Duration: math.NaN(), Placed: -1}
		if s.angle {
			q.Angle = math.Round((a+s.noise*s.rng.NormFloat64())*2) / 2
		}
		if s.dur {
			q.Duration = d
		}
		if s.trace {
			q.Trace = &Trace{Quarter: math.NaN(), NetDeg: a + 0.4*s.rng.NormFloat64(), RateNmDeg: s.rate * math.Exp(0.25*s.rng.NormFloat64()), Snug: s.rng.Float64() < 0.9, Breakaway: s.rng.Float64() < 0.08}
			if !g.fresh {
				q.Trace.RateNmDeg *= 2.5 * math.Exp(0.6*s.rng.NormFloat64())
				q.Trace.Snug = s.rng.Float64() < 0.2
				q.Trace.Breakaway = s.rng.Float64() < 0.5
			}
		}
		out = append(out, q)
		last = g.f
	}
	return out
}

func (s *shop) joint(k Known) Joint {
	return Joint{N: s.n, Strict: true, Target: 100, LSL: 94, USL: 108, Known: k}
}

// teach learns from clean jobs.
func (s *shop) teach(jobs int) Known {
	var ra, fd, fi, fr, rise []float64
	var turned, pace, peak Values
	for job := range jobs {
		p, _ := s.plan(false)
		qs := s.pulls(p)
		waits, peaks, high := len(fi), []float64(nil), []float64(nil)
		for i, q := range qs {
			switch {
			case !p[i].fresh:
				high = append(high, q.Torque)
			case !p[i].partial:
				peaks = append(peaks, q.Torque)
			}
			switch {
			case p[i].fresh && !p[i].partial && (i == 0 || !p[i-1].partial):
				turned.X, turned.Job, fd = append(turned.X, q.Angle), append(turned.Job, int32(job+1)), append(fd, q.Duration)
				if q.Trace != nil {
					turned.X[len(turned.X)-1] = q.Trace.NetDeg
					fr = append(fr, q.Trace.RateNmDeg)
				}
				if i > 0 {
					w := q.AtS - qs[i-1].AtS
					if q.Duration > 0 {
						w -= q.Duration
					}
					fi = append(fi, w)
				}
			case !p[i].fresh:
				ra = append(ra, q.Angle)
			}
		}
		rise = append(rise, over(high, peaks)...)
		pace.X, peak.X = append(pace.X, over(fi[waits:], fi[waits:])...), append(peak.X, over(peaks, peaks)...)
		for len(pace.Job) < len(pace.X) {
			pace.Job = append(pace.Job, int32(job+1))
		}
		for len(peak.Job) < len(peak.X) {
			peak.Job = append(peak.Job, int32(job+1))
		}
	}
	k := KnownFrom(turned.X, ra, fd, fi, fr)
	Turned([]*Known{&k}, []Values{turned})
	if !s.angle {
		k.FromTorque(pace, peak, rise, nil)
		Hands([]*Known{&k}, []Values{pace}, []Values{peak})
	}
	return k
}

// over gives values over the middle of others.
func over(xs, others []float64) (out []float64) {
	if len(others) == 0 {
		return nil
	}
	middle := quantile(slices.Sorted(slices.Values(others)), 0.5)
	for _, x := range xs {
		out = append(out, x/middle)
	}
	return out
}

func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
