package dashboards

import (
	"encoding/json"
	"html"
	"io"
	"net/http"
	"strings"
	"testing"

	"witnessmark/events/seal"
)

// The pages give the public key, the seals, and a record that proves itself;
// where nothing is sealed they say so.
func TestSealsAreShownAndGiven(t *testing.T) {
	var s *seal.Sealer
	r := newRig(t, func(r *rig, c *Config) {
		var err error
		if s, err = seal.New(t.Context(), seal.Config{Journal: r.journal, Dir: t.TempDir(), Shop: "fenholt", Now: standing}); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = s.Close() })
		c.Seals = s
	})
	r.open()
	r.pull("24.8")
	_, body := r.get("/jobs/J-1/sealed")
	var rec seal.Record
	if err := json.Unmarshal([]byte(body), &rec); err != nil {
		t.Fatalf("no record: %v\n%.300s", err, body)
	}
	if v, err := seal.VerifyRecord(&rec, []string{s.Public()}); err != nil || !v.OK() || v.Released || len(rec.Entries) < 6 {
		t.Errorf("record of an open job: %+v, %v", v, err)
	}
	if err := r.ledger.WaitFor(t.Context(), r.journal.Last()); err != nil {
		t.Fatal(err)
	}
	if _, page := r.get("/seals"); !strings.Contains(html.UnescapeString(page), s.Public()) || !strings.Contains(page, "somebody asked") || !strings.Contains(page, "entries 1 to") {
		t.Errorf("page of seals:\n%s", page)
	}
	if _, page := r.get("/jobs/J-1"); !strings.Contains(page, "/jobs/J-1/sealed") {
		t.Error("the job's page does not offer the sealed record")
	}
	without := newRig(t)
	resp, err := http.Get(without.server.URL + "/seals")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if b, _ := io.ReadAll(resp.Body); resp.StatusCode != http.StatusNotFound || !strings.Contains(string(b), "Nothing is sealed here") {
		t.Errorf("without seals: %s\n%s", resp.Status, b)
	}
}
