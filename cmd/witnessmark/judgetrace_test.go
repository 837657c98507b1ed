package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// What whole traces show of a pull, through 'judge'. The traces are made: no open
// set has hand wrenches' traces of faults.

// at is a point on the way of a trace: the fastener's rotation and the torque.
type at struct{ deg, nm float64 }

const (
	windDeg = 2.0   // the tool's own wind-up at 40 N·m
	traceHz = 200.0 // of the traces made here
)

// courseLine is a reading with the trace of a way through points, let go at its end.
func courseLine(seq int, value float64, way ...at) string {
	return woundLine(seq, value, windDeg, way...)
}

// woundLine is the same with a wind-up of its own.
func woundLine(seq int, value, windDeg float64, way ...at) string {
	var torque, angle []string
	add := func(deg, nm float64) {
		noise := 0.05 * float64(1-2*(len(torque)%2))
		torque = append(torque, fmt.Sprintf("%.3f", nm+noise))
		angle = append(angle, fmt.Sprintf("%.2f", math.Round(4*(deg+windDeg*nm/40))/4))
	}
	for range 10 {
		add(0, 0.1)
	}
	from := at{}
	for _, to := range way {
		n := 10 + int(math.Abs(to.deg-from.deg)) + int(math.Abs(to.nm-from.nm))
		for k := range n {
			s := float64(k) / float64(n)
			add(from.deg+s*(to.deg-from.deg), from.nm+s*(to.nm-from.nm))
		}
		from = to
	}
	add(from.deg, from.nm)
	for k := range 6 {
		add(from.deg, from.nm*float64(5-k)/6)
	}
	for range 10 {
		add(from.deg, 0.1)
	}
	line := strings.Replace(pullLine(seq, value), `"angle":null,"duration":null`, fmt.Sprintf(`"angle":%.1f,"duration":%.2f`, from.deg+windDeg*from.nm/40, float64(len(torque))/traceHz), 1)
	return strings.TrimSuffix(line, "}") + fmt.Sprintf(`,"trace":{"rate":%g,"torque":[%s],"angle":[%s]}}`, traceHz, strings.Join(torque, ","), strings.Join(angle, ","))
}

// soundLine is a first pull that turns by about 60 degrees.
func soundLine(seq int) string { return soundWound(seq, windDeg) }

func soundWound(seq int, windDeg float64) string {
	more := float64(seq*7%5) - 2
	top := 40 + 0.1*float64(seq*3%7)
	return woundLine(seq, top, windDeg, at{20, 12}, at{60 + 2*more, top})
}

func traceHead() string {
	return strings.Replace(strings.Replace(angleHead(), `"angle_resolution":0.5`, `"angle_resolution":0.25`, 1), `"trace_rate":null`, `"trace_rate":200`, 1)
}

// judgeCourses judges twelve pulls on twelve bolts, one of them in another's place.
func judgeCourses(t *testing.T, p *procText, seq int, line string) *judgement {
	t.Helper()
	l := []string{traceHead()}
	for i := 1; i <= 12; i++ {
		if i == seq {
			l = append(l, line)
		} else {
			l = append(l, soundLine(i))
		}
	}
	return mustJudge(t, p, jsonl(append(l, `{"release":true,"t":120}`)...), streamOptions{})
}

func TestJudgeSoundTraces(t *testing.T) {
	if j := judgeCourses(t, plateProcedure(t, "C", 12), 0, ""); len(j.Alerts) > 0 || !j.Release.Granted {
		t.Errorf("alerts %+v, release %+v", j.Alerts, j.Release)
	}
}

// A bolt that gives way is told of at its own pull, the first of a joint that was
// never seen too, whether its torque creeps on or goes.
func TestJudgeGivesWay(t *testing.T) {
	for name, x := range map[string]struct {
		seq  int
		line string
	}{
		"stretches": {1, courseLine(1, 40, at{20, 12}, at{57, 38}, at{110, 40})},
		"strips":    {1, courseLine(1, 40, at{20, 12}, at{60, 40}, at{110, 30})},
		"later":     {7, courseLine(7, 40, at{20, 12}, at{57, 38}, at{100, 40})},
	} {
		j := judgeCourses(t, plateProcedure(t, "C", 12), x.seq, x.line)
		if len(j.Alerts) != 1 || j.Alerts[0].Kind != "turn_no_torque" || j.Alerts[0].Pull != x.seq || j.Release.Granted {
			t.Errorf("%s: alerts %+v, released %t", name, j.Alerts, j.Release.Granted)
		}
		if c := j.Fasteners[x.seq-1].Claim; c != claimHigh {
			t.Errorf("%s: fastener %d is %s", name, x.seq, c)
		}
	}
}

// Where the procedure wants so much rotation, into yield, its window judges, and
// nobody is told of what it asks for.
func TestJudgeTightenedIntoYield(t *testing.T) {
	text := strings.Replace(string(plateProcedure(t, "C", 12).text), "limits: ± 10 %}", "limits: ± 10 %, angle: {low: 50°, high: 130°}}", 1)
	p, err := newProcText("plate.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	j := judgeCourses(t, p, 1, courseLine(1, 40, at{20, 12}, at{57, 38}, at{110, 40}))
	if len(j.Alerts) > 0 || !j.Release.Granted {
		t.Errorf("alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
}

// A bolt that seizes is told of as that, not as one left out: its trace shows that
// it moved from low torque on, which none that is tight does.
func TestJudgeSeizedByItsTrace(t *testing.T) {
	for _, seq := range []int{2, 8} {
		j := judgeCourses(t, plateProcedure(t, "C", 12), seq, courseLine(seq, 40.1, at{2, 12}, at{6, 40.1}))
		if k := kindsOf(j); !slices.Equal(k, []string{"little_turn"}) || j.Release.Granted {
			t.Errorf("pull %d: alerts %+v, released %t", seq, j.Alerts, j.Release.Granted)
		} else if a := j.Alerts[0]; !slices.Equal(a.Fasteners, []string{fmt.Sprint(seq)}) {
			t.Errorf("pull %d: fasteners %v", seq, a.Fasteners)
		}
	}
}

// A trace whose peak is not that of its reading: one of the two is of another pull,
// or in another unit. 40 lbf·ft are 54.2 N·m (NIST SP 811).
func TestJudgeTraceOfAnother(t *testing.T) {
	for name, x := range map[string]struct {
		peak float64
		kind string
	}{"of another pull": {11, "tool_status"}, "in another unit": {54.2, "unit_slip"}} {
		j := judgeCourses(t, plateProcedure(t, "C", 12), 5, courseLine(5, 40, at{20, 0.3 * x.peak}, at{60, x.peak}))
		if len(j.Alerts) != 1 || j.Alerts[0].Kind != x.kind || j.Alerts[0].Pull != 5 || j.Fasteners[4].Claim != claimDoubtful || j.Release.Granted {
			t.Errorf("%s: alerts %+v, fastener 5 %s, released %t", name, j.Alerts, j.Fasteners[4].Claim, j.Release.Granted)
		}
	}
}

// A tool that tells no unit was set to lbf·ft for one pull: its number is right, but
// it wound up, and sprang back, as under 1.3558 times the torque (NIST SP 811).
func TestJudgeSlipBySpringBack(t *testing.T) {
	j := judgeCourses(t, plateProcedure(t, "C", 12), 9, woundLine(9, 40, 1.3558*windDeg, at{20, 12}, at{70, 40}))
	if len(j.Alerts) != 1 || j.Alerts[0].Kind != "unit_slip" || j.Alerts[0].Pull != 9 || j.Fasteners[8].Claim != claimDoubtful || j.Release.Granted {
		t.Errorf("alerts %+v, fastener 9 %s, released %t", j.Alerts, j.Fasteners[8].Claim, j.Release.Granted)
	}
}

// A spring-back is told in steps of the angle. Of a few steps, one more is no slip:
// 2.0 after 1.5 degrees is a third more, as lbf·ft would be, and one step of 0.5.
func TestJudgeSpringBackInCoarseSteps(t *testing.T) {
	for name, x := range map[string]struct{ usual, one float64 }{"more": {1.5, 2}, "less": {2, 1.5}} {
		l := []string{strings.Replace(traceHead(), `"angle_resolution":0.25`, `"angle_resolution":0.5`, 1)}
		for i := 1; i <= 12; i++ {
			wind := x.usual
			if i == 12 {
				wind = x.one
			}
			l = append(l, soundWound(i, wind))
		}
		j := mustJudge(t, plateProcedure(t, "C", 12), jsonl(append(l, `{"release":true,"t":120}`)...), streamOptions{})
		if len(j.Alerts) > 0 || !j.Release.Granted {
			t.Errorf("%s: alerts %+v, released %t", name, j.Alerts, j.Release.Granted)
		}
	}
}

// A long tail upwards is the nature of rotations (screw-tightening-wear). Where the
// trace shows a straight way to the peak, twice as far is no fault yet; thrice is.
func TestJudgeTurnsFarOnAStraightLine(t *testing.T) {
	for deg, told := range map[float64]bool{126: false, 200: true} {
		j := judgeCourses(t, plateProcedure(t, "C", 12), 10, courseLine(10, 40.1, at{deg / 3, 12}, at{deg, 40.1}))
		if got := len(j.Alerts) > 0; got != told || j.Release.Granted == told {
			t.Errorf("%g degrees: alerts %+v, released %t", deg, j.Alerts, j.Release.Granted)
		}
	}
}
