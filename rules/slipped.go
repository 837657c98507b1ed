package rules

import (
	"fmt"

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
	for _, e := range j.Steps[i].Weigh[at].pulls() {
		if !(e.Pull.Torque.Base() < w.lsl.Base()) || w.earlierPass(e.Pull.Torque) {
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
