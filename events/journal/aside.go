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

// lookAtBlocks looks at the block files that were written since the server's
// index, before the server starts: by itself it cuts a block off at the first
// record that it cannot read. What is damaged is put aside first, for Mend, and
// named. If nothing is, the index is brought up to date, and the server need not
// read them. known is how far the journal is known to have come.
func (j *Journal) lookAtBlocks(known uint64) error {
	if j.cfg.URL != "" {
		return nil
	}
	files, err := blockFiles(j.cfg.blocksDir())
	if err != nil || len(files) == 0 {
		return err
	}
	own, photos := j.indexed()
	slow := func(err error) {
		if err != nil {
			j.log.Warn("cannot bring the server's index up to date: this start may take long", "err", err)
		}
	}
	err = photos.catchUpAll(func(s *blockScan, last bool) error {
		if j.cfg.LookOnly && !s.cut(last) {
			return s.refused()
		}
		kept, err := putAside(j.cfg.Dir, photos.stream, s.file, s.bytes)
		if err == nil {
			j.log.Warn("a block of the photos is damaged, or ends in a write that a stop has cut; it was put aside before the server reads it", "file", s.file.path, "kept_as", kept)
		}
		return err
	})
	if errors.Is(err, ErrDamaged) {
		return err
	}
	slow(err)
	x, err := own.newest()
	if err != nil {
		return err
	}
	since := x.written.Add(-2 * time.Second)
	plain := x.bears(files)
	var old []blockFile
	var s *blockScan
	for i, f := range files {
		if uint64(f.index) < x.lastBlock() && f.info.ModTime().Before(since) {
			old = append(old, f)
			continue
		}
		last := i == len(files)-1
		if s, err = j.lookAtBlock(f, last); err != nil {
			return err
		}
		switch {
		case uint64(f.index) < x.lastBlock():
			plain = plain && !s.damaged()
		default:
			plain = plain && x.add(s) && (last || s.end == len(s.bytes))
		}
	}
	if plain && x.span.last > 0 && x.span.last >= known {
		slow(own.catchUp(x, s))
		return nil
	}
	for _, f := range old { // the server will read them all
		if _, err := j.lookAtBlock(f, false); err != nil {
			return err
		}
	}
	return nil
}

// blockScan is a block file as it was read.
type blockScan struct {
	file     blockFile
	bytes    []byte
	messages []laid
	bad      []span
	repaired bool
	end      int // where a write begins that a stop has cut; else the length
}

func (s *blockScan) damaged() bool { return len(s.bad) > 0 || s.repaired }

// cut reports whether all that is wrong is a write at the end of the last block
// that a stop has cut: nobody was answered.
func (s *blockScan) cut(last bool) bool { return last && s.end < len(s.bytes) && !s.repaired }

// refused is for who only looks: the server would cut the block.
func (s *blockScan) refused() error {
	return fmt.Errorf("%w: block %s; nothing was changed: 'witnessmark mend --dry-run' says what is lost", ErrDamaged, s.file.path)
}

func scanFile(stream string, f blockFile) (*blockScan, error) {
	b, err := os.ReadFile(f.path)
	if err != nil {
		return nil, err
	}
	s := &blockScan{file: f, bytes: b, end: len(b)}
	s.bad, err = scanBlock(stream, f.index, b, func(m laid) error {
		s.messages = append(s.messages, m)
		s.repaired = s.repaired || m.repaired
		return nil
	})
	if len(s.bad) == 1 && s.bad[0].To == len(b) {
		s.end = s.bad[0].From
	}
	return s, err
}

// lookAtBlock reads a block. If it is damaged, it is put aside, and what is lost
// of it is said.
func (j *Journal) lookAtBlock(f blockFile, last bool) (*blockScan, error) {
	s, err := scanFile(j.cfg.stream(), f)
	if err != nil || !s.damaged() {
		return s, err
	}
	b, bad := s.bytes, s.bad
	if j.cfg.LookOnly && !s.cut(last) {
		return nil, s.refused()
	}
	kept, err := putAside(j.cfg.Dir, j.cfg.stream(), f, b)
	if err != nil {
		return nil, fmt.Errorf("put damaged block aside: %w", err)
	}
	lost := Run{}
	for i := 1; i < len(s.messages); i++ {
		m, before := s.messages[i], s.messages[i-1]
		if m.Seq == before.Seq+1 {
			continue
		}
		for _, p := range bad {
			if p.From > before.at && p.To <= m.at {
				lost = Run{before.Seq + 1, m.Seq - 1}
				j.holes.addRange(lost.From, lost.To)
			}
		}
	}
	switch n := len(s.messages); {
	case lost != Run{} || s.repaired:
		j.log.Error("a block of the journal is damaged; it was put aside before the server reads it; stop and run 'witnessmark mend'",
			"file", f.path, "places", len(bad), "lost", lost.String(), "kept_as", kept)
	case last && n > 0 && bad[0].To == len(b):
		// As a rule a write that a stop has cut: then nobody was answered.
		j.log.Warn("the journal's last block ends in what is no entry", "file", f.path, "bytes", bad[0].To-bad[0].From, "last_seq", s.messages[n-1].Seq, "kept_as", kept)
	default:
		j.log.Error("a block of the journal is damaged; it was put aside before the server reads it", "file", f.path, "places", len(bad), "kept_as", kept)
	}
	return s, nil
}

// mostAside is how many blocks are kept aside; the oldest go.
const mostAside = 32

// putAside copies a block of a stream to where Mend finds it, once.
func putAside(dir, stream string, f blockFile, b []byte) (string, error) {
	sum := sha256.Sum256(b)
	root := filepath.Join(dir, damagedDir)
	path := filepath.Join(root, fmt.Sprintf("block-%x", sum[:8]), stream, "msgs", filepath.Base(f.path))
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
