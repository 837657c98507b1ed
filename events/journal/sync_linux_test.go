package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/sys/unix"

	"witnessmark/events"
)

// TestSyncAlwaysInForce: the server says that it syncs always, and the store
// of the very stream has the setting. The second part looks into the server's
// unexported fields, so a new version of the module may need a change here;
// it must not be left out, because the default loses acknowledged events.
func TestSyncAlwaysInForce(t *testing.T) {
	j := openAt(t, t.TempDir())
	defer j.Close()
	mustAppend(t, j, ask("desk", 0))
	v, err := j.session.srv.Varz(&server.VarzOptions{})
	if err != nil || v.JetStream.Config == nil || !v.JetStream.Config.SyncAlways {
		t.Errorf("varz: %+v %v, want sync always", v.JetStream.Config, err)
	}
	fs := fileStore(t, j)
	for _, c := range []struct {
		path []string
		want uint64
	}{{[]string{"fcfg", "SyncAlways"}, 1}, {[]string{"fcfg", "AsyncFlush"}, 0}, {[]string{"syncAlways", "v"}, 1}} {
		f := inside(t, fs, c.path...)
		var got uint64
		switch f.Kind() {
		case reflect.Bool:
			if f.Bool() {
				got = 1
			}
		case reflect.Uint32:
			got = f.Uint()
		}
		if got != c.want {
			t.Errorf("file store %v is %d, want %d", c.path, got, c.want)
		}
	}
	if got := j.Stats().Sync; got != SyncAlways {
		t.Errorf("stats say %q", got)
	}
}

// fileStore returns the server's store of the journal's stream.
func fileStore(t *testing.T, j *Journal) reflect.Value {
	t.Helper()
	account := reflect.ValueOf(j.session.srv.GlobalAccount())
	stream := inside(t, account, "js", "streams").MapIndex(reflect.ValueOf(j.names.stream()))
	if !stream.IsValid() {
		t.Fatal("the server's account does not list the stream")
	}
	return inside(t, stream, "store")
}

// inside follows unexported fields, pointers and interfaces.
func inside(t *testing.T, v reflect.Value, path ...string) reflect.Value {
	t.Helper()
	for _, name := range path {
		for v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface {
			v = v.Elem()
		}
		if v = v.FieldByName(name); !v.IsValid() {
			t.Fatalf("the server has no field %v any more: find out how it holds the setting now", path)
		}
	}
	return v
}

// TestNothingDirtyAfterAppend asks the kernel: once Append has returned, the
// pages of the block file that hold the event are not dirty any more. With
// the server's default they are, which shows that the test can tell.
func TestNothingDirtyAfterAppend(t *testing.T) {
	for _, size := range []int{1, 5, 50} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			dir := t.TempDir()
			j := openAt(t, dir)
			defer j.Close()
			for round := range 20 {
				evs := make([]events.Event, size)
				for i := range evs {
					evs[i] = events.Event{Source: "device/a", Data: events.LinkChanged{Detail: mark(round)}}
				}
				mustAppend(t, j, evs...)
				b, err := os.ReadFile(block(t, dir))
				if err != nil || bytes.Count(b, []byte(mark(round))) != size {
					t.Fatal("the events are not in the block file:", err)
				}
				if n := dirtyPages(t, block(t, dir)); n != 0 {
					t.Fatalf("round %d: %d pages are dirty after Append", round, n)
				}
			}
		})
	}
	t.Run("control", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "control")
		for range 100 { // somebody may sync the whole disk just then
			if err := os.WriteFile(path, make([]byte, 3*4096), 0o600); err != nil {
				t.Fatal(err)
			}
			if dirtyPages(t, path) > 0 {
				return
			}
		}
		t.Fatal("a file that was written without sync has no dirty page: this test cannot tell")
	})
}

// dirtyPages counts the pages of a file that are dirty or being written back,
// by cachestat(2), which Linux has since 6.5.
func dirtyPages(t *testing.T, path string) uint64 {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var st unix.Cachestat_t
	err = unix.Cachestat(uint(f.Fd()), &unix.CachestatRange{}, &st, 0)
	if errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EPERM) {
		t.Skip("SKIPPED: this kernel does not tell which pages are dirty:", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	return st.Dirty + st.Writeback
}

// TestDiskFull fills a small file system for real. What was acknowledged
// stays, Append says what happened, and once there is room the journal goes
// on without help: whether it saw the end coming, or the server met it.
func TestDiskFull(t *testing.T) {
	for name, free := range map[string]func(string) (uint64, error){
		"seen before": freeDisk,
		"met":         func(string) (uint64, error) { return 1 << 40, nil },
	} {
		for _, size := range []int{1, 5, 50} {
			t.Run(fmt.Sprint(name, size), func(t *testing.T) { fillDisk(t, free, size) })
		}
	}
}

func fillDisk(t *testing.T, free func(string) (uint64, error), size int) {
	dir := t.TempDir()
	if err := unix.Mount("none", dir, "tmpfs", 0, "size=6m"); err != nil {
		t.Skip("SKIPPED: cannot mount a small file system:", err)
	}
	defer unix.Unmount(dir, unix.MNT_DETACH)
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 3<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	j := openAt(t, dir, func(c *Config) { c.AckTimeout = 300 * time.Millisecond })
	defer func() { j.Close() }()
	j.free = free
	acked := uint64(0)
	var err error
	for err == nil && acked < 10_000 {
		evs := make([]events.Event, size)
		for i := range evs {
			evs[i] = events.Event{Source: "device/a", Number: acked + uint64(i) + 1,
				Data: events.FrameRefused{Bytes: make([]byte, 20_000/size)}}
		}
		if _, err = j.Append(context.Background(), evs...); err == nil {
			acked += uint64(size)
		}
	}
	t.Log("acknowledged:", acked, "then:", err)
	if !errors.Is(err, ErrNotStored) && !errors.Is(err, ErrUnknown) {
		t.Fatalf("append on a full disk: %v", err)
	}
	if st := j.Stats(); st.State == StateOK {
		t.Errorf("state is ok on a full disk: %+v", st)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	var want uint64 // some of the refused call may be there
	eventually(t, func() bool {
		want = j.LastNumber("device/a") + 1
		_, err = j.Append(context.Background(), ask("device/a", want))
		return err == nil
	})
	if st := j.Stats(); st.State != StateOK {
		t.Errorf("stats %+v, want ok", st)
	}
	allThereOnce(t, j, want)
	if err := j.Close(); err != nil {
		t.Error(err)
	}
	j = openAt(t, dir)
	allThereOnce(t, j, want)
}

// allThereOnce checks a journal of one source: at least want events, numbered
// as they lie.
func allThereOnce(t *testing.T, j *Journal, want uint64) {
	t.Helper()
	got := readAll(t, j, 1, 0)
	if n := uint64(len(got)); n != j.Last() || n < want || len(j.Holes()) != 0 {
		t.Errorf("%d entries, last %d, acknowledged %d, holes %v", n, j.Last(), want, j.Holes())
	}
	for i, e := range got {
		if e.Number != uint64(i+1) {
			t.Fatalf("entry %d has number %d", e.Seq, e.Number)
		}
	}
}
