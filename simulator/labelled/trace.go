package labelled

import "math"

// trace makes the samples of a pull: torque at rest, run-in with ripple, the
// slope or slopes up to the peak, the fall, the spring back. Two straight
// lines meet at the knee where the fastener was loose; on a tight one the
// torque rises with the wind-up alone until it moves. One that gives way leaves
// its line on the way and turns on with little more torque, or with less. shown
// is what the tool calls a newton metre.
func (h *hand) trace(st *step, v *visit, p pull, dur, shown float64) *TraceRecord {
	t := &h.shop.tool
	target := st.passes[v.pass].target
	wind := func(nm float64) float64 { return t.windUp * max(0, nm) / t.capacity }
	knee := p.breaks
	run := 0.0
	if p.run && v.kind != NoFastener {
		run = min(st.joint.runIn*st.passes[len(st.passes)-1].target*h.spread(0.2), 0.8*knee)
	}
	// Angle of the fastener as the torque rises from run to knee to peak.
	before := 0.0
	if p.run {
		before = st.joint.kneeShare() * p.turn
		if p.part > 0 {
			before = min(before/p.part, p.turn)
		}
		if p.nm <= knee {
			before = p.turn
		}
	}
	after := p.turn - before
	c := course{run: run, knee: knee, before: before, after: after, top: p.nm}
	if p.gives > 1 {
		c = h.givesWay(p, c)
	}
	lead := 0.04 + 0.02*h.rng.Float64()
	rise := max(0.12, dur-lead)
	zero := 0.7*traceZeroSD*target + t.zero + h.mood.shiftNm
	dipAt := -1.0
	if h.rng.Float64() < dipChance {
		dipAt = lead + rise*(0.3+0.5*h.rng.Float64())
	}
	tail := 0.12
	n := int((lead + rise + tail) * t.rate)
	tr := &TraceRecord{Rate: t.rate, Torque: make([]float64, 0, n), Angle: make([]float64, 0, n)}
	var times []float64
	uneven := h.rng.Float64() < 0.1
	total := p.turn + wind(c.end())
	jitter := 1.0
	slip := 4 + 6*h.rng.Float64()
	for i := range n {
		at := float64(i) / t.rate
		if uneven {
			if h.rng.Float64() >= repeatTimeStamp || len(times) == 0 {
				times = append(times, math.Round(at*1e4)/1e4)
			} else {
				times = append(times, times[len(times)-1])
			}
		}
		var nm, deg float64
		noise := finalNoise * target * h.rng.NormFloat64()
		jitter = -jitter
		switch {
		case at < lead:
			nm, deg = 0, 0
		case at < lead+rise:
			x := (at - lead) / rise
			x = x * x * (3 - 2*x) * 1 // a hand starts and ends softly
			deg = x * total
			nm = c.torqueAt(deg, wind)
			if p.run && nm < knee {
				noise += rippleShare * nm * jitter * (0.7 + 0.3*h.rng.NormFloat64())
			}
			if p.turn > 3 && nm > knee {
				noise += 0.004 * target * math.Sin(deg*slip) // stick and slip; invented
			}
			if dipAt > 0 && at > dipAt && at < dipAt+dipS {
				nm *= 1 - dipDepth*math.Sin(math.Pi*(at-dipAt)/dipS)
			}
		default:
			y := at - lead - rise
			nm = c.end()*math.Exp2(-y/halfFallS) + traceEnd*target*(1-math.Exp2(-y/halfFallS))
			deg = total - wind(c.end())*(1-math.Exp2(-y/(2*halfFallS)))
		}
		tr.Torque = append(tr.Torque, math.Round((nm+zero+noise)*shown*1000)/1000)
		tr.Angle = append(tr.Angle, math.Round(math.Round(deg/traceStepDeg)*traceStepDeg*100)/100)
	}
	if uneven {
		tr.Rate, tr.T = 0, times
	}
	return tr
}

// course is the torque of a pull over its rotation: run, where the fastener
// begins to turn; up to knee over the rotation before; up to top over after. One
// that gives way then goes on for some degrees more, up or down to last.
type course struct {
	run, knee, top, last float64 // N·m
	before, after, on    float64 // degrees
}

// givesWay bends a course: the fastener turns as a sound one up to some share of
// the torque, and on from there with its torque creeping up to the peak (it
// stretches) or going down (it strips).
func (h *hand) givesWay(p pull, c course) course {
	sound := c.after / p.gives
	from := 0.80 + 0.18*h.rng.Float64() // of the peak
	c.before /= p.gives
	if h.rng.IntN(2) == 0 {
		c.last, c.top = c.top, max(c.knee, from*c.top)
	} else {
		c.last = c.top * (0.5 + 0.4*h.rng.Float64())
	}
	c.after = sound
	if d := p.nm - c.knee; d > 0 {
		c.after *= (c.top - c.knee) / d
	}
	c.on = p.turn - c.before - c.after
	return c
}

// end is the torque at which the pull is let go.
func (c *course) end() float64 {
	if c.on > 0 {
		return c.last
	}
	return c.top
}

// torqueAt returns the torque when wrench and fastener together have turned by
// deg degrees.
func (c *course) torqueAt(deg float64, wind func(float64) float64) float64 {
	seg := func(from, to, nm0, nm1 float64) (float64, bool) {
		if deg > to || to <= from {
			return 0, false
		}
		return nm0 + (nm1-nm0)*(deg-from)/(to-from), true
	}
	a := wind(c.run)
	if nm, ok := seg(0, a, 0, c.run); ok {
		return nm
	}
	b := c.before + wind(c.knee)
	if nm, ok := seg(a, b, c.run, c.knee); ok {
		return nm
	}
	d := c.after + c.before + wind(c.top)
	if nm, ok := seg(b, d, c.knee, c.top); ok {
		return nm
	}
	if nm, ok := seg(d, d+c.on+wind(c.last)-wind(c.top), c.top, c.last); ok && c.on > 0 {
		return nm
	}
	return c.end()
}
