package match

import "math"

// Densities of the logarithms where nothing is known: one over a range that
// any pull falls into. Assumed.
var (
	anyTurn = -math.Log(8.0) // 0.3° to 1,000°
	anyLast = -math.Log(5.0)
	anyPeak = -math.Log(2.2) // a third to twice the target
	anyRate = -math.Log(6.0)
)

// features are the logarithms of what a pull tells; NaN where it tells none.
type features struct {
	turn, last, wait, peak, rate float64
	quarter                      float64 // see Trace.Quarter; of a pull that tells no rotation, NaN
	trace, snug, brk, sure       bool
	unclear                      bool   // quarter and brk do not agree on when it moved
	net                          bool   // the rotation is the trace's
	low                          bool   // below the limit: unfinished
	after                        bool   // the pull before it was
	high                         bool   // above the limits
	brokeOff                     bool   // a long break before it
	gap                          bool   // cycles were lost before it
	whole                        bool   // the wait includes the tightening
	day                          Spread // of the waits, as much as they tell of the peaks' spread
	other                        float64
}

// model is what a Filter's hypotheses share: parameters, joint and priors.
type model struct {
	p                            *Params
	j                            Joint
	order, at                    []int // order, and where in it each fastener is
	all                          uint64
	turn, last, wait, peak, rate *prior
	quarter                      *prior
	again                        *prior // closing round: rotation of a repeat
	arc, grip                    *prior // of unfinished pulls: rotation, and the time to the next
	swings                       swings
	shifts                       [len(waitShares)]float64
	skew                         float64
	oddNear                      float64 // chance of a first pull that turns a good deal less
	logs                         logs
	bare                         bare
}

// logs are logarithms of parameters that every pull needs.
type logs struct {
	odd, oddHigh, notOdd, relieved, notRelieved, pause, notPause, peakOdd, peakLow, notPeakOdd, atOnce, snugR, noSnugR, brkR, noBrkR, stillR, noStillR, stillF, noStillF, oddBare, notOddBare, relShare, repLasts, repRate, pauseS, repeatS, onceS, oddNear, hasty, slow float64
	quarterOdd, quarterOddLow, notQuarterOdd, quarterOddTurn, notQuarterOddTurn, quarterTop, quarterAny                                                                                                                                                                  float64
}

func newModel(p *Params, j Joint) *model {
	m := &model{p: p, j: j}
	m.order, m.at = orderOf(j)
	m.all = ^uint64(0) >> (64 - len(m.order))
	m.skew = m.power()
	m.oddNear = m.nearOdds()
	m.priors()
	m.setLogs()
	m.bare = m.bareOf()
	odd := p.OddBare
	if m.bare.taught {
		odd = p.OddTaught
	}
	m.logs.oddBare, m.logs.notOddBare = math.Log(odd)+anyPeak, math.Log(1-odd)
	return m
}

// priors sets what is believed of fresh pulls before the first.
func (m *model) priors() {
	p, k := m.p, m.j.Known
	mean, spread := math.Log(p.UntaughtDeg), p.UntaughtRange
	switch m.j.Stiffness {
	case Hard:
		mean, spread = math.Log(27)-0.5, 0.7
	case Soft:
		mean, spread = math.Log(324), 0.7
	}
	known := k.FreshAngle
	noise := p.TurnNoise / math.Exp(known.Mean)
	known.Var = max(known.Var, float64(noise*noise)) // a coarse angle shows no spread
	m.turn = m.taught(known, mean, spread, p.FreshSpread)
	if o := m.j.Mood.Turns; known.Days > 0 {
		m.turn = m.turn.today(Spread{}.and(o, min(p.TurnsCarried, turnsMost/max(o.N, 1))))
	}
	m.last = m.taught(k.FreshDuration, math.Log(1.5), 1.0, p.LastSpread)
	m.wait = m.waitPrior()
	m.rate = m.taught(k.FreshRate, 0, 2, p.RateSpread)
	m.peak = m.peakPrior()
	m.quarter = newPrior(p.Quarter, p.QuarterRange, p.QuarterSpread, p.QuarterDF)
	again := math.Log(p.RepeatDeg + floorDeg)
	m.again = newPrior(again, 1, 0.5, 6)
	m.arc = newPrior(math.Log(p.ArcDeg), p.ArcRange, p.ArcSpread, 6)
	m.grip = newPrior(math.Log(p.GripS), p.GripRange, p.GripSpread, 4)
	m.swings = m.swingsBefore()
	if k.Tight.Worth >= tightTaught {
		m.again = newPrior(k.Tight.Mean, 0.3, math.Sqrt(k.Tight.Var), 8)
	}
}

// taught gives the prior that earlier jobs taught, or else the broad one. A
// taught spread is mixed with the assumed one, which counts as FreshDF values.
func (m *model) taught(k Moments, mean, off, sd float64) *prior {
	p := m.p
	if k.N < 5 {
		return newPrior(mean, off, sd, p.FreshDF)
	}
	n, df := float64(k.N), p.TaughtMix
	most, between := p.TaughtDF, max(k.Between, p.JobSpread*p.JobSpread)
	if jobs := float64(k.Days); jobs > 0 {
		df, most = p.DaysMix, k.DayDF
		between = (float64(jobs*k.Between) + float64(p.JobWorth*p.JobSpread*p.JobSpread)) / (jobs + p.JobWorth)
	}
	v := (float64(df*sd*sd) + float64(n*k.Var)) / (df + n)
	return newPrior(k.Mean, math.Sqrt(between+v/n), math.Sqrt(v), math.Round(min(df+n, most)))
}

func (m *model) setLogs() {
	p, ln := m.p, math.Log
	m.logs = logs{
		odd: ln(p.Odd) + anyTurn, oddHigh: ln(p.OddHigh) + anyTurn, notOdd: ln(1 - p.Odd), relieved: ln(p.Relieved), notRelieved: ln(1 - p.Relieved),
		pause: ln(p.Pause), notPause: ln(1 - p.Pause), peakOdd: ln(p.PeakOdd) + anyPeak, peakLow: ln(p.PeakLow) + anyPeak, notPeakOdd: ln(1 - p.PeakOdd),
		atOnce: ln(p.AtOnce), snugR: ln(p.SnugRepeat), noSnugR: ln(1 - p.SnugRepeat),
		brkR: ln(p.BreakRepeat), noBrkR: ln(1 - p.BreakRepeat), stillR: ln(p.StillRepeat), noStillR: ln(1 - p.StillRepeat), stillF: ln(p.StillFresh), noStillF: ln(1 - p.StillFresh),
		relShare: ln(p.RelievedShare), repLasts: ln(p.RepeatLasts), repRate: ln(p.RepeatRate), pauseS: ln(p.PauseS), repeatS: ln(p.RepeatS), onceS: ln(p.OnceS), hasty: ln(1 - p.HabitSlow), slow: ln(p.HabitSlow),
		quarterOdd: ln(p.QuarterOdd), quarterOddLow: ln(p.QuarterOddLow), notQuarterOdd: ln(1 - p.QuarterOddLow), quarterOddTurn: ln(p.QuarterOddTurn), notQuarterOddTurn: ln(1 - p.QuarterOddTurn),
		quarterTop: ln((1 - p.QuarterAny) / p.QuarterTop), quarterAny: ln(p.QuarterAny),
		oddNear: ln(m.oddNear / (oddNearRange * math.Sqrt(2*math.Pi))),
	}
	for i, share := range waitShares {
		m.shifts[i] = ln(share)
	}
}

// soonest is the shortest time between the ends of two pulls, s. What comes
// sooner came late, in a burst, and its time tells nothing. Assumed.
const soonest = 0.15

// features takes the logarithms of what a pull tells. before is when the pull
// before it was taken.
func (m *model) features(q Pull, before float64) features {
	x := features{turn: turnLog(q.Angle), last: positiveLog(q.Duration), wait: math.NaN(), peak: math.NaN(), rate: math.NaN(), quarter: math.NaN()}
	if t := q.Trace; t != nil {
		x.trace, x.snug, x.brk, x.sure, x.rate = true, t.Snug, t.Breakaway, t.Sure, positiveLog(t.RateNmDeg)
		if y := turnLog(t.NetDeg); !math.IsNaN(y) {
			x.turn, x.net = y, true
		}
	}
	if known(x.turn) { // to the same torque, the rate is the rotation told once more
		x.rate = math.NaN()
	}
	if m.j.Target > 0 {
		x.peak = positiveLog(q.Torque / m.j.Target)
	}
	if x.trace && x.net && q.Trace.Quarter > 0 {
		// A quarter of a small rotation may be wind-up that the spring-back does not tell.
		x.quarter = q.Trace.Quarter
		x.unclear = x.sure && x.brk && x.quarter < m.p.QuarterClear
	}
	x.low, x.high = !(q.Torque >= m.j.LSL), m.j.USL > 0 && q.Torque > m.j.USL
	if d := q.AtS - before; d > soonest && d < 1e7 {
		x.brokeOff = d > m.p.BreakS
		x.whole = !(q.Duration > 0 && q.Duration < d)
		if !x.whole {
			d -= q.Duration
		}
		x.wait = math.Log(max(d, 0.2))
	}
	x.other = m.otherPeak(q.Torque)
	return x
}

// otherPeak is the logarithm of the density of a peak where other steps are
// open.
func (m *model) otherPeak(t float64) float64 {
	if len(m.j.OtherTargets) == 0 {
		return math.Inf(-1)
	}
	s := math.Inf(-1)
	for _, o := range m.j.OtherTargets {
		if y := positiveLog(t / o); !math.IsNaN(y) {
			s = logAdd(s, student5(y, 0.01, m.p.PeakRange))
		}
	}
	return logAdd(s-math.Log(float64(len(m.j.OtherTargets)))+m.logs.notPeakOdd, m.logs.peakOdd)
}

// known tells whether a feature was reported.
func known(x float64) bool { return !math.IsNaN(x) }

// fresh is the log density of a pull's features, but for the wait, if it
// tightened a fastener; odd tells that its rotation is none to learn from.
func (m *model) fresh(h *hyp, x *features) (l float64, odd bool) {
	if known(x.turn) {
		t, o := m.turnFresh(h, x.turn)+m.logs.notOdd, m.logs.odd
		if d := x.turn - h.turn.mean; d > 0 {
			o = m.logs.oddHigh
		} else if m.oddNear > 0 {
			z := (d + oddNearBy) / oddNearRange
			o = logAdd(o, m.logs.oddNear-z*z/2)
		}
		odd = t < o
		l += logAdd(t, o)
	}
	if known(x.last) {
		l += m.dependent(x) * logAdd(m.last.log(h.dur, x.last)+math.Log(0.98), math.Log(0.02)+anyLast)
	}
	if known(x.rate) {
		l += logAdd(m.rate.log(h.rate, x.rate)+math.Log(0.98), math.Log(0.02)+anyRate)
	}
	if x.trace {
		switch {
		case x.low: // a part of the way, which others' signs tell little of
			l += m.signLow(h, x)
		case x.unclear:
			l += h.shown(h.snugs, m.p.SnugFresh, x.snug) + m.quarterUnclear(h, x.quarter)
		case known(x.quarter):
			l += h.shown(h.snugs, m.p.SnugFresh, x.snug) + m.quarterFresh(h, x.quarter, odd)
		default:
			l += h.shown(h.snugs, m.p.SnugFresh, x.snug) + m.brokeFresh(h, x)
		}
	}
	return l + m.peakFresh(h, x), odd
}

// shown is the log chance that a fresh pull shows a sign, or does not: as
// often as the fresh pulls of the hypothesis have shown it so far, begun with
// prior as one pull's worth.
func (h *hyp) shown(times uint16, prior float64, is bool) float64 {
	p := min(max((prior+float64(times))/(1+float64(h.traced)), 0.002), 0.99)
	if is {
		return math.Log(p)
	}
	return math.Log(1 - p)
}

// brokeFresh is the log chance that a fresh pull shows, or does not show, that
// nothing moved until near its peak. Where the trace tells that surely, a few odd
// pulls must not teach that it is nothing strange.
func (m *model) brokeFresh(h *hyp, x *features) float64 {
	if x.sure {
		return pick(x.brk, m.logs.stillF, m.logs.noStillF)
	}
	return h.shown(h.breaks, m.p.BreakFresh, x.brk)
}

// quarterFresh is the log density of the torque at which a fresh pull had made a
// quarter of its rotation, as a share of its peak. It is about the same for all first
// pulls of a pass, how far ever they turn. One that turned oddly little may have been
// tight nearly, which would show here too.
func (m *model) quarterFresh(h *hyp, x float64, oddTurn bool) float64 {
	if oddTurn {
		return logAdd(m.logs.notQuarterOddTurn+m.quarter.log(h.quarter, x), m.logs.quarterOddTurn)
	}
	odd := m.logs.quarterOdd
	if x < m.p.QuarterClear { // no tight one's either, so that the first pulls may be the odd ones
		odd = m.logs.quarterOddLow
	}
	return logAdd(m.logs.notQuarterOdd+m.quarter.log(h.quarter, x), odd)
}

// quarterRepeat is the same of a repeat: near its peak, since nothing moves before it
// is as tight again as it was; or anywhere, where what seems to turn is wind-up that the
// spring-back does not tell.
func (m *model) quarterRepeat(x float64) float64 {
	return logAdd(m.logs.quarterTop-(1-min(x, 1))/m.p.QuarterTop, m.logs.quarterAny)
}

// quarterUnclear is the same where, but for what is uncertain of the wind-up, nothing
// moved until near the peak: a fresh pull that turned so little does so as often as not.
// In a repeat the share may be any.
func (m *model) quarterUnclear(h *hyp, x float64) float64 {
	return math.Log(0.5) + logAdd(math.Log(1-m.p.QuarterUnclear)+m.quarter.log(h.quarter, x), math.Log(m.p.QuarterUnclear))
}

// signLow is the log density of what a trace shows besides its rotation of a pull that
// ended low on a fastener that was loose. Had the torque risen evenly with the rotation,
// it would have begun to turn where the others do.
func (m *model) signLow(h *hyp, x *features) float64 {
	if !known(x.quarter) || !known(x.peak) || h.quarter.n == 0 {
		return x.anySign()
	}
	whole := math.Exp(h.peak.mean - x.peak)
	begins := max(h.quarter.mean-0.25, 0) * whole // three quarters of that
	at := min(max(h.quarter.mean, begins+0.25), 1)
	s := math.Sqrt(m.quarter.scale2(h.quarter) + m.p.QuarterLow*m.p.QuarterLow)
	return x.anySign() + logAdd(math.Log(0.8)+student5(x.quarter, at, s), math.Log(0.2))
}

// anySign is the log density of what a trace shows besides its rotation where nothing is
// known of it.
func (x *features) anySign() float64 {
	if known(x.quarter) && !x.unclear {
		return math.Log(0.5)
	}
	return 2 * math.Log(0.5)
}

// turnFresh is the log density of a fresh rotation. Its shape lies between the
// lognormal and the normal distribution: a power of it is taken for Student's
// t, around the mean that the logarithms have. The cube root makes a gamma
// distribution almost normal (Wilson and Hilferty, PNAS 17, 1931; from
// memory). Low rotations are then less of a surprise than to the lognormal.
func (m *model) turnFresh(h *hyp, x float64) float64 {
	if h.turn.n == 0 && m.j.Known.FreshAngle.N < 5 {
		return m.turn.log(h.turn, x)
	}
	d := min(x-h.turn.mean, 4)
	y := math.Expm1(m.skew*d) / m.skew
	return m.turn.log(h.turn, h.turn.mean+y) + float64(m.skew*d)
}

// power gives the power of a fresh rotation that is taken for normal: as
// taught, drawn to the assumed one as if that came from SkewWeight values, as
// their spread allows: the error of a taught one goes with 1/(s√n).
func (m *model) power() float64 {
	k, p := m.j.Known.FreshAngle, m.p
	if k.N < 20 {
		return p.Skew
	}
	w := float64(k.N) * k.Var
	if k.Days > 0 {
		w = k.SkewWorth
	}
	w /= 0.25 * 0.25
	return min(max((p.SkewTaught*p.SkewWeight+float64(w*k.Skew))/(p.SkewWeight+w), 0.02), 1)
}

// A first pull now and then turns a good deal less than the others, around a third
// of it, in logarithms. Assumed.
const (
	oddNearBy    = 1.05
	oddNearRange = 0.45
)

// nearOdds is the chance of that: as often as taught, drawn to the assumed one as
// if that came from OddNearWeight values.
func (m *model) nearOdds() float64 {
	k, p := m.j.Known.FreshAngle, m.p
	if k.N < 20 {
		return p.OddNear
	}
	return (float64(p.OddNear*p.OddNearWeight) + k.Low) / (p.OddNearWeight + float64(k.N))
}

func (m *model) dependent(x *features) float64 {
	if known(x.turn) {
		return m.p.Dependent
	}
	return 1
}

func pick(is bool, yes, no float64) float64 {
	if is {
		return yes
	}
	return no
}

func (m *model) peakFresh(h *hyp, x *features) float64 {
	if !known(x.peak) {
		return 0
	}
	odd, not := m.logs.peakOdd, m.logs.notPeakOdd
	if x.bare() {
		odd, not = m.logs.oddBare, m.logs.notOddBare
	}
	if x.low {
		odd = m.logs.peakLow
	}
	if m.bare.taught && x.bare() {
		return logAdd(m.bare.peak.log(x.peak-h.peak.mean, m.peak.off2(h.peak), m.peak.times(h.peak, x.day))+not, odd)
	}
	return logAdd(m.peak.log(h.peak, x.peak)+not, odd)
}

// repeat is the log density of the features of a pull on a tight fastener that
// do not depend on later pulls: peak and what the trace shows.
func (m *model) repeat(h *hyp, x *features) (l float64) {
	if known(x.peak) && !x.low {
		if x.bare() {
			if m.j.Closing { // where no repeat is weighed anew
				return m.peakAgain(h, x.peak)
			}
			return 0 // see seen
		}
		s := math.Sqrt(m.peak.scale2(h.peak) + m.p.PeakRepSp*m.p.PeakRepSp)
		l = logAdd(student5(x.peak, h.peak.mean+m.p.PeakRepeat, s)+m.logs.notPeakOdd, m.logs.peakOdd)
	}
	if x.trace {
		l += pick(x.snug, m.logs.snugR, m.logs.noSnugR)
		if x.unclear {
			l += m.logs.stillR
		} else if known(x.quarter) {
			l += m.quarterRepeat(x.quarter)
		} else if x.sure {
			l += pick(x.brk, m.logs.stillR, m.logs.noStillR)
		} else {
			l += pick(x.brk, m.logs.brkR, m.logs.noBrkR)
		}
	}
	return l
}

// told is what is kept of a pull on a tight fastener.
func (x *features) told() seen {
	s := seen{turn: x.turn, last: x.last, rate: x.rate, peak: math.NaN(), net: x.net}
	if x.bare() {
		s.peak = x.peak
	}
	return s
}

// seen is the log density of a repeat's rotation, duration and rate, or of its peak
// where it told no more. They are held against what fresh pulls of the same
// hypothesis do, later ones too.
func (m *model) seen(h *hyp, r *seen) (l float64) {
	if known(r.turn) {
		l += m.turnAgain(h, r.turn, r.net)
	}
	if known(r.last) {
		s := math.Sqrt(m.last.scale2(h.dur) + m.p.RepeatLastSp*m.p.RepeatLastSp)
		d := 1.0
		if known(r.turn) {
			d = m.p.Dependent
		}
		l += d * logAdd(student5(r.last, h.dur.mean+m.logs.repLasts, s)+math.Log(0.9), math.Log(0.1)+anyLast)
	}
	if known(r.peak) {
		l += m.peakAgain(h, r.peak)
	}
	if known(r.rate) {
		s := math.Sqrt(m.rate.scale2(h.rate) + m.p.RepeatRateSp*m.p.RepeatRateSp)
		l += logAdd(student5(r.rate, h.rate.mean+m.logs.repRate, s)+math.Log(0.9), math.Log(0.1)+anyRate)
	}
	return l
}

// turnAgain mixes a fastener that hardly turns, if taught as repeats on this joint
// did, with one that its neighbours have relieved. Of that second pulls at once,
// from which most of what is taught comes, know nothing.
func (m *model) turnAgain(h *hyp, x float64, net bool) float64 {
	p := m.p
	deg := p.RepeatDeg
	if net {
		deg = p.RepeatNetDeg
	}
	tight := math.Log(deg + floorDeg + float64(p.RepeatShare*math.Exp(min(h.turn.mean, 8))))
	l := little(x, tight, p.RepeatBelow, p.RepeatSpread)
	if k := m.j.Known.Tight; k.Worth > 0 {
		w, s := k.Worth/(k.Worth+p.TightWorth), math.Sqrt(k.Var)
		l = logAdd(math.Log(w)+little(x, k.Mean, max(s, 0.7), s), math.Log(1-w)+l)
	}
	l = logAdd(l+m.logs.notRelieved, little(x, h.turn.mean+m.logs.relShare, p.RelievedRange, p.RelievedRange)+m.logs.relieved)
	if d := x - h.turn.mean; d > 0 { // nor further than one that was loose
		l -= d * d / (2 * m.turn.scale2(h.turn))
	}
	return l
}

// none is the log density of the features of a pull that was on no fastener,
// or is unfinished.
func (m *model) none(x *features, peak float64) (l float64) {
	if known(x.turn) {
		l += anyTurn
	}
	if known(x.last) {
		l += m.dependent(x) * anyLast
	}
	if known(x.rate) {
		l += anyRate
	}
	if x.trace {
		l += x.anySign()
	}
	if known(x.peak) {
		l += peak
	}
	return l
}
