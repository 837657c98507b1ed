package rules

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// When a spring-back says that a tool was set to another unit. What winds up
// under a torque springs back by as much, whatever unit the tool calls it by. The
// spread is found: 0.43 of 3.4 degrees, an eighth, at a station
// (screw-tightening-wear); the rest is our choice, so that a clean job is not
// accused.
const (
	springSpread = 0.08 // of logarithms, before any was seen
	springPulls  = 4    // others of the pass, at least
	springLeast  = 1.5  // degrees; less is a few steps of the angle
	springSure   = 5.0  // deviations from the others, at least
	springFits   = 0.07 // of logarithms: distance from what the unit would make of it, at most
	springSteps  = 2.0  // of the angle, by which it must differ from the others at least

	// springStepSD is the standard deviation of the difference of two rounded values, in
	// steps: each is uniform within half a step.
	springStepSD = 0.408
)

// sprang doubts a pull whose number is right, but whose spring-back is that of
// the number in another unit. A tool that tells no unit shows such a slip in no
// other way.
func (t *tx) sprang(w *slot, r *reading, f *finding) {
	x, ok := springOf(r.found)
	if !ok || w.joint == nil || f.kind != "" || f.held || w.joint.Passes[w.pass].Loose || f.verdict != events.Within && f.verdict != events.Doubtful {
		return
	}
	sent, known := quantity.UnitByCode(r.unit)
	var others []float64
	for _, e := range t.job.Steps[w.step].Weigh[w.pass].pulls() {
		if e.Pull.Reading == r.seq || e.Pull.Tool != r.tool {
			continue
		}
		if o, ok := springOf(e.Pull.Trace); ok {
			others = append(others, o)
		}
	}
	if !known || len(others) < springPulls {
		return
	}
	// A spring-back is told in steps of the angle: one of its two ends may lie half a
	// step off, and the other too.
	step := t.s.toolOf(r.tool).AngleStep
	usual := stretchLaw(others, math.Hypot(springSpread, float64(springStepSD*step)/r.found.SpringBack.In(quantity.Degree)))
	apart := r.found.SpringBack.In(quantity.Degree) - float64(math.Exp(usual.mean)*r.found.Peak.Base())
	if math.Abs(x-usual.mean) < float64(springSure*usual.sd) || math.Abs(apart) < float64(springSteps*step) {
		return
	}
	meant, ok := slippedBy(x-usual.mean, springFits, sent)
	if !ok {
		return
	}
	name := w.joint.Fasteners[w.fastener].ID
	really := quantity.Of(r.value.In(sent), meant)
	f.verdict, f.held, f.kind = events.Doubtful, true, events.AlertUnitSlip
	f.text = fmt.Sprintf("%s, fastener %s: the number %s is right, but the tool sprang back %.2g times as far as at that number before, as if it were %s (%s). It may have been set to that unit.",
		t.job.title(w.step), name, r.text, math.Exp(x-usual.mean), show(really, meant), show(really, w.unit))
	f.todo = fmt.Sprintf("Look at the tool's unit and set it to %s. Leave fastener %s as it is: a lead decides.", w.unit.Symbol(), name)
}

// peakApart is by how much of a reading the peak of its own trace may differ
// from it, beside what sampling misses. Our choice: tools filter their peaks.
const peakApart = 0.15

// otherPeak doubts a pull whose trace peaks elsewhere than its reading says: one
// of the two is not of this pull, or in another unit.
func (t *tx) otherPeak(w *slot, r *reading, f *finding) {
	if r.found == nil || f.kind != "" || f.held || w.joint == nil || w.joint.Passes[w.pass].Loose || f.verdict != events.Within && f.verdict != events.Doubtful {
		return
	}
	share := r.found.Peak.Base() / r.value.Base()
	if !(share > 0) || share <= 1+peakApart && share >= 1-peakApart-min(r.found.PeakLoss, 1) {
		return
	}
	name := w.joint.Fasteners[w.fastener].ID
	f.verdict, f.held, f.kind = events.Doubtful, true, events.AlertToolStatus
	f.text = fmt.Sprintf("%s, fastener %s: %s says %s, but its trace peaks at %s, so the reading is no witness.",
		t.job.title(w.step), name, t.s.toolName(r.tool), r.said(w.unit), show(r.found.Peak, w.unit))
	f.todo = "Look at the tool's settings and have it checked. A lead decides about the fastener."
	if sent, ok := quantity.UnitByCode(r.unit); ok {
		if meant, ok := slippedBy(math.Log(share), peakFits, sent); ok {
			f.kind = events.AlertUnitSlip
			f.text += fmt.Sprintf(" That is %s %s: the tool may be set to another unit.", r.text, meant.Symbol())
		}
	}
}

// peakFits is how near to a unit's factor the two must be, as a logarithm. Our
// choice.
const peakFits = 0.05

// springOf is the logarithm of a trace's spring-back over its peak.
func springOf(f *events.TraceFound) (x float64, ok bool) {
	if f == nil || f.SpringBack.IsZero() || f.SpringBack.In(quantity.Degree) < springLeast || !(f.Peak.Base() > 0) {
		return 0, false
	}
	return math.Log(f.SpringBack.In(quantity.Degree) / f.Peak.Base()), true
}

// slippedBy finds the unit that makes numbers of the one sent greater by a factor,
// given as a logarithm, to within some error.
func slippedBy(by, within float64, sent quantity.Unit) (meant quantity.Unit, ok bool) {
	best := within
	for _, u := range quantity.Units() {
		if u == sent || u.Dimension() != sent.Dimension() {
			continue
		}
		f := math.Log(quantity.Of(1, u).Base() / quantity.Of(1, sent).Base())
		if d := math.Abs(f - by); d <= best {
			meant, best, ok = u, d, true
		}
	}
	return meant, ok
}
