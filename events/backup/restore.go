package backup

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"filippo.io/age"

	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
)

// Restoring says which backup to take in, and where.
type Restoring struct {
	Dir        string // of the backup
	Data       string // data directory to be made; it must not be there, or be empty
	Passphrase string // of its secrets; "": they stay out
	MaxBytes   int64  // of the journal, see journal.Config
	// AcceptFindings restores a journal that is not as its seals say: for one that
	// was damaged before it was backed up. What is wrong is in Restored.Verified.
	AcceptFindings bool
	Progress       func(what string, done, total uint64)
	Now            time.Time // of the restore; zero: now
	By             string    // who does it; may be empty
	Log            *slog.Logger
}

// Restored tells what came of it.
type Restored struct {
	Manifest
	Verified seal.Result // the whole journal against its seals
	Config   string      // where the shop's files of set-up lie now
	NoKey    bool        // the signing key is not there
}

// Restore makes a data directory from a backup. It checks the backup first,
// then holds the restored journal against its seals and builds the ledger; only
// when all that is done is the directory there. If anything is wrong, nothing is.
func Restore(ctx context.Context, r Restoring) (*Restored, error) {
	if err := empty(r.Data); err != nil {
		return nil, fmt.Errorf("restore: %w; a shop that is there is not written over", err)
	}
	m, err := Check(ctx, r.Dir, r.Progress)
	if err != nil {
		return nil, err
	}
	if m.Secrets && r.Passphrase == "" {
		return nil, errors.New("restore: the backup has encrypted secrets: give the file with their passphrase (--passphrase-file), or say --without-secrets")
	}
	data, err := filepath.Abs(r.Data)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(data), 0o755); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	stage, err := os.MkdirTemp(filepath.Dir(data), filepath.Base(data)+".restoring-")
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	defer os.RemoveAll(stage) // gone already if all went well
	out, err := r.into(ctx, stage, m)
	if err != nil {
		return nil, fmt.Errorf("restore %s: %w", r.Dir, err)
	}
	if err := os.Remove(data); err != nil && !errors.Is(err, os.ErrNotExist) { // empty
		return nil, fmt.Errorf("restore: %w", err)
	}
	if err := os.Rename(stage, data); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	out.Config = filepath.Join(r.Data, fromBackup)
	return out, syncDir(filepath.Dir(data))
}

// ErrSeals means that a journal was not as its seals say when it was backed up.
var ErrSeals = errors.New("the journal in the backup is damaged")

// WithoutSecrets, as a passphrase, leaves the secrets out.
const WithoutSecrets = "\x00"

// fromBackup is where set-up files are put: nothing that is in force on this
// machine is written over.
const fromBackup = "from-backup"

func (r *Restoring) into(ctx context.Context, stage string, m *Manifest) (*Restored, error) {
	out := &Restored{Manifest: *m}
	for _, f := range m.Files {
		name := filepath.FromSlash(f.Name)
		to := ""
		switch top, rest, _ := strings.Cut(f.Name, "/"); top {
		case sealsDir:
			to = name
		case configDir:
			to = filepath.Join(fromBackup, filepath.FromSlash(rest))
		default:
			continue
		}
		if err := copyFile(filepath.Join(r.Dir, name), filepath.Join(stage, to), 0o644); err != nil {
			return nil, err
		}
	}
	if m.Secrets && r.Passphrase != WithoutSecrets {
		if err := r.secrets(stage); err != nil {
			return nil, err
		}
	}
	if err := r.streams(ctx, stage, m); err != nil {
		return nil, err
	}
	_, err := os.Stat(filepath.Join(stage, sealsDir, "key"))
	out.NoKey = err != nil
	if err := r.prove(ctx, stage, out); err != nil {
		return nil, err
	}
	return out, r.mark(stage, m)
}

func copyFile(from, to string, mode os.FileMode) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	return writeFile(to, in, mode)
}

func writeFile(to string, r io.Reader, mode os.FileMode) error {
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return err
	}
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, r)
	return errors.Join(err, f.Sync(), f.Close())
}

// secrets decrypts and unpacks what is secret.
func (r *Restoring) secrets(stage string) error {
	f, err := os.Open(filepath.Join(r.Dir, secretsFile))
	if err != nil {
		return err
	}
	defer f.Close()
	id, err := age.NewScryptIdentity(r.Passphrase)
	if err != nil {
		return fmt.Errorf("decrypt secrets: %w", err)
	}
	plain, err := age.Decrypt(f, id)
	if err != nil {
		return errors.New("decrypt secrets: the passphrase is not the one they were encrypted with")
	}
	t := tar.NewReader(plain)
	for {
		h, err := t.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("unpack secrets: %w", err)
		}
		name := filepath.FromSlash(h.Name)
		if !filepath.IsLocal(name) {
			return fmt.Errorf("unpack secrets: %q is outside of the data directory", h.Name)
		}
		if err := writeFile(filepath.Join(stage, name), t, 0o600); err != nil {
			return fmt.Errorf("unpack secrets: %w", err)
		}
	}
}

func (r *Restoring) streams(ctx context.Context, stage string, m *Manifest) error {
	known, err := os.ReadFile(filepath.Join(r.Dir, identityFile))
	if err != nil {
		return err
	}
	var copies []journal.CopiedIn
	for name, c := range m.Copies {
		f, err := os.Open(filepath.Join(r.Dir, filepath.FromSlash(name)))
		if err != nil {
			return err
		}
		defer f.Close()
		info, err := f.Stat()
		if err != nil {
			return err
		}
		n := counting{w: io.Discard, tell: func(done uint64) {
			if r.Progress != nil {
				r.Progress("take in "+name, done, uint64(info.Size()))
			}
		}}
		copies = append(copies, journal.CopiedIn{Copy: c, From: io.TeeReader(f, &n)})
	}
	return journal.CopyIn(ctx, r.journal(stage, m.Shop), known, copies)
}

func (r *Restoring) journal(stage, shop string) journal.Config {
	return journal.Config{Shop: shop, Dir: filepath.Join(stage, "journal"), MaxBytes: r.MaxBytes, Log: r.Log}
}

// prove holds the restored journal against manifest and seals, and builds the
// ledger.
func (r *Restoring) prove(ctx context.Context, stage string, out *Restored) error {
	j, err := journal.Open(ctx, r.journal(stage, out.Shop))
	if err != nil {
		return err
	}
	defer j.Close()
	if j.Last() != out.Last {
		return fmt.Errorf("%w: its journal ends at J%d, the manifest says J%d", ErrDamaged, j.Last(), out.Last)
	}
	told := func(what string) func(done, total uint64) {
		return func(done, total uint64) {
			if r.Progress != nil {
				r.Progress(what, done, total)
			}
		}
	}
	if _, err := os.Stat(filepath.Join(stage, sealsDir, "key.pub")); err == nil {
		v, err := seal.VerifyJournal(ctx, j, filepath.Join(stage, sealsDir), out.Shop, nil, told("verify"))
		if err != nil {
			return err
		}
		if out.Verified = *v; len(v.Findings) > 0 && !r.AcceptFindings {
			return fmt.Errorf("%w: the backup is as it was made, but its journal is not as it was sealed: %s", ErrSeals, v.Findings[0].Text)
		}
	}
	if err := ledger.Rebuild(ctx, j, filepath.Join(stage, "ledger.db"), told("build ledger")); err != nil {
		return err
	}
	return nil
}
