// Package journal keeps the events of one shop in order, on disk, for ever:
// a JetStream stream of an embedded NATS server, or of a server given by URL.
//
// Append returns nil only when its events are on disk. Every event has the
// number that its source gave it (1, 2, 3 … without gaps), so appending one
// again is harmless, and a missing one shows. There is one writer: each
// publish carries the sequence that must precede it, so a second writer is
// found at once and nothing is ever stored twice or out of order. A journal
// at a NATS server may be opened as shared: then each source has its one
// writer, and each publish carries the sequence of the source's event before.
//
// Read and Follow give entries in journal order. They count for themselves:
// JetStream skips a damaged message without a word, so a missing sequence or
// number is kept in Holes, and a fault while reading is an error, never the
// end.
//
// Where in which file:
//
//	writer.go    one goroutine, group commit
//	publish.go   one message, a few in flight, or an atomic batch
//	shared.go    the same where several processes write to one journal
//	feed.go      what all of them wrote, in order
//	settle.go    after an unknown outcome: look what is there, restart, go on
//	read.go      reading the stream, decoding in parallel, in order
//	tail.go      the newest entries in memory, for followers
//	message.go   CloudEvents headers
//	identity.go  which stream this directory holds; what was known of it
//	index.go     the server's index, brought up to date after a kill
//	thin.go      captures that the shop need not keep any more are taken out
package journal

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"witnessmark/events"
)

// Journal is the event log of one shop. It is safe for use by many
// goroutines. Use Open.
type Journal struct {
	cfg  Config
	log  *slog.Logger
	lock *dirLock

	names  naming
	tail   *tail
	holes  holes
	gone   *events.Removals // what retention removed, as of Open
	ident  *identity
	queue  chan *request
	stop   chan struct{} // closed by Close
	closed atomic.Bool
	done   sync.WaitGroup

	numbers numbering // guarded by its own lock; last number on disk of each source
	shared  shared    // of a journal that several processes write to

	mu      sync.Mutex
	session *session      // nil while the server is away
	arrived chan struct{} // closed when session is set
	health  health

	bytes    atomic.Uint64 // what the stream holds, counted on from what the server said
	restarts atomic.Uint64
	commits  atomic.Uint64
	free     func(dir string) (uint64, error) // freeDisk, but for tests
	most     uint64                           // cfg.MaxBytes, but for tests
	w        writer                           // touched by the writer goroutine only
}

// Open opens the journal of cfg.Shop and creates it if there has never been
// one. It takes a second or so per five million events. The errors say what
// to do; ErrInUse, ErrMissing, ErrTailLost and ErrUnsafe may be tested for.
func Open(ctx context.Context, cfg Config) (*Journal, error) {
	cfg, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	j := &Journal{
		cfg: cfg, log: cfg.Log, names: naming{cfg.Shop},
		tail: newTail(0).limit(cfg.RingEvents, cfg.RingBytes), queue: make(chan *request, 4096),
		stop: make(chan struct{}), arrived: make(chan struct{}), free: freeDisk, most: uint64(cfg.MaxBytes),
	}
	j.numbers.last = map[string]uint64{}
	j.shared.name = writerName(cfg)
	if cfg.AsItIs && cfg.URL == "" { // nothing is made where there is nothing
		if id, err := loadIdentity(cfg.Dir); err == nil && id == nil && !leftOvers(cfg, cfg.stream()) {
			return nil, fmt.Errorf("open journal %q: %w", cfg.place(), noneAt(cfg))
		}
	}
	if cfg.Dir != "" {
		if j.lock, err = lockDir(cfg.Dir); err != nil {
			return nil, err
		}
	}
	if err := j.start(ctx); err != nil {
		if s := j.session; s != nil {
			s.close()
		}
		j.lock.release()
		return nil, fmt.Errorf("open journal %q: %w", cfg.place(), err)
	}
	j.w.ended.Add(1)
	if cfg.Shared {
		j.done.Go(j.writeShared)
		j.done.Go(j.feed)
		j.done.Go(j.keepToLeader)
	} else {
		j.done.Go(j.write)
	}
	j.done.Go(j.keepIdentity)
	return j, nil
}

// start brings up the server, finds or creates the stream and learns what it
// holds.
func (j *Journal) start(ctx context.Context) error {
	ident, err := loadIdentity(j.cfg.Dir)
	if err != nil {
		return err
	}
	if err := j.cfg.finishThin(j.log); err != nil {
		return err
	}
	if err := j.lookAtBlocks(j.known(ident).Last); err != nil {
		return err
	}
	s, err := j.connect(ctx)
	if err != nil {
		return err
	}
	j.setSession(s)
	if err := j.patiently(ctx, func(ctx context.Context) error {
		j.ident, err = s.openStream(ctx, j, ident)
		return err
	}); err != nil {
		return err
	}
	if err := j.keepNames(); err != nil {
		return err
	}
	info, err := j.loadRemovals(ctx, s)
	if err != nil {
		return err
	}
	last, err := j.checkTail(info.State.LastSeq)
	if err != nil {
		return err
	}
	j.bytes.Store(info.State.Bytes)
	if info.State.FirstSeq > 1 && last > 0 {
		j.holes.addRange(1, info.State.FirstSeq-1)
	}
	for _, seq := range info.State.Deleted { // what retention has not removed is lost
		if seq > 0 && seq <= last { // of an empty stream the server lists 0
			j.holes.addRange(seq, seq)
		}
	}
	j.tail = newTail(last).limit(j.cfg.RingEvents, j.cfg.RingBytes)
	return j.recoverNumbers(ctx, s)
}

// keepNames syncs the directories of an embedded server's store.
func (j *Journal) keepNames() error {
	if j.cfg.URL != "" {
		return nil
	}
	j.w.blocks.path = j.cfg.blocksDir()
	return syncDirs(j.cfg.Dir)
}

// known is who knows the furthest entry that was on disk.
func (j *Journal) known(id *identity) Witness {
	var known Witness
	if id != nil {
		known = Witness{id.known(), identityFile}
	}
	for _, w := range j.cfg.Witnesses {
		if w.Last > known.Last {
			known = w
		}
	}
	return known
}

// checkTail compares the last sequence with what is known to have been there.
func (j *Journal) checkTail(last uint64) (uint64, error) {
	known := j.known(j.ident)
	if last >= known.Last {
		return last, nil
	}
	if !j.cfg.AcceptLoss {
		return 0, &TailLostError{Last: last, Known: known.Last, By: known.By}
	}
	j.log.Error("journal lost its end; going on because that was accepted", "last_seq", last, "known_seq", known.Last, "known_by", known.By)
	j.holes.addRange(last+1, known.Last)
	j.ident.forget(last)
	return last, nil
}

// Close stops the writer, waits for all that the journal started, and gives
// the directory free. Appends that are still queued get ErrClosed. A Read or
// Follow that is under way ends with ErrClosed.
func (j *Journal) Close() error {
	if j.closed.Swap(true) {
		return nil
	}
	close(j.stop)
	j.tail.close()
	j.done.Wait()
	err := j.ident.save(j.cfg.Dir, j.Last(), j.numbers.copy())
	j.mu.Lock()
	s := j.session
	j.session = nil
	j.mu.Unlock()
	if s != nil {
		s.close()
	}
	return errors.Join(err, j.lock.release())
}

// Last returns the sequence of the last entry on disk, 0 if there is none.
func (j *Journal) Last() uint64 { return max(j.tail.lastSeq(), j.shared.acked.Load()) }

// Identity tells this journal from any other; it was drawn when the stream
// was made and never changes.
func (j *Journal) Identity() string { return j.ident.ID }

// LastNumber returns the number of the last event of source on disk, 0 if
// there is none.
func (j *Journal) LastNumber(source string) uint64 { return j.numbers.of(source) }

// LastOf returns the last event of source; ok is false if there is none.
func (j *Journal) LastOf(ctx context.Context, source string) (e events.Entry, ok bool, err error) {
	subject, err := j.names.subject(source)
	if err != nil {
		return e, false, err
	}
	s, err := j.waitSession(ctx)
	if err != nil {
		return e, false, err
	}
	e, ok, err = s.lastOf(ctx, j.names, subject)
	if err != nil {
		return e, false, fmt.Errorf("read last event of %q: %w", source, err)
	}
	return e, ok, nil
}

// Holes returns what is known to be missing: sequences and, per source,
// numbers that were not there while reading. It knows only of what has been
// read since Open; Read over everything is a full check.
func (j *Journal) Holes() []Hole { return j.holes.list() }

// Stats returns how the journal is.
func (j *Journal) Stats() Stats {
	j.mu.Lock()
	h, s := j.health, j.session
	j.mu.Unlock()
	st := Stats{
		Last: j.Last(), Messages: j.Last(), Bytes: j.bytes.Load(), MaxBytes: uint64(j.cfg.MaxBytes),
		State: h.state(), Detail: h.detail, Restarts: j.restarts.Load(), Commits: j.commits.Load(),
		Holes: len(j.holes.list()), Embedded: j.cfg.URL == "",
	}
	if s != nil {
		st.Sync = s.sync
	}
	if j.cfg.Dir != "" {
		st.FreeDisk, _ = j.free(j.cfg.Dir)
	}
	return st
}

// States of a journal.
const (
	StateOK    = "ok"    // events go to disk
	StateStuck = "stuck" // writing fails; the journal tries again by itself
	StateFull  = "full"  // too little room; it goes on by itself once there is some
)

// Stats says how a journal is.
type Stats struct {
	State    string // StateOK, StateStuck or StateFull
	Detail   string // for people: what is wrong and what to do; "" if StateOK
	Last     uint64 // last sequence on disk
	Messages uint64 // as Last: the journal never deletes
	Bytes    uint64 // stored, about
	MaxBytes uint64 // size limit
	FreeDisk uint64 // bytes free where Dir is; 0 if there is no Dir
	Holes    int    // how many Holes are known
	Restarts uint64 // times the embedded server was restarted after an error
	Commits  uint64 // group commits since Open
	Embedded bool   // the server runs in this process
	Sync     string // SyncAlways, or what could not be proven, for people
}

// SyncAlways is Stats.Sync of a journal whose server is known to sync every
// write before it acknowledges it.
const SyncAlways = "always"

// health is what Stats tells, under Journal.mu.
type health struct{ what, detail string }

func (h health) state() string {
	if h.what == "" {
		return StateOK
	}
	return h.what
}

func (j *Journal) setHealth(what, detail string) {
	j.mu.Lock()
	old := j.health
	j.health = health{what, detail}
	j.mu.Unlock()
	switch {
	case old.what == what:
	case what == "" || what == StateOK:
		j.log.Warn("journal writes again", "was", old.state())
	default:
		j.log.Error("journal cannot write", "state", what, "detail", detail)
	}
}

// keepIdentity saves what is known of the stream every few seconds.
func (j *Journal) keepIdentity() {
	t := time.NewTicker(identityEvery)
	defer t.Stop()
	saved := j.Last()
	own, photos := j.indexed()
	j.keepIndexes(own, photos)
	for {
		select {
		case <-j.stop:
			return
		case <-t.C:
		}
		j.keepIndexes(own, photos)
		last := j.Last()
		if last == saved {
			continue
		}
		if err := j.ident.save(j.cfg.Dir, last, j.numbers.copy()); err != nil {
			j.log.Warn("cannot save what is known of the journal", "err", err)
			continue
		}
		saved = last
	}
}
