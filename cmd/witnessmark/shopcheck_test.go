package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/rules"
)

// TestShopCheckDates: dates that cannot be true are refused by name, those of a
// day that has just begun somewhere are not.
func TestShopCheckDates(t *testing.T) {
	now := time.Date(2026, 11, 29, 23, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		name, calibrated, due, want string
		now                         time.Time
	}{
		{"right", "2026-06-15", "2027-06-15", "", now},
		{"today", "2026-11-29", "2027-11-29", "", now},
		{"tomorrow", "2026-11-30", "2027-11-30", "calibrated 2026-11-30 lies in the future: today is 2026-11-29", now},
		{"tomorrow, which has begun here", "2026-11-30", "2027-11-30", "", now.In(time.FixedZone("east", 3600))},
		{"today in UTC, yesterday here", "2026-11-29", "2027-11-29", "", now.In(time.FixedZone("west", -8*3600))},
		{"a year with two digits exchanged", "2062-06-15", "2063-06-15", "lies in the future", now},
		{"a digit short", "0206-06-15", "2027-06-15", "is before 1970", now},
		{"due in another century", "2026-06-15", "2127-06-15", "more than 240 months after calibrated 2026-06-15", now},
		{"due by no date", "2026-06-15", rules.NeverDue, "", now},
		{"the longest interval", "2026-06-15", "2046-06-15", "", now},
	} {
		got := strings.Join(wrongDates([]events.Tool{{ID: "k2-07", Calibrated: c.calibrated, Due: c.due}}, c.now), "\n")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

// TestShopCheck: the command says what the rules would refuse at a start, and
// impossible dates, with file and tool; the shipped example passes.
func TestShopCheck(t *testing.T) {
	name := filepath.Join(t.TempDir(), "shop.yaml")
	check := func(text string) (string, error) {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return say(t, "", "shop", "check", name)
	}
	whole := string(exampleShop)
	if out, err := check(whole); err != nil || !strings.Contains(out, "good: Fenholt Driveline") {
		t.Errorf("the example: %v %s", err, out)
	}
	tomorrow := time.Now().AddDate(0, 0, 2).Format(time.DateOnly)
	for _, c := range []struct{ was, is, want string }{
		{"calibrated: 2026-06-15", "calibrated: " + tomorrow, `tool "k2-07": calibrated ` + tomorrow},
		{"due: 2027-08-03", "due: 2026-08-02", `tool "s5-02": due 2026-08-02 lies before calibrated 2026-08-03`},
		{"range: 5 N to 100 N", "range: 5 mm to 100 mm", "a spring scale measures a force: give its range in N, kgf or lbf"},
		{"kind: torque_wrench", "kind: torque_wrensh", `tool "k2-07" has kind "torque_wrensh"`},
	} {
		if !strings.Contains(whole, c.was) {
			t.Fatalf("the example has no %q", c.was)
		}
		if out, err := check(strings.Replace(whole, c.was, c.is, 1)); err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: got %v %s, want %q", c.is, err, out, c.want)
		}
	}
	if out, err := check(strings.Replace(strings.Replace(whole, "calibrated: 2026-06-15", "calibrated: 2020-06-15", 1), "due: 2027-06-15", "due: 2021-06-15", 1)); err != nil || !strings.Contains(out, `tool "k2-07" is overdue: its last day of use was 2021-06-15`) {
		t.Errorf("an overdue tool: %v %s", err, out)
	}
}
