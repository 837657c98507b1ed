package dashboards

import (
	"context"
	"math"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"witnessmark/dashboards/record"
	"witnessmark/events"
)

// guidedProcedure is invented: a play, and a run-out.
const guidedProcedure = `# Invented: for tests only.
procedure: RA-210
revision: T
title: "Brackwater RA-210: measuring"
unit: Brackwater RA-210
faces:
  - id: cover
    title: Rear cover
    outlines:
      - {shape: circle, r: 150, style: body}
steps:
  - id: end-play
    title: End play of the pinion
    kind: measure
    face: cover
    text: [Set the indicator along the pinion.]
    cautions: [Keep fingers out of the mesh.]
    what: end play
    target: 0.12 mm
    limits: ± 0.06 mm
    method: end_play
    tools: [dial_indicator]
  - id: run-out
    title: Ring gear run-out
    kind: measure
    face: cover
    text: [Set the indicator square to the back of the ring gear.]
    what: run-out
    limits: {high: 0.08 mm}
    method: run_out
    tools: [dial_indicator]
  - id: final-check
    title: Final check
    kind: attest
    statement: The axle turns evenly both ways.
`

// feed appends blocks of samples, 20 a second in steps of 1 µm, as a course
// of a value in mm gives them; it stands at the end of what it has fed.
func (r *rig) feed(seconds int, course func(s float64) float64) events.Instant {
	r.t.Helper()
	return r.feedFrom(events.InstantOf(r.clock()), seconds, course)
}

// feedFrom goes on with a stream where it had come to, and returns its end.
func (r *rig) feedFrom(start events.Instant, seconds int, course func(s float64) float64) events.Instant {
	r.t.Helper()
	for k := range seconds {
		b := events.SamplesCaptured{Device: "d3-01", Tool: "d3-01", Bench: "axle", Unit: "mm", FirstUs: start.Add(time.Duration(k) * time.Second), Bytes: []byte{0}}
		for i := range 20 {
			s := float64(k) + float64(i)/20
			wobble := 0.0004 * math.Sin(float64(i*7+k*13))
			b.Values = append(b.Values, math.Round((course(s)+wobble)*1000)/1000)
			b.AtUs = append(b.AtUs, int64(i)*50_000)
		}
		at := b.FirstUs.Add(time.Second)
		seqs, err := r.journal.Append(context.Background(), events.Event{Source: events.DeviceSource("d3-01"), Time: at, Subject: "d3-01", Data: b})
		if err != nil {
			r.t.Fatal(err)
		}
		r.inLedger(seqs[0])
	}
	r.mu.Lock()
	r.now = r.now.Add(time.Duration(seconds) * time.Second)
	r.mu.Unlock()
	// A request is decided after the blocks: it waits for them.
	r.ask(events.ShopDescribed{Shop: testShop(), Hash: "test"})
	r.settled()
	return start.Add(time.Duration(seconds) * time.Second)
}

// pushPull rests, is set, and goes to and fro by play.
func pushPull(play float64) func(float64) float64 {
	return func(s float64) float64 {
		if s -= 1; s < 0 {
			return 0.2
		}
		t := math.Mod(s, 4)
		switch {
		case t < 0.5:
			return 3 + play*t/0.5
		case t < 2:
			return 3 + play
		case t < 2.5:
			return 3 + play*(2.5-t)/0.5
		}
		return 3
	}
}

func guidedRig(t *testing.T) *rig {
	r := newRig(t)
	r.ask(events.ShopDescribed{Shop: testShop(), Hash: "test"})
	r.release(guidedProcedure)
	r.ask(events.JobAsked{Ask: r.by("ines"), Job: "J-1", UnitSerial: "RA-0042", Procedure: "RA-210", Revision: "T"})
	return r
}

// A step with a lower limit alone says it, and shows what the indicator says.
func TestLowerLimitAlone(t *testing.T) {
	r := newRig(t)
	r.ask(events.ShopDescribed{Shop: testShop(), Hash: "test"})
	r.release(strings.Replace(guidedProcedure, "    target: 0.12 mm\n    limits: ± 0.06 mm\n    method: end_play\n", "    limits: {low: 0.8 mm}\n    method: clearance\n", 1))
	r.ask(events.JobAsked{Ask: r.by("ines"), Job: "J-1", UnitSerial: "RA-0042", Procedure: "RA-210", Revision: "T"})
	r.feed(3, func(float64) float64 { return 0.25 })
	_, page := r.get("/bench/axle")
	wants(t, "the page", page, "at least 0.800 mm", `data-g="value">0.25`)
	if strings.Contains(page, "NaN") {
		t.Error("the page shows what is no number")
	}
	_, form := r.get("/bench/axle/ask/typed")
	wants(t, "the form", form, "at least 0.800 mm")
}

func TestGuidedBenchPage(t *testing.T) {
	r := guidedRig(t)
	r.post("/who", url.Values{"person": {"ines"}, "bench": {"axle"}})
	_, page := r.get("/bench/axle")
	for _, want := range []string{"Push it to the stop one way", "0 of 5 strokes", "Nothing comes from an indicator yet"} {
		if !strings.Contains(page, want) {
			t.Errorf("before the first sample the page does not say %q", want)
		}
	}
	r.feed(7, pushPull(0.118))
	_, page = r.get("/bench/axle")
	for _, want := range []string{"of 5 strokes", `aria-label="Points taken"`, "stop</span> <b>3.1", "Last one again", `data-g="curve" d="M`} {
		if !strings.Contains(page, want) {
			t.Errorf("in the middle of it the page does not say %q", want)
		}
	}
	r.feed(16, pushPull(0.118))
	_, page = r.get("/bench/axle")
	if !strings.Contains(page, "Ring gear run-out") || !strings.Contains(page, "one whole turn") {
		t.Error("the next measurement is not asked for")
	}
	_, page = r.get("/bench/axle?step=end-play")
	for _, want := range []string{"0.118 <small>mm", "spread of the strokes", "calibration of the tool"} {
		if !strings.Contains(page, want) {
			t.Errorf("the result does not say %q", want)
		}
	}
	// Out of limits: it is measured again once that is asked for.
	r.feed(14, func(s float64) float64 { return 2 + 0.06*math.Cos(2*math.Pi*min(max(s-2, 0), 8)/8-1) })
	_, page = r.get("/bench/axle")
	if !strings.Contains(page, "Measure again") || !strings.Contains(page, "Out of limits") {
		t.Error("a run-out above its limit is not said to be measured again")
	}
	if status, body := r.post("/do/measure", url.Values{"bench": {"axle"}, "job": {"J-1"}, "step": {"run-out"}, "what": {"again"}}); status != 200 {
		t.Fatalf("measure again: %d %s", status, body)
	}
	r.feed(14, func(s float64) float64 { return 2 + 0.02*math.Cos(2*math.Pi*min(max(s-2, 0), 8)/8-1) })
	r.settled()
	rec, err := record.Build(t.Context(), r.ledger, "J-1")
	if err != nil {
		t.Fatal(err)
	}
	if len(rec.Warnings) > 0 {
		t.Errorf("the record warns: %q", rec.Warnings)
	}
	var b strings.Builder
	if err := rec.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(b.String()), " ")
	for _, want := range []string{"judged by the mean", "result 0.118 mm, expanded uncertainty", "run out: no result", "eccentricity 0.02", "full indicator movement", "uncertainty", "point 1 stop"} {
		if !strings.Contains(text, want) {
			t.Errorf("the record does not say %q", want)
		}
	}
	if t.Failed() {
		t.Log(text)
	}
}

// TestGuidedInTheBrowser: the figure and the curve move without a touch, and a
// touch of a button is answered.
func TestGuidedInTheBrowser(t *testing.T) {
	r := guidedRig(t)
	ctx := browse(t)
	do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(r.server.URL+"/bench/axle"))
	seen(t, ctx, "the live stream", `document.getElementById("lamp").dataset.state === "on"`)
	r.feed(3, pushPull(0.118))
	seen(t, ctx, "the live value", `document.querySelector('[data-g="value"]').textContent.startsWith("3.")`)
	picture(t, ctx, "guided", 1280, 800)
	r.feed(4, func(s float64) float64 { return pushPull(0.118)(s + 3) })
	seen(t, ctx, "points", `document.querySelectorAll(".guide-points li").length > 0`)
	picture(t, ctx, "guided-points", 1920, 1080)
	picture(t, ctx, "guided-points", 1280, 800)
	picture(t, ctx, "guided-points", 800, 1200)
	r.feed(16, func(s float64) float64 { return 3 + 0.3*math.Sin(5*s) })
	seen(t, ctx, "the trouble", `document.querySelector(".guide").textContent.includes("does not come to rest")`)
	picture(t, ctx, "guided-trouble", 1280, 800)
	r.feed(24, pushPull(0.118))
	seen(t, ctx, "the next step", `document.getElementById("state").dataset.step === "run-out"`)
	do(t, ctx, chromedp.Navigate(r.server.URL+"/bench/axle?step=end-play"))
	picture(t, ctx, "guided-result", 1280, 800)
	do(t, ctx, chromedp.Navigate(r.server.URL+"/bench/axle"))
	turn := func(s float64) float64 { return 2 + 0.06*math.Cos(2*math.Pi*min(max(s-2, 0), 8)/8-1) }
	end := r.feed(8, turn)
	seen(t, ctx, "what to do while it turns", `document.querySelector(".guide .where").textContent.includes("one whole turn")`)
	picture(t, ctx, "guided-turn", 1280, 800)
	r.feedFrom(end, 6, func(s float64) float64 { return turn(s + 8) })
	seen(t, ctx, "a result out of limits", `document.querySelector(".guide-result[data-verdict=high]")`)
	picture(t, ctx, "guided-run-out", 1280, 800)
}
