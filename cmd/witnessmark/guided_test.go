package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"witnessmark/dashboards/record"
	"witnessmark/events"
	"witnessmark/rules/procedure"
	"witnessmark/simulator"
)

// guidedText is invented: the three ways in which a part is moved.
const guidedText = `procedure: GUIDED
revision: A
title: "Brackwater RA-210: measuring"
unit: Brackwater RA-210
steps:
  - id: run-out
    title: Ring gear run-out
    kind: measure
    what: run-out
    limits: {high: 0.08 mm}
    method: run_out
    tools: [dial_indicator]
  - id: end-play
    title: End play
    kind: measure
    what: end play
    target: 0.12 mm
    limits: ± 0.06 mm
    method: end_play
    cycles: 2
    tools: [dial_indicator]
  - id: backlash
    title: Backlash
    kind: measure
    what: backlash
    target: 0.18 mm
    limits: ± 0.05 mm
    method: backlash
    positions: 2
    cycles: 2
    spread: 0.05 mm
    tools: [dial_indicator]
`

// From bytes to the record: an emulated indicator is moved as a part with known
// run-out, end play and backlash would move it, on a pseudo-terminal, and
// nobody presses a key. What is measured lies within its own uncertainty of the
// truth.
func TestGuidedMeasurementsFromBytesToRecord(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = t.TempDir(), "127.0.0.1:0", "error"
	d, err := openDemo(ctx, cfg, demoOptions{exit: true, speed: 1, seed: 3, rounds: 1}, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	defer d.rig.Close()
	proc, problems := procedure.Parse("guided.yaml", []byte(guidedText))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	steps, err := planSteps(proc, benchTools(d.shop, "axle"))
	if err != nil {
		t.Fatal(err)
	}
	script, err := simulator.Build(simulator.Plan{Seed: 3, Start: time.Now(), Tools: d.tools, Jobs: []simulator.Job{{
		ID: "j-1", Bench: "axle", UnitSerial: "RA210-1", Procedure: "GUIDED", Revision: "A", Technician: "ines", Lead: demoLead, Steps: steps}}})
	if err != nil {
		t.Fatal(err)
	}
	lines := make(chan error, 1)
	go func() { lines <- d.rig.Run(ctx) }()
	err = d.stack.run(ctx, func(ctx context.Context) error {
		defer stop()
		people := desk{d.stack.service}
		if err := people.ask(ctx, offer(events.Ask{By: demoLead, AtUs: events.InstantOf(time.Now())}, []byte(guidedText))); err != nil {
			return err
		}
		outcomes, err := script.Run(ctx, simulator.Stage{Tools: d.rig.Tools(), Desk: people, Linked: linked(d.stack.capture.Status, true), Clock: d.clock})
		if err != nil {
			return err
		}
		if err := d.stack.ledger.WaitFor(ctx, d.stack.journal.Last()); err != nil {
			return err
		}
		r, err := judgeJob(ctx, d.stack.ledger, script.Jobs[0], outcomes[0])
		if err != nil {
			return err
		}
		rec, err := record.Build(ctx, d.stack.ledger, "j-1")
		if err != nil {
			return err
		}
		var text strings.Builder
		if err := rec.WriteText(&text); err != nil {
			return err
		}
		if len(r.Differences) > 0 || len(r.Alerts) > 0 || !r.Released || len(rec.Warnings) > 0 || len(r.Truth.Measures) != 3 {
			t.Errorf("differences %q, alerts %v, released %t, warnings %q\n%s", r.Differences, r.Alerts, r.Released, rec.Warnings, text.String())
		}
		for _, s := range rec.Steps {
			if n := len(s.Measure.Guided); n == 0 || s.Measure.Guided[n-1].Seq == 0 || s.Measure.Guided[n-1].Verdict != events.Within {
				t.Errorf("step %s: %+v", s.ID, s.Measure.Guided)
			}
		}
		return nil
	})
	if ignoreCancel(err) != nil {
		t.Error(err)
	}
	if err := <-lines; ignoreCancel(err) != nil {
		t.Error(err)
	}
}
