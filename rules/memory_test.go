package rules

import (
	"fmt"
	"runtime"
	"testing"

	"witnessmark/events"
	"witnessmark/rules/procedure/demo"
)

// heapNow returns the bytes in use once garbage is collected.
func heapNow() float64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.GC() // what the first let go of, e.g. by a pool
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc)
}

// finish runs a clean job to its release.
func (r *runner) finish(tb testing.TB, job, proc string) {
	r.open(tb, job, proc)
	for d := r.next(job); d != nil; d = r.next(job) {
		r.tell(d)
	}
	r.tell(events.ReleaseAsked{Ask: events.Ask{By: "maren"}, Job: job})
	if !r.s.Ended[job] {
		tb.Fatalf("job %s is not released: %v", job, r.s.OpenWork(r.s.Jobs[job]))
	}
	// The drawers are filled again, as a shop does.
	for _, d := range demoDrawers() {
		for _, p := range d.Pieces {
			r.s.Shims[d.ID] = withPiece(r.s.Shims[d.ID], p)
		}
	}
}

// TestMemoryOfEndedJobs: of a job that has ended its id stays, since an id is
// used once, and what its parts' serials and its tools' cycles are held against.
// A shop that ends a hundred jobs a day for ten years holds 40 MB of them.
func TestMemoryOfEndedJobs(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	const warm, more, most = 60, 180, 600 // bytes a job: 120 measured, and a map that doubles just then
	r := newRunner(t)
	files := demo.Files()
	n := 0
	run := func(jobs int) {
		for range jobs {
			n++
			r.finish(t, fmt.Sprintf("RA-%06d", n), files[n%len(files)].ID)
		}
	}
	run(warm)
	before, facts := heapNow(), r.seq
	run(more)
	grown := heapNow() - before
	t.Logf("%.0f bytes an ended job, %.2f a fact", grown/more, grown/float64(r.seq-facts))
	if grown > most*more {
		t.Errorf("%d ended jobs leave %.0f bytes each, at most %d are allowed", more, grown/more, most)
	}
	runtime.KeepAlive(r)
}

// TestMemoryOfOpenJob: an open job does not grow with the facts about it, but
// for their sequences, eight bytes each with room to grow, by which its record
// lists them. What waits for a person is bounded for the whole shop.
func TestMemoryOfOpenJob(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	const pulls, most = 1000, 24 // bytes a fact
	for _, c := range []struct {
		name string
		of   float64 // of the value that the step wants
		back bool    // the fastener is pointed at before each pull
	}{{"low", 0.8, false}, {"within, again and again", 1, false}, {"high", 1.3, false}, {"low, at one fastener", 0.8, true}} {
		t.Run(c.name, func(t *testing.T) {
			r := newRunner(t)
			r.open(t, "J", "RA-210")
			var pull events.ReadingTaken
			for n, d := 0, r.next("J"); n < 3; d = r.next("J") {
				if p, ok := d.(events.ReadingTaken); ok && p.Mode == events.ModePeak {
					pull, n = p, n+1
				}
				r.tell(d)
			}
			pull.Value = pull.Value.WithBase(pull.Value.Base() * c.of)
			pull.Text = fmt.Sprintf("%.3f", pull.Value.Base())
			j := r.s.Jobs["J"]
			step := j.Proc.Steps[j.current()]
			point := events.FastenerPointed{Ask: events.Ask{By: "ines"}, Job: "J", Step: step.ID}
			if step.Joint != nil {
				point.Fastener = step.Joint.Fasteners[0].ID
			}
			run := func(n int) {
				for range n {
					if c.back {
						r.tell(point)
					}
					pull.ReceivedAtUs = r.at
					r.tell(pull)
				}
			}
			run(maxUnplaced) // what waits for a person is full
			before, facts := heapNow(), len(r.s.Jobs["J"].Facts)
			run(pulls)
			j = r.s.Jobs["J"]
			facts = len(j.Facts) - facts
			each := (heapNow() - before) / float64(facts)
			t.Logf("%.1f bytes a fact; %d facts, %d set aside, %d unplaced, %d alerts", each, facts, len(j.Aside), len(r.s.Unplaced), len(r.s.Alerts))
			if each > most {
				t.Errorf("an open job grows by %.1f bytes a fact, at most %d are allowed", each, most)
			}
			runtime.KeepAlive(r)
		})
	}
}
