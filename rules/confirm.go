package rules

import (
	"fmt"
	"slices"
	"time"

	"witnessmark/events"
)

// step looks up a step of the job in the decision, or refuses.
func (t *tx) step(r *request, id string) (i int, ok bool) {
	if _, i = t.job.Proc.Step(id); i >= 0 {
		return i, true
	}
	t.refuse(r, "unknown_step", fmt.Sprintf("job %q has no step %q", t.job.ID, id), "Look for the step's id in the procedure.")
	return 0, false
}

// fastenerOf looks up a fastener of a torque step, or refuses.
func (t *tx) fastenerOf(r *request, step int, id string) (i int, ok bool) {
	if jt := t.job.Proc.Steps[step].Joint; jt != nil {
		if i = jt.Fastener(id); i >= 0 {
			return i, true
		}
	}
	t.refuse(r, "unknown_fastener", fmt.Sprintf("%s has no fastener %q", t.job.title(step), id), "Look for the fastener's id in the procedure.")
	return 0, false
}

// confirmAsked finishes an attested step. It is the last moment before a cover
// goes on, so it is refused while an earlier step is open, and what was left
// behind there is raised: in every torque step that has been begun, and in
// every step that this one covers.
func (t *tx) confirmAsked(r *request, d events.StepConfirmAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	p := &t.job.Proc.Steps[i]
	switch {
	case t.job.Steps[i].Done:
		t.refuse(r, "already_done", fmt.Sprintf("%s is done", t.job.title(i)), "Go on with the next step.")
	case t.job.Steps[i].AtHold():
		t.refuse(r, "at_hold", t.job.holdLine(i), fmt.Sprintf("Call %s who did none of the work.", holdWho(p.Hold)))
	case p.Joint != nil || p.Measure != nil:
		t.leaveBefore(i, "its confirmation was asked for")
		t.leaveStep(i, "its confirmation was asked for")
		t.refuse(r, "needs_readings", fmt.Sprintf("%s is done by readings, not by a word", t.job.title(i)), "Take the readings that are missing.", t.openUpTo(i)...)
	case t.partsWanted(r, i):
	case len(t.openBefore(i)) > 0:
		t.leaveBefore(i, fmt.Sprintf("%s was to be confirmed", t.job.title(i)))
		t.guard(i, fmt.Sprintf("%s was to be confirmed", t.job.title(i)), false)
		t.refuse(r, "open_work", fmt.Sprintf("%s cannot be confirmed: steps before it are open", t.job.title(i)),
			"Stop, do not cover anything. Do what is listed first, or have a lead decide.", t.openBefore(i)...)
	case len(t.job.openItems(i)) > 0:
		t.refuse(r, "unanswered", fmt.Sprintf("%s cannot be confirmed: it asks what is not answered, or not right", t.job.title(i)),
			"Answer what is listed, or have a lead decide.", t.job.itemLines(i)...)
	case len(t.job.hardened(i, true)) > 0:
		t.guardEnds(i, fmt.Sprintf("%s was to be confirmed", t.job.title(i)), true)
		t.refuse(r, "loose_end", fmt.Sprintf("%s cannot be confirmed: it makes harder to close what is still open", t.job.title(i)),
			"Stop, do not cover anything. Close what is listed first.", t.job.Ahead(i)...)
	case p.Hold != "":
		t.add(events.HoldOpened{Job: d.Job, Step: d.Step, Hold: p.Hold, Answer: d.Answer, By: r.By, AtUs: t.at})
	default:
		t.add(events.StepFinished{Job: d.Job, Step: d.Step, By: r.By, Answer: d.Answer, AtUs: t.at})
	}
	t.follow()
}

// leaveBefore raises what was left behind in the steps before i, as
// confirmAsked says.
func (t *tx) leaveBefore(i int, why string) {
	covers := t.job.Proc.Steps[i].Covers
	for k := range i {
		p, st := &t.job.Proc.Steps[k], &t.job.Steps[k]
		covered := slices.Contains(covers, p.ID)
		if p.Joint != nil && (covered || st.begun()) || p.Measure != nil && (covered || st.Value != nil || p.Shim != nil && st.begun()) {
			t.leaveStep(k, why)
		}
		if p.Joint != nil && covered {
			t.leaveClosing(k, why)
		}
	}
}

// openBefore returns what is open in the steps before i that are not done.
func (t *tx) openBefore(i int) []string {
	var lines []string
	for k := range i {
		if !t.job.Steps[k].Done {
			lines = append(lines, t.job.openStep(k)...)
		}
	}
	return lines
}

func (t *tx) openUpTo(i int) []string { return append(t.openBefore(i), t.job.openStep(i)...) }

// pointedAt notes at which fastener the next pull will be. Pointing at one
// that is done means to pull it once more.
func (t *tx) pointedAt(r *request, d events.FastenerPointed) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	k, ok := t.fastenerOf(r, i, d.Fastener)
	if !ok {
		return
	}
	if c := t.job.coveredBy(i); c >= 0 {
		t.refuse(r, "covered", fmt.Sprintf("%s can no longer be reached: %s is done", t.job.title(i), t.job.title(c)), "Ask a lead to send the fastener back to be done again.")
		return
	}
	if t.job.Steps[i].Fasteners[k].Held {
		t.refuse(r, "held", fmt.Sprintf("fastener %s is held until a lead decides", d.Fastener), "Call a lead. The other fasteners can go on.")
		return
	}
	if i > t.job.current() {
		t.guard(i, fmt.Sprintf("fastener %s was pointed at", d.Fastener), true)
	}
	t.add(events.FastenerPlaced{Job: d.Job, Step: d.Step, Fastener: d.Fastener, By: r.By, AtUs: t.at})
}

// coveredBy returns the done step that covers step i, or -1. A step that has
// been opened again is not covered.
func (j *Job) coveredBy(i int) int {
	if !j.Steps[i].Done {
		return -1
	}
	for c := range j.Steps {
		if j.Steps[c].Done && slices.Contains(j.Proc.Steps[c].Covers, j.Proc.Steps[i].ID) {
			return c
		}
	}
	return -1
}

// timeReached asks about every job whose deadline has come: its begun, open
// torque steps that have had no reading for longer than their pause.
func (t *tx) timeReached(d events.TimeReached) {
	for _, id := range t.s.due(d.AtUs) {
		t.openPaused(id, d.AtUs)
	}
}

func (t *tx) openPaused(id string, now events.Instant) {
	t.job = nil
	t.open(id)
	t.openTimes(now)
	for i := range t.job.Steps {
		p := &t.job.Proc.Steps[i]
		if t.job.waits(i) && !t.s.away(t.job.Bench) && t.job.LastAt.Add(p.Pause) <= now {
			t.leaveStep(i, fmt.Sprintf("nothing was pulled for %s", span(p.Pause)))
		}
	}
	t.add(events.DeadlineSet{Job: id, AtUs: t.job.pauseEnds(now)})
}

// due returns the active jobs whose deadline has come, sorted.
func (s *State) due(now events.Instant) []string {
	var ids []string
	for id, j := range s.Jobs { // sorted below
		if j.Deadline != 0 && j.Deadline <= now && j.Status == JobActive {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// Span writes a length of time for people: "3 min", "90 s".
func Span(d time.Duration) string { return span(d) }

func span(d time.Duration) string {
	if d >= time.Minute && d%time.Minute == 0 {
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return d.String()
}

// mostLost is how many lost cycles are told apart; a greater jump of a counter
// is a counter that was set, rather.
const mostLost = 1000

// counterGap raises reading_lost: the tool took readings that did not reach
// this machine. It does not block release, because a lost reading counts for
// nothing: the fastener it was for is still open and blocks by itself. It is
// settled once the step it may have been for is done. A counter that began
// anew (a battery change) says nothing of lost readings, and a tool that is
// used at a bench without a job has lost nothing that a job misses.
func (t *tx) counterGap(d events.CounterGapFound) {
	id := t.s.BenchJob[d.Bench]
	if id == "" {
		return
	}
	t.open(id)
	if d.Restart {
		t.counterRestarted(d)
		return
	}
	a := events.AlertRaised{
		Kind: events.AlertCounterGap, Bench: d.Bench, Job: id, Tool: d.Tool,
		Text: fmt.Sprintf("The counter of %s went from %d to %d: readings in between did not arrive.", t.s.toolName(d.Tool), d.After, d.Next),
		Todo: "Look at the last pulls: one that the screen does not show must be pulled again.",
	}
	if i := t.job.current(); i < len(t.job.Steps) {
		a.Step = t.job.Proc.Steps[i].ID
	}
	if t.job.Weighed && d.Next > d.After+1 {
		t.add(events.CyclesLost{Job: id, Step: a.Step, Tool: d.Tool, Cycles: int(min(d.Next-d.After-1, mostLost)), AtUs: t.at})
	}
	t.raise(a)
}

// counterRestarted says that a tool's counter began anew while a joint was being
// worked on: whether a cycle was lost meanwhile, it cannot tell.
func (t *tx) counterRestarted(d events.CounterGapFound) {
	i := t.job.current()
	if !t.job.Weighed || i >= len(t.job.Steps) || t.job.Proc.Steps[i].Joint == nil || !t.job.Steps[i].begun() {
		return
	}
	t.raise(events.AlertRaised{
		Kind: events.AlertCounterGap, Bench: d.Bench, Job: t.job.ID, Tool: d.Tool, Step: t.job.Proc.Steps[i].ID,
		Text: fmt.Sprintf("The counter of %s began anew (from %d to %d): whether a reading was lost in between, it does not tell.", t.s.toolName(d.Tool), d.After, d.Next),
		Todo: "Look at the last pulls: one that the screen does not show must be pulled again.",
	})
}
