package dashboards

import (
	"bytes"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"witnessmark/dashboards/record"
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// shimProcedure is short: a gap, shims that take it, and shims between two
// sides.
const shimProcedure = `# Invented: for tests only.
procedure: SHIM
revision: A
title: Carrier
unit: Test carrier
steps:
  - {id: gap, title: Gap, kind: measure, what: gap, limits: {high: 5 mm}, tools: [dial_indicator]}
  - id: shims
    title: Carrier shims
    kind: shim
    cautions: [Keep fingers out of the press.]
    what: end play
    target: 0.05 mm
    limits: {low: 0.02 mm, high: 0.08 mm}
    tools: [dial_indicator]
    shims: {from: gap, stock: carrier, pieces: 3, tolerance: 0.005 mm}
  - {id: backlash, title: Backlash before, kind: measure, what: backlash, limits: {high: 1 mm}, tools: [dial_indicator]}
  - id: sides
    title: Backlash shims
    kind: shim
    what: backlash
    target: 0.18 mm
    limits: {low: 0.13 mm, high: 0.23 mm}
    tools: [dial_indicator]
    shims: {from: backlash, stock: carrier, pieces: 2, sides: {left: ring gear side, right: far side, ratio: 0.8, total: 0.02 mm}}
`

func shimRig(t *testing.T) *rig {
	r := newRig(t)
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	shop := testShop()
	shop.Shims = []events.ShimDrawer{{ID: "carrier", Name: "Carrier shims", Low: 2, Pieces: []events.ShimPiece{
		{Thickness: mm(0.10), Count: 4}, {Thickness: mm(0.50), Count: 6}, {Thickness: mm(0.55), Real: mm(0.553), U: mm(0.002), Count: 3},
		{Thickness: mm(0.60), Count: 2}, {Thickness: mm(0.90), Count: 3}, {Thickness: mm(1.10), Count: 3}}}}
	r.ask(events.ShopDescribed{Shop: shop, Hash: "two"})
	r.release(shimProcedure)
	r.ask(events.JobAsked{Ask: r.by("ines"), Job: "S1", UnitSerial: "U-1", Procedure: "SHIM"})
	if status, body := r.post("/who", url.Values{"bench": {"axle"}, "person": {"ines"}}); status != http.StatusOK {
		t.Fatal(status, body)
	}
	return r
}

// has wants texts on a page, in that order.
func has(t *testing.T, page string, texts ...string) {
	t.Helper()
	rest := page
	for _, s := range texts {
		_, after, ok := strings.Cut(rest, s)
		if !ok {
			t.Fatalf("the page does not say %q (in this order) in\n%s", s, page)
		}
		rest = after
	}
}

// The bench page leads through a shim step: proposed, refused without a reason,
// fitted, not as predicted, put right.
func TestShimStepOnTheBenchPage(t *testing.T) {
	r := shimRig(t)
	mm := quantity.Millimetre
	r.read("d3-01", "0.650", mm)
	page := r.page("/bench/axle")
	has(t, page, "Take these", "0.60 mm", "These are in", "Fit 0.60 mm")
	fit := func(left, reason string) (int, pageProblem) {
		return r.do("shimfit", url.Values{"bench": {"axle"}, "job": {"S1"}, "step": {"shims"}, "left": {left}, "words": {reason}})
	}
	if status, a := fit("0.50 mm + 0.10 mm", ""); status != http.StatusConflict || !strings.Contains(a.Text, "not the shims that were proposed") {
		t.Fatal(status, a)
	}
	if status, a := fit("half a millimetre", "because"); status != http.StatusBadRequest {
		t.Fatal(status, a)
	}
	has(t, r.page("/bench/axle/ask/shimfit?step=shims"), "Which shims went in?", `value="0.60 mm"`, "The proposed piece is damaged")
	if status, a := fit("0.50 mm + 0.10 mm", "the 0.60 is scratched"); status != http.StatusOK {
		t.Fatal(status, a)
	}
	has(t, r.page("/bench/axle"), "These are in", "Predicted:", "Now measure again", "Other shims are in now")
	r.read("d3-01", "0.150", mm)
	page = r.page("/bench/axle")
	has(t, page, "0.1 mm more than predicted", "may be missing", "By the new value these would be right", "Not as predicted", "Lead decides")
	if status, a := fit("0.60 mm", "the 0.10 was not in"); status != http.StatusOK {
		t.Fatal(status, a)
	}
	r.read("d3-01", "0.149", mm) // by the value before, 0.15 + 0.60 − 0.60 is predicted
	has(t, r.page("/bench/axle"), "Above the upper limit")
	// The record tells it all, on its page and as text.
	job := r.page("/jobs/S1")
	has(t, job, "Shims by the value of step gap", "Proposed: 0.60 mm", "Fitted otherwise than proposed (the 0.60 is scratched)", "NOT AS PREDICTED", "may be missing", "Fitted otherwise than proposed", "they agree within")
	rec, err := record.Build(t.Context(), r.ledger, "S1")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := rec.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	has(t, b.String(), "Shims by the value of step gap, pieces from drawer carrier", "Fitted otherwise than proposed", "NOT AS PREDICTED")
}

// Two sides: what is in place is asked for first.
func TestShimSidesOnTheBenchPage(t *testing.T) {
	r := shimRig(t)
	mm := quantity.Millimetre
	r.read("d3-01", "0.650", mm)
	r.do("shimfit", url.Values{"bench": {"axle"}, "job": {"S1"}, "step": {"shims"}, "left": {"0.60 mm"}})
	r.read("d3-01", "0.050", mm)
	r.read("d3-01", "0.100", mm)
	has(t, r.page("/bench/axle"), "Tell the shims in place")
	has(t, r.page("/bench/axle/ask/shimfound"), "ring gear side", "far side")
	if status, a := r.do("shimfound", url.Values{"bench": {"axle"}, "job": {"S1"}, "step": {"sides"}, "left": {"1.00 mm"}, "right": {"1.00 mm"}}); status != http.StatusOK {
		t.Fatal(status, a)
	}
	has(t, r.page("/bench/axle"), "ring gear side", "1.10 mm", "far side", "0.90 mm", "These are in")
	if status, a := r.do("shimfit", url.Values{"bench": {"axle"}, "job": {"S1"}, "step": {"sides"}, "left": {"1.10 mm"}, "right": {"0.90 mm"}}); status != http.StatusOK {
		t.Fatal(status, a)
	}
	r.read("d3-01", "0.181", mm)
	has(t, r.page("/bench/axle?step=sides"), "they agree within")
}

// The page of the stock shows what there is, and books what changes.
func TestShimStockPage(t *testing.T) {
	r := shimRig(t)
	has(t, r.page("/shims"), "Carrier shims", "too few below 2", "0.55 mm = 0.553 mm ± 0.002 mm")
	change := func(choice, piece, count, words string) (int, pageProblem) {
		return r.do("shimstock", url.Values{"back": {"shims"}, "drawer": {"carrier"}, "choice": {choice}, "piece": {piece}, "count": {count}, "words": {words}})
	}
	if status, a := change("taken", "0.60 mm", "5", "bent"); status != http.StatusConflict || !strings.Contains(a.Text, "has 2 of 0.60 mm, not 5") {
		t.Fatal(status, a)
	}
	for _, bad := range [][3]string{{"taken", "0.60", "1"}, {"counted", "0.60 mm", "many"}, {"", "0.60 mm", "1"}, {"counted", "", "1"}} {
		if status, a := change(bad[0], bad[1], bad[2], "w"); status != http.StatusBadRequest {
			t.Fatal(bad, status, a)
		}
	}
	if status, a := change("counted", "0.60 mm", "1", ""); status != http.StatusOK {
		t.Fatal(status, a)
	}
	has(t, r.page("/shims"), `data-low="1"`, "0.60 mm", "low", "counted: 2, now 1", "Ines Varga")
	has(t, r.page("/alerts"), "Shims run low")
	if status, a := change("received", "0.75 mm = 0.752 mm", "4", "delivery"); status != http.StatusOK {
		t.Fatal(status, a)
	}
	has(t, r.page("/shims"), "0.75 mm = 0.752 mm", "came in: 0, now 4", "delivery")
}
