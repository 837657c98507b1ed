package service

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"

	"witnessmark/events"
	"witnessmark/rules"
)

// A snapshot file is one line of JSON, then the state. It is a convenience:
// one that is missing, damaged, of other rules or of another journal is
// passed over, and the journal is folded from its beginning.
type snapshotHead struct {
	Form    int    `json:"form"` // 1
	Journal string `json:"journal"`
	Rules   string `json:"rules"`
	Seq     uint64 `json:"seq"`   // sequence of the last decision in it
	Cause   uint64 `json:"cause"` // facts up to here are decided
	SHA256  string `json:"sha256"`
}

// foldCount counts decisions folded, to know when a snapshot is due.
type foldCount struct {
	seq   atomic.Uint64 // of the last one
	n     atomic.Int64
	saved atomic.Int64
	due   chan struct{}
}

func (f *foldCount) add(seq uint64, every int) {
	f.seq.Store(seq)
	if f.n.Add(1)-f.saved.Load() < int64(every) {
		return
	}
	select {
	case f.due <- struct{}{}:
	default:
	}
}

// restoreSnapshot puts a good snapshot in place of the empty state.
func (s *Service) restoreSnapshot() {
	if s.cfg.Snapshot == "" {
		return
	}
	st, seq, err := s.readSnapshot()
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		s.log.Warn("snapshot passed over; folding the whole journal", "file", s.cfg.Snapshot, "err", err)
	default:
		s.mu.Lock()
		s.state = st
		s.mu.Unlock()
		s.folded.seq.Store(seq)
	}
}

func (s *Service) readSnapshot() (*rules.State, uint64, error) {
	b, err := os.ReadFile(s.cfg.Snapshot)
	if err != nil {
		return nil, 0, err
	}
	line, body, _ := bytes.Cut(b, []byte{'\n'})
	var h snapshotHead
	if err := json.Unmarshal(line, &h); err != nil {
		return nil, 0, fmt.Errorf("its first line is no JSON: %v", err)
	}
	sum := sha256.Sum256(body)
	switch {
	case h.Form != 1:
		return nil, 0, fmt.Errorf("its form is %d, want 1", h.Form)
	case h.Rules != s.eng.version:
		return nil, 0, fmt.Errorf("it is of rules %q, these are %q", h.Rules, s.eng.version)
	case h.Journal != s.cfg.Journal.Identity():
		return nil, 0, errors.New("it is of another journal")
	case h.Seq > s.cfg.Journal.Last():
		return nil, 0, fmt.Errorf("it is at entry %d, the journal ends at %d", h.Seq, s.cfg.Journal.Last())
	case h.SHA256 != hex.EncodeToString(sum[:]):
		return nil, 0, errors.New("it is damaged")
	}
	st, err := s.eng.restore(body)
	if err == nil && st.Cause != h.Cause {
		err = fmt.Errorf("its state is at %d, its first line says %d", st.Cause, h.Cause)
	}
	return st, h.Seq, err
}

// keepSnapshots writes one whenever enough was decided since the last.
func (s *Service) keepSnapshots(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-s.folded.due:
		}
		if err := s.saveSnapshot(); err != nil {
			s.log.Warn("cannot write a snapshot", "err", err)
		}
	}
}

// saveSnapshot writes the visible state, whole and synced, or leaves the old
// file. It does nothing if nothing has changed.
func (s *Service) saveSnapshot() error {
	n := s.folded.n.Load()
	if s.cfg.Snapshot == "" || n == s.folded.saved.Load() {
		return nil
	}
	s.mu.RLock()
	body, err := s.eng.snapshot(s.state)
	h := snapshotHead{Form: 1, Journal: s.cfg.Journal.Identity(), Rules: s.eng.version,
		Seq: s.folded.seq.Load(), Cause: s.state.Cause}
	s.mu.RUnlock()
	if err == nil {
		err = writeSnapshot(s.cfg.Snapshot, h, body)
	}
	if err != nil {
		return fmt.Errorf("write snapshot: %w", err)
	}
	s.folded.saved.Store(n)
	return nil
}

func writeSnapshot(path string, h snapshotHead, body []byte) error {
	sum := sha256.Sum256(body)
	h.SHA256 = hex.EncodeToString(sum[:])
	line, err := json.Marshal(h)
	if err != nil {
		return err
	}
	return replaceFile(path, append(append(line, '\n'), body...))
}

// SaveState writes st as the snapshot of journal j at the decision of sequence
// seq, for whoever has folded the journal already.
func SaveState(path string, j Journal, st *rules.State, seq uint64) error {
	body, err := st.Snapshot()
	if err == nil {
		err = writeSnapshot(path, snapshotHead{Form: 1, Journal: j.Identity(), Rules: rules.Version, Seq: seq, Cause: st.Cause}, body)
	}
	if err != nil {
		return fmt.Errorf("write snapshot: %w", err)
	}
	return nil
}

// replaceFile writes a file whole: after a power cut too it is there in its
// old or its new form.
func replaceFile(path string, b []byte) error {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// checkVersion refuses decisions of newer rules: these here may not know how
// to fold them.
func checkVersion(seq uint64, of, ours string) error {
	a, err := strconv.Atoi(of)
	if err != nil {
		return fmt.Errorf("read decision at entry %d: rules version %q is not a number", seq, of)
	}
	if b, err := strconv.Atoi(ours); err != nil || a > b {
		return fmt.Errorf("read decision at entry %d: made by rules %s, these are %s: %w; install that version to go on",
			seq, of, ours, events.ErrNewer)
	}
	return nil
}
