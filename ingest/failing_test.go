package ingest

import (
	"slices"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/port"
	"witnessmark/ingest/profile"
)

func portError(kind port.Kind) error {
	return &port.Error{Kind: kind, Port: "/dev/pipe", Detail: "do this"}
}

func refuse(err error) func(string, profile.Line) (Port, error) {
	return func(string, profile.Line) (Port, error) { return nil, err }
}

func TestJournalAwayLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const most, sent = 10, 40
		b := newBook()
		r := newRig(t, b, "velm-s5", func(c *Config) { c.Backlog = most })
		line := <-r.lines
		heard := hear(line)
		synctest.Wait()
		b.failWith(errAway)
		go func() {
			for i := range sent {
				if _, err := line.Write(velm(i, 100*i)); err != nil {
					t.Error(err)
					return
				}
			}
		}()
		pass(time.Minute)
		synctest.Wait()
		st := r.capture.Status()[0]
		if st.NotStored != most || st.StoreError != errAway.Error() || !st.Held {
			t.Errorf("status %+v, want %d not stored and the port held", st, most)
		}
		if st.Readings != 0 || st.LastAt != 0 {
			t.Errorf("status %+v shows readings as taken, although none is stored", st)
		}
		if got := heard(); got != "" {
			t.Errorf("answered %q although nothing is stored", got)
		}
		b.failWith(nil)
		pass(time.Minute)
		synctest.Wait()
		var want []string
		answers := ""
		for i := range sent {
			want = append(want, strconv.Itoa(i)+".00")
			answers += string(velmAnswer(i))
		}
		if got := texts(of[events.ReadingTaken](b)); !slices.Equal(got, want) {
			t.Errorf("readings %v, want %v", got, want)
		}
		if got := heard(); got != answers {
			t.Errorf("answers %q, want one for each, in order", got)
		}
		if st := r.capture.Status()[0]; st.NotStored != 0 || st.Held || st.Readings != sent {
			t.Errorf("status %+v, want all stored and shown as taken", st)
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

// An event that was stored although Append failed must not be there twice,
// nor put the rest out of order.
func TestUnknownOutcome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", func(c *Config) { c.Journal = &forgetful{book: b} })
		line := <-r.lines
		heard := hear(line)
		for i := range 5 {
			r.send(line, velm(i, 100*i))
		}
		pass(time.Minute)
		if got, want := texts(of[events.ReadingTaken](b)), []string{"0.00", "1.00", "2.00", "3.00", "4.00"}; !slices.Equal(got, want) {
			t.Errorf("readings %v, want %v", got, want)
		}
		if len(heard()) != 5*len(velmAnswer(0)) {
			t.Errorf("answers %q", heard())
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

// An event that cannot be written at all becomes a refused frame and does not
// hold up the rest.
func TestUnwritableEventHoldsUpNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", nil)
		line := <-r.lines
		hear(line)
		synctest.Wait()
		d := r.capture.devices[0]
		d.store.put([]pending{d.event(1, events.SamplesCaptured{Device: "d1", Values: []float64{nan()}, Bytes: []byte("x")})})
		r.send(line, velm(1, 100))
		pass(time.Minute)
		if got := of[events.FrameRefused](b); len(got) != 1 || string(got[0].Bytes) != "x" {
			t.Errorf("refused %+v", got)
		}
		if got := len(of[events.ReadingTaken](b)); got != 1 {
			t.Errorf("%d readings, want 1", got)
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

// A tool that takes no bytes must not hold up the storing of what it sends.
func TestToolThatDoesNotListen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", nil)
		line := <-r.lines // nobody reads from it
		for i := range 4 {
			r.send(line, velm(i, 100))
		}
		pass(10 * time.Second)
		if got := len(of[events.ReadingTaken](b)); got != 4 {
			t.Errorf("%d readings, want 4", got)
		}
		line.Close()
	})
}

func TestStopGivesUpAfterGrace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		c, err := New(Config{
			Devices: []events.Device{{ID: "d1", Profile: "velm-s5", Port: "/dev/none"}}, Journal: b, OpenPort: refuse(absent()),
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := withCancel(t)
		done := make(chan error, 1)
		go func() { done <- c.Run(ctx) }()
		synctest.Wait()
		b.failWith(errAway)
		d := c.devices[0]
		d.store.put([]pending{d.event(1, events.FrameRefused{Device: "d1", Reason: "noise"})})
		cancel()
		before := time.Now()
		if err := <-done; err == nil {
			t.Error("no error although an event was not stored")
		}
		if took := time.Since(before); took > 5*time.Second {
			t.Errorf("gave up after %v", took)
		}
	})
}

// While the journal cannot tell where the numbers stand, no port is opened.
func TestJournalAwayAtTheStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		b.failWith(errAway)
		r := newRig(t, b, "velm-s5", nil)
		pass(time.Minute)
		if len(r.opened) != 0 {
			t.Error("port opened before the journal answered")
		}
		b.failWith(nil)
		line := <-r.lines
		hear(line)
		r.send(line, velm(1, 100))
		if got := len(of[events.ReadingTaken](b)); got != 1 {
			t.Errorf("%d readings, want 1", got)
		}
		line.Close()
	})
}

// While the port is held, the rest of a frame waits in the line. That is no
// silence of the tool, and does not cut the frame.
func TestHeldPortCutsNoFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", func(c *Config) { c.Backlog = 2 })
		line := <-r.lines
		hear(line)
		synctest.Wait()
		b.failWith(errAway)
		last := velm(3, 300)
		r.send(line, slices.Concat(velm(1, 100), velm(2, 200), last[:10]))
		go line.Write(last[10:])
		pass(time.Hour)
		b.failWith(nil)
		pass(time.Minute)
		if got, want := texts(of[events.ReadingTaken](b)), []string{"1.00", "2.00", "3.00"}; !slices.Equal(got, want) {
			t.Errorf("readings %v, want %v", got, want)
		}
		if got := of[events.FrameRefused](b); len(got) != 0 {
			t.Errorf("refused %+v, want none", got)
		}
		line.Close()
	})
}
