package ingest

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/ingest/profile"
)

// skerry builds a line by the notes on the F2.
func skerry(ms int, kn float64, status string) []byte {
	body := fmt.Sprintf("%08d;%+07.2f;KN;%s", ms, kn, status)
	sum := byte(0)
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Appendf(nil, "<%s>%02X\r\n", body, sum)
}

// A pressing comes out of the stream as one reading: its greatest force, and
// its course by the gauge's own clock, although the line was slow and uneven.
func TestStroke(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "skerry-f2", nil)
		line := <-r.lines
		ms := 0
		send := func(kn float64, status string) {
			ms += 20
			if _, err := line.Write(skerry(ms, kn, status)); err != nil {
				t.Error(err)
			}
			pass(time.Duration(1+ms%7) * 10 * time.Millisecond)
		}
		for range 5 {
			send(4, "OK") // under load when the port is opened: where it began is not known
		}
		for range 30 {
			send(0, "OK")
		}
		var want []float64
		for i := range 40 {
			kn := 0.5 + 0.1*float64(i)
			want = append(want, kn*1000)
			send(kn, "OK")
		}
		for range 30 {
			send(0.02, "OK")
		}
		for _, kn := range []float64{1, 5, 60} { // past its capacity for a moment
			send(kn, map[bool]string{true: "OVER", false: "OK"}[kn > 50])
		}
		for range 30 {
			send(0, "OK")
		}
		pass(3 * time.Second)
		synctest.Wait()
		got := of[events.ReadingTaken](b)
		if len(got) != 2 {
			t.Fatalf("%d readings, want 2: %+v", len(got), got)
		}
		one := got[0]
		if one.Mode != events.ModePeak || one.Text != "4.40" || one.Value != quantity.Of(4.40, quantity.Kilonewton) || one.ToolStatus != "ok" {
			t.Errorf("first pressing: %+v", one)
		}
		s := one.Stroke
		if s == nil || len(s.TimesUs) != len(s.Force) || len(s.Force) < len(want) {
			t.Fatalf("stroke %+v", s)
		}
		if s.Travel != nil || s.TravelNote != "" {
			t.Errorf("a gauge without a probe: travel %v, note %q", s.Travel, s.TravelNote)
		}
		for i, f := range want {
			if math.Abs(s.Force[i]-f) > 0.1 || s.TimesUs[i] != int64(i)*20_000 {
				t.Errorf("sample %d: %.1f N after %d µs, want %.1f after %d", i, s.Force[i], s.TimesUs[i], f, i*20_000)
			}
		}
		// While it went on the force was told: more each time, at most ten times a
		// second of the gauge's clock, up to the end, and an overload at once.
		var last events.ForceRising
		over := false
		for i, f := range of[events.ForceRising](b) {
			if over = over || f.Status == "overload"; f.SinceUs < last.SinceUs {
				last = events.ForceRising{} // the second pressing
			}
			if i > 0 && last.SinceUs > 0 && f.Status == last.Status && (f.SinceUs-last.SinceUs < toldEvery || f.Value.Base() < toldMore*last.Value.Base()) {
				t.Errorf("told %s after %s, %d µs later", f.Text, last.Text, f.SinceUs-last.SinceUs)
			}
			last = f
		}
		if n := len(of[events.ForceRising](b)); n < 6 || n > 14 || !over {
			t.Errorf("the force was told %d times, overload %t", n, over)
		}
		if got[1].ToolStatus != "overload" || got[1].Text != "60.00" {
			t.Errorf("the gauge said overload, the reading says %q %s", got[1].ToolStatus, got[1].Text)
		}
	})
}

// A long pressing keeps its ends and does not grow.
func TestLongStroke(t *testing.T) {
	p := pressing{on: true, every: 1}
	n := 3 * mostStroke
	f := profile.Frame{Reading: &profile.Reading{Value: quantity.Newtons(1).Value()}}
	for i := range n {
		f.Reading.Travel = quantity.Millimetres(float64(i)).Value()
		p.add(&f, int64(i), true)
	}
	if len(p.travel) != len(p.times) {
		t.Fatalf("%d samples have %d travels", len(p.times), len(p.travel))
	}
	for i, x := range p.travel {
		if x != float64(p.times[i]) {
			t.Fatalf("sample %d of time %d has travel %g", i, p.times[i], x)
		}
	}
	if len(p.times) >= mostStroke || p.times[0] != 0 || p.times[len(p.times)-1] < int64(n-8) || !slices.IsSorted(p.times) {
		t.Errorf("%d samples from %d to %d", len(p.times), p.times[0], p.times[len(p.times)-1])
	}
}
