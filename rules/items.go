package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
)

// ItemState is the answer to something that a step asks, and what became of
// it.
type ItemState struct {
	events.ItemAnswered
	Accepted bool // left as it is by a lead's decision
	Sealed   bool // of sealant: the last bolt of the joint is tight on it
	Late     bool // of sealant that is sealed: after its open time
}

// ItemState returns the answer to an item of a step, nil if it is not answered.
func (st *StepState) ItemState(id string) *ItemState {
	for i := range st.Items {
		if st.Items[i].Item == id {
			return &st.Items[i]
		}
	}
	return nil
}

func (j *Job) applyItem(o events.OutcomeData) {
	switch o := o.(type) {
	case events.ItemAnswered:
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			st := &j.Steps[i]
			st.Items = slices.DeleteFunc(slices.Clone(st.Items), func(x ItemState) bool { return x.Item == o.Item })
			st.Items = append(st.Items, ItemState{ItemAnswered: o})
		}
	case events.ItemDecided:
		if o.Choice == events.ChoiceAccept {
			j.changeItem(o.Step, o.Item, func(x *ItemState) { x.Accepted = true })
			return
		}
		if _, i := j.Proc.Step(o.Step); i >= 0 {
			st := &j.Steps[i]
			st.Items = slices.DeleteFunc(slices.Clone(st.Items), func(x ItemState) bool { return x.Item == o.Item })
		}
	case events.SealantClosed:
		j.changeItem(o.Step, o.Item, func(x *ItemState) { x.Sealed, x.Late = true, !o.InTime })
	}
}

func (j *Job) changeItem(step, item string, change func(*ItemState)) {
	_, i := j.Proc.Step(step)
	if i < 0 {
		return
	}
	st := &j.Steps[i]
	st.Items = slices.Clone(st.Items)
	if x := st.ItemState(item); x != nil {
		change(x)
	}
}

// itemsDone reports whether all that step i asks is answered rightly, or left
// as it is by a lead's decision.
func (j *Job) itemsDone(i int) bool { return len(j.openItems(i)) == 0 }

// openItems returns the ids of what step i asks and has no good answer to, in
// the procedure's order. Sealant whose time ran out is not among them: its alert
// says so, and the step that applied it is not done again by that.
func (j *Job) openItems(i int) []string {
	if j.Steps[i].Accepted {
		return nil
	}
	var ids []string
	odd := j.oddRings(i)
	for k := range j.Proc.Steps[i].Items {
		it := &j.Proc.Steps[i].Items[k]
		x := j.Steps[i].ItemState(it.ID)
		if x == nil || !x.Accepted && (!x.Good || slices.Contains(odd, it.ID)) {
			ids = append(ids, it.ID)
		}
	}
	return ids
}

// unanswered returns those of openItems that nobody has answered yet.
func (j *Job) unanswered(i int) []string {
	return slices.DeleteFunc(j.openItems(i), func(id string) bool { return j.Steps[i].ItemState(id) != nil })
}

// itemLines says for people what openItems names.
func (j *Job) itemLines(i int) []string {
	var lines []string
	for _, id := range j.openItems(i) {
		it, x := j.Proc.Steps[i].Item(id), j.Steps[i].ItemState(id)
		switch {
		case x == nil:
			lines = append(lines, fmt.Sprintf("%s: not answered yet: %s", j.title(i), asks(it)))
		case x.Good:
			lines = append(lines, fmt.Sprintf("%s: %s: its free travel differs from the others'", j.title(i), it.What))
		default:
			lines = append(lines, fmt.Sprintf("%s: %s", j.title(i), x.Text))
		}
	}
	return lines
}

// asks says what an item asks.
func asks(it *procedure.Item) string {
	switch it.Kind {
	case procedure.ItemMark:
		return "at which clock position is " + it.What
	case procedure.ItemMatch:
		return "does it stand as it was marked: " + it.What
	case procedure.ItemFacing:
		return "which way faces " + it.What
	case procedure.ItemStop:
		return "does it stop both ways: " + it.What
	}
	return "applied: " + it.What
}

// itemAnswered judges the answer to something that a step asks.
func (t *tx) itemAnswered(r *request, d events.ItemAnswerAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	it := t.job.Proc.Steps[i].Item(d.Item)
	switch {
	case it == nil:
		var known []string
		for k := range t.job.Proc.Steps[i].Items {
			known = append(known, t.job.Proc.Steps[i].Items[k].ID+": "+asks(&t.job.Proc.Steps[i].Items[k]))
		}
		t.refuse(r, "unknown_item", fmt.Sprintf("%s asks nothing called %q", t.job.title(i), d.Item), "Choose one of what the step asks.", known...)
		return
	case t.job.Steps[i].Done && !t.reapplies(it):
		t.refuse(r, "already_done", fmt.Sprintf("%s is done", t.job.title(i)), "If it was undone, ask a lead to send the step back.")
		return
	}
	if d.Photo != "" && !slices.ContainsFunc(t.job.Photos, func(p events.PhotoKept) bool { return p.Photo == d.Photo }) {
		t.refuse(r, "unknown_photo", fmt.Sprintf("job %q has no photo %q", d.Job, d.Photo), "Take the photo on the bench page first, or leave it out.")
		return
	}
	o := events.ItemAnswered{Job: d.Job, Step: d.Step, Item: d.Item, Kind: string(it.Kind), What: it.What, Answer: d.Answer, Remark: d.Remark, Photo: d.Photo, By: r.By, AtUs: t.at}
	var answered bool
	switch it.Kind {
	case procedure.ItemMark, procedure.ItemMatch:
		answered = t.markAnswer(r, &d, it, &o)
	case procedure.ItemFacing:
		answered = t.facingAnswer(r, &d, it, &o)
	case procedure.ItemStop:
		answered = t.stopAnswer(r, &d, it, &o)
	default:
		answered = t.appliedAnswer(r, &d, it, &o)
	}
	if !answered {
		return
	}
	if i > t.job.current() {
		t.guard(i, fmt.Sprintf("%s was answered", strconv.Quote(it.What)), true)
	}
	t.add(o)
	t.raiseAnswer(i, it, &o)
	t.follow()
}

// raiseAnswer raises an answer that is not what the procedure wants.
func (t *tx) raiseAnswer(i int, it *procedure.Item, o *events.ItemAnswered) {
	a := events.AlertRaised{Bench: t.job.Bench, Job: t.job.ID, Step: o.Step, Items: []string{it.ID}, Blocks: true, Text: t.job.title(i) + ": " + o.Text + ".", Todo: it.Todo}
	usual := "Answer again once it is right, or have a lead decide."
	if a.Todo != "" {
		a.Todo = strings.TrimSuffix(a.Todo, ".") + ". " + usual
	}
	set := func(kind events.AlertKind, todo string) {
		if a.Kind = kind; a.Todo == "" {
			a.Todo = todo + " " + usual
		}
	}
	if it.Kind == procedure.ItemStop && o.Good {
		odd := t.job.oddRings(i)
		if len(odd) == 0 {
			return
		}
		a.Items, a.Text = odd, fmt.Sprintf("%s: the free travel differs between the rings by more than %s: %s.", t.job.title(i), show(it.Spread, it.Unit), t.job.travels(i))
		set(events.AlertStopCheck, "Stop. Compare the ring with the others and measure it again.")
		t.raise(a)
		return
	}
	if o.Good {
		return
	}
	switch it.Kind {
	case procedure.ItemMatch:
		set(events.AlertOrientation, "Stop. Take it out and turn it to the mark.")
	case procedure.ItemFacing:
		set(events.AlertWrongWay, "Stop. Take it out and put it in the right way: "+it.Choices[0].Text+".")
	case procedure.ItemStop:
		set(events.AlertStopCheck, "Stop. Take it off, look at ring and cone, and check it again.")
	}
	t.raise(a)
}

// markAnswer records a mark, or compares it with what was recorded.
func (t *tx) markAnswer(r *request, d *events.ItemAnswerAsked, it *procedure.Item, o *events.ItemAnswered) bool {
	clock, ok := ClockPosition(d.Answer)
	if !ok {
		what := "this needs a clock position"
		if s := strings.TrimSpace(d.Answer); s != "" {
			what = fmt.Sprintf("%q is no clock position", s)
		}
		t.refuse(r, "bad_clock", what, "Give 1 to 12 as you look at the part, or a half hour such as 7:30.")
		return false
	}
	o.Answer, o.Good = clock, true
	o.Text = fmt.Sprintf("%s at %s o'clock", it.What, clock)
	if it.Kind == procedure.ItemMark {
		return true
	}
	_, k := t.job.Proc.Step(it.MarkStep)
	was := t.job.Steps[k].ItemState(it.ID)
	if was == nil {
		t.refuse(r, "not_recorded", fmt.Sprintf("%s has not been recorded yet", it.What), fmt.Sprintf("Record it at %s first.", t.job.title(k)))
		return false
	}
	o.Wanted, o.Good = was.Answer, was.Answer == clock
	o.Text = fmt.Sprintf("%s stands at %s o'clock, as it was marked", it.What, clock)
	if !o.Good {
		o.Text = fmt.Sprintf("%s stands at %s o'clock, and was marked at %s o'clock", it.What, clock, was.Answer)
	}
	return true
}

// ClockPosition reads a clock position: 1 to 12, or a half hour such as 7:30.
// It comes back in one form, "7" or "7:30".
func ClockPosition(s string) (clock string, ok bool) {
	s = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "o'clock"))
	hour, half := strings.CutSuffix(s, ":30")
	if !half {
		hour = strings.TrimSuffix(s, ":00")
	}
	n, err := strconv.Atoi(hour)
	if err != nil || n < 1 || n > 12 || strings.ContainsAny(hour, "+-") {
		return "", false
	}
	clock = strconv.Itoa(n)
	if half {
		clock += ":30"
	}
	return clock, true
}

// Offered returns the indices of a facing item's choices in the order in which
// they are offered. It hangs on job, step and item alone, so that everybody
// sees the same; and it differs from job to job, so that the right one has to
// be read. The key of a choice is its place in it, from "1".
func Offered(job, step string, it *procedure.Item) []int {
	order := make([]int, len(it.Choices))
	keys := make([]uint64, len(it.Choices))
	for i := range order {
		order[i], keys[i] = i, mix(job, step, it.ID, strconv.Itoa(i))
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(keys[a], keys[b]) })
	return order
}

// mix is a hash of some words: FNV-1a, 64 bits, with a finish that spreads the
// last word over all bits (the one of SplitMix64).
func mix(words ...string) uint64 {
	h := uint64(14695981039346656037)
	for _, w := range words {
		for i := range len(w) {
			h = (h ^ uint64(w[i])) * 1099511628211
		}
		h = (h ^ 0xff) * 1099511628211
	}
	h = (h ^ h>>30) * 0xbf58476d1ce4e5b9
	h = (h ^ h>>27) * 0x94d049bb133111eb
	return h ^ h>>31
}

func (t *tx) facingAnswer(r *request, d *events.ItemAnswerAsked, it *procedure.Item, o *events.ItemAnswered) bool {
	order := Offered(d.Job, d.Step, it)
	n, err := strconv.Atoi(strings.TrimSpace(d.Answer))
	if err != nil || n < 1 || n > len(order) {
		what := "this needs an answer"
		if s := strings.TrimSpace(d.Answer); s != "" {
			what = fmt.Sprintf("%q is no answer to %q", s, it.What)
		}
		var offered []string
		for k, c := range order {
			offered = append(offered, fmt.Sprintf("%d: %s", k+1, it.Choices[c].Text))
		}
		t.refuse(r, "bad_choice", what, "Look at the part and choose what you see.", offered...)
		return false
	}
	c := order[n-1]
	o.Answer, o.Wanted, o.Good = it.Choices[c].Text, it.Choices[0].Text, c == 0
	o.Text = it.What + ": " + o.Answer
	if !o.Good {
		o.Text = fmt.Sprintf("%s is the wrong way round: %s", it.What, o.Answer)
	}
	return true
}

// stopAnswer takes both answers of a stop check, and its free travel.
func (t *tx) stopAnswer(r *request, d *events.ItemAnswerAsked, it *procedure.Item, o *events.ItemAnswered) bool {
	for _, a := range []string{d.Answer, d.Other} {
		if a != events.StopStops && a != events.StopTurnOn {
			t.refuse(r, "no_answer", fmt.Sprintf("%s: both ways have to be answered", it.What), "Turn it one way, then the other, and say of each whether it stops.")
			return false
		}
	}
	o.Other, o.Good = d.Other, d.Answer == events.StopStops && d.Other == events.StopStops
	o.Text = it.What + " stops both ways"
	switch {
	case d.Answer != events.StopStops && d.Other != events.StopStops:
		o.Text = it.What + " stops neither way"
	case d.Answer != events.StopStops:
		o.Text = it.What + " does not stop the first way"
	case d.Other != events.StopStops:
		o.Text = it.What + " does not stop the other way"
	}
	if it.Travel == quantity.NoDimension || !o.Good {
		return true
	}
	if !t.travelAnswer(r, d, it, o) {
		return false
	}
	o.Text += ", free travel " + show(o.Travel, it.Unit)
	if !it.Most.IsZero() && !(o.Travel.Base() <= it.Most.Base()) {
		o.Good = false
		o.Text += ", at most " + show(it.Most, it.Unit)
	}
	return true
}

// travelAnswer finds the free travel: typed, one reading, or the difference of
// two.
func (t *tx) travelAnswer(r *request, d *events.ItemAnswerAsked, it *procedure.Item, o *events.ItemAnswered) bool {
	const todo = "Name one reading that is the free travel, or the two at its ends, or type it with its unit."
	switch {
	case len(d.Readings) > 2:
		t.refuse(r, "bad_travel", "the free travel has two ends", todo)
		return false
	case len(d.Readings) == 0 && strings.TrimSpace(d.Text) == "":
		t.refuse(r, "no_answer", fmt.Sprintf("%s: the free travel is missing", it.What), todo)
		return false
	case len(d.Readings) == 0:
		u, known := quantity.UnitByCode(d.Unit)
		v, err := strconv.ParseFloat(strings.TrimSpace(d.Text), 64)
		if !known || err != nil {
			t.refuse(r, "bad_travel", fmt.Sprintf("%q cannot be read", strings.TrimSpace(d.Text+" "+d.Unit)), "Type it as a number with its unit, such as 2.5° or 0.3 mm.")
			return false
		}
		o.Travel = quantity.Of(v, u)
	}
	for k, seq := range d.Readings {
		u, ok := t.s.Unplaced[seq]
		if !ok || u.Job != t.job.ID {
			t.refuse(r, "unknown_reading", fmt.Sprintf("reading %d is not one that waits for a place in this job", seq), "Take the reading again while the job is at the bench.")
			return false
		}
		if k == 0 {
			o.Travel = u.Value
		} else if u.Value.Dimension() == o.Travel.Dimension() {
			o.Travel = o.Travel.WithBase(max(o.Travel.Base()-u.Value.Base(), u.Value.Base()-o.Travel.Base()))
		}
	}
	if o.Travel.Dimension() != it.Travel || !o.Travel.Finite() || !(o.Travel.Base() >= 0) {
		t.refuse(r, "bad_travel", fmt.Sprintf("%s is no free travel in %s", show(o.Travel, it.Unit), it.Unit.Symbol()), todo)
		return false
	}
	o.Readings, t.used = d.Readings, d.Readings
	return true
}

// oddRings returns the stop checks of step i whose free travel is farthest from
// the middle one, where the travels differ by more than the procedure allows.
func (j *Job) oddRings(i int) []string {
	var spread quantity.Value
	var ids []string
	var travel []float64
	for k := range j.Proc.Steps[i].Items {
		it := &j.Proc.Steps[i].Items[k]
		x := j.Steps[i].ItemState(it.ID)
		if it.Kind != procedure.ItemStop || it.Spread.IsZero() || x == nil || x.Accepted || x.Travel.IsZero() {
			continue
		}
		spread = it.Spread
		ids, travel = append(ids, it.ID), append(travel, x.Travel.Base())
	}
	if len(travel) < 2 || slices.Max(travel)-slices.Min(travel) <= spread.Base() {
		return nil
	}
	sorted := slices.Sorted(slices.Values(travel))
	middle := (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
	far := max(sorted[len(sorted)-1]-middle, middle-sorted[0])
	var odd []string
	for k, v := range travel {
		if max(v-middle, middle-v) >= far {
			odd = append(odd, ids[k])
		}
	}
	return odd
}

// travels lists the free travels of a step's stop checks.
func (j *Job) travels(i int) string {
	var all []string
	for k := range j.Proc.Steps[i].Items {
		it := &j.Proc.Steps[i].Items[k]
		if x := j.Steps[i].ItemState(it.ID); it.Kind == procedure.ItemStop && x != nil && !x.Travel.IsZero() {
			all = append(all, it.What+" "+show(x.Travel, it.Unit))
		}
	}
	return strings.Join(all, ", ")
}

// appliedAnswer notes that sealant or grease is on.
func (t *tx) appliedAnswer(r *request, d *events.ItemAnswerAsked, it *procedure.Item, o *events.ItemAnswered) bool {
	o.Answer, o.Good, o.Text = "applied", true, it.What+" is on: "+strings.Join(it.Where, "; ")
	if d.AgoS < 0 || d.AgoS > int((24*time.Hour).Seconds()) {
		t.refuse(r, "bad_time", fmt.Sprintf("it cannot have been applied %d s ago", d.AgoS), "Say how many seconds ago it was applied: 0 for now.")
		return false
	}
	o.FromUs = t.at.Add(-time.Duration(d.AgoS) * time.Second)
	if it.Open > 0 {
		o.UntilUs, o.WarnUs = o.FromUs.Add(it.Open), o.FromUs.Add(it.Open-it.Warn)
	}
	return true
}

// itemDecided is a lead's decision on an item.
func (t *tx) itemDecided(r *request, d events.ItemDecisionAsked) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) || !t.mayDecide(r, "decide about what a step asks") || !t.reasoned(r, d.Reason) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	it, x := t.job.Proc.Steps[i].Item(d.Item), t.job.Steps[i].ItemState(d.Item)
	switch {
	case it == nil:
		t.refuse(r, "unknown_item", fmt.Sprintf("%s asks nothing called %q", t.job.title(i), d.Item), "Choose one of what the step asks.")
	case d.Choice != events.ChoiceAccept && d.Choice != events.ChoiceRedo:
		t.refuse(r, "bad_choice", fmt.Sprintf("%q is no choice", d.Choice), `Choose "accept" or "redo".`)
	case x == nil:
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("%s: %s is not answered yet", t.job.title(i), it.What), "Answer it first.")
	case d.Choice == events.ChoiceAccept && !slices.Contains(t.job.openItems(i), d.Item) && !t.outOfTime(d.Step, d.Item):
		t.refuse(r, "nothing_to_decide", fmt.Sprintf("%s: %s", t.job.title(i), x.Text), "Nothing needs to be done. To have it asked again, choose redo.")
	default:
		t.why = "a lead decided: " + d.Reason
		t.add(events.ItemDecided{Job: d.Job, Step: d.Step, Item: d.Item, Choice: d.Choice, Was: x.Text, By: r.By, Reason: d.Reason, AtUs: t.at})
		t.follow()
	}
}
