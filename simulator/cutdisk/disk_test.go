package cutdisk

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// mounted mounts a disk.
func mounted(t *testing.T, names Names) (k *Disk, at string, unmount func()) {
	t.Helper()
	k, at = New(names), t.TempDir()
	un, err := k.Mount(at)
	if err != nil {
		t.Skip("SKIPPED: no file system can be mounted through FUSE here: ", err)
	}
	var done bool
	unmount = func() {
		if !done {
			done = true
			if err := un(); err != nil {
				t.Error(err)
			}
		}
	}
	t.Cleanup(unmount)
	return k, at, unmount
}

func write(t *testing.T, name, text string, sync bool) {
	t.Helper()
	f, err := os.OpenFile(name, os.O_CREATE|os.O_WRONLY, 0o644)
	if err == nil {
		_, err = f.WriteString(text)
	}
	if err == nil && sync {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
}

func syncDir(t *testing.T, name string) {
	t.Helper()
	d, err := os.Open(name)
	if err == nil {
		err = errors.Join(d.Sync(), d.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// after cuts the power and returns what is left, by name.
func after(t *testing.T, k *Disk, unmount func(), luck float64) map[string]string {
	t.Helper()
	k.Cut(rand.New(rand.NewPCG(1, 2)), luck)
	unmount()
	to := t.TempDir()
	if err := k.Save(to); err != nil {
		t.Fatal(err)
	}
	left := map[string]string{}
	err := filepath.WalkDir(to, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		name, _ := filepath.Rel(to, path)
		left[name] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return left
}

// What was synced is left, and nothing else.
func TestOnlyWhatWasSyncedIsLeft(t *testing.T) {
	k, at, unmount := mounted(t, NamesWithAny)
	write(t, filepath.Join(at, "synced"), "first", true)
	write(t, filepath.Join(at, "synced"), "FIRST and more", false)
	write(t, filepath.Join(at, "unsynced"), "second", false)
	if b, err := os.ReadFile(filepath.Join(at, "synced")); err != nil || string(b) != "FIRST and more" {
		t.Fatalf("before the cut: %q %v", b, err)
	}
	left := after(t, k, unmount, 0)
	if len(left) != 1 || left["synced"] != "first" {
		t.Errorf("after the cut: %q", left)
	}
}

// A file written with O_SYNC needs no further sync.
func TestWrittenSynced(t *testing.T) {
	k, at, unmount := mounted(t, NamesWithAny)
	f, err := os.OpenFile(filepath.Join(at, "a"), os.O_CREATE|os.O_WRONLY|os.O_SYNC, 0o644)
	if err == nil {
		_, err = f.WriteString("all")
	}
	if err = errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	if left := after(t, k, unmount, 0); left["a"] != "all" {
		t.Errorf("after the cut: %q", left)
	}
}

// By POSIX a new name, and a renaming, need a sync of their directory.
func TestNames(t *testing.T) {
	for names, want := range map[Names]map[string]string{
		NamesWithAny: {"new": "2", "created": "3"},
		NamesBySync:  {"old": "1"},
	} {
		k, at, unmount := mounted(t, names)
		write(t, filepath.Join(at, "old"), "1", true)
		syncDir(t, at)
		write(t, filepath.Join(at, "next"), "2", true)
		if err := os.Rename(filepath.Join(at, "next"), filepath.Join(at, "new")); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(filepath.Join(at, "old")); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(at, "created"), "3", true)
		left := after(t, k, unmount, 0)
		if len(left) != len(want) {
			t.Errorf("%d: left is %q, want %q", names, left, want)
		}
		for name, text := range want {
			if left[name] != text {
				t.Errorf("%d: left is %q, want %q", names, left, want)
			}
		}
	}
}

// With luck, part of what was not synced survives; never bytes that nobody
// wrote.
func TestLuck(t *testing.T) {
	k, at, unmount := mounted(t, NamesWithAny)
	big := make([]byte, 100*sector)
	for i := range big {
		big[i] = 'a'
	}
	write(t, filepath.Join(at, "f"), string(big), true)
	for i := range big {
		big[i] = 'b'
	}
	write(t, filepath.Join(at, "f"), string(big), false)
	count := map[byte]int{}
	for _, c := range []byte(after(t, k, unmount, 0.5)["f"]) {
		count[c]++
	}
	if len(count) != 2 || count['a']%sector != 0 || count['a'] == 0 || count['b'] == 0 {
		t.Errorf("left: %v", count)
	}
}

// After the cut nothing can be written or read.
func TestDark(t *testing.T) {
	k, at, _ := mounted(t, NamesWithAny)
	f, err := os.Create(filepath.Join(at, "a"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	k.Cut(rand.New(rand.NewPCG(1, 2)), 0)
	if _, err := f.WriteString("x"); !errors.Is(err, syscall.EIO) {
		t.Errorf("write after the cut: %v, want an I/O error", err)
	}
	if err := f.Sync(); !errors.Is(err, syscall.EIO) {
		t.Errorf("sync after the cut: %v, want an I/O error", err)
	}
}

// What is loaded is there, and saved again as it was.
func TestLoadSave(t *testing.T) {
	from := t.TempDir()
	if err := os.MkdirAll(filepath.Join(from, "d/e"), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(from, "d/e/f"), "text", false)
	k, at, unmount := New(NamesBySync), t.TempDir(), func() error { return nil }
	if err := k.Load(from); err != nil {
		t.Fatal(err)
	}
	unmount, err := k.Mount(at)
	if err != nil {
		t.Skip("SKIPPED: no file system can be mounted through FUSE here: ", err)
	}
	b, err := os.ReadFile(filepath.Join(at, "d/e/f"))
	if err != nil || string(b) != "text" {
		t.Errorf("read %q %v", b, err)
	}
	if left := after(t, k, func() { err = unmount() }, 0); left["d/e/f"] != "text" || err != nil {
		t.Errorf("left %q %v", left, err)
	}
}
