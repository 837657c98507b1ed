package rules

import (
	"math"
	"slices"

	"witnessmark/events/quantity"
	"witnessmark/rules/match"
)

// turnLaw is how far the fasteners of one joint turn in its last pass: by the
// pulls of this job that count, and by what earlier jobs taught. Logarithms
// are of degrees plus a floor of one degree, as in rules/match.
type turnLaw struct {
	middle float64 // of the logarithms
	sd     float64 // of the logarithms
	power  float64 // power of a rotation that is about normal
	taught bool    // earlier jobs say how far such rotations spread
	n      int     // pulls of this job that it rests on
	lowest float64 // the least of their logarithms
	most   float64 // the greatest of those that nobody was told of
	spread float64 // of them alone
}

// Where a law comes from. The spread of 22 % within a joint is found
// (screw-tightening-wear); so is that such rotations have a longer tail upwards
// than a normal distribution. The cube root makes a gamma distribution about
// normal (Wilson and Hilferty 1931, from memory). How many values the assumed
// figures are worth beside those of the joint is our choice.
const (
	leastPulls  = 5    // below which nothing is said
	assumedSD   = 0.22 // of the logarithms
	assumedDF   = 8    // values that it is worth
	assumedRoot = 1.0 / 3
	rootWeight  = 150 // values that the root is worth
	taughtPulls = 20  // of earlier jobs, below which they are not asked
)

// madWorth is what a robust spread's values are worth beside those of a standard
// deviation (Rousseeuw and Croux 1993, from memory).
const madWorth = 0.37

// turnFloor is added to degrees before the logarithm, as rules/match does.
const turnFloor = 1.0

// turnLaw returns the law of a place's pass without one reading; false where
// too little is known to say that a rotation is odd.
func (t *tx) turnLaw(step, pass int, but uint64) (turnLaw, bool) {
	logs := t.job.turns(step, pass, but)
	k := t.job.Steps[step].Weigh[pass].Known.FreshAngle
	taught := k.N >= taughtPulls
	if len(logs) < leastPulls && !taught {
		return turnLaw{}, false
	}
	slices.Sort(logs)
	l := turnLaw{n: len(logs), power: assumedRoot, taught: taught}
	l.middle = k.Mean
	if l.n > 0 {
		l.lowest, l.most = logs[0], t.mostUntold(step, pass, logs)
	}
	ss, df := assumedDF*assumedSD*assumedSD, float64(assumedDF)
	if l.n >= leastPulls {
		l.middle = logs[l.n/2]
		s, n := robustSpread(logs, l.middle), madWorth*float64(l.n)
		ss += float64(n * s * s)
		df += n
		l.spread = s
	}
	if s, n := t.job.spreadBefore(step, pass); !taught && s > assumedSD {
		ss += float64(n * s * s)
		df += n
	}
	if taught {
		ss += float64(k.N) * k.Whole()
		df += float64(k.N)
		l.power = rootOf(k)
	}
	l.sd = math.Sqrt(ss / df)
	if taught && l.n >= leastPulls {
		// The middle of few is drawn to what was taught.
		own, known := l.sd*l.sd*math.Pi/2/float64(l.n), middleRange*middleRange+k.Var/float64(k.N)
		l.middle = (float64(l.middle*known) + float64(k.Mean*own)) / (known + own)
	}
	if l.n > 0 && l.n < leastPulls || l.n == 0 {
		l.sd = math.Hypot(l.sd, jobToJob)
	} else {
		l.sd *= math.Sqrt(1 + math.Pi/2/float64(l.n)) // of a median
	}
	return l, true
}

// spreadBefore is how far rotations spread in the pass before of the same joint, robust,
// of their logarithms, and how many values that is worth; of few it tells nothing. A
// joint that is irregular there is so in the next pass.
func (j *Job) spreadBefore(step, pass int) (sd, worth float64) {
	if pass == 0 {
		return 0, 0
	}
	logs := j.turns(step, pass-1, 0)
	if len(logs) < aloneOthers {
		return 0, 0
	}
	slices.Sort(logs)
	return robustSpread(logs, logs[len(logs)/2]), madWorth * float64(len(logs))
}

// jobToJob is how much a joint's middle differs from one job to the next, in
// logarithms. Assumed.
const jobToJob = 0.08

// middleRange is how much it may differ, before some pulls of the job are taken to
// say where it lies rather than those of earlier ones. Assumed: wider than it is,
// so that a lot of bolts unlike those before is not called odd for long.
const middleRange = 0.15

// rootOf draws a taught power to the assumed one, as its spread allows.
func rootOf(k match.Moments) float64 {
	w := float64(k.N) * k.Whole() / (0.25 * 0.25)
	return min(max((assumedRoot*rootWeight+float64(w*k.Skew))/(rootWeight+w), 0.02), 1)
}

// times returns how many times the usual rotation one is.
func (l *turnLaw) times(deg float64) float64 {
	return (max(deg, 0) + turnFloor) / math.Exp(l.middle)
}

// mostUntold is the greatest of a pass's rotations, as sorted logarithms, without
// those that an open alert is about.
func (t *tx) mostUntold(step, pass int, logs []float64) float64 {
	var told []float64
	for _, e := range t.job.Steps[step].Weigh[pass].pulls() {
		if deg, ok := e.turn(); ok && t.toldOf(e.Pull.Reading) {
			told = append(told, math.Log(deg+turnFloor))
		}
	}
	n := len(logs) - 1
	for n > 0 && slices.Contains(told, logs[n]) {
		n--
	}
	return logs[n]
}

// stray reports whether the joint's others reach far up too: then one that goes
// little beyond them is of the same kind.
func (l *turnLaw) stray(deg float64) bool {
	others := math.Exp(l.most) - turnFloor
	return l.n >= aloneOthers && l.off(others) >= oddOthers && math.Log(max(deg, 0)+turnFloor)-l.most < math.Log(aloneTop)
}

// alone reports whether a rotation lies far above all of enough others, which must
// not hold it.
func (l *turnLaw) alone(deg float64) bool {
	return l.n >= aloneOthers && l.usual() >= aloneUsual && l.off(deg) >= aloneOff && l.times(deg) >= aloneMuch &&
		math.Log(max(deg, 0)+turnFloor)-l.most >= math.Log(aloneTop)
}

// aloneBelow is alone for a rotation far below all of the others, which are regular.
func (l *turnLaw) aloneBelow(deg float64) bool {
	return l.n >= aloneOthers && l.spread <= assumedSD && l.off(deg) <= -aloneBelowOff && l.times(deg) <= aloneLittle &&
		l.usual()-deg >= oddFewer && l.lowest-math.Log(max(deg, 0)+turnFloor) >= math.Log(aloneBottom)
}

// usual is the usual rotation in degrees.
func (l *turnLaw) usual() float64 { return max(0, math.Exp(l.middle)-turnFloor) }

// off returns how many standard deviations a rotation is off.
func (l *turnLaw) off(deg float64) float64 {
	return math.Expm1(float64(l.power*math.Log(l.times(deg)))) / l.power / l.sd
}

// turnTold reports whether a tool told a rotation that can be one. Noise may make
// it a little less than nothing; more than that is against the pull, and says
// nothing of how far a fastener turned.
func turnTold(angle quantity.Value) bool {
	return !angle.IsZero() && angle.In(quantity.Degree) >= leastAngle
}

// leastAngle is in degrees: twice the noise floor. Our choice.
const leastAngle = -2 * turnFloor

// turn is the rotation of a weighed pull in degrees.
func (e *Evidence) turn() (deg float64, ok bool) {
	r := reading{angle: e.Pull.Angle, found: e.Pull.Trace}
	return r.turn()
}

// robustSpread is the median distance from the middle, over 0.6745: the
// standard deviation of a normal distribution (Rousseeuw and Croux 1993, from
// memory).
func robustSpread(sorted []float64, middle float64) float64 {
	d := make([]float64, len(sorted))
	for i, x := range sorted {
		d[i] = math.Abs(x - middle)
	}
	slices.Sort(d)
	return d[len(d)/2] / 0.6745
}
