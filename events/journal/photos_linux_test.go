package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// somePhoto is bytes that nothing compresses.
func somePhoto(seed uint64, n int) (data []byte, hash string) {
	rng := rand.New(rand.NewPCG(seed, 1))
	data = make([]byte, n)
	for i := range data {
		data[i] = byte(rng.Uint32())
	}
	sum := sha256.Sum256(data)
	return data, hex.EncodeToString(sum[:])
}

func photoBlocks(t *testing.T, dir string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, storeDir, "jetstream", "*", "streams", "OBJ_wm-photos-fenholt", "msgs", "*.blk"))
	if err != nil || len(found) == 0 {
		t.Fatalf("found no block files of photos: %v", err)
	}
	return found
}

// A photo is on disk once it is confirmed: no page of its files is dirty in
// the kernel (TestNothingDirtyAfterAppend shows that this can tell). It is
// there after a restart, byte for byte.
func TestPhotosAreOnDisk(t *testing.T) {
	dir := t.TempDir()
	j := openAt(t, dir)
	hashes := map[string][]byte{}
	for seed, n := range []int{1, 1000, 128 << 10, 3 << 20} {
		data, want := somePhoto(uint64(seed), n)
		hash, err := j.PutPhoto(t.Context(), data)
		if err != nil || hash != want {
			t.Fatalf("%d bytes: %s, %v; want %s", n, hash, err, want)
		}
		for _, b := range photoBlocks(t, dir) {
			if dirty := dirtyPages(t, b); dirty != 0 {
				t.Errorf("%d bytes: %d pages of %s are dirty", n, dirty, filepath.Base(b))
			}
		}
		hashes[hash] = data
	}
	again, _ := somePhoto(1, 1000)
	if _, err := j.PutPhoto(t.Context(), again); err != nil {
		t.Error("a second time:", err)
	}
	check := func() {
		for hash, data := range hashes {
			if got, err := j.Photo(t.Context(), hash); err != nil || !bytes.Equal(got, data) {
				t.Errorf("%d bytes: %d came back, %v", len(data), len(got), err)
			}
		}
	}
	check()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = openAt(t, dir)
	defer j.Close()
	check()
	mustAppend(t, j, ask("desk", 0)) // the journal's own stream is as before
}

// What is not there or was altered on disk is said, and is never handed out.
func TestPhotosMissingAndAltered(t *testing.T) {
	dir := t.TempDir()
	j := openAt(t, dir)
	kept, hash := somePhoto(1, 300<<10)
	if _, err := j.Photo(t.Context(), hash); !errors.Is(err, ErrPhotoMissing) {
		t.Errorf("before any photo: %v", err)
	}
	if _, err := j.PutPhoto(t.Context(), kept); err != nil {
		t.Fatal(err)
	}
	_, other := somePhoto(2, 10)
	for _, h := range []string{other, "", "../../etc/passwd", "AB"} {
		if _, err := j.Photo(t.Context(), h); !errors.Is(err, ErrPhotoMissing) {
			t.Errorf("photo %q: %v, want missing", h, err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	at := -1
	for _, b := range photoBlocks(t, dir) {
		edit(t, b, func(text []byte) []byte {
			if at = bytes.Index(text, kept[1000:1100]); at >= 0 {
				text[at] ^= 1
			}
			return text
		})
		if at >= 0 {
			break
		}
	}
	if at < 0 {
		t.Fatal("the photo is in no block file")
	}
	j = openAt(t, dir)
	defer j.Close()
	if got, err := j.Photo(t.Context(), hash); !errors.Is(err, ErrPhotoAltered) && !errors.Is(err, ErrPhotoMissing) || got != nil {
		t.Errorf("a flipped bit: %d bytes, %v; want altered or missing", len(got), err)
	}
	// Put again, it is whole again.
	if _, err := j.PutPhoto(t.Context(), kept); err != nil {
		t.Fatal(err)
	}
	if got, err := j.Photo(t.Context(), hash); err != nil || !bytes.Equal(got, kept) {
		t.Errorf("put again: %d bytes, %v", len(got), err)
	}
}

func TestPhotoLimits(t *testing.T) {
	dir := t.TempDir()
	j := openAt(t, dir)
	defer j.Close()
	for _, n := range []int{0, MostPhoto + 1} {
		if _, err := j.PutPhoto(t.Context(), make([]byte, n)); !errors.Is(err, ErrTooLarge) {
			t.Errorf("%d bytes: %v, want too large", n, err)
		}
	}
	j.free = func(string) (uint64, error) { return j.cfg.MinFree, nil }
	if _, err := j.PutPhoto(t.Context(), make([]byte, 100)); !errors.Is(err, ErrFull) {
		t.Errorf("no room: %v, want full", err)
	}
}

// An object store that is gone is never made anew by itself.
func TestPhotoStoreGone(t *testing.T) {
	dir := t.TempDir()
	j := openAt(t, dir)
	kept, hash := somePhoto(1, 5000)
	if _, err := j.PutPhoto(t.Context(), kept); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	store := filepath.Dir(filepath.Dir(photoBlocks(t, dir)[0]))
	if err := os.RemoveAll(store); err != nil {
		t.Fatal(err)
	}
	j = openAt(t, dir)
	defer j.Close()
	if _, err := j.Photo(t.Context(), hash); !errors.Is(err, ErrPhotoMissing) {
		t.Errorf("read: %v, want missing", err)
	}
	if _, err := j.PutPhoto(t.Context(), kept); !errors.Is(err, ErrMissing) {
		t.Errorf("put: %v, want that the store is missing", err)
	}
}
