package rules

import (
	"fmt"

	"witnessmark/events"
)

// resent notes that a tool sent a cycle once more. It counts once; so the alert
// is told and settled in one decision: it is in the record and on the page's
// list, and no horn sounds for it.
func (t *tx) resent(d events.FrameRepeated) {
	var dev *events.Device
	for i := range t.s.Shop.Devices {
		if t.s.Shop.Devices[i].ID == d.Device {
			dev = &t.s.Shop.Devices[i]
		}
	}
	if dev == nil || t.s.BenchJob[dev.Bench] == "" {
		return
	}
	t.open(t.s.BenchJob[dev.Bench])
	if !t.job.Weighed {
		return
	}
	a := events.AlertRaised{
		Kind: events.AlertSameCycle, Bench: dev.Bench, Job: t.job.ID, Tool: dev.Tool, Reading: t.seq,
		Text: fmt.Sprintf("%s sent the reading with its number %d once more. It counts once.", t.s.toolName(dev.Tool), d.ToolCounter),
		Todo: "Nothing needs to be done. Where it happens often, look at the tool's link.",
	}
	if i := t.job.current(); i < len(t.job.Steps) {
		a.Step = t.job.Proc.Steps[i].ID
	}
	if t.same(&a) != "" {
		return
	}
	t.settle(t.raise(a), "", "the same cycle: counted once")
}
