// Package backup makes a copy of a shop that another machine can go on from:
// the journal and the photos as JetStream snapshots, taken while the service
// runs, the seals, and the files that say how the shop is set up.
//
// A backup is a directory:
//
//	manifest.json    what is in it: each file with its size and SHA-256
//	manifest.sha256  the SHA-256 of manifest.json, as sha256sum writes it
//	events.stream    the journal, photos.stream the photos
//	journal.json     which journal it is, and how far it had come before
//	seals/           public keys, checkpoints, hashes of the log
//	config/          configuration, shop file, profiles
//	secrets.age      signing key and all else that is secret, encrypted with a
//	                 passphrase (age); it is left out where none was given
//
// The manifest is written last, so that a backup that broke off is none. What
// is derived, ledger and snapshot, is not in it; restoring makes it again.
package backup

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"filippo.io/age"
	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events/journal"
	"witnessmark/events/seal"
)

// The files of a backup.
const (
	manifestFile = "manifest.json"
	sumFile      = "manifest.sha256"
	identityFile = "journal.json"
	secretsFile  = "secrets.age"
	sealsDir     = "seals"
	configDir    = "config"
)

// Manifest says what a backup holds.
type Manifest struct {
	Form    int                     `json:"witnessmark_backup"` // 1
	ID      string                  `json:"id"`                 // the SHA-256 of the copied state's description, shortened
	Shop    string                  `json:"shop"`
	MadeAt  time.Time               `json:"made_at"`
	Moving  bool                    `json:"moving"` // the machine it was made on was shut for good
	Last    uint64                  `json:"last_seq"`
	Sealed  uint64                  `json:"sealed_to"` // entries under the newest seal in it
	Copies  map[string]journal.Copy `json:"copies"`    // by file
	Secrets bool                    `json:"secrets"`
	LeftOut []string                `json:"left_out,omitempty"`
	Files   []File                  `json:"files"` // by name
}

// File is one file of a backup.
type File struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

// Source copies streams out: a journal, or a service that has it open.
type Source interface {
	CopyOut(ctx context.Context, what string, begin func(journal.Copy) error, w io.Writer) error
}

// Plan says what to back up, and where to.
type Plan struct {
	Dir    string // to be made; it must not be there, or be empty
	Data   string // data directory of the shop
	Shop   string
	Source Source
	// Config are files and directories for config/, by their name there. Those
	// that are not there are left out.
	Config map[string]string
	// Secret are the same for what goes among the secrets.
	Secret     map[string]string
	Passphrase string // "": secrets are left out
	Moving     bool
	Progress   func(what string, done, total uint64) // may be nil
	Now        time.Time
}

// Make makes a backup. If it fails, what it wrote is removed.
func Make(ctx context.Context, p Plan) (*Manifest, error) {
	if err := empty(p.Dir); err != nil {
		return nil, fmt.Errorf("back up: %w", err)
	}
	if err := os.MkdirAll(p.Dir, 0o750); err != nil {
		return nil, fmt.Errorf("back up: %w", err)
	}
	m, err := p.make(ctx)
	if err != nil {
		for _, name := range []string{sumFile, manifestFile, identityFile, secretsFile, sealsDir, configDir, "events.stream", "photos.stream"} {
			err = errors.Join(err, os.RemoveAll(filepath.Join(p.Dir, name)))
		}
		return nil, fmt.Errorf("back up to %s: %w", p.Dir, err)
	}
	return m, nil
}

// empty reports an error unless dir is not there or has nothing in it.
func empty(dir string) error {
	es, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case len(es) > 0:
		return fmt.Errorf("%s is not empty: name a directory that is not there yet", dir)
	}
	return nil
}

func (p *Plan) make(ctx context.Context) (*Manifest, error) {
	m := &Manifest{Form: 1, Shop: p.Shop, MadeAt: p.Now.UTC().Truncate(time.Second), Moving: p.Moving, Copies: map[string]journal.Copy{}}
	// Identity and seals before the journal, the photos after it: so the copy of
	// the journal reaches at least as far as they say, and no photo is missing
	// that it names.
	if err := p.file(filepath.Join(p.Data, "journal", identityFile), identityFile, -1); err != nil {
		return nil, err
	}
	if err := p.seals(m); err != nil {
		return nil, err
	}
	for _, what := range []string{journal.CopyEvents, journal.CopyPhotos} {
		if err := p.stream(ctx, m, what); err != nil {
			return nil, err
		}
	}
	for name, from := range p.Config {
		if err := p.tree(from, filepath.Join(configDir, name)); err != nil {
			return nil, err
		}
	}
	if err := p.secrets(m); err != nil {
		return nil, err
	}
	return m, p.finish(m)
}

// file copies a file's first most bytes, -1: all of it.
func (p *Plan) file(from, name string, most int64) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	var r io.Reader = in
	if most >= 0 {
		r = io.LimitReader(in, most)
	}
	return p.write(name, func(w io.Writer) error { _, err := io.Copy(w, r); return err })
}

// write makes a synced file of the backup.
func (p *Plan) write(name string, fill func(io.Writer) error) error {
	path := filepath.Join(p.Dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	err = fill(f)
	return errors.Join(err, f.Sync(), f.Close())
}

// tree copies a file or a directory; nothing if it is not there.
func (p *Plan) tree(from, name string) error {
	return walk(from, func(path, rel string) error { return p.file(path, filepath.Join(name, rel), -1) })
}

// walk calls fn with each regular file of a tree, and its place in it.
func walk(root string, fn func(path, rel string) error) error {
	if _, err := os.Stat(root); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		return fn(path, rel)
	})
}

// seals copies what may be given to anybody, as of the newest checkpoint.
func (p *Plan) seals(m *Manifest) error {
	dir := filepath.Join(p.Data, sealsDir)
	for _, name := range []string{"checkpoints", "checkpoints.lost"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		whole := b[:bytes.LastIndexByte(b, '\n')+1] // the service may be writing the next
		if err := p.write(filepath.Join(sealsDir, name), func(w io.Writer) error { _, err := w.Write(whole); return err }); err != nil {
			return err
		}
	}
	for _, name := range []string{"key.pub", "keys.old"} {
		if err := p.tree(filepath.Join(dir, name), filepath.Join(sealsDir, name)); err != nil {
			return err
		}
	}
	seals, err := seal.Checkpoints(filepath.Join(p.Dir, sealsDir))
	if err != nil || len(seals) == 0 {
		return err
	}
	m.Sealed = seals[len(seals)-1].Size
	return p.file(filepath.Join(dir, "hashes"), filepath.Join(sealsDir, "hashes"), tlog.StoredHashCount(int64(m.Sealed))*tlog.HashSize)
}

func (p *Plan) stream(ctx context.Context, m *Manifest, what string) error {
	name := what + ".stream"
	var c journal.Copy
	err := p.write(name, func(w io.Writer) error {
		n := counting{w: w}
		return p.Source.CopyOut(ctx, what, func(begun journal.Copy) error {
			c = begun
			n.tell = func(done uint64) { p.tell("copy "+what, done, c.Bytes) }
			return nil
		}, &n)
	})
	if what == journal.CopyPhotos && errors.Is(err, journal.ErrPhotoMissing) {
		return os.Remove(filepath.Join(p.Dir, name)) // there are none
	}
	if err != nil {
		return err
	}
	m.Copies[name] = c
	if what == journal.CopyEvents {
		m.Last = c.Last
	}
	return nil
}

// counting tells how much went through it.
type counting struct {
	w    io.Writer
	n    uint64
	tell func(uint64)
}

func (c *counting) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += uint64(n)
	if c.tell != nil {
		c.tell(c.n)
	}
	return n, err
}

func (p *Plan) tell(what string, done, total uint64) {
	if p.Progress != nil {
		p.Progress(what, done, total)
	}
}

// secrets packs and encrypts what is secret, or names what is left out.
func (p *Plan) secrets(m *Manifest) error {
	var names []string
	for name, from := range p.Secret {
		if _, err := os.Stat(from); err == nil {
			names = append(names, name)
		} else if !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	slices.Sort(names)
	if len(names) == 0 {
		return nil
	}
	if p.Passphrase == "" {
		m.LeftOut = names
		return nil
	}
	m.Secrets = true
	to, err := age.NewScryptRecipient(p.Passphrase)
	if err != nil {
		return fmt.Errorf("encrypt secrets: %w", err)
	}
	return p.write(secretsFile, func(w io.Writer) error {
		enc, err := age.Encrypt(w, to)
		if err != nil {
			return err
		}
		t := tar.NewWriter(enc)
		for _, name := range names {
			err := walk(p.Secret[name], func(path, rel string) error {
				b, err := os.ReadFile(path)
				if err != nil {
					return err
				}
				h := &tar.Header{Name: filepath.ToSlash(filepath.Join(name, rel)), Mode: 0o600, Size: int64(len(b)), Typeflag: tar.TypeReg}
				if err := t.WriteHeader(h); err != nil {
					return err
				}
				_, err = t.Write(b)
				return err
			})
			if err != nil {
				return err
			}
		}
		return errors.Join(t.Close(), enc.Close())
	})
}

// finish sums up all files and writes the manifest.
func (p *Plan) finish(m *Manifest) error {
	var total, done uint64
	err := walk(p.Dir, func(path, rel string) error {
		info, err := os.Stat(path)
		if err == nil {
			total += uint64(info.Size())
		}
		return err
	})
	if err != nil {
		return err
	}
	err = walk(p.Dir, func(path, rel string) error {
		f, err := sum(path, func(n uint64) { done += n; p.tell("sum up", done, total) })
		f.Name = filepath.ToSlash(rel)
		m.Files = append(m.Files, f)
		return err
	})
	if err != nil {
		return err
	}
	b, err := json.Marshal(m.Files)
	if err != nil {
		return err
	}
	id := sha256.Sum256(b)
	m.ID = hex.EncodeToString(id[:8])
	if b, err = json.MarshalIndent(m, "", "  "); err != nil {
		return err
	}
	b = append(b, '\n')
	own := sha256.Sum256(b)
	text := hex.EncodeToString(own[:]) + "  " + manifestFile + "\n"
	for _, f := range []struct {
		name string
		text []byte
	}{{sumFile, []byte(text)}, {manifestFile, b}} {
		if err := p.write(f.name, func(w io.Writer) error { _, err := w.Write(f.text); return err }); err != nil {
			return err
		}
	}
	return syncDir(p.Dir)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// sum reads a file and tells how much it has read since it last told.
func sum(path string, tell func(uint64)) (File, error) {
	in, err := os.Open(path)
	if err != nil {
		return File{}, err
	}
	defer in.Close()
	h := sha256.New()
	n := counting{w: h}
	var told uint64
	n.tell = func(done uint64) { tell(done - told); told = done }
	size, err := io.Copy(&n, in)
	return File{Size: size, SHA256: hex.EncodeToString(h.Sum(nil))}, err
}

// ErrDamaged means that a backup is not what was written.
var ErrDamaged = errors.New("the backup is damaged")

// Is reports whether dir holds a backup.
func Is(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, manifestFile))
	return err == nil
}

// Unpack lays the journal and the photos of a backup out in a directory, as
// journal.Mend takes it. It is for what is left of a damaged one too: what could
// be read is there, and the error, which wraps ErrDamaged, says what could not.
func Unpack(dir, to string) error {
	m, err := readManifest(dir)
	if err != nil {
		return err
	}
	for name, c := range m.Copies {
		f, e := os.Open(filepath.Join(dir, filepath.FromSlash(name)))
		if e == nil {
			e = errors.Join(journal.Unpack(c, f, to, m.Shop), f.Close())
		}
		if e != nil {
			err = errors.Join(err, fmt.Errorf("%w: %s: %w", ErrDamaged, name, e))
		}
	}
	return err
}

// Check reads a backup whole and holds it against its manifest. Damage is an
// error that wraps ErrDamaged and names every file that is concerned.
func Check(ctx context.Context, dir string, progress func(what string, done, total uint64)) (*Manifest, error) {
	m, err := readManifest(dir)
	if err != nil {
		return nil, err
	}
	var total, done uint64
	for _, f := range m.Files {
		total += uint64(f.Size)
	}
	var wrong []string
	known, err := m.names()
	if err != nil {
		return nil, err
	}
	for _, f := range m.Files {
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		got, err := sum(filepath.Join(dir, filepath.FromSlash(f.Name)), func(n uint64) {
			if done += n; progress != nil {
				progress("check", done, total)
			}
		})
		switch {
		case errors.Is(err, fs.ErrNotExist):
			wrong = append(wrong, f.Name+" is missing")
		case err != nil:
			return nil, fmt.Errorf("check backup %s: %w", dir, err)
		case got.Size != f.Size:
			wrong = append(wrong, fmt.Sprintf("%s has %d bytes, it had %d", f.Name, got.Size, f.Size))
		case got.SHA256 != f.SHA256:
			wrong = append(wrong, f.Name+" was altered (its SHA-256 is another)")
		}
	}
	err = walk(dir, func(_, rel string) error {
		if !known[filepath.ToSlash(rel)] {
			wrong = append(wrong, rel+" does not belong to it")
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("check backup %s: %w", dir, err)
	}
	if len(wrong) > 0 {
		return nil, fmt.Errorf("%w: %s; use another copy of it", ErrDamaged, strings.Join(wrong, "; "))
	}
	return m, nil
}

// names returns the names of all files that belong to a backup. Those of a
// manifest that somebody wrote must not lead anywhere else, on no system, not
// even from one folder of the backup into another.
func (m *Manifest) names() (map[string]bool, error) {
	known := map[string]bool{manifestFile: true, sumFile: true}
	for _, f := range m.Files {
		if !fs.ValidPath(f.Name) || f.Name == "." || !filepath.IsLocal(filepath.FromSlash(f.Name)) || strings.Contains(f.Name, `\`) {
			return nil, fmt.Errorf("%w: its manifest names %q, which is outside of it", ErrDamaged, f.Name)
		}
		if known[f.Name] {
			return nil, fmt.Errorf("%w: its manifest names %q twice", ErrDamaged, f.Name)
		}
		known[f.Name] = true
	}
	needed := []string{identityFile}
	for name := range m.Copies {
		needed = append(needed, name)
	}
	if m.Secrets {
		needed = append(needed, secretsFile)
	}
	for _, name := range needed {
		if !known[name] || name == manifestFile || name == sumFile {
			return nil, fmt.Errorf("%w: its manifest needs %q, and does not list it", ErrDamaged, name)
		}
	}
	return known, nil
}

func readManifest(dir string) (*Manifest, error) {
	b, err := os.ReadFile(filepath.Join(dir, manifestFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s has no %s: it is no backup, or one that broke off", dir, manifestFile)
	}
	if err != nil {
		return nil, fmt.Errorf("read backup: %w", err)
	}
	text, err := os.ReadFile(filepath.Join(dir, sumFile))
	if err != nil {
		return nil, fmt.Errorf("%w: read %s: %v", ErrDamaged, sumFile, err)
	}
	own := sha256.Sum256(b)
	if string(text) != hex.EncodeToString(own[:])+"  "+manifestFile+"\n" {
		return nil, fmt.Errorf("%w: %s and %s do not agree; use another copy of it", ErrDamaged, manifestFile, sumFile)
	}
	m := &Manifest{}
	if err := json.Unmarshal(b, m); err != nil {
		return nil, fmt.Errorf("%w: %s: %v", ErrDamaged, manifestFile, err)
	}
	if m.Form != 1 {
		return nil, fmt.Errorf("backup %s is of form %d, this program reads form 1; use a newer version", dir, m.Form)
	}
	return m, nil
}
