package port

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var line = Line{Baud: 38400, DataBits: 8, Parity: "none", StopBits: "1"}

// newPTY returns the tool's end of a pseudo-terminal and the name of ours.
func newPTY(t *testing.T) (tool *os.File, name string) {
	t.Helper()
	tool, ours, err := pty.Open()
	if err != nil {
		t.Skipf("SKIPPED: no pseudo-terminals here: %v", err)
	}
	t.Cleanup(func() { tool.Close() })
	defer ours.Close()
	// Raw from the beginning, or what waits would be echoed and edited.
	st, err := unix.IoctlGetTermios(int(ours.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	st.Lflag &^= unix.ECHO | unix.ICANON | unix.ISIG
	st.Iflag, st.Oflag = 0, 0
	if err := unix.IoctlSetTermios(int(ours.Fd()), unix.TCSETS, st); err != nil {
		t.Fatal(err)
	}
	return tool, ours.Name()
}

func open(t *testing.T, name string) *Port {
	t.Helper()
	p, err := Open(name, line)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func write(t *testing.T, f *os.File, s string) {
	t.Helper()
	if _, err := f.WriteString(s); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, p *Port) string {
	t.Helper()
	if err := p.SetReadDeadline(time.Now().Add(5 * time.Minute)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 100)
	n, err := p.Read(buf)
	if err != nil {
		t.Fatal(err)
	}
	return string(buf[:n])
}

func wantKind(t *testing.T, err error, kind Kind, words ...string) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) || e.Kind != kind {
		t.Fatalf("error %v, want kind %s", err, kind)
	}
	for _, w := range words {
		if !strings.Contains(e.Error(), w) {
			t.Errorf("error %q does not say %q", e, w)
		}
	}
}

func TestBothWays(t *testing.T) {
	tool, name := newPTY(t)
	p := open(t, name)
	write(t, tool, "\x02\r\n\x03\x11\x13\xff\x00") // nothing of it is special in raw mode
	if got, want := read(t, p), "\x02\r\n\x03\x11\x13\xff\x00"; got != want {
		t.Errorf("read %q, want %q", got, want)
	}
	if _, err := p.Write([]byte("\x06000317\r")); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 100)
	n, _ := tool.Read(buf)
	if got, want := string(buf[:n]), "\x06000317\r"; got != want {
		t.Errorf("tool read %q, want %q", got, want)
	}
}

func TestBaudRateIsSet(t *testing.T) {
	_, name := newPTY(t)
	p := open(t, name)
	err := p.control(func(fd int) error {
		st, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		if err == nil && st.Cflag&unix.CBAUD != unix.B38400 {
			t.Errorf("speed bits %o, want B38400", st.Cflag&unix.CBAUD)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestStaleBytes(t *testing.T) {
	for _, waiting := range []string{"", "yesterday", strings.Repeat("0123456789abcdef", 700)} {
		tool, name := newPTY(t)
		write(t, tool, waiting)
		p := open(t, name)
		if got := string(p.Stale()); got != waiting {
			t.Errorf("stale: %d bytes, want %d", len(got), len(waiting))
		}
		write(t, tool, "today")
		if got := read(t, p); got != "today" {
			t.Errorf("read %.40q, want what came after opening", got)
		}
	}
}

func TestSecondOpenIsBusy(t *testing.T) {
	_, name := newPTY(t)
	p := open(t, name)
	link := filepath.Join(t.TempDir(), "tool")
	if err := os.Symlink(name, link); err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{name, link} {
		_, err := Open(n, Line{Baud: 9600})
		wantKind(t, err, Busy, "another device of this service has it open", "end that")
	}
	// The first one's speed is as it was.
	_ = p.control(func(fd int) error {
		if st, err := unix.IoctlGetTermios(fd, unix.TCGETS); err != nil || st.Cflag&unix.CBAUD != unix.B38400 {
			t.Errorf("the second open changed the speed, or %v", err)
		}
		return nil
	})
	p.Close()
	open(t, link)
}

// Another process holds the lock, and dies without giving it back.
func TestLockEndsWithTheProcess(t *testing.T) {
	if name := os.Getenv("WITNESSMARK_TEST_HOLD"); name != "" {
		p, err := Open(name, line)
		if err != nil {
			os.Exit(3)
		}
		os.Stdout.WriteString("held\n")
		p.Read(make([]byte, 1)) // until killed
		os.Exit(4)
	}
	_, name := newPTY(t)
	cmd := exec.Command(os.Args[0], "-test.run=^TestLockEndsWithTheProcess$")
	cmd.Env = append(os.Environ(), "WITNESSMARK_TEST_HOLD="+name)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := out.Read(make([]byte, 10)); err != nil {
		t.Fatal(err)
	}
	_, err = Open(name, line)
	wantKind(t, err, Busy, "end that")
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	open(t, name)
}

func TestHangUpIsNotOurClose(t *testing.T) {
	tool, name := newPTY(t)
	p := open(t, name)
	tool.Close()
	if _, err := p.Read(make([]byte, 10)); !errors.Is(err, ErrHungUp) {
		t.Errorf("read after a hang-up: %v, want ErrHungUp", err)
	}
	if _, err := p.Write([]byte("x")); !errors.Is(err, ErrHungUp) {
		t.Errorf("write after a hang-up: %v, want ErrHungUp", err)
	}
	p.Close()
	_, err := Open(name, line)
	wantKind(t, err, Absent, "no such port")

	_, name = newPTY(t)
	p = open(t, name)
	var wg sync.WaitGroup
	wg.Go(func() {
		if _, err := p.Read(make([]byte, 10)); !errors.Is(err, os.ErrClosed) {
			t.Errorf("read while we close: %v, want os.ErrClosed", err)
		}
	})
	runtime.Gosched()
	p.Close()
	wg.Wait()
}

// Once closed, the number may be another file's: nothing may go there.
func TestNoWriteAfterClose(t *testing.T) {
	_, name := newPTY(t)
	p := open(t, name)
	p.Close()
	path := filepath.Join(t.TempDir(), "stranger")
	var files []*os.File
	for range 20 { // one of them has the number now
		f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, f)
	}
	if _, err := p.Write([]byte("ACK")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("write after close: %v, want os.ErrClosed", err)
	}
	for _, f := range files {
		f.Close()
	}
	if b, _ := os.ReadFile(path); len(b) > 0 {
		t.Errorf("%q went to a stranger's file", b)
	}
}

// A descriptor that select(2) could not take.
func TestHighDescriptor(t *testing.T) {
	tool, name := newPTY(t)
	var files []*os.File
	defer func() {
		for _, f := range files {
			f.Close()
		}
	}()
	for len(files) == 0 || files[len(files)-1].Fd() < 1100 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Skipf("SKIPPED: no more than %d files may be open here: %v", len(files), err)
		}
		files = append(files, f)
	}
	p := open(t, name)
	write(t, tool, "hello")
	if got := read(t, p); got != "hello" {
		t.Errorf("read %q", got)
	}
}

func TestWhatIsNoPort(t *testing.T) {
	_, err := Open("/dev/ttyNOTHING7", line)
	wantKind(t, err, Absent, "no such port", "plug the tool in")
	_, err = Open(os.DevNull, line)
	wantKind(t, err, Unusable, "no serial port")
	_, err = Open(t.TempDir(), line)
	wantKind(t, err, Unusable, "no serial port")
	_, name := newPTY(t)
	_, err = Open(name, Line{Baud: 9600, Parity: "strange"})
	wantKind(t, err, Unusable, "strange", "profile")
	_, err = Open(name, Line{Baud: 9600, DataBits: 3})
	wantKind(t, err, Unusable, "3 data bits", "profile")
	open(t, name) // none of them kept it
}

func TestNoPermission(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("SKIPPED: only root can put on another user's rights")
	}
	_, name := newPTY(t)
	done := make(chan error)
	go func() {
		runtime.LockOSThread() // and end with it: the thread is of no use to others afterwards
		_, _ = unix.SetfsuidRetUid(65534)
		_, err := Open(name, line)
		done <- err
	}()
	wantKind(t, <-done, Denied, "no permission", "group")
}

func TestFlowControl(t *testing.T) {
	_, name := newPTY(t)
	for flow, want := range map[string]uint32{"none": 0, "xon_xoff": unix.IXON | unix.IXOFF} {
		p, err := Open(name, Line{Baud: 9600, Flow: flow})
		if err != nil {
			t.Fatal(err)
		}
		_ = p.control(func(fd int) error {
			st, err := unix.IoctlGetTermios(fd, unix.TCGETS)
			if err != nil || st.Iflag&(unix.IXON|unix.IXOFF) != want {
				t.Errorf("flow %s: input flags %o, %v", flow, st.Iflag, err)
			}
			return nil
		})
		p.Close()
	}
}
