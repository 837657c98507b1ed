package dashboards

import (
	"context"
	"crypto/rand"
	"errors"
	"sync"
	"time"

	"witnessmark/rules"
)

// hub turns decisions into patches and hands them to the clients. It never
// waits for one: a client whose queue is full is disconnected and counted,
// and comes back by itself.
type hub struct {
	state   Viewer
	metrics *metrics
	now     func() time.Time
	boot    string // names this run: positions of an earlier one mean nothing

	mu      sync.Mutex
	seq     uint64 // of the last decision seen, 0 if none yet
	closed  bool
	streams map[string]*stream // by bench; "" is the whole shop
}

// stream is what is kept for one bench while somebody looks at it, and for a
// while after.
type stream struct {
	bench     string
	clients   map[*client]struct{}
	shot      *shot  // what the clients know
	ring      []kept // the last patches, oldest first
	baseSeq   uint64 // the ring holds every patch after this decision
	baseCause uint64 // the same, as the fact that was decided
	quietAt   time.Time
}

type kept struct {
	seq, cause uint64
	text       []byte
}

type client struct {
	stream *stream
	ch     chan []byte
	gone   chan struct{} // closed when the hub has dropped it
}

// position is how far a client has come: seq from Last-Event-ID if it has
// been here before, else cause from its page.
type position struct {
	boot       string
	seq, cause uint64
}

const (
	ringMost    = 256             // patches kept for those who come back
	clientQueue = 64              // messages that may wait for one client
	keepFor     = 2 * time.Minute // a stream without clients is kept so long
	watchBuffer = 8192            // decisions that may wait for the hub
	crowded     = 32              // from so many waiting decisions on, a bench gets one patch for all
	shopEvery   = time.Second     // readings are told to the whole shop's stream no more often
	watchAgain  = 200 * time.Millisecond
	noBase      = ^uint64(0) // nothing is held
	maxStreams  = 256        // streams kept at once; benches are few
)

func newHub(state Viewer, m *metrics, now func() time.Time) *hub {
	return &hub{state: state, metrics: m, now: now, boot: rand.Text()[:10], streams: map[string]*stream{}}
}

// run follows the decisions until ctx ends, then ends all streams.
func (h *hub) run(ctx context.Context, watch WatchFunc) error {
	defer h.close()
	for ctx.Err() == nil {
		err := watch(ctx, watchBuffer, h.take)
		if !errors.Is(err, ErrBehind) {
			return err
		}
		h.metrics.watchGaps.Inc()
		h.reset()
		select { // a service that stops ends every watch at once
		case <-ctx.Done():
		case <-time.After(watchAgain):
		}
	}
	return nil
}

// take handles decisions that came together.
func (h *hub) take(us []Update) {
	h.metrics.count(us, h.now())
	h.mu.Lock()
	defer h.mu.Unlock()
	h.seq = us[len(us)-1].Seq
	if len(h.streams) == 0 {
		return
	}
	now := h.now()
	for name, s := range h.streams {
		if len(s.clients) == 0 && now.Sub(s.quietAt) > keepFor {
			delete(h.streams, name)
		}
	}
	if len(us) < crowded {
		for i := range us {
			h.spread(us[i:i+1], now)
		}
		return
	}
	h.spread(us, now)
}

// spread sends what us changed to every stream it touches, one patch each.
func (h *hub) spread(us []Update, now time.Time) {
	h.state.View(func(st *rules.State) {
		v := viewer{st, now}
		for _, s := range h.streams {
			mine := touching(v, s.bench, after(us, s.baseCause))
			if len(mine) == 0 {
				continue
			}
			if p := s.patch(v, mine); p != nil {
				h.send(s, mine[len(mine)-1], p)
			}
		}
	})
}

// after returns those of us that are later than a stream's beginning: what
// was decided before is in every page that was made since.
func after(us []Update, cause uint64) []Update {
	for len(us) > 0 && us[0].Decided.Cause <= cause {
		us = us[1:]
	}
	return us
}

func (h *hub) send(s *stream, u Update, data []byte) {
	k := kept{u.Seq, u.Decided.Cause, message("patch", u.Seq, data)}
	if len(s.ring) == ringMost {
		s.baseSeq, s.baseCause = s.ring[0].seq, s.ring[0].cause
		s.ring = append(s.ring[:0], s.ring[1:]...)
	}
	s.ring = append(s.ring, k)
	for c := range s.clients {
		select {
		case c.ch <- k.text:
		default:
			h.metrics.liveDropped.WithLabelValues("slow").Inc()
			h.drop(c)
		}
	}
}

func (h *hub) drop(c *client) {
	if _, ok := c.stream.clients[c]; !ok {
		return
	}
	delete(c.stream.clients, c)
	c.stream.quietAt = h.now()
	close(c.gone)
	h.metrics.liveClients.Dec()
}

// join adds a client. What it has missed comes back as first: patches, or a
// reset if they are not all here. A nil client means that the hub has closed.
func (h *hub) join(bench string, from position) (c *client, first []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil, nil
	}
	s := h.stream(bench)
	c = &client{stream: s, ch: make(chan []byte, clientQueue), gone: make(chan struct{})}
	s.clients[c] = struct{}{}
	h.metrics.liveClients.Inc()
	covered := from.boot == h.boot && from.cause >= s.baseCause
	if from.seq > 0 {
		covered = from.boot == h.boot && from.seq >= s.baseSeq && from.seq <= h.seq
	}
	if !covered {
		return c, message("reset", h.seq, []byte("{}"))
	}
	for _, k := range s.ring {
		if from.seq > 0 && k.seq > from.seq || from.seq == 0 && k.cause > from.cause {
			first = append(first, k.text...)
		}
	}
	return c, first
}

// warm begins to keep patches for a bench whose page was just made, so that
// the page's stream can go on from there.
func (h *hub) warm(bench string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.closed {
		h.stream(bench).quietAt = h.now()
	}
}

func (h *hub) stream(bench string) *stream {
	if s, ok := h.streams[bench]; ok {
		return s
	}
	s := &stream{bench: bench, clients: map[*client]struct{}{}, baseSeq: h.seq, quietAt: h.now()}
	if h.seq == 0 {
		s.baseSeq = noBase
	}
	h.state.View(func(st *rules.State) {
		s.baseCause = st.Cause
		s.shot = viewer{st, h.now()}.shot(bench)
	})
	h.streams[bench] = s
	return s
}

// tell asks every page to fetch its live part, for news that are in no
// decision, such as a full disk.
func (h *hub) tell() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, s := range h.streams {
		for c := range s.clients {
			select {
			case c.ch <- message("reset", 0, []byte("{}")):
			default: // it is told by its next page
			}
		}
	}
}

func (h *hub) leave(c *client) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.drop(c)
}

// reset tells every client to ask for its page anew, after decisions were
// left out.
func (h *hub) reset() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for name, s := range h.streams {
		for c := range s.clients {
			h.drop(c)
		}
		delete(h.streams, name)
	}
}

func (h *hub) close() {
	h.reset()
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
}

// more returns b with all that waits behind it.
func (c *client) more(b []byte) []byte {
	if len(c.ch) == 0 {
		return b
	}
	b = append([]byte(nil), b...)
	for {
		select {
		case next := <-c.ch:
			b = append(b, next...)
		default:
			return b
		}
	}
}
