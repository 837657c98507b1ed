package dashboards

import (
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"witnessmark/events/ledger"
)

// TestJobThatTheLedgerDoesNotHaveYet: a job that is open is not denied because
// the ledger is behind; who asks is told to try again.
func TestJobThatTheLedgerDoesNotHaveYet(t *testing.T) {
	behind, err := ledger.Open(t.Context(), ledger.Config{Path: filepath.Join(t.TempDir(), "behind.db")})
	if err != nil {
		t.Fatal(err)
	}
	defer behind.Close()
	r := newRig(t, func(_ *rig, c *Config) { c.Ledger, c.Journal = behind, nil })
	r.open()
	resp, err := r.client.Get(r.server.URL + "/jobs/J-1")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusServiceUnavailable || resp.Header.Get("Retry-After") == "" || resp.Header.Get("Refresh") == "" {
		t.Errorf("status %d, headers %v; want 503, Retry-After and Refresh", resp.StatusCode, resp.Header)
	}
	if _, body := r.get("/jobs/J-1"); !strings.Contains(body, "not in the ledger yet") || !strings.Contains(body, `href="/jobs/J-1"`) {
		t.Error("the page does not say that the job is not in the ledger yet, or offers no way to try again")
	}
	if status, body := r.get("/jobs/J-9"); status != http.StatusNotFound || !strings.Contains(body, "There is no job J-9") {
		t.Errorf("a job that nobody opened: status %d, want 404", status)
	}
}
