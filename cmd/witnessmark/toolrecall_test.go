package main

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

// recallData makes a data directory whose ledger tells of a wrench that was
// found 6 % high after 24 pulls on two jobs, one of them shipped. Invented.
func recallData(t *testing.T) string {
	dir := t.TempDir()
	l, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(dir, "ledger.db")})
	if err != nil {
		t.Fatal(err)
	}
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	at := func(day int) events.Instant {
		return events.InstantOf(time.Date(2026, 6, day, 8, 0, 0, 0, time.UTC))
	}
	seq := uint64(0)
	decide := func(o ...events.OutcomeData) {
		seq++
		d := events.Decided{Cause: seq, CauseUs: at(1), Rules: "t"}
		for _, x := range o {
			d.Outcomes = append(d.Outcomes, events.Outcome{Data: x})
		}
		e := events.Entry{Seq: seq, Event: events.Event{Source: events.SourceRules, Number: seq, Time: at(1), Data: d}}
		if err := l.Apply(t.Context(), []events.Entry{e}); err != nil {
			t.Fatal(err)
		}
	}
	decide(events.ShopAdopted{Shop: events.Shop{Tools: []events.Tool{{ID: "k2", URel: 0.01, Calibrated: "2026-06-01", Due: "2027-06-01"}}}})
	for _, job := range []string{"j-1", "j-2"} {
		decide(events.JobOpened{Job: job, UnitSerial: "RA-" + job, Customer: "Hollin Haulage", Procedure: "RA-210", Revision: "B"})
		for i := range 12 {
			decide(events.ReadingJudged{Reading: 100*seq + 1, Job: job, Step: "cover", Fastener: string(rune('a' + i)), Verdict: events.Within, Value: nm(98 + 0.25*float64(i)), LSL: nm(96), USL: nm(104), U: nm(1), Tool: "k2", AtUs: at(10 + i), Class: "A"})
		}
	}
	decide(events.JobReleased{Job: "j-1"})
	decide(events.CheckJudged{Check: "c-1", Tool: "k2", Point: nm(100), Deviation: 6, U: 1, Standing: events.StandingBad, AtUs: at(25)})
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// toolCommand runs 'witnessmark tool …' on a data directory.
func toolCommand(t *testing.T, dir string, args ...string) (string, error) {
	t.Helper()
	root := newRoot()
	var out, errs bytes.Buffer
	root.SetOut(&out)
	root.SetErr(&errs)
	root.SetArgs(append(append([]string{"tool"}, args...), "--data", dir))
	err := root.ExecuteContext(t.Context())
	return out.String(), err
}

func TestToolRecall(t *testing.T) {
	dir := recallData(t)
	text, err := toolCommand(t, dir, "recall", "k2")
	for _, want := range []string{"24 readings judged", "check c-1: +6.00 % ± 1", "shop file 2026-06-01", "j-1, unit RA-j-1, SHIPPED, customer Hollin Haulage", "j-2, unit RA-j-2, still here (active)", "cover/a"} {
		if err != nil || !strings.Contains(text, want) {
			t.Errorf("%v: the list does not say %q\n%s", err, want, text)
		}
	}
	text, err = toolCommand(t, dir, "recall", "k2", "--json", "--most", "3")
	var got struct {
		Tool    string `json:"tool"`
		InSpan  int    `json:"in_span"`
		InDoubt int    `json:"in_doubt"`
		More    bool   `json:"more"`
		Jobs    []struct {
			Job     string              `json:"job"`
			Shipped bool                `json:"shipped"`
			Lines   []events.RecallLine `json:"lines"`
		} `json:"jobs"`
	}
	if err2 := json.Unmarshal([]byte(text), &got); err != nil || err2 != nil || got.Tool != "k2" || got.InSpan != 24 || !got.More || len(got.Jobs) == 0 || got.Jobs[0].Lines[0].Worst.P < 0.9 {
		t.Fatalf("%v, %v: %s", err, err2, text)
	}
	if text, err = toolCommand(t, dir, "recall", "k2", "--deviation", "0.1", "--since", "2026-06-01", "--until", "2026-06-30", "--u", "0.2"); err != nil || !strings.Contains(text, "Nothing is in doubt") {
		t.Errorf("%v\n%s", err, text)
	}
	for _, bad := range [][]string{
		{"recall", "s5"},                                     // nothing found it bad
		{"recall", "k2", "--found", "c-9"},                   // no such check
		{"recall", "k2", "--deviation", "5", "--until", "x"}, // no date
		{"recall", "k2", "--deviation", "5", "--since", "2026-07-01", "--until", "2026-06-01"}, // exchanged
		{"recall", "k2", "--open"},                        // no reason
		{"recall", "k2", "--open", "--reason", "dropped"}, // nobody asks
		{"recalls", "R-9"},
	} {
		if text, err := toolCommand(t, dir, bad...); err == nil {
			t.Errorf("%q: %s", bad, text)
		}
	}
}

// A tool that the shop does not have is named as unknown, whatever is asked.
func TestRecallOfUnknownTool(t *testing.T) {
	dir := recallData(t)
	for _, args := range [][]string{{"recall", "nosuchtool"}, {"recall", "nosuchtool", "--deviation", "5", "--since", "2026-06-01"}} {
		if text, err := toolCommand(t, dir, args...); err == nil || !strings.Contains(err.Error(), `no tool "nosuchtool"`) {
			t.Errorf("%q: %v %s", args, err, text)
		}
	}
}

func TestLineNumbers(t *testing.T) {
	got, err := lineNumbers([]string{"1", "3-5", "9"})
	if err != nil || len(got) != 5 || got[3] != 5 {
		t.Errorf("%v, %v", got, err)
	}
	for _, bad := range []string{"", "0", "x", "5-3", "1-x", "-2", "1-999999999"} {
		if got, err := lineNumbers([]string{bad}); err == nil {
			t.Errorf("%q: %v", bad, got)
		}
	}
}
