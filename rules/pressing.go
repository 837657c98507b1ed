package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/press"
	"witnessmark/rules/procedure"
)

// PressState is how far one place of a press step has come.
type PressState struct {
	Mark      Mark             // its last pressing; a zero Mark where nothing counts yet
	Seat      events.SeatFound // what that told of the seat
	Cleared   bool             // the pair was found right before it
	Held      bool             // nothing more until a lead decides
	Accepted  bool             // left as it is by a lead's decision
	Redo      bool             // was pressed before, must be done again
	Rechecked bool             // the question after it was answered
	Good      bool             // and well
}

// PressWants says what a place of a press step wants next.
type PressWants string

// What a place can want.
const (
	PressNothing PressWants = ""
	PressPair    PressWants = "pair"    // the parts in hand are to be told first
	PressForce   PressWants = "press"   // a pressing
	PressRecheck PressWants = "recheck" // the question after it
	PressLead    PressWants = "lead"    // a lead's decision
)

// PressWants says what place k of the press step i wants next.
func (j *Job) PressWants(i, k int) PressWants {
	spec, p := j.Proc.Steps[i].Press, &j.Steps[i].Presses[k]
	switch {
	case p.Accepted || j.Steps[i].Accepted:
		return PressNothing
	case p.Held:
		return PressLead
	case !p.Mark.counts() || p.Seat == events.SeatNot:
		if len(spec.Places[k].Mates) > 0 && !p.Cleared {
			return PressPair
		}
		return PressForce
	case j.asksAfter(i, k) && !p.Rechecked:
		return PressRecheck
	}
	return PressNothing
}

// asksAfter reports whether a question follows the pressing of place k: where
// the procedure asks one, or where it wants a seat and nothing could show it.
func (j *Job) asksAfter(i, k int) bool {
	spec := j.Proc.Steps[i].Press
	return spec.Recheck != nil && spec.Recheck.Ask != "" || j.Steps[i].Presses[k].Seat == events.SeatUnknown
}

// PressQuestion is what is asked after the pressing of place k.
func (j *Job) PressQuestion(i, k int) string {
	spec := j.Proc.Steps[i].Press
	var qs []string
	if j.Steps[i].Presses[k].Seat == events.SeatUnknown {
		qs = append(qs, "Does it sit home, all round?")
	}
	if spec.Recheck != nil && spec.Recheck.Ask != "" {
		qs = append(qs, spec.Recheck.Ask)
	}
	return strings.Join(qs, " ")
}

// NextPress returns the place of press step i that is pressed next and what it
// wants; ok is false if none wants anything but a lead.
func (j *Job) NextPress(i int) (place int, wants PressWants, ok bool) {
	for k := range j.Steps[i].Presses {
		if w := j.PressWants(i, k); w != PressNothing && w != PressLead {
			return k, w, true
		}
	}
	return 0, PressNothing, false
}

// pressDone reports whether all places of press step i are done.
func (j *Job) pressDone(i int) bool {
	for k := range j.Steps[i].Presses {
		if j.PressWants(i, k) != PressNothing {
			return false
		}
	}
	return true
}

// pressedWith reports whether a part was told in the hand for a place that has
// been pressed.
func (j *Job) pressedWith(part string) bool {
	for i := range j.Steps {
		spec := j.Proc.Steps[i].Press
		if spec == nil {
			continue
		}
		for k := range spec.Places {
			for _, id := range spec.Places[k].Mates {
				m := j.Proc.Mate(id)
				if j.Steps[i].Presses[k].Mark.Reading != 0 && (m.A.Part == part || m.B.Part == part) {
					return true
				}
			}
		}
	}
	return false
}

func (j *Job) pressSlot(i int) slot {
	p := j.Proc.Steps[i].Press
	return slot{limits: limits{lsl: p.LSL, usl: p.USL, unit: p.Unit}, step: i, fastener: -1, tools: p.Tools, kinds: p.ToolKinds, press: true}
}

// pressing decides on a force, if it is one of a press: that of the current
// step, or of a later one if work went on.
func (t *tx) pressing(r *reading, tool *toolDates) bool {
	if r.value.Dimension() != quantity.DimForce || t.job.measuresForce() || t.job.pulledAtArm() {
		return false
	}
	i := t.job.current()
	here := i < len(t.job.Steps) && t.job.Proc.Steps[i].Press != nil
	switch {
	case !here && tool.Kind != events.ToolPressGauge:
		return false
	case !here:
		t.pressedElsewhere(r, tool)
		return true
	}
	k, wants, ok := t.job.NextPress(i)
	if ok && wants == PressRecheck {
		k = t.job.pressAfter(i, k)
	}
	t.pressAt(i, k, r, tool, ok && k >= 0)
	return true
}

// pressAfter returns the place that a pressing is for while place k still waits
// for its re-check: the next one, or k itself if there is none.
func (j *Job) pressAfter(i, k int) int {
	for n := k + 1; n < len(j.Steps[i].Presses); n++ {
		if w := j.PressWants(i, n); w == PressForce || w == PressPair {
			return n
		}
	}
	return k
}

// pressedElsewhere decides on a force while no press step is at work. It is one
// for a later step if it is inside that step's limits; an upper limit alone
// explains too much.
func (t *tx) pressedElsewhere(r *reading, tool *toolDates) {
	for i := t.job.current() + 1; i < len(t.job.Steps); i++ {
		if t.job.Proc.Steps[i].Press == nil || t.job.Steps[i].Done {
			continue
		}
		w := t.job.pressSlot(i)
		k, _, ok := t.job.NextPress(i)
		if why, _ := tool.misfit(&w, r.at); !ok || why != "" || w.lsl.IsZero() || !w.holds(r.value) {
			continue
		}
		t.pressAt(i, k, r, tool, true)
		t.leave(i, fmt.Sprintf("%s came for %s", r.said(w.unit), t.job.title(i)))
		return
	}
	t.leaveUnplaced(r, events.AlertUnplaced, "no press step is being worked on", "Claim it for the place it was pressed at, or dismiss it with a reason.")
}

// pressAt counts a pressing at place k of step i, or keeps it.
func (t *tx) pressAt(i, k int, r *reading, tool *toolDates, open bool) {
	w := t.job.pressSlot(i)
	misfit, _ := tool.misfit(&w, r.at)
	switch {
	case conditionOf(r.status) == fault:
		t.leaveUnplaced(r, events.AlertToolStatus, fmt.Sprintf("the gauge says %q: the force may have been greater than it shows", r.status),
			"Stop. Look at the part and at the press before anything else is pressed. Check the gauge. A lead claims the reading, or dismisses it with a reason.")
	case misfit != "":
		t.wrongTool(r, &w, misfit)
	case !open:
		t.leaveUnplaced(r, events.AlertExtraPull, fmt.Sprintf("each place of %s is pressed, or waits for a lead", t.job.title(i)),
			"Say what was pressed: a lead sends a place back to be done again, or the reading is dismissed with a reason.")
	default:
		t.countPress(&w, k, r, tool)
	}
}

// countPress judges a pressing: its greatest force, its seat, and whether it
// was allowed.
func (t *tx) countPress(w *slot, k int, r *reading, tool *toolDates) {
	j, i := t.job, w.step
	spec, was := j.Proc.Steps[i].Press, j.Steps[i].Presses[k]
	place := spec.Places[k]
	u := uncertainty(tool.Tool, r.value)
	v := w.judge(r.value, u.Base())
	unchecked := len(place.Mates) > 0 && !was.Cleared
	held := v == events.High || unchecked
	o := events.ReadingJudged{
		Reading: r.seq, Job: j.ID, Step: j.Proc.Steps[i].ID, Fastener: place.ID, Verdict: v, Value: r.value, Text: r.text, Unit: r.unit,
		LSL: w.lsl, USL: w.usl, U: u, Tool: r.tool, Calibrated: tool.Calibrated, Bench: r.bench, By: r.by, AtUs: r.at,
		Claimed: r.claimed, Typed: r.mode == events.ModeTyped, Held: held,
	}
	if o.By == "" {
		o.By = j.Technician
	}
	t.by = o.By
	t.why = fmt.Sprintf("%s was pressed again", place.Title)
	t.add(o)
	s := t.seatOf(spec, place.ID, r)
	s.Job, s.Step, s.By = o.Job, o.Step, o.By
	t.add(s)
	t.openRecheck(spec, o.By)
	raise := func(kind events.AlertKind, text, todo string) {
		t.raise(events.AlertRaised{Kind: kind, Bench: r.bench, Job: j.ID, Step: o.Step, Fasteners: []string{place.ID}, Reading: r.seq, Tool: r.tool, Text: text, Todo: todo, Blocks: true})
	}
	switch {
	case v == events.High:
		raise(events.AlertPressForce, fmt.Sprintf("%s, %s: the force went to %s, above the limit of %s.", j.title(i), place.Title, r.said(w.unit), show(w.usl, w.unit)),
			"Stop the press and let the force off before you come near: parts under load fly. Look for what binds. The place is held: call a lead.")
	case unchecked:
		raise(events.AlertPressPair, fmt.Sprintf("%s, %s was pressed before the parts were checked against each other: %s.", j.title(i), place.Title, t.mateWords(&place)),
			"Stop. Look at both parts. The place is held: a lead accepts it, or has it pressed out and done again.")
	case s.Seat == events.SeatNot && v != events.Low:
		raise(events.AlertPressSeat, fmt.Sprintf("%s, %s does not show its seat: %s.", j.title(i), place.Title, s.Text),
			"Let the force off, look whether the part stands on its shoulder all round. If not, find out what holds it and press again; if it does, a lead accepts it.")
	case k > 0 && j.PressWants(i, k-1) == PressRecheck:
		place = spec.Places[k-1]
		raise(events.AlertPressRecheck, fmt.Sprintf("%s: %s was not re-checked before the next one was pressed.", j.title(i), place.Title),
			"Do the re-check now and answer it: "+j.PressQuestion(i, k-1))
	}
}

func (t *tx) mateWords(p *procedure.PressPlace) string {
	var out []string
	for _, id := range p.Mates {
		out = append(out, t.job.Proc.Mate(id).MustMatch())
	}
	return strings.Join(out, "; ")
}

// seatOf looks at the course of a pressing.
func (t *tx) seatOf(spec *procedure.PressSpec, place string, r *reading) events.PressJudged {
	o := events.PressJudged{Reading: r.seq, Place: place, Seat: events.SeatUnasked, AtUs: r.at, Text: "the procedure asks for no seat"}
	if r.stroke != nil {
		o.Samples = len(r.stroke.Force)
	}
	if spec.Seat == nil {
		return o
	}
	found, seat, c := press.Judge(r.stroke, spec.Seat.Jump, spec.Seat.TravelLo, spec.Seat.TravelHi)
	o.Seat = found
	if found != events.SeatReached {
		o.Text = seat.Why
		return o
	}
	o.Force, o.Jump = quantity.Newtons(seat.Force).Value(), quantity.Newtons(seat.Jump).Value()
	o.Text = fmt.Sprintf("home at %s; from there the force rose by %s", show(o.Force, spec.Unit), show(o.Jump, spec.Unit))
	if c.Basis == press.ByTravel {
		o.Travel = quantity.Millimetres(seat.X).Value()
		return o
	}
	o.AfterUs = int64(math.Round(seat.X * 1e6))
	o.Text += ", seen over time"
	return o
}

// openRecheck opens the step that checks a pressing again, if it was done.
func (t *tx) openRecheck(spec *procedure.PressSpec, by string) {
	if spec.Recheck == nil || spec.Recheck.Step == "" {
		return
	}
	p, i := t.job.Proc.Step(spec.Recheck.Step)
	st := &t.job.Steps[i]
	if p.Measure != nil && st.Value != nil {
		t.add(events.FastenerReset{Job: t.job.ID, Step: p.ID, By: by, Reason: t.why})
	}
	if st.Done {
		t.add(events.StepReopened{Job: t.job.ID, Step: p.ID, Why: t.why})
	}
}

// pressPlace looks up a place of a press step, or refuses.
func (t *tx) pressPlace(r *request, step, place string) (i, k int, ok bool) {
	if i, ok = t.step(r, step); !ok {
		return 0, 0, false
	}
	spec := t.job.Proc.Steps[i].Press
	if spec == nil {
		t.refuse(r, "no_press", fmt.Sprintf("%s presses nothing", t.job.title(i)), "Look for the press step.")
		return 0, 0, false
	}
	if k = spec.Place(place); k < 0 {
		t.refuse(r, "unknown_place", fmt.Sprintf("%s has no place %q", t.job.title(i), place), "Look for the place in the procedure.")
		return 0, 0, false
	}
	return i, k, true
}

// pressReady lets a place be pressed if the parts in hand are those of the kit
// and match. It is the last moment: afterwards they are one.
func (t *tx) pressReady(r *request, d events.PressReadyAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, k, ok := t.pressPlace(r, d.Step, d.Place)
	if !ok {
		return
	}
	place := &t.job.Proc.Steps[i].Press.Places[k]
	switch {
	case len(place.Mates) == 0:
		t.refuse(r, "no_pair", fmt.Sprintf("nothing must match at %s", place.Title), "Press it.")
		return
	case t.job.Steps[i].Presses[k].Held:
		t.refuse(r, "held", fmt.Sprintf("%s is held until a lead decides", place.Title), "Call a lead.")
		return
	case t.job.Steps[i].Presses[k].Cleared:
		return // granted already
	}
	for _, id := range place.Mates {
		m := t.job.Proc.Mate(id)
		a, ok := t.inHand(r, d.Parts, m.A)
		if !ok {
			return
		}
		b, ok := t.inHand(r, d.Parts, m.B)
		if !ok {
			return
		}
		if !m.Fits(a, b) {
			pa, _ := t.job.Proc.Part(m.A.Part)
			pb, _ := t.job.Proc.Part(m.B.Part)
			t.refusePair(r, m, pa.Name, m.A.Key, a, pb.Name, m.B.Key, b)
			return
		}
	}
	t.add(events.PressCleared{Job: d.Job, Step: d.Step, Place: d.Place, Parts: d.Parts, By: r.By, AtUs: t.at})
}

// inHand returns the attribute of a part in hand, or refuses: it was not told,
// or the part is another than the one of the kit.
func (t *tx) inHand(r *request, parts []events.PartInHand, a procedure.PartAttribute) (value string, ok bool) {
	p, _ := t.job.Proc.Part(a.Part)
	kit := t.job.recordsOf(a.Part)
	n := slices.IndexFunc(parts, func(h events.PartInHand) bool { return h.Part == a.Part })
	if len(kit) == 0 {
		t.refuse(r, "not_in_kit", fmt.Sprintf("%s is not recorded in the kit", partName(p)), "Scan it at the parts step first.")
		return "", false
	}
	if n < 0 || attribute(parts[n].Attributes, a.Key) == "" || (p.Serial || p.Lot) && parts[n].Trace == "" {
		t.refuse(r, "not_told", fmt.Sprintf("%s: its %s was not told", partName(p), t.handWants(p, a)), "Look at the part in your hand and tell it.")
		return "", false
	}
	value = attribute(parts[n].Attributes, a.Key)
	var seen []string
	for _, rec := range kit {
		if (p.Serial || p.Lot) && rec.Trace != parts[n].Trace {
			seen = append(seen, rec.Trace)
			continue
		}
		if was := attribute(rec.Attributes, a.Key); was != value {
			seen = append(seen, a.Key+" "+was)
			continue
		}
		return value, true
	}
	t.refuse(r, "other_part", fmt.Sprintf("%s is not the one of the kit: recorded is %s, in hand is %s", partName(p), strings.Join(seen, ", "), strings.TrimSpace(parts[n].Trace+" "+a.Key+" "+value)),
		"Do not press. Find the part that was recorded, or take the kit's line back with a reason and scan this one.")
	return "", false
}

func (t *tx) handWants(p *procedure.Part, a procedure.PartAttribute) string {
	switch {
	case p.Serial:
		return "serial or " + a.Key
	case p.Lot:
		return "lot or " + a.Key
	}
	return a.Key
}

// pressRechecked takes the answer after a pressing.
func (t *tx) pressRechecked(r *request, d events.PressRechecked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, k, ok := t.pressPlace(r, d.Step, d.Place)
	if !ok {
		return
	}
	p, title := &t.job.Steps[i].Presses[k], t.job.Proc.Steps[i].Press.Places[k].Title
	switch {
	case p.Mark.Reading == 0:
		t.refuse(r, "not_pressed", fmt.Sprintf("%s has not been pressed", title), "Press it first.")
	case p.Held:
		t.refuse(r, "held", fmt.Sprintf("%s is held until a lead decides", title), "Call a lead.")
	case !p.Mark.counts() || p.Seat == events.SeatNot:
		t.refuse(r, "press_again", fmt.Sprintf("%s is to be pressed again: the last pressing does not count", title), "Press it again, then re-check.")
	case !t.job.asksAfter(i, k):
		t.refuse(r, "nothing_asked", fmt.Sprintf("nothing is asked about %s", title), "Go on.")
	default:
		t.by = r.By
		t.add(events.PressRecheckNoted{Job: d.Job, Step: d.Step, Place: d.Place, Good: d.Good, Answer: d.Answer, By: r.By, AtUs: t.at})
		if !d.Good {
			text := fmt.Sprintf("%s, %s: the re-check was bad", t.job.title(i), title)
			if d.Answer != "" {
				text += ": " + d.Answer
			}
			t.raise(events.AlertRaised{Kind: events.AlertPressRecheck, Bench: t.job.Bench, Job: d.Job, Step: d.Step, Fasteners: []string{d.Place}, Reading: p.Mark.Reading, Blocks: true,
				Text: text + ".", Todo: "Press nothing on top of it. The place is held: a lead accepts it, or has it pressed out and done again."})
		}
		t.follow()
	}
}
