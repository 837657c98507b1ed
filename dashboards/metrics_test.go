package dashboards

import (
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"witnessmark/events"
	"witnessmark/events/journal"
)

// promtool checks what is said to Prometheus against its own program. Where
// it is missing the test is skipped, loudly; under CI it fails.
func promtool(t *testing.T, stdin string, args ...string) {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("promtool is missing: install the package prometheus")
		}
		t.Skip("SKIPPED: no promtool")
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = strings.NewReader(stdin)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool %v: %v\n%s", args, err, out)
	}
}

func TestMetrics(t *testing.T) {
	r := newRig(t)
	r.open()
	r.pull("25.0")
	r.pull("33.0") // high
	r.fact("k2-07", events.FrameRefused{Device: "k2-07", Bench: "axle", Bytes: []byte("?"), Reason: "noise", ReceivedAtUs: events.InstantOf(r.clock())})
	r.fact("k2-07", events.LinkChanged{Device: "k2-07", Bench: "axle", State: events.LinkUp, AtUs: events.InstantOf(r.clock())})
	r.settled()
	r.get("/bench/axle")
	_, body := r.get("/metrics")
	promtool(t, body, "check", "metrics")
	for _, want := range []string{
		`witnessmark_readings_total{device="k2-07"} 2`,
		`witnessmark_frames_refused_total{device="k2-07"} 1`,
		`witnessmark_frames_repeated_total{device="k2-07"} 0`,
		`witnessmark_device_link_up{device="k2-07"} 1`,
		`witnessmark_device_link_up{device="d3-01"} 0`,
		`witnessmark_verdicts_total{verdict="within"} 1`,
		`witnessmark_verdicts_total{verdict="high"} 1`,
		`witnessmark_grades_total{grade="placed"} 0`,
		`witnessmark_pulls_set_aside_total{kind="repeat"} 0`,
		`witnessmark_residual_audits_total{result="differs"} 0`,
		`witnessmark_questions_open 0`,
		`witnessmark_loose_ends_open{bench="axle"} 0`,
		`witnessmark_alerts_open{kind="high"} 1`,
		`witnessmark_alerts_open{kind="missed_fastener"} 0`,
		`witnessmark_alerts_unacknowledged 1`,
		`witnessmark_jobs_open{status="active"} 1`,
		`witnessmark_journal_writable 1`,
		`witnessmark_ledger_lag_events 0`,
		`witnessmark_live_clients 0`,
		`witnessmark_ready 1`,
		`witnessmark_http_request_duration_seconds_count{code="200",page="bench"} 1`,
	} {
		if !strings.Contains(body, want+"\n") {
			t.Errorf("no %s", want)
		}
	}
	last := regexp.MustCompile(`witnessmark_last_good_reading_timestamp_seconds\{bench="axle",device="k2-07",tool="k2-07"\} 1\.7956\d+e\+09`)
	if !last.MatchString(body) {
		t.Error("no time of the last good reading")
	}
}

func TestAlertRules(t *testing.T) {
	promtool(t, "", "check", "rules", "ops/witnessmark.rules.yml")
}

// Whatever the alert rules and the board ask for, the service tells.
func TestOpsFilesAskForWhatThereIs(t *testing.T) {
	r := newRig(t)
	r.open()
	r.settled()
	r.get("/") // so that there is a request to tell of
	_, body := r.get("/metrics")
	body += "witnessmark_events_not_stored " // told only where a device is captured
	// Told only of a tool that was checked, and of one that is suspect: see TestToolMetrics.
	body += "witnessmark_tool_deviation_ratio witnessmark_tool_suspect_factor "
	name := regexp.MustCompile(`witnessmark_[a-z_]+`)
	for _, file := range []string{"ops/witnessmark.rules.yml", "ops/witnessmark.grafana.json"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(file, ".json") && !json.Valid(text) {
			t.Errorf("%s is not JSON", file)
		}
		for _, m := range name.FindAllString(string(text), -1) {
			if !strings.Contains(body, m+" ") && !strings.Contains(body, m+"{") {
				t.Errorf("%s asks for %s, which nobody tells", file, m)
			}
		}
	}
}

// sickJournal tells what a test wants.
type sickJournal struct{ stats journal.Stats }

func (j sickJournal) Last() uint64 { return j.stats.Last }
func (j sickJournal) Holes() []journal.Hole {
	return []journal.Hole{{FromSeq: 5, ToSeq: 6}, {Source: "device/k2-07", FromNumber: 2, ToNumber: 3, NextSeq: 7}}[:j.stats.Holes]
}
func (j sickJournal) Stats() journal.Stats { return j.stats }

func TestReadiness(t *testing.T) {
	r := newRig(t)
	r.open()
	if status, body := r.get("/readyz"); status != http.StatusOK || !strings.Contains(body, `"ready"`) {
		t.Errorf("%d %s", status, body)
	}
	if status, _ := r.get("/healthz"); status != http.StatusOK {
		t.Errorf("healthz %d", status)
	}
	for name, c := range map[string]struct {
		ready <-chan struct{}
		stats journal.Stats
		want  string
	}{
		"catching up": {make(chan struct{}), journal.Stats{State: journal.StateOK}, "Catching up"},
		"disk full":   {nil, journal.Stats{State: journal.StateFull, Detail: "Free some disk space."}, "NOT being recorded now. Free some"},
		"stuck":       {nil, journal.Stats{State: journal.StateStuck}, "NOT being recorded"},
		"holes":       {nil, journal.Stats{State: journal.StateOK, Holes: 2}, "2 holes: entries 5 to 6 are missing; events 2 to 3 of source"},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := New(Config{Service: r.service, Watch: Watch(r.service.Subscribe), Ledger: r.ledger, Journal: sickJournal{c.stats}, Ready: c.ready, Now: standing})
			if err != nil {
				t.Fatal(err)
			}
			sick := &rig{t: t, server: serve(t, p), client: r.client}
			if status, body := sick.get("/readyz"); status != http.StatusServiceUnavailable || !strings.Contains(body, c.want) {
				t.Errorf("%d %s", status, body)
			}
			if status, body := sick.get("/bench/axle"); status != http.StatusOK || !strings.Contains(body, c.want) {
				t.Errorf("the bench page does not say %q (%d)", c.want, status)
			}
		})
	}
}
