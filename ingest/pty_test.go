package ingest

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"witnessmark/events"
	"witnessmark/ingest/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// newPTY returns the tool's end of a pseudo-terminal, and the name of ours.
func newPTY(t testing.TB) (tool *os.File, name string) {
	t.Helper()
	tool, ours, err := pty.Open()
	if err != nil {
		t.Skipf("SKIPPED: no pseudo-terminals here: %v", err)
	}
	t.Cleanup(func() { tool.Close() })
	defer ours.Close()
	st, err := unix.IoctlGetTermios(int(ours.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	st.Lflag &^= unix.ECHO | unix.ICANON | unix.ISIG
	st.Iflag, st.Oflag = 0, 0
	if err := unix.IoctlSetTermios(int(ours.Fd()), unix.TCSETS, st); err != nil {
		t.Fatal(err)
	}
	// The poller gives reads of the tool's end their deadlines.
	if err := unix.SetNonblock(int(tool.Fd()), true); err != nil {
		t.Fatal(err)
	}
	f := os.NewFile(uintptr(dup(t, tool)), "tool")
	t.Cleanup(func() { f.Close() })
	tool.Close()
	return f, ours.Name()
}

func dup(t testing.TB, f *os.File) int {
	t.Helper()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		t.Fatal(err)
	}
	return fd
}

// capture starts capturing devices for real.
func capture(t testing.TB, b Appender, devices ...events.Device) *Capture {
	t.Helper()
	c, err := New(Config{Devices: devices, Journal: b, Reopen: Backoff{time.Millisecond, 10 * time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("run: %v", err)
		}
	})
	return c
}

// until waits until ok says so, looking again with every Append.
func (b *book) until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	limit := time.After(5 * time.Minute)
	for {
		b.mu.Lock()
		changed := b.changed
		b.mu.Unlock()
		if ok() {
			return
		}
		select {
		case <-changed:
		case <-limit:
			t.Fatalf("waited in vain until %s; there are %d events", what, len(b.all()))
		}
	}
}

func (b *book) untilLink(t testing.TB, state string, times int) {
	t.Helper()
	b.until(t, "the link is "+state, func() bool {
		n := 0
		for _, s := range linkStates(b) {
			if s == state {
				n++
			}
		}
		return n >= times
	})
}

func (b *book) untilReadings(t testing.TB, n int) {
	t.Helper()
	b.until(t, "readings are there", func() bool { return len(of[events.ReadingTaken](b)) >= n })
}

func put(t testing.TB, tool *os.File, bs ...[]byte) {
	t.Helper()
	for _, b := range bs {
		if _, err := tool.Write(b); err != nil {
			t.Fatal(err)
		}
	}
}

// listen returns the next n bytes that the tool is sent, or "" if none come.
func listen(t testing.TB, tool *os.File, n int, within time.Duration) string {
	t.Helper()
	if err := tool.SetReadDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 0, n)
	for len(got) < n {
		k, err := tool.Read(got[len(got):n])
		if err != nil {
			break
		}
		got = got[:len(got)+k]
	}
	return string(got)
}

func TestRealLineAnswersAfterStoring(t *testing.T) {
	tool, name := newPTY(t)
	b := newBook()
	capture(t, b, events.Device{ID: "d1", Tool: "t1", Bench: "b1", Profile: "velm-s5", Port: name})
	b.untilLink(t, events.LinkUp, 1)
	open := b.shut()
	put(t, tool, velm(317, 3525))
	if got := listen(t, tool, 8, 100*time.Millisecond); got != "" {
		t.Errorf("answered %q before the reading was stored", got)
	}
	open()
	if got, want := listen(t, tool, 8, 5*time.Minute), string(velmAnswer(317)); got != want {
		t.Errorf("answer %q, want %q", got, want)
	}
	if rs := of[events.ReadingTaken](b); len(rs) != 1 || rs[0].Stale {
		t.Errorf("readings %+v", rs)
	}
}

func TestRealLineHangsUpAndComesBack(t *testing.T) {
	tool, name := newPTY(t)
	link := filepath.Join(t.TempDir(), "tool")
	if err := os.Symlink(name, link); err != nil {
		t.Fatal(err)
	}
	b := newBook()
	c := capture(t, b, events.Device{ID: "d1", Tool: "t1", Bench: "b1", Profile: "orrin-k2", Port: link})
	b.untilLink(t, events.LinkUp, 1)
	put(t, tool, orrin(1, "026,00"))
	b.untilReadings(t, 1)
	tool.Close()
	b.untilLink(t, events.LinkDown, 1)
	b.untilLink(t, events.LinkAbsent, 1)

	tool, name = newPTY(t)
	next := link + ".new"
	if err := os.Symlink(name, next); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(next, link); err != nil {
		t.Fatal(err)
	}
	b.untilLink(t, events.LinkUp, 2)
	put(t, tool, orrin(2, "020,00"))
	b.untilReadings(t, 2)
	if got, want := texts(of[events.ReadingTaken](b)), []string{"26.00", "20.00"}; !slices.Equal(got, want) {
		t.Errorf("readings %v, want %v", got, want)
	}
	if st := c.Status()[0]; st.Link != events.LinkUp || st.Readings != 2 || st.LastText != "20.00 lbf·ft" {
		t.Errorf("status %+v", st)
	}
	inOrder(t, b)
}

func TestRealLineStaleReadings(t *testing.T) {
	tool, name := newPTY(t)
	put(t, tool, orrin(1, "026,00"), orrin(2, "020,00")[:10])
	b := newBook()
	capture(t, b, events.Device{ID: "d1", Tool: "t1", Bench: "b1", Profile: "orrin-k2", Port: name})
	b.untilReadings(t, 1)
	put(t, tool, orrin(2, "020,00")[10:], orrin(3, "021,00"))
	b.untilReadings(t, 3)
	var stale []bool
	for _, r := range of[events.ReadingTaken](b) {
		stale = append(stale, r.Stale)
	}
	// The second was half sent before; its end came now.
	if want := []bool{true, false, false}; !slices.Equal(stale, want) {
		t.Errorf("stale %v, want %v", stale, want)
	}
}

func TestRealLineBelongsToOneDevice(t *testing.T) {
	tool, name := newPTY(t)
	link := filepath.Join(t.TempDir(), "tool")
	if err := os.Symlink(name, link); err != nil {
		t.Fatal(err)
	}
	b := newBook()
	capture(t, b,
		events.Device{ID: "d1", Tool: "t1", Profile: "orrin-k2", Port: name},
		events.Device{ID: "d2", Tool: "t2", Profile: "orrin-k2", Port: link},
	)
	b.untilLink(t, events.LinkUp, 1)
	b.untilLink(t, events.LinkBusy, 1)
	put(t, tool, orrin(1, "026,00"))
	b.untilReadings(t, 1)
	if n := len(of[events.ReadingTaken](b)); n != 1 {
		t.Errorf("%d readings, want 1", n)
	}
	if _, err := port.Open(name, port.Line{Baud: 9600}); err == nil {
		t.Error("the port could be opened a second time")
	}
}

func TestRealLinePolledIndicator(t *testing.T) {
	tool, name := newPTY(t)
	b := newBook()
	capture(t, b, events.Device{ID: "d1", Tool: "t1", Bench: "b1", Profile: "pinn-d3", Port: name})
	b.untilLink(t, events.LinkUp, 1) // before, the tool's end gives an error
	go func() {
		buf := make([]byte, 2)
		for n := byte(0); ; n++ {
			if _, err := tool.Read(buf); err != nil {
				return
			}
			if _, err := tool.Write(pinn(n, 152)); err != nil {
				return
			}
		}
	}()
	b.untilReadings(t, 1)
	if r := of[events.ReadingTaken](b)[0]; r.Text != "0.152" || r.Mode != events.ModeSettled {
		t.Errorf("reading %+v", r)
	}
	tool.Close()
	b.untilLink(t, events.LinkDown, 1)
}
