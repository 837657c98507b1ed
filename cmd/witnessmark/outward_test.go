package main

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/simulator"
)

// The demonstration with a webhook: each alert that blocks a release leaves
// the house once, and none of the others does.
func TestAlertsLeaveTheHouseOnce(t *testing.T) {
	var mu sync.Mutex
	var got []string
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		var e struct{ Data events.AlertRaised }
		mu.Lock()
		defer mu.Unlock()
		if json.Unmarshal(b, &e) == nil {
			got = append(got, e.Data.Alert)
		}
	}))
	defer hook.Close()
	dir := t.TempDir()
	secret := base64.StdEncoding.EncodeToString([]byte(strings.Repeat("x", 32)))
	for name, text := range map[string]string{
		"secret":      secret,
		"alerts.yaml": "routes:\n- name: office\n  webhook: {url: \"" + hook.URL + "\", secret_file: secret, private: true}\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel, cfg.Alerts = t.TempDir(), "127.0.0.1:0", "error", filepath.Join(dir, "alerts.yaml")
	d, err := openDemo(t.Context(), cfg, demoOptions{exit: true, speed: 1, seed: 5, rounds: 1, plain: true}, simulator.WallClock(0))
	if err != nil {
		t.Fatal(err)
	}
	defer d.rig.Close()
	// What is on its way when a service stops is sent at its next start, so
	// nobody asks for release before the office has heard of all that blocks it.
	d.saw = func(_ simulator.Job, a simulator.Action) {
		if a.Do != simulator.DoRelease {
			return
		}
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			raised, err := blocking(t.Context(), d.stack.journal)
			mu.Lock()
			heard := len(got)
			mu.Unlock()
			if err != nil || heard >= len(raised) {
				return
			}
			select {
			case <-tick.C:
			case <-t.Context().Done():
				return
			}
		}
	}
	if err := d.run(t.Context(), io.Discard, io.Discard); err != nil {
		t.Fatal(err)
	}
	s, err := openStack(t.Context(), cfg, d.shop)
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	want, err := blocking(t.Context(), s.journal)
	if err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	slices.Sort(got)
	slices.Sort(want)
	if len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("alerts at the webhook: %v, want %v", got, want)
	}
}

// blocking are the alerts in a journal that block a release.
func blocking(ctx context.Context, j *journal.Journal) (ids []string, err error) {
	err = j.Read(ctx, 1, 0, func(es []events.Entry) error {
		for _, e := range es {
			if d, ok := e.Data.(events.Decided); ok {
				for _, o := range d.Outcomes {
					if a, ok := o.Data.(events.AlertRaised); ok && a.Blocks {
						ids = append(ids, a.Alert)
					}
				}
			}
		}
		return nil
	})
	return ids, err
}

// The example of alert routes is right but for the secrets, which are not there.
func TestExampleOfAlertRoutes(t *testing.T) {
	out, err := command(t.Context(), "shop", "alerts")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, text := range map[string]string{"alerts.yaml": out, "mail.password": "x", "hook.secret": base64.StdEncoding.EncodeToString([]byte(strings.Repeat("y", 24)))} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	mustSay(t, "3 ways out", "shop", "alerts", filepath.Join(dir, "alerts.yaml"))
}
