package main

import (
	"io"
	"testing"
)

// The part runs, judges clean jobs without an alert, and gives a figure with
// its floor for each kind of tool. How quick it is, no test asserts.
func TestBenchJudging(t *testing.T) {
	r, err := runBench(t.Context(), []string{"judging"}, benchSizes{latency: 75}, t.TempDir(), io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Results) != 7 {
		t.Fatalf("%d results, want 7", len(r.Results))
	}
	for _, x := range r.Results {
		if !(x.Value > 0) || !(x.Floor > 0) {
			t.Errorf("%s: measured %g, floor %g", x.Name, x.Value, x.Floor)
		}
	}
}
