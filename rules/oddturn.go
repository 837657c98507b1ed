package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Rotations that are odd for a joint without a window, by the logarithm of
// their ratio to the joint's middle. The spread is that of the joint's other
// pulls, but at least leastSpread: found, 22 % within a joint
// (screw-tightening-wear). How many spreads, and that a factor of two at least
// must lie between, is our choice: in a clean job of 24 fasteners one in some
// hundred thousand is odd by that.
const (
	leastSpread = 0.22
	oddSpreads  = 4.5
	oddMuch     = 2.2 // times the middle: a normal spread of 22 % hardly gets there
	oddLittle   = 0.2 // of the middle
	oddDegrees  = 8.0 // degrees that it turns less, at least: more than play and wind-up
	oddLeast    = 5   // other pulls, below which nothing is said
)

// oddTurn raises that a fastener turned much more, or much less, than the
// others of its joint by the time its torque was right: it may have stretched
// or stripped, or be cross-threaded or bottomed. A pull that turned so little
// that it was rather a repeat is the filter's business. A joint with a window
// of its own has that judged before.
func (t *tx) oddTurn(w *slot, r *reading, f *finding) {
	turn, ok := r.turn()
	p := &w.joint.Passes[w.pass]
	if f.kind != "" || !ok || lastOf(w.joint, w.pass) != w.pass || p.Closing || p.Loose || !p.AngleLo.IsZero() || !p.AngleHi.IsZero() {
		return
	}
	logs := t.job.turns(w.step, w.pass, r.seq)
	if k := t.job.Steps[w.step].Weigh[w.pass].Known.FreshAngle; len(logs) < oddLeast && k.N >= 20 {
		logs = append(logs, k.Mean, k.Mean, k.Mean, k.Mean, k.Mean)
	}
	if len(logs) < oddLeast {
		return
	}
	slices.Sort(logs)
	middle := logs[len(logs)/2]
	spread := max(leastSpread, robustSpread(logs, middle))
	z := math.Log(turn) - middle
	if math.Abs(z) < float64(oddSpreads*spread) || z > 0 && (z < math.Log(oddMuch) || turn-math.Exp(middle) < 2*oddDegrees) || z < 0 && (z > math.Log(oddLittle) || math.Exp(middle)-turn < oddDegrees) {
		return
	}
	if m := &t.job.Steps[w.step].Fasteners[w.fastener].Marks[w.pass]; z < 0 && (t.repeatChance(w, r.seq) > rarelyRepeat || m.Reading != 0) {
		return // rather a repeat, or the rest of an unfinished pull
	}
	name := w.joint.Fasteners[w.fastener].ID
	said := show(quantity.Degrees(turn).Value(), quantity.Degree)
	usual := show(quantity.Degrees(math.Exp(middle)).Value(), quantity.Degree)
	f.held = true
	if z > 0 {
		f.kind, f.verdict = events.AlertYield, events.High
		f.text = fmt.Sprintf("%s, fastener %s turned %s to %s; the others turned about %s. It may have stretched, stripped, or caught late.", t.job.title(w.step), name, said, r.said(w.unit), usual)
	} else {
		f.kind, f.verdict = events.AlertSeized, events.Low
		f.text = fmt.Sprintf("%s, fastener %s turned only %s to %s; the others turned about %s. It may be cross-threaded, bottomed or seized.", t.job.title(w.step), name, said, r.said(w.unit), usual)
	}
	f.todo = fmt.Sprintf("Leave fastener %s as it is and look at it. A lead decides.", name)
}

// rarelyRepeat is the chance of a repeat below which a small rotation is said
// to be a fault of the fastener. Above it the filter deals with it: the joint
// is then one fastener short. Our choice.
const rarelyRepeat = 0.2

// repeatChance is how likely a weighed pull made nothing tight.
func (t *tx) repeatChance(w *slot, reading uint64) float64 {
	k := t.job.Steps[w.step].Weigh[w.pass].pullOf(reading)
	if k < 0 {
		return 0
	}
	_, _, p := idle(t.job.filterOf(w.step, w.pass).Explain(k))
	return p
}

// turn is the rotation of a pull in degrees: the net one of its trace, else
// what the tool told.
func (r *reading) turn() (deg float64, ok bool) {
	switch {
	case r.found != nil && r.found.NetAngle.Base() > 0:
		return r.found.NetAngle.In(quantity.Degree), true
	case r.angle.Base() > 0:
		return r.angle.In(quantity.Degree), true
	}
	return 0, false
}

// turns returns the logarithms of the rotations, in degrees, of a pass's pulls
// that count, but for one reading.
func (j *Job) turns(step, pass int, but uint64) []float64 {
	marked := j.marked(step, pass)
	var out []float64
	for _, e := range j.Steps[step].Weigh[pass].pulls() {
		o := &e.Pull
		if o.Reading == but || marked[o.Reading] == nil {
			continue
		}
		r := reading{angle: o.Angle, found: o.Trace}
		if deg, ok := r.turn(); ok {
			out = append(out, math.Log(deg))
		}
	}
	return out
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
