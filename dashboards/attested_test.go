package dashboards

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"witnessmark/events"
	"witnessmark/rules"
)

// asksProcedure is invented: it asks for a mark, the way a ring faces, two
// rings that stop, and sealant; it leaves a dowel in and has a hold point.
const asksProcedure = `procedure: U6
revision: T
title: "Ullock U6: case"
unit: Ullock U6
faces:
  - {id: case, title: Case, outlines: [{shape: circle, r: 120, style: body}]}
  - {id: out, title: Sharp edge out, outlines: [{shape: rectangle, width: 60, height: 20, style: body}, {shape: polygon, style: mark, points: [{x: -30, y: 10}, {x: 30, y: 10}, {x: 30, y: 4}]}]}
  - {id: in, title: Sharp edge in, outlines: [{shape: rectangle, width: 60, height: 20, style: body}, {shape: polygon, style: mark, points: [{x: -30, y: -10}, {x: 30, y: -10}, {x: 30, y: -4}]}]}
steps:
  - id: strip
    title: Tear-down
    kind: attest
    statement: The hub is marked and off, the dowel is in.
    marks: [{id: hub, what: paint mark on the hub}]
    opens: [{id: dowel, what: Temporary dowel in the lower hole, closes: {attest: The dowel is out, by: second_person}}]
  - id: build
    title: Hub and rings
    kind: attest
    text: [Hub on, rings on, snap ring on.]
    statement: All of it sits.
    hold: second_person
    matches: [hub]
    facing:
      - {id: ring, what: snap ring, right: {text: Sharp edge away from the gear, face: out}, wrong: [{text: Sharp edge towards the gear, face: in}], todo: Take it off and turn it over}
    stops: {what: ring of gear, rings: [first, third], travel: {spread: 2°}}
  - id: case
    title: Case
    kind: torque
    face: case
    class: C
    fasteners: [{ring: {count: 4, diameter: 200}, head: 16}]
    order: cross
    passes: [{name: final, target: 50 N·m, limits: ± 10 %}]
    hardens: [dowel]
    covers: [build]
    apply: [{id: bead, kind: sealant, what: face sealant, where: inside the bolt holes, never: [bearing bores, oil ways], open: 10 min}]
`

func (r *rig) openAsks() {
	r.t.Helper()
	shop := testShop()
	shop.People[1].Badge, shop.People[1].Code = "FD-0412", "tr"
	r.ask(events.ShopDescribed{Shop: shop, Hash: "badges"})
	r.release(asksProcedure)
	r.ask(events.JobAsked{Ask: r.by("ines"), Job: "J-1", UnitSerial: "U6-0042", Procedure: "U6"})
}

// wayKey is the key under which job J-1 offers the snap ring's right way.
func (r *rig) wayKey(right bool) string {
	j := r.job()
	step, _ := j.Proc.Step("build")
	at := slices.Index(rules.Offered("J-1", "build", step.Item("ring")), 0)
	if !right {
		at = 1 - at
	}
	return strconv.Itoa(at + 1)
}

func TestWhatAStepAsks(t *testing.T) {
	r := newRig(t)
	r.openAsks()
	r.sign("ines")
	has := func(path string, words ...string) {
		t.Helper()
		status, body := r.get(path)
		for _, w := range words {
			if status != http.StatusOK || !strings.Contains(body, w) {
				t.Errorf("%s: status %d, no %q in\n%s", path, status, w, body)
			}
		}
	}
	form := func(kv ...string) url.Values {
		v := url.Values{"bench": {"axle"}, "job": {"J-1"}}
		for i := 0; i < len(kv); i += 2 {
			v.Add(kv[i], kv[i+1])
		}
		return v
	}
	do := func(path string, want int, v url.Values, words ...string) {
		t.Helper()
		status, body := r.post(path, v)
		if status != want {
			t.Errorf("%s %v: status %d, want %d\n%s", path, v, status, want, body)
		}
		for _, w := range words {
			if !strings.Contains(body, w) {
				t.Errorf("%s %v: no %q in\n%s", path, v, w, body)
			}
		}
	}
	ok := func(path string, v url.Values, words ...string) { t.Helper(); do(path, http.StatusOK, v, words...) }

	has("/bench/axle", "0 loose ends", "Where is it: paint mark on the hub", `data-kind="answer"`)
	has("/bench/axle/ask/item?step=strip&item=hub", "half past", `value="12"`)
	do("/do/item", http.StatusConflict, form("step", "strip", "item", "hub", "answer", "13"), "is no clock position", "Give 1 to 12")
	do("/do/item", http.StatusBadRequest, form("step", "strip"), "The question is missing")
	do("/do/confirm", http.StatusConflict, form("step", "strip"), "not answered yet")
	ok("/do/item", form("step", "strip", "item", "hub", "answer", "7", "half", "1"), "at 7:30 o&#39;clock")
	ok("/do/confirm", form("step", "strip"), "1 loose end", "Temporary dowel", `data-open="1"`)
	has("/bench/axle/ask/loose", "The dowel is out", "Tomas Reed", "Maren Holt")
	do("/do/looseclose", http.StatusConflict, form("loose_end", "dowel", "answer", "out"), "somebody else has to see")
	do("/do/looseclose", http.StatusBadRequest, form("loose_end", "dowel", "by", "tomas"), "Say what was done")
	ok("/do/looseopen", form("what", "rag in the sump", "choice", "anyone"), "2 loose ends")

	has("/bench/axle/ask/item?step=build&item=hub", "It was marked at 7:30 o'clock", "Ines Varga")
	ok("/do/item", form("step", "build", "item", "hub", "answer", "7"), "was marked at 7:30", "/ask/finding?alert=")
	has("/bench/axle/ask/finding?alert="+r.alert(events.AlertOrientation).Alert, "Put it right", "Leave it as it is", `value="build/hub" selected`)
	ok("/do/item", form("step", "build", "item", "hub", "answer", "7", "half", "1"))
	has("/bench/axle/ask/item?step=build&item=ring", "Sharp edge away from the gear", "Sharp edge towards the gear", "<svg")
	ok("/do/item", form("step", "build", "item", "ring", "answer", r.wayKey(false)), "wrong way round", "turn it over")
	ok("/do/item", form("step", "build", "item", "ring", "answer", r.wayKey(true)))
	do("/do/item", http.StatusConflict, form("step", "build", "item", "first", "answer", "stops"), "both ways have to be answered")
	do("/do/item", http.StatusBadRequest, form("step", "build", "item", "first", "answer", "stops", "other", "stops", "travel", "two"), "cannot be read")
	ok("/do/item", form("step", "build", "item", "first", "answer", "stops", "other", "stops", "travel", "3.5 °"))
	ok("/do/item", form("step", "build", "item", "third", "answer", "stops", "other", "stops", "travel", "6.0 °"), "differs between the rings")
	ok("/do/finding", form("place", "build/first", "choice", "accept", "reason", "Within what the maker allows", "by", "maren"))
	ok("/do/confirm", form("step", "build"), "Release the hold point", "a second person looks at it")
	has("/bench/axle/ask/hold?step=build", "Tomas Reed", "Maren Holt", "done by Ines Varga")
	do("/do/hold", http.StatusConflict, form("step", "build"), "nobody releases his own work")
	ok("/do/hold", form("step", "build", "by", "tomas", "note", "looked at it"))

	has("/bench/axle?step=case", "Before this step:", "Temporary dowel in the lower hole is still open")
	has("/bench/axle/ask/item?step=case&item=bead", "Here, never", "oil ways", "Open for 10 min")
	r.pull("50.0")
	has("/bench/axle", "Still open: Temporary dowel", "not answered: applied: face sealant")
	ok("/do/looseclose", form("loose_end", "dowel", "answer", "seen, out", "by", "tomas"), "1 loose end")
	ok("/do/item", form("step", "case", "item", "bead", "ago", "60"), "Close the joint by")
	r.pull("50.1")
	r.pull("50.2")
	r.pull("49.9")
	r.settled()

	do("/who", http.StatusConflict, form("badge", "FD-9999"), "Nobody in this shop has the badge")
	ok("/who", form("badge", " FD-0412 "), "Tomas Reed")
	if got := r.job().Technician; got != "tomas" {
		t.Errorf("the bench is %q's after the badge, want tomas", got)
	}
	for id, e := range map[string]bool{"dowel": true} {
		j := r.job()
		if i := slices.IndexFunc(j.LooseEnds, func(x rules.LooseEnd) bool { return x.LooseEnd == id }); j.LooseEnds[i].Closed != e {
			t.Errorf("loose end %s closed: %v", id, !e)
		}
	}
}

// TestScanPressesNoKeys: a scanner types as a keyboard does. Its line says who
// works here, and presses none of the page's keys.
func TestScanPressesNoKeys(t *testing.T) {
	r := newRig(t)
	r.openAsks()
	b := atBench(t, r)
	eval[bool](t, b.ctx, `[..."FD-0412", "Enter"].every(k => { document.body.dispatchEvent(new KeyboardEvent("keydown", { key: k, bubbles: true, cancelable: true })); return true })`)
	b.see("his name", `document.querySelector(".top .btn").textContent.includes("Tomas Reed")`)
	b.see("no dialog", `!document.getElementById("dialog").open`)
	b.see("the stream", live)
	b.keys("q")
	b.see("the clock", `document.querySelectorAll("#dialog .clock button").length === 12`)
	b.see("buttons for gloves", `[...document.querySelectorAll("#dialog .clock button")].every(e => e.getBoundingClientRect().height >= 64)`)
	b.pictures("clock")
	b.do(chromedp.Click(chromedp.CSS(`#dialog .clock .h4`)))
	b.see("the answer", `document.querySelector('.item[data-state="good"]')`)
	b.see("the dialog to be closed", `!document.getElementById("dialog").open`)
	b.keys("l")
	b.see("no loose ends", `document.getElementById("dialog").textContent.includes("Nothing is open")`)
}
