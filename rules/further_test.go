package rules

import (
	"bytes"
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// further is a job whose first joint of torque is finished, and what goes on being
// pulled there.
type further struct {
	*runner
	turn func(n int) float64 // degrees of the nth further pull; nil: the tool tells none
	pull events.ReadingTaken
	n    int
}

func newFurther(tb testing.TB, turn func(n int) float64) *further {
	r := newRunner(tb)
	if turn != nil {
		r.reportAngle("wide")
	}
	f := &further{runner: r, turn: turn}
	r.open(tb, "J", "RA-210")
	for {
		d := r.next("J")
		at := r.s.Jobs["J"].current()
		p, pull := d.(events.ReadingTaken)
		if pull = pull && p.Mode == events.ModePeak; pull {
			f.pull = p
			if turn != nil {
				f.pull.Angle = quantity.Degrees(15 + float64(r.seq%7)/4).Value()
			}
			d = f.pull
		}
		if r.tell(d); pull && r.s.Jobs["J"].current() != at {
			return f
		}
	}
}

// reportAngle makes a tool one that tells rotation.
func (r *runner) reportAngle(tool string) {
	shop := r.s.Shop
	shop.Tools = slices.Clone(shop.Tools)
	for i := range shop.Tools {
		if shop.Tools[i].ID == tool {
			shop.Tools[i].Reports = events.ToolReports{Angle: true}
		}
	}
	r.tell(events.ShopDescribed{Shop: shop, Hash: fmt.Sprint("with angle ", r.seq)})
}

// next makes the next further pull.
func (f *further) next() events.Data {
	p := f.pull
	p.ReceivedAtUs = f.at
	if f.turn != nil {
		p.Angle = quantity.Degrees(f.turn(f.n)).Value()
	}
	f.n++
	return p
}

// bytesEach tells n further pulls and returns what each allocated.
func (f *further) bytesEach(n int) float64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for range n {
		f.tell(f.next())
	}
	runtime.ReadMemStats(&after)
	return float64(after.TotalAlloc-before.TotalAlloc) / float64(n)
}

// furtherTurns are what further pulls may turn by.
var furtherTurns = []struct {
	name string
	turn func(n int) float64
}{
	{"torque alone", nil},
	{"hardly turning", func(n int) float64 { return 1.5 + float64(n%7)/8 }},
	{"turning as first ones", func(n int) float64 { return 15 + float64(n%7)/4 }},
}

// TestFurtherPullsStayCheap: the thousandth further pull on a finished joint costs
// no more than a small multiple of the tenth, counted in bytes: one more pull
// weighed anew is some ten thousand of them. It does so after a restart too, from
// a snapshot in which no filter is kept.
func TestFurtherPullsStayCheap(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	const most = 5
	for _, c := range furtherTurns {
		t.Run(c.name, func(t *testing.T) {
			f := newFurther(t, c.turn)
			first := f.bytesEach(20)
			for _, restart := range []bool{false, true, false, true, false} {
				if restart {
					b, err := f.s.Snapshot()
					if err != nil {
						t.Fatal(err)
					}
					if f.s, err = Restore(b); err != nil {
						t.Fatal(err)
					}
					f.tell(f.next()) // makes the filter anew, once
				}
				f.bytesEach(180)
				later := f.bytesEach(20)
				t.Logf("%.0f bytes a pull at first, %.0f after %d", first, later, f.n)
				if later > most*first {
					t.Errorf("a further pull costs %.0f bytes at first and %.0f after %d: at most %d times as much is allowed", first, later, f.n, most)
				}
			}
		})
	}
}

// TestFurtherPullsAfterRestart: a state from a snapshot decides on further pulls
// as the one that it was taken of, and leaves the same state.
func TestFurtherPullsAfterRestart(t *testing.T) {
	for _, c := range furtherTurns {
		t.Run(c.name, func(t *testing.T) {
			f := newFurther(t, c.turn)
			for range 30 {
				f.tell(f.next())
			}
			b, err := f.s.Snapshot()
			if err != nil {
				t.Fatal(err)
			}
			again, err := Restore(b)
			if err != nil {
				t.Fatal(err)
			}
			for range 5 {
				e := events.Entry{Seq: f.seq + 1, Event: events.Event{Time: f.at + 1e6, Data: f.next()}}
				out := Decide(again, e)
				Evolve(again, events.Decided{Cause: e.Seq, CauseUs: e.Time, Outcomes: out})
				f.tell(e.Data)
			}
			want, err1 := f.s.Snapshot()
			got, err2 := again.Snapshot()
			if err1 != nil || err2 != nil || !bytes.Equal(got, want) {
				t.Errorf("a restart leaves another state (%v, %v)", err1, err2)
			}
		})
	}
}

// BenchmarkFurtherPull measures a further pull on a finished joint after four
// hundred of them, as a multiple of one of the first.
func BenchmarkFurtherPull(b *testing.B) {
	const some = 40
	for _, c := range furtherTurns {
		b.Run(c.name, func(b *testing.B) {
			var first, later time.Duration
			for b.Loop() {
				b.StopTimer()
				f := newFurther(b, c.turn)
				run := func(n int) time.Duration {
					start := time.Now()
					for range n {
						f.tell(f.next())
					}
					return time.Since(start)
				}
				first += run(some)
				run(400)
				b.StartTimer()
				later += run(some)
			}
			b.ReportMetric(float64(later)/float64(first), "×first")
			b.ReportMetric(float64(later.Nanoseconds())/float64(some*b.N), "ns/pull")
		})
	}
}
