package access

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"witnessmark/events"
)

// Device is an enrolled device.
type Device struct {
	ID    string         `json:"id"`
	Kind  string         `json:"kind"` // "screen", "monitor"
	Bench string         `json:"bench,omitempty"`
	Token string         `json:"token_sha256"` // fingerprint of its token
	By    string         `json:"by"`
	AtUs  events.Instant `json:"at_us"`
	// SeenUs is when it last came, to within an hour.
	SeenUs events.Instant `json:"seen_us,omitempty"`
}

// Kinds of device.
const (
	KindScreen  = "screen"
	KindMonitor = "monitor"
)

type savedPerson struct {
	Secret string         `json:"secret"` // argon2id, in its usual text form
	AtUs   events.Instant `json:"at_us"`
}

type savedSession struct {
	Token   string         `json:"token_sha256"`
	Person  string         `json:"person"`
	Role    events.Role    `json:"role"` // at sign-in; another one ends the session
	From    string         `json:"from,omitempty"`
	BeganUs events.Instant `json:"began_us"`
	SeenUs  events.Instant `json:"seen_us"` // to within a minute
}

// saved is the file of secrets.
type saved struct {
	Form int `json:"form"`
	// BeganUs is when the first owner was made. From then on nobody comes in
	// without showing who they are, whatever else is lost.
	BeganUs  events.Instant         `json:"began_us,omitempty"`
	People   map[string]savedPerson `json:"people"`
	Devices  []Device               `json:"devices,omitempty"`
	Sessions []savedSession         `json:"sessions,omitempty"`
}

const savedForm = 1

// File is the name of the file of secrets in its directory.
const File = "secrets.json"

// store is the file of secrets on disk. Only this machine's service user may
// read it.
type store struct {
	dir  string // "": nothing is kept; for tests
	lock *os.File
}

// ErrInUse means that another program has the secrets open.
var ErrInUse = errors.New("the secrets are in use: stop the service first")

// openStore takes the directory for itself alone and reads the file. mended
// says that others could have read it before.
func openStore(dir string) (s *store, d saved, mended bool, err error) {
	s = &store{dir: dir}
	d = saved{Form: savedForm, People: map[string]savedPerson{}}
	if dir == "" {
		return s, d, false, nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, d, false, fmt.Errorf("make directory of secrets: %w", err)
	}
	if s.lock, err = os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600); err != nil {
		return nil, d, false, fmt.Errorf("lock secrets: %w", err)
	}
	if err := syscall.Flock(int(s.lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = s.lock.Close()
		return nil, d, false, fmt.Errorf("lock %s: %w", dir, ErrInUse)
	}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if mended, err = mendModes(dir); err != nil {
		return nil, d, false, err
	}
	d, err = read(dir)
	return s, d, mended, err
}

// read reads the file of secrets; none is an empty one.
func read(dir string) (saved, error) {
	d := saved{Form: savedForm, People: map[string]savedPerson{}}
	name := filepath.Join(dir, File)
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return d, nil
	}
	if err != nil {
		return d, fmt.Errorf("read secrets: %w", err)
	}
	d = saved{} // a file that does not say its form is none of ours: it must not open the doors
	if err := json.Unmarshal(b, &d); err != nil || d.Form < 1 {
		return d, fmt.Errorf("read secrets %s: it is damaged (%v); put the copy of your last backup back, or move it away and make an owner anew", name, err)
	}
	if d.Form > savedForm {
		return d, fmt.Errorf("read secrets %s: written by a newer version of witnessmark", name)
	}
	if d.People == nil {
		d.People = map[string]savedPerson{}
	}
	return d, nil
}

// Loose returns the files of secrets in dir that others than their owner can
// read, with their modes.
func Loose(dir string) (loose map[string]fs.FileMode, err error) {
	loose = map[string]fs.FileMode{}
	for _, name := range []string{dir, filepath.Join(dir, File)} {
		info, err := os.Stat(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("look at the modes of secrets: %w", err)
		}
		if info.Mode().Perm()&0o077 != 0 {
			loose[name] = info.Mode().Perm()
		}
	}
	return loose, nil
}

func mendModes(dir string) (mended bool, err error) {
	loose, err := Loose(dir)
	for name, mode := range loose {
		if err := os.Chmod(name, mode&^0o077); err != nil {
			return false, fmt.Errorf("shut %s to others: %w", name, err)
		}
		mended = true
	}
	return mended, err
}

// save writes the file whole and in one step: before and after, on disk there
// is a file that can be read.
func (s *store) save(d saved) error {
	if s.dir == "" {
		return nil
	}
	b, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return fmt.Errorf("write secrets: %w", err)
	}
	f, err := os.CreateTemp(s.dir, ".secrets-*") // mode 0600
	if err != nil {
		return fmt.Errorf("write secrets: %w", err)
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(s.dir, File))
	}
	if err != nil {
		_ = os.Remove(f.Name()) // gone already, if it was renamed
		return fmt.Errorf("write secrets: %w", err)
	}
	return syncDir(s.dir)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("sync directory of secrets: %w", err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("sync directory of secrets: %w", err)
	}
	return nil
}

func (s *store) close() {
	if s.lock != nil {
		_ = s.lock.Close() // gives the lock free
	}
}

// Summary is what a file of secrets tells without any secret.
type Summary struct {
	Configured bool
	People     []string // ids that have a secret, sorted
	Devices    []Device // without their tokens
}

// Look reads the summary of the file of secrets in dir; it changes nothing and
// may be used while the service runs.
func Look(dir string) (Summary, error) {
	d, err := read(dir)
	if err != nil {
		return Summary{}, err
	}
	s := Summary{Configured: d.BeganUs != 0, People: slices.Sorted(maps.Keys(d.People)), Devices: slices.Clone(d.Devices)}
	for i := range s.Devices {
		s.Devices[i].Token = ""
	}
	return s, nil
}
