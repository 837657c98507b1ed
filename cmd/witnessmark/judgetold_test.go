package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// turnsOf is a stream of pulls to about 40 N·m with these rotations, in order.
func turnsOf(turns ...float64) []string {
	l := []string{angleHead()}
	for i, deg := range turns {
		l = append(l, pullAngle(i+1, 40+0.1*float64(i%5), deg))
	}
	return append(l, fmt.Sprintf(`{"release":true,"t":%d}`, 10+3*(len(turns)+2)))
}

// In a soft joint one bolt turns twice as far as the others before its torque is
// there: its thread gives. In a hard one that is not told so soon.
func TestJudgeTurnsTooFarInSoftJoint(t *testing.T) {
	soft := []float64{310, 402, 351, 780, 372, 296, 415, 333, 388, 345}
	j := mustJudge(t, plateProcedure(t, "C", 10), jsonl(turnsOf(soft...)...), streamOptions{})
	at := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "turn_no_torque" })
	if at < 0 || j.Release.Granted || !slices.Equal(j.Alerts[at].Fasteners, []string{"4"}) || j.Alerts[at].About != 4 {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
	for _, calm := range [][]float64{
		{310, 402, 351, 520, 372, 296, 415, 333, 388, 345}, // half as far again
		{14, 18, 16, 31, 17, 13, 19, 15, 17, 16},           // a hard joint
	} {
		if j := mustJudge(t, plateProcedure(t, "C", 10), jsonl(turnsOf(calm...)...), streamOptions{}); !j.Release.Granted || len(j.Alerts) > 0 {
			t.Errorf("%v: alerts %+v, released %t", calm, j.Alerts, j.Release.Granted)
		}
	}
}

// What turns two and a half times as far is nothing odd in a joint whose rotations spread
// widely in the pass before; nothing was learned of it.
func TestJudgeTurnsAsWidelyAsBefore(t *testing.T) {
	text := strings.Replace(string(plateProcedure(t, "C", 12).text), "passes: [{name: final", "passes: [{name: snug, target: 20 N·m, limits: ± 15 %}, {name: final", 1)
	p, err := newProcText("plate.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	final := []float64{89, 53, 226, 96, 87, 102, 127, 92, 125, 76, 102, 91}
	for name, c := range map[string]struct {
		snug []float64
		told bool
	}{
		"widely":     {[]float64{150, 218, 49, 104, 90, 185, 62, 89, 48, 160, 95, 67}, false},
		"as most do": {[]float64{90, 97, 82, 104, 93, 88, 99, 85, 101, 95, 92, 87}, true},
	} {
		l := []string{angleHead()}
		for i, deg := range append(slices.Clone(c.snug), final...) {
			nm := 20.0
			if i >= len(c.snug) {
				nm = 40
			}
			l = append(l, pullAngle(i+1, nm+0.1*float64(i%5), deg))
		}
		j := mustJudge(t, p, jsonl(append(l, `{"release":true,"t":100}`)...), streamOptions{})
		if told := slices.ContainsFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "turn_no_torque" && a.Fasteners[0] == "3" }); told != c.told {
			t.Errorf("226° among 53 to 127 in a joint that turned %s before: alerts %+v", name, j.Alerts)
		}
	}
}

// plateAndRing is the procedure of a plate of n fasteners and, after it, a ring of four.
func plateAndRing(t *testing.T, class string, n int, passes string) *procText {
	t.Helper()
	p, err := newProcText("plate.yaml", []byte(strings.Replace(string(plateProcedure(t, class, n).text), "  - {id: lid,", `  - id: ring
    title: Ring
    kind: torque
    face: top
    class: C
    fasteners: [{ring: {count: 4, diameter: 60}, head: 13}]
    order: clockwise
    passes: [`+passes+`]
  - {id: lid,`, 1)))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A joint is passed over whole and done after all. A second pull of habit there is one
// as anywhere: nobody was asked for a fastener that was tight already.
func TestJudgeHabitInAJointPassedOver(t *testing.T) {
	p := plateAndRing(t, "C", 6, "{name: final, target: 60 N·m, limits: ± 10 %}")
	j := mustJudge(t, p, timedPulls([][3]float64{{0, 60, 31}, {8, 40, 20}, {13, 40.2, 22}, {18, 40.1, 19}, {19.1, 40.4, 1}, {24, 40, 21}, {29, 40.3, 23}, {34, 40.1, 20}, {42, 60.2, 33}, {47, 60.1, 29}, {52, 60.3, 32}}...), streamOptions{})
	said := 0
	for _, a := range j.Alerts {
		if a.Kind == "missed_fastener" {
			said++
		}
		if a.Open {
			t.Errorf("open at the end: %+v", a)
		}
	}
	if said != 1 || !j.Release.Granted {
		t.Errorf("released %t, alerts %+v", j.Release.Granted, j.Alerts)
	}
}

// timedPulls is a stream of pulls with a rotation: s, N·m, degrees.
func timedPulls(list ...[3]float64) string {
	l := []string{angleHead()}
	for i, x := range list {
		l = append(l, fmt.Sprintf(`{"tool":"K2","seq":%d,"t":%g,"rx":%g,"value":%g,"unit":"N·m","angle":%g,"duration":0.6}`, i+1, x[0]+10, x[0]+10.2, x[1], x[2]))
	}
	return jsonl(append(l, fmt.Sprintf(`{"release":true,"t":%g}`, list[len(list)-1][0]+40))...)
}

// Somebody pulls one twice in the snug pass, by habit, and in the final pass another
// one twice in place of the next. The last pull of the snug pass turned as those there
// do: it is no low first one of the final pass, which would fill the gap.
func TestJudgeSecondInSnugIsNoLowFirst(t *testing.T) {
	text := strings.Replace(string(plateProcedure(t, "C", 16).text), "passes: [{name: final", "passes: [{name: snug, target: 20 N·m, limits: ± 30 %, loose: true}, {name: final", 1)
	p, err := newProcText("plate.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var list [][3]float64
	at := 0.0
	for i, deg := range []float64{15, 19, 23, 19, 21, 19, 5, 21, 18, 21, 22, 19, 18, 20, 17, 21, 19, 27, 27, 27, 24, 1, 28, 25, 26, 27, 26, 28, 27, 24, 26, 25, 27} {
		nm := 20 + 0.2*float64(i%4-1)
		if i > 16 {
			nm *= 2
		}
		list = append(list, [3]float64{at, nm, deg})
		at += 4 + 0.3*float64(i%3)
	}
	j := mustJudge(t, p, timedPulls(list...), streamOptions{})
	if !slices.ContainsFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "missed_fastener" && a.Open }) || slices.ContainsFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "low_left" }) || j.Release.Granted {
		t.Errorf("released %t, alerts %+v", j.Release.Granted, j.Alerts)
	}
}

// A joint is one short, since a pull there hardly turned, and work goes on at the next
// one in swings. They are no fastener of the first one that turned and turned: one is
// left out there.
func TestJudgeSwingsAtTheNextJoint(t *testing.T) {
	p := plateAndRing(t, "B", 8, "{name: snug, target: 22 N·m, limits: ± 25 %, loose: true}, {name: final, target: 75 N·m, limits: ± 10 %}")
	j := mustJudge(t, p, timedPulls([][3]float64{
		{0, 40.5, 31}, {5, 40.1, 28}, {9, 39.6, 30}, {14, 40.4, 29}, {17, 41.6, 2}, {22, 40.3, 30}, {27, 39.5, 31}, {32, 40.2, 28},
		{61, 8.8, 18}, {62.2, 10.6, 7}, {63.6, 13.2, 8}, {65, 23.7, 30}, {71, 9.2, 24}, {72.3, 13.8, 9}, {73.6, 23.4, 37}, {79, 10.3, 35}, {80.2, 12.3, 7}, {81.5, 23.8, 34}, {87, 10.4, 30}, {88.2, 22.7, 38},
	}...), streamOptions{})
	k := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "missed_fastener" && a.Step == "plate" })
	if k < 0 || j.Release.Granted || !slices.Contains(j.Alerts[k].Fasteners, "8") || slices.ContainsFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "turn_no_torque" }) {
		t.Errorf("released %t, alerts %+v", j.Release.Granted, j.Alerts)
	}
}

// One bolt of a regular joint turns a quarter of the others, and all others were
// pulled in order: it may be cross-threaded, or another was pulled twice. It is told at
// the end, and does not count.
func TestJudgeTurnsTooLittleAmongRegular(t *testing.T) {
	turns := []float64{31, 28, 33, 30, 29, 8, 32, 27, 30, 34, 29, 31}
	j := mustJudge(t, plateProcedure(t, "C", 12), jsonl(turnsOf(turns...)...), streamOptions{})
	at := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool {
		return (a.Kind == "little_turn" || a.Kind == "missed_fastener") && a.Fasteners[0] == "6" && strings.Contains(a.Text, "fastener 6 turned only 8")
	})
	if at < 0 || j.Release.Granted || j.Fasteners[5].Claim == claimWitnessed {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
	turns[5] = 16 // half of the others
	if j := mustJudge(t, plateProcedure(t, "C", 12), jsonl(turnsOf(turns...)...), streamOptions{}); !j.Release.Granted || len(j.Alerts) > 0 {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
}

// The first pull of a joint hardly turns, which nobody can know yet; the others show
// it. The second pull, which turned far, is no rest of it: each counts for its own.
func TestJudgeFirstTurnsTooLittle(t *testing.T) {
	l := []string{strings.Replace(angleHead(), `"counter":"cycles"`, `"counter":"sent"`, 1)}
	for i, p := range []struct{ at, value, deg, lasts float64 }{
		{85.1, 40.4, 10.1, 0.38}, {88.9, 41.5, 145.1, 2.45}, {92.5, 39.6, 102.8, 1.86}, {96.1, 40, 140.4, 2.34}, {99.4, 39.2, 97.8, 1.84}, {102, 40, 127.3, 2.19},
	} {
		l = append(l, fmt.Sprintf(`{"tool":"K2","seq":%d,"t":%g,"rx":%g,"value":%g,"unit":"N·m","angle":%g,"duration":%g}`, i+1, p.at, p.at, p.value, p.deg, p.lasts))
	}
	j := mustJudge(t, plateProcedure(t, "B", 6), jsonl(append(l, `{"release":true,"t":120}`)...), streamOptions{})
	at := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "little_turn" })
	if at < 0 || j.Release.Granted || !slices.Equal(j.Alerts[at].Fasteners, []string{"1"}) || j.Alerts[at].About != 1 {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
}

// The counter shows that one cycle was lost between the pulls of bolts 4 and 6: no
// reading shows bolt 5, and the doubt is there, not at the last one.
func TestJudgeDoubtAtTheGap(t *testing.T) {
	l := []string{wrenchHead}
	for _, seq := range []int{1, 2, 3, 4, 6, 7, 8} {
		l = append(l, pullLine(seq, 40+0.1*float64(seq%3)))
	}
	j := mustJudge(t, plateProcedure(t, "C", 8), jsonl(append(l, `{"release":true,"t":90}`)...), streamOptions{})
	if j.Release.Granted || j.Fasteners[4].Claim != claimDoubtful || j.Fasteners[4].Pull != 0 || j.Fasteners[7].Pull != 7 {
		t.Errorf("claims %v, released %t", claims(j), j.Release.Granted)
	}
	at := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "reading_lost" && a.Blocks })
	if at < 0 || !slices.Equal(j.Alerts[at].Fasteners, []string{"5"}) {
		t.Errorf("alerts %+v", j.Alerts)
	}
}

// A tool that announces traces and sends none is told of, as one whose rotation
// does not come.
func TestJudgeTraceNeverSent(t *testing.T) {
	l := turnsOf(30, 31, 29, 32)
	l[0] = strings.Replace(l[0], `"trace_rate":null`, `"trace_rate":200`, 1)
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(l...), streamOptions{})
	if k := kindsOf(j); !slices.Equal(k, []string{"tool_status"}) || j.Alerts[0].Pull != 3 {
		t.Errorf("alerts %+v", j.Alerts)
	}
}

// Without a counter, a cycle that comes a second time with the same instant and the
// same values counts once, in an earlier pass too.
func TestJudgeResentWithoutCounter(t *testing.T) {
	l := []string{strings.Replace(angleHead(), `"counter":"cycles"`, `"counter":null`, 1)}
	for i, deg := range []float64{24, 26, 25, 27} {
		l = append(l, pullAngle(i+1, 20+0.1*float64(i), deg))
	}
	l = slices.Insert(l, 4, strings.Replace(l[3], `"rx":19.200`, `"rx":20.700`, 1))
	for i, deg := range []float64{31, 33, 30, 32} {
		l = append(l, pullAngle(i+5, 40+0.1*float64(i), deg))
	}
	p := strings.Replace(string(plateProcedure(t, "C", 4).text), "passes: [{name: final", "passes: [{name: snug, target: 20 N·m, limits: ± 15 %}, {name: final", 1)
	proc, err := newProcText("plate.yaml", []byte(p))
	if err != nil {
		t.Fatal(err)
	}
	j := mustJudge(t, proc, jsonl(append(l, `{"release":true,"t":90}`)...), streamOptions{})
	b := becameOf(j)
	if countOf(b, becameCounted) != 8 || b[3] == becameCounted || !j.Release.Granted {
		t.Errorf("became %v, released %t, alerts %+v", b, j.Release.Granted, j.Alerts)
	}
}
