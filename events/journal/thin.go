package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// Retention removes captures in three steps. First they are told as removed, by
// events.CapturesRemoved in the journal, then the store is written anew without
// them, then the new store takes the old one's place. A journal between the
// first and the last is whole: what was told as removed may be there or not. Thin
// makes the second and third step, any number of times.

// Names below Config.Dir while a store is written anew.
const (
	thinNew = "thin.new"
	thinOld = "thin.old"
)

// ThinConfig says which journal to thin out.
type ThinConfig struct {
	Shop string
	Dir  string // of the journal, as in Config
	// Prove holds an entry against the seals: only what a signed seal covers is
	// removed.
	Prove func(*events.Written) Proof
	Log   *slog.Logger // default: none
	// Step, which may be nil, is told each step before which and after which a
	// kill must do no harm.
	Step func(what string)
}

// Thinned is what Thin did.
type Thinned struct {
	Removed     uint64 // captures, now
	Entries     uint64 // there now
	BytesBefore int64  // of the store's files
	BytesAfter  int64
}

// ErrNotWhole means that a journal is damaged, and must be mended before
// anything is removed from it.
var ErrNotWhole = errors.New("the journal is not whole; run 'witnessmark mend' first, nothing was removed")

// Thin writes the store of a stopped journal anew, without the captures that the
// journal tells were removed, reads it back, and puts it in the old one's place;
// then the old one is deleted. Every entry that stays is byte for byte what it
// was, at its sequence. A kill at any moment leaves the old store or the new one.
// Without anything to remove it changes nothing.
func Thin(ctx context.Context, cfg ThinConfig) (*Thinned, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	own, err := Config{Shop: cfg.Shop, Dir: cfg.Dir, Log: cfg.Log}.withDefaults()
	if err != nil {
		return nil, err
	}
	lock, err := lockDir(cfg.Dir)
	if err != nil {
		return nil, err
	}
	m := newMender(MendConfig{Shop: cfg.Shop, Dir: cfg.Dir, Prove: cfg.Prove, Log: cfg.Log}, own)
	m.new, m.keepAs, m.thin = thinNew, thinOld, true
	if cfg.Step != nil {
		m.step = cfg.Step
	}
	out := &Thinned{}
	if err = own.finishThin(cfg.Log); err == nil {
		err = m.thinOut(ctx, out)
	}
	if err = errors.Join(err, lock.release()); err != nil {
		return nil, fmt.Errorf("thin out journal %q: %w", cfg.Dir, err)
	}
	return out, nil
}

func (m *mender) thinOut(ctx context.Context, out *Thinned) error {
	id, err := loadIdentity(m.cfg.Dir)
	switch {
	case err != nil:
		return err
	case id == nil:
		return fmt.Errorf("%w: %q holds none", ErrMissing, m.cfg.Dir)
	case id.Shop != m.cfg.Shop:
		return fmt.Errorf("%w: %q holds the journal of shop %q, not of %q", ErrMissing, m.cfg.Dir, id.Shop, m.cfg.Shop)
	}
	m.dirs = []string{m.own.blocksDir()}
	files, err := blockFiles(m.dirs[0])
	if err != nil {
		return err
	}
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		out.BytesBefore += f.info.Size()
		if err := m.scan(1, f); err != nil {
			return err
		}
	}
	m.res.Last = max(uint64(len(m.best)-1), id.known())
	for seq := range m.best {
		if c := &m.best[seq]; c.source != 0 && c.proof != ProofSealed && m.isRemoved(uint64(seq)) {
			return fmt.Errorf("entry J%d was told as removed, but no signed seal bears it out; nothing was removed: run 'witnessmark verify'", seq)
		}
	}
	was := uint64(0)
	for _, c := range m.best {
		if c.source != 0 {
			was++
		}
	}
	m.leaveOut()
	m.tell()
	out.BytesAfter = out.BytesBefore
	if out.Entries, out.Removed = m.res.Entries, was-m.res.Entries; out.Removed == 0 {
		return nil
	}
	if m.res.Damaged > 0 || len(m.res.Missing) > 0 || len(m.res.Altered) > 0 || !metaGood(m.own.streamDir(), m.names.stream()) {
		return ErrNotWhole
	}
	var need uint64
	for _, c := range m.best {
		need += uint64(c.size)
	}
	if free, err := freeDisk(m.cfg.Dir); err == nil && free < need+m.own.MinFree {
		return fmt.Errorf("the store is written anew beside the old one: %d MB are needed, %d MB are free; make room", (need+m.own.MinFree)>>20, free>>20)
	}
	if err := m.rewrite(ctx, id); err != nil {
		return err
	}
	if err := m.own.finishThin(m.cfg.Log); err != nil {
		return err
	}
	m.step("old one deleted")
	files, err = blockFiles(m.own.blocksDir())
	out.BytesAfter = 0
	for _, f := range files {
		out.BytesAfter += f.info.Size()
	}
	return err
}

var removedType = events.TypeName(events.CapturesRemoved{})

// tellsOfRemoval notes what an entry says was removed.
func (m *mender) tellsOfRemoval(w *events.Written) error {
	if w.Type != removedType || m.told[w.Seq] {
		return nil
	}
	d, err := events.Decode(w.Type, []byte(w.Data))
	if err == nil {
		err = m.removed.Add(events.Entry{Seq: w.Seq, Event: events.Event{Source: w.Source, Data: d}}, false)
	}
	if err != nil { // then what it tells of shows as missing
		m.cfg.Log.Error("what tells of a removal cannot be read", "seq", w.Seq, "err", err)
		return nil
	}
	m.told[w.Seq] = true
	return nil
}

func (m *mender) isRemoved(seq uint64) bool {
	m.removed.Sort()
	return m.removed.Has(seq)
}

// leaveOut drops what was removed: a copy that was made before brings none of it
// back.
func (m *mender) leaveOut() {
	m.removed.Sort()
	for seq := range m.best {
		if c := &m.best[seq]; c.source != 0 && m.removed.Has(uint64(seq)) && (m.thin || c.source > 1) {
			*c = candidate{}
		}
	}
}

// finishThin looks after a Thin that was cut short: an old store whose place is
// taken is deleted, one whose place is not is put back.
func (c Config) finishThin(log *slog.Logger) error {
	if c.Dir == "" || c.URL != "" || c.Uplink != nil {
		return nil
	}
	if err := os.RemoveAll(filepath.Join(c.Dir, thinNew)); err != nil {
		return err
	}
	old := filepath.Join(c.Dir, thinOld)
	if _, err := os.Stat(old); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	switch _, err := os.Stat(c.streamDir()); {
	case errors.Is(err, fs.ErrNotExist):
		log.Warn("a removal of captures was cut short; the journal is as it was before, 'witnessmark retention apply' finishes it")
		if err := os.Rename(old, c.streamDir()); err != nil {
			return err
		}
	case err != nil:
		return err
	default:
		if err := os.RemoveAll(old); err != nil {
			return err
		}
	}
	return syncDirs(c.Dir)
}

// loadRemovals learns what retention removed, and the state of the stream. What
// is missing from it is listed only if that is not all of it.
func (j *Journal) loadRemovals(ctx context.Context, s *session) (*jetstream.StreamInfo, error) {
	var info *jetstream.StreamInfo
	err := j.patiently(ctx, func(ctx context.Context) (err error) {
		info, err = s.stream.Info(ctx)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("ask for the state of the stream: %w", err)
	}
	j.gone = &events.Removals{}
	err = j.eachRemoval(ctx, info.State.LastSeq, func(e events.Entry) error { return j.gone.Add(e, false) })
	if err != nil {
		return nil, fmt.Errorf("read what was removed from the journal: %w", err)
	}
	j.gone.Sort()
	j.holes.without(j.gone)
	missing := uint64(info.State.NumDeleted)
	if info.State.FirstSeq > 1 && info.State.LastSeq > 0 {
		missing += info.State.FirstSeq - 1
	}
	if n := j.gone.Count(); missing < n {
		j.log.Warn("captures that were told as removed are still there: a removal was cut short, 'witnessmark retention apply' finishes it", "captures", n-missing)
	}
	if missing == j.gone.Count() {
		return info, nil
	}
	if err := j.patiently(ctx, func(ctx context.Context) (err error) {
		info, err = s.stream.Info(ctx, jetstream.WithDeletedDetails(true))
		return err
	}); err != nil {
		return nil, fmt.Errorf("ask for the state of the stream: %w", err)
	}
	return info, nil
}

// eachRemoval calls fn with each event that tells of a removal, up to last. A
// cluster that has no leader, or a server that is away, it waits for as any
// reading does; fn sees each event once.
func (j *Journal) eachRemoval(ctx context.Context, last uint64, fn func(events.Entry) error) error {
	subject, err := j.names.subject(events.SourceRetention)
	if err != nil {
		return err
	}
	r := &retries{j: j}
	for next := uint64(1); next <= last; {
		s, err := j.waitSession(ctx)
		if err != nil {
			return err
		}
		before := next
		err = s.removals(ctx, j.names, subject, next, last, func(e events.Entry) error {
			next = e.Seq + 1
			return fn(e)
		})
		var fault *readFault
		switch {
		case err == nil || !errors.As(err, &fault):
			return err
		case ctx.Err() != nil:
			return context.Cause(ctx)
		}
		if !r.again(next > before, fault) {
			return fault.error
		}
	}
	return nil
}

// removals reads the events under subject from from up to last. A fault of server
// or connection is a readFault.
func (s *session) removals(ctx context.Context, n naming, subject string, from, last uint64, fn func(events.Entry) error) error {
	switch _, err := s.stream.GetLastMsgForSubject(ctx, subject); {
	case errors.Is(err, jetstream.ErrMsgNotFound): // nothing was ever removed, as a rule
		return nil
	case err != nil:
		return &readFault{err}
	}
	var failed error
	err := s.each(ctx, from, last, subject, func(m jetstream.Msg) bool {
		meta, err := m.Metadata()
		if err != nil {
			failed = &readFault{err}
			return false
		}
		var e events.Entry
		if e, err = n.entry(meta.Sequence.Stream, m.Headers(), m.Data()); err == nil {
			err = fn(e)
		}
		failed = err
		return err == nil
	})
	if failed == nil && err != nil {
		failed = &readFault{err}
	}
	return failed
}

// Removals gives what retention removed, with the leaves that stay in the log of
// seals.
func (j *Journal) Removals(ctx context.Context) (*events.Removals, error) {
	r := &events.Removals{}
	if err := j.eachRemoval(ctx, j.Last(), func(e events.Entry) error { return r.Add(e, true) }); err != nil {
		return nil, fmt.Errorf("read what was removed from the journal: %w", err)
	}
	r.Sort()
	return r, nil
}

// Removed reports whether retention removed an entry, as of Open.
func (j *Journal) Removed(seq uint64) bool { return j.gone.Has(seq) }
