package port

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// ErrHungUp means that the other end has gone: unplugged or switched off.
var ErrHungUp = errors.New("hung up")

// Kind says why a port cannot be opened.
type Kind string

// The kinds of Error.
const (
	Absent   Kind = "absent"   // no such port, or nothing behind it
	Denied   Kind = "denied"   // no permission
	Busy     Kind = "busy"     // somebody else has it
	Unusable Kind = "unusable" // no serial port, or it cannot be set up as asked
)

// Error is a port that could not be opened.
type Error struct {
	Kind   Kind
	Port   string
	Detail string // for people: what is wrong and what to do
	Err    error  // the cause; may be nil
}

// Error implements error.
func (e *Error) Error() string { return fmt.Sprintf("open port %s: %s", e.Port, e.Detail) }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// check refuses a name that is no character device, before anything is opened.
func (s system) check(name string) error {
	st, err := os.Stat(name)
	if err != nil {
		return s.explain(name, err)
	}
	if st.Mode()&os.ModeCharDevice == 0 {
		return &Error{Kind: Unusable, Port: name, Detail: "it is no serial port: " + s.name()}
	}
	return nil
}

// explain turns the kernel's answer into words.
func (s system) explain(name string, err error) error {
	e := &Error{Kind: Unusable, Port: name, Err: err}
	switch {
	case errors.Is(err, os.ErrNotExist):
		e.Kind, e.Detail = Absent, "there is no such port: plug the tool in, or "+s.name()
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.EIO):
		e.Kind, e.Detail = Absent, "nothing is behind it: "+s.name()
	case errors.Is(err, os.ErrPermission):
		problem, todo := whyDenied(name)
		e.Kind, e.Detail = Denied, problem+": "+todo
	case errors.Is(err, syscall.EBUSY):
		return busy(name, "")
	case errors.Is(err, syscall.ENOTTY):
		e.Detail = "it is no serial port: " + s.name()
	default:
		e.Detail = fmt.Sprintf("%v: check cable and tool, then try again", err)
	}
	return e
}

// name advises to name another port, and lists what there is.
func (s system) name() string {
	ports, err := s.list()
	var names []string
	for _, p := range ports {
		if !p.Nothing && !p.Console {
			names = append(names, p.Name)
		}
	}
	if err != nil || len(names) == 0 {
		return "name a port that is there (this machine has none now)"
	}
	return "name one that is there (" + strings.Join(names, ", ") + ")"
}

func unusable(name string, err error) error {
	return &Error{Kind: Unusable, Port: name, Err: err,
		Detail: fmt.Sprintf("%v: check the line settings of the profile against the tool and its adapter", err)}
}

func busy(name, by string) error {
	if by == "" {
		by = "another program"
	}
	return &Error{Kind: Busy, Port: name, Err: syscall.EBUSY,
		Detail: by + " has it open: end that, or give the tool another port"}
}

// holder says who holds the lock on f, as far as /proc/locks tells.
func holder(f *os.File) string {
	var st unix.Stat_t
	rc, err := f.SyscallConn()
	if err != nil {
		return ""
	}
	_ = rc.Control(func(fd uintptr) { err = unix.Fstat(int(fd), &st) })
	locks, rerr := os.ReadFile("/proc/locks")
	if err != nil || rerr != nil {
		return ""
	}
	pid := lockPID(string(locks), fmt.Sprintf("%02x:%02x:%d", unix.Major(st.Dev), unix.Minor(st.Dev), st.Ino))
	switch pid {
	case 0:
		return ""
	case os.Getpid():
		return "another device of this service"
	}
	name, _ := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	return fmt.Sprintf("process %d (%s)", pid, strings.TrimSpace(string(name)))
}

// lockPID finds who holds an flock on the file "major:minor:inode". A line of
// /proc/locks is "1: FLOCK  ADVISORY  WRITE 4711 00:18:5 0 EOF"; a line of one
// who waits has "->" after the number (proc_locks(5)).
func lockPID(locks, file string) int {
	for line := range strings.Lines(locks) {
		f := strings.Fields(line)
		if len(f) >= 6 && f[1] == "FLOCK" && f[5] == file {
			pid, _ := strconv.Atoi(f[4])
			return pid
		}
	}
	return 0
}

// whyDenied says which group may use the port and how to join it.
func whyDenied(name string) (problem, todo string) {
	var st unix.Stat_t
	if err := unix.Stat(name, &st); err != nil {
		return "no permission", "run the service as a user who may use serial ports"
	}
	groups, _ := os.Getgroups()
	return permissionAdvice(st.Mode, groupName(st.Gid), hasGroup(groups, int(st.Gid)))
}

// permissionAdvice words what to do about a device with a mode, owned by a
// group that the process is in or not.
func permissionAdvice(mode uint32, group string, member bool) (problem, todo string) {
	const rule = `ask the administrator for a udev rule that sets GROUP="dialout", MODE="0660"`
	switch {
	case mode&0o060 != 0o060:
		return fmt.Sprintf("no permission: its group %s may not read and write it either", group), rule
	case group == "root":
		return "no permission: it belongs to group root", rule
	case member:
		return fmt.Sprintf("no permission, although this process is in its group %s", group),
			"allow the device in the container or security policy that keeps it out"
	}
	return fmt.Sprintf("no permission: it belongs to group %s", group),
		fmt.Sprintf("run 'sudo usermod -aG %s %s', then log in again (a service: restart it)", group, userName())
}

func hasGroup(groups []int, gid int) bool {
	if os.Getegid() == gid {
		return true
	}
	for _, g := range groups {
		if g == gid {
			return true
		}
	}
	return false
}

func groupName(gid uint32) string {
	id := strconv.FormatUint(uint64(gid), 10)
	if g, err := user.LookupGroupId(id); err == nil {
		return g.Name
	}
	return id
}

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "$USER"
}
