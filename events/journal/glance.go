package journal

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Glance is what the files of a journal tell without opening it.
type Glance struct {
	// Known is a sequence that was on disk at the last save, which comes every
	// few seconds and at the end: the journal reaches at least so far.
	Known uint64
	// Open is whether a process has the journal open.
	Open bool
	// Unclean is whether messages were written after the last save although
	// nobody has the journal open: it was not closed, and may reach further than
	// Known. A copy that did not keep the times of the files may say so too.
	Unclean bool
}

// Look glances at the journal in dir, which it neither locks nor changes. ok is
// false if there is none, e.g. because it is kept by another server.
func Look(dir string) (g Glance, ok bool, err error) {
	id, err := loadIdentity(dir)
	if id == nil || err != nil {
		return g, false, err
	}
	saved, err := os.Stat(filepath.Join(dir, identityFile))
	if err != nil {
		return g, false, err
	}
	g.Known, g.Open = id.known(), held(dir)
	written, err := lastWritten(dir)
	g.Unclean = !g.Open && written.After(saved.ModTime())
	return g, true, err
}

// KnownNumbers returns the last number of each source that the journal in dir is
// known to have; nil if there is no journal.
func KnownNumbers(dir string) (map[string]uint64, error) {
	id, err := loadIdentity(dir)
	if id == nil || err != nil {
		return nil, err
	}
	return id.numbers(), nil
}

// held reports whether the process that locked dir last is alive. It does not
// try the lock, which could keep a service from starting just then.
func held(dir string) bool {
	b, err := os.ReadFile(filepath.Join(dir, "lock"))
	if err != nil {
		return false
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(b)))
	return err == nil && pid > 0 && !errors.Is(unix.Kill(pid, 0), unix.ESRCH)
}

// lastWritten returns when messages were written last; zero if there are none.
func lastWritten(dir string) (last time.Time, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // removed just now
		}
		if err != nil || d.IsDir() || filepath.Ext(d.Name()) != ".blk" {
			return err
		}
		info, err := d.Info()
		if err == nil && info.ModTime().After(last) {
			last = info.ModTime()
		}
		return nil
	})
	return last, err
}
