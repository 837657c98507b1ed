package labelled

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// World names a set of assumptions on how joints turn and how people work.
// What holds in one world alone is no finding: rules that were tuned on the one
// are to be measured on the other.
type World string

// The worlds, all invented. Steady: rotations spread normally by the same in
// every joint, people work at an even pace. Rough: heavier tails and another
// spread in every joint, friction that changes within a job, other habits,
// other times, people who go around where the order is only advised. Brisk: a
// third kind of law for each: turns with far outliers (Student's t), tight
// fasteners that turn like a half normal variable, peaks that end at the
// target or run past it, walks of a Weibull law that hardly heed the distance,
// pauses without a typical length (Lomax).
const (
	Steady World = "steady"
	Rough  World = "rough"
	Brisk  World = "brisk"
)

// Worlds returns them all.
func Worlds() []World { return []World{Steady, Rough, Brisk} }

// ParseWorld returns the world of a name; the error lists those there are.
func ParseWorld(name string) (World, error) {
	if _, there := worlds[World(name)]; !there {
		return "", fmt.Errorf("there is no world %q; there are %v", name, Worlds())
	}
	return World(name), nil
}

// world holds the assumptions in which worlds differ. "Found" and "invented"
// as in params.go, whose constants the steady world takes.
type world struct {
	salt uint64

	hardestDeg, softestDeg float64 // of a joint's turn
	kneeLow, kneeHigh      float64
	kneeSteeper            float64
	jobCV                  float64
	cvLow, cvHigh          float64 // of turns within a joint, one in every joint; equal: the same in all
	turns                  law     // normal, lognormal or Student's t
	wild                   float64 // share of pulls that spread wildCV times as much
	change                 float64 // share of jobs within which the friction changes, in all fasteners from then on
	windUpLow, windUpRange float64 // degrees

	gasketLeast, gasketChance, gasketLow, gasketRange, neighbourTurnSD float64
	repeatTurnDeg, repeatTurnShare                                     float64
	repeatFar                                                          float64 // share of repeats that turn three times as much on average
	repeats                                                            law     // exponential or half normal

	handSD, repeatSD, repeatShift, aimMean, aimSD float64
	past                                          float64 // mean of how far a peak runs past where the hand lets go, of target; 0: it does not
	swingLeast, swingMost                         float64
	slowDegS, durationCV, pullStartS              float64

	fitS, refitS, walkMMS, walkSD, paceSD, hesitate float64
	walks, pauses                                   law // walks: lognormal, gamma or Weibull; pauses: exponential, lognormal or Lomax
	pauseChance, pauseS, pauseSD                    float64
	swingGapS, swingGapSD, secondGapS, secondGapSD  float64

	habitChance, secondOften, secondRare, ratchetChance, swingOften, swingRare, swapChance float64
	aroundChance                                                                           float64 // who goes around where the order is only advised
	lostBefore                                                                             float64 // who lost the place: share on the one just done; the rest anywhere. 0: by nearness
}

const wildCV = 1.5

// law names the form of a distribution.
type law int

const (
	normalLaw law = iota
	logNormalLaw
	studentLaw
	exponentialLaw
	halfNormalLaw
	gammaLaw
	weibullLaw
	lomaxLaw
)

const (
	studentDF  = 12  // degrees of freedom of turns in the brisk world
	lomaxShape = 2.5 // of its pauses
)

var worlds = map[World]*world{
	Steady: {
		hardestDeg: hardestDeg, softestDeg: softestDeg, kneeLow: kneeLow, kneeHigh: kneeHigh, kneeSteeper: kneeSteeper, jobCV: jobCV, cvLow: turnCV, cvHigh: turnCV,
		windUpLow: 1, windUpRange: 3, gasketLeast: gasketLeast, gasketChance: gasketChance, gasketLow: gasketLow, gasketRange: gasketRange, neighbourTurnSD: neighbourTurnSD,
		repeatTurnDeg: repeatTurnDeg, repeatTurnShare: repeatTurnShare, repeats: exponentialLaw, handSD: handSD, repeatSD: repeatSD, repeatShift: repeatShift, aimMean: aimMean, aimSD: aimSD,
		swingLeast: swingLeast, swingMost: swingMost, slowDegS: slowDegS, durationCV: durationCV, pullStartS: pullStartS,
		fitS: fitS, refitS: refitS, walkMMS: walkMMS, walkSD: walkSD, paceSD: paceSD, hesitate: hesitate, walks: logNormalLaw, pauses: exponentialLaw, pauseChance: pauseChance, pauseS: pauseS,
		swingGapS: swingGapS, swingGapSD: swingGapSD, secondGapS: secondGapS, secondGapSD: secondGapS2,
		habitChance: habitChance, secondOften: secondOften, secondRare: secondRare, ratchetChance: ratchetChance, swingOften: swingOften, swingRare: swingRare, swapChance: swapChance,
	},
	// All invented, but for the knee and its steepness (found, see params.go), and
	// chosen to be another kind of work, not a worse one.
	Rough: {
		salt: 0x40a6, hardestDeg: 18, softestDeg: 420, kneeLow: 0.22, kneeHigh: 0.53, kneeSteeper: 9, jobCV: 0.10, cvLow: 0.10, cvHigh: 0.22, turns: logNormalLaw, wild: 0.02, change: 0.08,
		windUpLow: 1.5, windUpRange: 4, gasketLeast: 90, gasketChance: 0.20, gasketLow: 0.06, gasketRange: 0.24, neighbourTurnSD: 0.30,
		repeatTurnDeg: 0.5, repeatTurnShare: 0.008, repeatFar: 0.2, repeats: exponentialLaw, handSD: 0.024, repeatSD: 0.018, repeatShift: 0.015, aimMean: 0.004, aimSD: 0.015,
		swingLeast: 0.30, swingMost: 0.90, slowDegS: 45, durationCV: 0.06, pullStartS: 0.45,
		fitS: 2.6, refitS: 1.7, walkMMS: 450, walkSD: 0.42, paceSD: 0.30, hesitate: 1.1, walks: gammaLaw, pauses: logNormalLaw, pauseChance: 0.015, pauseS: 50, pauseSD: 1.0,
		swingGapS: 0.8, swingGapSD: 0.4, secondGapS: 0.9, secondGapSD: 0.45,
		habitChance: 0.07, secondOften: 0.16, secondRare: 0.0002, ratchetChance: 0.05, swingOften: 0.09, swingRare: 0.0005, swapChance: 0.03,
		aroundChance: 0.08, lostBefore: 0.55,
	},
	// All invented, chosen to be unlike the other two in the form of each law.
	Brisk: {
		salt: 0x7b15c, hardestDeg: 40, softestDeg: 600, kneeLow: 0.15, kneeHigh: 0.45, kneeSteeper: 6, jobCV: 0.05, cvLow: 0.06, cvHigh: 0.16, turns: studentLaw,
		windUpLow: 0.5, windUpRange: 3, gasketLeast: 45, gasketChance: 0.15, gasketLow: 0.04, gasketRange: 0.12, neighbourTurnSD: 0.35,
		repeatTurnDeg: 0.6, repeatTurnShare: 0.01, repeats: halfNormalLaw, handSD: 0.008, repeatSD: 0.010, repeatShift: 0.004, past: 0.014, aimMean: -0.004, aimSD: 0.008,
		swingLeast: 0.50, swingMost: 0.95, slowDegS: 90, durationCV: 0.05, pullStartS: 0.25,
		fitS: 2.2, refitS: 1.0, walkMMS: 900, walkSD: 0.28, paceSD: 0.12, hesitate: 1.0, walks: weibullLaw, pauses: lomaxLaw, pauseChance: 0.05, pauseS: 15,
		swingGapS: 0.7, swingGapSD: 0.5, secondGapS: 0.7, secondGapSD: 0.5,
		habitChance: 0.10, secondOften: 0.05, secondRare: 0.0004, ratchetChance: 0.10, swingOften: 0.04, swingRare: 0.0004, swapChance: 0.02,
		aroundChance: 0.03, lostBefore: 0.30,
	},
}

// cv draws how much turns within a joint spread.
func (w *world) cv(rng *rand.Rand) float64 {
	if w.cvLow == w.cvHigh {
		return w.cvLow
	}
	return w.cvLow + (w.cvHigh-w.cvLow)*rng.Float64()
}

// spread draws by what factor a turn differs from its joint's.
func (w *world) spread(rng *rand.Rand, cv float64) float64 {
	if w.wild > 0 && rng.Float64() < w.wild {
		cv *= wildCV
	}
	z := rng.NormFloat64()
	if w.turns == studentLaw {
		z *= studentScale / math.Sqrt(2*gamma(rng, studentDF/2.0)/studentDF)
	}
	return w.factor(cv, z)
}

// studentScale makes the standard deviation 1.
var studentScale = math.Sqrt(float64(studentDF-2) / studentDF)

// factor is that factor for a standard normal value.
func (w *world) factor(cv, z float64) float64 {
	if w.turns == logNormalLaw {
		return math.Exp(cv * z)
	}
	return max(0.2, 1+cv*z)
}

// turnDensity is that of a turn of a fastener that was loose, read with some
// error.
func (w *world) turnDensity(x, mean, cv, sd float64) float64 {
	if w.turns == normalLaw {
		return normal(x, mean, math.Hypot(cv*mean, sd))
	}
	if mean <= 0 { // nothing was left to turn
		return 0
	}
	d := func(y float64) float64 {
		if w.turns == studentLaw {
			return student((y-mean)/(cv*mean*studentScale), studentDF) / (cv * mean * studentScale)
		}
		return (1-w.wild)*logNormal(y, mean, cv) + w.wild*logNormal(y, mean, wildCV*cv)
	}
	if sd < 0.1*cv*mean {
		return d(x)
	}
	sum, weight := 0.0, 0.0
	for z := -3.5; z <= 3.5; z += 0.25 {
		k := math.Exp(-z * z / 2)
		sum += k * d(x-z*sd)
		weight += k
	}
	return sum / weight
}

// stopped draws where a pull ends, as a share of the target from it, for a
// hand that aims at aim.
func (w *world) stopped(rng *rand.Rand, aim, sd float64) float64 {
	x := aim + sd*rng.NormFloat64()
	if w.past > 0 {
		x += w.past * rng.ExpFloat64()
	}
	return x
}

// stoppedDensity is the density of that, and stoppedBelow its distribution
// function.
func (w *world) stoppedDensity(x, aim, sd float64) float64 {
	if w.past > 0 {
		return delayed(x-aim, w.past, sd)
	}
	return normal(x, aim, sd)
}

func (w *world) stoppedBelow(x, aim, sd float64) float64 {
	p := below((x - aim) / sd)
	if w.past > 0 {
		p -= w.past * delayed(x-aim, w.past, sd)
	}
	return p
}

// stillTurn draws the turn of a fastener that was tight.
func (w *world) stillTurn(rng *rand.Rand, joint float64) float64 {
	m := w.stillMean(joint)
	if w.repeatFar > 0 && rng.Float64() < w.repeatFar {
		m *= 3
	}
	if w.repeats == halfNormalLaw {
		return m * math.Sqrt(math.Pi/2) * math.Abs(rng.NormFloat64())
	}
	return m * rng.ExpFloat64()
}

func (w *world) stillMean(joint float64) float64 {
	return w.repeatTurnDeg + w.repeatTurnShare*joint
}

// stillDensity is that of such a turn, read with some error.
func (w *world) stillDensity(x, joint, sd float64) float64 {
	m := w.stillMean(joint)
	if w.repeats == halfNormalLaw {
		return halfNormal(x, m*math.Sqrt(math.Pi/2), sd)
	}
	return (1-w.repeatFar)*delayed(x, m, sd) + w.repeatFar*delayed(x, 3*m, sd)
}

// walkTime draws how long a walk takes, and pause how much longer with a pause.
func (w *world) walkTime(rng *rand.Rand, median float64) float64 {
	switch w.walks {
	case gammaLaw:
		k := 1 / (w.walkSD * w.walkSD)
		return median * gamma(rng, k) / k
	case weibullLaw: // of shape 1/walkSD
		return median * math.Pow(rng.ExpFloat64()/math.Ln2, w.walkSD)
	}
	return median * math.Exp(w.walkSD*rng.NormFloat64())
}

func (w *world) pause(rng *rand.Rand) float64 {
	switch w.pauses {
	case logNormalLaw:
		return w.pauseS * math.Exp(w.pauseSD*rng.NormFloat64())
	case lomaxLaw:
		return w.pauseS * (math.Exp(rng.ExpFloat64()/lomaxShape) - 1)
	}
	return w.pauseS * rng.ExpFloat64()
}

// walkDensity is that of the time from the end of one pull to the start of
// the next at another place.
func (w *world) walkDensity(s, median float64) float64 {
	d := (1 - w.pauseChance)
	switch w.walks {
	case gammaLaw:
		d *= gammaDensity(s, median, 1/(w.walkSD*w.walkSD))
	case weibullLaw:
		d *= weibull(s, median, 1/w.walkSD)
	default:
		d *= logNormal(s, median, w.walkSD)
	}
	switch {
	case s <= median:
	case w.pauses == logNormalLaw:
		d += w.pauseChance * logNormal(s-median, w.pauseS, w.pauseSD)
	case w.pauses == lomaxLaw:
		d += w.pauseChance * lomaxShape / w.pauseS * math.Pow(1+(s-median)/w.pauseS, -lomaxShape-1)
	default:
		d += w.pauseChance * math.Exp(-(s-median)/w.pauseS) / w.pauseS
	}
	return d
}

// gamma draws a gamma variable of a shape of at least 1, and scale 1
// (Marsaglia and Tsang, ACM TOMS 26, 2000; from memory).
func gamma(rng *rand.Rand, shape float64) float64 {
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := rng.NormFloat64()
		v := math.Pow(1+c*x, 3)
		if v > 0 && math.Log(rng.Float64()) < 0.5*x*x+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}

// gammaDensity is that of a gamma variable of a mean and shape.
func gammaDensity(x, mean, shape float64) float64 {
	if x <= 0 {
		return 0
	}
	g, _ := math.Lgamma(shape)
	return math.Exp(shape*math.Log(shape/mean) + (shape-1)*math.Log(x) - shape*x/mean - g)
}
