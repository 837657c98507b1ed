package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// attested makes the request that a line about what people attest stands for,
// nil if it is about something else.
func (c *scene) attested(f []string, w map[string]string, a events.Ask, job string) events.Data {
	c.t.Helper()
	after := func(word string) string {
		if i := slices.Index(f, word); i >= 0 && i+1 < len(f) {
			return f[i+1]
		}
		return ""
	}
	text := w["because"]
	if text == "nothing" {
		text = ""
	}
	switch f[0] {
	case "leave-open":
		return events.LooseEndOpenAsked{Ask: a, Job: job, Step: f[1], What: text, Closes: "it is out", Who: after("for")}
	case "close":
		return events.LooseEndCloseAsked{Ask: a, Job: job, LooseEnd: f[1], Answer: text}
	case "release-hold":
		return events.HoldReleaseAsked{Ask: a, Job: job, Step: f[1], Note: text}
	case "badge":
		a.By = ""
		return events.BadgeScanned{Ask: a, Badge: f[1]}
	case "item-accept", "item-redo":
		step, item, _ := strings.Cut(f[1], ":")
		return events.ItemDecisionAsked{Ask: a, Job: job, Step: step, Item: item, Choice: strings.TrimPrefix(f[0], "item-"), Reason: c.because(w)}
	case "item":
		return c.itemAnswer(f, after, a, job)
	}
	return nil
}

func (c *scene) itemAnswer(f []string, after func(string) string, a events.Ask, job string) events.Data {
	step, item, _ := strings.Cut(f[1], ":")
	d := events.ItemAnswerAsked{Ask: a, Job: job, Step: step, Item: item}
	if len(f) > 2 && !slices.Contains([]string{"by", "from", "ago", "travel", "photo"}, f[2]) {
		d.Answer = f[2]
	}
	if len(f) > 3 && d.Answer != "" && slices.Contains([]string{events.StopStops, events.StopTurnOn}, f[3]) {
		d.Other = f[3]
	}
	d.Photo = after("photo")
	d.AgoS, _ = strconv.Atoi(after("ago"))
	if r := after("from"); r != "" {
		for _, label := range strings.Split(r, ",") {
			d.Readings = append(d.Readings, c.reads[label])
		}
	}
	if d.Text = after("travel"); d.Text != "" {
		d.Unit = f[slices.Index(f, "travel")+2]
	}
	if j := c.s.Jobs[job]; j != nil && (d.Answer == "right" || d.Answer == "wrong") {
		p, _ := j.Proc.Step(step)
		right := slices.Index(Offered(job, step, p.Item(item)), 0)
		if d.Answer == "wrong" {
			right = (right + 1) % len(p.Item(item).Choices)
		}
		d.Answer = strconv.Itoa(right + 1)
	}
	return d
}

// tellAttested writes an outcome of what people attest, "" for others.
func (c *scene) tellAttested(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.LooseEndOpened:
		return "loose " + o.LooseEnd
	case events.LooseEndClosed:
		c.texts = append(c.texts, "closed: "+o.How)
		return "closed " + o.LooseEnd
	case events.LooseEndReopened:
		return "loose-again " + o.LooseEnd
	case events.ItemAnswered:
		c.texts = append(c.texts, "answer: "+o.Text)
		if !o.Good {
			return "answered " + o.Step + ":" + o.Item + " wrong"
		}
		return "answered " + o.Step + ":" + o.Item
	case events.ItemDecided:
		if o.Choice == events.ChoiceAccept {
			return "item-accepted " + o.Step + ":" + o.Item
		}
		return "item-asked-again " + o.Step + ":" + o.Item
	case events.SealantClosed:
		if !o.InTime {
			return "sealed " + o.Step + ":" + o.Item + " late"
		}
		return "sealed " + o.Step + ":" + o.Item
	case events.HoldOpened:
		return "held " + o.Step
	case events.HoldReleased:
		return "hold-released " + o.Step + " by " + o.By
	case events.HoldWithdrawn:
		return "hold-withdrawn " + o.Step
	case events.BenchTaken:
		return "bench " + o.Bench + " by " + o.Person
	}
	return ""
}

// TestOfferedOrder: the order in which answers are offered hangs on the job
// alone, holds every answer once, and puts the right one at each place about
// equally often. With three answers and 3,000 jobs each place expects 1,000;
// six standard deviations of the binomial count are 155.
func TestOfferedOrder(t *testing.T) {
	it := &procedure.Item{ID: "ring", Kind: procedure.ItemFacing, Choices: []procedure.Choice{{Text: "out"}, {Text: "in"}, {Text: "either"}}}
	var places [3]int
	for n := range 3000 {
		job := fmt.Sprintf("j-%d", n)
		order := Offered(job, "rings", it)
		if again := Offered(job, "rings", it); !slices.Equal(order, again) {
			t.Fatalf("job %s: %v and %v", job, order, again)
		}
		sorted := slices.Sorted(slices.Values(order))
		if !slices.Equal(sorted, []int{0, 1, 2}) {
			t.Fatalf("job %s: order %v", job, order)
		}
		places[slices.Index(order, 0)]++
	}
	for i, n := range places {
		if n < 1000-155 || n > 1000+155 {
			t.Errorf("the right answer is at place %d in %d of 3000 jobs, want about 1000", i+1, n)
		}
	}
}

func TestClockPosition(t *testing.T) {
	for s, want := range map[string]string{
		"1": "1", "12": "12", " 7:30 ": "7:30", "7:00": "7", "07": "7", "3 o'clock": "3",
		"13": "", "0": "", "": "", "-1": "", "+3": "", "7:15": "", "noon": "", "12:30": "12:30", "1:30:30": "", "7.5": "",
	} {
		got, ok := ClockPosition(s)
		if got != want || ok != (want != "") {
			t.Errorf("%q is %q, %v; want %q", s, got, ok, want)
		}
	}
}

// attestNext makes what people attest next in a clean job at its current step:
// a loose end that must be closed first, an answer, the release of a hold
// point; nil if nothing is.
func attestNext(j *Job, cur int) events.Data {
	p, st := &j.Proc.Steps[cur], &j.Steps[cur]
	for _, e := range j.hardened(cur, true) {
		return events.LooseEndCloseAsked{Ask: events.Ask{By: "maren"}, Job: j.ID, LooseEnd: e.LooseEnd, Answer: "seen"}
	}
	for k := range p.Items {
		it := &p.Items[k]
		if st.ItemState(it.ID) != nil {
			continue
		}
		d := events.ItemAnswerAsked{Ask: events.Ask{By: "ines"}, Job: j.ID, Step: p.ID, Item: it.ID, Answer: "4"}
		switch it.Kind {
		case procedure.ItemFacing:
			d.Answer = strconv.Itoa(1 + slices.Index(Offered(j.ID, p.ID, it), 0))
		case procedure.ItemStop:
			d.Answer, d.Other, d.Text, d.Unit = events.StopStops, events.StopStops, "2", it.Unit.Code()
		}
		return d
	}
	if st.AtHold() {
		return events.HoldReleaseAsked{Ask: events.Ask{By: "maren"}, Job: j.ID, Step: p.ID}
	}
	return nil
}

// attest draws and tells one thing that people attest, often a sensible one.
func (w *world) attest(a events.Ask, job string) {
	t := w.t
	step, item, end := "nowhere", "nothing", "no-end"
	if j := w.s.Jobs[job]; j != nil {
		i := min(j.current(), len(j.Steps)-1)
		if rapid.IntRange(0, 3).Draw(t, "elsewhere") == 0 {
			i = rapid.IntRange(0, len(j.Steps)-1).Draw(t, "step")
		}
		p := &j.Proc.Steps[i]
		step = p.ID
		if len(p.Items) > 0 {
			item = p.Items[rapid.IntRange(0, len(p.Items)-1).Draw(t, "item")].ID
		}
		if open := j.OpenLooseEnds(); len(open) > 0 {
			end = open[rapid.IntRange(0, len(open)-1).Draw(t, "end")].LooseEnd
		}
	}
	switch rapid.IntRange(0, 8).Draw(t, "attest") {
	case 0:
		w.tell(events.LooseEndOpenAsked{Ask: a, Job: job, What: "a rag", Closes: "it is out", Who: pick(t, "who", events.ByAnyone, events.BySecond, events.ByLead, "x")})
	case 1:
		w.tell(events.LooseEndCloseAsked{Ask: a, Job: job, LooseEnd: end, Answer: pick(t, "answer", "out", "")})
	case 2:
		w.tell(events.HoldReleaseAsked{Ask: a, Job: job, Step: step})
	case 3:
		w.tell(events.ItemDecisionAsked{Ask: a, Job: job, Step: step, Item: item, Choice: pick(t, "choice", events.ChoiceAccept, events.ChoiceRedo), Reason: "r"})
	case 4:
		a.By = ""
		w.tell(events.BadgeScanned{Ask: a, Badge: pick(t, "badge", "FD-0407", "FD-0412", "to", "x")})
	default:
		w.tell(events.ItemAnswerAsked{Ask: a, Job: job, Step: step, Item: item, Answer: pick(t, "answer", "1", "2", "7:30", "13", events.StopStops, events.StopTurnOn),
			Other: pick(t, "other", events.StopStops, events.StopTurnOn), Text: pick(t, "text", "4", "5.5", "7", ""), Unit: "deg", AgoS: rapid.IntRange(-1, 900).Draw(t, "ago")})
	}
}

// checkLooseEnds: what readings close is closed exactly while they are there,
// and a step that is done has no open hold point.
func (w *world) checkLooseEnds(j *Job) {
	for i := range j.LooseEnds {
		e := &j.LooseEnds[i]
		spec, _ := j.Proc.LooseEnd(e.LooseEnd)
		if spec == nil || spec.Step == "" || e.Stale {
			continue
		}
		if _, _, ok := j.evidence(spec, e); ok != e.Closed {
			w.t.Fatalf("loose end %s: its evidence is there %t, closed %t", e.LooseEnd, ok, e.Closed)
		}
	}
	for i := range j.Steps {
		if st, p := &j.Steps[i], &j.Proc.Steps[i]; st.Done && p.Hold != "" && !st.HoldPassed {
			w.t.Fatalf("step %s is done, its hold point is not released", p.ID)
		}
	}
}
