package rules

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// slippedLow says, where fasteners were left behind, that a low pull of their
// pass would have been right in another unit. At the pull itself it was taken
// for an unfinished one, since the tool had worked in the right unit before;
// now that one is short, it may have been a whole one with the tool set wrongly.
// A tool that tells no unit shows a slip in no other way.
func (t *tx) slippedLow(i, at int, left []string) {
	j := t.job
	p := &j.Proc.Steps[i]
	if !j.Weighed || at >= len(j.Steps[i].Weigh) || p.Joint.Passes[at].Loose {
		return
	}
	w := j.fastenerSlot(i, at, p.Joint.Passes[at].Order[0])
	partial := j.partials(i, at)
	for k, e := range j.Steps[i].Weigh[at].pulls() {
		if !(e.Pull.Torque.Base() < w.lsl.Base()) || w.earlierPass(e.Pull.Torque) || len(partial) > 0 && partial[k] {
			continue
		}
		r := reading{value: e.Pull.Torque, unit: j.unitOf(i, e.Pull.Tool)}
		meant, ok := w.slip(r.value, r.unit)
		if !ok || !w.near(&r, meant) {
			continue
		}
		sent, _ := quantity.UnitByCode(r.unit)
		r.text = show(r.value, sent)
		t.raise(events.AlertRaised{
			Kind: events.AlertUnitSlip, Bench: j.Bench, Job: j.ID, Step: p.ID, Pass: at, Fasteners: left, Reading: e.Pull.Reading, Blocks: true,
			Text: fmt.Sprintf("%s: one pull sent %s, which is low, but would be right as %s (wanted %s), and no pull shows %s. The tool may have been set to the wrong unit for that pull.",
				j.title(i), r.text, show(quantity.Of(r.value.In(sent), meant), meant), w.wanted(), list(left)),
			Todo: fmt.Sprintf("Set the tool to %s and pull %s again.", w.unit.Symbol(), list(left)),
		})
		return
	}
}

// Limits of a slip that shows in several pulls. Our choice.
const (
	slipFits  = 0.05 // of a target: whoever pulls in the wrong unit aims at the number
	slipApart = 2.0  // factor between two units, at least, that says enough in a loose pass
	slipRow   = 4    // low pulls in a row that peaked alike
	slipShare = 0.8  // of the pulls, at least, that another unit explains
	slipLeast = 2    // of those that the unit sent does not explain
)

// unitFor finds the unit in which a number sent in one would be about a target;
// the nearest one.
func unitFor(v, target quantity.Value, sent quantity.Unit) (meant quantity.Unit, ok bool) {
	if !(v.Base() > 0) || !(target.Base() > 0) {
		return meant, false
	}
	best := slipFits
	for _, u := range quantity.Units() {
		if u == sent || u.Dimension() != sent.Dimension() || u.Dimension() != target.Dimension() {
			continue
		}
		if d := math.Abs(quantity.Of(v.In(sent), u).Base()/target.Base() - 1); d < best {
			meant, best, ok = u, d, true
		}
	}
	return meant, ok
}

// slippedHigh says so of a pull in a loose pass that is far above its limits and
// whose number would be about the target in a unit far from the one sent.
func (t *tx) slippedHigh(w *slot, r *reading, f *finding) {
	sent, known := quantity.UnitByCode(r.unit)
	if !known {
		return
	}
	if meant, ok := unitFor(r.value, w.target, sent); ok && quantity.Of(slipApart, meant).Base() < quantity.Of(1, sent).Base() {
		t.saySlip(w, r, f)
	}
}

// slippedRow says, once a pass has had several low pulls in a row that peaked alike,
// that they would be right in another unit. Unfinished pulls rise.
func (t *tx) slippedRow(w *slot, r *reading) {
	sent, known := quantity.UnitByCode(r.unit)
	if !known || !(r.value.Base() < w.lsl.Base()) || t.lowsBefore(w, r) < slipRow {
		return
	}
	meant, ok := unitFor(r.value, w.target, sent)
	if !ok {
		return
	}
	name := w.joint.Fasteners[w.fastener].ID
	t.raise(events.AlertRaised{
		Kind: events.AlertUnitSlip, Bench: r.bench, Job: t.job.ID, Step: t.job.Proc.Steps[w.step].ID, Pass: w.pass, Fasteners: []string{name}, Reading: r.seq, Blocks: true,
		Text: fmt.Sprintf("%s, fastener %s: %d pulls in a row ended at about %s, which is low; %s %s would be right (wanted %s). The tool is probably set to the wrong unit.",
			t.job.title(w.step), name, slipRow, r.said(w.unit), r.text, meant.Symbol(), w.wanted()),
		Todo: fmt.Sprintf("Stop. Set the tool to %s, and pull all fasteners of this joint again.", w.unit.Symbol()),
	})
}

// slippedAll says, where fasteners of a step were left behind, that the pulls that
// were there, or else those that were too many where work was last, would be right for it in another
// unit: nearly all of them, and some are not right for it as they were sent.
func (t *tx) slippedAll(i, at int, left []string) {
	j := t.job
	p := &j.Proc.Steps[i]
	if !j.Weighed || len(j.Steps[i].Weigh) == 0 {
		return
	}
	var values []quantity.Value
	tool := ""
	for k := range j.Steps[i].Weigh {
		for _, e := range j.Steps[i].Weigh[k].pulls() {
			values, tool = append(values, e.Pull.Torque), e.Pull.Tool
		}
	}
	if len(values) == 0 { // none came there: so many, or nearly, came too many where work was last
		values, tool = j.lastIdle()
		if float64(len(values)) < float64(slipShare*float64(len(left))) {
			return
		}
	}
	sent, known := quantity.UnitByCode(j.sentBy(tool))
	if !known {
		return
	}
	for _, meant := range quantity.Units() {
		fits, odd, right := 0, 0, 0
		for _, v := range values {
			here, there := false, false
			for k := range p.Joint.Passes {
				l := &p.Joint.Passes[k]
				here = here || limits{lsl: l.LSL, target: l.Target, usl: l.USL, unit: l.Unit}.holds(v)
				u, ok := unitFor(v, l.Target, sent)
				there = there || ok && u == meant
			}
			switch {
			case there && !here:
				fits, odd = fits+1, odd+1
			case there:
				fits++
			case here:
				right++
			}
		}
		if odd < slipLeast || float64(fits) < float64(slipShare*float64(len(values))) || right > 0 && fits <= 4*right {
			continue
		}
		w := j.fastenerSlot(i, at, p.Joint.Passes[at].Order[0])
		t.raise(events.AlertRaised{
			Kind: events.AlertUnitSlip, Bench: j.Bench, Job: j.ID, Step: p.ID, Pass: at, Fasteners: left, Blocks: true,
			Text: fmt.Sprintf("%s: %d of %d pulls would be right in %s (wanted %s), and as they were sent they are not. The tool was probably set to the wrong unit.",
				j.title(i), fits, len(values), meant.Symbol(), w.wanted()),
			Todo: fmt.Sprintf("Stop. Set the tool to %s and pull %s again.", w.unit.Symbol(), list(left)),
		})
		return
	}
}

// lastIdle returns the torques of the pulls that made nothing tight in the step that
// had the job's last pull, and their tool. Which of the pulls there those were does not matter
// here, only how many.
func (j *Job) lastIdle() (values []quantity.Value, tool string) {
	step, newest := "", uint64(0)
	for i := range j.Steps {
		for k := range j.Steps[i].Weigh {
			if e := j.Steps[i].Weigh[k].last(); e != nil && e.Pull.Reading > newest {
				step, newest = e.Pull.Step, e.Pull.Reading
			}
		}
	}
	for k := range j.Aside {
		if a := &j.Aside[k]; a.Step == step {
			values, tool = append(values, a.Value), a.Tool
		}
	}
	return values, tool
}

// sentBy returns the unit in which a tool sent the job's pulls.
func (j *Job) sentBy(tool string) string {
	for i := range j.Steps {
		for k := range j.Steps[i].Fasteners {
			for p := range j.Steps[i].Fasteners[k].Marks {
				if m := &j.Steps[i].Fasteners[k].Marks[p]; m.Reading != 0 && m.Judged.Tool == tool {
					return m.Judged.Unit
				}
			}
		}
	}
	return ""
}

// unitOf returns the unit in which a tool sent the pulls of a step that count.
func (j *Job) unitOf(i int, tool string) string {
	for k := range j.Steps[i].Fasteners {
		for p := range j.Steps[i].Fasteners[k].Marks {
			if m := &j.Steps[i].Fasteners[k].Marks[p]; m.counts() && m.Judged.Tool == tool {
				return m.Judged.Unit
			}
		}
	}
	return ""
}
