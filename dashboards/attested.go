package dashboards

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// looseView is one open loose end.
type looseView struct {
	ID, What, Closes, Opened string
	Word                     bool   // a word closes it
	Who                      string // whose: "a second person", "a lead", "" for anyone's
	Step                     string // of the readings that close it
	Fasteners                []string
	By                       []choice // who may close it
}

// itemView is one thing that a step asks.
type itemView struct {
	ID, Step, Ask, State, Text string // State: open, good, wrong, accepted
	Icon                       icon
	First                      bool // the first that is open
}

// holdView is a step that waits at its hold point.
type holdView struct {
	Step, Title, Who, By string
}

// attested fills in what people attest: for the job its loose ends and notes,
// for the shown step what it asks and what it would bury.
func (v viewer) attested(bv *benchView, job *rules.Job, show int) {
	bv.Loose = v.loose(job)
	if n := len(job.Notes); n > 0 {
		bv.Note = job.Notes[n-1]
	}
	for i := range job.Steps {
		if job.Steps[i].AtHold() {
			bv.Holds = append(bv.Holds, v.hold(job, i))
		}
	}
	if show < 0 {
		return
	}
	bv.Items = v.items(job, show)
	if !job.Steps[show].Done {
		bv.Ahead = job.Ahead(show)
	}
}

func (v viewer) hold(job *rules.Job, i int) holdView {
	h := job.Steps[i].Hold
	return holdView{Step: h.Step, Title: job.Proc.Steps[i].Title, Who: whoWords(h.Hold), By: v.personName(h.By)}
}

// whoWords names who has to close a loose end, or release a hold point.
func whoWords(who string) string {
	switch who {
	case events.ByLead:
		return "a lead"
	case events.BySecond:
		return "a second person"
	}
	return ""
}

func (v viewer) loose(job *rules.Job) []looseView {
	out := []looseView{}
	for _, e := range job.OpenLooseEnds() {
		l := looseView{ID: e.LooseEnd, What: e.What, Closes: e.Closes, Word: true, Who: whoWords(e.Who),
			Opened: v.personName(e.By) + ", " + clockTime(e.AtUs, v.now)}
		if spec, _ := job.Proc.LooseEnd(e.LooseEnd); spec != nil && spec.Step != "" {
			l.Word, l.Step = false, spec.Step
			step, _ := job.Proc.Step(spec.Step)
			for _, f := range spec.Fasteners {
				l.Fasteners = append(l.Fasteners, step.Joint.Fasteners[f].ID)
			}
		}
		for _, q := range v.st.Shop.People {
			if l.Word && e.Who != events.ByAnyone && q.ID != e.By && (q.Role.Leads() || e.Who == events.BySecond && q.Role.Works()) {
				l.By = append(l.By, choice{q.ID, q.Name, string(q.Role), false})
			}
		}
		out = append(out, l)
	}
	return out
}

// itemAsk says what an item asks.
func itemAsk(it *procedure.Item) string {
	switch it.Kind {
	case procedure.ItemMark:
		return "Where is it: " + it.What
	case procedure.ItemMatch:
		return "Does it stand as it was marked: " + it.What
	case procedure.ItemFacing:
		return "Which way round: " + it.What
	case procedure.ItemStop:
		return "Stops both ways: " + it.What
	}
	return "Applied: " + it.What
}

func (v viewer) items(job *rules.Job, step int) []itemView {
	spec, st := &job.Proc.Steps[step], &job.Steps[step]
	var out []itemView
	first := true
	for k := range spec.Items {
		it := &spec.Items[k]
		x := st.ItemState(it.ID)
		iv := itemView{ID: it.ID, Step: spec.ID, Ask: itemAsk(it), State: "open", Icon: icon{Look: rules.LookWaiting}}
		switch {
		case x == nil:
			if first {
				iv.First, first = true, false
				iv.Icon = icon{Look: rules.LookNext, Next: true}
			}
		case x.Accepted:
			iv.State, iv.Text, iv.Icon = "accepted", x.Text, icon{Look: rules.LookWitnessed, Grade: events.Reasoned, Accepted: true}
		case !x.Good || v.found(job, spec.ID, it.ID):
			iv.State, iv.Text, iv.Icon = "wrong", x.Text, icon{Look: rules.LookDisturbed}
		default:
			iv.State, iv.Text, iv.Icon = "good", x.Text, icon{Look: rules.LookWitnessed, Grade: events.Placed}
			if x.UntilUs != 0 && !x.Sealed {
				iv.Text += ". Close the joint by " + clockTime(x.UntilUs, v.now)
			}
		}
		iv.Text = strings.ReplaceAll(iv.Text, " °", "\u00a0°") // a figure and its unit stay in one line
		out = append(out, iv)
	}
	return out
}

// found reports whether an open alert that blocks names an item.
func (v viewer) found(job *rules.Job, step, item string) bool {
	for _, id := range job.Alerts {
		a := v.st.Alerts[id]
		if a != nil && a.Blocks && a.Step == step && isFinding(a.Kind) && slices.Contains(a.Items, item) {
			return true
		}
	}
	return false
}

// isFinding reports whether an alert says that an answer is not what the
// procedure wants, so that a lead may decide on it.
func isFinding(k events.AlertKind) bool {
	switch k {
	case events.AlertOrientation, events.AlertWrongWay, events.AlertStopCheck, events.AlertOpenTime:
		return true
	}
	return false
}

// settles reports whether only work or a decision settles an alert, so that it
// cannot be set aside.
func settles(k events.AlertKind) bool {
	switch k {
	case events.AlertHigh, events.AlertMissed, events.AlertLow, events.AlertLooseEnd, events.AlertOrderGuard, events.AlertUnanswered, events.AlertHoldPoint:
		return true
	}
	return isFinding(k)
}

// attestedNext says what is next where a step waits for an answer or at its
// hold point; ok is false where it does not.
func (v viewer) attestedNext(job *rules.Job, cur int) (n nextView, ok bool) {
	st, spec := &job.Steps[cur], &job.Proc.Steps[cur]
	if st.AtHold() {
		return nextView{Kind: "hold", Where: "Wait: " + whoWords(spec.Hold) + " looks at it", How: spec.Title + " is done and is released by somebody who did none of it."}, true
	}
	for _, iv := range v.items(job, cur) {
		if iv.First {
			return nextView{Kind: "answer", Where: iv.Ask, How: "Answer before work goes on."}, true
		}
	}
	return nextView{}, false
}

// travelReadings lists the latest readings that may be a free travel.
func (v viewer) travelReadings(job *rules.Job, dim quantity.Dimension) []choice {
	var out []choice
	for _, u := range v.unplaced(job.Bench) {
		if r, ok := v.st.Unplaced[u.Reading]; ok && r.Job == job.ID && r.Value.Dimension() == dim && len(out) < 6 {
			out = append(out, choice{fmt.Sprint(u.Reading), u.Value, u.Tool + ", " + u.At, false})
		}
	}
	return out
}

// looseCount says how many loose ends there are.
func looseCount(n int) string {
	if n == 1 {
		return "1 loose end"
	}
	return fmt.Sprintf("%d loose ends", n)
}

// hours are the places of a clock, for the page that asks for one.
func hours() []string { return strings.Fields("12 1 2 3 4 5 6 7 8 9 10 11") }
