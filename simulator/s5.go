package simulator

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"
)

// s5 is a Velm S5: it sends a reading, waits for the answer to its number,
// and sends the same bytes again until it comes; further pulls queue.
type s5 struct {
	*body
	queue chan s5Reading
	heard chan string // numbers that the host has answered
}

type s5Reading struct {
	number string
	frames [][]byte // what is sent first, second, …; the last for ever
	deaf   int
}

const (
	s5Queue  = 64
	s5Tries  = 21 // once and up to 20 times again
	s5Resend = 1500 * time.Millisecond
)

func newS5(b *body) *s5 {
	if b.spec.Resend <= 0 {
		b.spec.Resend = s5Resend
	}
	return &s5{body: b, queue: make(chan s5Reading, s5Queue), heard: make(chan string, s5Queue)}
}

func (t *s5) Pull(ctx context.Context, p Pull, w Wire) (Sent, error) {
	t.mu.Lock()
	text, err := t.shown(p)
	if err != nil {
		t.mu.Unlock()
		return Sent{}, err
	}
	n := t.next(1000000)
	s := t.sent(text, n)
	good := s5Frame(n, '+', text, unitWords[VelmS5][t.unit], '0', min(p.Duration.Milliseconds(), 99999))
	r := s5Reading{number: fmt.Sprintf("%06d", n), deaf: w.Deaf}
	for range w.Garble {
		r.frames = append(r.frames, t.garble(good))
	}
	r.frames = append(r.frames, good)
	r.frames[0] = append(t.noise(w.Noise), r.frames[0]...)
	if w.Noise > 0 {
		r.frames = append(r.frames, good)
	}
	t.mu.Unlock()
	select {
	case t.queue <- r:
		return s, nil
	default:
		return Sent{}, fmt.Errorf("pull with %s: its memory is full; nobody answers it", t.spec.ID)
	}
}

// Run sends what is queued and listens for answers.
func (t *s5) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	var listenErr error
	wg.Go(func() {
		defer stop()
		listenErr = t.listen(ctx)
	})
	err := t.send(ctx)
	stop()
	closeErr := t.port.Close() // ends the read
	wg.Wait()
	return errors.Join(err, listenErr, closeErr)
}

func (t *s5) send(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case r := <-t.queue:
			if err := t.deliver(ctx, r); err != nil && ctx.Err() == nil {
				return err
			}
		}
	}
}

// deliver sends r until it is answered, or given up.
func (t *s5) deliver(ctx context.Context, r s5Reading) error {
	for try := range s5Tries {
		if err := t.write(ctx, r.frames[min(try, len(r.frames)-1)]); err != nil {
			return err
		}
		timer := time.NewTimer(t.spec.Resend)
		answered, err := t.await(ctx, timer.C, &r)
		timer.Stop()
		if answered || err != nil {
			return err
		}
	}
	return nil
}

// await waits for the answer to r until the timer fires.
func (t *s5) await(ctx context.Context, timer <-chan time.Time, r *s5Reading) (bool, error) {
	for {
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-timer:
			return false, nil
		case number := <-t.heard:
			if number != r.number {
				continue // to one that it no longer holds
			}
			if r.deaf > 0 {
				r.deaf--
				continue
			}
			return true, nil
		}
	}
}

// listen reads answers: ACK, six digits, CR. Anything else is ignored.
func (t *s5) listen(ctx context.Context) error {
	var got []byte
	buf := make([]byte, 64)
	for {
		n, err := t.port.Read(buf)
		if err != nil {
			return endOfLine(t.spec.ID, err)
		}
		for _, c := range buf[:n] {
			if c == 0x06 {
				got = got[:0]
			}
			got = append(got, c)
			if number, ok := s5Answer(got); ok {
				select {
				case t.heard <- number:
				case <-ctx.Done():
					return nil
				}
			}
			if len(got) >= 8 {
				got = got[:0]
			}
		}
	}
}

func s5Answer(b []byte) (number string, ok bool) {
	if len(b) != 8 || b[0] != 0x06 || b[7] != '\r' || strings.Trim(string(b[1:7]), "0123456789") != "" {
		return "", false
	}
	return string(b[1:7]), true
}

// endOfLine returns nil if err only says that the port was closed.
func endOfLine(tool string, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, os.ErrClosed) || errors.Is(err, io.ErrClosedPipe) {
		return nil
	}
	return fmt.Errorf("read from the line of %s: %w", tool, err)
}

// s5Frame builds one frame by the S5's notes. text has two decimals.
func s5Frame(number uint64, sign byte, text, unit string, status byte, ms int64) []byte {
	magnitude := strings.Replace(text, ".", "", 1)
	for len(magnitude) < 7 {
		magnitude = "0" + magnitude
	}
	body := fmt.Sprintf("T%06d%c%s%s%c%05d", number, sign, magnitude, unit, status, ms)
	return fmt.Appendf(nil, "\x02%s%04X\x03", body, modbus([]byte(body)))
}

// modbus is CRC-16/MODBUS: polynomial x¹⁶+x¹⁵+x²+1 reflected, start FFFF.
func modbus(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
