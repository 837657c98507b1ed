package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// Streams such as tools should not send, each with the state and the alerts
// that must come of it: never a silent witness.

// kindsOf lists the kinds of a judgement's alerts, each once, sorted.
func kindsOf(j *judgement) []string {
	var kinds []string
	for _, a := range j.Alerts {
		kinds = append(kinds, a.Kind)
	}
	slices.Sort(kinds)
	return slices.Compact(kinds)
}

func countOf[T comparable](xs []T, want T) int {
	n := 0
	for _, x := range xs {
		if x == want {
			n++
		}
	}
	return n
}

func becameOf(j *judgement) []string {
	var out []string
	for _, p := range j.Pulls {
		out = append(out, p.Became)
	}
	return out
}

// angleHead announces angle and duration.
func angleHead() string {
	return strings.Replace(wrenchHead, `"angle_resolution":null,"duration":false`, `"angle_resolution":0.5,"duration":true`, 1)
}

// pullAngle is a reading with a rotation.
func pullAngle(seq int, value, angle float64) string {
	return strings.Replace(pullLine(seq, value), `"angle":null,"duration":null`, fmt.Sprintf(`"angle":%g,"duration":0.9`, angle), 1)
}

// A counter of cycles that jumps by three says that three cycles were lost; the
// two bolts that nothing shows are in doubt, not missed.
func TestJudgeCounterJumps(t *testing.T) {
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, pullLine(1, 40), pullLine(5, 40.2), `{"release":true,"t":60}`), streamOptions{})
	if c := claims(j); countOf(c, claimDoubtful) != 2 || countOf(c, claimWitnessed) != 2 || j.Release.Granted {
		t.Errorf("claims %v, released %t", c, j.Release.Granted)
	}
	if k := kindsOf(j); !slices.Equal(k, []string{"reading_lost"}) {
		t.Errorf("alerts %v", k)
	}
	if j.Pulls[1].Lost != 3 {
		t.Errorf("lost before the second pull: %d, want 3", j.Pulls[1].Lost)
	}
}

// A counter that begins anew in the middle of a joint tells of no lost cycle:
// all four count. It is told where it began anew.
func TestJudgeCounterRestarts(t *testing.T) {
	l := []string{wrenchHead}
	for i, seq := range []int{4711, 4712, 1, 2} {
		l = append(l, strings.Replace(pullLine(i+1, 40+float64(i)/10), fmt.Sprintf(`"seq":%d`, i+1), fmt.Sprintf(`"seq":%d`, seq), 1))
	}
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	if c := claims(j); countOf(c, claimWitnessed) != 4 {
		t.Errorf("claims %v", c)
	}
	if k := kindsOf(j); !slices.Equal(k, []string{"reading_lost"}) || j.Alerts[0].Pull != 3 || j.Alerts[0].Blocks {
		t.Errorf("alerts %+v", j.Alerts)
	}
}

// The same number with the same values is one cycle sent once more, however
// late it comes: it counts once, and the joint stays one short.
func TestJudgeOldNumberComesAgain(t *testing.T) {
	again := strings.Replace(pullLine(1, 40), `"rx":13.200`, `"rx":30`, 1)
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(wrenchHead, pullLine(1, 40), pullLine(2, 40.1), pullLine(3, 40.2), again, `{"release":true,"t":60}`), streamOptions{})
	if b := becameOf(j); b[3] != becameResent {
		t.Errorf("pulls %v", b)
	}
	if c := claims(j); countOf(c, claimMissed) != 1 || j.Release.Granted {
		t.Errorf("claims %v, released %t", c, j.Release.Granted)
	}
	if k := kindsOf(j); !slices.Contains(k, "same_cycle") || !slices.Contains(k, "missed_fastener") {
		t.Errorf("alerts %v", k)
	}
}

// twoWrenches is a head of two wrenches.
var twoWrenches = strings.Replace(wrenchHead, `}],"job"`, `},{"tool":"K3","unit":"N·m","resolution":0.1,"capacity":200,"least":5,"threshold":5,"counter":"cycles","angle_resolution":null,"duration":false,"trace_rate":null,"u_rel":0.01}],"job"`, 1)

// Two tools work on one joint by turns, and what one of them took comes late,
// between the readings of the other: each reading counts once, by its own
// tool's counter, and none is taken for lost.
func TestJudgeTwoToolsInterleavedLate(t *testing.T) {
	line := func(tool string, seq int, taken, received float64) string {
		return fmt.Sprintf(`{"tool":"%s","seq":%d,"t":%g,"rx":%g,"value":40.%d,"unit":"N·m","angle":null,"duration":null}`, tool, seq, taken, received, seq)
	}
	j := mustJudge(t, plateProcedure(t, "C", 6), jsonl(twoWrenches,
		line("K2", 1, 10, 10.1), line("K2", 2, 16, 16.1), line("K3", 1, 13, 17), line("K2", 3, 22, 22.1), line("K3", 2, 19, 23), line("K3", 3, 25, 26),
		`{"release":true,"t":60}`), streamOptions{})
	if c := claims(j); countOf(c, claimWitnessed) != 6 || !j.Release.Granted {
		t.Errorf("claims %v, release %+v", c, j.Release)
	}
	if len(j.Alerts) > 0 {
		t.Errorf("alerts %v", kindsOf(j))
	}
	// The same, but one of the second tool's readings never arrives.
	j = mustJudge(t, plateProcedure(t, "C", 6), jsonl(twoWrenches,
		line("K2", 1, 10, 10.1), line("K2", 2, 16, 16.1), line("K3", 1, 13, 17), line("K2", 3, 22, 22.1), line("K3", 3, 25, 26),
		`{"release":true,"t":60}`), streamOptions{})
	if c := claims(j); countOf(c, claimWitnessed) == 6 || j.Release.Granted || !slices.Contains(kindsOf(j), "reading_lost") {
		t.Errorf("claims %v, released %t, alerts %v", c, j.Release.Granted, kindsOf(j))
	}
}

// A tool that announced rotation and never reports one: its pulls count by
// their number alone, so a joint of class A asks for its closing round.
func TestJudgeAngleNeverReported(t *testing.T) {
	l := []string{angleHead()}
	for i := 1; i <= 4; i++ {
		l = append(l, pullLine(i, 40+float64(i)/10))
	}
	j := mustJudge(t, plateProcedure(t, "A", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	if j.Release.Granted || !strings.Contains(strings.Join(j.Release.Open, "\n"), "closing round") {
		t.Errorf("release %+v, alerts %v", j.Release, kindsOf(j))
	}
	for _, f := range j.Fasteners {
		if f.Grade == "reasoned" {
			t.Errorf("fastener %s is reasoned without a rotation", f.Fastener)
		}
	}
	if !slices.Contains(kindsOf(j), "tool_status") {
		t.Errorf("nobody is told that the rotation never comes: alerts %v", kindsOf(j))
	}
}

// A tool whose rotation is 0 at every pull does not measure it, or all was tight
// before: that proves no bolt, and class A asks for its closing round.
func TestJudgeAngleAlwaysZero(t *testing.T) {
	l := []string{angleHead()}
	for i := 1; i <= 4; i++ {
		l = append(l, pullAngle(i, 40+float64(i)/10, 0))
	}
	j := mustJudge(t, plateProcedure(t, "A", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	if c := claims(j); countOf(c, claimDoubtful) != 4 || j.Release.Granted || !slices.Contains(kindsOf(j), "tool_status") {
		t.Errorf("claims %v, released %t, alerts %v", c, j.Release.Granted, kindsOf(j))
	}
}

// Rotation against the pull says nothing of how far a bolt turned: the grade
// stays counted, and class A asks for its closing round.
func TestJudgeNegativeAngle(t *testing.T) {
	l := []string{angleHead()}
	for i := 1; i <= 4; i++ {
		l = append(l, pullAngle(i, 40+float64(i)/10, -30))
	}
	j := mustJudge(t, plateProcedure(t, "A", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	for _, f := range j.Fasteners {
		if f.Grade == "reasoned" {
			t.Errorf("fastener %s is reasoned by a rotation of -30°", f.Fastener)
		}
	}
	if j.Release.Granted || !slices.Contains(kindsOf(j), "tool_status") {
		t.Errorf("released; alerts %v", kindsOf(j))
	}
}

// traceLine is a pull with a trace of the given times.
func traceLine(seq int, times []float64) string {
	var at, torque, angle []string
	n := len(times)
	for k, x := range times {
		at = append(at, fmt.Sprintf("%g", x))
		torque = append(torque, fmt.Sprintf("%.2f", (40+0.2*float64(seq))*math.Min(1, float64(k)/float64(n-8))))
		angle = append(angle, fmt.Sprintf("%.2f", (30+float64(2*seq))*float64(k)/float64(n)))
	}
	return strings.TrimSuffix(pullAngle(seq, 40+0.2*float64(seq), 30+float64(2*seq)), "}") + `,"trace":{"t":[` + strings.Join(at, ",") + `],"torque":[` + strings.Join(torque, ",") + `],"angle":[` + strings.Join(angle, ",") + `]}}`
}

// A trace whose time runs backwards, and one with a gap of 100 ms, are looked
// at as far as they go; their pulls count, each for one bolt, with doubt where
// the trace does not tell a first pull from a repeat, and the bolt that no pull
// shows is missed.
func TestJudgeBrokenTraces(t *testing.T) {
	back, gap := make([]float64, 100), make([]float64, 100)
	for k := range back {
		back[k], gap[k] = float64(k)/100, float64(k)/100
		if k > 60 {
			back[k] -= 0.3
			gap[k] += 0.1
		}
	}
	for name, times := range map[string][]float64{"backwards": back, "gap of 100 ms": gap} {
		head := strings.Replace(angleHead(), `"trace_rate":null`, `"trace_rate":100`, 1)
		j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(head, traceLine(1, times), traceLine(2, times), traceLine(3, times), `{"release":true,"t":60}`), streamOptions{})
		if c := claims(j); countOf(c, claimMissed) != 1 || countOf(c, claimWitnessed)+countOf(c, claimDoubtful) != 3 || j.Release.Granted {
			t.Errorf("%s: claims %v, released %t", name, c, j.Release.Granted)
		}
		if !slices.Contains(kindsOf(j), "tool_status") || slices.Contains(kindsOf(j), "turn_no_torque") {
			t.Errorf("%s: alerts %v", name, kindsOf(j))
		}
	}
}

// A trace that runs backwards from end to end leaves one sample: that is no pull
// on a tight bolt, and the tool's own rotation speaks.
func TestJudgeTraceBackwardsThroughout(t *testing.T) {
	times := make([]float64, 100)
	for k := range times {
		times[k] = 1 - float64(k)/100
	}
	l := []string{strings.Replace(angleHead(), `"trace_rate":null`, `"trace_rate":100`, 1)}
	for i := 1; i <= 4; i++ {
		l = append(l, traceLine(i, times))
	}
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	if c := claims(j); countOf(c, claimWitnessed) != 4 || !slices.Equal(kindsOf(j), []string{"tool_status"}) {
		t.Errorf("claims %v, alerts %v", c, kindsOf(j))
	}
}

// A hundred pulls on four bolts: four count, or fewer; all others are told as
// what they were, one too many, and each bolt rests on a pull of its own.
func TestJudgeHundredPulls(t *testing.T) {
	l := []string{wrenchHead}
	for i := 1; i <= 100; i++ {
		l = append(l, pullLine(i, 40+0.01*float64(i%7)))
	}
	j := mustJudge(t, plateProcedure(t, "A", 4), jsonl(append(l, `{"release":true,"t":1000}`)...), streamOptions{})
	b := becameOf(j)
	if n := countOf(b, becameCounted); n > 8 { // a round and a closing round
		t.Errorf("%d of 100 pulls count for four bolts in two rounds", n)
	}
	if n := countOf(b, becameCounted) + countOf(b, becameAside) + countOf(b, becameUnplaced); n != 100 {
		t.Errorf("%d of 100 pulls are told: %v", n, b)
	}
	if !slices.Contains(kindsOf(j), "extra_pull") || j.Release.Granted || slices.Contains(claims(j), claimWitnessed) {
		t.Errorf("alerts %v, released %t", kindsOf(j), j.Release.Granted)
	}
	// Each of them turns as a first one does: that four bolts cannot.
	l = []string{angleHead()}
	for i := 1; i <= 100; i++ {
		l = append(l, pullAngle(i, 40+0.1*float64(i%7), 60+float64(i%11)))
	}
	j = mustJudge(t, plateProcedure(t, "C", 4), jsonl(append(l, `{"release":true,"t":1000}`)...), streamOptions{})
	i := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "extra_pull" })
	if i < 0 || j.Alerts[i].Pull != 6 || j.Release.Granted {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
	// All of them end low, at the same torque: the sixth says so.
	l = []string{wrenchHead}
	for i := 1; i <= 100; i++ {
		l = append(l, pullLine(i, 20+0.1*float64(i%3)))
	}
	j = mustJudge(t, plateProcedure(t, "C", 4), jsonl(append(l, `{"release":true,"t":1000}`)...), streamOptions{})
	if j.Alerts[0].Kind != "low_left" || j.Alerts[0].Pull != 6 || j.Release.Granted {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
}

// Pulls that are all alike to the last digit look like one cycle sent over and
// over, but their numbers differ: they count, by the number alone, each is in doubt,
// and a lead decides.
func TestJudgeIdenticalPulls(t *testing.T) {
	l := []string{angleHead()}
	for i := 1; i <= 4; i++ {
		l = append(l, pullAngle(i, 40, 30))
	}
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	if c := claims(j); countOf(c, claimDoubtful) != 4 {
		t.Errorf("claims %v, alerts %v", c, kindsOf(j))
	}
	if j.Release.Granted || !slices.Equal(kindsOf(j), []string{"same_cycle"}) || slices.ContainsFunc(j.Fasteners, func(f judgedFastener) bool { return f.Grade != "counted" }) {
		t.Errorf("released %t, alerts %v, fasteners %+v", j.Release.Granted, kindsOf(j), j.Fasteners)
	}
	// Without a number, and at one instant, they are one cycle: three are missed.
	l = []string{strings.Replace(angleHead(), `"counter":"cycles"`, `"counter":null`, 1)}
	for range 4 {
		l = append(l, `{"tool":"K2","seq":null,"t":10,"rx":10,"value":40,"unit":"N·m","angle":30,"duration":0.9}`)
	}
	j = mustJudge(t, plateProcedure(t, "A", 4), jsonl(append(l, `{"release":true,"t":60}`)...), streamOptions{})
	if j.Release.Granted {
		t.Errorf("four readings of one instant release a joint of class A: claims %v, alerts %v", claims(j), kindsOf(j))
	}
}

// A tool that tells no unit and is set to another one shows it by its numbers:
// 29.5 for 40 N·m, since 40 N·m are 29.5 lbf·ft (NIST SP 811).
func TestJudgeSlipWithoutUnit(t *testing.T) {
	head := strings.Replace(wrenchHead, `"tool":"K2","unit":"N·m"`, `"tool":"K2","unit":null`, 1)
	pull := func(seq int, v float64) string {
		return strings.Replace(pullLine(seq, v), `"unit":"N·m"`, `"unit":null`, 1)
	}
	for name, c := range map[string]struct {
		values []float64
		at     int // the pull at which it is told; 0: at the release
	}{
		"from the start":      {[]float64{29.5, 29.6, 29.4, 29.5}, 2}, // the first may be an unfinished swing; the second agrees
		"changed in between":  {[]float64{40.1, 39.9, 29.5, 29.6, 29.4, 29.5}, 4},
		"one pull alone":      {[]float64{40.1, 39.9, 29.5, 40.2}, 0},
		"in kgf·m throughout": {[]float64{4.08, 4.09, 4.07, 4.08}, 1},
	} {
		l := []string{head}
		for i, v := range c.values {
			l = append(l, pull(i+1, v))
		}
		j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(append(l, `{"release":true,"t":90}`)...), streamOptions{})
		i := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "unit_slip" })
		if i < 0 || j.Alerts[i].Pull != c.at || j.Release.Granted {
			t.Errorf("%s: alerts %+v, released %t", name, j.Alerts, j.Release.Granted)
		}
	}
	// An unfinished swing at such a number is none: the next pull follows at once.
	j := mustJudge(t, plateProcedure(t, "C", 4), jsonl(head, pull(1, 40.1), pull(2, 39.9), pull(3, 29.5), pull(4, 40), pull(5, 40.1), `{"release":true,"t":90}`), streamOptions{})
	if slices.Contains(kindsOf(j), "unit_slip") || !j.Release.Granted {
		t.Errorf("an unfinished swing: alerts %v, released %t", kindsOf(j), j.Release.Granted)
	}
	// Nor at the very first pull of a job.
	j = mustJudge(t, plateProcedure(t, "C", 4), jsonl(head, pull(1, 29.5), pull(2, 40.1), pull(3, 39.9), pull(4, 40), pull(5, 40.1), `{"release":true,"t":90}`), streamOptions{})
	if slices.Contains(kindsOf(j), "unit_slip") || !j.Release.Granted {
		t.Errorf("an unfinished swing at first: alerts %v, released %t", kindsOf(j), j.Release.Granted)
	}
}

// Two cycles that a tool without a counter sent twice are no pulls too many: only
// what was pulled is counted against the number of fasteners.
func TestJudgeSentTwiceIsNoExtraPull(t *testing.T) {
	line := func(n int, value, angle float64) string {
		return strings.Replace(pullAngle(n, value, angle), fmt.Sprintf(`"seq":%d`, n), `"seq":null`, 1)
	}
	again := func(n int, s string) string { // received once more, a second later
		return strings.Replace(s, fmt.Sprintf(`"rx":%.3f`, 10.2+3*float64(n)), fmt.Sprintf(`"rx":%.3f`, 11.2+3*float64(n)), 1)
	}
	lines := []string{strings.Replace(angleHead(), `"counter":"cycles"`, `"counter":null`, 1)}
	for i, deg := range []float64{60, 63, 58, 61, 65, 59, 62, 60} {
		s := line(i+1, 39.6+0.1*float64(i), deg)
		if lines = append(lines, s); i == 1 || i == 4 {
			lines = append(lines, again(i+1, s))
		}
	}
	j := mustJudge(t, plateProcedure(t, "C", 8), jsonl(append(lines, `{"release":true,"t":90}`)...), streamOptions{})
	if slices.Contains(kindsOf(j), "extra_pull") || !j.Release.Granted || countOf(claims(j), claimWitnessed) != 8 {
		t.Errorf("alerts %v, release %+v, claims %v: want eight witnessed, released, and no pull too many", kindsOf(j), j.Release, claims(j))
	}
}
