package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"witnessmark/rules"
)

// earlierPlates has six jobs on the plate judged, and gives what they taught.
func earlierPlates(t *testing.T, p *procText) *rules.State {
	t.Helper()
	b := &earlierJobs{state: rules.New(), proc: p.proc, ids: map[string]bool{"j-1": true}} // that is the job to be judged
	for k := range 6 {
		d := 0.4 * float64(k%3)
		file := filepath.Join(t.TempDir(), fmt.Sprintf("%d.jsonl", k))
		if err := os.WriteFile(file, []byte(jsonl(turnsOf(19.6+d, 26.5-d, 21.8, 24.4, 18.8+d, 21.3)...)), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := b.judge(t.Context(), p, file, false); err != nil {
			t.Fatal(err)
		}
	}
	return b.state
}

// What a miss would cost decides at how small a doubt somebody is asked, and from
// which on a joint of class A is not released without one pull more.
func TestJudgeByClass(t *testing.T) {
	asked, refused := map[string]int{}, map[string]int{}
	for _, class := range []string{"A", "B", "C"} {
		p := plateProcedure(t, class, 6)
		known := earlierPlates(t, p)
		for deg := 4.0; deg <= 14; deg += 0.25 {
			j := mustJudge(t, p, jsonl(turnsOf(19.6, 21.5, deg, 24.4, 22.8, 21.3)...), streamOptions{State: known.Clone()})
			if len(j.Alerts) > 0 {
				continue // it is told of, in any class
			}
			if len(j.Questions) > 0 {
				asked[class]++
			}
			if !j.Release.Granted {
				refused[class]++
			}
			if deg >= 12 && !j.Release.Granted {
				t.Errorf("%g° in a joint of class %s: not released: %v", deg, class, j.Release.Open)
			}
		}
	}
	if !(asked["A"] > asked["B"] && asked["B"] > asked["C"]) {
		t.Errorf("asked %v: want more of A than of B, and of B than of C", asked)
	}
	if refused["A"] == 0 || refused["B"] > 0 || refused["C"] > 0 {
		t.Errorf("refused %v: want some of A alone", refused)
	}
}

// Where nothing was learned, a miss is said of any class from so small a doubt that
// somebody is asked of a joint of class A alone.
func TestJudgeByClassUntaught(t *testing.T) {
	said, asked := map[string]int{}, map[string]int{}
	for deg := 4.0; deg <= 10; deg += 0.5 {
		for _, class := range []string{"A", "B", "C"} {
			j := mustJudge(t, plateProcedure(t, class, 6), jsonl(turnsOf(19.6, 21.5, deg, 24.4, 22.8, 21.3)...), streamOptions{})
			if said[class] += len(j.Alerts); len(j.Alerts) == 0 {
				asked[class] += len(j.Questions)
			}
			if deg >= 7 && !j.Release.Granted {
				t.Errorf("%g° in a joint of class %s: not released: %v", deg, class, j.Release.Open)
			}
		}
	}
	if said["A"] == 0 || said["A"] != said["B"] || said["B"] != said["C"] {
		t.Errorf("said %v: want the same of each", said)
	}
	if asked["A"] == 0 || asked["B"] > 0 || asked["C"] > 0 {
		t.Errorf("asked %v: want some of A alone", asked)
	}
}
