package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"witnessmark/events"
)

// TestStoreMeetsTheEnd lets the server itself run into a full disk, as it
// would if something else filled it between our look and its write. Each time
// the journal says so, refuses, and goes on by itself once there is room; what
// was acknowledged is there, once.
func TestStoreMeetsTheEnd(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for a server that does not answer")
	}
	for _, size := range []int{1, 5, 100} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			dir := t.TempDir()
			if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=48m"); err != nil {
				t.Skip("SKIPPED: cannot mount a small file system: ", err)
			}
			t.Cleanup(func() {
				// The server keeps a descriptor of each batch that failed.
				if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
					t.Error(err)
				}
			})
			j := openAt(t, dir, func(c *Config) { c.AckTimeout = 300 * time.Millisecond })
			j.free = func(string) (uint64, error) { return 1 << 40, nil }
			ballast := filepath.Join(dir, "ballast")
			acked, full := uint64(0), 0
			put := func() error {
				evs := make([]events.Event, size)
				for i := range evs {
					evs[i] = events.Event{Source: "device/a", Number: acked + uint64(i) + 1, Data: events.LinkChanged{Detail: mark(int(acked) + i)}}
				}
				_, err := j.Append(context.Background(), evs...)
				if err == nil {
					acked += uint64(size)
				}
				return err
			}
			for range 2 {
				for range 20 {
					if err := put(); err != nil {
						t.Fatal(err)
					}
				}
				takeAll(t, ballast)
				var err error
				for range 5000 {
					if err = put(); err != nil {
						break
					}
				}
				if err == nil {
					t.Fatal("a full disk takes everything")
				}
				full++
				if st := j.Stats(); st.State == StateOK || st.Detail == "" {
					t.Errorf("after %v: state %q %q, want that it cannot write and why", err, st.State, st.Detail)
				}
				if err := os.Remove(ballast); err != nil {
					t.Fatal(err)
				}
				eventually(t, func() bool { return put() == nil })
			}
			if st := j.Stats(); st.State != StateOK {
				t.Errorf("stats %+v, want ok", st)
			}
			t.Logf("%d events, %d full disks, %d restarts of the server", acked, full, j.Stats().Restarts)
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			if left := openBelow(t, dir); left > 3*full {
				t.Errorf("%d files of the store are open after %d full disks, want no more than three each", left, full)
			}
			j = openAt(t, dir)
			defer j.Close()
			got := readAll(t, j, 1, 0)
			for i, e := range got {
				if e.Number != uint64(i+1) || e.Data.(events.LinkChanged).Detail != mark(i) {
					t.Fatalf("entry %d is number %d, %v", e.Seq, e.Number, e.Data)
				}
			}
			if uint64(len(got)) < acked || len(j.Holes()) > 0 {
				t.Errorf("%d there, %d acknowledged, holes %v", len(got), acked, j.Holes())
			}
		})
	}
}

// takeAll fills the disk to the last byte.
func takeAll(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, block := range []int{1 << 20, 4096, 1} {
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, block))
		}
		if !errors.Is(err, unix.ENOSPC) {
			t.Fatal(err)
		}
	}
}

// openBelow counts our open files below dir, removed ones too.
func openBelow(t *testing.T, dir string) (n int) {
	t.Helper()
	const own = "/proc/self/fd"
	all, err := os.ReadDir(own)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		to, err := os.Readlink(filepath.Join(own, f.Name()))
		if err == nil && strings.HasPrefix(to, dir+"/") {
			n++
		}
	}
	return n
}
