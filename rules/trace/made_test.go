package trace_test

import (
	"math"

	"witnessmark/events"
)

// pull makes a trace of a hand wrench, invented throughout: target 100 N·m,
// 833 Hz, a wind-up of tool and joint of 3°, angle in 0.25° steps. Torque
// follows from the joint, the angle shown has the wind-up on top of it.
type pull struct {
	start, snug, top float64 // torque where it starts to turn, at snug, at the peak
	run, turn        float64 // rotation at about start torque; from snug to the peak
	drop             float64 // share that static friction loses at once when it moves
	click            bool
	ripple           float64 // size of stick-slip, N·m
	after            float64 // stripping: rotation with torque falling
	creep            float64 // stretching: rotation over which the torque rises by a twentieth
	us               int64   // period
	wind, kept       float64 // wind-up at 100 N·m, if another; share of it that does not spring back
}

func fresh() pull  { return pull{start: 6, snug: 20, top: 101, run: 120, turn: 50} }
func repeat() pull { return pull{start: 98, snug: 98, top: 101, turn: 0.2} }

const windUp = 3.0 // degrees at 100 N·m

func (p pull) make() *events.Trace {
	tr := &events.Trace{PeriodUs: p.us}
	if p.us == 0 {
		tr.PeriodUs = 1200
	}
	scale := 1200 / float64(tr.PeriodUs)
	turned, wind := 0.0, windUp
	if p.wind > 0 {
		wind = p.wind
	}
	noise, over, letGo := 0, 0.0, false
	at := func(nm float64) {
		noise++
		alternate := 0.15 * float64(1-2*(noise%2))
		angle := turned + over + wind*nm/100
		if letGo {
			angle += p.kept * wind * (p.top - nm) / 100
		}
		tr.Torque = append(tr.Torque, nm+alternate)
		tr.Angle = append(tr.Angle, math.Round(angle*4)/4)
	}
	ramp := func(from, to, turn, samples float64) {
		n := int(samples * scale)
		for i := range n {
			s := float64(i) / float64(n)
			turned += turn / float64(n)
			wave := 0.0
			if p.ripple > 0 && turn > 10 && from >= 20 {
				wave = p.ripple * (math.Mod(float64(i), 40)/40 - 1)
			}
			at(from + s*(to-from) + wave)
		}
	}
	for range int(20 * scale) {
		at(0.3)
	}
	ramp(0, p.start, 0, 60)
	ramp(p.start, p.snug, p.run, 4*p.run)
	if p.drop > 0 {
		ramp(p.start*(1-p.drop), p.start*(1-p.drop)+0.5, 1, 40)
		ramp(p.start*(1-p.drop)+0.5, p.top, p.turn, 150)
	} else {
		ramp(p.snug, p.top, p.turn, 20+5*p.turn)
	}
	at(p.top)
	if p.creep > 0 {
		ramp(p.top, 1.05*p.top, p.creep, 5*p.creep)
		p.top *= 1.05
	}
	if p.click {
		ramp(p.top, 0.8*p.top, 0, 4)
		over = 4 // the wrench breaks over: the fastener stays
		ramp(0.8*p.top, 0.82*p.top, 1, 60)
	}
	if p.after > 0 {
		ramp(p.top, 0.7*p.top, p.after, 5*p.after)
	}
	over, letGo = 0, true
	ramp(p.top*0.8, 0.5, 0, 30)
	for range int(60 * scale) {
		at(0.5)
	}
	return tr
}

// join puts traces one after the other, with the tool's angle running on.
func join(trs ...*events.Trace) *events.Trace {
	all := &events.Trace{PeriodUs: trs[0].PeriodUs}
	for _, tr := range trs {
		base := 0.0
		if n := len(all.Angle); n > 0 {
			base = all.Angle[n-1]
		}
		all.Torque = append(all.Torque, tr.Torque...)
		for _, a := range tr.Angle {
			all.Angle = append(all.Angle, base+a)
		}
	}
	return all
}
