package main

import (
	"context"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/simulator"
)

// drilled runs a short drill; 'witnessmark drill' runs long ones.
func drilled(t *testing.T, run func(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) error, times int) {
	t.Helper()
	if testing.Short() {
		t.Skip("takes long")
	}
	exe, err := exec.LookPath("witnessmark") // this test as the command, see TestMain
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	err = run(t.Context(), &out, io.Discard, exe, drillOptions{times: times, benches: 3, seed: 11, dir: t.TempDir(), keep: true})
	if errors.Is(err, errNoFUSE) || errors.Is(err, errNoNamespaces) {
		t.Skip("SKIPPED: ", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Log(out.String())
}

// Killed under load, while starting, sealing, writing snapshots and rebuilding.
func TestDrillKill(t *testing.T) { drilled(t, runKills, 12) }

// The power cut, on a disk that keeps names only if they were synced.
func TestDrillPower(t *testing.T) {
	drilled(t, func(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) error {
		return runPower(ctx, out, progress, exe, "posix", o)
	}, 8)
}

// Of two processes that share the rules one is killed, or stalled, under load.
func TestDrillShares(t *testing.T) { drilled(t, runShares, 5) }

// Of a journal on three nodes the leader is killed under load.
func TestDrillCluster(t *testing.T) { drilled(t, runCluster, 1) }

// Bits flipped and tails cut in every file of a store.
func TestDrillFlip(t *testing.T) { drilled(t, runFlips, 16) }

// The drill's own checks notice what they are for.
func TestDrillNoticesLoss(t *testing.T) {
	counter := func(n uint64) *uint64 { return &n }
	reading := func(seq, n uint64, text string) events.Entry {
		return events.Entry{Seq: seq, Event: events.Event{Source: "device/a", Number: n, Data: events.ReadingTaken{Tool: "a", ToolCounter: counter(n), Text: text}}}
	}
	h := &hand{tool: "a", heard: map[uint64]bool{1: true, 2: true}, sent: map[uint64]simulator.Sent{1: {Text: "1.00"}, 2: {Text: "2.00"}, 3: {Text: "3.00"}}}
	d := &drill{hands: []*hand{h}}
	whole := []events.Entry{reading(1, 1, "1.00"), reading(2, 2, "2.00"), reading(3, 3, "3.00")}
	if there, answered, err := d.readingsOnce(whole); err != nil || there != 3 || answered != 2 {
		t.Errorf("whole: %d there, %d answered, %v", there, answered, err)
	}
	for name, bad := range map[string][]events.Entry{
		"lost":     slices.Delete(slices.Clone(whole), 1, 2),
		"twice":    append(slices.Clone(whole), reading(4, 2, "2.00")),
		"altered":  {whole[0], reading(2, 2, "2.01"), whole[2]},
		"invented": append(slices.Clone(whole), reading(4, 9, "9.00")),
	} {
		if _, _, err := d.readingsOnce(bad); err == nil {
			t.Errorf("%s: not noticed", name)
		}
	}
	shop := benchShop(1)
	described, err := describe(shop)
	if err != nil {
		t.Fatal(err)
	}
	fact := events.Entry{Seq: 1, Event: events.Event{Source: "desk", Number: 1, Data: described}}
	r := reading(3, 1, "45.00")
	decide := func(d events.Decided) events.Entry {
		return events.Entry{Seq: 9, Event: events.Event{Source: events.SourceRules, Number: 1, Data: d}}
	}
	for name, bad := range map[string][]events.Entry{
		"a reading without decision":      {r},
		"a decision on what is not there": {decide(events.Decided{Cause: 7})},
		"an altered decision":             {fact, decide(events.Decided{Cause: 1, Rules: "0"})},
		"two decisions on one fact":       {fact, decide(events.Decided{Cause: 1}), decide(events.Decided{Cause: 1})},
	} {
		if _, err := undisturbed(bad); err == nil {
			t.Errorf("%s: not noticed", name)
		}
	}
}
