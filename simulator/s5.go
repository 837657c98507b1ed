package simulator

import (
	"context"
	"fmt"
	"strings"
	"time"
)

// s5 is a Velm S5: it sends a reading, waits for the answer to its number,
// and sends the same bytes again until it comes; further pulls queue.
type s5 struct{ *resender }

const s5Resend = 1500 * time.Millisecond

func newS5(b *body) *s5 {
	if b.spec.Resend <= 0 {
		b.spec.Resend = s5Resend
	}
	return &s5{newResender(b, s5Answer)}
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
	r := resent{counter: n, number: fmt.Sprintf("%06d", n), garbled: w.Garble, deaf: w.Deaf}
	for range w.Garble {
		r.frames = append(r.frames, t.garble(good))
	}
	r.frames = append(r.frames, good)
	r.frames[0] = append(t.noise(w.Noise), r.frames[0]...)
	if w.Noise > 0 {
		r.frames = append(r.frames, good)
	}
	t.mu.Unlock()
	return s, t.put(r)
}

// s5Answer reads an answer: ACK, six digits, CR.
func s5Answer(b []byte) (number string, ok bool) {
	if len(b) != 8 || b[0] != 0x06 || b[7] != '\r' || strings.Trim(string(b[1:7]), "0123456789") != "" {
		return "", false
	}
	return string(b[1:7]), true
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
