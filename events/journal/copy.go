package journal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Copy describes a copy of a stream, as the server that made it says; another
// server needs it to take the copy in.
type Copy struct {
	Stream string          `json:"stream"`
	Last   uint64          `json:"last_seq"`
	Bytes  uint64          `json:"bytes"` // about what will come
	Config json.RawMessage `json:"config"`
	State  json.RawMessage `json:"state"`
}

// What can be copied of a journal.
const (
	CopyEvents = "events"
	CopyPhotos = "photos"
)

// copyWait is how long the server may be silent in between.
const copyWait = 30 * time.Second

// CopyOut writes what, CopyEvents or CopyPhotos, to w as a JetStream snapshot:
// one state of it, though events go on being appended. begin is called first,
// with what the copy is. ErrPhotoMissing: there is no store of photos.
func (j *Journal) CopyOut(ctx context.Context, what string, begin func(Copy) error, w io.Writer) error {
	name := j.names.stream()
	if what == CopyPhotos {
		if _, err := j.photoStore(ctx, false); err != nil {
			return err
		}
		name = "OBJ_" + j.names.photos()
	}
	s, err := j.waitSession(ctx)
	if err != nil {
		return err
	}
	if err := copyOut(ctx, s.nc, name, begin, w); err != nil {
		return fmt.Errorf("copy stream %q: %w", name, err)
	}
	return nil
}

// answer is the part that every answer of the JetStream interface has.
type answer struct {
	Error *jetstream.APIError `json:"error"`
}

// askServer sends a request of the JetStream interface.
func askServer(ctx context.Context, nc *nats.Conn, subject string, request, into any) error {
	b, err := json.Marshal(request)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, copyWait)
	defer cancel()
	m, err := nc.RequestWithContext(ctx, subject, b)
	if err != nil {
		return err
	}
	var a answer
	if err := errors.Join(json.Unmarshal(m.Data, &a), json.Unmarshal(m.Data, into)); err != nil {
		return err
	}
	if a.Error != nil {
		return a.Error
	}
	return nil
}

// copyOut follows the protocol of STREAM.SNAPSHOT: the server sends chunks and
// waits for an answer to each, but for a number in flight; the last is empty
// and says in its status whether all went well (204).
func copyOut(ctx context.Context, nc *nats.Conn, stream string, begin func(Copy) error, w io.Writer) error {
	inbox := nc.NewRespInbox()
	sub, err := nc.SubscribeSync(inbox)
	if err != nil {
		return err
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		return err
	}
	var got struct {
		Config json.RawMessage `json:"config"`
		State  json.RawMessage `json:"state"`
	}
	request := map[string]any{"deliver_subject": inbox, "no_consumers": true, "chunk_size": 256 << 10, "window_size": 8 << 20}
	if err := askServer(ctx, nc, "$JS.API.STREAM.SNAPSHOT."+stream, request, &got); err != nil {
		return err
	}
	var state jetstream.StreamState
	if err := json.Unmarshal(got.State, &state); err != nil {
		return fmt.Errorf("read state: %w", err)
	}
	if err := begin(Copy{Stream: stream, Last: state.LastSeq, Bytes: state.Bytes, Config: got.Config, State: got.State}); err != nil {
		return err
	}
	for {
		wait, cancel := context.WithTimeout(ctx, copyWait)
		m, err := sub.NextMsgWithContext(wait)
		cancel()
		if err != nil {
			return fmt.Errorf("wait for the next part: %w", err)
		}
		if len(m.Data) == 0 {
			if status := m.Header.Get("Status"); status != "" && status != "204" {
				return fmt.Errorf("the server broke off: %s %s", status, m.Header.Get("Description"))
			}
			return nil
		}
		if _, err := w.Write(m.Data); err != nil {
			return err
		}
		if m.Reply != "" {
			if err := m.Respond(nil); err != nil {
				return err
			}
		}
	}
}

// CopiedIn is a copy to be taken in, and where its bytes come from.
type CopiedIn struct {
	Copy
	From io.Reader
}

// CopyIn makes the journal of cfg, which must not be there yet, from copies
// that CopyOut made. known is the identity file that lay beside the original
// before it was copied.
func CopyIn(ctx context.Context, cfg Config, known []byte, copies []CopiedIn) error {
	cfg, err := cfg.withDefaults()
	if err != nil {
		return err
	}
	if cfg.URL != "" {
		return errors.New("a copy is taken in by an embedded server: leave nats_url out")
	}
	lock, err := lockDir(cfg.Dir)
	if err != nil {
		return err
	}
	defer lock.release()
	if id, err := loadIdentity(cfg.Dir); id != nil || err != nil {
		return errors.Join(fmt.Errorf("%q holds a journal already", cfg.Dir), err)
	}
	j := &Journal{cfg: cfg, log: cfg.Log, names: naming{cfg.Shop}, arrived: make(chan struct{})}
	s, err := j.connect(ctx)
	if err != nil {
		return err
	}
	defer s.close()
	for _, c := range copies {
		if c.Stream == j.cfg.stream() {
			if c.Config, err = sized(c.Copy, cfg.MaxBytes); err != nil {
				return err
			}
		}
		if err := copyIn(ctx, s.nc, c); err != nil {
			return fmt.Errorf("take in stream %q: %w", c.Stream, err)
		}
		if c.Stream == "OBJ_"+j.names.photos() {
			if err := j.notePhotos(); err != nil {
				return err
			}
		}
	}
	return writeFileSynced(identityPath(cfg.Dir), known)
}

// sized is the description of a copied stream with the size limit of this
// journal: where it comes from there may have been a larger disk.
func sized(c Copy, most int64) (json.RawMessage, error) {
	if c.Bytes > uint64(most) {
		return nil, fmt.Errorf("the journal in the copy has %d MB and may have %d MB here: raise journal_max", c.Bytes>>20, most>>20)
	}
	var config map[string]json.RawMessage
	if err := json.Unmarshal(c.Config, &config); err != nil {
		return nil, fmt.Errorf("read the description of stream %q: %w", c.Stream, err)
	}
	config["max_bytes"] = json.RawMessage(strconv.FormatInt(most, 10))
	return json.Marshal(config)
}

// chunkIn is how much is handed to the server at a time. It gives a restore up where
// one chunk takes it more than five seconds, as it may on a loaded machine: so they are
// small.
const chunkIn = 32 << 10

// copyIn follows the protocol of STREAM.RESTORE: each chunk is answered before
// the next is sent; an empty one ends it, and its answer tells what came of it.
func copyIn(ctx context.Context, nc *nats.Conn, c CopiedIn) error {
	var got struct {
		Deliver string `json:"deliver_subject"`
	}
	if err := askServer(ctx, nc, "$JS.API.STREAM.RESTORE."+c.Stream, map[string]any{"config": c.Config, "state": c.State}, &got); err != nil {
		return err
	}
	chunk := make([]byte, chunkIn)
	for {
		n, err := io.ReadFull(c.From, chunk)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
		end := n == 0
		wait, cancel := context.WithTimeout(ctx, 10*copyWait) // the last answer comes once all is taken in
		m, err := nc.RequestWithContext(wait, got.Deliver, bytes.Clone(chunk[:n]))
		cancel()
		if err != nil {
			return err
		}
		if len(m.Data) > 0 {
			var a answer
			if err := json.Unmarshal(m.Data, &a); err != nil {
				return err
			}
			if a.Error != nil {
				return a.Error
			}
		}
		if end {
			return nil
		}
	}
}
