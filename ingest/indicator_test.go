package ingest

import (
	"net"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
)

// indicator answers questions by the notes on the D3, as long as it is on.
type indicator struct {
	on    atomic.Bool
	value atomic.Int32
	past  atomic.Bool // it says that it is out of range
	asked atomic.Int32
	n     byte
}

func (d *indicator) serve(line net.Conn) {
	buf := make([]byte, 2)
	for {
		if _, err := line.Read(buf); err != nil {
			return
		}
		if string(buf) != "R\r" {
			continue
		}
		d.asked.Add(1)
		if !d.on.Load() {
			continue
		}
		d.n++
		f := pinn(d.n, d.value.Load())
		if d.past.Load() {
			f[1] |= 4
			f[7] ^= 4
		}
		if _, err := line.Write(f); err != nil {
			return
		}
	}
}

func TestPolledIndicator(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "pinn-d3", nil)
		line := <-r.lines
		ind := &indicator{}
		go ind.serve(line)

		pass(5 * time.Second) // off
		synctest.Wait()
		if got, want := linkStates(b), []string{events.LinkUp, events.LinkMute}; !slices.Equal(got, want) {
			t.Errorf("link %v, want %v", got, want)
		}
		ind.on.Store(true)
		pass(3 * time.Second) // at rest
		ind.value.Store(152)
		pass(3 * time.Second) // and now it stands at 0.152 mm
		ind.value.Store(310)
		pass(3 * time.Second)
		r.stop()
		line.Close()

		if got, want := linkStates(b), []string{events.LinkUp, events.LinkMute, events.LinkUp}; !slices.Equal(got, want) {
			t.Errorf("link %v, want %v", got, want)
		}
		rs := of[events.ReadingTaken](b)
		if got, want := texts(rs), []string{"0.152", "0.310"}; !slices.Equal(got, want) {
			t.Fatalf("readings %v, want %v", got, want)
		}
		if rs[0].Mode != events.ModeSettled || rs[0].Unit != "mm" || len(rs[0].Bytes) != 8 {
			t.Errorf("reading %+v", rs[0])
		}
		checkSamples(t, b, int(ind.n))
		inOrder(t, b)
	})
}

// What an indicator says of its own samples goes with them: those before are
// not doubted for it, and a flag that comes and goes makes no flood of events.
func TestIndicatorDoubtsItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "pinn-d3", nil)
		line := <-r.lines
		ind := &indicator{}
		ind.on.Store(true)
		go ind.serve(line)
		ind.value.Store(500)
		pass(3 * time.Second)
		synctest.Wait()
		for _, s := range of[events.SamplesCaptured](b) {
			if s.Status != "" {
				t.Errorf("nothing was wrong, the samples say %q", s.Status)
			}
		}
		settled, before := len(of[events.ReadingTaken](b)), len(of[events.SamplesCaptured](b))
		ind.value.Store(900)
		ind.past.Store(true)
		pass(3 * time.Second)
		for i := range 80 { // it comes and goes
			ind.past.Store(i%2 == 0)
			pass(50 * time.Millisecond)
		}
		r.stop()
		line.Close()
		if n := len(of[events.ReadingTaken](b)); n != settled {
			t.Errorf("%d readings of values that mean nothing", n-settled)
		}
		doubted, blocks := 0, of[events.SamplesCaptured](b)
		for _, s := range blocks {
			if s.Status != "" && s.Status != "out_of_range" {
				t.Errorf("status %q", s.Status)
			}
			if s.Status != "" {
				doubted += len(s.Values)
			}
		}
		if doubted < 100 || len(blocks)-before > 18 {
			t.Errorf("%d samples are marked in %d blocks of 7 s", doubted, len(blocks)-before)
		}
		checkSamples(t, b, int(ind.n))
	})
}

// checkSamples checks that all samples were kept, in pieces of at most a
// second, each before the reading that was made of it.
func checkSamples(t *testing.T, b *book, sent int) {
	t.Helper()
	kept := 0
	seen := map[float64]bool{}
	for _, e := range b.all() {
		switch d := e.Data.(type) {
		case events.SamplesCaptured:
			kept += len(d.Values)
			if len(d.Values) > chunkMost || len(d.AtUs) != len(d.Values) || len(d.Bytes) != 8*len(d.Values) {
				t.Errorf("piece of %d values, %d times, %d bytes", len(d.Values), len(d.AtUs), len(d.Bytes))
			}
			if last := d.AtUs[len(d.AtUs)-1]; last > 1_000_000 || !slices.IsSorted(d.AtUs) {
				t.Errorf("piece goes on for %d us", last)
			}
			for _, v := range d.Values {
				seen[v] = true
			}
		case events.ReadingTaken:
			if v := d.Value.Base(); !seen[v] {
				t.Errorf("reading %v before its samples", v)
			}
		}
	}
	if kept != sent {
		t.Errorf("%d samples kept, %d sent", kept, sent)
	}
}

// An indicator that still stands where it stood before a restart or a pulled
// plug gives no second reading.
func TestIndicatorThatStandsStill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		ind := &indicator{}
		ind.on.Store(true)
		ind.value.Store(152)
		for range 2 {
			r := newRig(t, b, "pinn-d3", nil)
			for range 2 {
				line := <-r.lines
				go ind.serve(line)
				pass(5 * time.Second)
				line.Close()
			}
			r.stop()
		}
		if got := texts(of[events.ReadingTaken](b)); !slices.Equal(got, []string{"0.152"}) {
			t.Errorf("readings %v, want one", got)
		}
		inOrder(t, b)
	})
}

func TestPollingStopsWhileTheJournalIsAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "pinn-d3", func(c *Config) { c.Backlog = 5 })
		line := <-r.lines
		ind := &indicator{}
		ind.on.Store(true)
		go ind.serve(line)
		pass(2 * time.Second)
		b.failWith(errAway)
		pass(time.Hour)
		asked := ind.asked.Load()
		pass(time.Hour)
		if ind.asked.Load() != asked {
			t.Error("still asking although there is no room for answers")
		}
		b.failWith(nil)
		pass(10 * time.Second)
		r.stop()
		line.Close()
		checkSamples(t, b, int(ind.asked.Load()))
		if got := linkStates(b); !slices.Equal(got, []string{events.LinkUp}) {
			t.Errorf("link %v, want up only: we did not listen, the tool was not mute", got)
		}
	})
}

// A wall clock that is set again and again keeps no value from settling:
// standing still is measured by the monotonic clock.
func TestSettlesWhileTheClockJumps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "pinn-d3", func(c *Config) {
			c.Now = func() time.Time {
				now := time.Now()
				return now.Add(time.Duration(now.UnixMilli()/200%2) * time.Hour)
			}
		})
		line := <-r.lines
		ind := &indicator{}
		ind.on.Store(true)
		ind.value.Store(152)
		go ind.serve(line)
		pass(3 * time.Second)
		if got := texts(of[events.ReadingTaken](b)); !slices.Equal(got, []string{"0.152"}) {
			t.Errorf("readings %v, want one", got)
		}
		r.stop()
		line.Close()
		checkSamples(t, b, int(ind.n))
	})
}
