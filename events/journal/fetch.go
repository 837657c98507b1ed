package journal

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"github.com/klauspost/compress/s2"
	"github.com/nats-io/nats-server/v2/server/archive"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Fetch copies what the NATS server at address keeps of a shop's journal, its
// mirror at a hub for one, and of its photos if it has any, into dir, laid out
// as a copy of the journal's directory, which Mend takes. Nothing is changed there.
// An entry that is damaged on the server's own disk is left out. photos says
// whether there were any.
func Fetch(ctx context.Context, link Link, address, shop, dir string) (photos bool, err error) {
	if !shopID.MatchString(shop) {
		return false, fmt.Errorf("fetch journal: shop id %q: want lower-case letters, digits and '-'", shop)
	}
	nc, err := link.Connect(address, nats.Name("witnessmark mend"))
	if err != nil {
		return false, fmt.Errorf("fetch journal of shop %q: %w", shop, err)
	}
	defer nc.Close()
	n := naming{shop}
	if err := fetch(ctx, nc, n.stream(), dir, shop); err != nil {
		if noStream(err) {
			return false, fmt.Errorf("%w: that server keeps no journal of shop %q and no copy of one; 'witnessmark chain list' tells which a hub keeps", ErrMissing, shop)
		}
		return false, fmt.Errorf("fetch journal of shop %q: %w", shop, err)
	}
	switch err := fetch(ctx, nc, "OBJ_"+n.photos(), dir, shop); {
	case noStream(err):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("fetch photos of shop %q: %w", shop, err)
	}
	return true, nil
}

func noStream(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && api.ErrorCode == jetstream.JSErrCodeStreamNotFound
}

func fetch(ctx context.Context, nc *nats.Conn, stream, dir, shop string) error {
	r, w := io.Pipe()
	began, sent := make(chan Copy, 1), make(chan error, 1)
	go func() {
		err := copyOut(ctx, nc, stream, func(c Copy) error { began <- c; return nil }, w)
		w.CloseWithError(err)
		sent <- err
	}()
	select {
	case c := <-began:
		err := Unpack(c, r, dir, shop)
		r.CloseWithError(err) // whoever writes must end
		if e := <-sent; e != nil && !errors.Is(e, io.ErrClosedPipe) {
			return e
		}
		return err
	case err := <-sent:
		return err
	}
}

// Unpack turns a copy that CopyOut made into block files, where they would lie
// in a journal's directory dir. What could be read of a copy that is cut off or
// damaged is there, and the error says what was wrong.
func Unpack(c Copy, r io.Reader, dir, shop string) error {
	to := filepath.Join(Config{Shop: shop, Dir: dir}.streamsDir(), c.Stream)
	b := blockWriter{dir: filepath.Join(to, "msgs"), stream: c.Stream, index: 1}
	if err := os.MkdirAll(b.dir, 0o750); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(to, "meta.inf"), c.Config, 0o640); err != nil { // it tells whose stream it is
		return err
	}
	err := unpack(r, &b)
	if err = errors.Join(err, b.flush()); err != nil {
		return fmt.Errorf("unpack copy of stream %q: %w", c.Stream, err)
	}
	return nil
}

func unpack(r io.Reader, b *blockWriter) error {
	in := archive.NewReader(s2.NewReader(r))
	for {
		h, err := in.Next()
		if errors.Is(err, io.EOF) {
			// What the server sends behind the archive must be taken, or it waits.
			_, err := io.Copy(io.Discard, r)
			return err
		}
		if err != nil {
			return err
		}
		if h.Sequence == 0 { // the state of the stream, or of a consumer
			continue
		}
		if h.HeaderSize+h.PayloadSize > recordMost || len(h.Name) > math.MaxUint16 {
			return fmt.Errorf("message %d has %d bytes", h.Sequence, h.HeaderSize+h.PayloadSize)
		}
		body := make([]byte, h.HeaderSize+h.PayloadSize)
		if _, err := io.ReadFull(in, body); err != nil {
			return err
		}
		if err := b.add(recordOf(h, body)); err != nil {
			return err
		}
	}
}

// recordOf lays a message out as a block has it, its hash left out.
func recordOf(h *archive.Header, body []byte) []byte {
	le := binary.LittleEndian
	rec := make([]byte, recordHead, recordHead+len(h.Name)+4+len(body)+recordHash)
	le.PutUint64(rec[4:], h.Sequence)
	le.PutUint64(rec[12:], uint64(h.Timestamp))
	le.PutUint16(rec[20:], uint16(len(h.Name)))
	rec = append(rec, h.Name...)
	length := uint32(0)
	if h.HeaderSize > 0 {
		length = bitHeaders
		rec = le.AppendUint32(rec, uint32(h.HeaderSize))
	}
	rec = append(rec, body...)
	rec = append(rec, make([]byte, recordHash)...)
	le.PutUint32(rec, length|uint32(len(rec)))
	return rec
}
