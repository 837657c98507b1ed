package journal

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// A photo proves itself: its SHA-256 stands in the journal, which the seals
// hold. So one that is damaged or gone is taken from wherever a whole one is. The
// file of an outside laboratory's certificate is kept in the same store, and is
// mended with the photos.

// FilesMended is what MendFiles found and did.
type FilesMended struct {
	Photos KindMended `json:"photos"`
	Papers KindMended `json:"certificate_files"`
}

// KindMended is what became of the files of one kind. They are named by their
// SHA-256, in hexadecimal.
type KindMended struct {
	Named    int      `json:"named"`    // in the journal
	Whole    int      `json:"whole"`    // that were in order
	Salvaged []string `json:"salvaged"` // brought back from the shop's own files
	Refilled []string `json:"refilled"` // brought back from a copy
	Missing  []string `json:"missing"`  // whole in no file
}

// MendFiles sees to it that the store has every photo and every certificate's file
// that the journal names, after Mend, whose settings and result it takes. open
// opens the mended journal, and is not called in a dry run: that looks at the
// files alone.
func MendFiles(ctx context.Context, cfg MendConfig, mended *Mended, open func(context.Context) (*Journal, error)) (*FilesMended, error) {
	res := &FilesMended{}
	of := func(hash string) *KindMended {
		if mended.files[hash].Certificate != "" {
			return &res.Papers
		}
		return &res.Photos
	}
	for hash := range mended.files {
		of(hash).Named++
	}
	if len(mended.files) == 0 {
		return res, nil
	}
	p, err := cfg.photos()
	if err == nil {
		err = p.gather(ctx)
	}
	if err != nil {
		return nil, fmt.Errorf("mend photos: %w", err)
	}
	hashes := slices.Sorted(maps.Keys(mended.files))
	if cfg.DryRun {
		for _, hash := range hashes {
			if p.live.photo(hash) != nil {
				of(hash).Whole++
			} else {
				of(hash).add(hash, p.find(hash))
			}
		}
		return res, nil
	}
	if err := p.makeWay(); err != nil {
		return nil, fmt.Errorf("mend photos: %w", err)
	}
	j, err := open(ctx)
	if err != nil {
		return nil, err
	}
	for _, hash := range hashes {
		if err = ctx.Err(); err != nil {
			break
		}
		if p.live.photo(hash) != nil { // else the server has it not either, and finds out slowly
			if _, e := j.Photo(ctx, hash); e == nil {
				of(hash).Whole++
				continue
			} else if !errors.Is(e, ErrPhotoMissing) && !errors.Is(e, ErrPhotoAltered) {
				err = e
				break
			}
		}
		found := p.find(hash)
		if found.data != nil {
			if _, err = j.putPhoto(ctx, found.data, false); err != nil {
				break
			}
		}
		of(hash).add(hash, found)
	}
	if err = errors.Join(err, j.Close()); err != nil {
		return nil, fmt.Errorf("mend photos: %w", err)
	}
	return res, nil
}

func (r *KindMended) add(hash string, f foundPhoto) {
	switch {
	case f.data == nil:
		r.Missing = append(r.Missing, hash)
	case f.own:
		r.Salvaged = append(r.Salvaged, hash)
	default:
		r.Refilled = append(r.Refilled, hash)
	}
}

// photoMender is one run of MendFiles.
type photoMender struct {
	cfg    MendConfig
	stream string
	dir    string      // of the store's own stream
	known  string      // directory in which the journal notes that there are photos
	live   *photoFiles // of the store as it is
	own    *photoFiles // with what was put aside
	all    *photoFiles // the own ones too: one photo may be put together of both
	bad    []blockFile // own blocks that are damaged
}

type foundPhoto struct {
	data []byte
	own  bool
}

func (cfg MendConfig) photos() (*photoMender, error) {
	own, err := cfg.own()
	if err != nil {
		return nil, err
	}
	n := naming{cfg.Shop}
	stream := "OBJ_" + n.photos()
	prefix := "$O." + n.photos() + "."
	return &photoMender{cfg: cfg, stream: stream, dir: filepath.Join(own.streamsDir(), stream), known: cfg.beside(),
		live: newPhotoFiles(stream, prefix), own: newPhotoFiles(stream, prefix), all: newPhotoFiles(stream, prefix)}, nil
}

// gather looks through all files, changing nothing.
func (p *photoMender) gather(ctx context.Context) error {
	aside, err := findBlocks(filepath.Join(p.cfg.Dir, damagedDir), p.stream)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	msgs := filepath.Join(p.dir, "msgs")
	if p.bad, err = p.live.scan(ctx, msgs); err != nil {
		return err
	}
	for _, dir := range append([]string{msgs}, aside...) {
		for _, files := range []*photoFiles{p.own, p.all} {
			if _, err := files.scan(ctx, dir); err != nil {
				return err
			}
		}
	}
	for _, root := range p.cfg.From {
		dirs, err := findBlocks(root, p.stream)
		if err != nil {
			return fmt.Errorf("look for photos in a copy: %w", err)
		}
		for _, dir := range dirs {
			if _, err := p.all.scan(ctx, dir); err != nil {
				return err
			}
		}
	}
	return nil
}

// makeWay puts aside what the server may cut, and a store whose description it
// will not believe.
func (p *photoMender) makeWay() error {
	for _, f := range p.bad {
		b, err := os.ReadFile(f.path)
		if err == nil {
			_, err = putAside(p.cfg.Dir, p.stream, f, b)
		}
		if err != nil {
			return fmt.Errorf("put damaged block aside: %w", err)
		}
	}
	if metaGood(p.dir, p.stream) {
		return nil
	}
	if _, err := os.Stat(p.dir); err == nil {
		to := filepath.Join(p.cfg.Dir, damagedDir, time.Now().UTC().Format("20060102T150405.000000"), p.stream)
		if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
			return err
		}
		if err := os.Rename(p.dir, to); err != nil {
			return err
		}
		p.live = newPhotoFiles("", "") // nothing is there any more
		p.own.moved(p.dir, to)
		p.all.moved(p.dir, to)
	}
	// The journal makes a new one only where it does not know of an old one.
	for _, name := range []string{photosFile, photosIndex} {
		if err := os.Remove(filepath.Join(p.known, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

func (p *photoMender) find(hash string) foundPhoto {
	if data := p.own.photo(hash); data != nil {
		return foundPhoto{data, true}
	}
	return foundPhoto{data: p.all.photo(hash)}
}

// photoFiles are the block files of photos, and what lies where in them.
type photoFiles struct {
	stream, prefix string
	files          []string
	parts          map[string]map[uint64]chunkAt // by the object's own id, then by sequence
	objects        map[string][]string           // own ids, by hash
	nameless       map[string]string             // own id by hash, of objects whose description is lost; nil: not looked yet
}

// chunkAt is where the data of a chunk lies.
type chunkAt struct{ file, at, size int }

func newPhotoFiles(stream, prefix string) *photoFiles {
	return &photoFiles{stream: stream, prefix: prefix, parts: map[string]map[uint64]chunkAt{}, objects: map[string][]string{}}
}

// scan takes a directory of blocks in, and returns which are damaged.
func (p *photoFiles) scan(ctx context.Context, dir string) (bad []blockFile, err error) {
	files, err := blockFiles(dir)
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		b, err := os.ReadFile(f.path)
		if err != nil {
			return nil, err
		}
		p.files = append(p.files, f.path)
		damaged, err := scanBlock(p.stream, f.index, b, func(m laid) error {
			p.add(&m)
			return nil
		})
		if err != nil {
			return nil, err
		}
		if len(damaged) > 0 {
			bad = append(bad, f)
		}
	}
	return bad, nil
}

func (p *photoFiles) add(m *laid) {
	rest, ok := strings.CutPrefix(m.Subject, p.prefix)
	if !ok || m.erased {
		return
	}
	if id, ok := strings.CutPrefix(rest, "C."); ok {
		if p.parts[id] == nil {
			p.parts[id] = map[uint64]chunkAt{}
		}
		// A record ends with its data and the hash.
		p.parts[id][m.Seq] = chunkAt{len(p.files) - 1, m.at + m.size - recordHash - len(m.Data), len(m.Data)}
		return
	}
	var info struct {
		Name string `json:"name"`
		ID   string `json:"nuid"`
	}
	if strings.HasPrefix(rest, "M.") && json.Unmarshal(m.Data, &info) == nil && info.ID != "" && !slices.Contains(p.objects[info.Name], info.ID) {
		p.objects[info.Name] = append(p.objects[info.Name], info.ID)
	}
}

// moved says that a directory has another name now.
func (p *photoFiles) moved(from, to string) {
	for i, f := range p.files {
		if rest, ok := strings.CutPrefix(f, from+string(filepath.Separator)); ok {
			p.files[i] = filepath.Join(to, rest)
		}
	}
}

// photo returns the photo with a hash, nil if it is nowhere whole.
func (p *photoFiles) photo(hash string) []byte {
	for _, id := range p.objects[hash] {
		if data := p.object(id); hashOf(data) == hash {
			return data
		}
	}
	if p.nameless == nil {
		p.nameless = map[string]string{}
		named := map[string]bool{}
		for _, ids := range p.objects {
			for _, id := range ids {
				named[id] = true
			}
		}
		for id := range p.parts {
			if !named[id] {
				p.nameless[hashOf(p.object(id))] = id
			}
		}
	}
	if id, ok := p.nameless[hash]; ok {
		return p.object(id)
	}
	return nil
}

func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// object puts the chunks of an object together; what cannot be read is left
// out, and then its hash tells.
func (p *photoFiles) object(id string) []byte {
	var out bytes.Buffer
	for _, seq := range slices.Sorted(maps.Keys(p.parts[id])) {
		x := p.parts[id][seq]
		f, err := os.Open(p.files[x.file])
		if err != nil {
			continue
		}
		b := make([]byte, x.size)
		if _, err := f.ReadAt(b, int64(x.at)); err == nil {
			out.Write(b)
		}
		_ = f.Close() // read only
	}
	return out.Bytes()
}
