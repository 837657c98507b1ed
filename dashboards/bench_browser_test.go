package dashboards

import (
	"testing"

	"github.com/chromedp/chromedp"
)

func TestBenchInBrowser(t *testing.T) {
	r := newRig(t)
	r.open()
	ctx := browse(t)
	do(t, ctx, chromedp.Navigate(r.server.URL+"/bench/axle"))
	seen(t, ctx, "the stream", `document.getElementById("lamp").dataset.state === "on"`)
	picture(t, ctx, "who", 1920, 1080)
	do(t, ctx, chromedp.Click(chromedp.CSS(`.who button[value="ines"]`)))
	seen(t, ctx, "the name", `document.querySelector(".top .btn").textContent.includes("Ines Varga")`)
	seen(t, ctx, "the stream", `document.getElementById("lamp").dataset.state === "on"`)
	for _, v := range []string{"24.8", "25.3", "19.1"} {
		r.pull(v)
	}
	seen(t, ctx, "the low one", `document.querySelector('.face .bolt[data-id="2"]').dataset.look === "low"`)
	picture(t, ctx, "low", 1920, 1080)
	for _, v := range []string{"24.9", "25.0", "26.1", "25.2", "44.1", "45.9", "45.2"} {
		r.pull(v)
	}
	picture(t, ctx, "final", 1920, 1080)
	picture(t, ctx, "final", 1280, 800)
	r.pull("51.2")
	seen(t, ctx, "the alert", `document.querySelector(".alert[data-kind=high]")`)
	picture(t, ctx, "high", 1920, 1080)
	picture(t, ctx, "high", 1280, 800)
	picture(t, ctx, "high", 800, 1280)
	picture(t, ctx, "high", 640, 400)
	r.settled()
	for name, path := range map[string]string{"overview": "/", "jobs": "/jobs", "job": "/jobs/J-1", "alerts": "/alerts", "devices": "/devices",
		"procedure": "/procedures/RA-210/T", "decide": "/bench/axle/ask/decide", "free": "/bench/gearbox"} {
		do(t, ctx, chromedp.Navigate(r.server.URL+path))
		picture(t, ctx, name, 1280, 1000)
	}

}
