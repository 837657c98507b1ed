package seal

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// ErrSeal means that a checkpoint cannot be used: not of this form, or not
// signed by the key that it is held against.
var ErrSeal = errors.New("seal cannot be used")

// Checkpoint is what a seal says: the root over the first Size entries of the
// journal of one shop.
type Checkpoint struct {
	Origin string // "witnessmark/" and the shop's id
	Size   uint64
	Root   tlog.Hash
}

// Origin is the first line of a shop's checkpoints.
func Origin(shop string) string { return "witnessmark/" + shop }

// text is the C2SP checkpoint: origin, size, root, a line each.
func (c Checkpoint) text() string {
	return c.Origin + "\n" + strconv.FormatUint(c.Size, 10) + "\n" + base64.StdEncoding.EncodeToString(c.Root[:]) + "\n"
}

// Sign returns the checkpoint as a signed note.
func (c Checkpoint) Sign(s note.Signer) (string, error) {
	b, err := note.Sign(&note.Note{Text: c.text()}, s)
	if err != nil {
		return "", fmt.Errorf("sign checkpoint: %w", err)
	}
	return string(b), nil
}

// OpenNote reads a signed checkpoint and checks its signature against the keys.
// It returns the key that signed, as "name+hash". Errors wrap ErrSeal.
func OpenNote(text string, keys ...note.Verifier) (c Checkpoint, key string, err error) {
	n, err := note.Open([]byte(text), note.VerifierList(keys...))
	var unverified *note.UnverifiedNoteError
	switch {
	case errors.As(err, &unverified):
		return c, "", fmt.Errorf("%w: it is not signed by the key it is held against, but by %s; ask the shop for its public key of that time", ErrSeal, signers(unverified.Note.UnverifiedSigs))
	case err != nil:
		return c, "", fmt.Errorf("%w: %v", ErrSeal, err)
	}
	lines := strings.Split(n.Text, "\n")
	if len(lines) < 4 || lines[0] == "" {
		return c, "", fmt.Errorf("%w: it is no checkpoint: want origin, size and root", ErrSeal)
	}
	c.Origin = lines[0]
	if c.Size, err = strconv.ParseUint(lines[1], 10, 63); err != nil || strconv.FormatUint(c.Size, 10) != lines[1] {
		return c, "", fmt.Errorf("%w: its size %q is no number", ErrSeal, lines[1])
	}
	root, err := base64.StdEncoding.DecodeString(lines[2])
	if err != nil || len(root) != tlog.HashSize {
		return c, "", fmt.Errorf("%w: its root %q is no hash", ErrSeal, lines[2])
	}
	copy(c.Root[:], root)
	return c, keyName(n.Sigs[0].Name, n.Sigs[0].Hash), nil
}

func keyName(name string, hash uint32) string { return fmt.Sprintf("%s+%08x", name, hash) }

func signers(sigs []note.Signature) string {
	var out []string
	for _, s := range sigs {
		out = append(out, keyName(s.Name, s.Hash))
	}
	if len(out) == 0 {
		return "nobody"
	}
	return strings.Join(out, ", ")
}
