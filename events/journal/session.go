package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// session is one life of the connection, and of the embedded server.
type session struct {
	srv    *server.Server // nil if the server is elsewhere
	nc     *nats.Conn
	js     jetstream.JetStream
	stream jetstream.Stream
	lanes  []jetstream.JetStream // for atomic batches, in turn; the first is js
	turn   int                   // used by the writer alone
	second *nats.Conn            // of the second lane
	name   string
	sync   string // for Stats.Sync
	once   sync.Once
	dead   chan struct{} // closed by close
}

func (s *session) close() {
	s.once.Do(func() {
		close(s.dead)
		for _, nc := range []*nats.Conn{s.nc, s.second} {
			if nc != nil {
				nc.Close()
			}
		}
		if s.srv != nil {
			stopServer(s.srv)
		}
	})
}

func (s *session) jetStream(cfg Config) error {
	s.name = cfg.stream()
	for _, nc := range []*nats.Conn{s.nc, s.second} {
		js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(max(cfg.AckTimeout, 5*time.Second)))
		if err != nil {
			return fmt.Errorf("speak to JetStream: %w", err)
		}
		s.lanes = append(s.lanes, js)
	}
	s.js = s.lanes[0]
	return nil
}

// streamConfig is what the journal's stream must be like. Message ids are
// not used, so the window in which the server would remember them is the
// shortest it takes; see numbering.go for what is used in their place.
func (j *Journal) streamConfig(id *identity) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:               j.cfg.stream(),
		Description:        "Witnessmark journal of shop " + j.cfg.Shop,
		Subjects:           []string{j.names.all()},
		Retention:          jetstream.LimitsPolicy,
		MaxBytes:           j.cfg.MaxBytes,
		Discard:            jetstream.DiscardNew,
		Storage:            jetstream.FileStorage,
		Replicas:           max(j.cfg.Replicas, 1),
		Duplicates:         100 * time.Millisecond,
		DenyDelete:         true,
		DenyPurge:          true,
		AllowDirect:        true,
		AllowAtomicPublish: true,
		Metadata:           map[string]string{metaID: id.ID, "shop": j.cfg.Shop},
	}
}

const metaID = "witnessmark_journal"

// openStream finds the stream, or creates it if there has never been one. It
// returns the identity of what it found.
func (s *session) openStream(ctx context.Context, j *Journal, known *identity) (*identity, error) {
	if known != nil && known.Shop != j.cfg.Shop {
		return nil, fmt.Errorf("%w: %q holds the journal of shop %q, not of %q; name that shop's directory, or give the shop file its old id back",
			ErrMissing, j.cfg.place(), known.Shop, j.cfg.Shop)
	}
	stream, err := s.js.Stream(ctx, s.name)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound) && j.cfg.Copy:
		return nil, fmt.Errorf("%w: %s keeps no copy of the journal of shop %q; 'witnessmark chain add' makes it keep one", ErrMissing, j.cfg.place(), j.cfg.Shop)
	case errors.Is(err, jetstream.ErrStreamNotFound) && known == nil && !leftOvers(j.cfg, s.name) && j.cfg.AsItIs:
		return nil, noneAt(j.cfg)
	case errors.Is(err, jetstream.ErrStreamNotFound) && known == nil && !leftOvers(j.cfg, s.name):
		return s.createStream(ctx, j)
	case errors.Is(err, jetstream.ErrStreamNotFound):
		return nil, fmt.Errorf("%w: %q has held one, but the server finds none (its meta file may be damaged); "+
			"put back a copy of the directory, or begin with an empty one", ErrMissing, j.cfg.place())
	case err != nil:
		return nil, fmt.Errorf("find stream %q: %w", s.name, err)
	}
	s.stream = stream
	return s.checkStream(ctx, j, known)
}

// noneAt says that there is no journal to be opened as it is.
func noneAt(cfg Config) error {
	return fmt.Errorf("%w: there is no journal of shop %q at %q; name the shop's data directory (--data), or its store (--nats-url)", ErrMissing, cfg.Shop, cfg.place())
}

// noStorage is the server's code for a stream that may grow beyond its store.
const noStorage jetstream.ErrorCode = 10047

func (s *session) createStream(ctx context.Context, j *Journal) (_ *identity, err error) {
	if j.cfg.URL == "" { // what a stop in the middle of making it has left is no stream
		if err := os.RemoveAll(j.cfg.streamDir()); err != nil {
			return nil, fmt.Errorf("create stream %q: %w", s.name, err)
		}
	}
	id := newIdentity(j.cfg.Shop, s.name)
	if s.stream, err = s.js.CreateStream(ctx, j.streamConfig(id)); err != nil {
		var api *jetstream.APIError
		if j.cfg.Shared && errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // another process has just made it
			return s.openStream(ctx, j, nil)
		}
		if errors.As(err, &api) && api.ErrorCode == noStorage {
			return nil, fmt.Errorf("create stream %q: the server's store does not hold a journal of %d bytes: set journal_max lower, or give the server more room (%w)", s.name, j.cfg.MaxBytes, err)
		}
		return nil, fmt.Errorf("create stream %q: %w", s.name, err)
	}
	if j.cfg.URL == "" {
		if err := syncDirs(j.cfg.Dir); err != nil {
			return nil, fmt.Errorf("create stream %q: %w", s.name, err)
		}
	}
	return id, id.save(j.cfg.Dir, 0, nil)
}

// leftOvers reports whether the store has messages of the stream although the
// server knows none. Files without a message are what a stop in the middle of
// making the stream leaves.
func leftOvers(cfg Config, stream string) bool {
	if cfg.URL != "" {
		return false
	}
	found, err := filepath.Glob(filepath.Join(cfg.streamsDir(), stream, "msgs", "*.blk"))
	for _, name := range found {
		if info, e := os.Stat(name); e != nil || info.Size() > 0 {
			return true
		}
	}
	return err != nil
}

// checkStream compares a stream that is there with what it must be.
func (s *session) checkStream(ctx context.Context, j *Journal, known *identity) (*identity, error) {
	cfg := s.stream.CachedInfo().Config
	id := cfg.Metadata[metaID]
	switch {
	case id == "" || cfg.Metadata["shop"] != j.cfg.Shop:
		return nil, fmt.Errorf("%w: stream %q was not made for shop %q; give another directory or server", ErrMissing, s.name, j.cfg.Shop)
	case known != nil && known.ID != id:
		return nil, fmt.Errorf("%w: stream %q is another one than %q has held; put the right copy back", ErrMissing, s.name, j.cfg.place())
	case j.cfg.Copy && cfg.Mirror == nil:
		return nil, fmt.Errorf("%w: stream %q is the shop's own and no copy", ErrMissing, s.name)
	case j.cfg.Copy:
	case cfg.PersistMode != jetstream.DefaultPersistMode || cfg.Storage != jetstream.FileStorage || !cfg.AllowAtomicPublish:
		return nil, fmt.Errorf("%w: stream %q: want file storage, default persist mode and atomic publish; change its settings", ErrUnsafe, s.name)
	}
	if known == nil {
		known = newIdentity(j.cfg.Shop, s.name)
		known.ID = id
		if err := known.save(j.cfg.Dir, 0, nil); err != nil {
			return nil, err
		}
	}
	if j.cfg.AsItIs && cfg.MaxBytes > 0 {
		j.cfg.MaxBytes, j.most = cfg.MaxBytes, uint64(cfg.MaxBytes)
	}
	if j.cfg.URL != "" || cfg.MaxBytes >= j.cfg.MaxBytes {
		return known, nil
	}
	cfg.MaxBytes = j.cfg.MaxBytes
	_, err := s.js.UpdateStream(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("let stream %q grow to %d bytes: %w", s.name, cfg.MaxBytes, err)
	}
	return known, nil
}

// proveSync finds out whether the server syncs before it acknowledges. An
// embedded one was asked for its setting when it started. One elsewhere
// tells only connections of its system account.
func (s *session) proveSync(ctx context.Context, url string) error {
	if url == "" {
		s.sync = SyncAlways
		return nil
	}
	s.sync = "not proven: the server does not tell its sync setting to this connection; " +
		"make sure that its configuration has jetstream { sync_interval: always }"
	ctx, cancel := context.WithTimeout(ctx, 500*time.Millisecond)
	defer cancel()
	m, err := s.nc.RequestWithContext(ctx, "$SYS.REQ.SERVER."+s.nc.ConnectedServerId()+".JSZ", nil)
	if err != nil {
		return nil
	}
	var answer struct {
		Data struct {
			Config struct {
				SyncAlways bool `json:"sync_always"`
			} `json:"config"`
		} `json:"data"`
	}
	if json.Unmarshal(m.Data, &answer) != nil {
		return nil
	}
	if !answer.Data.Config.SyncAlways {
		return fmt.Errorf("%w: set jetstream { sync_interval: always } at %s", ErrUnsafe, NoSecret(url))
	}
	s.sync = SyncAlways
	return nil
}

// lastSeq asks the server for the stream's last sequence and size.
func (s *session) lastSeq(ctx context.Context) (last, bytes uint64, err error) {
	info, err := s.stream.Info(ctx)
	if err != nil {
		return 0, 0, err
	}
	return info.State.LastSeq, info.State.Bytes, nil
}

// lastOf reads the last event under subject.
func (s *session) lastOf(ctx context.Context, n naming, subject string) (e events.Entry, ok bool, err error) {
	m, err := s.stream.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return e, false, nil
	}
	if err != nil {
		return e, false, err
	}
	e, err = n.entry(m.Sequence, m.Header, m.Data)
	return e, err == nil, err
}

// recoverNumbers learns the last number of each source: from its last event,
// from the count of its events, and from the identity file, whichever says
// most. They agree unless something is damaged; too great a number shows as
// a gap, too small a one would be given twice.
func (j *Journal) recoverNumbers(ctx context.Context, s *session) error {
	var info *jetstream.StreamInfo
	if err := j.patiently(ctx, func(ctx context.Context) (err error) {
		info, err = s.stream.Info(ctx, jetstream.WithSubjectFilter(j.names.all()))
		return err
	}); err != nil {
		return fmt.Errorf("ask for the sources in the stream: %w", err)
	}
	known := j.ident.numbers()
	for subject, count := range info.State.Subjects {
		var head events.Event
		if err := j.patiently(ctx, func(ctx context.Context) (err error) {
			head, err = j.lastHead(ctx, s, subject)
			return err
		}); err != nil {
			return fmt.Errorf("read last event of subject %q: %w", subject, err)
		}
		j.numbers.stored(head)
		if count > head.Number {
			j.log.Warn("last event of a source cannot be read; counting them instead", "source", head.Source, "count", count)
			j.numbers.stored(events.Event{Source: head.Source, Number: count})
		}
	}
	for source, n := range known {
		j.numbers.stored(events.Event{Source: source, Number: n})
	}
	for source, n := range j.gone.LastNumbers() {
		j.numbers.stored(events.Event{Source: source, Number: n})
	}
	if u := j.cfg.Uplink; u != nil {
		for source, n := range u.First {
			j.numbers.stored(events.Event{Source: source, Number: n})
		}
	}
	return nil
}

// lastHead returns source and number of the last event under subject that can
// be read; the number is 0 if none can.
func (j *Journal) lastHead(ctx context.Context, s *session, subject string) (events.Event, error) {
	m, err := s.stream.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return events.Event{Source: j.names.sourceFromSubject(subject)}, nil
	}
	if err != nil {
		return events.Event{}, err
	}
	e, _, err := j.names.head(m.Header)
	return e, err
}
