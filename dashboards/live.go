package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"witnessmark/dashboards/access"
	"witnessmark/events"
)

// Update is one decision that is on disk and folded into the state, with the
// fact it answers.
type Update struct {
	Seq     uint64 // journal sequence of the decision
	Fact    events.Entry
	Decided events.Decided
}

// WatchFunc calls fn with decisions as they come, in order, several at once
// where they queue, until ctx ends (nil) or the watcher fell so far behind
// that decisions were left out (ErrBehind). buffer is how many may queue.
type WatchFunc func(ctx context.Context, buffer int, fn func([]Update)) error

// ErrBehind means that a watcher was too slow and has missed decisions.
var ErrBehind = errors.New("watch decisions: fell behind")

// Watch makes a WatchFunc of the service's Subscribe, whose update type has
// the same fields. It only converts; no goroutine stands between.
func Watch[U ~struct {
	Seq     uint64
	Fact    events.Entry
	Decided events.Decided
}](subscribe func(buffer int) (<-chan U, func())) WatchFunc {
	return func(ctx context.Context, buffer int, fn func([]Update)) error {
		ch, cancel := subscribe(buffer)
		defer cancel()
		batch := make([]Update, 0, batchMost)
		for {
			select {
			case <-ctx.Done():
				return nil
			case u, ok := <-ch:
				if !ok {
					return ErrBehind
				}
				batch = append(batch[:0], Update(u))
			}
			open := true
			for open && len(batch) < batchMost {
				select {
				case u, ok := <-ch:
					if !ok {
						fn(batch)
						return ErrBehind
					}
					batch = append(batch, Update(u))
				default:
					open = false
				}
			}
			fn(batch)
		}
	}
}

const (
	batchMost  = 256
	heartbeat  = 15 * time.Second
	writeLimit = 10 * time.Second // a client that takes nothing for so long is gone
)

// live serves the stream of one bench, or of the whole shop if no bench is
// named, as server-sent events:
//
//	id: journal sequence of the decision     event: patch    data: a patch
//	event: reset                             data: {}        ask for the page anew
//	event: reading                           data: the last figure, ahead of its patch
//
// The stream is written with net/http alone: a message is three lines of
// text, and who is too slow, what is kept for those who come back, and when
// they must start anew is the hub's to decide, which a library would hide.
//
// after is the decision up to which the client's page is true; boot names the
// run of the server that made the page.
func (p *Pages) live(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	bench := q.Get("bench")
	if bench != "" && !p.hasBench(bench) {
		http.Error(w, "no bench "+strconv.Quote(bench)+": the shop file names the benches", http.StatusNotFound)
		return
	}
	rc := http.NewResponseController(w)
	_ = rc.SetReadDeadline(time.Time{}) // it stays open; not all writers have deadlines
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	from := position{boot: q.Get("boot")}
	from.cause, _ = strconv.ParseUint(q.Get("after"), 10, 64)
	from.seq, _ = strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 64)
	c, first := p.hub.join(bench, from)
	if c == nil {
		http.Error(w, "shutting down", http.StatusServiceUnavailable)
		return
	}
	defer p.hub.leave(c)
	if err := p.stream(r.Context(), w, rc, c, first); err != nil {
		p.metrics.liveDropped.WithLabelValues("write").Inc()
	}
}

// stream writes to one client until it leaves, is dropped or cannot be
// written to; the last is the error.
func (p *Pages) stream(ctx context.Context, w http.ResponseWriter, rc *http.ResponseController, c *client, first []byte) error {
	who := access.Of(ctx)
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	send := func(b []byte) error {
		// A server without deadlines is one in process; go on without.
		_ = rc.SetWriteDeadline(time.Now().Add(writeLimit))
		if _, err := w.Write(b); err != nil {
			return err
		}
		return rc.Flush()
	}
	if err := send(append([]byte("retry: 1000\n\n"), first...)); err != nil {
		return err
	}
	for {
		var b []byte
		select {
		case <-ctx.Done():
			return nil
		case <-c.gone:
			return nil
		case <-who.Ended():
			return nil
		case b = <-c.ch:
			b = c.more(b)
		case <-beat.C:
			if !who.Still() {
				return nil
			}
			b = []byte(": still here\n\n")
		}
		if err := send(b); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
}

func message(kind string, id uint64, data []byte) []byte {
	b := make([]byte, 0, len(data)+64)
	if id > 0 {
		b = fmt.Appendf(b, "id: %d\n", id)
	}
	b = append(b, "event: "+kind+"\ndata: "...)
	b = append(b, data...)
	return append(b, "\n\n"...)
}
