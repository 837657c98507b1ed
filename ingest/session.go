package ingest

import (
	"context"
	"errors"
	"os"
	"sync"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// readSize is how much is read at once: what a pseudo-terminal or a USB
// adapter may have waiting.
const readSize = 16 << 10

// second is how long a Read is given once its deadline has passed. When the
// machine is busy, bytes and deadline can both be there, and the deadline
// wins; a half frame would be cut although the rest has come.
const second = time.Millisecond

// mutePolls is how many times in a row a tool may leave a question open
// before its link is called mute.
const mutePolls = 3

// session reads one open port.
type session struct {
	d     *device
	port  Port
	line  *sender
	until deadline
	clock clock
	dec   *profile.Decoder
	out   []pending // events of what is being looked at, for one Append

	lastByte time.Time // zero once the decoder has been told of the silence
	staleEnd uint64    // offsets below had waited before the port was opened
	talk     talk
	samples  samples
	held     *held // a reading whose trace is still coming; nil: none
}

func newSession(d *device, p Port) *session {
	s := &session{
		d: d, port: p, line: &sender{port: p}, until: deadline{port: p},
		clock: newClock(d.cfg.Now), dec: d.profile.NewDecoder(), talk: newTalk(d.profile.Acquire()),
	}
	s.samples.d = d
	return s
}

// moment is one instant by three clocks.
type moment struct {
	mono   time.Time      // for durations
	wall   events.Instant // time of receipt; may jump
	steady events.Instant // wall at the beginning, and monotonic from there
}

// run reads until the line hangs up (an error) or ctx ends (nil).
func (s *session) run(ctx context.Context) error {
	defer context.AfterFunc(ctx, s.until.stop)()
	s.takeStale()
	buf := make([]byte, readSize)
	for ctx.Err() == nil {
		if err := s.waitRoom(ctx); err != nil {
			return nil
		}
		if err := s.tick(s.clock.moment(s.d)); err != nil {
			return err
		}
		n, err := s.read(buf)
		if n > 0 {
			s.take(buf[:n], s.clock.moment(s.d))
		}
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return err
		}
	}
	return nil
}

// read reads until the next thing is due.
func (s *session) read(buf []byte) (int, error) {
	due := s.due()
	if err := s.until.set(due); err != nil {
		return 0, err
	}
	n, err := s.port.Read(buf)
	if n > 0 || !errors.Is(err, os.ErrDeadlineExceeded) || !s.impatient(due) {
		return n, err
	}
	if err := s.until.set(time.Now().Add(second)); err != nil {
		return 0, err
	}
	return s.port.Read(buf)
}

// impatient reports whether due is the end of a silence, and not just a
// question to be asked.
func (s *session) impatient(due time.Time) bool {
	return due.Equal(s.idleDue()) || due.Equal(s.talk.timeout) || due.Equal(s.heldDue())
}

// waitRoom returns once events can be taken. Silence that we made ourselves
// is no silence of the tool.
func (s *session) waitRoom(ctx context.Context) error {
	before := time.Now()
	err := s.d.store.waitRoom(ctx)
	if held := time.Since(before); held > second {
		if !s.lastByte.IsZero() {
			s.lastByte = time.Now()
		}
		s.talk.held(held)
		if s.held != nil {
			s.held.due = s.held.due.Add(held)
		}
	}
	return err
}

// takeStale takes what had waited in the line.
func (s *session) takeStale() {
	p, ok := s.port.(interface{ Stale() []byte })
	if !ok || len(p.Stale()) == 0 {
		return
	}
	s.staleEnd = uint64(len(p.Stale()))
	s.take(p.Stale(), s.clock.moment(s.d))
	s.d.log.Info("bytes had waited in the line", "bytes", s.staleEnd)
}

// take decodes bytes that have just come.
func (s *session) take(b []byte, m moment) {
	s.lastByte = m.mono
	s.d.count(func(st *DeviceStatus) { st.Bytes += uint64(len(b)) })
	s.frames(s.dec.Push(b, m.steady), m)
	s.flush()
}

// flush hands on what was found, all for one Append.
func (s *session) flush() {
	if len(s.out) > 0 {
		s.d.store.put(s.out)
		clear(s.out)
		s.out = s.out[:0]
	}
}

// due returns when something is to be done even if nothing comes; zero: never.
func (s *session) due() time.Time {
	return earliest(s.idleDue(), s.talk.due(), s.samples.due(), s.heldDue())
}

func (s *session) idleDue() time.Time {
	if s.lastByte.IsZero() {
		return time.Time{}
	}
	return s.lastByte.Add(s.d.profile.IdleAfter())
}

// tick does what is due.
func (s *session) tick(m moment) error {
	if due := s.idleDue(); !due.IsZero() && !m.mono.Before(due) {
		s.lastByte = time.Time{}
		s.frames(s.dec.Idle(m.steady), m)
	}
	if due := s.heldDue(); !due.IsZero() && !m.mono.Before(due) {
		s.giveUp(m, "its trace did not become whole in time")
	}
	if due := s.samples.due(); !due.IsZero() && !m.mono.Before(due) {
		s.add(s.samples.flush(m.wall)...)
	}
	s.flush()
	return s.ask(m)
}

// end takes what is still to be had when the line is given up.
func (s *session) end(ctx context.Context) {
	m := s.clock.moment(s.d)
	s.frames(s.dec.Flush(), m)
	s.giveUp(m, "the line ended before its trace was whole")
	s.add(s.samples.flush(m.wall)...)
	s.flush()
	if s.d.detector != nil {
		s.d.detector.Break()
	}
	if stop := s.d.profile.Acquire().Stop; len(stop) > 0 && ctx.Err() != nil {
		if err := s.line.send(stop); err != nil {
			s.d.log.Debug("stream not stopped", "err", err)
		}
	}
}

func (s *session) add(ps ...pending) { s.out = append(s.out, ps...) }

// earliest returns the earliest of ts that is not zero, or zero.
func earliest(ts ...time.Time) (t time.Time) {
	for _, u := range ts {
		if !u.IsZero() && (t.IsZero() || u.Before(t)) {
			t = u
		}
	}
	return t
}

// deadline is the end of the present Read. Once stopped it stays in the past.
type deadline struct {
	mu      sync.Mutex
	port    Port
	at      time.Time
	stopped bool
}

func (d *deadline) set(t time.Time) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stopped || t.Equal(d.at) {
		return nil
	}
	d.at = t
	return d.port.SetReadDeadline(t)
}

func (d *deadline) stop() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stopped = true
	_ = d.port.SetReadDeadline(time.Unix(1, 0)) // fails only if it is closed already
}
