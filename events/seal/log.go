package seal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/mod/sumdb/tlog"

	"witnessmark/events"
)

// hashesFile holds the hashes of the log, 32 bytes each, at the places that
// tlog.StoredHashIndex gives. It follows from the journal and can be made
// again; kept, it tells which entry was altered.
const hashesFile = "hashes"

// Log is the Merkle log over the journal's entries. It is not safe for use by
// several goroutines at once.
type Log struct {
	f    *os.File
	n    uint64           // leaves
	base int64            // hashes in the file
	more []tlog.Hash      // those after, not yet written
	root roots            // of the first n leaves
	gone *events.Removals // whose leaves are taken where entries were removed
}

// OpenLog opens the log in dir, which is made if it is not there. What a crash
// left half written at its end is cut off.
func OpenLog(dir string) (*Log, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("open log of seals: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, hashesFile), os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("open log of seals: %w", err)
	}
	l := &Log{f: f}
	if err := l.measure(); err != nil {
		return nil, errors.Join(fmt.Errorf("open log of seals: %w", err), f.Close())
	}
	return l, nil
}

// measure finds how many whole leaves the file holds.
func (l *Log) measure() error {
	info, err := l.f.Stat()
	if err != nil {
		return err
	}
	return l.cut(wholeLeaves(info.Size() / tlog.HashSize))
}

// wholeLeaves returns how many leaves so many hashes make.
func wholeLeaves(have int64) uint64 {
	lo, hi := int64(0), have+1 // StoredHashCount grows with the leaves
	for lo+1 < hi {
		if mid := (lo + hi) / 2; tlog.StoredHashCount(mid) <= have {
			lo = mid
		} else {
			hi = mid
		}
	}
	return uint64(lo)
}

// cut leaves the first n leaves.
func (l *Log) cut(n uint64) error {
	l.n, l.base, l.more = n, tlog.StoredHashCount(int64(n)), nil
	if err := l.f.Truncate(l.base * tlog.HashSize); err != nil {
		return err
	}
	var err error
	l.root, err = rootsOf(n, l)
	return err
}

// Size returns how many entries are in the log.
func (l *Log) Size() uint64 { return l.n }

// ReadHashes implements tlog.HashReader.
func (l *Log) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, at := range indexes {
		if at >= l.base {
			if at-l.base >= int64(len(l.more)) {
				return nil, fmt.Errorf("read hash %d: the log has %d", at, l.base+int64(len(l.more)))
			}
			out[i] = l.more[at-l.base]
			continue
		}
		if _, err := l.f.ReadAt(out[i][:], at*tlog.HashSize); err != nil {
			return nil, fmt.Errorf("read hash %d: %w", at, err)
		}
	}
	return out, nil
}

// Add puts the next entries into the log, in journal order. Sequences that the
// journal no longer holds are put in as holes, unless it tells what they were, so that later ones keep their
// places.
func (l *Log) Add(entries []events.Written) error {
	for i := range entries {
		for e := &entries[i]; l.n < e.Seq; {
			h := l.absent(l.n + 1)
			if l.n+1 == e.Seq {
				h = leafHash(e)
			}
			if err := l.add(h); err != nil {
				return err
			}
		}
	}
	if len(l.more) > 1<<16 {
		return l.flush()
	}
	return nil
}

// absent is the leaf of a sequence that the journal does not hold: what it was,
// if it was removed and the journal tells of it, else that of a hole.
func (l *Log) absent(seq uint64) tlog.Hash {
	if leaf, _, ok := l.gone.Leaf(seq); ok {
		return leaf
	}
	return holeHash(seq)
}

func (l *Log) add(h tlog.Hash) error {
	hs, err := tlog.StoredHashesForRecordHash(int64(l.n), h, l)
	if err != nil {
		return fmt.Errorf("put entry %d into the log: %w", l.n+1, err)
	}
	l.more = append(l.more, hs...)
	l.n++
	l.root.add(h)
	return nil
}

func (l *Log) flush() error {
	b := make([]byte, 0, len(l.more)*tlog.HashSize)
	for i := range l.more {
		b = append(b, l.more[i][:]...)
	}
	if _, err := l.f.WriteAt(b, l.base*tlog.HashSize); err != nil {
		return fmt.Errorf("write log of seals: %w", err)
	}
	l.base, l.more = l.base+int64(len(l.more)), nil
	return nil
}

// Sync writes what is not yet written, and returns once it is on disk.
func (l *Log) Sync() error {
	if err := l.flush(); err != nil {
		return err
	}
	if err := l.f.Sync(); err != nil {
		return fmt.Errorf("write log of seals: %w", err)
	}
	return nil
}

// Root returns the root over all entries in the log.
func (l *Log) Root() tlog.Hash { return l.root.hash() }

// RootAt returns the root over the first n entries.
func (l *Log) RootAt(n uint64) (tlog.Hash, error) {
	if n > l.n {
		return tlog.Hash{}, fmt.Errorf("root over %d entries: the log has %d", n, l.n)
	}
	return tlog.TreeHash(int64(n), l)
}

// Prove returns the proof that entry seq is in the tree of the first size
// entries.
func (l *Log) Prove(size, seq uint64) (tlog.RecordProof, error) {
	return tlog.ProveRecord(int64(size), int64(seq-1), l)
}

// Leaf returns the hash that the log holds for entry seq.
func (l *Log) Leaf(seq uint64) (tlog.Hash, error) {
	hs, err := l.ReadHashes([]int64{tlog.StoredHashIndex(0, int64(seq-1))})
	if err != nil {
		return tlog.Hash{}, err
	}
	return hs[0], nil
}

// Close writes what is left and closes the file.
func (l *Log) Close() error {
	return errors.Join(l.flush(), l.f.Close())
}

// roots holds the roots of the whole subtrees of a tree that grows, the
// largest first: enough for its root, in memory of its logarithm.
type roots struct {
	n     uint64
	trees []tlog.Hash
}

func rootsOf(n uint64, r tlog.HashReader) (roots, error) {
	out := roots{n: n}
	done := uint64(0)
	for level := 62; level >= 0; level-- {
		if n&(1<<level) == 0 {
			continue
		}
		hs, err := r.ReadHashes([]int64{tlog.StoredHashIndex(level, int64(done>>level))})
		if err != nil {
			return out, err
		}
		out.trees = append(out.trees, hs[0])
		done += 1 << level
	}
	return out, nil
}

func (r *roots) add(h tlog.Hash) {
	for n := r.n; n&1 == 1; n >>= 1 {
		h = tlog.NodeHash(r.trees[len(r.trees)-1], h)
		r.trees = r.trees[:len(r.trees)-1]
	}
	r.trees = append(r.trees, h)
	r.n++
}

// hash is the root of all: of nothing, the hash of the empty text (RFC 6962).
func (r *roots) hash() tlog.Hash {
	if len(r.trees) == 0 {
		h, _ := tlog.TreeHash(0, nil) // cannot fail: nothing is read
		return h
	}
	h := r.trees[len(r.trees)-1]
	for i := len(r.trees) - 2; i >= 0; i-- {
		h = tlog.NodeHash(r.trees[i], h)
	}
	return h
}
