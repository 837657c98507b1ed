package journal

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"

	"witnessmark/events"
)

// A shared journal has several writing processes. Each source still has one
// writer at a time, and what it publishes carries the sequence of the source's
// event before (Nats-Expected-Last-Subject-Sequence). So the server itself
// refuses whoever does not know the newest event of a source, be it one that
// was stalled and wakes up, or a message that was long on its way.

// shared is what a process knows of a journal that others write to as well.
type shared struct {
	mu    sync.Mutex
	ends  map[string]end // by source; one that is missing is asked for
	acked atomic.Uint64  // greatest sequence that was acknowledged to this process
	name  string         // of this process and this run, told with each event
}

// headerWriter tells which process wrote an event of a shared journal, so that
// one that gets no answer knows its own from the same from another. It is no
// part of the event.
const headerWriter = "Witnessmark-Writer"

// WriterOf returns the Config.Writer of the process that wrote a message of a
// shared journal.
func WriterOf(h nats.Header) string {
	name := h.Get(headerWriter)
	return name[:max(0, strings.LastIndexByte(name, '/'))]
}

// writerName is c.Writer and a part that was never used before.
func writerName(c Config) string {
	b := make([]byte, 6)
	rand.Read(b) // never fails
	return c.Writer + "/" + hex.EncodeToString(b)
}

// end is the last event of a source.
type end struct{ number, seq uint64 }

// end returns what is known of a source's end.
func (s *shared) end(source string) (end, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.ends[source]
	return e, ok
}

// saw notes an event of a source that is on disk.
func (s *shared) saw(source string, e end) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ends == nil {
		s.ends = map[string]end{}
	}
	if e.seq >= s.ends[source].seq {
		s.ends[source] = e
	}
}

// find returns the sequence of an event that is among the newest in memory, 0
// if it is not.
func (j *Journal) find(source string, number uint64) uint64 {
	if seq := j.tail.find(source, number); seq != 0 {
		return seq
	}
	if e, ok := j.shared.end(source); ok && e.number == number { // the feed has not come so far yet
		return e.seq
	}
	return 0
}

// AppendAfter stores evs, all of one source and without numbers, if the last
// event of that source is the one at sequence after (0: there is none). If it
// is another one, nothing is stored and the error is ErrOvertaken: whoever
// decides by what came before must look again. It needs a shared journal.
func (j *Journal) AppendAfter(ctx context.Context, after uint64, evs ...events.Event) ([]uint64, error) {
	if !j.cfg.Shared {
		return nil, fmt.Errorf("%w: append after %d: this journal is not opened as shared", ErrNotStored, after)
	}
	if len(evs) == 0 {
		return nil, nil
	}
	if err := oneSource(evs); err != nil {
		return nil, err
	}
	r, err := newRequest(j.names, evs)
	if err != nil {
		return nil, err
	}
	r.after = &after
	return j.send(ctx, r)
}

// oneSource refuses what AppendAfter does not take.
func oneSource(evs []events.Event) error {
	for _, e := range evs {
		if e.Source != evs[0].Source || e.Number != 0 {
			return fmt.Errorf("%w: append event %d of source %q after one of %q: want one source and no numbers", ErrNotStored, e.Number, e.Source, evs[0].Source)
		}
	}
	return nil
}

// Conn is the connection to the NATS server of a shared journal, for what its
// processes have to tell one another; nil of any other. It is not to be closed.
func (j *Journal) Conn() *nats.Conn {
	j.mu.Lock()
	defer j.mu.Unlock()
	if !j.cfg.Shared || j.session == nil {
		return nil
	}
	return j.session.nc
}

// patiently calls fn again while a shared journal's servers do not answer: a
// cluster that has just been started has no leader for some seconds.
func (j *Journal) patiently(ctx context.Context, fn func(context.Context) error) error {
	if !j.cfg.Shared {
		return fn(ctx)
	}
	until := time.Now().Add(3 * j.patience())
	for {
		one, cancel := context.WithTimeout(ctx, 2*j.cfg.AckTimeout)
		err := fn(one)
		cancel()
		var api *jetstream.APIError
		away := isTransport(err) || errors.As(err, &api) && api.Code == 503
		if err == nil || !away || ctx.Err() != nil || time.Now().After(until) {
			return err
		}
		j.log.Warn("the NATS server does not answer yet; trying again", "err", err)
		j.pause(sharedMostWait)
	}
}

// writeShared is the one goroutine that publishes to a shared journal.
func (j *Journal) writeShared() {
	defer j.w.ended.Done()
	for {
		select {
		case <-j.stop:
			j.refuseQueued()
			return
		case r := <-j.queue:
			j.commitShared(j.gather(r))
		}
	}
}

// places holds, by source, the event that the next one is to follow on.
type places map[string]end

func (j *Journal) commitShared(requests []*request) {
	adm := &admission{disk: &j.numbers, pending: map[string]uint64{}}
	g, at := &group{adm: adm}, places{}
	for _, r := range requests {
		if err := j.findPlaces(r, adm, at); err != nil {
			r.fail(err)
			continue
		}
		one := j.admit(adm, []*request{r})
		g.items, g.echoes = append(g.items, one.items...), append(g.echoes, one.echoes...)
	}
	err := j.storeShared(g.items, at)
	j.answerEchoes(g.echoes, err)
}

// findPlaces learns on which events those of r are to follow, and refuses an
// AppendAfter whose place is taken.
func (j *Journal) findPlaces(r *request, adm *admission, at places) error {
	for i := range r.evs {
		source := r.evs[i].Source
		if _, known := at[source]; known {
			continue
		}
		e, err := j.endOf(source)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrNotStored, plainly(err))
		}
		at[source], adm.pending[source] = e, e.number
	}
	source := r.evs[0].Source
	if r.after == nil || at[source].seq == *r.after && adm.pending[source] == at[source].number {
		return nil
	}
	return fmt.Errorf("%w: the last event of source %q is event %d at %d, not one at %d", ErrOvertaken, source, at[source].number, at[source].seq, *r.after)
}

// sharedBatchAbove is how many events must be at hand for an atomic batch to
// pay, where none may be sent before the one before it is stored.
const sharedBatchAbove = 8

// storeShared puts items on disk and answers their requests. After a fault it
// looks what is there and goes on with the rest, for as long as patience
// lasts: a cluster needs some seconds to choose a new leader.
func (j *Journal) storeShared(items []item, at places) error {
	until, wait := time.Now().Add(j.patience()), sharedWait
	says := time.Now().Add(j.cfg.AckTimeout)
	var last error
	for items = stillOpen(items); len(items) > 0; items = stillOpen(items) {
		if last = j.room(sizeOf(items)); last != nil {
			failAll(items, last)
			break
		}
		n := 1
		if len(items) > sharedBatchAbove {
			n = chunk(items)
		}
		err := j.publishShared(items[:n], at)
		got := err == nil
		if err != nil {
			var lookErr error
			got, lookErr = j.settleShared(items, at)
			err = errors.Join(err, lookErr)
		}
		switch {
		case got:
			j.healthy()
			until, wait, last = time.Now().Add(j.patience()), sharedWait, nil
			says = time.Now().Add(j.cfg.AckTimeout)
		case isFull(err):
			last = j.full(fmt.Sprintf("the server has no room (%v); raise the limit or make room", err))
			failAll(items, last)
		case time.Now().After(until) || j.closed.Load():
			last = fmt.Errorf("%w: %w", ErrUnknown, plainly(err))
			j.stuckShared(err)
			failAll(items, last)
		default:
			j.log.Warn("journal got no good answer; looking what is there, and trying again", "err", err, "wait_ms", wait.Milliseconds())
			if time.Now().After(says) {
				j.stuckShared(err)
			}
			j.pause(wait)
			wait = min(2*wait, sharedMostWait)
		}
	}
	return last
}

// stuckShared says that nothing goes to disk now.
func (j *Journal) stuckShared(err error) {
	j.setHealth(StateStuck, fmt.Sprintf("%v; trying again all the time; see to the server", j.whyAway(plainly(err))))
}

// Waits between tries to publish to a shared journal.
const (
	sharedWait     = 20 * time.Millisecond
	sharedMostWait = 500 * time.Millisecond
)

// patience is how long to go on trying before the caller is told.
func (j *Journal) patience() time.Duration { return 5 * j.cfg.AckTimeout }

func (j *Journal) pause(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-j.stop:
	}
}

// stillOpen leaves out the items whose requests are answered.
func stillOpen(items []item) []item {
	n := 0
	for _, it := range items {
		if it.req.open > 0 && it.req.seqs[it.i] == 0 {
			items[n] = it
			n++
		}
	}
	return items[:n]
}

// publishShared stores all of items, in order, or none; it accepts them.
func (j *Journal) publishShared(items []item, at places) error {
	ctx, cancel := context.WithTimeout(context.Background(), j.ackTime(len(items)))
	defer cancel()
	s, err := j.waitSession(ctx)
	if err != nil {
		return err
	}
	if j.w.faults.before != nil {
		if err := j.w.faults.before(); err != nil {
			return err
		}
	}
	last, err := s.publishAfter(ctx, j.sharedMessages(items), items, at)
	if err == nil && j.w.faults.after != nil {
		err = j.w.faults.after()
	}
	if err != nil {
		return err
	}
	for i, it := range items {
		j.acceptShared(it, last-uint64(len(items)-1-i), at)
	}
	return nil
}

func (j *Journal) sharedMessages(items []item) []*nats.Msg {
	msgs := j.names.messages(items)
	for _, m := range msgs {
		m.Header[headerWriter] = []string{j.shared.name}
	}
	return msgs
}

// publishAfter publishes msgs, which are items, the first of each source at
// its place, and returns the sequence of the last.
func (s *session) publishAfter(ctx context.Context, msgs []*nats.Msg, items []item, at places) (uint64, error) {
	if len(items) == 1 {
		ack, err := s.js.PublishMsg(ctx, msgs[0],
			jetstream.WithExpectLastSequencePerSubject(at[items[0].event().Source].seq), jetstream.WithRetryAttempts(0))
		if err != nil {
			return 0, err
		}
		return ack.Sequence, nil
	}
	b, err := jetstreamext.NewBatchPublisher(s.js, jetstreamext.BatchFlowControl{AckFirst: false})
	if err != nil {
		return 0, err
	}
	at = maps.Clone(at)
	for i, it := range items {
		var opts []jetstreamext.BatchMsgOpt
		if e, first := at[it.event().Source]; first {
			opts = append(opts, jetstreamext.WithBatchExpectLastSequencePerSubject(e.seq))
			delete(at, it.event().Source)
		}
		if i == len(items)-1 {
			ack, err := b.CommitMsg(ctx, msgs[i], opts...)
			if err != nil {
				return 0, err
			}
			return ack.Sequence, nil
		}
		if err := b.AddMsg(msgs[i], opts...); err != nil {
			return 0, err
		}
	}
	return 0, errors.New("publish nothing")
}

// acceptShared notes that an item is on disk and answers its request.
func (j *Journal) acceptShared(it item, seq uint64, at places) {
	e := it.event()
	it.req.seqs[it.i] = seq
	at[e.Source] = end{e.Number, seq}
	j.numbers.stored(*e)
	j.shared.saw(e.Source, at[e.Source])
	j.shared.acked.Store(max(j.shared.acked.Load(), seq))
	j.commits.Add(1)
	it.req.stored()
}

// settleShared finds out, after a failed publish, which of items are on disk,
// and accepts those. Where another process has written the next event of a
// source, the items that were to be that one are refused. It reports whether
// it got on.
func (j *Journal) settleShared(items []item, at places) (got bool, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), j.ackTime(len(items)))
	defer cancel()
	s, err := j.waitSession(ctx)
	if err != nil {
		return false, err
	}
	done := map[string]bool{}
	for _, it := range items {
		source := it.event().Source
		if done[source] {
			continue
		}
		done[source] = true
		some, err := j.settleSource(ctx, s, of(source, items), at)
		got = got || some
		if err != nil {
			return got, err
		}
	}
	return got, nil
}

// settleSource looks at what follows on the place of items, which are all of
// one source.
func (j *Journal) settleSource(ctx context.Context, s *session, items []item, at places) (got bool, err error) {
	source := items[0].event().Source
	for len(items) > 0 {
		m, err := s.next(ctx, items[0].msg().subject, at[source].seq+1)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return got, nil
		}
		if err != nil {
			return got, fmt.Errorf("look for event %d of source %q: %w", at[source].number+1, source, err)
		}
		head, _, err := j.names.head(m.Header)
		if err != nil {
			return got, fmt.Errorf("read entry %d back: %w", m.Sequence, err)
		}
		got = true
		if sameEvent(items[0], head, m) && m.Header.Get(headerWriter) == j.shared.name {
			j.acceptShared(items[0], m.Sequence, at)
			items = items[1:]
			continue
		}
		at[source] = end{head.Number, m.Sequence}
		j.shared.saw(source, at[source])
		j.numbers.stored(head)
		if renumber(items, head.Number) {
			continue
		}
		failAll(items, fmt.Errorf("%w: event %d of source %q is there at %d, and not from this one", ErrOvertaken, head.Number, source, m.Sequence))
		return got, nil
	}
	return got, nil
}

// of returns the items of a source.
func of(source string, items []item) (some []item) {
	for _, it := range items {
		if it.event().Source == source {
			some = append(some, it)
		}
	}
	return some
}

// renumber gives items the numbers after last, if the journal gave them
// theirs; it reports whether it did.
func renumber(items []item, last uint64) bool {
	for _, it := range items {
		if it.req.after != nil || !it.req.auto[it.i] {
			return false
		}
	}
	for i, it := range items {
		it.event().Number = last + uint64(i) + 1
	}
	return true
}

// endOf returns the last event of a source, as far as this process knows; it
// asks the server about one that it knows nothing of.
func (j *Journal) endOf(source string) (end, error) {
	if e, ok := j.shared.end(source); ok {
		return e, nil
	}
	subject, err := j.names.subject(source)
	if err != nil {
		return end{}, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), j.cfg.AckTimeout)
	defer cancel()
	s, err := j.waitSession(ctx)
	if err != nil {
		return end{}, err
	}
	m, err := s.getMsg(ctx, map[string]any{"last_by_subj": subject})
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		j.shared.saw(source, end{})
		return end{}, nil
	case err != nil:
		return end{}, fmt.Errorf("look for the last event of source %q: %w", source, err)
	}
	head, _, err := j.names.head(m.Header)
	if err != nil {
		return end{}, fmt.Errorf("read entry %d back: %w", m.Sequence, err)
	}
	e := end{head.Number, m.Sequence}
	j.shared.saw(source, e)
	j.numbers.stored(head)
	return e, nil
}

// next reads the first event of a subject from sequence seq on.
func (s *session) next(ctx context.Context, subject string, seq uint64) (*jetstream.RawStreamMsg, error) {
	return s.getMsg(ctx, map[string]any{"next_by_subj": subject, "seq": seq})
}

// getMsg asks the leader of the stream. The client's own calls may ask any
// replica, which may not have the newest events yet.
func (s *session) getMsg(ctx context.Context, ask map[string]any) (*jetstream.RawStreamMsg, error) {
	b, err := json.Marshal(ask)
	if err != nil {
		return nil, err
	}
	reply, err := s.nc.RequestWithContext(ctx, "$JS.API.STREAM.MSG.GET."+s.name, b)
	if err != nil {
		return nil, err
	}
	var answer struct {
		Error   *jetstream.APIError `json:"error"`
		Message *struct {
			Seq  uint64 `json:"seq"`
			Hdrs []byte `json:"hdrs"`
			Data []byte `json:"data"`
		} `json:"message"`
	}
	switch err := json.Unmarshal(reply.Data, &answer); {
	case err != nil:
		return nil, fmt.Errorf("read the server's answer: %w", err)
	case answer.Error != nil && answer.Error.ErrorCode == jetstream.JSErrCodeMessageNotFound:
		return nil, jetstream.ErrMsgNotFound
	case answer.Error != nil:
		return nil, answer.Error
	case answer.Message == nil:
		return nil, errors.New("the server answered with no message")
	}
	h, err := nats.DecodeHeadersMsg(answer.Message.Hdrs)
	if err != nil {
		return nil, fmt.Errorf("read headers of entry %d: %w", answer.Message.Seq, err)
	}
	return &jetstream.RawStreamMsg{Sequence: answer.Message.Seq, Header: h, Data: answer.Message.Data}, nil
}
