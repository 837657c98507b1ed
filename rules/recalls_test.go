package rules

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// recallFact makes the requests about recalls that a scenario's line stands for.
func (c *scene) recallFact(a events.Ask, f []string, w map[string]string) events.Data {
	if f[0] == "close-line" {
		d := events.RecallLineAsked{Ask: a, Recall: f[1], How: events.RecallHow(f[3]), Reason: c.because(w)}
		for _, n := range strings.Split(f[2], ",") {
			line, err := strconv.Atoi(n)
			if err != nil {
				c.t.Fatal(err)
			}
			d.Lines = append(d.Lines, line)
		}
		return d
	}
	lines := recallLines(c.jobOf(w), strings.Split(f[5], ","), 1)
	return recallOf(a, f[1], lines, len(lines), c.because(w))
}

// recallOf is an invented recall of tool K2, good in the morning, bad now.
func recallOf(a events.Ask, id string, lines []events.RecallLine, total int, reason string) events.RecallAsked {
	return events.RecallAsked{
		Ask: a, Recall: id, Tool: "k2", Least: 0.05, InSpan: 10, InDoubt: total, Total: total, Lines: lines, Reason: reason,
		Good: events.RecallStanding{What: "entered", AtUs: testStart.Add(-time.Hour), Levels: []events.RecallLevel{{Deviation: 0.1, U: 0.5}}},
		Bad:  events.RecallStanding{What: "entered", AtUs: a.AtUs, Levels: []events.RecallLevel{{At: quantity.NewtonMetres(30).Value(), Deviation: 6, U: 0.5}, {At: quantity.NewtonMetres(60).Value(), Deviation: 4, U: 0.5}}},
	}
}

func recallLines(job string, places []string, from int) []events.RecallLine {
	var lines []events.RecallLine
	for _, place := range places {
		if place == "none" {
			continue
		}
		step, fastener, _ := strings.Cut(place, ":")
		lines = append(lines, events.RecallLine{Line: from + len(lines), Reading: uint64(100 + len(lines)), Job: job, UnitSerial: "U-1", Step: step, Fastener: fastener, Class: "B",
			ByTime: events.RecallWorth{P: 0.3}, ByCycles: events.RecallWorth{P: 0.4}, Worst: events.RecallWorth{P: 0.9}})
	}
	return lines
}

// tellRecall writes outcomes about recalls and tools in the words of the
// scenarios.
func tellRecall(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.RecallOpened:
		return fmt.Sprintf("recall %s of %d", o.Recall, o.Total)
	case events.RecallListed:
		return fmt.Sprintf("listed %d", len(o.Lines))
	case events.RecallLineClosed:
		return fmt.Sprintf("closed %s %s", strings.Trim(strings.ReplaceAll(fmt.Sprint(o.Lines), " ", ","), "[]"), o.How)
	case events.RecallClosed:
		return "recall-closed " + o.Recall
	case events.DriftSignalled:
		return "drift " + o.Tool
	case events.ToolSuspected:
		return "suspect " + o.Tool
	}
	return ""
}

// TestRecallInParts: a list that comes in parts is whole only with the last;
// parts out of turn are refused.
func TestRecallInParts(t *testing.T) {
	c := newScene(t)
	a := events.Ask{By: "quim", AtUs: c.at}
	part := func(from, n int) []events.RecallLine {
		var places []string
		for i := range n {
			places = append(places, fmt.Sprintf("case:%d", from+i))
		}
		return recallLines("gone", places, from)
	}
	ask := func(d events.Data) string { return strings.Join(c.tellAll(c.tell(d)), "; ") }
	want := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("got %q, want %q; %q", got, want, c.texts)
		}
	}
	want(ask(recallOf(a, "R1", part(1, 3), 5, "bad")), "recall R1 of 5; listed 3")
	close := events.RecallLineAsked{Ask: a, Recall: "R1", How: events.RecallCalled, Lines: []int{1, 2, 3}, Reason: "told the customer"}
	want(ask(close), "closed 1,2,3 called_back") // two are to come: it stays open
	want(ask(events.RecallPartAsked{Ask: a, Recall: "R1", Lines: part(5, 1)}), "refused bad_recall")
	want(ask(events.RecallPartAsked{Ask: a, Recall: "R1", Lines: part(4, 3)}), "refused bad_recall")
	want(ask(events.RecallPartAsked{Ask: a, Recall: "R1", Lines: part(4, 2)}), "listed 2")
	if r := c.s.Recalls["R1"]; r.Open != 2 || r.Listed != 5 || len(c.s.UnitInDoubt("U-1")) != 1 || c.s.UnitInDoubt("U-1")[0].Lines != 2 {
		t.Errorf("%+v", r)
	}
	close.Lines = []int{5, 4}
	want(ask(close), "closed 5,4 called_back; recall-closed R1")
	want(ask(close), "refused recall_closed")
	want(ask(recallOf(a, "R1", nil, 0, "again")), "refused recall_known")
	want(ask(recallOf(a, "R2", nil, 0, "nothing was pulled")), "recall R2 of 0; recall-closed R2")
	if len(c.s.UnitInDoubt("U-1")) != 0 || c.s.Recalls["R1"].Of != nil {
		t.Error("a closed recall keeps lines")
	}
	c.replay()
}

func TestBadRecalls(t *testing.T) {
	c := newScene(t)
	a := events.Ask{By: "quim", AtUs: c.at}
	good := func() events.RecallAsked {
		return recallOf(a, "R9", recallLines("gone", []string{"case:1"}, 1), 1, "bad")
	}
	for name, spoil := range map[string]func(*events.RecallAsked){
		"no id":            func(d *events.RecallAsked) { d.Recall = "" },
		"no tool":          func(d *events.RecallAsked) { d.Tool = "" },
		"least":            func(d *events.RecallAsked) { d.Least = 0 },
		"too many":         func(d *events.RecallAsked) { d.Total = mostRecallLines + 1 },
		"exchanged":        func(d *events.RecallAsked) { d.Good, d.Bad = d.Bad, d.Good },
		"tomorrow":         func(d *events.RecallAsked) { d.Bad.AtUs = c.at.Add(24 * time.Hour) },
		"no deviation":     func(d *events.RecallAsked) { d.Bad.Levels = nil },
		"one level twice":  func(d *events.RecallAsked) { d.Bad.Levels = append(d.Bad.Levels, d.Bad.Levels[0]) },
		"line out of turn": func(d *events.RecallAsked) { d.Lines[0].Line = 2 },
		"no place":         func(d *events.RecallAsked) { d.Lines[0].Step = "" },
		"impossible":       func(d *events.RecallAsked) { d.Lines[0].Worst.P = 1.5 },
	} {
		d := good()
		spoil(&d)
		if got := c.tellAll(c.tell(d)); len(got) != 1 || got[0] != "refused bad_recall" {
			t.Errorf("%s: %q", name, got)
		}
	}
	d := good()
	d.By = "ines"
	if got := c.tellAll(c.tell(d)); got[0] != "refused no_right" {
		t.Errorf("a technician opened a recall: %q", got)
	}
	c.replay()
}
