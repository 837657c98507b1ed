package retention

import (
	"bufio"
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

	"witnessmark/events"
	"witnessmark/events/seal"
)

// The files of an archive. It proves itself for ever, with nothing but the shop's
// public key: each line of entries has its leaf in leaves, and all leaves together
// give the root that the checkpoint signs.
const (
	manifestFile   = "manifest.json"
	sumFile        = "manifest.sha256" // as sha256sum writes it
	entriesFile    = "entries.jsonl"   // each capture as it lay in the journal, a line of JSON
	leavesFile     = "leaves"          // of all entries that the checkpoint covers, 32 bytes each (RFC 6962, SHA-256)
	checkpointFile = "checkpoint"      // a signed note
	keysFile       = "keys.pub"        // as the shop had them
)

// Manifest says what an archive holds.
type Manifest struct {
	Form     int            `json:"witnessmark_archive"` // 1
	Shop     string         `json:"shop"`
	Journal  string         `json:"journal"` // its identity
	MadeAt   time.Time      `json:"made_at"`
	Rule     string         `json:"rule"`
	Years    int            `json:"years"`
	BeforeUs events.Instant `json:"before_us"`
	Sealed   uint64         `json:"sealed_to"`
	Entries  Amount         `json:"entries"`
	Jobs     []string       `json:"jobs"`
	Files    []File         `json:"files"`
}

// File is one file of an archive.
type File struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

// ErrArchive means that an archive is not what was written, or proves nothing.
var ErrArchive = errors.New("the archive does not prove what is in it")

// Source is a journal to archive from.
type Source interface {
	Journal
	Identity() string
}

// Archive writes what a plan would remove to dir, which must not be there yet, and
// reads it back. seals is the directory of the shop's seals.
func Archive(ctx context.Context, j Source, p *Plan, dir, seals, shop string, now time.Time) (_ *Archived, err error) {
	if len(p.Remove) == 0 {
		return nil, errors.New("archive: there is nothing to remove")
	}
	if es, err := os.ReadDir(dir); err == nil && len(es) > 0 {
		return nil, fmt.Errorf("archive: %s is not empty: name a directory that is not there yet", dir)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	defer func() {
		if err != nil {
			for _, name := range []string{sumFile, manifestFile, entriesFile, leavesFile, checkpointFile, keysFile} {
				_ = os.Remove(filepath.Join(dir, name)) // what broke off is no archive
			}
			err = fmt.Errorf("archive to %s: %w", dir, err)
		}
	}()
	m := &Manifest{Form: 1, Shop: shop, Journal: j.Identity(), MadeAt: now.UTC().Truncate(time.Second), Rule: p.Rule.String(), Years: p.Rule.Years,
		BeforeUs: p.BeforeUs, Sealed: p.Sealed, Entries: p.Of()}
	for _, x := range p.Jobs {
		m.Jobs = append(m.Jobs, x.Job)
	}
	made, err := newest(seals)
	if err != nil {
		return nil, err
	}
	if made.Size != p.Sealed {
		return nil, fmt.Errorf("the plan was made for the seal over J1 to J%d, the newest goes to J%d: plan again", p.Sealed, made.Size)
	}
	keys, err := seal.Publics(seals)
	if err != nil {
		return nil, err
	}
	for _, f := range []struct {
		name string
		fill func(io.Writer) error
	}{
		{entriesFile, func(w io.Writer) error { return writeEntries(ctx, j, p.Remove, w) }},
		{leavesFile, func(w io.Writer) error { return seal.CopyLeaves(seals, p.Sealed, w) }},
		{checkpointFile, func(w io.Writer) error { _, err := io.WriteString(w, made.Note); return err }},
		{keysFile, func(w io.Writer) error { _, err := io.WriteString(w, strings.Join(keys, "\n")+"\n"); return err }},
	} {
		x, err := write(dir, f.name, f.fill)
		if err != nil {
			return nil, err
		}
		m.Files = append(m.Files, x)
	}
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return nil, err
	}
	b = append(b, '\n')
	own := sha256.Sum256(b)
	if _, err := write(dir, sumFile, func(w io.Writer) error {
		_, err := fmt.Fprintf(w, "%x  %s\n", own, manifestFile)
		return err
	}); err != nil {
		return nil, err
	}
	if _, err := write(dir, manifestFile, func(w io.Writer) error { _, err := w.Write(b); return err }); err != nil {
		return nil, err
	}
	for _, d := range []string{dir, filepath.Dir(filepath.Clean(dir))} {
		if err := syncDir(d); err != nil {
			return nil, err
		}
	}
	return Check(ctx, dir, keys)
}

func newest(seals string) (events.SealMade, error) {
	made, err := seal.Checkpoints(seals)
	if err != nil {
		return events.SealMade{}, err
	}
	if len(made) == 0 {
		return events.SealMade{}, errors.New("there is no seal yet: nothing can be proven, so nothing can be removed; let the service run, it seals every hour")
	}
	return made[len(made)-1], nil
}

func writeEntries(ctx context.Context, j Journal, want []Capture, w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	i := 0
	err := j.ReadWritten(ctx, want[0].Seq, want[len(want)-1].Seq, func(ws []events.Written) error {
		for k := range ws {
			if i < len(want) && ws[k].Seq == want[i].Seq {
				i++
				if err := enc.Encode(&ws[k]); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err == nil && i != len(want) {
		err = fmt.Errorf("entry J%d could not be read", want[i].Seq)
	}
	return err
}

// write makes a synced file of an archive.
func write(dir, name string, fill func(io.Writer) error) (File, error) {
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return File{}, err
	}
	h := sha256.New()
	out := bufio.NewWriterSize(io.MultiWriter(f, h), 1<<16)
	err = errors.Join(fill(out), out.Flush())
	info, e := f.Stat()
	if err = errors.Join(err, e, f.Sync(), f.Close()); err != nil {
		return File{}, err
	}
	return File{Name: name, Size: info.Size(), SHA256: hex.EncodeToString(h.Sum(nil))}, nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Archived is an archive that was read and holds.
type Archived struct {
	Manifest
	Dir string
	Sum string // SHA-256 of its manifest, hexadecimal
	Key string // that signed its checkpoint

	leaves []byte
}

// Leaf returns the leaf of an entry in the log of seals.
func (a *Archived) Leaf(seq uint64) []byte { return a.leaves[32*(seq-1) : 32*seq] }

// Check reads an archive whole and holds it against its manifest and, with keys,
// the shop's public keys, against the signed checkpoint. Errors wrap ErrArchive if
// it is not as it was written.
func Check(ctx context.Context, dir string, keys []string) (*Archived, error) {
	a, err := open(dir)
	if err != nil {
		return nil, err
	}
	vs, err := seal.Verifiers(keys)
	if err != nil {
		return nil, err
	}
	var wrong []string
	for _, f := range a.Files {
		got, err := sum(filepath.Join(dir, f.Name))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			wrong = append(wrong, f.Name+" is missing")
		case err != nil:
			return nil, fmt.Errorf("check archive %s: %w", dir, err)
		case got != f.SHA256:
			wrong = append(wrong, f.Name+" was altered (its SHA-256 is another)")
		}
	}
	if len(wrong) > 0 {
		return nil, fmt.Errorf("%w: %s: %s; use another copy of it", ErrArchive, dir, strings.Join(wrong, "; "))
	}
	note, err := os.ReadFile(filepath.Join(dir, checkpointFile))
	if err != nil {
		return nil, fmt.Errorf("check archive %s: %w", dir, err)
	}
	c, key, err := seal.OpenNote(string(note), vs...)
	if err != nil {
		return nil, fmt.Errorf("%w: %s: %w", ErrArchive, dir, err)
	}
	if a.leaves, err = os.ReadFile(filepath.Join(dir, leavesFile)); err != nil {
		return nil, fmt.Errorf("check archive %s: %w", dir, err)
	}
	root, err := seal.RootOfLeaves(a.leaves)
	if err != nil || root != c.Root || c.Origin != seal.Origin(a.Shop) || c.Size != a.Sealed || uint64(len(a.leaves)) != 32*c.Size {
		return nil, fmt.Errorf("%w: %s: its leaves do not give the root that its checkpoint signs for shop %q", ErrArchive, dir, a.Shop)
	}
	a.Key = key
	n, last := Amount{}, uint64(0)
	err = a.Each(ctx, func(w *events.Written) error {
		if w.Seq <= last || w.Seq > c.Size || [32]byte(a.Leaf(w.Seq)) != seal.LeafOf(w) {
			return fmt.Errorf("%w: %s: J%d is not what was sealed", ErrArchive, dir, w.Seq)
		}
		if last = w.Seq; !events.IsCapture(w.Type) {
			return fmt.Errorf("%w: %s: J%d (%s) is no capture", ErrArchive, dir, w.Seq, w.Type)
		}
		n.Captures++
		n.Bytes += uint64(len(w.Data))
		return nil
	})
	if err == nil && n != a.Entries {
		err = fmt.Errorf("%w: %s: it holds %d entries, its manifest says %d", ErrArchive, dir, n.Captures, a.Entries.Captures)
	}
	if err != nil {
		return nil, err
	}
	return a, nil
}

// open reads a manifest.
func open(dir string) (*Archived, error) {
	b, err := os.ReadFile(filepath.Join(dir, manifestFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s has no %s: it is no archive, or one that broke off", dir, manifestFile)
	}
	if err != nil {
		return nil, fmt.Errorf("read archive: %w", err)
	}
	own := sha256.Sum256(b)
	a := &Archived{Dir: dir, Sum: hex.EncodeToString(own[:])}
	text, err := os.ReadFile(filepath.Join(dir, sumFile))
	if err != nil || string(text) != a.Sum+"  "+manifestFile+"\n" {
		return nil, fmt.Errorf("%w: %s: %s and %s do not agree; use another copy of it", ErrArchive, dir, manifestFile, sumFile)
	}
	if err := json.Unmarshal(b, &a.Manifest); err != nil {
		return nil, fmt.Errorf("%w: %s: %s: %v", ErrArchive, dir, manifestFile, err)
	}
	if a.Form != 1 {
		return nil, fmt.Errorf("archive %s is of form %d, this program reads form 1; use a newer version", dir, a.Form)
	}
	var names []string
	for _, f := range a.Files {
		names = append(names, f.Name)
	}
	if !slices.Equal(names, []string{entriesFile, leavesFile, checkpointFile, keysFile}) {
		return nil, fmt.Errorf("%w: %s: it names the files %q", ErrArchive, dir, names)
	}
	return a, nil
}

func sum(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	_, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), err
}

// Each gives the archived entries in journal order to fn.
func (a *Archived) Each(ctx context.Context, fn func(*events.Written) error) error {
	f, err := os.Open(filepath.Join(a.Dir, entriesFile))
	if err != nil {
		return fmt.Errorf("read archive: %w", err)
	}
	defer f.Close()
	in := bufio.NewReaderSize(f, 1<<20)
	for n := 1; ; n++ {
		line, err := in.ReadBytes('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%w: %s, line %d: %v", ErrArchive, entriesFile, n, err)
		}
		if n%1024 == 0 && ctx.Err() != nil {
			return context.Cause(ctx)
		}
		var w events.Written
		dec := json.NewDecoder(bytes.NewReader(line))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&w); err != nil {
			return fmt.Errorf("%w: %s, line %d: %v", ErrArchive, entriesFile, n, err)
		}
		if err := fn(&w); err != nil {
			return err
		}
	}
}

// Keys returns the public keys in the archive, which prove nothing by themselves.
func (a *Archived) Keys() ([]string, error) {
	b, err := os.ReadFile(filepath.Join(a.Dir, keysFile))
	if err != nil {
		return nil, fmt.Errorf("read archive: %w", err)
	}
	return strings.Fields(string(b)), nil
}
