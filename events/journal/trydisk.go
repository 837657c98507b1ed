package journal

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// trySize is what is written to see whether the disk takes anything.
const trySize = 64 << 10

// tryDisk writes a file where the embedded server keeps its own, syncs it and
// removes it. The error is what the disk says: the server itself only gives no
// answer, and starting it again leaves descriptors behind.
func (j *Journal) tryDisk() error {
	if j.cfg.URL != "" || j.cfg.Dir == "" {
		return nil
	}
	if j.w.trying == nil {
		j.w.trying = make(chan error, 1)
		go func(done chan<- error) { done <- writeTry(j.cfg.Dir) }(j.w.trying)
	}
	late := time.NewTimer(j.cfg.AckTimeout)
	defer late.Stop()
	select {
	case err := <-j.w.trying:
		j.w.trying = nil
		return err
	case <-late.C:
		// A disk that hangs lets go of nobody; the next look waits for the same.
		return fmt.Errorf("write to %q: %w", j.cfg.Dir, errDiskHangs)
	}
}

var errDiskHangs = errors.New("the disk does not answer")

func writeTry(dir string) error {
	f, err := os.CreateTemp(dir, ".try-*")
	if err != nil {
		return fmt.Errorf("write to %q: %w", dir, plainErrno(err))
	}
	_, err = f.Write(make([]byte, trySize))
	if err == nil {
		err = f.Sync()
	}
	err = errors.Join(err, f.Close(), os.Remove(f.Name()))
	if err != nil {
		return fmt.Errorf("write to %q: %w", dir, plainErrno(err))
	}
	return nil
}

// plainErrno leaves the name of the file out, which tells nobody anything.
func plainErrno(err error) error {
	var no unix.Errno
	if errors.As(err, &no) {
		return no
	}
	return err
}

// diskTrouble says what state an error of tryDisk makes, and what to do.
func diskTrouble(err error) (state, todo string) {
	switch {
	case errors.Is(err, unix.ENOSPC), errors.Is(err, unix.EDQUOT):
		return StateFull, "make room on the disk"
	case errors.Is(err, unix.EROFS):
		return StateStuck, "the system stopped writing to this disk, mostly after an error of the disk: look at its log, " +
			"stop the service, check the disk and mount it for writing, then start again"
	case errors.Is(err, unix.EMFILE), errors.Is(err, unix.ENFILE):
		return StateStuck, "raise the limit of open files (ulimit -n, or LimitNOFILE= of the service)"
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return StateStuck, "give this user the right to write there"
	case errors.Is(err, errDiskHangs):
		return StateStuck, "look at the disk, its cable and the system's log"
	}
	return StateStuck, "check the disk"
}

// diskSays is for messages: what is wrong with the disk, if anything is.
func diskSays(dir string) string {
	err := writeTry(dir)
	if err == nil {
		return ""
	}
	_, todo := diskTrouble(err)
	return fmt.Sprintf(": %v; %s", err, todo)
}
