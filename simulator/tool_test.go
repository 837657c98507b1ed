package simulator

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"witnessmark/events/quantity"
)

// pipe is a line without a kernel, for synctest.
type pipe struct{ net.Conn }

func (pipe) Plug(bool) error { return nil }

func open(t *testing.T, spec ToolSpec, p Port) Device {
	t.Helper()
	d, err := NewDevice(spec, p, WallClock(0), 1)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// start runs a device and returns what stops it.
func start(t *testing.T, d Device) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Errorf("run: %v", err)
		}
	})
	return func() { cancel(); wg.Wait() }
}

var somePull = Pull{Peak: quantity.NewtonMetres(35.25), Angle: quantity.Degrees(15.5), Duration: 840 * time.Millisecond}

func TestS5SendsAgainUntilAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		host, tool := net.Pipe()
		d := open(t, ToolSpec{ID: "s5", Model: VelmS5, Counter: 317}, pipe{tool})
		stop := start(t, d)
		ctx := context.Background()
		first, err := d.Pull(ctx, somePull, Wire{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := d.Pull(ctx, somePull, Wire{}); err != nil { // queues meanwhile
			t.Fatal(err)
		}
		began := time.Now()
		r := bufio.NewReader(host)
		next := func() (string, time.Duration) {
			frame, err := r.ReadString(0x03)
			if err != nil {
				t.Fatal(err)
			}
			return frame, time.Since(began)
		}
		one, at1 := next()
		io.WriteString(host, "\x06000316\rnoise\x06") // of a number it no longer holds, and half an answer
		two, at2 := next()
		if one != two || !strings.HasPrefix(one, "\x02T000317+") || at1 != 0 || at2 != 1500*time.Millisecond {
			t.Errorf("got %q at %v and %q at %v; want the same bytes 1.5 s later", one, at1, two, at2)
		}
		if first.Counter != 317 || !first.Arrives || first.Unit != quantity.NewtonMetre || !strings.Contains(one, strings.Replace(first.Text, ".", "", 1)) {
			t.Errorf("sent %+v as %q", first, one)
		}
		io.WriteString(host, "\x06000317\r")
		if three, at := next(); !strings.HasPrefix(three, "\x02T000318+") || at != at2 {
			t.Errorf("after the answer: %q at %v", three, at)
		}
		for range 20 {
			next()
		}
		// Sent once and twenty times again: now it gives up.
		host.SetReadDeadline(time.Now().Add(time.Hour))
		if b, err := r.ReadByte(); err == nil {
			t.Errorf("after the 20th repeat came %q", b)
		}
		if s := d.(*s5); !s.sentAgain(317) || !s.sentAgain(318) || s.sentAgain(319) {
			t.Error("want it known that 317 and 318 were sent again for want of an answer, and 319 was not")
		}
		stop()
		host.Close()
	})
}

func TestS5DamagedDeafAndNoisy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		host, tool := net.Pipe()
		d := open(t, ToolSpec{ID: "s5", Model: VelmS5}, pipe{tool})
		stop := start(t, d)
		r := bufio.NewReader(host)
		for _, w := range []Wire{{Garble: 1}, {Deaf: 1}, {Noise: 5}} {
			if _, err := d.Pull(context.Background(), somePull, w); err != nil {
				t.Fatal(err)
			}
		}
		var frames []string
		next := func() string {
			f, err := r.ReadString(0x03)
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, f)
			return f
		}
		bad, good := next(), next()
		if bad == good || !whole(good) || whole(bad) {
			t.Errorf("damaged %q, then %q", bad, good)
		}
		io.WriteString(host, "\x06000000\r")
		deaf := next()
		io.WriteString(host, "\x06000001\r")
		if again := next(); again != deaf || !whole(deaf) {
			t.Errorf("deaf: %q, then %q", deaf, again)
		}
		io.WriteString(host, "\x06000001\r")
		if noisy := next(); len(noisy) != 5+28 || !whole(noisy[5:]) {
			t.Errorf("noise: %q", noisy)
		}
		for n := range uint64(3) {
			if d.(*s5).sentAgain(n) {
				t.Errorf("reading %d was sent again on purpose, not because the machine was slow", n)
			}
		}
		stop()
		host.Close()
	})
}

// whole checks an S5 frame's CRC.
func whole(f string) bool {
	if len(f) != 28 || f[0] != 2 {
		return false
	}
	want := s5Frame(0, '+', "0.00", "1", '0', 0)[:0]
	want = append(want, f[23:27]...)
	crc := modbus([]byte(f[1:23]))
	return string(want) == strings.ToUpper(hex4(crc))
}

func hex4(v uint16) string {
	const digits = "0123456789ABCDEF"
	return string([]byte{digits[v>>12], digits[v>>8&15], digits[v>>4&15], digits[v&15]})
}

func TestD3AnswersAndStreams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		host, tool := net.Pipe()
		d := open(t, ToolSpec{ID: "d3", Model: PinnD3}, pipe{tool})
		stop := start(t, d)
		frame := func() []byte {
			b := make([]byte, 8)
			if _, err := io.ReadFull(host, b); err != nil {
				t.Fatal(err)
			}
			return b
		}
		s, err := d.Measure(context.Background(), quantity.Millimetres(0.18), Wire{})
		if err != nil || s.Text != "0.180" || s.Unit != quantity.Millimetre {
			t.Errorf("sent %+v, %v", s, err)
		}
		<-time.After(time.Second) // of the bubble
		io.WriteString(host, "xR\r\r")
		f := frame()
		if n := int(f[4])<<8 | int(f[5]); f[0] != 0xA5 || f[1] != 0 || n < 177 || n > 183 {
			t.Errorf("polled: % X", f)
		}
		io.WriteString(host, "S\r")
		began := time.Now()
		last := f[6]
		for range 50 {
			f := frame()
			if f[6] != last+1 {
				t.Fatalf("frame number %d after %d", f[6], last)
			}
			last = f[6]
		}
		if gone := time.Since(began); gone > time.Second || gone < 950*time.Millisecond {
			t.Errorf("50 frames took %v", gone)
		}
		go io.Copy(io.Discard, host)
		io.WriteString(host, "Q\r")
		d.Lift()
		<-time.After(time.Second) // of the bubble
		if at := d.(*d3).place(); at > 1e-6 {
			t.Errorf("lifted, the probe is at %v mm", at)
		}
		d.Measure(context.Background(), quantity.Millimetres(13), Wire{})
		<-time.After(time.Second) // of the bubble
		if f := d.(*d3).nextFrame(); f[1] != 4 {
			t.Errorf("past its range the status is %X", f[1])
		}
		stop()
		host.Close()
	})
}

func TestK2CountsAndWraps(t *testing.T) {
	r := &recorder{rec: &Recording{Bytes: map[string][]byte{}, Writes: map[string][]Write{}}}
	d := open(t, ToolSpec{ID: "k2", Model: OrrinK2, Unit: quantity.PoundFoot, Counter: 9999, Bias: 0.002}, &tape{r: r, tool: "k2"})
	ctx := context.Background()
	for _, want := range []uint64{9999, 0} {
		s, err := d.Pull(ctx, somePull, Wire{})
		if err != nil || s.Counter != want {
			t.Errorf("counter %d, %v; want %d", s.Counter, err, want)
		}
		if v := s.Value.In(quantity.NewtonMetre); v < 35.25*1.0005 || v > 35.25*1.0045 {
			t.Errorf("shown %v N·m", v)
		}
	}
	if s, _ := d.Pull(ctx, somePull, Wire{Garble: 1}); s.Arrives {
		t.Error("a damaged frame of a K2 arrives")
	}
	d.Plug(false)
	if s, _ := d.Pull(ctx, somePull, Wire{}); s.Arrives {
		t.Error("a frame arrives without a cable")
	}
	d.Plug(true)
	if _, err := d.Pull(ctx, somePull, Wire{}); err != nil || bytes.Count(r.rec.Bytes["k2"], []byte("\r\n")) != 3 {
		t.Errorf("sent while nobody listened: %v", err)
	}
	d.Listened()
	if n := bytes.Count(r.rec.Bytes["k2"], []byte("\r\n")); n != 3 {
		t.Errorf("%d lines in %q, want 3", n, r.rec.Bytes["k2"])
	}
	if len(r.rec.Writes["k2"]) != 9 {
		t.Errorf("%d writes, want three for each frame", len(r.rec.Writes["k2"]))
	}
	if _, err := d.Measure(ctx, quantity.Millimetres(1), Wire{}); err == nil {
		t.Error("a wrench measured a length")
	}
	if err := d.SetUnit(quantity.Thou); err == nil {
		t.Error("a wrench was set to thou")
	}
}

// On a real pseudo-terminal: bytes pass as they are, the path outlives the
// cable, and closing ends a read.
func TestLine(t *testing.T) {
	link := filepath.Join(t.TempDir(), "k2")
	l, err := OpenLine(link)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	pass := func() {
		t.Helper()
		f, err := os.OpenFile(l.Path(), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		f.SetDeadline(time.Now().Add(5 * time.Minute))
		got := make([]byte, 256)
		if _, err := l.Write(all); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(f, got); err != nil || !bytes.Equal(got, all) {
			t.Errorf("out: % X, %v", got, err)
		}
		if _, err := f.Write(all); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(l, got); err != nil || !bytes.Equal(got, all) {
			t.Errorf("in: % X, %v", got, err)
		}
	}
	pass()
	before, err := os.OpenFile(l.Path(), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Plug(false); err != nil {
		t.Fatal(err)
	}
	before.SetDeadline(time.Now().Add(5 * time.Minute))
	if n, err := before.Read(make([]byte, 1)); err == nil && n > 0 {
		t.Error("a byte came over a pulled cable")
	}
	before.Close()
	if _, err := os.Lstat(link); err == nil {
		t.Error("the port is still there without its cable")
	}
	if n, err := l.Write([]byte("lost")); n != 4 || err != nil {
		t.Errorf("write without a cable: %d, %v", n, err)
	}
	if err := l.Plug(true); err != nil {
		t.Fatal(err)
	}
	pass()
	var wg sync.WaitGroup
	wg.Go(func() {
		if _, err := l.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("read of a closed line: %v, want EOF", err)
		}
	})
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	wg.Wait()
}

// S5 over a real pseudo-terminal: the frame comes again with the same bytes.
func TestS5OverALine(t *testing.T) {
	rig, err := OpenRig(RigConfig{Dir: t.TempDir(), Tools: []ToolSpec{{ID: "s5", Model: VelmS5, Resend: 20 * time.Millisecond}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := rig.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	defer func() { cancel(); wg.Wait(); rig.Close() }()
	f, err := os.OpenFile(rig.Path("s5"), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	f.SetDeadline(time.Now().Add(5 * time.Minute))
	if _, err := rig.Tools()["s5"].Pull(ctx, somePull, Wire{}); err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReader(f)
	one, err := r.ReadString(3)
	if err != nil {
		t.Fatal(err)
	}
	if two, err := r.ReadString(3); err != nil || two != one || !whole(one) {
		t.Errorf("%q, then %q, %v", one, two, err)
	}
	io.WriteString(f, "\x06000000\r")
	if _, err := rig.Tools()["s5"].Pull(ctx, somePull, Wire{}); err != nil {
		t.Fatal(err)
	}
	for { // copies of the first may still be in the line
		next, err := r.ReadString(3)
		if err != nil {
			t.Fatal(err)
		}
		if next != one {
			if !strings.HasPrefix(next, "\x02T000001+") {
				t.Errorf("after the answer came %q", next)
			}
			return
		}
	}
}

// The cable of an S5 comes out before it is answered: once it is in again, the
// same reading comes again.
func TestS5OutlivesItsCable(t *testing.T) {
	rig, err := OpenRig(RigConfig{Dir: t.TempDir(), Tools: []ToolSpec{{ID: "s5", Model: VelmS5, Resend: 20 * time.Millisecond}}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := rig.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	defer func() { cancel(); wg.Wait(); rig.Close() }()
	s5 := rig.Tools()["s5"]
	for i := range 3 {
		f, err := os.OpenFile(rig.Path("s5"), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		f.SetDeadline(time.Now().Add(5 * time.Minute))
		if err := s5.Plug(false); err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, f); errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal("the reader does not see that the cable is out")
		}
		sent, err := s5.Pull(ctx, somePull, Wire{})
		if err != nil || !sent.Arrives {
			t.Fatalf("%+v, %v", sent, err)
		}
		if err := s5.Plug(true); err != nil {
			t.Fatal(err)
		}
		f.Close()
		if f, err = os.OpenFile(rig.Path("s5"), os.O_RDWR, 0); err != nil {
			t.Fatal(err)
		}
		f.SetDeadline(time.Now().Add(5 * time.Minute))
		s5.Listened()
		r := bufio.NewReader(f)
		want := fmt.Sprintf("\x02T%06d+", i)
		for {
			frame, err := r.ReadString(3)
			if err != nil {
				t.Fatal(err)
			}
			if strings.HasPrefix(frame, want) {
				break
			}
		}
		fmt.Fprintf(f, "\x06%06d\r", i)
		f.Close()
	}
}

func TestToolsThatCannotBe(t *testing.T) {
	for name, specs := range map[string][]ToolSpec{
		"no id":        {{Model: OrrinK2}},
		"no model":     {{ID: "x", Model: "other"}},
		"wrong unit":   {{ID: "x", Model: VelmS5, Unit: quantity.Millimetre}},
		"twice the id": {{ID: "x", Model: VelmS5}, {ID: "x", Model: VelmS5}},
	} {
		if rig, err := OpenRig(RigConfig{Dir: t.TempDir(), Tools: specs}); err == nil {
			t.Errorf("%s: opened", name)
			rig.Close()
		}
	}
}

// The T9 sends summary and trace, and all of it again without an answer.
func TestT9SendsPullAndTrace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		host, tool := net.Pipe()
		d := open(t, ToolSpec{ID: "t9", Model: TarnT9, Counter: 317}, pipe{tool})
		stop := start(t, d)
		p := somePull
		p.Swings = []Swing{{Length: 500 * time.Millisecond, From: quantity.NewtonMetres(3.5), To: p.Peak, Turn: p.Angle}}
		if _, err := d.Pull(context.Background(), p, Wire{}); err != nil {
			t.Fatal(err)
		}
		frame := func() []byte {
			head := make([]byte, 4)
			if _, err := io.ReadFull(host, head); err != nil || head[0] != 0xC5 || head[1] != 0x3A {
				t.Fatalf("no mark: %X, %v", head, err)
			}
			rest := make([]byte, int(head[2])+int(head[3])<<8+2)
			if _, err := io.ReadFull(host, rest); err != nil {
				t.Fatal(err)
			}
			if n := len(rest) - 2; modbus(append(head[2:], rest[:n]...)) != uint16(rest[n])|uint16(rest[n+1])<<8 {
				t.Errorf("frame %X %X has a wrong CRC", head, rest)
			}
			return rest[:len(rest)-2]
		}
		began := time.Now()
		all := func() (samples int, whole []byte) {
			sum := frame()
			want := int(sum[13]) | int(sum[14])<<8
			whole = append(whole, sum...)
			for samples < want {
				b := frame()
				samples += (len(b) - 7) / 4
				whole = append(whole, b...)
			}
			return samples, whole
		}
		n, first := all()
		again, second := all()
		if n != 502 || again != n || !bytes.Equal(first, second) || time.Since(began) != 2500*time.Millisecond {
			t.Errorf("%d samples, then %d after %v; want 502 twice, 2.5 s apart", n, again, time.Since(began))
		}
		io.WriteString(host, "K00317\n")
		host.SetReadDeadline(time.Now().Add(time.Hour))
		if b, err := host.Read(make([]byte, 1)); err == nil {
			t.Errorf("after the answer came %d bytes", b)
		}
		stop()
		host.Close()
	})
}
