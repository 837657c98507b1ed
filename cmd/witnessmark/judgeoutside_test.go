package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// A made pull: seconds since the one before, N·m, degrees (0: none told).
type made [3]float64

// madeStream is a stream of such pulls; with a rotation, if the first has one.
func madeStream(pulls ...made) string {
	head := wrenchHead
	if pulls[0][2] != 0 {
		head = angleHead()
	}
	lines := []string{strings.Replace(head, `"least":5,"threshold":5`, `"least":2,"threshold":2`, 1)}
	at := 20.0
	for i, p := range pulls {
		at += p[0]
		angle := "null"
		if pulls[0][2] != 0 {
			angle = fmt.Sprintf("%.1f", p[2])
		}
		lines = append(lines, fmt.Sprintf(`{"tool":"K2","seq":%d,"t":%.3f,"rx":%.3f,"value":%.1f,"unit":"N·m","angle":%s}`, i+1, at, at+0.2, p[1], angle))
	}
	return jsonl(append(lines, fmt.Sprintf(`{"release":true,"t":%.0f}`, at+60))...)
}

// twoJoints is an invented unit: a joint of one pass and one of two.
func twoJoints(t testing.TB, class string, n int, torque float64, m int, snug, final float64) *procText {
	t.Helper()
	p, err := newProcText("two.yaml", fmt.Appendf(nil, `# Invented.
procedure: P-3
revision: A
title: Invented unit of two joints
unit: Invented unit
faces:
  - {id: top, title: Top, outlines: [{shape: circle, r: 120, style: body}]}
steps:
  - id: cap
    title: Cap
    kind: torque
    face: top
    class: %s
    fasteners: [{ring: {count: %d, diameter: 180}, head: 13}]
    order: clockwise
    passes: [{name: final, target: %g N·m, limits: ± 12 %%}]
  - id: plug
    title: Plug
    kind: torque
    face: top
    class: C
    fasteners: [{ring: {count: %d, diameter: 100}, head: 10}]
    order: clockwise
    passes: [{name: snug, target: %g N·m, limits: ± 25 %%}, {name: final, target: %g N·m, limits: ± 12 %%}]
`, class, n, torque, m, snug, final))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func placesOf(j *judgement) []string {
	var out []string
	for _, p := range j.Pulls {
		out = append(out, fmt.Sprintf("%s %s %s %s", p.Became, p.Step, p.Pass, p.Fastener))
	}
	return out
}

func allWitnessed(t *testing.T, j *judgement) {
	t.Helper()
	if got := claims(j); !j.Release.Granted || slices.ContainsFunc(got, func(c string) bool { return c != claimWitnessed }) {
		t.Errorf("claims %v, granted %v, open %v\npulls %s\nalerts %+v", got, j.Release.Granted, j.Release.Open, strings.Join(placesOf(j), "\n"), j.Alerts)
	}
}

// A joint is complete by the count too soon, since second pulls fell within its
// limits. Its further swings are none of the next joint's, which wants a tenth of
// their torque.
func TestFullJointKeepsItsSwings(t *testing.T) {
	pulls := []made{{10, 22, 0}, {3, 45, 0}, {1.2, 51, 0}, {6, 25, 0}, {3, 46.5, 0}, {1.3, 50.4, 0}, {6, 51.2, 0},
		{7, 24, 0}, {3, 50.3, 0}, {6, 21.5, 0}, {3, 33, 0}, {2.8, 50.9, 0}, {6, 26, 0}, {3, 51, 0}}
	plug := []made{{40, 5.1, 0}, {4, 5, 0}, {4, 4.9, 0}, {5, 15.1, 0}, {4, 15, 0}, {4, 15.2, 0}}
	p := twoJoints(t, "C", 6, 50, 3, 5, 15)
	j := mustJudge(t, p, madeStream(append(pulls, plug...)...), streamOptions{})
	allWitnessed(t, j)
	if len(j.Alerts) > 0 {
		t.Errorf("alerts %+v", j.Alerts)
	}
	for _, x := range j.Pulls[:len(pulls)] {
		if x.Step != "cap" {
			t.Errorf("pull %d is for %s", x.Pull, x.Step)
		}
	}
}

// The first pull of a joint that is far too high, long after the joint before, is
// high there, and no swing of that one.
func TestHighAfterAWalkIsHigh(t *testing.T) {
	pulls := []made{{10, 51, 0}, {6, 50.2, 0}, {6, 50.8, 0}, {60, 42, 0}, {6, 30.1, 0}, {6, 30.2, 0}, {9, 80, 0}, {6, 80.3, 0}, {6, 81, 0}}
	j := mustJudge(t, twoJoints(t, "C", 3, 50, 3, 30, 80), madeStream(pulls...), streamOptions{})
	if j.Release.Granted || !slices.Contains(kindsOf(j), "high") {
		t.Errorf("granted %v, alerts %+v", j.Release.Granted, j.Alerts)
	}
}

// A pull on a checker before the joint is no fastener's: by its rotation, or
// somebody is asked, and the pulls that follow have their places.
func TestCheckerPullBeforeTheJoint(t *testing.T) {
	job := func(deg float64) []made {
		return []made{{20, 45, 5 * deg}, {25, 26, 31 * deg}, {5, 25.7, 28 * deg}, {5, 26.1, 33 * deg}, {5, 25.8, 30 * deg},
			{9, 70.5, 41 * deg}, {5, 71, 44 * deg}, {5, 70.8, 39 * deg}, {5, 70.1, 43 * deg}}
	}
	p := func() *procText {
		text := twoJoints(t, "C", 4, 50, 4, 25, 70)
		from, to := strings.Index(string(text.text), "  - id: cap"), strings.Index(string(text.text), "  - id: plug")
		one, err := newProcText("one.yaml", []byte(string(text.text)[:from]+string(text.text)[to:]))
		if err != nil {
			t.Fatal(err)
		}
		return one
	}()
	j := mustJudge(t, p, madeStream(job(1)...), streamOptions{})
	allWitnessed(t, j)
	if j.Pulls[0].Became != "set_aside" || len(j.Alerts) > 0 {
		t.Errorf("the first pull: %+v; alerts %+v", j.Pulls[0], j.Alerts)
	}
	j = mustJudge(t, p, madeStream(job(0)...), streamOptions{})
	if got := claims(j); countOf(got, claimWitnessed) != 4 || j.Release.Granted || !slices.Equal(kindsOf(j), []string{"unplaced_reading"}) {
		t.Errorf("torque alone: claims %v, granted %v, alerts %+v", got, j.Release.Granted, j.Alerts)
	}
	turned := job(1)
	turned[0][2] = 70
	if j = mustJudge(t, p, madeStream(turned...), streamOptions{}); !slices.Contains(kindsOf(j), "high") {
		t.Errorf("a first pull that turned: alerts %+v", j.Alerts)
	}
}

// A joint that is held does not keep one more pull of a later one from its place.
func TestOneMoreWhereTheWorkIs(t *testing.T) {
	pulls := []made{{10, 50.5, 120}, {6, 50.2, 131}, {6, 60, 133},
		{40, 25.1, 60}, {5, 25.4, 55}, {5, 25.3, 64}, {5, 25.2, 58}, {8, 80.6, 95}, {6, 80.2, 103}, {1.2, 80.9, 6}, {6, 80.4, 88}, {6, 80.7, 97}}
	j := mustJudge(t, twoJoints(t, "C", 3, 50, 4, 25, 80), madeStream(pulls...), streamOptions{})
	for _, f := range j.Fasteners {
		if f.Step == "plug" && f.Claim != claimWitnessed {
			t.Errorf("plug %s: %s (%s)", f.Fastener, f.Claim, f.Why)
		}
	}
	if k := kindsOf(j); len(k) != 1 || k[0] != "high" {
		t.Errorf("alerts %+v\n%s", j.Alerts, strings.Join(placesOf(j), "\n"))
	}
}

// What comes right after the last pull of a class A joint is no closing round: a
// second pull of habit, or the rest of one that stopped short.
func TestClosingRoundBeginsAfterAWalk(t *testing.T) {
	first := []made{{10, 51, 0}, {9, 50.2, 0}, {10, 50.6, 0}, {9.5, 51.1, 0}}
	round := []made{{13, 51.2, 0}, {5, 51.5, 0}, {5.5, 51, 0}, {5, 51.3, 0}}
	plug := []made{{60, 15.1, 0}, {4, 15, 0}, {4, 15.2, 0}, {6, 30, 0}, {4, 30.3, 0}, {4, 30.1, 0}}
	p := twoJoints(t, "A", 4, 50, 3, 15, 30)
	run := func(parts ...[]made) *judgement {
		return mustJudge(t, p, madeStream(slices.Concat(parts...)...), streamOptions{})
	}
	allWitnessed(t, run(first, round, plug))
	allWitnessed(t, run(first, []made{{1.1, 50.9, 0}}, round, plug))
	if j := run(first, []made{{1.1, 50.9, 0}}, round[1:], plug); j.Release.Granted {
		t.Errorf("a round of three for four: granted\n%s", strings.Join(placesOf(j), "\n"))
	}

	turned := []made{{10, 51, 130}, {9, 50.2, 141}, {1.4, 50.8, 4}, {10, 50.6, 122}, {9, 50.3, 135}, {9, 50.9, 128}, {9.5, 38, 88}, {3, 51, 47}}
	j := mustJudge(t, twoJoints(t, "A", 6, 50, 3, 15, 30), madeStream(slices.Concat(turned, []made{{60, 15.1, 40}, {4, 15, 37}, {4, 15.2, 44}, {6, 30, 52}, {4, 30.3, 49}, {4, 30.1, 55}})...), streamOptions{})
	allWitnessed(t, j)
	for _, x := range j.Pulls {
		if x.Pass == "closing round" {
			t.Errorf("pull %d is in a closing round", x.Pull)
		}
	}
}
