package dashboards

import (
	"net/http"
	"strings"
	"testing"

	"witnessmark/events"
)

// TestPagesOfTheLedgerAreAbreast asks at once, without waiting for the ledger:
// what is on disk when a page is asked for is on the page.
func TestPagesOfTheLedgerAreAbreast(t *testing.T) {
	r := newRig(t)
	r.open()
	for _, c := range []struct{ path, want string }{
		{"/jobs", "J-1"},
		{"/jobs/J-1", "RA-0042"},
		{"/procedures", "RA-210"},
	} {
		if status, body := r.get(c.path); status != http.StatusOK || !strings.Contains(body, c.want) {
			t.Errorf("%s: status %d, and %q is not there", c.path, status, c.want)
		}
	}
	for _, text := range []string{"25.11", "24.83", "33.07"} { // the last is high
		r.pull(text)
		if _, body := r.get("/devices"); !strings.Contains(body, text) {
			t.Errorf("devices page does not show the reading %s, which is on disk", text)
		}
		if _, body := r.get("/jobs/J-1.json"); !strings.Contains(body, text) {
			t.Errorf("job record does not show the reading %s, which is on disk", text)
		}
	}
	r.ask(events.DecisionAsked{Ask: r.by("maren"), Job: "J-1", Step: "cover", Fastener: "2", Choice: events.ChoiceAccept, Reason: "bolt renewed"})
	if _, body := r.get("/alerts"); !strings.Contains(body, "33.07") || !strings.Contains(body, "Maren Holt, ") || strings.Contains(body, "None yet") {
		t.Error("alerts page does not show who decided about an alert that is settled on disk")
	}
}
