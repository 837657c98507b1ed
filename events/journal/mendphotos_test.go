package journal

import (
	"bytes"
	"context"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"witnessmark/events"
)

// photographed is a journal with photos that it names, and what they are.
func photographed(t *testing.T) (dir string, photos map[string][]byte) {
	t.Helper()
	dir, photos = t.TempDir(), map[string][]byte{}
	j := openAt(t, dir)
	defer j.Close()
	for seed, n := range []int{1000, 128 << 10, 700 << 10, 2 << 20} {
		data, hash := somePhoto(uint64(seed), n)
		if _, err := j.PutPhoto(t.Context(), data); err != nil {
			t.Fatal(err)
		}
		mustAppend(t, j, events.Event{Source: events.SourceDesk, Data: events.PhotoTaken{Job: "j", Hash: hash, Size: int64(n), Type: "image/jpeg"}})
		photos[hash] = data
	}
	return dir, photos
}

func photosMended(t *testing.T, dir string, dry bool, from ...string) *KindMended {
	t.Helper()
	cfg := MendConfig{Shop: "fenholt", Dir: dir, From: from, DryRun: dry}
	m, err := Mend(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	f, err := MendFiles(t.Context(), cfg, m, func(ctx context.Context) (*Journal, error) {
		return Open(ctx, Config{Shop: "fenholt", Dir: dir, MinFree: 1})
	})
	if err != nil {
		t.Fatal(err)
	}
	p := &f.Photos
	if got := p.Whole + len(p.Salvaged) + len(p.Refilled) + len(p.Missing); got != p.Named || p.Named != 4 {
		t.Errorf("%d photos are accounted for of %d named: %+v", got, p.Named, p)
	}
	return p
}

// photosOf finds which photos can be read.
func photosOf(t *testing.T, dir string, photos map[string][]byte) (whole int) {
	t.Helper()
	j := openAt(t, dir)
	defer j.Close()
	for hash, data := range photos {
		if got, err := j.Photo(t.Context(), hash); err == nil && bytes.Equal(got, data) {
			whole++
		}
	}
	return whole
}

// TestMendPhotos: whatever of the photos is damaged, a copy fills it in, and
// without one what is lost is named. A copy that is damaged elsewhere will do.
func TestMendPhotos(t *testing.T) {
	objects := func(dir string) string { return filepath.Dir(filepath.Dir(photoBlocks(t, dir)[0])) }
	flipAt := func(t *testing.T, dir string, at float64) {
		edit(t, photoBlocks(t, dir)[0], func(b []byte) []byte { b[int(at*float64(len(b)))] ^= 4; return b })
	}
	for name, tt := range map[string]struct {
		damage func(t *testing.T, dir string)
		lost   bool // some, without a copy
	}{
		"a bit flipped": {func(t *testing.T, dir string) { flipAt(t, dir, .7) }, true},
		"a bit flipped, no index": {func(t *testing.T, dir string) {
			flipAt(t, dir, .2)
			os.Remove(filepath.Join(objects(dir), "msgs", indexFile))
		}, true},
		"the end cut off": {func(t *testing.T, dir string) {
			edit(t, photoBlocks(t, dir)[0], func(b []byte) []byte { return b[:len(b)*2/3] })
		}, true},
		"its description damaged": {func(t *testing.T, dir string) {
			edit(t, filepath.Join(objects(dir), "meta.inf"), func(b []byte) []byte { b[9] ^= 1; return b })
		}, false},
		"the store of photos removed": {func(t *testing.T, dir string) { os.RemoveAll(objects(dir)) }, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // it waits, where a photo is damaged
			dir, photos := photographed(t)
			copyOf := copied(t, dir)
			tt.damage(t, dir)
			alone := copied(t, dir)
			before := tree(t, dir)
			if p := photosMended(t, dir, true, copyOf); len(p.Missing) > 0 || (len(p.Refilled) > 0) != tt.lost {
				t.Errorf("dry run: %+v", p)
			}
			if !maps.Equal(tree(t, dir), before) {
				t.Error("the dry run changed files")
			}

			p := photosMended(t, alone, false)
			if len(p.Refilled) > 0 || (len(p.Missing) > 0) != tt.lost {
				t.Errorf("without a copy: %+v", p)
			}
			if got := photosOf(t, alone, photos); got != 4-len(p.Missing) {
				t.Errorf("%d photos can be read, and %d are said to be missing of 4", got, len(p.Missing))
			}

			p = photosMended(t, dir, false, copyOf)
			if len(p.Missing) > 0 || (len(p.Refilled) > 0) != tt.lost {
				t.Errorf("from a copy: %+v", p)
			}
			if got := photosOf(t, dir, photos); got != 4 {
				t.Errorf("%d of 4 photos can be read after mending", got)
			}
			if again := photosMended(t, dir, false); again.Whole != 4 {
				t.Errorf("mended again: %+v", again)
			}
		})
	}
}

// TestMendPhotosOfTwoDamagedCopies: what one lacks the other has, chunk by
// chunk; what both lack is named, and nothing false is put in its place.
func TestMendPhotosOfTwoDamagedCopies(t *testing.T) {
	if testing.Short() {
		t.Skip("takes long")
	}
	dir, photos := photographed(t)
	other := copied(t, dir)
	rng := rand.New(rand.NewPCG(7, 7))
	const tries = 3
	flips, whole := 0, 0
	for range tries {
		for _, d := range []string{dir, other} {
			blocks := photoBlocks(t, d)
			edit(t, blocks[rng.IntN(len(blocks))], func(b []byte) []byte { b[rng.IntN(len(b))] ^= 1 << rng.IntN(8); return b })
			flips++
		}
		p := photosMended(t, dir, true, other)
		both := copied(t, dir)
		q := photosMended(t, both, false, other)
		if !slices.Equal(p.Missing, q.Missing) {
			t.Errorf("the dry run says that %d are missing, mending %d", len(p.Missing), len(q.Missing))
		}
		if got := photosOf(t, both, photos); got != 4-len(q.Missing) {
			t.Errorf("%d can be read, %d are said to be missing", got, len(q.Missing))
		}
		whole += 4 - len(q.Missing)
	}
	t.Logf("%d bits flipped in two copies: %d of %d photos whole again", flips, whole, tries*4)
}

// TestMendPapers: the file of an outside laboratory's certificate is brought back
// as a photo is. What was only asked for, and refused, is no file of the shop's;
// what the journal names and nobody has is named.
func TestMendPapers(t *testing.T) {
	dir, _ := photographed(t)
	j := openAt(t, dir)
	var outcomes []events.Outcome
	papers := map[string][]byte{}
	for i, n := range []int{600, 300 << 10} {
		data, hash := somePhoto(uint64(100+i), n)
		if _, err := j.PutPhoto(t.Context(), data); err != nil {
			t.Fatal(err)
		}
		papers[hash] = data
		outcomes = append(outcomes, events.Outcome{Data: events.CertificateEntered{Certificate: "L-1", Tool: "k2", File: "L-1.pdf", FileHash: hash, FileSize: int64(n)}})
	}
	_, never := somePhoto(200, 10)
	_, refused := somePhoto(201, 10)
	outcomes = append(outcomes, events.Outcome{Data: events.CertificateEntered{Certificate: "L-2", Tool: "k2", File: "L-2.pdf", FileHash: never, FileSize: 10}},
		events.Outcome{Data: events.CertificateEntered{Certificate: "L-3", Tool: "k2"}}) // without a file
	mustAppend(t, j, events.Event{Source: events.SourceDesk, Data: events.CertificateAsked{Tool: "k2", Certificate: "L-4", FileHash: refused}},
		events.Event{Source: events.SourceRules, Data: events.Decided{Cause: 1, Outcomes: outcomes}})
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	from := copied(t, dir)
	if err := os.RemoveAll(filepath.Join(Config{Shop: "fenholt", Dir: dir}.streamsDir(), "OBJ_wm-photos-fenholt")); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		dry           bool
		from          []string
		whole, missed int
		refilled      int
	}{
		{true, nil, 0, 3, 0},
		{false, []string{from}, 0, 1, 2},
		{false, nil, 2, 1, 0},
	} {
		cfg := MendConfig{Shop: "fenholt", Dir: dir, From: tt.from, DryRun: tt.dry}
		f, err := MendFiles(t.Context(), cfg, mended(t, cfg), func(ctx context.Context) (*Journal, error) {
			return Open(ctx, Config{Shop: "fenholt", Dir: dir, MinFree: 1})
		})
		if err != nil {
			t.Fatal(err)
		}
		p := f.Papers
		if p.Named != 3 || p.Whole != tt.whole || len(p.Missing) != tt.missed || len(p.Refilled) != tt.refilled || !slices.Contains(p.Missing, never) || f.Photos.Named != 4 {
			t.Errorf("%+v gives %+v", tt, f)
		}
	}
	if n := photosOf(t, dir, papers); n != 2 {
		t.Errorf("%d of 2 certificates' files are whole", n)
	}
}

// tree is every file below a directory, by name; the lock is no part of it.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == "lock" {
			return err
		}
		b, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path)
		files[rel] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}
