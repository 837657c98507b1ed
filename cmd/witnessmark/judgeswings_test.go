package main

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"witnessmark/rules"
)

// In some joints each tightening is sent as two to four rising swings, since the
// handle has no room; a pull on a fastener that is tight has none (common practice, no
// source: on a tight one the torque is there at once).

// swungCap is the cap of twoJoints pulled so, 50 N·m, and then its plug, 5 and 15 N·m; without is the
// fastener that is pulled in one, -1 none, and off what all peaks are off by, as a share. It starts
// with a swing to first N·m, if that is not zero.
func swungCap(r *rand.Rand, n, without int, off, first float64) []made {
	var out []made
	end := func() float64 { return (1 + off) * (1 + 0.008*r.NormFloat64()) }
	for i := range n {
		wait := 4.5 + r.Float64()
		if i != without {
			peak := 0.36 + 0.1*r.Float64()
			if i == 0 && first != 0 {
				peak = first / 50
			}
			for range 1 + r.IntN(3) {
				out = append(out, made{wait, 50 * peak, 0})
				peak = max(peak+0.06, peak+(0.86-peak)*(0.3+0.4*r.Float64()))
				wait = 1.2 + 0.5*r.Float64()
			}
		}
		out = append(out, made{wait, 50 * end(), 0})
	}
	for _, nm := range []float64{5, 15} {
		for k := range 3 {
			wait := 4.5 + r.Float64()
			if k == 0 {
				wait = 20
			}
			out = append(out, made{wait, nm * end(), 0})
		}
	}
	return out
}

// asJob gives the stream of made pulls an id of its own.
func asJob(i int, pulls []made) string {
	return strings.Replace(madeStream(pulls...), `"id":"j-1"`, fmt.Sprintf(`"id":"e-%d"`, i), 1)
}

// taughtSwings is what twenty such jobs leave behind.
func taughtSwings(t *testing.T, p *procText, r *rand.Rand, n int) *rules.State {
	t.Helper()
	state := rules.New()
	for i := range 20 {
		j := mustJudge(t, p, asJob(i, swungCap(r, n, -1, 0, 0)), streamOptions{State: state})
		if !j.Release.Granted {
			t.Fatalf("an earlier job was not released: %+v", j.Alerts)
		}
	}
	return state
}

func TestPullsWithoutSwings(t *testing.T) {
	const n = 10
	p, r := twoJoints(t, "C", n, 50, 3, 5, 15), rand.New(rand.NewPCG(3, 9))
	state := taughtSwings(t, p, r, n)
	found, foundFirst := 0, 0
	for k := range 8 {
		// A peak that the plug's final pass aims at, as the first swing of all.
		j := mustJudge(t, p, madeStream(swungCap(r, n, -1, 0, 15)...), streamOptions{State: state.Clone()})
		allWitnessed(t, j)
		if len(j.Alerts) > 0 {
			t.Errorf("clean job %d: alerts %+v", k, j.Alerts)
		}
		for _, of := range []struct {
			state *rules.State
			found *int
		}{{state.Clone(), &found}, {rules.New(), &foundFirst}} {
			j = mustJudge(t, p, madeStream(swungCap(r, n, 3+k%6, 0, 0)...), streamOptions{State: of.state})
			if slices.Contains(kindsOf(j), "missed_fastener") {
				*of.found++
			}
		}
	}
	// One fastener pulled twice, at the pace of a first pull and to no higher a peak: only that it had no swing tells.
	if found < 5 || foundFirst > found {
		t.Errorf("told of a pull without swings in %d of 8 jobs; in the first of all in %d", found, foundFirst)
	}
}

// Of a tool whose zero has moved the last swings tell, and only they.
func TestZeroShiftAmongSwings(t *testing.T) {
	const n = 10
	p, r := twoJoints(t, "C", n, 50, 3, 5, 15), rand.New(rand.NewPCG(5, 1))
	for k := range 8 {
		if j := mustJudge(t, p, madeStream(swungCap(r, n, -1, 0, 0)...), streamOptions{}); len(j.Alerts) > 0 {
			t.Errorf("clean job %d: alerts %+v", k, j.Alerts)
		}
		if j := mustJudge(t, p, madeStream(swungCap(r, n, -1, -0.09, 0)...), streamOptions{}); !slices.Contains(kindsOf(j), "zero_shift") {
			t.Errorf("shifted job %d: alerts %+v", k, j.Alerts)
		}
	}
}

// Where few fasteners are hard to reach, one that is not is nothing odd.
func TestSomeFastenersInSwings(t *testing.T) {
	const n = 10
	p, r := twoJoints(t, "C", n, 50, 3, 5, 15), rand.New(rand.NewPCG(7, 2))
	state := rules.New()
	job := func() []made {
		all := swungCap(r, n, -1, 0, 0)
		var out []made
		at := 0
		for k, x := range all {
			if x[1] < 40 && x[1] > 16 && at%2 == 1 {
				if all[k+1][0] < 3 {
					continue // the fasteners between take none
				}
			}
			if len(out) > 0 && x[0] < 3 && out[len(out)-1][1] >= 44 {
				x[0] += 3.5
			}
			out = append(out, x)
			if x[1] >= 44 {
				at++
			}
		}
		return out
	}
	for k := range 12 {
		j := mustJudge(t, p, asJob(k, job()), streamOptions{State: state})
		if slices.Contains(kindsOf(j), "missed_fastener") || !j.Release.Granted {
			t.Errorf("clean job %d: alerts %+v", k, j.Alerts)
		}
	}
}

// The first swing of a later pass may end where the pass before does, and is taken for
// one more of that. If the pass comes out one short, it still was a swing, and not a
// low pull of its own fastener, which would shift all others by one.
func TestFirstSwingLikeThePassBefore(t *testing.T) {
	pulls := []made{{10, 51, 40}, {6, 50.2, 43}, {6, 50.8, 38}, {20, 5, 31}, {6, 5.1, 28}, {6, 4.9, 33}, {6, 5, 30}, {6, 5.1, 29}, {6, 5, 32}}
	for k := range 6 {
		if k == 4 {
			pulls = append(pulls, made{4, 15.1, 1}) // once more on the fourth
			continue
		}
		pulls = append(pulls, made{6, []float64{5.1, 7.4, 8.1, 6.6, 0, 7}[k], 27 + float64(k)}, made{1.4, 15, 52 - float64(k)})
	}
	j := mustJudge(t, twoJoints(t, "C", 3, 50, 6, 5, 15), madeStream(pulls...), streamOptions{})
	if j.Release.Granted || len(j.Alerts) == 0 || slices.Contains(j.Alerts[0].Fasteners, "1") {
		t.Errorf("granted %v, alerts %+v\n%s", j.Release.Granted, j.Alerts, strings.Join(placesOf(j), "\n"))
	}
}
