package simulator

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Port is a tool's end of its line. Read waits while the cable is out;
// what is written then is lost, without an error, as on a real cable.
type Port interface {
	io.ReadWriteCloser
	// Plug puts the cable in or pulls it out.
	Plug(in bool) error
}

// Line is a pseudo-terminal: the tool has one end, the serial reader opens
// the other by its path. It must be closed.
type Line struct {
	link string

	mu      sync.Mutex
	ends    *ends         // nil while the cable is out
	closed  bool          // for good
	changed chan struct{} // closed and renewed whenever ends or closed changes
}

type ends struct{ master, slave *os.File }

// OpenLine opens a pseudo-terminal in raw mode. link is where a symbolic link
// to its path is kept, so that the path stays the same when the cable is
// pulled and put in again; "" keeps none.
func OpenLine(link string) (*Line, error) {
	l := &Line{link: link, changed: make(chan struct{})}
	if err := l.Plug(true); err != nil {
		return nil, err
	}
	return l, nil
}

// Path returns the path that a serial reader opens.
func (l *Line) Path() string {
	if l.link != "" {
		return l.link
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ends == nil {
		return ""
	}
	return l.ends.slave.Name()
}

// Plug puts the cable in or pulls it out: the reader sees a hang-up, and no
// such port until it is in again. To do twice what is done already is
// harmless.
func (l *Line) Plug(in bool) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed || in == (l.ends != nil) {
		return nil
	}
	defer l.tell()
	if !in {
		return l.hangUp()
	}
	e, err := openEnds()
	if err != nil {
		return err
	}
	if err := relink(e.slave.Name(), l.link); err != nil {
		return errors.Join(err, e.close())
	}
	l.ends = e
	return nil
}

// hangUp needs l.mu.
func (l *Line) hangUp() error {
	if l.ends == nil {
		return nil
	}
	e := l.ends
	l.ends = nil
	var err error
	if l.link != "" {
		err = os.Remove(l.link)
	}
	return errors.Join(err, e.close())
}

// tell needs l.mu.
func (l *Line) tell() {
	close(l.changed)
	l.changed = make(chan struct{})
}

func openEnds() (*ends, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("open a pseudo-terminal: %w; is /dev/ptmx there, and devpts mounted?", err)
	}
	if master, err = pollable(master); err != nil {
		return nil, errors.Join(fmt.Errorf("open a pseudo-terminal: %w", err), slave.Close())
	}
	e := &ends{master, slave}
	if err := raw(slave); err != nil {
		return nil, errors.Join(fmt.Errorf("make %s raw: %w", slave.Name(), err), e.close())
	}
	return e, nil
}

// pollable gives the same terminal as a file whose Close ends a Read that
// waits. The one that pty.Open gives is in blocking mode: with a Read in it
// the cable would not come out before the next byte came in.
func pollable(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// The slave stays open on this side too: otherwise the tool's read fails as
// soon as the reader closes its end.
func (e *ends) close() error { return errors.Join(e.master.Close(), e.slave.Close()) }

// raw is what cfmakeraw does: bytes pass as they are, none is echoed.
func raw(f *os.File) error {
	c, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var fault error
	err = c.Control(func(fd uintptr) {
		t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			fault = err
			return
		}
		t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
		t.Oflag &^= unix.OPOST
		t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
		fault = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	return errors.Join(err, fault)
}

// relink makes link point to path, in one step.
func relink(path, link string) error {
	if link == "" {
		return nil
	}
	next := link + ".new"
	if err := os.Remove(next); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := os.Symlink(path, next); err != nil {
		return err
	}
	return os.Rename(next, link)
}

// Read implements io.Reader. It returns io.EOF once the line is closed.
func (l *Line) Read(b []byte) (int, error) {
	for {
		l.mu.Lock()
		e, closed, changed := l.ends, l.closed, l.changed
		l.mu.Unlock()
		if closed {
			return 0, io.EOF
		}
		if e == nil {
			<-changed
			continue
		}
		n, err := e.master.Read(b)
		if n > 0 || err == nil {
			return n, nil
		}
		l.mu.Lock()
		same := l.ends == e
		l.mu.Unlock()
		if same {
			return 0, err
		}
	}
}

// patience is how long a write waits for a reader that does not read; then
// the rest is lost, as on a line without handshake.
const patience = time.Second

// Write implements io.Writer.
func (l *Line) Write(b []byte) (int, error) {
	l.mu.Lock()
	e, closed := l.ends, l.closed
	l.mu.Unlock()
	if closed {
		return 0, os.ErrClosed
	}
	if e == nil {
		return len(b), nil
	}
	if err := e.master.SetWriteDeadline(time.Now().Add(patience)); err != nil {
		if errors.Is(err, os.ErrClosed) {
			return len(b), nil
		}
		return 0, err
	}
	n, err := e.master.Write(b)
	if errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, os.ErrClosed) {
		return len(b), nil
	}
	return n, err
}

// Close ends the line for good.
func (l *Line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil
	}
	l.closed = true
	defer l.tell()
	return l.hangUp()
}
