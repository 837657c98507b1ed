package journal

import (
	"sync"

	"witnessmark/events"
)

// tail holds the newest entries that are on disk, already decoded, so that
// followers need not ask the server: what one of them still has to take, and a
// few more. It is bounded; who lags further reads the stream.
type tail struct {
	mu        sync.Mutex
	ring      []events.Entry // entry seq is at seq % len(ring); grows with need
	size      []int          // of the encoded data, likewise
	bytes     int
	maxBytes  int
	maxEvents int
	keep      int    // entries that stay although all followers have them
	first     uint64 // oldest in the ring; last+1 if it is empty
	last      uint64
	followers map[*follower]struct{}
	done      chan struct{}
}

// follower is woken when something was added.
type follower struct {
	wake chan struct{}
	next uint64 // what it takes next
}

// findWithin is how many entries stay in memory although all followers have
// them: find looks among them, and a new follower begins there. A repeat follows
// its original soon, or finds nothing.
const findWithin = 2048

func newTail(last uint64) *tail {
	return &tail{
		first: last + 1, last: last, maxEvents: 65536, maxBytes: 32 << 20, keep: findWithin,
		followers: map[*follower]struct{}{}, done: make(chan struct{}),
	}
}

// limit sets the bounds; call it before use.
func (t *tail) limit(events, bytes int) *tail {
	t.maxEvents, t.maxBytes, t.keep = events, bytes, min(t.keep, events)
	return t
}

// add appends entries, whose sequences follow on, and wakes the followers.
// sizes are those of their encoded data.
func (t *tail) add(entries []events.Entry, sizes []int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, e := range entries {
		for t.full(e.Seq) {
			t.drop()
		}
		t.grow(e.Seq)
		n := uint64(len(t.ring))
		t.ring[e.Seq%n], t.size[e.Seq%n] = e, sizes[i]
		t.bytes += sizes[i]
		t.last = e.Seq
		for t.bytes > t.maxBytes && t.first < t.last {
			t.drop()
		}
	}
	t.wakeAll()
}

// full reports whether the oldest entry has to go, or may, for seq to come.
func (t *tail) full(seq uint64) bool {
	held := seq - t.first
	return held >= uint64(t.maxEvents) || held >= uint64(t.keep) && t.first < t.wanted()
}

// wanted is the oldest entry that a follower still has to take from memory.
func (t *tail) wanted() uint64 {
	oldest := t.last + 1
	for f := range t.followers {
		if f.next >= t.first {
			oldest = min(oldest, f.next)
		}
	}
	return oldest
}

// grow makes the ring wide enough to hold seq too.
func (t *tail) grow(seq uint64) {
	old := uint64(len(t.ring))
	if seq-t.first < old {
		return
	}
	n := uint64(min(max(2*len(t.ring), 256), t.maxEvents))
	ring, size := make([]events.Entry, n), make([]int, n)
	for s := t.first; s <= t.last; s++ {
		ring[s%n], size[s%n] = t.ring[s%old], t.size[s%old]
	}
	t.ring, t.size = ring, size
}

func (t *tail) drop() {
	i := t.first % uint64(len(t.ring))
	t.bytes -= t.size[i]
	t.ring[i], t.size[i] = events.Entry{}, 0
	t.first++
}

// skip moves on to seq and keeps nothing: whoever comes to it reads it from
// where it is stored.
func (t *tail) skip(seq uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for t.ring != nil && t.first <= t.last {
		t.drop()
	}
	t.first, t.last, t.bytes = seq+1, seq, 0
	t.wakeAll()
}

func (t *tail) wakeAll() {
	for f := range t.followers {
		select {
		case f.wake <- struct{}{}:
		default:
		}
	}
}

// take returns a copy of at most limit entries from next on, for f. behind is
// true if they are no longer in memory; then read up to last.
func (t *tail) take(f *follower, next uint64, limit int) (out []events.Entry, behind bool, last uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	f.next = next
	if next > t.last {
		return nil, false, t.last
	}
	if next < t.first {
		f.next = t.last + 1 // what comes while it reads is kept for it
		return nil, true, t.last
	}
	n := min(uint64(limit), t.last-next+1)
	out = make([]events.Entry, n)
	for i := range out {
		out[i] = t.ring[(next+uint64(i))%uint64(len(t.ring))]
	}
	f.next += n
	return out, false, t.last
}

// find returns the sequence of an event that is among the newest in memory, 0
// if it is not.
func (t *tail) find(source string, number uint64) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	for seq := t.last; seq >= t.first && t.last-seq < findWithin; seq-- {
		e := &t.ring[seq%uint64(len(t.ring))]
		if e.Number == number && e.Source == source {
			return seq
		}
	}
	return 0
}

func (t *tail) lastSeq() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.last
}

func (t *tail) watch() *follower {
	f := &follower{wake: make(chan struct{}, 1)}
	t.mu.Lock()
	t.followers[f] = struct{}{}
	t.mu.Unlock()
	return f
}

func (t *tail) unwatch(f *follower) {
	t.mu.Lock()
	delete(t.followers, f)
	t.mu.Unlock()
}

func (t *tail) close() { close(t.done) }
