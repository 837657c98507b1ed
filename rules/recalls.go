package rules

import (
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/rules/recall"
)

// Recall is a recall as the rules keep it: which lines wait, and on which
// units. The lines themselves are in the journal and the ledger. It is replaced
// when it changes, never written into.
type Recall struct {
	events.RecallOpened
	Seq    uint64 // of the request that opened it
	Listed int    // lines that are in
	Open   int    // lines that wait
	Closed bool   // all are in, and none waits
	Jobs   []RecallJob
	Of     []int32      // by line from 1, less one: index into Jobs; -1 once it is closed
	Places []RecallSpot // of the lines on jobs that were open when they were listed
}

// RecallJob is a job with lines of a recall.
type RecallJob struct {
	Job, UnitSerial string
	Open            int // lines that wait
}

// RecallSpot is where a line on an open job lies.
type RecallSpot struct {
	Line           int
	Step, Fastener string
}

// mostRecallLines is how many lines a recall may have: what a person can work
// off, and what the state can keep. Our choice.
const mostRecallLines = 100_000

// InDoubt is how many lines of a recall wait on a unit or a job.
type InDoubt struct {
	Recall, Tool string
	Lines        int
}

// UnitInDoubt returns the recalls with lines that wait on a unit, in the order
// in which they were opened.
func (s *State) UnitInDoubt(serial string) []InDoubt {
	return s.inDoubt(func(j *RecallJob) bool { return j.UnitSerial == serial && serial != "" })
}

// JobInDoubt is UnitInDoubt for one job.
func (s *State) JobInDoubt(job string) []InDoubt {
	return s.inDoubt(func(j *RecallJob) bool { return j.Job == job })
}

func (s *State) inDoubt(is func(*RecallJob) bool) []InDoubt {
	var out []InDoubt
	for _, r := range s.OpenRecalls() {
		n := 0
		for i := range r.Jobs {
			if is(&r.Jobs[i]) {
				n += r.Jobs[i].Open
			}
		}
		if n > 0 {
			out = append(out, InDoubt{r.Recall, r.Tool, n})
		}
	}
	return out
}

// OpenRecalls returns the recalls that are not closed, oldest first.
func (s *State) OpenRecalls() []*Recall {
	var out []*Recall
	for _, r := range s.Recalls { // sorted below
		if !r.Closed {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b *Recall) int { return int(int64(a.Seq) - int64(b.Seq)) })
	return out
}

// openRecalls says what of recalls keeps a job from being released.
func (t *tx) openRecalls() []string {
	var lines []string
	for _, d := range t.s.JobInDoubt(t.job.ID) {
		lines = append(lines, fmt.Sprintf("recall %s of tool %s: %d %s in doubt on this unit: re-torque, or have a lead accept, and close the lines", d.Recall, t.s.toolName(d.Tool), d.Lines, plural(d.Lines, "reading", "readings")))
	}
	return lines
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// mayCare refuses persons who are neither metrology nor lead.
func (t *tx) mayCare(r *request, what string) bool {
	if t.s.index.people[r.By].Role.Cares() {
		return true
	}
	t.refuse(r, "no_right", fmt.Sprintf("only metrology or a lead may %s; %s is neither", what, t.s.personName(r.By)), "Ask metrology or a lead to do it.")
	return false
}

// recallAsked opens a recall with the list that the desk made from the ledger.
func (t *tx) recallAsked(r *request, d events.RecallAsked) {
	if !t.mayCare(r, "open a recall") || !t.reasoned(r, d.Reason) {
		return
	}
	refuse := func(text, todo string) { t.refuse(r, "bad_recall", text, todo) }
	switch old := t.s.Recalls[d.Recall]; {
	case d.Recall == "" || d.Tool == "":
		refuse("a recall needs an id and a tool", "Name both.")
	case old != nil:
		t.refuse(r, "recall_known", fmt.Sprintf("there is a recall %q already", d.Recall), "Give another id.")
	case !(d.Least > 0 && d.Least <= 1):
		refuse(fmt.Sprintf("the least probability is %v", d.Least), "Give one above 0 and at most 1.")
	case d.Total < len(d.Lines) || d.Total > mostRecallLines:
		refuse(fmt.Sprintf("%d lines in all, %d here; at most %d can be worked off", d.Total, len(d.Lines), mostRecallLines), "Ask for a greater least probability.")
	case d.Bad.AtUs > t.at:
		refuse("the tool was found bad at a time that has not come", "Correct the date.")
	default:
		if why := badSpan(&d); why != "" {
			refuse(why, "Correct when the tool was last known good and when it was found bad.")
			return
		}
		if why := badLines(d.Lines, 0); why != "" {
			refuse(why, "Make the list again.")
			return
		}
		t.add(events.RecallOpened{
			Recall: d.Recall, Tool: d.Tool, Good: d.Good, Bad: d.Bad, Position: d.Position, Least: d.Least, InSpan: d.InSpan, InDoubt: d.InDoubt,
			Total: d.Total, By: r.By, Reason: d.Reason, AtUs: t.at,
		})
		t.listed(r, d.Recall, d.Lines, d.Total, 0)
	}
}

// listed adds a part of the list; a recall of which nothing is in doubt is
// closed at once.
func (t *tx) listed(r *request, id string, lines []events.RecallLine, total, before int) {
	if len(lines) > 0 {
		t.add(events.RecallListed{Recall: id, Lines: lines})
	}
	if total == 0 && before == 0 {
		t.add(events.RecallClosed{Recall: id, By: r.By, AtUs: t.at})
	}
}

// badSpan says what is wrong with the two standings, "" for nothing.
func badSpan(d *events.RecallAsked) string {
	s := recall.Span{}
	for _, e := range []struct {
		from *events.RecallStanding
		to   *recall.Standing
	}{{&d.Good, &s.Good}, {&d.Bad, &s.Bad}} {
		if len(e.from.Levels) == 0 {
			return "a standing tells no deviation"
		}
		*e.to = recall.Standing{At: e.from.AtUs.Time(), Cycles: int(e.from.Cycles)}
		for _, l := range e.from.Levels {
			e.to.Levels = append(e.to.Levels, recall.Level{At: l.At.Base(), Deviation: l.Deviation, U: l.U / 2})
		}
		slices.SortFunc(e.to.Levels, func(a, b recall.Level) int {
			if a.At < b.At {
				return -1
			}
			return 1
		})
	}
	if err := s.Check(); err != nil {
		return err.Error()
	}
	return ""
}

// badLines says what is wrong with a part of a list that goes on after so many
// lines, "" for nothing.
func badLines(lines []events.RecallLine, after int) string {
	for i := range lines {
		l := &lines[i]
		switch {
		case l.Line != after+i+1:
			return fmt.Sprintf("line %d stands where line %d is due", l.Line, after+i+1)
		case l.Reading == 0 || l.Job == "" || l.Step == "":
			return fmt.Sprintf("line %d names no reading, job or step", l.Line)
		}
		for _, w := range []events.RecallWorth{l.ByTime, l.ByCycles, l.Worst} {
			if !(w.P >= 0 && w.P <= 1) || math.IsNaN(w.Deviation) || math.IsNaN(w.True) {
				return fmt.Sprintf("line %d has a probability of %v", l.Line, w.P)
			}
		}
	}
	return ""
}

// openRecall finds a recall that is not closed, or refuses.
func (t *tx) openRecall(r *request, id string) *Recall {
	switch k := t.s.Recalls[id]; {
	case k == nil:
		t.refuse(r, "unknown_recall", fmt.Sprintf("there is no recall %q", id), "Look for its id among the recalls.")
	case k.Closed:
		t.refuse(r, "recall_closed", fmt.Sprintf("recall %q is closed", id), "Nothing more is to be done.")
	default:
		return k
	}
	return nil
}

// recallPart brings further lines of a recall.
func (t *tx) recallPart(r *request, d events.RecallPartAsked) {
	k := t.openRecall(r, d.Recall)
	if k == nil || !t.mayCare(r, "open a recall") {
		return
	}
	why := badLines(d.Lines, k.Listed)
	if n := k.Listed + len(d.Lines); why == "" && (n > k.Total || len(d.Lines) == 0) {
		why = fmt.Sprintf("%d more lines after %d of %d", len(d.Lines), k.Listed, k.Total)
	}
	if why != "" {
		t.refuse(r, "bad_recall", why, "Open the recall again, under another id.")
		return
	}
	t.listed(r, d.Recall, d.Lines, k.Total, k.Listed)
}

// recallLines closes lines of a recall.
func (t *tx) recallLines(r *request, d events.RecallLineAsked) {
	k := t.openRecall(r, d.Recall)
	if k == nil || !t.mayClose(r, d.How) {
		return
	}
	if len(d.Lines) == 0 {
		t.refuse(r, "no_lines", "no line is named", "Name the lines to close.")
		return
	}
	seen := map[int]bool{}
	for _, line := range d.Lines {
		switch {
		case line < 1 || line > k.Listed || seen[line]:
			t.refuse(r, "unknown_line", fmt.Sprintf("recall %s has no line %d, or it was named twice", d.Recall, line), "Look at the list of the recall.")
			return
		case k.Of[line-1] < 0:
			t.refuse(r, "line_closed", fmt.Sprintf("line %d is closed already", line), "Leave it out.")
			return
		}
		seen[line] = true
	}
	proof := d.Reading
	if d.How == events.RecallRetorqued {
		ok := false
		if proof, ok = t.retorqued(r, k, &d); !ok {
			return
		}
	}
	if (d.How != events.RecallRetorqued || proof == 0) && !t.reasoned(r, d.Reason) {
		return
	}
	t.add(events.RecallLineClosed{Recall: d.Recall, Lines: d.Lines, How: d.How, Reading: proof, By: r.By, Reason: d.Reason, AtUs: t.at})
	if k.Open == len(d.Lines) && k.Listed == k.Total {
		t.add(events.RecallClosed{Recall: d.Recall, By: r.By, AtUs: t.at})
	}
}

// mayClose reports whether a person may close lines in a way, or refuses.
func (t *tx) mayClose(r *request, how events.RecallHow) bool {
	switch how {
	case events.RecallRetorqued:
		return t.s.index.people[r.By].Role == events.RoleMetrology || t.mayWork(r)
	case events.RecallAccepted:
		return t.mayDecide(r, "accept what is in doubt")
	case events.RecallCalled:
		return t.mayCare(r, "call a unit back")
	}
	t.refuse(r, "bad_choice", fmt.Sprintf("%q is no way to close a line", how), `Choose "retorqued", "accepted" or "called_back".`)
	return false
}

// retorqued looks whether lines on open jobs were pulled again since the recall
// was opened, with a tool that is not in doubt itself; proof is the reading, if
// there is one line.
func (t *tx) retorqued(r *request, k *Recall, d *events.RecallLineAsked) (proof uint64, ok bool) {
	proof = d.Reading
	for _, line := range d.Lines {
		at := slices.IndexFunc(k.Places, func(p RecallSpot) bool { return p.Line == line })
		if at < 0 {
			continue // the job had ended: a person says so, with the reason
		}
		j := t.s.Jobs[k.Jobs[k.Of[line-1]].Job]
		if j == nil {
			continue
		}
		m := j.markAt(k.Places[at])
		switch {
		case m == nil || m.Reading <= k.Seq:
			t.refuse(r, "not_retorqued", fmt.Sprintf("line %d: %s has not been done again since the recall was opened", line, k.Places[at].words()),
				"Have a lead send it back, pull it again with a tool in order, and then close the line.")
			return 0, false
		case m.Judged.Tool == k.Tool && t.s.Tools[k.Tool] != nil && t.s.Tools[k.Tool].Standing == events.StandingBad:
			t.refuse(r, "tool_in_doubt", fmt.Sprintf("line %d: %s was done again with the tool that is in doubt", line, k.Places[at].words()), "Use a tool in order.")
			return 0, false
		case m.Verdict != events.Within && m.Verdict != events.Doubtful:
			t.refuse(r, "not_retorqued", fmt.Sprintf("line %d: %s is %s", line, k.Places[at].words(), m.Verdict), "Do it again, then close the line.")
			return 0, false
		case len(d.Lines) == 1:
			proof = m.Reading
		}
	}
	return proof, true
}

func (p RecallSpot) words() string {
	if p.Fastener == "" {
		return "step " + p.Step
	}
	return "fastener " + p.Fastener + " of step " + p.Step
}

// markAt is the reading that a place is judged by now, nil for none.
func (j *Job) markAt(p RecallSpot) *Mark {
	step, i := j.Proc.Step(p.Step)
	if step == nil {
		return nil
	}
	if p.Fastener == "" {
		return j.Steps[i].Value
	}
	if step.Joint == nil {
		return nil
	}
	if k := step.Joint.Fastener(p.Fastener); k >= 0 {
		return j.Steps[i].Fasteners[k].last()
	}
	return nil
}

// foldRecall applies an outcome about a recall; false if o is something else.
func (s *State) foldRecall(o events.OutcomeData) bool {
	switch o := o.(type) {
	case events.RecallOpened:
		s.Recalls[o.Recall] = &Recall{RecallOpened: o, Seq: s.Cause}
	case events.RecallListed:
		s.setRecall(o.Recall, func(k *Recall) { s.foldListed(k, o.Lines) })
	case events.RecallLineClosed:
		s.setRecall(o.Recall, func(k *Recall) { k.close(o.Lines) })
	case events.RecallClosed:
		s.setRecall(o.Recall, func(k *Recall) {
			k.Closed, k.Jobs, k.Of, k.Places, k.Open = true, nil, nil, nil, 0
		})
	default:
		return false
	}
	return true
}

// setRecall replaces a recall by what change makes of a copy, whose lists are
// its own.
func (s *State) setRecall(id string, change func(*Recall)) {
	old := s.Recalls[id]
	if old == nil || old.Closed {
		return
	}
	n := *old
	n.Jobs, n.Of, n.Places = slices.Clone(old.Jobs), slices.Clone(old.Of), slices.Clone(old.Places)
	change(&n)
	s.Recalls[id] = &n
}

func (s *State) foldListed(k *Recall, lines []events.RecallLine) {
	at := make(map[string]int32, len(k.Jobs))
	for i := range k.Jobs {
		at[k.Jobs[i].Job] = int32(i)
	}
	for i := range lines {
		l := &lines[i]
		n, ok := at[l.Job]
		if !ok {
			n, at[l.Job] = int32(len(k.Jobs)), int32(len(k.Jobs))
			k.Jobs = append(k.Jobs, RecallJob{Job: l.Job, UnitSerial: l.UnitSerial})
		}
		k.Jobs[n].Open++
		k.Of = append(k.Of, n)
		if s.Jobs[l.Job] != nil {
			k.Places = append(k.Places, RecallSpot{l.Line, l.Step, l.Fastener})
		}
	}
	k.Listed += len(lines)
	k.Open += len(lines)
}

func (k *Recall) close(lines []int) {
	for _, line := range lines {
		if line < 1 || line > len(k.Of) || k.Of[line-1] < 0 {
			continue
		}
		k.Jobs[k.Of[line-1]].Open--
		k.Of[line-1] = -1
		k.Open--
	}
	k.Places = slices.DeleteFunc(k.Places, func(p RecallSpot) bool { return k.Of[p.Line-1] < 0 })
}
