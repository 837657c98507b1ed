package journal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// dirLock keeps a second process, or a second Journal of this one, out of a
// directory: two servers on one store both acknowledge the same sequence.
// The kernel drops it when the process ends, however it ends.
type dirLock struct{ f *os.File }

// lockDir makes dir if need be and locks it.
func lockDir(dir string) (*dirLock, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("open journal %q: %w", dir, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("open journal %q: %w", dir, err)
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		holder, _ := io.ReadAll(io.LimitReader(f, 32))
		f.Close()
		return nil, fmt.Errorf("open journal %q: %w by process %s; stop it first, or give another directory",
			dir, ErrInUse, strings.TrimSpace(string(holder)))
	}
	if err == nil {
		err = errors.Join(f.Truncate(0), writePID(f))
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock journal %q: %w", dir, err)
	}
	return &dirLock{f}, nil
}

func writePID(f *os.File) error {
	_, err := fmt.Fprintf(f, "%d\n", os.Getpid())
	return err
}

// release gives the directory free; the file stays, or a second process
// could lock a file that is being removed.
func (l *dirLock) release() error {
	if l == nil {
		return nil
	}
	return l.f.Close()
}

// freeDisk returns the bytes that this user may still write where dir is.
func freeDisk(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("ask for free room in %q: %w", dir, err)
	}
	return st.Bavail * uint64(st.Bsize), nil
}

// LockDir keeps other processes out of a directory that holds streams, until
// release is called or this process ends. The error is ErrInUse if another
// has it.
func LockDir(dir string) (release func() error, err error) {
	l, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	return l.release, nil
}
