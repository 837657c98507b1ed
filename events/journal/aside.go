package journal

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// lookAtBlocks looks at the block files that the server will read by itself
// when it starts, before it does: after a stop that was not in order, or if its
// index is damaged, it cuts a block off at the first record that it cannot read.
// What is damaged is put aside first, for Mend, and named.
func (j *Journal) lookAtBlocks() error {
	if j.cfg.URL != "" {
		return nil
	}
	files, err := blockFiles(j.cfg.blocksDir())
	if err != nil || len(files) == 0 {
		return err
	}
	var since time.Time // files changed before are in the index
	if indexGood(j.cfg.blocksDir(), j.cfg.stream()) {
		if info, err := os.Stat(filepath.Join(j.cfg.blocksDir(), "index.db")); err == nil {
			since = info.ModTime().Add(-2 * time.Second)
		}
	}
	for i, f := range files {
		if f.info.ModTime().Before(since) && i < len(files)-1 {
			continue
		}
		b, err := os.ReadFile(f.path)
		if err != nil {
			return err
		}
		if err := j.lookAtBlock(f, b, i == len(files)-1); err != nil {
			return err
		}
	}
	return nil
}

// lookAtBlock puts a block aside if it is damaged, and says what is lost of it.
func (j *Journal) lookAtBlock(f blockFile, b []byte, last bool) error {
	var seqs []struct{ at, seq uint64 }
	repaired := false
	bad, err := scanBlock(j.cfg.stream(), f.index, b, func(m laid) error {
		seqs = append(seqs, struct{ at, seq uint64 }{uint64(m.at), m.Seq})
		repaired = repaired || m.repaired
		return nil
	})
	if err != nil || len(bad) == 0 && !repaired {
		return err
	}
	kept, err := j.putAside(f, b)
	if err != nil {
		return fmt.Errorf("put damaged block aside: %w", err)
	}
	lost := Run{}
	for i := 1; i < len(seqs); i++ {
		if seqs[i].seq == seqs[i-1].seq+1 {
			continue
		}
		for _, s := range bad {
			if uint64(s.From) > seqs[i-1].at && uint64(s.To) <= seqs[i].at {
				lost = Run{seqs[i-1].seq + 1, seqs[i].seq - 1}
				j.holes.addRange(lost.From, lost.To)
			}
		}
	}
	switch n := len(seqs); {
	case lost != Run{} || repaired:
		j.log.Error("a block of the journal is damaged; it was put aside before the server reads it; stop and run 'witnessmark mend'",
			"file", f.path, "places", len(bad), "lost", lost.String(), "kept_as", kept)
	case last && n > 0 && bad[0].To == len(b):
		// As a rule a write that a stop has cut: then nobody was answered.
		j.log.Warn("the journal's last block ends in what is no entry", "file", f.path, "bytes", bad[0].To-bad[0].From, "last_seq", seqs[n-1].seq, "kept_as", kept)
	default:
		j.log.Error("a block of the journal is damaged; it was put aside before the server reads it", "file", f.path, "places", len(bad), "kept_as", kept)
	}
	return nil
}

// mostAside is how many blocks are kept aside; the oldest go.
const mostAside = 32

// putAside copies a block to where Mend finds it, once.
func (j *Journal) putAside(f blockFile, b []byte) (string, error) {
	sum := sha256.Sum256(b)
	root := filepath.Join(j.cfg.Dir, damagedDir)
	path := filepath.Join(root, fmt.Sprintf("block-%x", sum[:8]), j.cfg.stream(), "msgs", filepath.Base(f.path))
	if _, err := os.Stat(path); err == nil {
		return path, nil
	} else if !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return "", err
	}
	if err := writeFileSynced(path, b); err != nil {
		return "", err
	}
	if err := forgetAside(root); err != nil {
		return "", err
	}
	return path, syncDirs(root)
}

// forgetAside removes the oldest blocks that were put aside, beyond mostAside.
func forgetAside(root string) error {
	for {
		dirs, err := filepath.Glob(filepath.Join(root, "block-*"))
		if err != nil || len(dirs) <= mostAside {
			return err
		}
		var oldest string
		var at time.Time
		for _, d := range dirs {
			info, err := os.Stat(d)
			if err != nil {
				return err
			}
			if oldest == "" || info.ModTime().Before(at) {
				oldest, at = d, info.ModTime()
			}
		}
		if err := os.RemoveAll(oldest); err != nil {
			return err
		}
	}
}
