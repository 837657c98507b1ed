package dashboards

import (
	"context"
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"witnessmark/events"
)

// atBench opens the axle bench in a browser, with Ines working there.
func atBench(t *testing.T, r *rig) tab {
	t.Helper()
	b := tab{t, browse(t)}
	b.do(chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(r.server.URL+"/bench/axle"))
	b.see("the question who works here", `document.querySelector('.who button[value="ines"]')`)
	b.see("that sound is off", `!document.getElementById("sound").hidden`)
	picture(t, b.ctx, "who", 1920, 1080)
	b.do(chromedp.Click(chromedp.CSS(`.who button[value="ines"]`)))
	b.see("her name", `document.querySelector(".top .btn").textContent.includes("Ines Varga")`)
	b.see("the stream", live)
	return b
}

// tab is a page in a browser.
type tab struct {
	t   *testing.T
	ctx context.Context
}

func (b tab) do(steps ...chromedp.Action[chromedp.Void]) { b.t.Helper(); do(b.t, b.ctx, steps...) }

func (b tab) see(what, js string) { b.t.Helper(); seen(b.t, b.ctx, what, js) }

// keys presses them one by one.
func (b tab) keys(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		b.do(chromedp.KeyEvent(k))
	}
}

// pictures keeps the page as it is on four screens.
func (b tab) pictures(name string) {
	b.t.Helper()
	for _, size := range screens {
		picture(b.t, b.ctx, name, size[0], size[1])
	}
	b.do(chromedp.EmulateViewport(1920, 1080))
}

// screens: at the wall, a laptop, a tablet upright, a laptop at 200 % zoom.
var screens = [][2]int64{{1920, 1080}, {1280, 800}, {800, 1280}, {640, 400}}

const (
	live  = `document.getElementById("lamp").dataset.state === "on"`
	alert = `document.querySelector('.alert[data-kind="high"]')`
)

func bolt(id, look string) string {
	return fmt.Sprintf(`document.querySelector('.face .bolt[data-id="%s"]').dataset.look === %q`, id, look)
}

func TestAlertStaysUntilSettled(t *testing.T) {
	r := newRig(t)
	r.open()
	b := atBench(t, r)
	for _, v := range []string{"24.8", "25.3", "18.1"} {
		r.pull(v)
	}
	b.see("the low one", bolt("2", "low"))
	b.see("its figure in large type", `document.querySelector("#last .value").textContent.includes("18.1")`)
	b.see("the verdict in words", `document.querySelector("#last .verdict").textContent.includes("Low: pull again")`)
	b.pictures("low")
	for _, v := range []string{"24.9", "25.0", "26.1", "25.2", "44.1", "45.9", "45.2"} {
		r.pull(v)
	}
	b.see("the witnessed one", bolt("2", "witnessed"))
	b.pictures("final")
	r.pull("51.2")
	b.see("the alert", alert+`?.dataset.state === "raised"`)
	b.see("the high one", bolt("5", "high"))
	b.see("the alert to be told aloud", `document.getElementById("shout").textContent.includes("What to do")`)
	b.see("one alert that wants to sound", `document.body.dataset.loud === "1"`)
	b.keys("s")
	b.see("the sound to be on", `document.body.dataset.sound === "on" && document.getElementById("sound").hidden`)
	b.pictures("high")
	b.do(chromedp.Reload())
	b.see("the alert after a reload", alert+`?.dataset.state === "raised"`)
	b.keys("a")
	b.see("the alert to be seen, still there", alert+`?.dataset.state === "seen"`)
	b.see("silence", `document.body.dataset.loud === "0"`)
	b.see("who has seen it", alert+`.textContent.includes("Ines Varga")`)

	b.keys("d")
	b.see("the dialog", `document.getElementById("dialog").open && document.querySelector('#dialog input[value="redo"]')`)
	b.pictures("dialog")
	b.do(chromedp.Click(chromedp.CSS(`#dialog input[value="redo"]`)), chromedp.Click(chromedp.CSS(`#dialog input[name="reason"]`)),
		chromedp.Click(chromedp.CSS(`#dialog input[name="by"][value="maren"]`)), chromedp.Click(chromedp.CSS(`#dialog form button`)))
	b.see("the alert to be gone", "!"+alert)
	b.see("the one to be done again", bolt("5", "disturbed"))
	b.see("the dialog to be closed", `!document.getElementById("dialog").open`)
}

func TestKeysAndFingers(t *testing.T) {
	r := newRig(t)
	r.open()
	b := atBench(t, r)
	b.keys(kb.ArrowRight)
	b.see("the next fastener in focus", `document.activeElement.dataset?.id === "1"`)
	b.keys(kb.ArrowRight, kb.Enter)
	b.see("what was pointed at", `document.querySelector("#next").textContent.includes("Fastener 2")`)
	b.do(chromedp.Click(chromedp.CSS(`.face .bolt[data-id="6"] .hex`)))
	b.see("what was tapped", `document.querySelector("#next").textContent.includes("Fastener 6")`)
	b.see("the collar there", `document.querySelector('.face .bolt[data-id="6"]').dataset.next === "1"`)
	r.pull("25.0")
	b.see("the grade", `document.querySelector('.face .bolt[data-id="6"]').dataset.grade === "placed"`)

	b.keys("r")
	b.see("what is open", `document.getElementById("dialog").open && document.getElementById("dialog").textContent.includes("not measured")`)
	b.do(chromedp.Click(chromedp.CSS(`#dialog input[name="by"][value="maren"]`)), chromedp.Click(chromedp.CSS(`#dialog form button`)))
	b.see("why the release is refused, and what to do", `(b => b && !b.hidden && b.textContent.includes("Not done") && b.textContent.includes("What to do"))(document.querySelector("#dialog [data-refused]"))`)
	b.keys(kb.Escape)
	b.see("the dialog to be closed", `!document.getElementById("dialog").open`)
	b.keys("v")
	b.see("the reading that may be a mistake", `document.getElementById("dialog").open && document.getElementById("dialog").textContent.includes("25.0 N·m")`)
}

func TestReconnects(t *testing.T) {
	r := newRig(t)
	r.open()
	b := atBench(t, r)
	r.pull("25.0")
	b.see("the first", bolt("1", "part"))
	r.server.CloseClientConnections()
	r.pull("25.1") // while nobody listens
	b.see("the second", bolt("4", "part"))
	b.see("the stream again", live)
	r.pull("25.2")
	b.see("the third", bolt("2", "part"))
	r.pages.hub.reset() // the pages fell behind: everybody begins anew
	r.pull("25.3")
	b.see("the fourth", bolt("5", "part"))
}

// Gloves need targets of 64 pixels; at 200 % zoom, which is half the width,
// nothing may stick out sideways.
func TestSizes(t *testing.T) {
	r := newRig(t)
	r.open()
	r.pull("33.0")
	b := atBench(t, r)
	ctx := b.ctx
	for _, size := range screens {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		b.see("the page", live)
		small := eval[[]string](t, ctx, `[...document.querySelectorAll("#live button, #live .btn, .steps a")].filter(e => e.offsetParent && (e.getBoundingClientRect().height < 63.5 || e.getBoundingClientRect().width < 63.5)).map(e => e.textContent.trim())`)
		if len(small) > 0 {
			t.Errorf("%v: smaller than 64 pixels: %q", size, small)
		}
		if wide := eval[float64](t, ctx, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
			t.Errorf("%v: sticks out by %v pixels", size, wide)
		}
	}
	b.do(chromedp.EmulateViewport(1920, 1080))
	if px := eval[float64](t, ctx, `parseFloat(getComputedStyle(document.querySelector("#last .value")).fontSize)`); px < 120 {
		t.Errorf("last figure at %v pixels, want at least 120 at 1920x1080", px)
	}
	if fits := eval[bool](t, ctx, `document.documentElement.scrollHeight <= innerHeight`); !fits {
		t.Error("the bench does not fit on its screen at 1920x1080")
	}
}

func TestOtherPagesInBrowser(t *testing.T) {
	r := newRig(t)
	r.open()
	r.pull("24.8")
	r.pull("33.0")
	r.fact("k2-07", events.FrameRefused{Device: "k2-07", Tool: "k2-07", Bench: "axle", Bytes: []byte("\x02K2,2x.1,N\x03\xff"), Offset: 90,
		Reason: "checksum", Detail: "checksum 3A, want 1F", ReceivedAtUs: events.InstantOf(r.clock())})
	r.settled()
	ctx := browse(t)
	for name, path := range map[string]string{"overview": "/", "jobs": "/jobs", "job": "/jobs/J-1", "alerts": "/alerts", "devices": "/devices",
		"procedure": "/procedures/RA-210/T", "free": "/bench/gearbox", "legend": "/legend"} {
		do(t, ctx, chromedp.Navigate(r.server.URL+path))
		for _, w := range []int64{1280, 640} {
			picture(t, ctx, name, w, 1000)
			if wide := eval[float64](t, ctx, `document.documentElement.scrollWidth - innerWidth`); wide > 0 {
				t.Errorf("%s at %d: sticks out by %v pixels", path, w, wide)
			}
		}
	}
}

// TestNewsDuringFetch: what the stream brings while the page's live part is
// on its way, older by then, is still there once that part has been placed.
func TestNewsDuringFetch(t *testing.T) {
	r := newRig(t)
	r.open()
	b := atBench(t, r)
	eval[int](t, b.ctx, `(() => {
		const fetched = window.fetch;
		window.gate = new Promise((open) => { window.open_gate = open; });
		window.fetch = async (...a) => {
			const text = await (await fetched(...a)).text();
			window.held = true;
			await window.gate;
			return new Response(text);
		};
		new MutationObserver(() => { window.placed = true; }).observe(document.getElementById("live"), { childList: true });
		return 0;
	})()`)
	r.pull("24.8")
	b.see("the first figure drawn, its page fetched and held", `window.held && document.querySelector("#last .value").textContent.includes("24.8")`)
	r.pull("25.3")
	b.see("the second figure", `document.querySelector("#last .value").textContent.includes("25.3")`)
	b.see("the second one's stripe", bolt("4", "part"))
	eval[int](t, b.ctx, `(window.open_gate(), 0)`)
	b.see("the page placed", `window.placed`)
	for _, want := range []string{bolt("1", "part"), bolt("4", "part"), `document.querySelector("#last .value").textContent.includes("25.3")`} {
		if !eval[bool](t, b.ctx, want) {
			t.Errorf("after the fetched page was placed, this is no longer true: %s", want)
		}
	}
}
