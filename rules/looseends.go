package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// LooseEnd is something in a job that was opened and has to be closed.
type LooseEnd struct {
	events.LooseEndOpened
	Closed   bool
	Readings []uint64 // that closed it; none where a word did
	ClosedBy string
	// Excused are the fasteners of the closing step that a lead has accepted as
	// they are since it was opened; "" stands for the whole step.
	Excused []string
	// Stale is set once the step that opened it has to be done again: when it is,
	// the loose end is open again.
	Stale bool
}

// OpenLooseEnds returns the job's open loose ends, oldest first.
func (j *Job) OpenLooseEnds() []LooseEnd {
	var open []LooseEnd
	for _, e := range j.LooseEnds {
		if !e.Closed {
			open = append(open, e)
		}
	}
	return open
}

func (j *Job) looseEnd(id string) *LooseEnd {
	for i := range j.LooseEnds {
		if j.LooseEnds[i].LooseEnd == id {
			return &j.LooseEnds[i]
		}
	}
	return nil
}

// changeLooseEnd returns a loose end for writing, in a copy of the list.
func (j *Job) changeLooseEnd(id string) *LooseEnd {
	j.LooseEnds = slices.Clone(j.LooseEnds)
	return j.looseEnd(id)
}

func (j *Job) applyLooseEnd(o events.OutcomeData) {
	switch o := o.(type) {
	case events.LooseEndOpened:
		if e := j.changeLooseEnd(o.LooseEnd); e != nil {
			*e = LooseEnd{LooseEndOpened: o}
			return
		}
		j.LooseEnds = append(j.LooseEnds, LooseEnd{LooseEndOpened: o})
	case events.LooseEndClosed:
		if e := j.changeLooseEnd(o.LooseEnd); e != nil {
			e.Closed, e.Readings, e.ClosedBy = true, o.Readings, o.By
		}
	case events.LooseEndReopened:
		if e := j.changeLooseEnd(o.LooseEnd); e != nil {
			e.Closed, e.Readings, e.ClosedBy = false, nil, ""
		}
	}
}

// excuse notes that a lead has accepted a fastener, or with "" a whole step.
func (j *Job) excuse(step, fastener string) {
	for _, e := range j.OpenLooseEnds() {
		if spec, _ := j.Proc.LooseEnd(e.LooseEnd); spec != nil && spec.Step == step {
			w := j.changeLooseEnd(e.LooseEnd)
			w.Excused = append(slices.Clip(w.Excused), fastener)
		}
	}
}

// staleEnds notes that a step which opened loose ends has to be done again, so
// that what closed them no longer tells anything. Where the step's own readings
// close them, these tell by themselves.
func (j *Job) staleEnds(step string) {
	for _, e := range j.LooseEnds {
		spec, _ := j.Proc.LooseEnd(e.LooseEnd)
		if e.Step == step && e.Closed && !e.Adhoc && spec != nil && spec.Step != step {
			j.changeLooseEnd(e.LooseEnd).Stale = true
		}
	}
}

// followLooseEnds opens what the steps done so far leave open, and closes what
// has its evidence. Evidence that holds no longer opens it again.
func (t *tx) followLooseEnds() {
	j := t.job
	for i := range j.Proc.Steps {
		for k := range j.Proc.Steps[i].Opens {
			spec := &j.Proc.Steps[i].Opens[k]
			e := j.looseEnd(spec.ID)
			if (e == nil || e.Stale) && j.leftOpen(spec, i) {
				t.add(events.LooseEndOpened{
					Job: j.ID, LooseEnd: spec.ID, Step: j.Proc.Steps[i].ID, What: spec.What, Closes: j.closingWords(spec), Who: spec.Who,
					Seq: t.seq, By: t.by, AtUs: t.at,
				})
			}
			if spec.Step != "" {
				t.followEvidence(spec)
			}
		}
	}
}

// leftOpen reports whether step i has come so far that a loose end is open.
func (j *Job) leftOpen(spec *procedure.LooseEnd, i int) bool {
	st := &j.Steps[i]
	return st.Done || spec.After >= 0 && st.Pass > spec.After
}

func (t *tx) followEvidence(spec *procedure.LooseEnd) {
	e := t.job.looseEnd(spec.ID)
	if e == nil || e.Stale {
		return
	}
	readings, ids, ok := t.job.evidence(spec, e)
	switch {
	case ok && !e.Closed:
		how := "pulled: " + list(ids)
		if len(ids) == 0 {
			how = "accepted as it is by a lead"
		}
		t.add(events.LooseEndClosed{Job: t.job.ID, LooseEnd: spec.ID, How: how, Readings: readings, By: t.by, AtUs: t.at})
	case !ok && e.Closed:
		why := t.why
		if why == "" {
			why = "a reading that closed it counts no longer"
		}
		t.add(events.LooseEndReopened{Job: t.job.ID, LooseEnd: spec.ID, Why: why, AtUs: t.at})
	}
}

// evidence returns the readings that close a loose end, with the ids of their
// fasteners; ok only if none is missing. A reading counts if it was taken after
// the loose end was opened, in the named pass or a later one.
func (j *Job) evidence(spec *procedure.LooseEnd, e *LooseEnd) (readings []uint64, ids []string, ok bool) {
	p, i := j.Proc.Step(spec.Step)
	if p == nil || p.Joint == nil {
		return nil, nil, false
	}
	for _, k := range spec.Fasteners {
		id := p.Joint.Fasteners[k].ID
		r := j.lastPull(i, k, spec.Pass)
		switch {
		case r > e.Seq:
			readings, ids = append(readings, r), append(ids, id)
		case slices.Contains(e.Excused, "") || slices.Contains(e.Excused, id):
		default:
			return nil, nil, false
		}
	}
	return readings, ids, true
}

// lastPull returns the latest reading that counts for a fastener in a pass or
// after it; pass -1 is its final one.
func (j *Job) lastPull(step, fastener, pass int) uint64 {
	if pass < 0 {
		pass = j.Proc.Steps[step].Joint.Final(fastener)
	}
	f := &j.Steps[step].Fasteners[fastener]
	var r uint64
	for p := max(pass, 0); p < len(f.Marks); p++ {
		if f.Marks[p].counts() {
			r = max(r, f.Marks[p].Reading)
		}
	}
	return r
}

// closingWords says for people what closes a loose end.
func (j *Job) closingWords(spec *procedure.LooseEnd) string {
	p, i := j.Proc.Step(spec.Step)
	if p == nil || p.Joint == nil {
		return spec.Attest + byWhom(spec.Who)
	}
	ids := make([]string, len(spec.Fasteners))
	for k, f := range spec.Fasteners {
		ids[k] = p.Joint.Fasteners[f].ID
	}
	pass := ""
	if len(p.Joint.Passes) > 1 && spec.Pass >= 0 {
		pass = ", " + passName(p.Joint, spec.Pass) + " pass"
	}
	return fmt.Sprintf("%s of %s pulled%s", list(ids), j.title(i), pass)
}

func byWhom(who string) string {
	switch who {
	case events.BySecond:
		return " (a second person attests it)"
	case events.ByLead:
		return " (a lead attests it)"
	}
	return ""
}

// looseEndOpened opens a loose end that the procedure does not know of.
func (t *tx) looseEndOpened(r *request, d events.LooseEndOpenAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	if d.Step == "" && t.job.current() < len(t.job.Steps) {
		d.Step = t.job.Proc.Steps[t.job.current()].ID
	}
	if d.Step != "" {
		if _, ok := t.step(r, d.Step); !ok {
			return
		}
	}
	what, closes := strings.TrimSpace(d.What), strings.TrimSpace(d.Closes)
	switch {
	case what == "":
		t.refuse(r, "no_answer", "the loose end has no name", "Say in a few words what is loose, or what was left in place.")
	case closes == "":
		t.refuse(r, "no_answer", "nothing says what closes the loose end", "Say in a few words what has to be seen: the rag is out.")
	case !slices.Contains([]string{events.ByAnyone, events.BySecond, events.ByLead}, d.Who):
		t.refuse(r, "bad_choice", fmt.Sprintf("%q cannot close a loose end", d.Who), `Leave it empty, or choose "second_person" or "lead".`)
	default:
		t.add(events.LooseEndOpened{
			Job: d.Job, LooseEnd: "L" + strconv.FormatUint(t.seq, 10), Step: d.Step, What: what, Closes: closes + byWhom(d.Who), Who: d.Who,
			Adhoc: true, Seq: t.seq, By: r.By, AtUs: t.at,
		})
	}
}

// looseEndClosed closes a loose end by a word, where a word can close it.
func (t *tx) looseEndClosed(r *request, d events.LooseEndCloseAsked) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) {
		return
	}
	e := t.job.looseEnd(d.LooseEnd)
	switch spec, _ := t.job.Proc.LooseEnd(d.LooseEnd); {
	case e == nil && spec != nil:
		t.refuse(r, "not_open", fmt.Sprintf("loose end %q has not been opened yet", d.LooseEnd), "Do the step that leaves it open first.")
	case e == nil:
		t.refuse(r, "unknown_loose_end", fmt.Sprintf("job %q has no loose end %q", d.Job, d.LooseEnd), "Look for its id among the open ones.", t.job.looseLines()...)
	case e.Closed:
		t.refuse(r, "already_closed", fmt.Sprintf("loose end %q was closed before, by %s", d.LooseEnd, t.s.personName(e.ClosedBy)), "Nothing more is to be done. If it is loose again, open a new one.")
	case spec != nil && spec.Step != "":
		t.refuse(r, "needs_readings", fmt.Sprintf("loose end %q is closed by readings, not by a word", d.LooseEnd), "Point at what is loose and pull it: "+e.Closes+".")
	case e.Who != events.ByAnyone && r.By == e.By:
		t.refuse(r, "own_loose_end", fmt.Sprintf("%s left it open; somebody else has to see that it is closed", t.s.personName(r.By)), "Call a second person.")
	case e.Who == events.ByLead && !t.mayDecide(r, "close this loose end"):
	case strings.TrimSpace(d.Answer) == "":
		t.refuse(r, "no_answer", "this needs an answer", "Say what was done or seen: "+e.Closes+".")
	default:
		how := "attested: " + e.Closes
		t.add(events.LooseEndClosed{Job: d.Job, LooseEnd: d.LooseEnd, How: how, Answer: strings.TrimSpace(d.Answer), By: r.By, AtUs: t.at})
		t.follow()
	}
}

// looseLines lists the open loose ends for people.
func (j *Job) looseLines() []string {
	var lines []string
	for _, e := range j.OpenLooseEnds() {
		lines = append(lines, fmt.Sprintf("loose end %q: %s; closed by: %s", e.LooseEnd, e.What, e.Closes))
	}
	return lines
}
