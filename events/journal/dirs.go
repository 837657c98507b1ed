package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// The server syncs what it writes, but not the directory in which it makes a
// new file. ext4 and XFS bring the name to disk with the bytes; POSIX does not
// ask for it, and a file whose name is lost is lost whole. So directories in
// which names have changed are synced here before anybody is answered.

// syncDirs syncs root, the directory that root lies in, and all directories
// below.
func syncDirs(root string) error {
	if err := syncDir(filepath.Dir(root)); err != nil {
		return err
	}
	return filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist): // a temporary file that was renamed meanwhile
			return nil
		case err != nil:
			return err
		case d.IsDir():
			return syncDir(path)
		}
		return nil
	})
}

func syncDir(path string) error {
	d, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("sync directory %q: %w", path, err)
	}
	return nil
}

// namesIn tells whether names in a directory may have changed since they were
// synced. It is used by one goroutine at a time.
type namesIn struct {
	path   string
	synced time.Time // the directory's time when it was synced
}

// coarse is how coarse a file system's times may be: a change so soon after
// the time that was seen may have the same time.
const coarse = 100 * time.Millisecond

// sync syncs the directory if names in it have changed.
func (n *namesIn) sync() error {
	if n.path == "" {
		return nil
	}
	info, err := os.Stat(n.path)
	if err != nil {
		return err
	}
	at := info.ModTime()
	if at.Equal(n.synced) {
		return nil
	}
	if err := syncDir(n.path); err != nil {
		return err
	}
	if age := time.Since(at); age > coarse {
		n.synced = at // else look again next time
	}
	return nil
}
