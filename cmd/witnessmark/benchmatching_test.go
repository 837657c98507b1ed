package main

import (
	"bytes"
	"encoding/json"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"witnessmark/rules"
	"witnessmark/simulator/labelled"
)

func matchScore(t *testing.T, cores int) *matchReport {
	t.Helper()
	r := matchRun{jobs: 10, seed: 3, world: labelled.Rough, cores: cores, progress: io.Discard, state: rules.New, draw: drawFaults}
	report, err := r.score(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// The same seed gives the same report, on one core and on several.
func TestMatchingIsTheSameOnAnyCores(t *testing.T) {
	if testing.Short() {
		t.Skip("judges some hundred jobs twice")
	}
	var texts []string
	for _, cores := range []int{1, 3} {
		b, err := json.Marshal(matchScore(t, cores))
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, string(b))
	}
	if texts[0] != texts[1] {
		t.Errorf("one core:\n%s\nthree:\n%s", texts[0], texts[1])
	}
	var report matchReport
	if err := json.Unmarshal([]byte(texts[0]), &report); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := report.write(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Clean jobs", "Count-masked misses", "Each fault", "All streams are invented"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not in\n%s", want, b.String())
		}
	}
	if n := len(report.Clean); n != 6 {
		t.Errorf("%d rows of clean jobs, want 6", n)
	}
	for _, c := range report.Clean {
		if c.Jobs == 0 || c.Jobs > 10 {
			t.Errorf("%s: %d clean jobs of 10", c.Tier, c.Jobs)
		}
	}
}

func TestEveryFaultHasItsAlerts(t *testing.T) {
	for _, f := range labelled.Faults() {
		if _, there := right[f]; !there {
			t.Errorf("no alerts are named for %s", f)
		}
	}
}

func TestNames(t *testing.T) {
	weights := []judgedWeight{{"3", 0.2}, {"7", 0.5}, {"1", 0.1}, {"2", 0.15}}
	tests := map[string]struct {
		alert        judgedAlert
		fastener     string
		first, three bool
	}{
		"most probable":      {judgedAlert{Candidates: weights}, "7", true, true},
		"third":              {judgedAlert{Candidates: weights}, "2", false, true},
		"fourth":             {judgedAlert{Candidates: weights}, "1", false, false},
		"not among them":     {judgedAlert{Candidates: weights}, "9", false, false},
		"alone, no weights":  {judgedAlert{Fasteners: []string{"4"}}, "4", true, true},
		"one of two, no p":   {judgedAlert{Fasteners: []string{"4", "5"}}, "5", false, true},
		"one of four, no p":  {judgedAlert{Fasteners: []string{"4", "5", "6", "7"}}, "4", false, false},
		"nothing named":      {judgedAlert{}, "4", false, false},
		"weights come first": {judgedAlert{Candidates: weights, Fasteners: []string{"4"}}, "4", false, false},
	}
	for name, x := range tests {
		first, three := names(&x.alert, x.fastener)
		if first != x.first || three != x.three {
			t.Errorf("%s: first %v, three %v; want %v, %v", name, first, three, x.first, x.three)
		}
	}
}

// By hand: of four masked misses, the ratios 1e6 and 2000 are told at 0.001
// (1e-6/4 + 1/8000 < 0.001), the ratio 100 is not (1/400 > 0.001).
func TestBestRow(t *testing.T) {
	f := func(ratio float64, found, top bool) caseScore {
		return caseScore{faults: []faultScore{{masked: true, ratio: ratio, found: found, alone: found, three: found, topAlone: top, topThree: true}}}
	}
	part := []caseScore{f(100, true, true), f(1e6, true, true), f(2000, false, false), f(0.5, false, true),
		{faults: []faultScore{{masked: true, closing: true, ratio: 1e9}}}, {clean: true}}
	got := bestRow(labelled.Torque, true, part)
	want := matchBest{Tier: labelled.Torque, Taught: true, Jobs: 4, Found: 0.5, Alone: 1, Three: 1, Best: 0.5, BestAlone: 0.5, BestThree: 1, Level: (1e-6 + 1.0/2000) / 4}
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestScaledProbabilityStaysOne(t *testing.T) {
	for _, x := range []struct{ v, factor, want float64 }{{0.1, 2, 0.2}, {0.1, 0.5, 0.05}, {0.9, 2, 0.95}, {0.9, 0.5, 0.8}, {40, 2, 80}, {0.6, 0.5, 0.2}} {
		if got := scaled(x.v, x.factor); got < x.want-1e-12 || got > x.want+1e-12 {
			t.Errorf("scaled(%g, %g) = %g, want %g", x.v, x.factor, got, x.want)
		}
	}
}

// A kept job is judged from its files as it was in the bench.
func TestKeptJobsAreJudgedAlike(t *testing.T) {
	if testing.Short() {
		t.Skip("judges some dozens of jobs")
	}
	dir := t.TempDir()
	found := map[string]string{}
	r := matchRun{jobs: 10, seed: 5, world: labelled.Steady, cores: 2, progress: io.Discard, state: rules.New, keep: dir,
		draw: func(*rand.Rand) []labelled.Fault { return []labelled.Fault{labelled.MaskedLost} }}
	units := []matchUnit{{labelled.Angle, true, 5_000_016, 10}, {labelled.Torque, false, 5_500_015, 1}}
	var mu sync.Mutex
	if _, err := r.judge(t.Context(), units, func(c *matchCase) caseScore {
		x := scoreCase(c, false)
		mu.Lock()
		defer mu.Unlock()
		if x.wrong() {
			found[string(x.tier)+"-"+taughtWord(x.taught)+"-"+x.job] = alertText(c.judged)
		}
		return x
	}); err != nil {
		t.Fatal(err)
	}
	kept, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(kept) != len(found) || len(kept) < 2 {
		t.Fatalf("%d jobs were kept, %d were not found, want the same and two at least", len(kept), len(found))
	}
	for _, k := range kept {
		at := filepath.Join(dir, k.Name())
		args := []string{"--procedure", filepath.Join(at, "procedure.yaml"), "--stream", filepath.Join(at, "stream.jsonl")}
		if strings.Contains(k.Name(), "-taught-") {
			args = append(args, "--earlier", filepath.Join(at, "earlier"))
		}
		j, text, err := judgedWith(t, args...)
		if err != nil {
			t.Fatalf("%s: %v\n%s", k.Name(), err, text)
		}
		if got := alertText(j); got != found[k.Name()] {
			t.Errorf("%s: judged from its files:\n%s\nin the bench:\n%s", k.Name(), got, found[k.Name()])
		}
		if b, err := os.ReadFile(filepath.Join(at, "truth.json")); err != nil || !bytes.Contains(b, []byte("masked_lost")) {
			t.Errorf("%s: truth %s, %v", k.Name(), b, err)
		}
	}
}

// alertText is the claims and alerts of a judgement.
func alertText(j *judgement) string {
	b, _ := json.Marshal(struct {
		Alerts    []judgedAlert
		Fasteners []judgedFastener
	}{j.Alerts, j.Fasteners})
	return string(b)
}

// Some parameters of the model can be asked for by name, and only such as it has.
func TestSensitivityOfSome(t *testing.T) {
	if testing.Short() {
		t.Skip("judges some ninety jobs")
	}
	r := matchRun{jobs: 10, seed: 3, world: labelled.Brisk, cores: 1, progress: io.Discard, state: rules.New}
	report, err := r.sensitivity(t.Context(), []string{"Habit"})
	if err != nil {
		t.Fatal(err)
	}
	if len(report.Rows) != 3 || report.Rows[1].Parameter != "Habit" || report.Rows[1].Factor != 0.5 || report.Rows[2].Factor != 2 {
		t.Errorf("rows %+v, want one as it is and two of Habit", report.Rows)
	}
	for _, x := range [][]string{{"bench", "matching", "--sensitivity", "--parameter", "Haste"}, {"bench", "matching", "--parameter", "Habit"}} {
		cmd := newRoot()
		cmd.SetArgs(x)
		cmd.SetOut(io.Discard)
		cmd.SetErr(io.Discard)
		if err := cmd.Execute(); err == nil || !strings.Contains(err.Error(), "--parameter") {
			t.Errorf("%v: %v", x, err)
		}
	}
}
