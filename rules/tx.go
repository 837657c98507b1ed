package rules

import (
	"slices"
	"strconv"

	"witnessmark/events"
)

// tx is one decision while it is being made: the state, which it only reads,
// and a clone of the one job concerned, on which each outcome is tried as soon
// as it is decided, so that what follows from it can be seen.
type tx struct {
	s   *State
	seq uint64         // of the fact
	at  events.Instant // its time
	now events.Instant // the same, but of what came late: when it came
	by  string         // the person behind it, for what it finishes
	why string         // for people: what happened, for what it reopens
	who string         // the person who asks; "" for what nobody asked

	late     *LateRun // of a fact that a bench box had to keep back; else nil
	job      *Job     // clone; nil if no job is concerned
	out      []events.Outcome
	raised   []events.AlertRaised          // in this decision
	settled  []string                      // alert ids, in this decision
	drawers  map[string][]events.ShimPiece // of shims, as decided so far; nil: none has changed
	used     []uint64                      // readings that an answer takes up
	unplaced uint64                        // reading that stops being unplaced in this decision
	alerts   int
}

// open takes a job into the decision; nothing if id is not an open job.
func (t *tx) open(id string) {
	if j := t.s.Jobs[id]; j != nil {
		t.job = j.clone()
	}
}

// add puts an outcome into the decision and tries it on the job.
func (t *tx) add(o events.OutcomeData) {
	t.out = append(t.out, events.Outcome{Data: o})
	if t.job == nil || events.JobOf(o) != t.job.ID {
		return
	}
	if p, ok := o.(events.PullWeighed); ok {
		t.job.applyPull(p, t.s.toolOf(p.Tool))
		return
	}
	t.job.apply(o, t.at)
}

// nextAlert returns the id that the next alert of this decision will have.
func (t *tx) nextAlert() string {
	return "A" + strconv.FormatUint(t.seq, 10) + "-" + strconv.Itoa(t.alerts)
}

// raise raises an alert and returns its id. If an open alert already says the
// same, nothing is raised and that one's id is returned.
func (t *tx) raise(a events.AlertRaised) string {
	if id := t.same(&a); id != "" {
		return id
	}
	a.Alert, a.AtUs = t.nextAlert(), t.now
	t.alerts++
	t.raised = append(t.raised, a)
	t.add(a)
	return a.Alert
}

// same returns the id of an open alert of the same kind about the same thing,
// "" if there is none. One that names more fasteners says the same.
func (t *tx) same(a *events.AlertRaised) string {
	for o := range t.openAlerts(a.Job) {
		if o.Kind == a.Kind && o.Job == a.Job && o.Step == a.Step && o.Tool == a.Tool && whileRising(o) == whileRising(a) &&
			(a.Job != "" || o.Bench == a.Bench) && (a.Kind != events.AlertOutOfOrder || len(a.Fasteners) == 0 && !tellsOfOrder(a) || o.Reading == a.Reading) && len(o.Fasteners) > 0 == (len(a.Fasteners) > 0) && !lacks(o.Fasteners, a.Fasteners) && !lacks(o.Items, a.Items) {
			return o.Alert
		}
	}
	return ""
}

// lacks reports whether some of want is not in have.
func lacks(have, want []string) bool {
	return slices.ContainsFunc(want, func(id string) bool { return !slices.Contains(have, id) })
}

// openAlerts gives the open alerts of a job (or, with job "", those of none),
// oldest first, and then those raised in this decision.
func (t *tx) openAlerts(job string) func(yield func(*events.AlertRaised) bool) {
	return func(yield func(*events.AlertRaised) bool) {
		ids := t.s.index.loose
		if job != "" {
			if j := t.s.Jobs[job]; j != nil {
				ids = j.Alerts
			}
		}
		for _, id := range ids {
			if a := t.s.Alerts[id]; a != nil && !slices.Contains(t.settled, id) && !yield(&a.AlertRaised) {
				return
			}
		}
		for i := range t.raised {
			if t.raised[i].Job == job && !yield(&t.raised[i]) {
				return
			}
		}
	}
}

func (t *tx) settle(alert, by, how string) {
	t.settled = append(t.settled, alert)
	t.add(events.AlertSettled{Alert: alert, By: by, How: how, AtUs: t.at})
}

// follow adds what follows from the outcomes so far: steps that are now done
// or open again, alerts whose cause is gone, and when to be asked again.
func (t *tx) follow() {
	if t.job == nil {
		return
	}
	t.openTimes(t.at)
	t.followShims()
	t.seekOn()
	for i := range t.job.Steps {
		t.followStep(i)
	}
	t.proposeWhereDue()
	t.followLooseEnds()
	t.settleGone()
	t.deadline()
}

func (t *tx) followStep(i int) {
	j := t.job
	st, p := &j.Steps[i], &j.Proc.Steps[i]
	full, ok := j.partsFull(i)
	switch {
	case ok:
	case p.Joint != nil:
		full = st.Pass >= len(p.Joint.Passes)
	case p.Shim != nil:
		full = st.Accepted || st.shimClosed()
	case p.Measure != nil:
		full = st.Accepted || st.Value != nil && st.Value.counts()
	default:
		full = st.Done || st.Accepted // attested: by request only
	}
	full = t.followHold(i, full && j.itemsDone(i))
	switch {
	case full && !st.Done:
		t.add(events.StepFinished{Job: j.ID, Step: p.ID, By: t.by, AtUs: t.at})
	case !full && st.Done:
		t.add(events.StepReopened{Job: j.ID, Step: p.ID, Why: t.why})
	}
}

// deadline sets the instant at which an open, begun torque step has been
// without a reading for longer than its pause. It is set early rather than
// moved with each reading: when it comes, TimeReached looks at how long ago
// the last reading really was.
func (t *tx) deadline() {
	j := t.job
	if j.Status != JobActive {
		return
	}
	if want := j.pauseEnds(t.now); want != 0 && (j.Deadline == 0 || want < j.Deadline) {
		t.add(events.DeadlineSet{Job: j.ID, AtUs: want})
	}
}

// pauseEnds returns when the first pause of a begun, open step is over, or the
// open time of a sealant asks for a look, after now; 0 if neither is.
func (j *Job) pauseEnds(now events.Instant) events.Instant {
	var end events.Instant
	for i := range j.Steps {
		if !j.waits(i) {
			continue
		}
		if e := j.LastAt.Add(j.Proc.Steps[i].Pause); e > now && (end == 0 || e < end) {
			end = e
		}
	}
	if e := j.openTimeEnds(now); e != 0 && (end == 0 || e < end) {
		end = e
	}
	return end
}

// waits reports whether step i is a torque step with a pause, begun and open,
// and not at its hold point.
func (j *Job) waits(i int) bool {
	p := &j.Proc.Steps[i]
	return p.Joint != nil && p.Pause > 0 && !j.Steps[i].Done && !j.Steps[i].AtHold() && j.Steps[i].begun()
}
