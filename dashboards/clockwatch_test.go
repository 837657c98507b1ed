package dashboards

import (
	"errors"
	"strings"
	"testing"
	"time"
)

// TestClockWatch: steps forward and back are measured to the millisecond,
// whatever their size; sleep, a clock that drifts and a machine that is busy
// between two looks are none.
func TestClockWatch(t *testing.T) {
	start := time.Date(2026, 10, 25, 0, 59, 0, 0, time.UTC)
	var steady, offset time.Duration
	var busy time.Duration
	var broken error
	c := &clockWatch{
		wall:   func() time.Time { return start.Add(steady + offset) },
		steady: func() (time.Duration, error) { steady += busy; return steady, broken },
	}
	if _, ok := c.look(); ok {
		t.Error("a step at the first look")
	}
	calm := func(what string, pass, drift time.Duration) {
		t.Helper()
		steady, offset = steady+pass, offset+drift
		if s, ok := c.look(); ok {
			t.Errorf("%s is called a step by %s", what, s.by)
		}
	}
	steps, total := uint64(0), time.Duration(0)
	for _, by := range []time.Duration{time.Hour, -time.Hour, 150 * time.Millisecond, -20 * 365 * 24 * time.Hour, 7 * time.Minute, -2 * time.Second} {
		calm("a second", time.Second, 0)
		calm("a drift of 500 ppm, the most that synchronisation corrects by", time.Second, 500*time.Microsecond)
		calm("a night asleep", 9*time.Hour, 0)
		steady += time.Second
		offset += by
		s, ok := c.look()
		if !ok || s.by != by {
			t.Errorf("set by %s: step %v %s", by, ok, s.by)
		}
		steps, total = steps+1, total+by.Abs()
		way := "forward"
		if by < 0 {
			way = "back"
		}
		if n := c.notice(); !strings.Contains(n, "set "+way+" by") {
			t.Errorf("set by %s: the pages say %q", by, n)
		}
	}
	busy = 30 * time.Millisecond
	calm("a machine that was busy between two looks", time.Second, time.Hour)
	busy, offset = 0, offset-time.Hour
	broken = errors.New("no such clock")
	calm("no clock", time.Second, time.Hour)
	broken, offset = nil, offset-time.Hour
	calm("two hours later", 2*time.Hour, 0)
	if n := c.notice(); n != "" {
		t.Errorf("two hours later the pages still say %q", n)
	}
	if n, all, _ := c.said(); n != steps || all != total {
		t.Errorf("%d steps, %s in all; want %d, %s", n, all, steps, total)
	}
}

func TestSpanWords(t *testing.T) {
	for d, want := range map[time.Duration]string{7 * time.Minute: "7 min", time.Hour + 3*time.Second: "1 h 3 s", 150 * time.Millisecond: "0.15 s", 0: "0 s"} {
		if got := spanWords(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}
