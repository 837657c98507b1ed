package match

import (
	"math"
	"slices"
)

// Moments are the mean and variance of the logarithms of N values.
type Moments struct {
	N         int
	Mean, Var float64
	Between   float64 // variance of what is common to a job; 0 where it was not told apart
	Days      int     // jobs that Between was told apart by; 0 where by none: see Turned
	DayDF     float64 // degrees of freedom of a job's own variance, where Days is not 0
	Tail2, DF float64 // of Student's t fitted to one side: its squared scale, its degrees of freedom
	Low       float64 // how many of them turned oddly little: see oddlyLow
	SkewWorth float64 // by which it is told, where by the values of several passes: the sum of their numbers times variances
	Skew      float64 // power of the values that is about normal: 0 lognormal, 1/3 gamma, 1 normal; rough below some hundred values
}

// Whole is the variance of values of all jobs together.
func (t *Moments) Whole() float64 { return t.Var + t.Between }

// Known is what earlier jobs taught about one pass of a joint. The zero value
// means untaught.
type Known struct {
	FreshAngle    Moments // rotation, of degrees plus floor: see turnLog
	Tight         Tight   // rotation of pulls on tight ones
	FreshDuration Moments // of seconds
	FreshInterval Moments // of seconds from one pull to the next
	FreshRate     Moments // of N·m per degree after snug
	// What is known from pulls that told no rotation, each over the middle of its job:
	Pace, Peak, Rise Moments // waits, peaks, and peaks of repeats
	Aim              Moments // the middles of the jobs' peaks, of N·m
	Wholes, Swings   float64 // how many pulls ended a tightening, and how many were unfinished
	Swung            float64 // how many tightenings had an unfinished pull
	Doubt            float64 // greatest odds of a miss that released jobs came to
}

// floorDeg is the noise floor that rotations are given before their logarithm
// is taken. Found: angles come in 0.25° steps and run on by up to 1.75°
// (screw-tightening-wear).
const floorDeg = 1

// KnownFrom gives what plain samples teach: rotations in degrees, durations
// and intervals in seconds, torque rates in N·m per degree. Values that are
// not numbers, and for all but rotations those not above zero, are left out.
// It is robust: the mean is the median, the spread comes from the interquartile range of the
// logarithms, over 1.349 (the normal distribution's). Slices are not changed.
func KnownFrom(freshAngles, repeatAngles, freshDurations, freshIntervals, freshRates []float64) Known {
	k := Known{
		FreshAngle:    momentsWithin(freshAngles, turnLog),
		FreshDuration: momentsOf(freshDurations, positiveLog), FreshInterval: momentsWithin(freshIntervals, positiveLog),
		FreshRate: momentsOf(freshRates, positiveLog),
	}
	TightTurns([]*Known{&k}, []Turns{{X: repeatAngles}})
	return k
}

// Values are values, and the job of each; Job is nil where jobs are not told apart.
type Values struct {
	X   []float64
	Job []int32
}

// FromTorque adds what pulls without a rotation taught: waits and peaks of first
// pulls and peaks of repeats, each over the middle of the first pulls of its job; and
// the middles of the jobs' peaks, N·m. Hands then fits how far the first two go out.
func (k *Known) FromTorque(pace, peak Values, rise, aim []float64) {
	k.Pace, k.Peak, k.Rise = momentsOf(pace.X, positiveLog), momentsOf(peak.X, positiveLog), momentsOf(rise, positiveLog)
	k.Aim = momentsOf(aim, positiveLog)
}

func momentsOf(xs []float64, f func(float64) float64) Moments {
	var ys []float64
	for _, x := range xs {
		if y := f(x); !math.IsNaN(y) {
			ys = append(ys, y)
		}
	}
	if len(ys) == 0 {
		return Moments{}
	}
	slices.Sort(ys)
	sd := (quantile(ys, 0.75) - quantile(ys, 0.25)) / 1.349
	m := Moments{N: len(ys), Mean: quantile(ys, 0.5), Var: sd * sd, Skew: skewOf(ys)}
	for _, y := range ys {
		m.Low += oddlyLow(y-m.Mean, max(sd, lowSpread))
	}
	return m
}

// oddlyLow is how likely a value, d in logarithms from the middle, is one of those
// that turn about a third, rather than the low end of the others: of those a power
// is taken for Student's t with lowDF degrees of freedom, as turnFresh does.
func oddlyLow(d, sd float64) float64 {
	if d >= 0 {
		return 0
	}
	z, y := (d+oddNearBy)/oddNearRange, math.Expm1(lowPower*d)/(lowPower*sd)
	odd := lowBefore / (oddNearRange * math.Sqrt(2*math.Pi)) * math.Exp(-z*z/2)
	low := math.Exp(studentNorm(lowDF)-(lowDF+1)/2.0*math.Log1p(float64(y*y)/lowDF)+lowPower*d) / sd
	return odd / (odd + low)
}

// What a value is held to be before it is looked at, the power and the degrees of
// freedom of the others, and the least spread of them that is believed. Our choice.
const (
	lowBefore = 0.002
	lowPower  = 0.8
	lowDF     = 15
	lowSpread = 0.1
)

// momentsWithin is momentsOf for values that go through a job after job: what
// differs from one job to the next is told apart from the spread within a job by
// how far values that follow each other differ: the mean square of that over 2, where
// none counts as further than farOff times its robust standard deviation, which is the
// median over 0.6745√2, the normal distribution's.
func momentsWithin(xs []float64, f func(float64) float64) Moments {
	m := momentsOf(xs, f)
	var ds []float64
	for i := 1; i < len(xs); i++ {
		if d := math.Abs(f(xs[i]) - f(xs[i-1])); !math.IsNaN(d) {
			ds = append(ds, d)
		}
	}
	if len(ds) < 20 {
		return m
	}
	slices.Sort(ds)
	far := farOff * quantile(ds, 0.5) / 0.6745
	sum := 0.0
	for _, d := range ds {
		d = min(d, far)
		sum += float64(d * d)
	}
	within := min(sum/(2*clippedSquare*float64(len(ds))), m.Var)
	m.Between, m.Var = m.Var-within, within
	return m
}

// skewOf gives the power λ of values, of which ys are the sorted logarithms,
// that is about normal. With (xᵏ−1)/k normal, k = λ, a quantile of the logarithm at z
// lies at sz − λs²z²/2 to second order; so the outer quantiles tell λ.
// Computed; held within −0.5 and 1.5.
func skewOf(ys []float64) float64 {
	const z = 1.6448536 // of 5 and 95 %
	lo, mid, hi := quantile(ys, 0.05), quantile(ys, 0.5), quantile(ys, 0.95)
	s := (hi - lo) / (2 * z)
	if !(s > 0) {
		return 0
	}
	return min(max(-(hi+lo-2*mid)/(s*s*z*z), -0.5), 1.5)
}

// quantile of a sorted slice, by linear interpolation.
func quantile(ys []float64, p float64) float64 {
	at := p * float64(len(ys)-1)
	i := int(at)
	if i+1 >= len(ys) {
		return ys[len(ys)-1]
	}
	return ys[i] + float64((at-float64(i))*(ys[i+1]-ys[i]))
}

// turnLog is a logarithm of a rotation that also takes zero and negative ones:
// ln a for rotations well above the floor, ln floor at zero. NaN if a is not a
// finite number.
func turnLog(a float64) float64 {
	if math.IsNaN(a) || math.IsInf(a, 0) {
		return math.NaN()
	}
	a = min(max(a, -2*floorDeg), 1e5)
	return math.Log((a + math.Sqrt(a*a+4*floorDeg*floorDeg)) / 2)
}

// positiveLog is ln x; NaN if x is not a finite number above zero.
func positiveLog(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return math.NaN()
	}
	return math.Log(x)
}
