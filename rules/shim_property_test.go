package rules

import (
	"bytes"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/shims"
)

// TestShimsHoldTogether tells random requests and values about shims: stock is
// never below zero and pieces are neither made nor lost, a done step agrees
// with its prediction or a lead has accepted it, what is proposed is in the
// drawer or in place, and replay gives the same state.
func TestShimsHoldTogether(t *testing.T) {
	text, err := os.ReadFile("testdata/procedures/shims.yaml")
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		w := &world{t: t, s: New(), at: testStart}
		w.tell(events.ShopDescribed{Shop: shimShop(testShop()), Hash: "1"})
		w.tell(events.ProcedureOffered{Ask: events.Ask{By: "maren", AtUs: w.at}, Text: string(text), Hash: hash(string(text))})
		w.tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: w.at}, Job: "J1", UnitSerial: "U", Procedure: "SHIMS"})
		start := pieceTotal(w.s)
		for range rapid.IntRange(1, 40).Draw(t, "facts") {
			w.shimFact()
			w.checkShims(start)
		}
		again := New()
		for i, d := range w.log {
			Evolve(again, d)
			if i == len(w.log)/2 {
				if again, err = Restore(snap(t, again)); err != nil {
					t.Fatal(err)
				}
			}
		}
		if !bytes.Equal(snap(t, again), snap(t, w.s)) {
			t.Fatal("replay differs")
		}
	})
}

// shimFact draws and tells one fact.
func (w *world) shimFact() {
	t := w.t
	w.at = w.at.Add(time.Second)
	a := events.Ask{By: pick(t, "by", "ines", "maren"), Bench: "axle", AtUs: w.at}
	step := pick(t, "step", "gap", "shims", "shims", "backlash", "sides", "sides")
	reason := pick(t, "reason", "", "r")
	stack := func(label string) []events.ShimPiece {
		var l []shims.Leaf
		for range rapid.IntRange(0, 2).Draw(t, label) {
			th := rapid.SampledFrom([]float64{0.1, 0.5, 0.55, 0.6, 0.9, 1, 1.1}).Draw(t, label+" mm")
			l = append(l, shims.Leaf{Thickness: quantity.Millimetres(th)})
		}
		return piecesOf(l)
	}
	switch rapid.IntRange(0, 9).Draw(t, "do") {
	case 0:
		w.tell(events.ShimStockAsked{Ask: a, Drawer: pick(t, "drawer", "carrier", "empty"), Reason: reason,
			Change: pick(t, "change", events.ShimReceived, events.ShimCounted, events.ShimTaken),
			Piece:  events.ShimPiece{Thickness: quantity.Millimetres(0.1 * float64(rapid.IntRange(0, 12).Draw(t, "mm"))).Value(), Count: rapid.IntRange(-1, 6).Draw(t, "n")}})
	case 1:
		w.tell(events.ShimFoundAsked{Ask: a, Job: "J1", Step: step, Left: stack("left"), Right: stack("right")})
	case 2:
		w.tell(events.ShimFitAsked{Ask: a, Job: "J1", Step: step, Left: stack("left"), Right: stack("right"), Reason: reason})
	case 3, 4: // as proposed
		if j := w.s.Jobs["J1"]; j != nil && j.current() < len(j.Steps) {
			if sh := j.Steps[j.current()].Shim; sh != nil && sh.Proposed != nil {
				w.tell(events.ShimFitAsked{Ask: a, Job: "J1", Step: sh.Proposed.Step, Left: sh.Proposed.Left, Right: sh.Proposed.Right, Reason: reason})
			}
		}
	case 5:
		w.tell(events.ReadingVoidAsked{Ask: a, Reading: w.recent("axle"), Reason: "r"})
	case 6:
		w.tell(events.DecisionAsked{Ask: a, Job: "J1", Step: step, Choice: pick(t, "choice", events.ChoiceAccept, events.ChoiceRedo), Reason: "r"})
	default:
		v := rapid.SampledFrom([]float64{-0.1, 0.03, 0.05, 0.05, 0.1, 0.18, 0.18, 0.65, 0.65, 3}).Draw(t, "value") + float64(rapid.IntRange(-4, 4).Draw(t, "µm"))/1000
		w.tell(events.ReadingTaken{Device: "d3", Tool: "d3", Bench: "axle", Mode: events.ModeSettled, Text: "x", Unit: "mm", Value: quantity.Millimetres(v).Value(), ReceivedAtUs: w.at})
	}
}

// pieceTotal counts the pieces in the drawers.
func pieceTotal(s *State) (n int) {
	for _, d := range s.ShimDrawers() {
		for _, p := range d.Pieces {
			n += p.Count
		}
	}
	return n
}

func (w *world) checkShims(start int) {
	t := w.t
	for _, d := range w.s.ShimDrawers() {
		for _, p := range d.Pieces {
			if p.Count < 0 {
				t.Fatalf("drawer %s has %d of %v", d.ID, p.Count, p.Thickness.Base())
			}
		}
	}
	moved := 0 // by people, and out of the drawers into the unit
	for _, d := range w.log {
		for _, o := range d.Outcomes {
			if c, ok := o.Data.(events.ShimStockChanged); ok {
				moved += c.Piece.Count - c.Was
			}
		}
	}
	if got := pieceTotal(w.s); got != start+moved {
		t.Fatalf("%d pieces in the drawers, %d at first and %d moved", got, start, moved)
	}
	j := w.s.Jobs["J1"]
	for i := range j.Steps {
		st := &j.Steps[i]
		if j.Proc.Steps[i].Shim == nil {
			continue
		}
		if st.Done && !st.Accepted && !st.shimClosed() {
			t.Fatalf("step %s is done on %+v", j.Proc.Steps[i].ID, st.Shim)
		}
		sh := st.Shim
		if sh == nil || sh.Proposed == nil || !sh.Proposed.Fits || sh.Fitted != nil || i != j.current() {
			continue
		}
		have := slices.Clone(w.s.Shims["carrier"])
		if sh.Found != nil {
			have = append(append(have, sh.Found.Left...), sh.Found.Right...)
		}
		want := append(slices.Clone(sh.Proposed.Left), sh.Proposed.Right...)
		for k := range want {
			if countOf(want, &want[k]) > countOf(have, &want[k]) {
				t.Fatalf("%d of %v proposed, %d there", countOf(want, &want[k]), want[k].Thickness.Base(), countOf(have, &want[k]))
			}
		}
	}
}
