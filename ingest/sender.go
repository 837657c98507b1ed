package ingest

import (
	"os"
	"sync"
	"time"
)

// sendWithin bounds a write to a tool, which is a dozen bytes: a line that
// takes them no more must not hold up the storing of what it sent.
const sendWithin = 500 * time.Millisecond

// sender writes to one open port, one message at a time, and never after it
// was closed: the descriptor may be somebody else's by then.
type sender struct {
	mu     sync.Mutex
	port   Port
	closed bool
}

// send writes b whole or fails. After close it is os.ErrClosed.
func (s *sender) send(b []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return os.ErrClosed
	}
	if err := s.port.SetWriteDeadline(time.Now().Add(sendWithin)); err != nil {
		return err
	}
	_, err := s.port.Write(b)
	return err
}

// close closes the port.
func (s *sender) close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	return s.port.Close()
}
