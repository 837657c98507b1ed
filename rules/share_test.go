package rules

import (
	"fmt"
	"testing"

	"witnessmark/events"
)

// TestShareOf: what is for a job is in the share of that job, whether the job
// is named, or works at the bench; all else is the shop's.
func TestShareOf(t *testing.T) {
	s := New()
	s.Shop.Devices = []events.Device{{ID: "k1", Bench: "axle"}}
	s.BenchJob["axle"] = "j-1"
	s.Unplaced[7] = events.ReadingUnplaced{Reading: 7, Job: "j-1"}
	s.Alerts["A7-0"] = &Alert{AlertRaised: events.AlertRaised{Alert: "A7-0", Job: "j-1"}}
	s.Alerts["A8-0"] = &Alert{AlertRaised: events.AlertRaised{Alert: "A8-0"}}
	of := func(d events.Data) int { return ShareOf(s, events.Entry{Event: events.Event{Data: d}}) }
	job := of(events.ReleaseAsked{Job: "j-1"})
	if job == 0 {
		t.Fatal("a job is in the shop's share")
	}
	for _, c := range []struct {
		d    events.Data
		want int
	}{
		{events.ReadingTaken{Bench: "axle"}, job},
		{events.ReadingTaken{Bench: "gearbox"}, 0},
		{events.ReadingTaken{Bench: "gearbox", Mode: events.ModeTyped, Job: "j-1"}, job},
		{events.SamplesCaptured{Bench: "axle"}, job},
		{events.CounterGapFound{Bench: "axle"}, job},
		{events.LinkChanged{Bench: "axle"}, job},
		{events.FrameRepeated{Device: "k1"}, job},
		{events.FrameRepeated{Device: "k9"}, 0},
		{events.ReadingDismissAsked{Reading: 7}, job},
		{events.ReadingDismissAsked{Reading: 8}, 0},
		{events.AlertAckAsked{Alert: "A7-0"}, job},
		{events.AlertSettleAsked{Alert: "A8-0"}, 0},
		{events.JobAsked{Job: "j-1"}, job},
		{events.ShopDescribed{}, 0},
		{events.TimeReached{}, 0},
		{events.RecallAsked{}, 0},
	} {
		if got := of(c.d); got != c.want {
			t.Errorf("%T %+v is in share %d, want %d", c.d, c.d, got, c.want)
		}
	}
	used := map[int]bool{}
	for i := range 1000 {
		n := of(events.ReleaseAsked{Job: fmt.Sprint("job-", i)})
		if n < 1 || n >= Shares {
			t.Fatalf("share %d, want 1 to %d", n, Shares-1)
		}
		used[n] = true
	}
	if len(used) != Shares-1 {
		t.Errorf("a thousand jobs are in %d shares, want %d", len(used), Shares-1)
	}
}
