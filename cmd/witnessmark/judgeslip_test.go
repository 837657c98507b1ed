package main

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// coverOf is a procedure of two joints of eight bolts, the first with a loose pass
// at half its torque before.
func coverOf(t *testing.T, first, second float64) *procText {
	t.Helper()
	var b strings.Builder
	b.WriteString("# Invented.\nprocedure: P-2\nrevision: A\ntitle: Invented cover\nunit: Invented cover\nfaces:\n  - {id: top, title: Top, outlines: [{shape: circle, r: 300, style: body}]}\nsteps:\n")
	for i, nm := range []float64{first, second} {
		fmt.Fprintf(&b, "  - id: j%d\n    title: Joint %d\n    kind: torque\n    face: top\n    class: B\n    fasteners:\n      - {ring: {count: 8, diameter: %d}, head: 13}\n    order: clockwise\n    tools: [torque_wrench]\n    passes:\n", i+1, i+1, 100+100*i)
		if i == 0 {
			fmt.Fprintf(&b, "      - {name: snug, target: %g N·m, limits: ± 20 %%, loose: true}\n", nm/2)
		}
		fmt.Fprintf(&b, "      - {name: final, target: %g N·m, limits: ± 10 %%}\n", nm)
	}
	p, err := newProcText("cover.yaml", []byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// unitless makes a stream of a tool that tells no unit: its numbers are those of
// the torques in a unit.
func unitless(angle bool, in quantity.Unit, torques ...float64) string {
	head := wrenchHead
	if angle {
		head = angleHead()
	}
	l := []string{strings.NewReplacer(`"unit":"N·m"`, `"unit":null`, `"capacity":200`, `"capacity":20000`, `"least":5,"threshold":5`, `"least":0.1,"threshold":0.1`).Replace(head)}
	for i, nm := range torques {
		s := pullLine(i+1, quantity.NewtonMetres(nm).Value().In(in))
		if angle {
			s = pullAngle(i+1, quantity.NewtonMetres(nm).Value().In(in), 40+float64(i*7%9))
		}
		l = append(l, strings.Replace(s, `"unit":"N·m"`, `"unit":null`, 1))
	}
	return jsonl(append(l, fmt.Sprintf(`{"release":true,"t":%d}`, 60+3*len(torques)))...)
}

func eight(nm float64) []float64 {
	var out []float64
	for i := range 8 {
		out = append(out, nm*(1+0.004*float64(i*5%8-3)))
	}
	return out
}

// A tool that tells no unit and is set to another one shows it by its numbers alone:
// all pulls of a joint, or of the job, are off by the factor between the two. It is told
// of, in whatever other unit, also where the number is right for another joint.
// The factors are those of NIST SP 811, appendix B.8; from memory.
func TestJudgeSlippedWithoutUnit(t *testing.T) {
	const first, second = 68, 50
	units := []quantity.Unit{quantity.PoundFoot, quantity.PoundInch, quantity.KilogramForceMetre, quantity.KilogramForceCm, quantity.CentinewtonMetre}
	snug, final, other := eight(first/2), eight(first), eight(second)
	all := slices.Concat(snug, final, other)
	for _, angle := range []bool{false, true} {
		if j := mustJudge(t, coverOf(t, first, second), unitless(angle, quantity.NewtonMetre, all...), streamOptions{}); len(j.Alerts) > 0 || !j.Release.Granted {
			t.Errorf("in the unit that is meant: alerts %v, released %t", kindsOf(j), j.Release.Granted)
		}
		for _, u := range units {
			j := mustJudge(t, coverOf(t, first, second), unitless(angle, u, all...), streamOptions{})
			if !slices.Contains(kindsOf(j), "unit_slip") || j.Release.Granted || countOf(claims(j), claimWitnessed) > 8 {
				t.Errorf("all in %s, angle %t: alerts %v, claims %v", u.Symbol(), angle, kindsOf(j), claims(j))
			}
			// the second joint alone: its number in that unit is what a pull sends
			mixed := slices.Clone(all)
			for i := 16; i < len(mixed); i++ {
				mixed[i] = quantity.Of(mixed[i], quantity.NewtonMetre).In(u) // N·m that read as the number
			}
			j = mustJudge(t, coverOf(t, first, second), unitless(angle, quantity.NewtonMetre, mixed...), streamOptions{})
			if !slices.Contains(kindsOf(j), "unit_slip") || j.Release.Granted {
				t.Errorf("the second joint in %s, angle %t: alerts %v, claims %v", u.Symbol(), angle, kindsOf(j), claims(j))
			}
		}
		// 50 N·m are 36.9 lbf·ft, and the first joint wants about as many N·m.
		j := mustJudge(t, coverOf(t, 37, second), unitless(angle, quantity.NewtonMetre, slices.Concat(eight(18.5), eight(37), eight(36.9))...), streamOptions{})
		if !slices.Contains(kindsOf(j), "unit_slip") || j.Release.Granted {
			t.Errorf("right for the other joint, angle %t: alerts %v, claims %v", angle, kindsOf(j), claims(j))
		}
		// A joint that was left, and a single pull again on the one before it, are no slip.
		j = mustJudge(t, coverOf(t, 37, second), unitless(angle, quantity.NewtonMetre, slices.Concat(eight(18.5), eight(37), []float64{37.1})...), streamOptions{})
		if slices.Contains(kindsOf(j), "unit_slip") || j.Release.Granted {
			t.Errorf("left early, angle %t: alerts %v, released %t", angle, kindsOf(j), j.Release.Granted)
		}
		// One unfinished pull at 0.74 of the torque, finished by the next.
		swing := slices.Concat(snug, final[:4], []float64{first * 0.7376}, final[4:], other)
		if j := mustJudge(t, coverOf(t, first, second), unitless(angle, quantity.NewtonMetre, swing...), streamOptions{}); slices.Contains(kindsOf(j), "unit_slip") {
			t.Errorf("one unfinished pull, angle %t: alerts %v", angle, kindsOf(j))
		}
	}
}

// The very first pull of a job may be an unfinished one, or one on a checker: it ends at
// 0.74 of the torque by chance. A tool in the wrong unit ends there again at the next.
// That a joint without unfinished pulls is known changes nothing.
func TestJudgeFirstPullIsNoSlip(t *testing.T) {
	p := plateProcedure(t, "C", 4)
	job := func(id string, torques ...float64) string {
		l := []string{strings.Replace(wrenchHead, "j-1", id, 1)}
		for i, nm := range torques {
			l = append(l, pullLine(i+1, nm))
		}
		return jsonl(append(l, `{"release":true,"t":60}`)...)
	}
	st := rules.New()
	for n := range 8 {
		if j := mustJudge(t, p, job(fmt.Sprint("e-", n), 40.1, 39.8, 40.4, 40.2), streamOptions{State: st}); !j.Release.Granted {
			t.Fatalf("an earlier job teaches nothing: %v", kindsOf(j))
		}
	}
	if j := mustJudge(t, p, job("j-1", 29.6, 40.1, 39.8, 40.4, 40), streamOptions{State: st.Clone()}); len(j.Alerts) > 0 || !j.Release.Granted {
		t.Errorf("finished by the next: alerts %v, released %t", kindsOf(j), j.Release.Granted)
	}
	j := mustJudge(t, p, job("j-1", 29.6, 29.4, 29.7, 29.5), streamOptions{State: st.Clone()})
	if at := slices.IndexFunc(j.Alerts, func(a judgedAlert) bool { return a.Kind == "unit_slip" }); at < 0 || j.Release.Granted || j.Alerts[at].Pull != 2 {
		t.Errorf("slipped: alerts %+v, released %t", j.Alerts, j.Release.Granted)
	}
}
