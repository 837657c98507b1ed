package journal

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// TestLook: a journal that was closed tells its end; one whose process was
// killed tells that it may reach further.
func TestLook(t *testing.T) {
	dir := t.TempDir()
	if _, ok, err := Look(dir); ok || err != nil {
		t.Fatalf("of no journal: ok %v, error %v", ok, err)
	}
	j, err := Open(t.Context(), Config{Shop: "fenholt", Dir: dir, MaxBytes: 1 << 26, MinFree: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.Append(t.Context(), readingEvent("device/k2", 1), readingEvent("device/k2", 2)); err != nil {
		t.Fatal(err)
	}
	if g, ok, err := Look(dir); !ok || err != nil || !g.Open || g.Unclean {
		t.Errorf("open: %+v, ok %v, error %v; want open and not unclean", g, ok, err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	// This process is alive still; the number of one that cannot be stands in
	// for one that has ended (the largest on Linux is 2^22, proc(5)).
	gone := []byte(strconv.Itoa(1<<22+1) + "\n")
	if err := os.WriteFile(filepath.Join(dir, "lock"), gone, 0o640); err != nil {
		t.Fatal(err)
	}
	if g, ok, err := Look(dir); !ok || err != nil || g != (Glance{Known: 2}) {
		t.Errorf("closed: %+v, ok %v, error %v; want known 2 and no more", g, ok, err)
	}
	// As after a kill: messages are younger than the save.
	info, err := os.Stat(filepath.Join(dir, identityFile))
	if err != nil {
		t.Fatal(err)
	}
	blocks, err := filepath.Glob(filepath.Join(dir, "jetstream", "jetstream", "$G", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("no message blocks: %v", err)
	}
	later := info.ModTime().Add(time.Second)
	if err := os.Chtimes(blocks[0], later, later); err != nil {
		t.Fatal(err)
	}
	if g, _, err := Look(dir); err != nil || g != (Glance{Known: 2, Unclean: true}) {
		t.Errorf("killed: %+v, error %v; want known 2 and unclean", g, err)
	}
}
