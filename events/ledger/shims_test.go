package ledger

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// shims adds a shim step to job j-3: one piece was in, another goes in, and
// the end play is measured again. All of it is invented.
func (s *script) shims() {
	desk := func(at events.Instant, d events.Data) uint64 { return s.add(events.SourceDesk, at, d) }
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	was := []events.ShimPiece{{Thickness: mm(0.5), Count: 1}}
	in := []events.ShimPiece{{Thickness: mm(0.55), Real: mm(0.551), U: mm(0.002), Count: 1}}
	a := desk(minute(71), events.ShimStockAsked{Ask: ask("maren", "", minute(71)), Drawer: "carrier", Change: events.ShimReceived, Piece: events.ShimPiece{Thickness: mm(0.55), Real: mm(0.551), U: mm(0.002), Count: 10}, Reason: "delivery"})
	s.decide(a, minute(71), events.ShimStockChanged{Drawer: "carrier", Piece: events.ShimPiece{Thickness: mm(0.55), Real: mm(0.551), U: mm(0.002), Count: 12}, Was: 2, Change: events.ShimReceived, By: "maren", Reason: "delivery", AtUs: minute(71)})
	a = desk(minute(72), events.ShimFoundAsked{Ask: ask("ines", "axle", minute(72)), Job: "j-3", Step: "shims", Left: was})
	s.decide(a, minute(72), events.ShimFound{Job: "j-3", Step: "shims", Left: was, By: "ines", AtUs: minute(72)},
		events.ShimProposed{Job: "j-3", Step: "shims", Reading: 7, Measured: mm(0.1), MeasuredU: mm(0.003), Fits: true, Need: mm(0.55), Left: in,
			Predicted: mm(0.049), U: mm(0.005), Text: "0.55 mm", Todo: "measure again", AtUs: minute(72)})
	a = desk(minute(73), events.ShimFitAsked{Ask: ask("ines", "axle", minute(73)), Job: "j-3", Step: "shims", Left: in})
	s.decide(a, minute(73), events.ShimStockChanged{Drawer: "carrier", Piece: events.ShimPiece{Thickness: mm(0.55), Real: mm(0.551), U: mm(0.002), Count: 11}, Was: 12, Change: events.ShimFitting, Job: "j-3", Step: "shims", By: "ines", AtUs: minute(73)},
		events.ShimFitted{Job: "j-3", Step: "shims", Left: in, Predicted: mm(0.049), U: mm(0.005), AsProposed: true, Text: "0.55 mm is in", By: "ines", AtUs: minute(73)},
		events.ShimChecked{Job: "j-3", Step: "shims", Reading: 8, Measured: mm(0.05), Predicted: mm(0.049), Difference: mm(0.001), Allowed: mm(0.006), En: 0.17, Agrees: true, Text: "they agree", AtUs: minute(73)})
}

// TestEveryShimFieldComesBack is TestEveryFieldComesBack for shims.
func TestEveryShimFieldComesBack(t *testing.T) {
	stock := filled[events.ShimStockChanged](1)
	found := filled[events.ShimFound](2)
	proposed := filled[events.ShimProposed](3)
	fitted := filled[events.ShimFitted](4)
	checked := filled[events.ShimChecked](5)
	proposed.Job, fitted.Job, checked.Job = found.Job, found.Job, found.Job

	s := new(script)
	s.decide(1, minute(2), stock, found, proposed, fitted, checked)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()

	check := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	check("stock", stock, must(l.ShimStockChanges(ctx, stock.Drawer, 0))(t)[0].ShimStockChanged)
	if other := must(l.ShimStockChanges(ctx, "another", 1))(t); len(other) != 0 {
		t.Errorf("another drawer has %d changes", len(other))
	}
	steps := must(l.ShimStepsOf(ctx, found.Job))(t)
	if len(steps) != 4 {
		t.Fatalf("%d things at the shim step, want 4", len(steps))
	}
	check("found", found, *steps[0].Found)
	check("proposed", proposed, *steps[1].Proposed)
	check("fitted", fitted, *steps[2].Fitted)
	check("checked", checked, *steps[3].Checked)
}
