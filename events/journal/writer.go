package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"witnessmark/events"
)

// Bounds of one group commit. A thousand is the most that the server takes in
// an atomic batch.
const (
	maxBatch      = 1000
	maxBatchBytes = 8 << 20
)

// request is one Append on its way.
type request struct {
	evs   []events.Event // ours: numbers are put in here
	msgs  []message
	seqs  []uint64
	open  int     // events still to be stored
	auto  []bool  // which of evs came without a number
	after *uint64 // see AppendAfter; nil without
	err   error
	reply chan struct{} // closed once seqs and err stand
}

// item is one event of a request that is to be written.
type item struct {
	req *request
	i   int
}

func (it item) event() *events.Event { return &it.req.evs[it.i] }
func (it item) msg() *message        { return &it.req.msgs[it.i] }

// Append stores evs in order and returns their sequences. It returns nil only
// when all of them are on disk. It commits together with other callers, so
// many small Appends at once are about as quick as one large one.
//
// An event with Number 0 gets the next number of its source. One whose number
// is there already is not written again; its sequence is returned, or 0 where
// that is no longer in memory. A number beyond the next is a *NumberGapError
// and nothing of this call is written.
//
// After another error the first of evs may be stored: with ErrNotStored those
// without a sequence are not and will not be, with ErrUnknown they may be. If
// ctx ends while waiting, the error is its cause, and ErrUnknown.
//
// The journal keeps evs' data in memory for followers: do not change what it
// points to.
func (j *Journal) Append(ctx context.Context, evs ...events.Event) ([]uint64, error) {
	if len(evs) == 0 {
		return nil, nil
	}
	r, err := newRequest(j.names, evs)
	if err != nil {
		return nil, err
	}
	return j.send(ctx, r)
}

// send has the writer store r, and waits for it.
func (j *Journal) send(ctx context.Context, r *request) ([]uint64, error) {
	switch {
	case j.cfg.Copy:
		return nil, ErrCopy
	case j.closed.Load():
		return nil, fmt.Errorf("%w: %w", ErrNotStored, ErrClosed)
	}
	select {
	case j.queue <- r:
	case <-j.stop:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, ErrClosed)
	case <-ctx.Done():
		return nil, fmt.Errorf("%w: %w", ErrNotStored, context.Cause(ctx))
	}
	select {
	case <-r.reply:
		return r.seqs, r.err
	case <-ctx.Done():
		return nil, fmt.Errorf("%w: %w", ErrUnknown, context.Cause(ctx))
	case <-j.tail.done: // the writer may have ended before it saw r
		return j.lastChance(r)
	}
}

// lastChance waits for the writer to end and says what became of r.
func (j *Journal) lastChance(r *request) ([]uint64, error) {
	j.w.ended.Wait()
	select {
	case <-r.reply:
		return r.seqs, r.err
	default:
		return nil, fmt.Errorf("%w: %w", ErrNotStored, ErrClosed)
	}
}

// newRequest encodes evs, in the goroutine of the caller.
func newRequest(n naming, evs []events.Event) (*request, error) {
	r := &request{
		evs: append([]events.Event(nil), evs...), msgs: make([]message, len(evs)),
		seqs: make([]uint64, len(evs)), auto: make([]bool, len(evs)), reply: make(chan struct{}),
	}
	for i := range r.evs {
		var err error
		r.auto[i] = r.evs[i].Number == 0
		if r.msgs[i], err = n.prepare(&r.evs[i]); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// write is the one goroutine that publishes.
func (j *Journal) write() {
	defer j.w.ended.Done()
	for {
		select {
		case <-j.stop:
			j.refuseQueued()
			return
		case <-j.w.retryAt():
			j.recover()
		case r := <-j.queue:
			j.commitAll(r)
		}
	}
}

// refuseQueued answers what is queued when the journal closes.
func (j *Journal) refuseQueued() {
	for {
		select {
		case r := <-j.queue:
			r.fail(fmt.Errorf("%w: %w", ErrNotStored, ErrClosed))
		default:
			return
		}
	}
}

// gather takes what else is queued, without waiting: alone when it is quiet,
// many together when it is busy.
func (j *Journal) gather(first *request) []*request {
	group, n, size := []*request{first}, len(first.evs), first.bytes()
	for n < maxBatch && size < maxBatchBytes {
		select {
		case r := <-j.queue:
			group = append(group, r)
			n += len(r.evs)
			size += r.bytes()
		default:
			return group
		}
	}
	return group
}

func (r *request) bytes() (n int) {
	for i := range r.msgs {
		n += len(r.msgs[i].payload)
	}
	return n
}

// group is requests that are committed together.
type group struct {
	adm    *admission
	items  []item  // to be written, in order
	echoes []item  // repeats of events in items, or of the group before
	pre    *staged // the first items, already at the server; may be nil
}

// commitAll stores requests beginning with first, and while it is busy those
// that come in meanwhile.
func (j *Journal) commitAll(first *request) {
	g := j.admit(&admission{disk: &j.numbers, pending: map[string]uint64{}}, j.gather(first))
	for g != nil {
		g = j.commit(g)
	}
}

// commit stores g and answers its requests. While the server syncs, it makes
// the next group ready; that is returned, nil if there is none.
func (j *Journal) commit(g *group) (next *group) {
	items, pre := g.items, g.pre
	var err error
	for len(items) > 0 && err == nil {
		n := chunk(items)
		prepare := func(base uint64) { next = j.prepare(g.adm, base) }
		if n < len(items) {
			prepare = nil
		}
		if err = j.store(items[:n], pre, prepare); err != nil {
			failAll(items, err)
		}
		items, pre = items[n:], nil
	}
	j.answerEchoes(g.echoes, err)
	if err != nil && next != nil {
		// Its numbers follow on what was not stored.
		err = fmt.Errorf("%w: what was to be stored before it failed: %v", ErrNotStored, err)
		failAll(next.items, err)
		failAll(next.echoes, err)
		return nil
	}
	return next
}

// prepare makes the next group ready, to follow sequence base, if requests
// are queued.
func (j *Journal) prepare(adm *admission, base uint64) *group {
	select {
	case <-j.stop:
		return nil // the writer is to end
	default:
	}
	select {
	case r := <-j.queue:
		g := j.admit(adm, j.gather(r))
		if n := chunk(g.items); n > batchAbove {
			g.pre = j.stage(g.items[:n], base)
		}
		return g
	default:
		return nil
	}
}

// answerEchoes answers repeats of events that were in the same group, once it
// is known whether those are on disk.
func (j *Journal) answerEchoes(echoes []item, err error) {
	for _, it := range echoes {
		e := it.event()
		switch {
		case it.req.open == 0: // refused for another of its events
		case e.Number > j.numbers.of(e.Source):
			failAll([]item{it}, err)
		default:
			it.req.seqs[it.i] = j.find(e.Source, e.Number)
			it.req.stored()
		}
	}
}

// admit gives numbers and answers requests that are refused or wholly repeats.
func (j *Journal) admit(adm *admission, requests []*request) *group {
	g := &group{adm: adm}
	for _, r := range requests {
		fresh := make([]bool, len(r.evs))
		if err := adm.admit(r.evs, fresh); err != nil {
			r.fail(err)
			continue
		}
		for i, e := range r.evs {
			switch {
			case fresh[i]:
				g.items = append(g.items, item{r, i})
				r.open++
			case e.Number > j.numbers.of(e.Source):
				g.echoes = append(g.echoes, item{r, i})
				r.open++
			default:
				r.seqs[i] = j.find(e.Source, e.Number)
			}
		}
		if r.open == 0 {
			close(r.reply)
		}
	}
	return g
}

// chunk returns how many of items to store at once.
func chunk(items []item) int {
	size := 0
	for n := range items {
		size += len(items[n].msg().payload)
		if n == maxBatch || (n > 0 && size > maxBatchBytes) {
			return n
		}
	}
	return len(items)
}

// accept notes that items are on disk from sequence first on, wakes the
// followers and answers the callers.
func (j *Journal) accept(items []item, first uint64) {
	entries, sizes := make([]events.Entry, len(items)), make([]int, len(items))
	stored := 0
	for i, it := range items {
		e := it.event()
		entries[i] = events.Entry{Seq: first + uint64(i), Event: *e}
		sizes[i] = len(it.msg().payload)
		stored += sizes[i] + messageOverhead
		it.req.seqs[it.i] = entries[i].Seq
		j.numbers.stored(*e)
	}
	j.bytes.Add(uint64(stored))
	j.commits.Add(1)
	j.tail.add(entries, sizes)
	for _, it := range items {
		it.req.stored()
	}
}

// stored notes that one more of r's events is on disk.
func (r *request) stored() {
	if r.open--; r.open == 0 {
		close(r.reply)
	}
}

// messageOverhead is about what headers, subject and framing of a message
// take on disk.
const messageOverhead = 320

func (r *request) fail(err error) {
	r.err = err
	close(r.reply)
}

// failAll answers each request of items that is still open, once.
func failAll(items []item, err error) {
	for _, it := range items {
		if it.req.open > 0 {
			it.req.open = 0
			it.req.fail(err)
		}
	}
}

// room reports an ErrFull if size more bytes would not fit.
func (j *Journal) room(size int) error {
	if j.bytes.Load()+uint64(size) > j.most {
		return j.full(fmt.Sprintf("the stream has %d of %d bytes; raise the limit", j.bytes.Load(), j.most))
	}
	if j.cfg.Dir == "" {
		return nil
	}
	free, err := j.free(j.cfg.Dir)
	if err == nil && free < j.cfg.MinFree+uint64(size) {
		return j.full(fmt.Sprintf("%d bytes are free in %q, %d must stay free; make room", free, j.cfg.Dir, j.cfg.MinFree))
	}
	return nil
}

func (j *Journal) full(detail string) error {
	j.setHealth(StateFull, detail)
	return fmt.Errorf("%w: %s", ErrFull, detail)
}

// errStuck is what Append gets while the journal waits before it tries again.
func errStuck(cause error, at time.Time) error {
	if errors.Is(cause, ErrSecondWriter) {
		return fmt.Errorf("%w: %w", ErrNotStored, cause)
	}
	return fmt.Errorf("%w: the last write failed (%w); trying again at %s", ErrNotStored, cause, at.Format(time.TimeOnly))
}
