package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// reapplies reports whether an item can be answered although its step is done:
// sealant, as long as its joint is not closed.
func (t *tx) reapplies(it *procedure.Item) bool {
	_, k := t.job.Proc.Step(it.Until)
	return it.Kind == procedure.ItemSealant && k >= 0 && !t.job.clamped(k)
}

// clamped reports whether the last bolt of a torque step is tight. The closing
// round is not waited for: it moves no bolt that is tight.
func (j *Job) clamped(i int) bool {
	missed, low := j.undone(i)
	return len(missed)+len(low) == 0
}

// openTimes looks at every sealant that is on and whose joint was open when
// this decision began: the joint is closed now, or its open time runs out.
func (t *tx) openTimes(now events.Instant) {
	j := t.job
	for i := range j.Proc.Steps {
		for k := range j.Proc.Steps[i].Items {
			it := &j.Proc.Steps[i].Items[k]
			x := j.Steps[i].ItemState(it.ID)
			if x == nil || x.UntilUs == 0 || x.Sealed {
				continue
			}
			_, until := j.Proc.Step(it.Until)
			late := now > x.UntilUs
			if until >= 0 && j.clamped(until) {
				accepted := x.Accepted
				t.add(events.SealantClosed{Job: j.ID, Step: j.Proc.Steps[i].ID, Item: it.ID, InTime: !late, AtUs: now})
				if late && !accepted {
					t.ranOut(i, it, x)
				}
				continue
			}
			switch {
			case x.Accepted:
			case now >= x.UntilUs:
				t.ranOut(i, it, x)
			case now >= x.WarnUs:
				t.raise(events.AlertRaised{
					Kind: events.AlertOpenTime, Bench: j.Bench, Job: j.ID, Step: j.Proc.Steps[i].ID, Items: []string{it.ID},
					Text: fmt.Sprintf("%s: the open time of %s ends in %s, and %s.", j.title(i), it.What, span(x.UntilUs.Sub(now).Round(1e9)), j.notClamped(until)),
					Todo: "Tighten the joint now, in the order that is shown.",
				})
			}
		}
	}
}

func (j *Job) notClamped(i int) string {
	if i < 0 {
		return "the joint is open"
	}
	missed, low := j.undone(i)
	left := len(missed) + len(low)
	if left == 1 {
		return "1 fastener of " + j.title(i) + " is left"
	}
	return fmt.Sprintf("%d fasteners of %s are left", left, j.title(i))
}

// ranOut raises a sealant whose open time is over; the warning before is
// settled by it.
func (t *tx) ranOut(i int, it *procedure.Item, x *ItemState) {
	j := t.job
	for a := range t.openAlerts(j.ID) {
		if a.Kind == events.AlertOpenTime && a.Step == x.Step && slices.Contains(a.Items, it.ID) {
			if a.Blocks {
				return // said before
			}
			t.settle(a.Alert, "", "the open time is over")
			break
		}
	}
	todo := it.Todo
	if todo == "" {
		todo = "Stop. Take the joint apart, clean both faces, and apply it anew."
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertOpenTime, Bench: j.Bench, Job: j.ID, Step: x.Step, Items: []string{it.ID}, Blocks: true,
		Text: fmt.Sprintf("%s: the open time of %s is over: %s from application to the last bolt.", j.title(i), it.What, span(it.Open)),
		Todo: todo + " A lead may decide.",
	})
}

// outOfTime reports whether an open alert says that a sealant's open time is
// over.
func (t *tx) outOfTime(step, item string) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertOpenTime && a.Blocks && a.Step == step && slices.Contains(a.Items, item) {
			return true
		}
	}
	return false
}

// openTimeEnds returns when to look at the open times next, after now; 0 if
// there is nothing to look at.
func (j *Job) openTimeEnds(now events.Instant) events.Instant {
	var end events.Instant
	for i := range j.Steps {
		for k := range j.Steps[i].Items {
			x := &j.Steps[i].Items[k]
			if x.UntilUs == 0 || x.Sealed || x.Accepted {
				continue
			}
			for _, at := range []events.Instant{x.WarnUs, x.UntilUs} {
				if at > now && (end == 0 || at < end) {
					end = at
				}
			}
		}
	}
	return end
}
