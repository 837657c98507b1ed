// Package port opens serial ports so that tools can be read without surprises:
// found by name or by USB identity, for one user at a time, with errors that
// say what to do.
//
// The line is set up by go.bug.st/serial. Reading is not: its Read waits in
// select(2), which holds one OS thread per port and panics on a descriptor of
// 1,024 or more; its Write after Close goes to whatever file has the number by
// then; and it reports a hang-up and our own Close alike. So a Port keeps a
// descriptor of its own, which does not block and lies on Go's poller: no
// thread is held, deadlines work, any descriptor number will do, os.File
// never uses a number that it has given back, and os.ErrClosed means us and
// nobody else.
//
// DTR, RTS and modem status are never touched: they fail on a pseudo-terminal,
// and with the library's InitialStatusBits even opening would.
package port

import (
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// Line is how characters go over the line.
type Line struct {
	Baud     int    // e.g. 9600
	DataBits int    // 5 to 8; 0: 8
	Parity   string // "none", "odd", "even", "mark" or "space"; "": none
	StopBits string // "1", "1.5" or "2"; "": 1
	Flow     string // "none", "rts_cts" or "xon_xoff"; "": none
}

// Port is an open serial port, ours alone until Close. Read, Write, Close and
// the deadlines may be called from different goroutines.
type Port struct {
	f     *os.File
	name  string
	stale []byte
}

// Open opens the port with a name, such as "/dev/ttyUSB0" or a link to one, in
// raw mode. A failure is an *Error.
//
// It takes an flock(2) lock on the device, which the kernel drops with the
// descriptor, however the process ends. TIOCEXCL alone does not keep root out,
// and a second open would change the first one's baud rate: so the lock comes
// before the line is set up.
func Open(name string, line Line) (*Port, error) { return host.open(name, line) }

func (s system) open(name string, line Line) (*Port, error) {
	if err := s.check(name); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(name, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, s.explain(name, err)
	}
	p := &Port{f: f, name: name}
	if err := s.setUp(p, line); err != nil {
		f.Close()
		return nil, err
	}
	return p, nil
}

// setUp locks the port, sets up its line and takes what waits in it.
func (s system) setUp(p *Port, line Line) error {
	if err := p.control(func(fd int) error { return unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB) }); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			return busy(p.name, holder(p.f))
		}
		return s.explain(p.name, err)
	}
	err := p.control(func(fd int) error {
		_, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		return err
	})
	if err != nil {
		return s.explain(p.name, err)
	}
	if err := configure(p.name, line); err != nil {
		return err
	}
	if err := p.setFlow(line.Flow); err != nil {
		return unusable(p.name, fmt.Errorf("set flow control %s: %v", line.Flow, err))
	}
	// Keeps other programs out, as far as they do not run as root.
	if err := p.control(func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0) }); err != nil {
		return s.explain(p.name, err)
	}
	return p.drain()
}

// configure sets up the line by means of a second, short-lived descriptor. The
// settings belong to the port, not to the descriptor, and stay as long as one
// is open.
func configure(name string, line Line) error {
	mode, err := line.mode()
	if err != nil {
		return unusable(name, err)
	}
	sp, err := serial.Open(name, mode)
	if err != nil {
		return unusable(name, fmt.Errorf("set %d baud, %d data bits, %s parity, %s stop bits: %v",
			line.Baud, line.DataBits, line.Parity, line.StopBits, err))
	}
	if err := sp.Close(); err != nil {
		return unusable(name, err)
	}
	return nil
}

var (
	parities  = map[string]serial.Parity{"": serial.NoParity, "none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity, "mark": serial.MarkParity, "space": serial.SpaceParity}
	stopBits  = map[string]serial.StopBits{"": serial.OneStopBit, "1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits}
	flowKinds = map[string]bool{"": true, "none": true, "rts_cts": true, "xon_xoff": true}
)

func (l Line) mode() (*serial.Mode, error) {
	parity, ok := parities[l.Parity]
	if !ok {
		return nil, fmt.Errorf("parity %q: want none, odd, even, mark or space", l.Parity)
	}
	stop, ok := stopBits[l.StopBits]
	if !ok {
		return nil, fmt.Errorf("stop bits %q: want 1, 1.5 or 2", l.StopBits)
	}
	if !flowKinds[l.Flow] {
		return nil, fmt.Errorf("flow control %q: want none, rts_cts or xon_xoff", l.Flow)
	}
	return &serial.Mode{BaudRate: l.Baud, DataBits: l.DataBits, Parity: parity, StopBits: stop}, nil
}

// setFlow switches flow control on, which the library always leaves off.
func (p *Port) setFlow(flow string) error {
	if flow == "" || flow == "none" {
		return nil
	}
	return p.control(func(fd int) error {
		t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		if err != nil {
			return err
		}
		if flow == "rts_cts" {
			t.Cflag |= unix.CRTSCTS
		} else {
			t.Iflag |= unix.IXON | unix.IXOFF
		}
		return unix.IoctlSetTermios(fd, unix.TCSETS, t)
	})
}

// Bounds of drain. A pseudo-terminal hands on at most one discipline buffer
// (4,096 bytes) at once and moves the next one up a moment later.
const (
	drainMost  = 256 << 10
	drainChunk = 4096
	drainPause = 10 * time.Millisecond
)

// drain takes what has waited in the line, so that it can be told from what
// comes from now on. A line that has never stopped sending ends it at
// drainMost.
func (p *Port) drain() error {
	buf := make([]byte, drainChunk)
	for wait := time.Duration(0); len(p.stale) < drainMost; {
		n, err := p.readNow(buf, wait)
		p.stale = append(p.stale, buf[:n]...)
		if err != nil {
			return &Error{Kind: Absent, Port: p.name, Detail: "it hung up while it was being opened: switch the tool on and check the cable", Err: err}
		}
		if n > 0 {
			wait = 0
			continue
		}
		if len(p.stale) < drainChunk-1 || wait > 0 {
			break
		}
		wait = drainPause
	}
	return nil
}

// readNow reads what is there, after waiting for it no longer than wait.
func (p *Port) readNow(buf []byte, wait time.Duration) (n int, err error) {
	cerr := p.control(func(fd int) error {
		if wait > 0 {
			fds := []unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}
			if _, err := unix.Poll(fds, int(wait.Milliseconds())); err != nil && err != unix.EINTR {
				return err
			}
		}
		n, err = unix.Read(fd, buf)
		return nil
	})
	n = max(n, 0)
	switch {
	case cerr != nil:
		return n, cerr
	case err == unix.EAGAIN || err == unix.EINTR:
		return 0, nil
	case n == 0 && err == nil:
		return 0, io.EOF // hung up
	}
	return n, err
}

// control runs fn with the descriptor, which cannot be closed meanwhile.
func (p *Port) control(fn func(fd int) error) error {
	rc, err := p.f.SyscallConn()
	if err != nil {
		return err
	}
	return errors.Join(rc.Control(func(fd uintptr) { err = fn(int(fd)) }), err)
}

// Name returns the name that the port was opened by.
func (p *Port) Name() string { return p.name }

// Stale returns the bytes that had waited in the line when the port was
// opened: nobody knows since when. nil if there were none. Read does not give
// them again.
func (p *Port) Stale() []byte { return p.stale }

// Read reads what has come, at least one byte. A hang-up or a pulled plug is
// ErrHungUp, our own Close os.ErrClosed, a passed deadline
// os.ErrDeadlineExceeded.
func (p *Port) Read(b []byte) (int, error) {
	n, err := p.f.Read(b)
	if n == 0 && hungUp(err) {
		return 0, fmt.Errorf("read %s: %w", p.name, ErrHungUp)
	}
	return n, err
}

// Write sends b. Once the port is closed it is os.ErrClosed and nothing is
// sent anywhere.
func (p *Port) Write(b []byte) (int, error) {
	n, err := p.f.Write(b)
	if err != nil && hungUp(err) {
		err = fmt.Errorf("write %s: %w", p.name, ErrHungUp)
	}
	return n, err
}

// hungUp reports whether a tty says that its other end has gone.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, syscall.EIO) ||
		errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.ENODEV)
}

// SetReadDeadline ends a Read that waits longer than until t; the zero time
// means never.
func (p *Port) SetReadDeadline(t time.Time) error { return p.f.SetReadDeadline(t) }

// SetWriteDeadline is to Write what SetReadDeadline is to Read.
func (p *Port) SetWriteDeadline(t time.Time) error { return p.f.SetWriteDeadline(t) }

// Close ends a waiting Read and Write, and gives the port free.
func (p *Port) Close() error { return p.f.Close() }
