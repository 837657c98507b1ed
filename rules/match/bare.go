package match

import "math"

// bare is what earlier jobs taught of pulls that tell neither rotation nor
// duration: there a short wait and a high peak are all that speaks for a repeat,
// so their tails are learned, not assumed.
type bare struct {
	taught     bool
	wait, peak side                // of first pulls: waits below the middle, peaks above it
	rise       [len(rises)]float64 // chances of each
	less       [len(lesses)]float64
}

// bareTaught is how many first pulls make the tails known; what the assumed spreads
// of waits and peaks, and of a repeat's rise, are worth beside them, in values. Our
// choice.
const (
	bareTaught = 20
	waitBeside = 8
	peakBeside = 4
	riseBeside = 4
)

// side is one side of a distribution, Student's t.
type side struct{ scale2, df, norm float64 }

func newSide(scale2, df float64) side { return side{scale2, df, studentNorm(df)} }

// log is the log density at d from the middle, which is known but for the variance
// off, on a day on which the variance is so many times the usual.
func (s *side) log(d, off, times float64) float64 {
	v := s.scale2*times + off
	return s.norm - 0.5*math.Log(v) - (s.df+1)/2*math.Log1p(d*d/(v*s.df))
}

// rises are how much higher than a first pull a repeat may peak, as logarithms, and
// riseWorth how likely each is before any was seen: static friction, or what a hard
// joint lets a hand run on, adds little on most joints and much on some. leastRises
// is how far the mean of those seen may be off at least. Assumed.
var (
	rises     = [...]float64{0, 0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.105}
	riseWorth = [...]float64{0.09, 0.18, 0.265, 0.265, 0.07, 0.06, 0.04, 0.03}
)

const leastRises = 0.004

// lesses are the shares of a first pull's wait that the tightening may take: a
// repeat saves it. walkRange is how far the spread of a joint's walks may be from
// the assumed one, as a logarithm. Whoever lost the place hesitates: with so much
// of the chance its walk is longer by so much. Assumed.
var lesses = [...]float64{0, 0.2, 0.35, 0.5, 0.62, 0.72, 0.8}

const (
	walkRange             = 0.4
	hesitates, hesitation = 0.25, 0.2
	walkLeast, walkMost   = 0.2, 0.6 // spread of walks that is believed
)

func (m *model) bareOf() bare {
	k, p := &m.j.Known, m.p
	r := bare{taught: k.Pace.N >= bareTaught && k.FreshInterval.N >= bareTaught && k.Peak.N >= bareTaught}
	if r.taught {
		mix := func(t Moments, sd2, beside float64) side {
			n := float64(t.N) / 2
			return newSide((float64(n*t.Tail2)+float64(beside*sd2))/(n+beside), t.DF)
		}
		r.wait = mix(k.Pace, k.FreshInterval.Var, waitBeside)
		r.peak = mix(k.Peak, p.PeakSpread*p.PeakSpread, peakBeside)
	}
	all := 0.0
	for i, by := range rises {
		r.rise[i] = riseWorth[i]
		if k.Rise.N > 0 {
			n := float64(k.Rise.N)
			v := (float64(k.Rise.Var*n)+float64(p.PeakRepSp*p.PeakRepSp*riseBeside))/(n+riseBeside)/n + leastRises*leastRises
			r.rise[i] *= heavy5(k.Rise.Mean, by, math.Sqrt(v))
		}
		all += r.rise[i]
	}
	for i := range r.rise {
		r.rise[i] /= all
	}
	for i, l := range lesses {
		r.less[i] = math.Log(1 - l)
	}
	return r
}

// bare tells whether a pull tells neither rotation nor duration nor a trace.
func (x *features) bare() bool {
	return !known(x.turn) && !known(x.rate) && !known(x.last) && !x.trace
}

// peakAgain is the log density of a repeat's peak: higher than first ones by as much
// as the joint's repeats were, or may be.
func (m *model) peakAgain(h *hyp, x float64) float64 {
	s := math.Sqrt(1.2*m.peak.scale2(h.peak) + 0.006*0.006)
	l := 0.0
	for i, by := range rises {
		l += float64(m.bare.rise[i] * heavy5(x, h.peak.mean+by, s))
	}
	return logAdd(math.Log(l)+m.logs.notOddBare, m.logs.oddBare)
}

// waitLess is the log density of the wait before a repeat, as a first pull's without
// the tightening. How much that takes nobody says; but what is left is a walk, and
// must take about as long as walks do and spread about as they do: where waits are
// long and even, most of each is the tightening.
func (m *model) waitLess(n normal, x float64) float64 {
	fresh := math.Sqrt(m.wait.scale2(n))
	far := math.Log(fresh/m.p.WalkSpread) / walkRange
	var sum, all float64
	for i, less := range lesses {
		rest := n.mean + m.bare.less[i]
		z, y := far-m.bare.less[i]/walkRange, (rest-m.logs.repeatS)/m.p.RepeatRange
		w := 1 / ((1 + float64(z*z*z*z)) * (1 + float64(y*y*y*y))) // broad, with heavy tails
		s := min(max(fresh/(1-less), walkLeast), walkMost)
		all += w
		sum += float64(w * (float64((1-hesitates)*heavy5(x, rest, s)) + float64(hesitates*heavy5(x, rest+hesitation, s))))
	}
	return math.Log(sum / all)
}
