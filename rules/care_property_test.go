package rules

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// careStep tells one fact about tools, or a reading, right or wrong.
func (w *world) careStep() {
	t := w.t
	w.at = w.at.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "s")) * time.Second)
	a := events.Ask{By: pick(t, "by", "quim", "quim", "maren", "ines"), Bench: pick(t, "bench", "axle", "axle", "gearbox", ""), AtUs: w.at}
	tool := pick(t, "tool", "k2", "k2", "click", "d3", "worn", "nobody")
	ref := pick(t, "ref", "ref", "ref", "coarse", "blocks", "k2")
	nm := func(label string) (quantity.Value, string) {
		u := quantity.NewtonMetre
		if rapid.IntRange(0, 5).Draw(t, label+" unit") == 0 {
			u = quantity.PoundFoot
		}
		return quantity.Of(rapid.SampledFrom([]float64{0, 5, 60, 100, 102, 120, 190, 200, 260}).Draw(t, label), u), u.Code()
	}
	switch rapid.IntRange(0, 15).Draw(t, "do") {
	case 0:
		d := events.CalibrationAsked{Ask: a, Tool: tool, Reference: ref, Phase: events.Phase(pick(t, "phase", "found", "left", "x")), Rule: pick(t, "rule", "", "simple", "p=0.9"), Readings: 2}
		if tool != "d3" {
			d.Points = []quantity.Value{quantity.NewtonMetres(100).Value()}
		}
		w.tell(d)
	case 1, 2, 3:
		d := events.CalibrationPairAsked{Ask: a}
		d.Tool, d.ToolUnit = nm("tool value")
		if rapid.Bool().Draw(t, "both") {
			d.Reference, d.ReferenceUnit = nm("reference value")
		}
		w.tell(d)
	case 4:
		w.tell(events.CalibrationUndoAsked{Ask: a})
	case 5:
		w.tell(events.CalibrationCloseAsked{Ask: a, Interface: 0.1})
	case 6:
		w.tell(events.CalibrationDropAsked{Ask: a, Reason: "r"})
	case 7:
		w.tell(events.CheckAsked{Ask: a, Tool: tool, Reference: ref, Point: quantity.NewtonMetres(100).Value(), Pulls: 2})
	case 8:
		w.tell(events.ToolMoveAsked{Ask: a, Tool: tool, State: events.ToolState(pick(t, "state", "in_use", "quarantined", "away", "")), Place: pick(t, "place", "", "cage"), Reason: "r"})
	case 9:
		w.tell(events.ToolAdjustAsked{Ask: a, Tool: tool, What: "spring"})
	case 10:
		w.tell(events.ReadingAssignAsked{Ask: a, Reading: w.recent("axle"), Tool: tool, Reason: "r"})
	default:
		v, u := nm("reading")
		r := events.ReadingTaken{Device: tool, Tool: pick(t, "taker", tool, "k2", "ref", "ref"), Bench: pick(t, "reading bench", "axle", "axle", "gearbox"), Mode: events.ModePeak,
			Text: "x", Unit: u, Value: v, ReceivedAtUs: w.at, Stale: rapid.IntRange(0, 20).Draw(t, "stale") == 0, ToolStatus: pick(t, "status", "", "", "", "overload")}
		w.tell(r)
	}
}

// Whatever comes about tools: Decide changes nothing (told by tell), a snapshot
// and a replay give the same state, one thing at most is open at a bench, and
// the cycles of each tool are its torque readings, those assigned to it
// included.
func TestCareKeepsItsPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := &world{t: t, s: New(), at: testStart}
		w.tell(events.ShopDescribed{Shop: testShop(), Hash: "1"})
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			w.careStep()
		}
		again := New()
		for i, d := range w.log {
			Evolve(again, d)
			if i == len(w.log)/2 {
				r, err := Restore(snap(t, again))
				if err != nil {
					t.Fatal(err)
				}
				again = r
			}
		}
		if !bytes.Equal(snap(t, again), snap(t, w.s)) {
			t.Fatal("a replay with a snapshot in its midst differs")
		}
		want, open := map[string]int64{}, map[string]int{}
		for _, e := range w.facts {
			if r, ok := e.Data.(events.ReadingTaken); ok && r.Value.Dimension() == quantity.DimTorque {
				want[r.Tool]++
			}
		}
		for _, d := range w.log {
			for _, o := range d.Outcomes {
				if a, ok := o.Data.(events.ReadingAssigned); ok {
					want[a.Tool]++
				}
			}
		}
		for id, n := range w.s.Tools {
			if n.Cycles != want[id] {
				t.Errorf("%s has %d cycles, made %d", id, n.Cycles, want[id])
			}
			if n.Calibration != nil {
				open[n.Calibration.Bench]++
			}
			if n.Check != nil {
				open[n.Check.Bench]++
			}
		}
		for bench, n := range open {
			if n > 1 || w.s.CareAt(bench) == nil {
				t.Error(fmt.Sprintf("%d things are open at %s", n, bench))
			}
		}
	})
}
