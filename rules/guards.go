package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
)

// guard is asked when work at step i shows for the first time: somebody points
// at its fasteners, pulls one, answers what it asks or confirms it. It names
// what must be in first, and the loose ends that get harder to close. Where
// nothing has said so yet (first), it names the steps that would be buried too.
func (t *tx) guard(i int, why string, first bool) {
	t.guardEnds(i, why, first)
	if left := t.job.notIn(i, first); len(left) > 0 {
		t.raise(events.AlertRaised{
			Kind: events.AlertOrderGuard, Bench: t.job.Bench, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Items: left, Blocks: true,
			Text: fmt.Sprintf("%s must wait for %s: %s.", t.job.title(i), t.job.titles(left), why),
			Todo: fmt.Sprintf("Stop. Do %s first, or have a lead decide.", t.job.titles(left)),
		})
	}
}

// guardPull is guard for a reading that counts at step i, whose questions
// should be answered by then.
func (t *tx) guardPull(i int, why string) {
	t.guard(i, why, false)
	t.leaveItems(i, why)
}

// guarded reports whether a reading at step i can bring up anything to guard.
func (j *Job) guarded(i int) bool {
	p := &j.Proc.Steps[i]
	return len(p.Needs)+len(p.Items)+len(j.LooseEnds) > 0
}

// guards reports whether an open alert names a step that must be in first.
func (t *tx) guards(step string) bool {
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertOrderGuard && slices.Contains(a.Items, step) {
			return true
		}
	}
	return false
}

// notIn returns the ids of the steps that must be in before step i and are not:
// those that it needs, and with covered those that it would bury.
func (j *Job) notIn(i int, covered bool) []string {
	p := &j.Proc.Steps[i]
	var left []string
	for k := range i {
		id := j.Proc.Steps[k].ID
		if !j.Steps[k].Done && (slices.Contains(p.Needs, id) || covered && slices.Contains(p.Covers, id)) {
			left = append(left, id)
		}
	}
	return left
}

// Ahead returns, for people, what step i would bury or get ahead of: steps that
// must be done before it, and loose ends that it makes harder to close.
func (j *Job) Ahead(i int) []string {
	var lines []string
	for _, id := range j.notIn(i, true) {
		_, k := j.Proc.Step(id)
		lines = append(lines, j.title(k)+" is not done")
	}
	for _, e := range j.hardened(i, true) {
		lines = append(lines, fmt.Sprintf("%s is still open; closed by: %s", e.What, e.Closes))
	}
	return lines
}

func (j *Job) titles(ids []string) string {
	var all []string
	for _, id := range ids {
		if _, k := j.Proc.Step(id); k >= 0 {
			all = append(all, j.title(k))
		}
	}
	return strings.Join(all, ", ")
}

// hardened returns the open loose ends that step i makes harder to close. One
// whose closing step is open and covered is among them only with all: that step
// is named by itself.
func (j *Job) hardened(i int, all bool) []LooseEnd {
	p := &j.Proc.Steps[i]
	var ends []LooseEnd
	for _, e := range j.OpenLooseEnds() {
		if e.Adhoc {
			if slices.Contains(p.Covers, e.Step) {
				ends = append(ends, e)
			}
			continue
		}
		spec, opener := j.Proc.LooseEnd(e.LooseEnd)
		if spec == nil || !p.Harder(spec, j.Proc.Steps[opener].ID) {
			continue
		}
		if _, k := j.Proc.Step(spec.Step); k == i || k >= 0 && !all && !j.Steps[k].Done && !slices.Contains(p.Hardens, spec.ID) {
			continue
		}
		ends = append(ends, e)
	}
	return ends
}

func (t *tx) guardEnds(i int, why string, all bool) {
	ends := t.job.hardened(i, all)
	if len(ends) == 0 {
		return
	}
	t.raiseEnds(t.job.Proc.Steps[i].ID, ends, fmt.Sprintf("%s makes it harder to close", t.job.title(i)), why)
}

// raiseEnds raises open loose ends that no alert names yet.
func (t *tx) raiseEnds(step string, ends []LooseEnd, hard, why string) {
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertLooseEnd && a.Step == step {
			ends = slices.DeleteFunc(slices.Clone(ends), func(e LooseEnd) bool { return slices.Contains(a.Items, e.LooseEnd) })
		}
	}
	if len(ends) == 0 {
		return
	}
	var items, what, closes []string
	for _, e := range ends {
		items, what, closes = append(items, e.LooseEnd), append(what, e.What), append(closes, e.Closes)
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertLooseEnd, Bench: t.job.Bench, Job: t.job.ID, Step: step, Items: items, Blocks: true,
		Text: fmt.Sprintf("Still open: %s. %s: %s.", strings.Join(what, "; "), hard, why),
		Todo: fmt.Sprintf("Stop. Close it first: %s.", strings.Join(closes, "; ")),
	})
}

// leaveEnds raises every open loose end that no alert names yet: release was
// asked for.
func (t *tx) leaveEnds(why string) {
	ends := t.job.OpenLooseEnds()
	for a := range t.openAlerts(t.job.ID) {
		if a.Kind == events.AlertLooseEnd {
			ends = slices.DeleteFunc(ends, func(e LooseEnd) bool { return slices.Contains(a.Items, e.LooseEnd) })
		}
	}
	t.raiseEnds("", ends, "The unit must not leave like this", why)
}

// leaveItems raises what step i asks and nobody has answered, although work has
// begun or gone on.
func (t *tx) leaveItems(i int, why string) {
	left := t.job.unanswered(i)
	if len(left) == 0 {
		return
	}
	var what []string
	for _, id := range left {
		what = append(what, asks(t.job.Proc.Steps[i].Item(id)))
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertUnanswered, Bench: t.job.Bench, Job: t.job.ID, Step: t.job.Proc.Steps[i].ID, Items: left, Blocks: true,
		Text: fmt.Sprintf("%s: not answered: %s; work went on: %s.", t.job.title(i), strings.Join(what, "; "), why),
		Todo: "Stop. Look at the part and answer, before it can no longer be seen.",
	})
}

// goneAttested is gone for the alerts of what is attested; mine is false for
// others.
func (t *tx) goneAttested(a *events.AlertRaised) (how string, gone, mine bool) {
	_, i := t.job.Proc.Step(a.Step)
	switch a.Kind {
	case events.AlertLooseEnd:
		return "closed", !slices.ContainsFunc(a.Items, func(id string) bool {
			e := t.job.looseEnd(id)
			return e != nil && !e.Closed
		}), true
	case events.AlertOrderGuard:
		return "done", !slices.ContainsFunc(a.Items, func(id string) bool { return !t.stepDone(id) }), true
	case events.AlertUnanswered:
		return "answered", i >= 0 && none(a.Items, t.job.unanswered(i)), true
	case events.AlertOrientation, events.AlertWrongWay, events.AlertStopCheck:
		return "put right, or decided", i >= 0 && none(a.Items, slices.DeleteFunc(t.job.openItems(i), func(id string) bool { return t.job.Steps[i].ItemState(id) == nil })), true
	case events.AlertHoldPoint:
		return "released", t.stepDone(a.Step), true
	case events.AlertOpenTime:
		if i < 0 || len(a.Items) == 0 {
			return "", true, true
		}
		x := t.job.Steps[i].ItemState(a.Items[0])
		switch {
		case x == nil || t.job.Steps[i].Accepted:
			return "decided", true, true
		case x.Accepted:
			return "decided", true, true
		case x.AtUs > a.AtUs:
			return "applied anew", true, true
		}
		return "the joint is closed in time", !a.Blocks && x.Sealed, true
	}
	return "", false, false
}

// none reports whether no one of ids is in list.
func none(ids, list []string) bool {
	return !slices.ContainsFunc(ids, func(id string) bool { return slices.Contains(list, id) })
}

// attestedAlert reports whether an alert is about what is attested: it is
// settled by the work itself, or by a decision on it, and by nothing else.
func attestedAlert(k events.AlertKind) bool {
	switch k {
	case events.AlertLooseEnd, events.AlertOrderGuard, events.AlertUnanswered, events.AlertOrientation, events.AlertWrongWay, events.AlertStopCheck, events.AlertHoldPoint:
		return true
	}
	return false
}
