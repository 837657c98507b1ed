package rules

import (
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Play is measured under guidance before and after shims: the uncertainty of
// the guided result goes into the prediction, and the step waits for the shims
// before it measures.
func TestGuidedPlayChoosesShims(t *testing.T) {
	c := newGuided(t, "    method: end_play\n    limits: {high: 5 mm}\n    tools: [dial_indicator]\n")
	shop := shimShop(testShop())
	c.tell(events.ShopDescribed{Shop: shop, Hash: "shims"})
	text := strings.Replace(guidedStepText("    method: end_play\n    limits: {high: 5 mm}\n    tools: [dial_indicator]\n"), "GUIDED", "GUIDED-SHIMS", 1)
	text = strings.Replace(text, "  - id: after\n", `  - id: s
    title: Shims
    kind: shim
    what: end play
    method: end_play
    target: 0.05 mm
    limits: {low: 0.02 mm, high: 0.08 mm}
    tools: [dial_indicator]
    shims: {from: m, stock: carrier, pieces: 3, tolerance: 0.004 mm}
  - id: after
`, 1)
	c.tell(events.AbandonAsked{Ask: events.Ask{By: "maren"}, Job: "J", Reason: "another"})
	c.tell(events.ProcedureOffered{Ask: events.Ask{By: "maren"}, Text: text, Hash: hash(text)})
	c.tell(events.JobAsked{Ask: events.Ask{By: "ines", Bench: "axle"}, Job: "J2", UnitSerial: "1", Procedure: "GUIDED-SHIMS"})
	c.job = "J2"
	measure := func(play float64) []events.OutcomeData { return c.feed(25, rockFrom(2, play)) }
	all := measure(0.65)
	made, ok := find[events.MeasurementMade](all)
	if !ok {
		t.Fatalf("no result of the play: %+v", c.s.Jobs["J2"].Steps[0].Guided)
	}
	prop, ok := find[events.ShimProposed](all)
	if !ok || !prop.Fits || marks(prop.Left, nil) != "0.60" || prop.MeasuredU != made.U || !(prop.U.Base() > made.U.Base()) {
		t.Fatalf("proposed %+v of %+v", prop, made)
	}
	if all := measure(0.05); len(all) != 0 {
		t.Errorf("measured before the shims are in: %+v", all)
	}
	c.tell(events.ShimFitAsked{Ask: events.Ask{By: "ines", Bench: "axle"}, Job: "J2", Step: "s", Left: prop.Left})
	if _, _, ok := c.s.GuidedAsk(c.s.Jobs["J2"]); !ok {
		t.Fatal("nothing is asked for after the fit")
	}
	all = measure(0.15)
	check, ok := find[events.ShimChecked](all)
	if !ok || check.Agrees || !c.s.Jobs["J2"].Steps[1].begun() || c.s.Jobs["J2"].Steps[1].Done {
		t.Fatalf("checked %+v", check)
	}
	c.at = c.at.Add(1e9)
	c.tell(events.MeasureAsked{Ask: events.Ask{By: "ines", Bench: "axle", AtUs: c.at}, Job: "J2", Step: "s", Do: events.MeasureAgain})
	all = measure(0.05)
	if check, ok = find[events.ShimChecked](all); !ok || !check.Agrees || !c.s.Jobs["J2"].Steps[1].Done {
		t.Fatalf("checked %+v: %+v", check, c.s.Jobs["J2"].Steps[1].Guided)
	}
	if _, is := check.Measured.Length(); !is || quantity.DimLength != check.Measured.Dimension() {
		t.Errorf("measured %+v", check.Measured)
	}
}
