package record

import (
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// attestedProcedure is invented.
const attestedProcedure = `procedure: RA-210
revision: B
title: "Brackwater RA-210: hub"
unit: Brackwater RA-210
steps:
  - id: strip
    title: Tear-down
    kind: attest
    statement: The hub is marked and off.
    marks: [{id: hub, what: paint mark on the hub}]
    opens: [{id: dowel, what: dowel left in, closes: {attest: The dowel is out, by: second_person}}]
  - id: hub
    title: Hub
    kind: attest
    statement: The hub is on.
    hold: lead
    matches: [hub]
    stops: {what: ring, rings: [A]}
    hardens: [dowel]
`

// attestedStory is a job in which a mark differs and is accepted, a ring is
// answered twice, a dowel stays in and is taken out, and a lead releases a hold
// point.
func attestedStory() *story {
	s := storyWith(attestedProcedure)
	item := func(by string, o events.ItemAnswered, more ...events.OutcomeData) {
		o.Job, o.By, o.AtUs = "j-1", by, s.at
		s.ask(by, func(a events.Ask) events.Data {
			return events.ItemAnswerAsked{Ask: a, Job: "j-1", Step: o.Step, Item: o.Item, Answer: o.Answer, Other: o.Other}
		}, append([]events.OutcomeData{o}, more...)...)
	}
	item("ines", events.ItemAnswered{Step: "strip", Item: "hub", Kind: "mark", What: "paint mark on the hub", Answer: "7:30", Good: true, Text: "paint mark on the hub at 7:30 o'clock", Photo: "P12"})
	opener := uint64(len(s.entries) + 1)
	s.ask("ines", func(a events.Ask) events.Data { return events.StepConfirmAsked{Ask: a, Job: "j-1", Step: "strip"} },
		events.StepFinished{Job: "j-1", Step: "strip", By: "ines", AtUs: s.at},
		events.LooseEndOpened{Job: "j-1", LooseEnd: "dowel", Step: "strip", What: "dowel left in", Closes: "The dowel is out (a second person attests it)", Who: events.BySecond, Seq: opener, By: "ines", AtUs: s.at})
	item("ines", events.ItemAnswered{Step: "hub", Item: "hub", Kind: "match", What: "paint mark on the hub", Answer: "8", Wanted: "7:30", Text: "paint mark on the hub stands at 8 o'clock, and was marked at 7:30 o'clock"},
		events.AlertRaised{Alert: "A9-0", Kind: events.AlertOrientation, Bench: "axle", Job: "j-1", Step: "hub", Items: []string{"hub"}, Text: "It stands otherwise.", Todo: "Turn it.", Blocks: true, AtUs: s.at})
	s.ask("maren", func(a events.Ask) events.Data {
		return events.ItemDecisionAsked{Ask: a, Job: "j-1", Step: "hub", Item: "hub", Choice: events.ChoiceAccept, Reason: "a new hub has no mark"}
	}, events.ItemDecided{Job: "j-1", Step: "hub", Item: "hub", Choice: events.ChoiceAccept, Was: "paint mark on the hub stands at 8 o'clock, and was marked at 7:30 o'clock", By: "maren", Reason: "a new hub has no mark", AtUs: s.at},
		events.AlertSettled{Alert: "A9-0", By: "maren", How: "put right, or decided", AtUs: s.at})
	item("ines", events.ItemAnswered{Step: "hub", Item: "A", Kind: "stop", What: "ring A", Answer: events.StopStops, Other: events.StopTurnOn, Text: "ring A does not stop the other way"})
	item("ines", events.ItemAnswered{Step: "hub", Item: "A", Kind: "stop", What: "ring A", Answer: events.StopStops, Other: events.StopStops, Good: true, Text: "ring A stops both ways, free travel 3.5 °", Travel: quantity.Degrees(3.5).Value()})
	s.ask("tomas", func(a events.Ask) events.Data {
		return events.LooseEndCloseAsked{Ask: a, Job: "j-1", LooseEnd: "dowel", Answer: "seen, out"}
	}, events.LooseEndClosed{Job: "j-1", LooseEnd: "dowel", How: "attested: The dowel is out", Answer: "seen, out", By: "tomas", AtUs: s.at})
	s.ask("ines", func(a events.Ask) events.Data { return events.StepConfirmAsked{Ask: a, Job: "j-1", Step: "hub"} },
		events.HoldOpened{Job: "j-1", Step: "hub", Hold: events.ByLead, By: "ines", AtUs: s.at})
	s.ask("", func(a events.Ask) events.Data { return events.BadgeScanned{Ask: a, Badge: "FD-0103"} },
		events.BenchTaken{Bench: "axle", Person: "maren", Was: "ines", Job: "j-1", How: "badge", AtUs: s.at})
	s.ask("maren", func(a events.Ask) events.Data {
		return events.HoldReleaseAsked{Ask: a, Job: "j-1", Step: "hub", Note: "looked at it"}
	}, events.HoldReleased{Job: "j-1", Step: "hub", Note: "looked at it", By: "maren", AtUs: s.at}, events.StepFinished{Job: "j-1", Step: "hub", By: "ines", AtUs: s.at})
	s.ask("ines", func(a events.Ask) events.Data {
		return events.LooseEndOpenAsked{Ask: a, Job: "j-1", What: "rag in the sump", Closes: "the rag is out"}
	}, events.LooseEndOpened{Job: "j-1", LooseEnd: "L99", What: "rag in the sump", Closes: "the rag is out", Adhoc: true, Seq: 99, By: "ines", AtUs: s.at})
	return s
}

func TestRecordOfWhatWasAttested(t *testing.T) {
	r := built(t, attestedStory(), "j-1")
	golden(t, "attested.golden", text(t, r))
	if r.Summary.LooseEnds != 2 || r.Summary.LooseEndsOpen != 1 || r.Summary.Deviations != 1 {
		t.Errorf("%d loose ends, %d open, %d deviations; want 2, 1, 1", r.Summary.LooseEnds, r.Summary.LooseEndsOpen, r.Summary.Deviations)
	}
	for _, want := range []string{"WRONG; does not count", "rag in the sump", "OPEN", "Deviations"} {
		if !strings.Contains(string(text(t, r)), want) {
			t.Errorf("the record does not say %q", want)
		}
	}
}
