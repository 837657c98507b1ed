package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"witnessmark/rules"
	"witnessmark/simulator/labelled"
)

// closingProcedure is an invented unit of three joints: one with a closing
// round, one at another torque, and one whose first pass wants nearly the
// torque of the first joint.
func closingProcedure(t testing.TB, lid bool) *procText {
	t.Helper()
	text := `# Invented.
procedure: P-2
revision: A
title: Invented unit with a closing round
unit: Invented unit
faces:
  - {id: top, title: Top, outlines: [{shape: circle, r: 120, style: body}]}
steps:
  - id: hub
    title: Hub
    kind: torque
    face: top
    class: A
    fasteners: [{ring: {count: 6, diameter: 180}, head: 13}]
    order: clockwise
    passes: [{name: final, target: 50 N·m, limits: ± 12 %}]
`
	if lid {
		text += `  - id: lid
    title: Lid
    kind: torque
    face: top
    class: C
    fasteners: [{ring: {count: 4, diameter: 100}, head: 10}]
    order: clockwise
    passes: [{name: final, target: 20 N·m, limits: ± 10 %}]
`
	}
	p, err := newProcText("closing.yaml", []byte(text+`  - id: ring
    title: Ring
    kind: torque
    face: top
    class: C
    fasteners: [{ring: {count: 6, diameter: 140}, head: 13}]
    order: clockwise
    passes: [{name: snug, target: 46 N·m, limits: ± 30 %, loose: true}, {name: final, target: 110 N·m, limits: ± 10 %}]
`))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// closingStream is a stream of pulls that scatter a little around the torques
// of joints, so many at each, with a walk between joints.
func closingStream(runs ...[2]float64) (stream string, pulls int) {
	lines := []string{strings.Replace(wrenchHead, `"capacity":200`, `"capacity":300`, 1)}
	at := 10.0
	for _, r := range runs {
		at += 9
		for range int(r[0]) {
			at += 3
			pulls++
			value := r[1] * (1 + 0.002*float64(pulls*7%11-5))
			lines = append(lines, fmt.Sprintf(`{"tool":"K2","seq":%d,"t":%.3f,"rx":%.3f,"value":%.1f,"unit":"N·m"}`, pulls, at, at+0.2, value))
		}
	}
	return jsonl(append(lines, fmt.Sprintf(`{"release":true,"t":%.0f}`, at+60))...), pulls
}

// A closing round that is one short is told of when work goes on, and no pull
// of a later joint fills the gap.
func TestClosingRoundLeftShort(t *testing.T) {
	tests := map[string]struct {
		runs  [][2]float64
		alert int // the pull at which the closing round is told of; -1: later
		ring  int // the ring's first pull
		short int
	}{
		"as it should be":                      {[][2]float64{{6, 50}, {6, 50}, {4, 20}, {6, 46}, {6, 110}}, 0, 17, 0},
		"another torque follows":               {[][2]float64{{5, 50}, {6, 50}, {4, 20}, {6, 46}, {6, 110}}, 12, 16, 1},
		"one left out of both rounds":          {[][2]float64{{5, 50}, {5, 50}, {4, 20}, {6, 46}, {6, 110}}, 11, 15, 2},
		"nearly the same torque, then another": {[][2]float64{{6, 50}, {5, 50}, {6, 46}, {6, 110}}, -1, 12, 1},
		"the same, of the last pass":           {[][2]float64{{5, 50}, {6, 50}, {6, 46}, {6, 110}}, -1, 12, 1},
	}
	for name, x := range tests {
		t.Run(name, func(t *testing.T) {
			stream, pulls := closingStream(x.runs...)
			j := mustJudge(t, closingProcedure(t, len(x.runs) == 5), stream, streamOptions{})
			if len(j.Pulls) != pulls {
				t.Fatalf("%d pulls, want %d", len(j.Pulls), pulls)
			}
			for i, p := range j.Pulls[x.ring-1:] {
				if p.Step != "ring" || p.Fastener != fmt.Sprint(i%6+1) {
					t.Errorf("pull %d counts for %s %s, want ring %d", p.Pull, p.Step, p.Fastener, i%6+1)
				}
			}
			k := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "closing_round_left" })
			if x.short == 0 {
				if len(j.Alerts) > 0 || !j.Release.Granted {
					t.Errorf("alerts %+v, release %+v", j.Alerts, j.Release)
				}
				return
			}
			if j.Release.Granted || k < 0 {
				t.Fatalf("release granted %v, alerts %+v", j.Release.Granted, j.Alerts)
			}
			if a := j.Alerts[k]; a.Step != "hub" || x.alert > 0 && a.Pull != x.alert || strings.Contains(a.Todo, "every fastener") != (x.short > 1) {
				t.Errorf("alert %+v", a)
			}
		})
	}
}

// A joint is left short, the next one's first pass wants about the same torque
// and fills it up, and so on to the end, where the pass that comes out short is
// one that a later pass makes good. It is the first joint that is told of.
func TestGapHandedOnIsFoundWhereItWasLeft(t *testing.T) {
	tests := map[string]struct {
		world labelled.World
		shop  uint64
		tier  labelled.Tier
		fault labelled.Fault
		names string // whom the alert's text must name
	}{
		"one left low":                         {labelled.Rough, 11500084, labelled.Trace, labelled.UnderTorque, "rather fastener 4"},
		"three to come":                        {labelled.Rough, 11500084, labelled.Torque, labelled.LeftEarly, "fasteners 8, 9, 10 are not done"},
		"one left out":                         {labelled.Rough, 11500084, labelled.Angle, labelled.PlainMiss, "is not done"},
		"told, and filled up by a later joint": {labelled.Steady, 11500047, labelled.Angle, labelled.PlainMiss, "probably 8"},
	}
	for name, x := range tests {
		t.Run(name, func(t *testing.T) {
			shop := labelled.NewShopIn(x.world, x.shop, x.tier)
			p, err := newProcText("shop", shop.Procedure())
			if err != nil {
				t.Fatal(err)
			}
			s, err := shop.Job(0, x.fault)
			if err != nil {
				t.Fatal(err)
			}
			j, err := judgeSample(t.Context(), p, s, rules.New())
			if err != nil {
				t.Fatal(err)
			}
			k := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "missed_fastener" && a.Open && a.Step == "joint1" })
			if j.Release.Granted || k < 0 || !strings.Contains(j.Alerts[k].Text, x.names) {
				t.Errorf("released %v, alerts %+v", j.Release.Granted, j.Alerts)
			}
		})
	}
}
