package ingest

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/ingest/port"
)

func TestAnswerComesAfterStoring(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", nil)
		line := <-r.lines
		heard := hear(line)
		synctest.Wait() // link up is stored
		open := b.shut()
		r.send(line, velm(317, 3525))
		if got := heard(); got != "" {
			t.Fatalf("answered %q before the reading was stored", got)
		}
		open()
		synctest.Wait()
		if got, want := heard(), string(velmAnswer(317)); got != want {
			t.Errorf("answer %q, want %q", got, want)
		}
		rs := of[events.ReadingTaken](b)
		if len(rs) != 1 || rs[0].Text != "35.25" || rs[0].Unit != "N.m" || *rs[0].ToolCounter != 317 || rs[0].DurationUs != 840_000 {
			t.Errorf("readings %+v", rs)
		}
		st := r.capture.Status()[0]
		if st.Link != events.LinkUp || st.LastText != "35.25 N·m" || st.Readings != 1 || st.NotStored != 0 {
			t.Errorf("status %+v", st)
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

func TestResentReadingIsNoSecondPull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", nil)
		line := <-r.lines
		heard := hear(line)
		// A second pull of the same value has the next number.
		r.send(line, velm(1, 3525), velm(1, 3525), velm(2, 3525), velm(1, 3525), velm(3, 2000))
		if got := len(of[events.ReadingTaken](b)); got != 3 {
			t.Errorf("%d readings, want 3", got)
		}
		rep := of[events.FrameRepeated](b)
		if len(rep) != 2 || rep[0].Of != 2 || rep[1].Of != 2 { // number 1 is the link
			t.Errorf("repeated %+v, want twice number 2", rep)
		}
		if got := of[events.CounterGapFound](b); len(got) != 0 {
			t.Errorf("gaps %+v, want none", got)
		}
		if n := strings.Count(heard(), string(velmAnswer(1))); n != 3 {
			t.Errorf("number 1 answered %d times, want 3", n)
		}

		// The service goes and comes; the tool sends its last one again.
		line.Close()
		synctest.Wait()
		r.stop()
		r = newRig(t, b, "velm-s5", nil)
		line = <-r.lines
		heard = hear(line)
		if got := r.capture.Status()[0].LastText; got != "20.00 N·m" {
			t.Errorf("last reading after a restart %q", got)
		}
		r.send(line, velm(3, 2000), velm(2, 3525), velm(4, 2000))
		if got, want := texts(of[events.ReadingTaken](b)), []string{"35.25", "35.25", "20.00", "20.00"}; !slices.Equal(got, want) {
			t.Errorf("readings %v, want %v", got, want)
		}
		if got := len(of[events.FrameRepeated](b)); got != 4 {
			t.Errorf("%d repeated, want 4", got)
		}
		if got, want := heard(), string(velmAnswer(3))+string(velmAnswer(2))+string(velmAnswer(4)); got != want {
			t.Errorf("answers %q, want %q", got, want)
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

// A journal that can tell its last event only is enough for the usual case:
// the last thing that came before the stop is the one that comes again.
func TestResentAfterRestartWithPlainJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		plain := func(c *Config) { c.Journal = onlyLast{b} }
		for range 3 {
			r := newRig(t, b, "velm-s5", plain)
			line := <-r.lines
			hear(line)
			r.send(line, velm(7, 100))
			r.stop()
			line.Close()
		}
		if n := len(of[events.ReadingTaken](b)); n != 1 {
			t.Errorf("%d readings, want 1", n)
		}
		inOrder(t, b)
	})
}

func TestGarbageCostsNoGoodFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "orrin-k2", nil)
		line := <-r.lines
		broken := orrin(1, "026,00")
		broken[9] ^= 1
		stream := slices.Concat([]byte("\x00\xff###"), orrin(0, "026,00"), broken, orrin(2, "020,00"), []byte("#0003;P;+0"))
		for _, c := range stream {
			r.send(line, []byte{c})
		}
		pass(10 * time.Minute) // the half line never ends
		synctest.Wait()
		r.send(line, orrin(4, "021,50"))
		if got, want := texts(of[events.ReadingTaken](b)), []string{"26.00", "20.00", "21.50"}; !slices.Equal(got, want) {
			t.Errorf("readings %v, want %v", got, want)
		}
		var kept []byte
		for _, e := range b.all() {
			switch d := e.Data.(type) {
			case events.ReadingTaken:
				kept = append(kept, d.Bytes...)
			case events.FrameRefused:
				kept = append(kept, d.Bytes...)
			}
		}
		if want := append(stream, orrin(4, "021,50")...); !bytes.Equal(kept, want) {
			t.Errorf("kept %q\nsent %q", kept, want)
		}
		gaps := of[events.CounterGapFound](b)
		if len(gaps) != 2 || gaps[0].After != 0 || gaps[0].Next != 2 || gaps[1].Next != 4 || gaps[0].Restart {
			t.Errorf("gaps %+v", gaps)
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

func TestOneReadIsOneAppend(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", nil)
		line := <-r.lines
		hear(line)
		synctest.Wait()
		before := b.appends
		r.send(line, slices.Concat(velm(1, 100), velm(2, 200), velm(9, 300)))
		if got := b.appends - before; got != 1 {
			t.Errorf("%d appends, want 1", got)
		}
		line.Close()
	})
}

func TestReconnectBacksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "orrin-k2", nil)
		line := <-r.lines
		r.send(line, orrin(1, "026,00"))
		pass(time.Minute)
		r.setRefuse(absent())
		pulled := time.Now()
		line.Close()
		pass(20 * time.Second)
		synctest.Wait()
		var got []time.Duration
		for _, at := range r.opened[1:] {
			got = append(got, at.Sub(pulled))
		}
		ms := time.Millisecond
		want := []time.Duration{100 * ms, 300 * ms, 700 * ms, 1500 * ms, 3100 * ms, 6100 * ms, 9100 * ms, 12100 * ms, 15100 * ms, 18100 * ms}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("attempts after the plug was pulled (-want +got):\n%s", diff)
		}
		st := r.capture.Status()[0]
		if st.Link != events.LinkAbsent || st.Detail != "plug it in" {
			t.Errorf("status %+v", st)
		}
		r.setRefuse(nil)
		line = <-r.lines
		r.send(line, orrin(2, "026,00"))
		want2 := []string{events.LinkUp, events.LinkDown, events.LinkAbsent, events.LinkUp}
		if got := linkStates(b); !slices.Equal(got, want2) {
			t.Errorf("link %v, want %v", got, want2)
		}
		if got := len(of[events.ReadingTaken](b)); got != 2 {
			t.Errorf("%d readings, want 2", got)
		}
		if g := of[events.CounterGapFound](b); len(g) != 0 {
			t.Errorf("gaps %+v", g)
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

func TestFlickeringLineIsTriedLessOften(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, newBook(), "orrin-k2", nil)
		go func() {
			for line := range r.lines {
				line.Close()
			}
		}()
		pass(time.Minute)
		r.stop()
		if n := len(r.opened); n > 30 {
			t.Errorf("opened %d times in a minute", n)
		}
		close(r.lines)
	})
}

func TestLinkStatesTellTheReason(t *testing.T) {
	for state, err := range map[string]error{
		events.LinkAbsent: portError("absent"), events.LinkDenied: portError("denied"), events.LinkBusy: portError("busy"),
	} {
		synctest.Test(t, func(t *testing.T) {
			b := newBook()
			r := newRig(t, b, "orrin-k2", func(c *Config) { c.OpenPort = refuse(err) })
			pass(time.Minute)
			if got := linkStates(b); !slices.Equal(got, []string{state}) {
				t.Errorf("link %v, want %s once", got, state)
			}
			if got := of[events.LinkChanged](b)[0].Detail; got != "do this" {
				t.Errorf("detail %q", got)
			}
			r.stop()
		})
	}
}

func TestStopWhileNothingComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, newBook(), "velm-s5", nil)
		line := <-r.lines
		r.send(line, velm(1, 100)[:10]) // and half a frame is pending
		before := time.Now()
		r.stop()
		if d := time.Since(before); d > 0 {
			t.Errorf("stopping took %v", d)
		}
		line.Close()
		if got := of[events.FrameRefused](r.book); len(got) != 1 || got[0].Reason != "cut" {
			t.Errorf("refused %+v, want the half frame", got)
		}
	})
}

func TestClockThatJumps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		off := time.Duration(0)
		r := newRig(t, b, "velm-s5", func(c *Config) { c.Now = func() time.Time { return time.Now().Add(off) } })
		line := <-r.lines
		hear(line)
		f := velm(1, 3525)
		r.send(line, f[:8])
		off = -time.Hour
		r.send(line, f[8:])
		off = 48 * time.Hour
		r.send(line, velm(2, 3525))
		rs := of[events.ReadingTaken](b)
		if len(rs) != 2 {
			t.Fatalf("%d readings, want 2", len(rs))
		}
		now := events.InstantOf(time.Now())
		if rs[0].ReceivedAtUs != now.Add(-time.Hour) || rs[1].ReceivedAtUs != now.Add(48*time.Hour) {
			t.Errorf("received at %v and %v; times of receipt follow the clock", rs[0].ReceivedAtUs.Time(), rs[1].ReceivedAtUs.Time())
		}
		line.Close()
		r.stop()
		inOrder(t, b)
	})
}

// What was read before the service is stopped is stored and answered still.
func TestStopAnswersWhatWasRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		r := newRig(t, b, "velm-s5", nil)
		line := <-r.lines
		heard := hear(line)
		synctest.Wait()
		open := b.shut()
		r.send(line, velm(1, 100))
		go func() {
			<-time.After(100 * time.Millisecond)
			open()
		}()
		r.stop()
		if got, want := heard(), string(velmAnswer(1)); got != want {
			t.Errorf("answer %q, want %q", got, want)
		}
		line.Close()
	})
}

// A USB tool is found again under another port name.
func TestFoundByUSB(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBook()
		names := make(chan string, 10)
		names <- "/dev/ttyUSB0"
		names <- "/dev/ttyUSB1"
		var asked port.USB
		r := newRig(t, b, "orrin-k2", func(c *Config) {
			d := &c.Devices[0]
			d.Port, d.USBVendor, d.USBProduct, d.USBSerial = "", "0403", "6001", "A10"
			c.FindPort = func(id port.USB) (string, error) {
				asked = id
				select {
				case n := <-names:
					return n, nil
				default:
					return "", absent()
				}
			}
		})
		line := <-r.lines
		synctest.Wait()
		line.Close()
		line = <-r.lines
		r.send(line, orrin(1, "026,00"))
		var ports []string
		for _, l := range of[events.LinkChanged](b) {
			ports = append(ports, l.State+" "+l.Port)
		}
		want := []string{"up /dev/ttyUSB0", "down /dev/ttyUSB0", "up /dev/ttyUSB1"}
		if !slices.Equal(ports, want) {
			t.Errorf("links %v, want %v", ports, want)
		}
		if want := (port.USB{Vendor: "0403", Product: "6001", Serial: "A10"}); asked != want {
			t.Errorf("looked for %v, want %v", asked, want)
		}
		line.Close()
	})
}

func TestValidate(t *testing.T) {
	dev := func(id, port string) events.Device { return events.Device{ID: id, Port: port, Profile: "velm-s5"} }
	usb := func(id, serial string) events.Device {
		return events.Device{ID: id, USBVendor: "0403", USBProduct: "6001", USBSerial: serial, Profile: "velm-s5"}
	}
	tests := []struct {
		name    string
		devices []events.Device
		want    string
	}{
		{"good", []events.Device{dev("a", "/dev/x"), dev("b", "/dev/y"), usb("c", "1"), usb("d", "2")}, ""},
		{"id that is no source", []events.Device{dev("a.b", "/dev/x")}, "letters, digits"},
		{"id twice", []events.Device{dev("a", "/dev/x"), dev("a", "/dev/y")}, "twice"},
		{"port twice", []events.Device{dev("a", "/dev/x"), dev("b", "/dev/x")}, `"a" has /dev/x already`},
		{"adapter twice", []events.Device{usb("a", ""), usb("b", "")}, "usb_serial"},
		{"no port", []events.Device{dev("a", "")}, "neither port nor"},
		{"no such profile", []events.Device{{ID: "a", Port: "/dev/x", Profile: "nothing"}}, "nothing"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := New(Config{Devices: tt.devices, Journal: newBook()})
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("error %v, want %q", err, tt.want)
			}
		})
	}
}
