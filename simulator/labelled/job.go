package labelled

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// mood is what is the same through one job.
type mood struct {
	pace     float64 // how slow the technician is today
	aim      float64 // of target, above it
	joint    float64 // factor of every joint's angle
	second   float64 // chance of a second pull by habit
	swing    float64 // chance of an unfinished swing before the end
	shiftNm  float64 // of the tool's zero
	changeAt int     // number of readings from which joints turn by another factor
	change   float64
}

func (w *world) mood(rng *rand.Rand) mood {
	m := mood{pace: math.Exp(w.paceSD * rng.NormFloat64()), aim: w.aimMean + w.aimSD*rng.NormFloat64(),
		joint: math.Exp(w.jobCV * rng.NormFloat64()), second: w.secondRare, swing: w.swingRare, change: 1}
	if rng.Float64() < w.habitChance {
		m.second = w.secondOften
	}
	if rng.Float64() < w.ratchetChance {
		m.swing = w.swingOften
	}
	if w.change > 0 && rng.Float64() < w.change {
		m.changeAt, m.change = 4+rng.IntN(40), math.Exp(0.35*(2*rng.Float64()-1))
	}
	return m
}

// changed is the factor by which joints turn once so many readings are in.
func (m *mood) changed(readings int) float64 {
	if m.change == 1 || readings < m.changeAt {
		return 1
	}
	return m.change
}

// Job makes job number of the shop with the faults, each in a step of its own.
// An error says that the shop has no room for them: fewer steps than faults, or
// a fault that needs a second step.
func (s *Shop) Job(number int, faults ...Fault) (*Sample, error) {
	rng := rand.New(rand.NewPCG(s.seed, uint64(number)+1))
	visits, orders := s.plan(rng)
	p := &planner{shop: s, rng: rng, visits: visits, orders: orders}
	for i := range s.steps {
		p.steps = append(p.steps, i)
	}
	m := s.w.mood(rng)
	for _, f := range faults {
		if !p.put(f) {
			return nil, fmt.Errorf("put fault %s into job %d of shop %d: no step is left for it; take fewer faults or another seed", f, number, s.seed)
		}
		if f == ZeroShift {
			m.shiftNm = s.tool.capacity * (0.02 + 0.03*rng.Float64())
			if rng.IntN(2) == 0 {
				m.shiftNm = -m.shiftNm
			}
		}
	}
	h := newHand(s, rng, m)
	h.sample.orders = orders
	h.sample.Truth.Job = number
	h.sample.Head.Job = JobRecord{ID: fmt.Sprintf("j-%d-%d", s.seed, number), UnitSerial: fmt.Sprintf("LB%d-%d", s.seed, number)}
	first := make([]int, len(p.visits)+1)
	for i := range p.visits {
		first[i] = len(h.sample.Readings)
		h.visit(&p.visits[i])
	}
	first[len(p.visits)] = len(h.sample.Readings)
	for _, f := range p.faults {
		st := &s.steps[f.step]
		ft := FaultTruth{Fault: f.fault, Step: st.id, Pull: first[f.visit], Knowable: first[f.known], NoUnit: f.fault == UnitSlip && !s.tool.unit}
		if f.fastener >= 0 {
			ft.Fastener = fastenerName(f.fastener)
		}
		if f.pulled >= 0 {
			ft.Pulled = fastenerName(f.pulled)
		}
		h.sample.Truth.Faults = append(h.sample.Truth.Faults, ft)
	}
	h.finish()
	return h.sample, nil
}

func fastenerName(f int) string { return fmt.Sprint(f + 1) }

// bolt is the state of a fastener.
type bolt struct {
	nm      float64 // the most it saw
	damaged bool
}

// hand performs visits.
type hand struct {
	shop   *Shop
	rng    *rand.Rand
	mood   mood
	sample *Sample
	bolts  [][]bolt
	now    float64
	seq    uint64
	rx     float64
	step   int // where the last pull was
	at     int // -1: nowhere
}

func newHand(s *Shop, rng *rand.Rand, m mood) *hand {
	h := &hand{shop: s, rng: rng, mood: m, now: 20 + 20*rng.Float64(), seq: uint64(rng.IntN(5000)), at: -1, step: -1}
	for i := range s.steps {
		h.bolts = append(h.bolts, make([]bolt, s.steps[i].n))
	}
	h.sample = &Sample{Procedure: s.procedure, Head: HeadRecord{Stream: 1, Tools: []ToolRecord{s.toolRecord()}, Start: "2026-11-25T08:00:00Z"},
		Truth: Truth{Note: "Invented: made by the simulator. No tool, unit or shop in it exists.", Seed: s.seed, Tier: s.tier, Faults: []FaultTruth{}}, shop: s, mood: m}
	return h
}

const unitNm = "N·m"

func (s *Shop) toolRecord() ToolRecord {
	t := &s.tool
	r := ToolRecord{Tool: t.id, Resolution: t.res, Capacity: t.capacity, Least: t.threshold, Threshold: t.threshold, URel: 0.01}
	if t.unit {
		u := unitNm
		r.Unit = &u
	}
	if t.counter != "" {
		r.Counter = &t.counter
	}
	if s.tier != Torque {
		r.AngleResolution, r.Duration = &t.angleRes, true
	}
	if s.tier == Trace {
		r.TraceRate = &t.rate
	}
	return r
}

// normal draws around 1, never below a fifth.
func (h *hand) spread(cv float64) float64 { return max(0.2, 1+cv*h.rng.NormFloat64()) }

// walkS draws the time from the end of the last pull to the start of this one.
func (h *hand) walkS(v *visit) float64 {
	switch {
	case v.walk == cameFar || h.at < 0 && h.step == v.step:
		return elsewhereS * math.Exp(h.shop.w.walkSD*h.rng.NormFloat64())
	case h.step != v.step:
		return 30 * math.Exp(0.5*h.rng.NormFloat64())
	}
	st := &h.shop.steps[v.step]
	m := st.walkMedian(h.at, v.fastener, v.walk, h.mood.pace)
	if h.rng.Float64() < h.shop.w.pauseChance {
		return m + h.shop.w.pause(h.rng)
	}
	return h.shop.w.walkTime(h.rng, m)
}

// walkMedian returns the median time in seconds from fastener a to b.
func (s *step) walkMedian(a, b int, w walk, pace float64) float64 {
	switch w {
	case stayed:
		return pace * s.joint.w.refitS
	case lostPlace:
		return s.joint.w.hesitate * pace * (s.joint.w.fitS + s.distance(a, b)/s.joint.w.walkMMS)
	}
	return pace * (s.joint.w.fitS + s.distance(a, b)/s.joint.w.walkMMS)
}

// pull is one cycle of the tool.
type pull struct {
	kind   Kind
	nm     float64 // torque that the fastener truly saw
	turn   float64 // degrees, of the fastener
	breaks float64 // N·m, where it began to turn
	run    bool    // it was loose: the knee shows
	part   float64 // of a sound pull's turn, where the torque is another; 0: all
	gives  float64 // by how much more it turned than a sound one; 0: it is sound
}

// visit performs one.
func (h *hand) visit(v *visit) {
	st := &h.shop.steps[v.step]
	gap := h.walkS(v)
	if v.kind == NoFastener {
		h.emit(v, gap, pull{kind: NoFastener, nm: h.aimed(st, v, h.shop.w.handSD*2, 0), turn: 0.2 * h.rng.ExpFloat64(), breaks: 0})
		h.at, h.step = -1, v.step
		return
	}
	b := &h.bolts[v.step][v.fastener]
	ps := &st.passes[v.pass]
	kind := v.kind
	if kind == ClosingPull && b.nm < ps.target*(1-st.limits) && !b.damaged {
		v.turnFactor = 1
	}
	whole := func() float64 { return st.passTurn(v.pass) * h.mood.joint * h.mood.changed(len(h.sample.Readings)) }
	w := h.shop.w
	tight := b.nm > 0.9*ps.target
	switch {
	case kind == Again:
		tight = false
	case tight || kind == Repeat || kind == Second || kind == ClosingPull && b.nm > 0.9*ps.target:
		h.emit(v, gap, h.onTight(st, v, kind))
		h.at, h.step = v.fastener, v.step
		return
	}
	done := 0.0
	starts := 0.0
	if v.pass > 0 && kind != Again {
		starts = st.passes[v.pass-1].target
	}
	final := st.passes[len(st.passes)-1].target
	breaks := starts * (1 + restart + restartSD*h.rng.NormFloat64())
	if starts == 0 {
		breaks = final * (st.joint.knee + 0.03*h.rng.NormFloat64())
	}
	for n := 0; !v.plain && n < 2 && h.rng.Float64() < h.mood.swing; n++ {
		u := w.swingLeast + (w.swingMost-w.swingLeast)*h.rng.Float64()
		part := swingPart(st, v.pass, u) - done
		if part < 0.02 {
			continue
		}
		p := pull{kind: Swing, nm: u * ps.target, turn: part * whole() * w.spread(h.rng, st.joint.cv), breaks: min(breaks, u*ps.target), run: starts == 0 && done == 0}
		h.emit(v, gap, p)
		done += part
		breaks = p.nm * (1 + restart + restartSD*h.rng.NormFloat64())
		gap = w.swingGapS * math.Exp(w.swingGapSD*h.rng.NormFloat64())
	}
	p := pull{kind: kind, nm: h.aimed(st, v, w.handSD, 0), turn: (1 - done) * whole() * v.turnFactor * w.spread(h.rng, st.joint.cv), run: starts == 0 && done == 0}
	switch v.fault {
	case OverTorque, UnderTorque, UnitSlip: // to another torque it turns by another angle
		p.part = max(0.05, swingPart(st, v.pass, p.nm/ps.target))
		p.turn *= p.part
	case Stripping:
		p.gives = v.turnFactor
	}
	p.breaks = min(breaks, p.nm)
	h.emit(v, gap, p)
	if h.shop.seizes(v.fault) {
		b.damaged = true
	}
	if !v.plain && h.rng.Float64() < h.mood.second {
		h.emit(v, w.secondGapS*math.Exp(w.secondGapSD*h.rng.NormFloat64()), h.onTight(st, v, Second))
	}
	h.at, h.step = v.fastener, v.step
}

func (s *Shop) seizes(f Fault) bool { return f == Seized || f == Stripping }

// swingPart returns which share of a pass's whole turn is done at a share u of
// its target.
func swingPart(st *step, p int, u float64) float64 {
	final := st.passes[len(st.passes)-1].target
	from := 0.0
	if p > 0 {
		from = st.joint.share(st.passes[p-1].target / final)
	}
	to := st.joint.share(st.passes[p].target / final)
	return max(0, (st.joint.share(u*st.passes[p].target/final)-from)/(to-from))
}

// aimed draws the torque that a pull ends at. Clean ones stay in the limits, and
// those that are to be outside are.
func (h *hand) aimed(st *step, v *visit, sd, shift float64) float64 {
	ps := &st.passes[v.pass]
	margin := 0.005 + (math.Abs(h.shop.tool.zero)+h.shop.tool.res)/ps.target
	for {
		x := h.shop.w.stopped(h.rng, h.mood.aim+shift, sd)
		share := (1 + x) * v.factor
		switch v.fault {
		case OverTorque, UnitSlip:
			if share > 1+ps.limits+margin {
				return ps.target * share
			}
		case UnderTorque:
			if share < 1-ps.limits-margin {
				return ps.target * share
			}
		default:
			if v.factor != 1 || math.Abs(x) < ps.limits-margin {
				return ps.target * share
			}
		}
	}
}

// onTight draws a pull on a fastener that is tight.
func (h *hand) onTight(st *step, v *visit, kind Kind) pull {
	p := pull{kind: kind, nm: h.aimed(st, v, h.shop.w.repeatSD, h.shop.w.repeatShift)}
	mean := st.repeatTurn(v.pass)
	if st.joint.gasket > 0 && kind != Second {
		p.turn = mean * h.mood.joint * h.mood.changed(len(h.sample.Readings)) * max(0, 1+h.shop.w.neighbourTurnSD*h.rng.NormFloat64())
	} else {
		p.turn = h.shop.w.stillTurn(h.rng, st.joint.turn)
	}
	p.breaks = min(p.nm, h.bolts[v.step][v.fastener].nm*(1+restart+restartSD*h.rng.NormFloat64()))
	return p
}

// emit makes the pull happen and, as a rule, its reading arrive.
func (h *hand) emit(v *visit, gap float64, p pull) {
	t := &h.shop.tool
	st := &h.shop.steps[v.step]
	dur := h.shop.w.pullStartS + p.turn/h.shop.w.slowDegS
	h.now += gap + dur
	lost := (v.fault == LostReading || v.fault == LostRepulled) && p.kind == v.kind
	if !lost || t.counter != "" { // a tool without a counter shows no gap
		h.seq++
	}
	if v.fastener >= 0 {
		b := &h.bolts[v.step][v.fastener]
		b.nm = max(b.nm, p.nm)
	}
	round := func(x, step float64) float64 { return math.Round(math.Round(x/step)*step*1e6) / 1e6 }
	r := ReadingRecord{Tool: t.id, Seq: h.seq, T: round(h.now, 0.001), Value: round(p.nm+t.zero+h.mood.shiftNm, t.res)}
	if t.unit {
		u := unitNm
		r.Unit = &u
	}
	shown := 1.0 // of a newton metre
	if v.fault == UnitSlip {
		shown = 1 / 1.3558179483314004
		r.Value = round((p.nm+t.zero+h.mood.shiftNm)*shown, t.res)
		if r.Unit != nil {
			u := "lbf·ft"
			r.Unit = &u
		}
	}
	if h.shop.tier != Torque {
		a := max(0, round(p.turn+t.windUpAt(p.nm)+t.angleSD*h.rng.NormFloat64(), t.angleRes))
		d := round(dur*h.spread(h.shop.w.durationCV), 0.01)
		r.Angle, r.Duration = &a, &d
	}
	if h.shop.tier == Trace {
		r.Trace = h.trace(st, v, p, dur, shown)
	}
	if lost {
		return
	}
	r.Rx = h.received(r.T)
	truth := ReadingTruth{Step: st.id, Pass: v.pass, Kind: p.kind, TurnDeg: round(p.turn, 0.001), TrueNm: round(p.nm, 0.001), BreakNm: round(p.breaks, 0.001),
		step: v.step, fastener: v.fastener, nominal: st.passes[v.pass].target}
	if v.fastener >= 0 {
		truth.Fastener = fastenerName(v.fastener)
	}
	h.keep(r, truth)
	if v.fault == SameCycle && p.kind == v.kind {
		if t.counter != "cycles" {
			h.seq++
			r.Seq = h.seq
		}
		r.Rx = h.received(r.T + 0.4)
		truth.Kind = SentTwice
		h.keep(r, truth)
	}
}

func (h *hand) keep(r ReadingRecord, t ReadingTruth) {
	h.sample.Readings = append(h.sample.Readings, r)
	h.sample.Truth.Readings = append(h.sample.Truth.Readings, t)
}

// received draws when a reading arrives: never before one that was taken
// before it.
func (h *hand) received(t float64) float64 {
	rx := t + 0.05 + 0.1*h.rng.ExpFloat64()
	if h.rng.Float64() < lateChance {
		rx += lateS * h.rng.ExpFloat64()
	}
	h.rx = math.Round(max(h.rx+0.01, rx)*1000) / 1000
	return h.rx
}

// finish closes the stream and sums up.
func (h *hand) finish() {
	s := h.sample
	if s.Readings == nil {
		s.Readings, s.Truth.Readings = []ReadingRecord{}, []ReadingTruth{}
	}
	s.Release = ReleaseRecord{Release: true, T: math.Round((max(h.now, h.rx)+20+40*h.rng.Float64())*1000) / 1000}
	for i := range h.bolts {
		st := &h.shop.steps[i]
		last := st.passes[len(st.passes)-1]
		for k, b := range h.bolts[i] {
			c := Tight
			switch {
			case b.damaged:
				c = Damaged
			case b.nm > last.target*(1+last.limits):
				c = High
			case b.nm >= last.target*(1-last.limits):
			case h.pulledInFinal(i, k):
				c = Low
			default:
				c = Never
			}
			s.Truth.Fasteners = append(s.Truth.Fasteners, FastenerTruth{Step: st.id, Fastener: fastenerName(k), Condition: c, TorqueNm: math.Round(b.nm*1000) / 1000})
		}
	}
}

func (h *hand) pulledInFinal(step, f int) bool {
	last := len(h.shop.steps[step].passes) - 1
	return slices.ContainsFunc(h.sample.Truth.Readings, func(r ReadingTruth) bool {
		return r.step == step && r.fastener == f && r.Pass == last
	})
}
