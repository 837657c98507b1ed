package seal

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// KnownTo returns up to which sequence the seals in dir know the journal: by
// the newest seal, and by the log, which goes further between seals. 0 if there
// are none.
func KnownTo(dir string) (sealed, logged uint64, err error) {
	seals, err := Checkpoints(dir)
	if err != nil {
		return 0, 0, err
	}
	for _, m := range seals {
		sealed = max(sealed, m.Size)
	}
	info, err := os.Stat(filepath.Join(dir, hashesFile))
	if errors.Is(err, fs.ErrNotExist) {
		return sealed, 0, nil
	}
	if err != nil {
		return sealed, 0, fmt.Errorf("look at log of seals: %w", err)
	}
	return sealed, wholeLeaves(info.Size() / tlog.HashSize), nil
}

// Prover holds single entries against log and seals, without the journal.
// Close it.
type Prover struct {
	log    *Log
	sealed uint64
}

// OpenProver opens log and seals in dir. A log that does not agree with the
// newest seal proves nothing.
func OpenProver(dir string) (*Prover, error) {
	if _, err := os.Stat(filepath.Join(dir, hashesFile)); errors.Is(err, fs.ErrNotExist) {
		return &Prover{}, nil
	}
	seals, err := Checkpoints(dir)
	if err != nil {
		return nil, err
	}
	p := &Prover{}
	if p.log, err = OpenLog(dir); err != nil {
		return nil, err
	}
	for _, m := range seals {
		if m.Size <= p.sealed || m.Size > p.log.Size() {
			continue
		}
		if root, err := p.log.leavesRoot(m.Size); err == nil && base64.StdEncoding.EncodeToString(root[:]) == m.Root {
			p.sealed = m.Size
		}
	}
	return p, nil
}

// leavesRoot is the root over the first n leaves, worked out from the leaves
// alone: the hashes above them may be damaged too.
func (l *Log) leavesRoot(n uint64) (tlog.Hash, error) {
	var r roots
	for seq := uint64(1); seq <= n; seq++ {
		h, err := l.Leaf(seq)
		if err != nil {
			return tlog.Hash{}, err
		}
		r.add(h)
	}
	return r.hash(), nil
}

// Holds reports whether the log covers an entry, whether the entry is what it
// says, and whether a signed seal that agrees with the log covers it too.
func (p *Prover) Holds(w *events.Written) (covered, same, sealed bool) {
	if p.log == nil || w.Seq > p.log.Size() {
		return false, false, false
	}
	h, err := p.log.Leaf(w.Seq)
	if err != nil || h == holeHash(w.Seq) {
		return false, false, false
	}
	return true, h == leafHash(w), w.Seq <= p.sealed
}

// Close closes the log.
func (p *Prover) Close() error {
	if p.log == nil {
		return nil
	}
	return p.log.Close()
}
