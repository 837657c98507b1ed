package match

import "math"

// Mood is how the technician works today, by the passes of the same job that
// were pulled before: habits, pace and aim are a person's more than a joint's.
// The zero value means that nothing was seen.
type Mood struct {
	Pulls          float64 // whole pulls
	Habits, Swings float64 // second pulls at once, and unfinished ones, among and beside them
	Swung, InOne   float64 // tightenings that had a swing, and that had none
	Pace           float64 // mean logarithm of the waits over what was thought before the pass; of the waits themselves where Taught is not set
	PaceN          float64 // waits that it rests on
	Taught         bool
	Aim            float64 // mean logarithm of peak over target
	AimN           float64 // peaks that it rests on
	Turns          Spread  // of rotations, over what was taught
	Spread         Spread  // of waits and peaks, over what was taught; with torque alone
}

// Mood returns what this pass shows of the technician.
func (f *Filter) Mood() Mood {
	var m Mood
	for i := range f.hyps {
		h := &f.hyps[i]
		w := math.Exp(h.weight())
		m.Pulls += w * h.whole()
		m.Habits += w * float64(h.habits)
		m.Swings += w * (float64(h.tally.swung) + float64(h.tally.more))
		m.Swung += w * float64(h.tally.swung)
		m.InOne += w * float64(h.tally.inOne)
		if h.turn.n >= moodTurns && f.m.j.Known.FreshAngle.Days > 0 && !f.m.j.Closing {
			m.Turns = m.Turns.and(f.m.turn.seen(h.turn), w)
		}
		if !f.m.j.Loose { // there nobody aims
			m.Aim += w * h.peak.mean
			m.AimN += w * float64(h.peak.n)
			if f.m.bare.taught {
				m.Spread = m.Spread.and(f.m.peak.seen(h.peak), w)
			}
		}
	}
	if f.m.bare.taught {
		m.Spread = m.Spread.and(f.m.wait.seen(f.wait), 1)
	}
	m.Pace, m.PaceN, m.Taught = f.wait.mean, float64(f.wait.n), f.m.j.Known.FreshInterval.N >= 5
	if m.Taught {
		m.Pace -= f.m.j.Known.FreshInterval.Mean
	}
	return m
}

// And adds what a later pass shows. A pace beside what was taught and a plain
// one cannot be added: the newer one counts.
func (m Mood) And(o Mood) Mood {
	mean := func(a, n, b, k float64) float64 {
		if n+k <= 0 {
			return 0
		}
		return (a*n + b*k) / (n + k)
	}
	r := Mood{Pulls: m.Pulls + o.Pulls, Habits: m.Habits + o.Habits, Swings: m.Swings + o.Swings, Swung: m.Swung + o.Swung, InOne: m.InOne + o.InOne, Aim: mean(m.Aim, m.AimN, o.Aim, o.AimN), AimN: m.AimN + o.AimN, Turns: m.Turns.and(o.Turns, 1), Spread: m.Spread.and(o.Spread, 1)}
	switch {
	case o.PaceN < moodLeast:
		r.Pace, r.PaceN, r.Taught = m.Pace, m.PaceN, m.Taught
	case m.PaceN < moodLeast || m.Taught != o.Taught:
		r.Pace, r.PaceN, r.Taught = o.Pace, o.PaceN, o.Taught
	default:
		r.Pace, r.PaceN, r.Taught = mean(m.Pace, m.PaceN, o.Pace, o.PaceN), m.PaceN+o.PaceN, o.Taught
	}
	return r
}

// moodLeast is how many values make a pace or an aim worth carrying on.
// Assumed, as are these: how far the pace of one pass tells that of the next,
// where the joint's own is known and where not, and how far an aim does.
const (
	moodLeast    = 4
	paceTaught   = 0.15
	paceUntaught = 0.45
	aimCarried   = 0.012
	taughtNoPace = 0.35
	waitWorth    = 6
	dayCarried   = 0.5 // share of what one pass, or the waits, tell of the spread in another, or of the peaks
	dayMost      = 200 // values that are believed of the passes before
	moodTurns    = 3   // rotations of a pass that tell of their spread
	turnsMost    = 40  // of which so many are believed
)

// aimsTaught is how many earlier jobs make their aims worth carrying on, aimBeside
// what the assumed range is worth beside theirs, in jobs, and aimLeast the least
// that they are believed to differ by. Our choice.
const (
	aimsTaught = 5
	aimBeside  = 1
	aimLeast   = 0.004
)

// waitPrior is what is believed of the walks before the first.
func (m *model) waitPrior() *prior {
	p, k, o := m.p, m.j.Known.FreshInterval, &m.j.Mood
	seen := o.PaceN >= moodLeast
	if k.N >= 5 {
		sd := math.Sqrt(k.Var + 0.01)
		if seen && o.Taught {
			return m.today(newPrior(k.Mean+o.Pace, paceTaught, sd, m.p.DayWorth))
		}
		off := taughtNoPace
		if k.Between > 0 {
			off = min(max(math.Sqrt(k.Between+0.01), 0.15), taughtNoPace)
		}
		return m.today(newPrior(k.Mean, off, sd, m.p.DayWorth))
	}
	if seen && !o.Taught {
		return newPrior(o.Pace, paceUntaught, p.WalkSpread, waitWorth)
	}
	return newPrior(math.Log(p.WalkS), p.WalkRange, p.WalkSpread, waitWorth)
}

// peakPrior is what is believed of the peaks before the first.
func (m *model) peakPrior() *prior {
	p, o := m.p, &m.j.Mood
	sd, worth := p.PeakSpread, float64(waitWorth)
	if k := m.j.Known.Peak; k.N >= bareTaught {
		n := float64(k.N)
		sd, worth = math.Sqrt((float64(n*k.Var)+float64(waitBeside*sd*sd))/(n+waitBeside)), m.p.DayWorth
	}
	if o.AimN >= moodLeast && !m.j.Loose {
		return m.today(newPrior(o.Aim, aimCarried, sd, worth))
	}
	if k := m.j.Known.Aim; k.N >= aimsTaught && m.j.Target > 0 {
		n := float64(k.N)
		off := math.Sqrt((float64(n*k.Var)+float64(aimBeside*p.PeakRange*p.PeakRange))/(n+aimBeside) + aimLeast*aimLeast)
		return m.today(newPrior(k.Mean-math.Log(m.j.Target), off, sd, worth))
	}
	return m.today(newPrior(0.01, p.PeakRange, sd, worth))
}

// today lets a prior of a joint of which torque alone was taught know how this day's
// hands spread in the passes before.
func (m *model) today(p *prior) *prior {
	if k := &m.j.Known; k.Pace.N < bareTaught || k.Peak.N < bareTaught {
		return p
	}
	o := m.j.Mood.Spread
	return p.today(Spread{}.and(o, min(dayCarried, dayMost/max(o.N, 1))))
}
