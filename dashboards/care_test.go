package dashboards

import (
	"encoding/json"
	"html"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// careShop is testShop with a bench reference, a metrologist and a class for
// the wrench.
func careShop() events.Shop {
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	s := testShop()
	s.People = append(s.People, events.Person{ID: "petra", Name: "Petra Lind", Role: events.RoleMetrology})
	s.Tools[0].Class, s.Tools[0].Resolution = "I C", nm(0.1)
	s.Tools = append(s.Tools, events.Tool{ID: "b1-01", Name: "Orrin B1 bench tester", Kind: events.ToolTorqueTester, Serial: "B1-0038", Least: nm(2), Most: nm(400),
		URel: 0.004, Resolution: nm(0.01), Reference: true, Certificate: "TR-2210", Calibrated: "2026-09-28", Due: "2027-09-28"})
	s.Devices = append(s.Devices, events.Device{ID: "b1-01", Tool: "b1-01", Bench: "axle", Profile: "orrin-k2", Port: "/dev/ttyUSB3"})
	return s
}

func wants(t *testing.T, what, body string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(html.UnescapeString(body), w) {
			t.Errorf("%s does not say %q", what, w)
		}
	}
}

// A quick check from the page: begun, three pairs of readings, judged.
func TestCheckFromThePage(t *testing.T) {
	r := newRig(t)
	r.ask(events.ShopDescribed{Shop: careShop(), Hash: "care"})
	r.post("/who", url.Values{"person": {"ines"}, "bench": {"axle"}})
	_, form := r.get("/bench/axle/ask/check")
	wants(t, "the form", form, "Orrin K2 no. 7", "Orrin B1 bench tester", "certificate TR-2210")
	if status, body := r.post("/do/check", url.Values{"bench": {"axle"}, "tool": {"k2-07"}, "reference": {"b1-01"}, "point": {"100 N·m"}}); status != 200 {
		t.Fatalf("check: %d %s", status, body)
	}
	_, page := r.get("/bench/axle")
	wants(t, "the page", page, "Quick check: Orrin K2 no. 7 on Orrin B1 bench tester", "Pull to 100.0 N·m, clockwise", "Reading 1 of 3 at 100.0 N·m, clockwise; 1 of 3 in all")
	r.pull("100.6")
	_, page = r.get("/bench/axle")
	wants(t, "the page", page, "Waiting for Orrin B1 bench tester", "Orrin K2 no. 7 says 100.6")
	r.pull("100.7")
	_, page = r.get("/bench/axle")
	wants(t, "the page", page, "Not taken:", "a second reading of Orrin K2 no. 7")
	r.read("b1-01", "100.0", quantity.NewtonMetre)
	_, page = r.get("/bench/axle")
	wants(t, "the page", page, "Last: <b>100.6", "+0.60 %")
	for range 2 {
		r.read("b1-01", "100.0", quantity.NewtonMetre)
		r.pull("100.5")
	}
	_, page = r.get("/bench/axle")
	if strings.Contains(page, `id="care"`) {
		t.Error("the check is still on the page after its last pull")
	}
	r.settled()
	if checks, err := r.ledger.ChecksOf(t.Context(), "k2-07"); err != nil || len(checks) != 1 || checks[0].Standing != events.StandingGood || len(checks[0].Deviations) != 3 {
		t.Errorf("the ledger has %+v, %v", checks, err)
	}
}

// A calibration from the page, with typed pairs, taken back and judged.
func TestCalibrationFromThePage(t *testing.T) {
	r := newRig(t)
	r.ask(events.ShopDescribed{Shop: careShop(), Hash: "care"})
	r.post("/who", url.Values{"person": {"petra"}, "bench": {"axle"}})
	_, page := r.get("/bench/axle")
	wants(t, "the page of a metrologist", page, "Calibrate a tool")
	if status, body := r.post("/do/calibrate", url.Values{"bench": {"axle"}, "tool": {"k2-07"}, "reference": {"b1-01"}, "choice": {"found"}, "rule": {"guard"}}); status != 200 {
		t.Fatalf("calibrate: %d %s", status, body)
	}
	_, page = r.get("/bench/axle")
	wants(t, "the page", page, "Calibration as found: Orrin K2 no. 7 against Orrin B1 bench tester", "Preload: pull to 200.0 N·m, clockwise", "1 of 16 in all")
	pair := func(tool, ref string, want int) {
		t.Helper()
		if status, body := r.post("/do/pair", url.Values{"bench": {"axle"}, "tool_value": {tool}, "reference_value": {ref}}); status != want {
			t.Errorf("pair %s %s: %d %s", tool, ref, status, body)
		}
	}
	pair("200 N·m", "147.5 lbf·ft", 409) // mixed units
	pair("200", "200", 400)
	pair("200 N·m", "200 N·m", 200)
	for _, p := range []string{"10", "120", "200"} {
		for range 5 {
			pair(p+".1 N·m", p+" N·m", 200)
		}
	}
	_, page = r.get("/bench/axle")
	wants(t, "the page", page, "All readings are taken", "Judge it")
	if status, _ := r.post("/do/calundo", url.Values{"bench": {"axle"}}); status != 200 {
		t.Errorf("take back: %d", status)
	}
	_, page = r.get("/bench/axle")
	wants(t, "the page", page, "Reading 5 of 5 at 200.0 N·m, clockwise; 16 of 16 in all")
	pair("200.1 N·m", "200 N·m", 200)
	if status, body := r.post("/do/calclose", url.Values{"bench": {"axle"}, "interface": {"0.1 %"}}); status != 200 {
		t.Fatalf("judge: %d %s", status, body)
	}
	r.settled()
	cs, err := r.ledger.CalibrationsOf(t.Context(), "k2-07")
	if err != nil || len(cs) != 1 || cs[0].Standing != events.StandingGood || cs[0].Due != "2027-11-25" || len(cs[0].Results) != 3 || len(cs[0].Results[0].Budget) == 0 {
		t.Errorf("the ledger has %+v, %v", cs, err)
	}
	_, text := r.get("/api/tools")
	var got struct{ Tools []ToolNow }
	if err := json.Unmarshal([]byte(text), &got); err != nil || len(got.Tools) != 3 || got.Tools[0].Until != "2027-11-25" || got.Tools[0].Refused != "" {
		t.Errorf("GET /api/tools: %v %s", err, text)
	}
}

// A refused tool is on the page before anybody pulls; a lead lets it be used.
func TestRefusedToolOnThePage(t *testing.T) {
	r := newRig(t)
	r.open()
	r.ask(events.ToolMoveAsked{Ask: r.by("maren"), Tool: "k2-07", State: events.ToolQuarantined, Reason: "fell from the bench"})
	_, page := r.get("/bench/axle")
	wants(t, "the page", page, "Do not use Orrin K2 no. 7: it is in quarantine: fell from the bench.", "A lead lets it be used")
	b := tab{t, browse(t)}
	b.do(chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.server.URL+"/bench/axle"))
	b.see("a warning sign, not a page of it", `document.querySelector(".refused > svg").getBoundingClientRect().width <= 64`)
	_, form := r.get("/bench/axle/ask/override?tool=k2-07")
	wants(t, "the form", form, "This is a deviation", "Orrin K2 no. 7")
	r.post("/who", url.Values{"person": {"ines"}, "bench": {"axle"}})
	if status, _ := r.post("/do/override", url.Values{"bench": {"axle"}, "job": {"J-1"}, "tool": {"k2-07"}, "reason": {"No other tool here has the range"}}); status != 409 {
		t.Errorf("a technician overrides: %d", status)
	}
	if status, body := r.post("/do/override", url.Values{"bench": {"axle"}, "job": {"J-1"}, "tool": {"k2-07"}, "by": {"maren"}, "reason": {"No other tool here has the range"}}); status != 200 {
		t.Errorf("a lead overrides: %d %s", status, body)
	}
	_, page = r.get("/bench/axle")
	if strings.Contains(page, "Do not use") {
		t.Error("the page still refuses the tool")
	}
	r.settled()
	_, page = r.get("/jobs/J-1")
	wants(t, "the record", page, "was used for this job although it is in quarantine: fell from the bench", "Maren Holt")
}

// The card can be read at two metres, and its buttons pressed with gloves.
func TestCareCardLooks(t *testing.T) {
	r := newRig(t)
	r.ask(events.ShopDescribed{Shop: careShop(), Hash: "care"})
	r.post("/who", url.Values{"person": {"petra"}, "bench": {"axle"}})
	r.ask(events.CalibrationAsked{Ask: r.by("petra"), Tool: "k2-07", Reference: "b1-01", Phase: events.PhaseFound})
	r.pull("199.5")
	r.read("b1-01", "199.1", quantity.NewtonMetre)
	r.pull("60.0")
	b := tab{t, browse(t)}
	for _, size := range screens[:2] {
		b.do(chromedp.EmulateViewport(size[0], size[1]), chromedp.Navigate(r.server.URL+"/bench/axle"))
		b.see("the card", `document.getElementById("care") !== null`)
		b.see("large type", `parseFloat(getComputedStyle(document.querySelector("#care .where")).fontSize) >= 24`)
		b.see("buttons for gloves", `[...document.querySelectorAll("#care .acts .btn, #care .acts button")].every(e => e.getBoundingClientRect().height >= 64)`)
		b.see("the card on the screen", `document.getElementById("care").getBoundingClientRect().bottom <= innerHeight`)
	}
	b.pictures("care")
}
