package seal

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// The files of a key in the directory of the seals. Retired public keys stay,
// so that old seals can still be checked.
const (
	keyFile     = "key"     // secret, mode 0600
	publicFile  = "key.pub" // may be given to anybody
	retiredFile = "keys.old"
)

// Key is the shop's signing key.
type Key struct {
	Signer note.Signer
	Public string // verifier key: name, hash and Ed25519 key, as package note writes it
}

// Name is the key's name and hash, as notes have it.
func (k Key) Name() string { return keyName(k.Signer.Name(), k.Signer.KeyHash()) }

// OpenKey reads the key in dir, or makes one on first use.
func OpenKey(dir, shop string) (Key, error) {
	b, err := os.ReadFile(filepath.Join(dir, keyFile))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if old, _ := os.ReadFile(filepath.Join(dir, publicFile)); len(old) > 0 {
			return Key{}, fmt.Errorf("open seal key: %s is missing, but its public half is there: put the file back from your copy, or begin a new key with 'witnessmark seal rotate' (what the old one signed stays valid)", filepath.Join(dir, keyFile))
		}
		return newKey(dir, shop)
	case err != nil:
		return Key{}, fmt.Errorf("open seal key: %w", err)
	}
	return parseKey(strings.TrimSpace(string(b)), dir)
}

func parseKey(secret, dir string) (Key, error) {
	s, err := note.NewSigner(secret)
	if err != nil {
		return Key{}, fmt.Errorf("open seal key: %s is no key: put it back from your copy", filepath.Join(dir, keyFile)) // never its content
	}
	pub, err := os.ReadFile(filepath.Join(dir, publicFile))
	if errors.Is(err, fs.ErrNotExist) { // it was stopped between the two, or the file is lost; it follows from the secret
		text, err := publicOf(secret, s.Name())
		if err != nil {
			return Key{}, err
		}
		if err := errors.Join(writeWhole(dir, publicFile, []byte(text+"\n"), 0o644), syncNames(dir)); err != nil {
			return Key{}, fmt.Errorf("open seal key: %w", err)
		}
		pub = []byte(text)
	} else if err != nil {
		return Key{}, fmt.Errorf("open seal key: %w", err)
	}
	k := Key{s, strings.TrimSpace(string(pub))}
	v, err := note.NewVerifier(k.Public)
	if err != nil || v.Name() != s.Name() || v.KeyHash() != s.KeyHash() {
		return Key{}, fmt.Errorf("open seal key: %s and %s are not of one key; put both back from your copy", keyFile, publicFile)
	}
	return k, nil
}

func newKey(dir, shop string) (Key, error) {
	secret, public, err := note.GenerateKey(rand.Reader, Origin(shop))
	if err != nil {
		return Key{}, fmt.Errorf("make seal key: %w", err)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return Key{}, fmt.Errorf("make seal key: %w", err)
	}
	for _, f := range []struct {
		name, text string
		mode       fs.FileMode
	}{{keyFile, secret, 0o600}, {publicFile, public, 0o644}} {
		if err := writeWhole(dir, f.name, []byte(f.text+"\n"), f.mode); err != nil {
			return Key{}, fmt.Errorf("make seal key: %w", err)
		}
	}
	if err := syncNames(dir); err != nil {
		return Key{}, err
	}
	return parseKey(secret, dir)
}

// Rotate retires the key in dir and makes a new one. The old public key stays
// in keys.old; the old secret is overwritten. A lost key is replaced the same
// way: what it signed stays valid, and nothing more can be signed with it.
func Rotate(dir, shop string) (Key, error) {
	if old, err := os.ReadFile(filepath.Join(dir, publicFile)); err == nil {
		f, err := os.OpenFile(filepath.Join(dir, retiredFile), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
		if err != nil {
			return Key{}, fmt.Errorf("retire seal key: %w", err)
		}
		_, err = f.Write(old)
		if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
			return Key{}, fmt.Errorf("retire seal key: %w", err)
		}
	}
	for _, name := range []string{keyFile, publicFile} {
		if err := os.Remove(filepath.Join(dir, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return Key{}, fmt.Errorf("retire seal key: %w", err)
		}
	}
	return newKey(dir, shop)
}

// Publics returns the verifier keys in dir, the one in force first.
func Publics(dir string) ([]string, error) {
	b, err := os.ReadFile(filepath.Join(dir, publicFile))
	if err != nil {
		return nil, fmt.Errorf("read public key: %w", err)
	}
	out := strings.Fields(string(b))
	old, err := os.ReadFile(filepath.Join(dir, retiredFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read retired keys: %w", err)
	}
	return append(out, strings.Fields(string(old))...), nil
}

// Verifiers reads verifier keys. An error says which is none.
func Verifiers(keys []string) ([]note.Verifier, error) {
	var out []note.Verifier
	for _, k := range keys {
		v, err := note.NewVerifier(k)
		if err != nil {
			return nil, fmt.Errorf("%w: %q is no public key of a seal; it looks like name+hash+base64, as 'witnessmark seal key' prints it", ErrSeal, k)
		}
		out = append(out, v)
	}
	return out, nil
}

// publicOf gives the verifier key of a signer key: PRIVATE+KEY+name+hash+data,
// data being base64 of the algorithm, 1 for Ed25519, and the seed (package note).
func publicOf(secret, name string) (string, error) {
	parts := strings.SplitN(secret, "+", 5)
	data, err := base64.StdEncoding.DecodeString(parts[len(parts)-1])
	if err != nil || len(data) != 1+ed25519.SeedSize || data[0] != 1 {
		return "", fmt.Errorf("open seal key: %s is no Ed25519 key: put it back from your copy", keyFile)
	}
	return note.NewEd25519VerifierKey(name, ed25519.NewKeyFromSeed(data[1:]).Public().(ed25519.PublicKey))
}

// writeWhole makes a file that is there whole or not at all.
func writeWhole(dir, name string, b []byte, mode fs.FileMode) error {
	next := filepath.Join(dir, name+".new")
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := writeSynced(next, b, mode); err != nil {
		return err
	}
	return os.Rename(next, filepath.Join(dir, name))
}

func writeSynced(name string, b []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Sync(), f.Close())
}
