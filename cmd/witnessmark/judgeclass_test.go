package main

import "testing"

// What a miss would cost decides at how small a doubt somebody is asked, and from
// which on a joint of class A is not released without one pull more.
func TestJudgeByClass(t *testing.T) {
	asked, refused := map[string]int{}, map[string]int{}
	for deg := 4.0; deg <= 10; deg += 0.5 {
		for _, class := range []string{"A", "B", "C"} {
			j := mustJudge(t, plateProcedure(t, class, 6), jsonl(turnsOf(19.6, 21.5, deg, 24.4, 22.8, 21.3)...), streamOptions{})
			if len(j.Alerts) > 0 {
				continue // it is told of, in any class
			}
			if len(j.Questions) > 0 {
				asked[class]++
			}
			if !j.Release.Granted {
				refused[class]++
			}
			if deg == 4.5 && (len(j.Questions) > 0) == (class == "C") {
				t.Errorf("4.5° among 20 to 24 in a joint of class %s: %d questions", class, len(j.Questions))
			}
			if deg >= 7 && !j.Release.Granted {
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
