package record

import (
	"strings"
	"testing"

	"witnessmark/events"
)

// A refused tool that a lead let be used is a deviation of the job.
func TestOverrideIsADeviation(t *testing.T) {
	s := attestedStory()
	s.ask("maren", func(a events.Ask) events.Data {
		return events.OverrideAsked{Ask: a, Tool: "w1", Job: "j-1", Reason: "no other here has the range"}
	}, events.OverrideGiven{Tool: "w1", Job: "j-1", Was: "its calibration was due on 2026-11-03", By: "maren", Reason: "no other here has the range", AtUs: s.at})
	r := built(t, s, "j-1")
	if n := len(r.Deviations); n != 2 || r.Deviations[1].Tool != "w1" || r.Summary.Deviations != 2 {
		t.Fatalf("deviations %+v, summary says %d", r.Deviations, r.Summary.Deviations)
	}
	said := strings.Join(strings.Fields(string(text(t, r))), " ")
	for _, want := range []string{"tool w1: used for this job although its calibration was due on 2026-11-03", "no other here has the range"} {
		if !strings.Contains(said, want) {
			t.Errorf("the record does not say %q", want)
		}
	}
}
