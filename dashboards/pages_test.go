package dashboards

import (
	"net/http"

	"regexp"
	"strings"
	"testing"

	"witnessmark/events"
)

var changing = regexp.MustCompile(`data-boot="[^"]*"|/assets/[0-9a-f]+/`)

func still(html string) string {
	return changing.ReplaceAllStringFunc(html, func(s string) string {
		if strings.HasPrefix(s, "data-boot") {
			return `data-boot="…"`
		}
		return "/assets/…/"
	})
}

func TestPagesOfAStory(t *testing.T) {
	r := newRig(t)
	r.open()
	for _, v := range []string{"24.8", "25.3", "19.1", "25.0", "26.1"} { // the third is low: pulled again
		r.pull(v)
	}
	r.fact("k2-07", events.FrameRefused{Device: "k2-07", Tool: "k2-07", Bench: "axle", Bytes: []byte("\x02K2,2x.1,N\x03\xff"), Offset: 90,
		Reason: "checksum", Detail: "checksum 3A, want 1F", ReceivedAtUs: events.InstantOf(r.clock())})
	r.fact("d3-01", events.LinkChanged{Device: "d3-01", Bench: "axle", Port: "/dev/ttyUSB1", State: events.LinkDenied,
		Detail: "no permission to open /dev/ttyUSB1: add the service's user to the group dialout", AtUs: events.InstantOf(r.clock())})
	r.settled()
	for name, path := range map[string]string{
		"overview.html": "/", "bench.html": "/bench/axle", "bench-free.html": "/bench/gearbox", "jobs.html": "/jobs", "job.html": "/jobs/J-1",
		"alerts.html": "/alerts", "devices.html": "/devices", "procedures.html": "/procedures", "procedure.html": "/procedures/RA-210/T",
		"legend.html": "/legend", "ask-void.html": "/bench/axle/ask/void", "ask-release.html": "/bench/axle/ask/release",
		"missing.html": "/nowhere",
	} {
		t.Run(name, func(t *testing.T) {
			status, body := r.get(path)
			if want := map[bool]int{true: http.StatusNotFound, false: http.StatusOK}[name == "missing.html"]; status != want {
				t.Fatalf("status %d, want %d\n%s", status, want, body)
			}
			golden(t, name, still(body))
		})
	}
}
