package main

import (
	"testing"
	"time"

	"witnessmark/simulator"
)

// Of a shop in three processes the service, the store and the rules are killed
// in turn.
func TestDrillApart(t *testing.T) {
	t.Parallel() // it waits for the most part
	drilled(t, runApart, 3)
}

// A cluster's leader is cut off from the others, and with it the wrenches.
func TestDrillPartition(t *testing.T) {
	t.Parallel() // likewise
	drilled(t, runPartition, 1)
}

// What was sent after a cut and answered before it was healed is counted, and
// nothing else: the check of the side of one node hangs on it.
func TestDrillCountsAnswersWhileCut(t *testing.T) {
	at := func(ms int) time.Time { return time.UnixMilli(int64(ms)) }
	took := func(sent, heard int) waited { return waited{at(heard), at(heard).Sub(at(sent))} }
	cut, heal := at(1000), at(2000)
	for name, c := range map[string]struct {
		w    waited
		want int
	}{
		"all before":               {took(800, 900), 0},
		"sent before, heard in it": {took(900, 1100), 0}, // it may have been stored before
		"sent and heard in it":     {took(1100, 1200), 1},
		"heard after it":           {took(1100, 2100), 0},
		"all after":                {took(2100, 2200), 0},
	} {
		h := &hand{waits: []waited{c.w}}
		if n, _ := h.answeredAfter(cut, heal); n != c.want {
			t.Errorf("%s: counted %d, want %d", name, n, c.want)
		}
	}
	h := &hand{sent: map[uint64]simulator.Sent{1: {}, 2: {}, 3: {}}, heard: map[uint64]bool{1: true, 3: true}}
	if h.heardTo(2) || !h.heardTo(1) || h.newest() != 3 {
		t.Error("an answer that is missing is not noticed")
	}
}
