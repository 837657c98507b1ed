package ingest

import (
	"errors"
	"os"
	"time"

	"witnessmark/events"
	"witnessmark/ingest/profile"
)

// talk is what we say to a tool without being spoken to: questions to a
// polled one, the start to a streaming one.
type talk struct {
	acquire profile.Acquire
	next    time.Time // when to ask; zero: not now
	timeout time.Time // when a question counts as not answered; zero: none is open
	asked   time.Time
	misses  int // questions in a row that were not answered
}

func newTalk(a profile.Acquire) talk {
	t := talk{acquire: a}
	if a.By != profile.Push {
		t.next = time.Now()
	}
	if a.By == profile.Poll && a.Timeout <= 0 {
		t.acquire.Timeout = max(a.Every, time.Second) // or one lost answer would end the asking
	}
	return t
}

func (t *talk) due() time.Time { return earliest(t.next, t.timeout) }

// held moves what was due while we did not read.
func (t *talk) held(by time.Duration) {
	if !t.timeout.IsZero() {
		t.timeout = t.timeout.Add(by)
	}
}

// command returns what to send.
func (t *talk) command() []byte {
	if t.acquire.By == profile.Stream {
		return t.acquire.Start
	}
	return t.acquire.Ask
}

// heard notes a good frame.
func (t *talk) heard(now time.Time) {
	t.misses = 0
	switch t.acquire.By {
	case profile.Poll:
		t.timeout = time.Time{}
		t.next = later(t.asked.Add(t.acquire.Every), now)
	case profile.Stream:
		if t.acquire.Timeout > 0 {
			t.timeout = now.Add(t.acquire.Timeout)
		}
	}
}

// missed notes that a question was not answered in time.
func (t *talk) missed(now time.Time) {
	t.misses++
	t.timeout = time.Time{}
	t.next = later(t.asked.Add(t.acquire.Every), now)
}

// said notes that a question was sent.
func (t *talk) said(now time.Time) {
	t.asked, t.next = now, time.Time{}
	if t.acquire.Timeout > 0 {
		t.timeout = now.Add(t.acquire.Timeout)
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// ask sends what is to be sent now, and notices a tool that does not answer.
func (s *session) ask(m moment) error {
	t := &s.talk
	if !t.timeout.IsZero() && !m.mono.Before(t.timeout) {
		t.missed(m.mono)
		if t.misses == mutePolls {
			s.mute()
		}
	}
	if t.next.IsZero() || m.mono.Before(t.next) {
		return nil
	}
	t.said(m.mono)
	err := s.line.send(t.command())
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil // it takes no bytes: it will not answer, and that is noticed
	}
	return err
}

// mute says that the line is open and the tool silent.
func (s *session) mute() {
	s.d.changeLink(events.LinkMute, s.d.portInUse(), "the line is open, but the tool does not answer: check that it is on, the cable, and the line settings of the profile")
}

// heard notes that the tool speaks.
func (s *session) heard(m moment) {
	if s.talk.acquire.By == profile.Push {
		return
	}
	if s.talk.misses >= mutePolls {
		s.d.changeLink(events.LinkUp, s.d.portInUse(), "")
	}
	s.talk.heard(m.mono)
}
