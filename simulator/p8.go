package simulator

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	"witnessmark/events/quantity"
)

// p8 is a Quarle P8: a press gauge with a probe beside the ram. While it is
// loaded and for one second afterwards it sends a line every 10 ms, by its own
// clock. (The lines that it sends at rest are left out.)
type p8 struct {
	*body
	ms int64 // its clock
}

const (
	p8Rate   = 10    // ms between lines
	p8Before = 30    // lines from when the force is first felt to the part
	p8After  = 1000  // ms of lines after the load is gone
	p8Noise  = 4.0   // N, standard deviation; our own choice
	p8From   = 31.0  // mm, where the probe stands when the part is met
	p8Speed  = 0.015 // mm in each ms: how fast the ram goes in
)

// Run has nothing to do: a P8 does not listen.
func (t *p8) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}

// Press sends the course of a pressing and returns the greatest force that was
// sent.
func (t *p8) Press(ctx context.Context, p Pressing, w Wire) (Sent, error) {
	t.mu.Lock()
	frames, text := t.frames(p, w)
	s := t.sent(text, 0)
	s.Arrives = t.plugged
	t.mu.Unlock()
	for _, f := range frames {
		if err := t.clock.Sleep(ctx, p8Rate*time.Millisecond); err != nil {
			return Sent{}, err
		}
		if err := t.write(ctx, f); err != nil {
			return Sent{}, err
		}
	}
	return s, nil
}

// frames builds the lines of a pressing. It needs t.mu.
func (t *p8) frames(p Pressing, w Wire) (frames [][]byte, peak string) {
	length := p.Length
	if length <= 0 {
		length = 2400 * time.Millisecond
	}
	n := int(length.Milliseconds() / p8Rate)
	best := math.Inf(-1)
	for i := range p8Before + n + p8After/p8Rate {
		k := min(max(i-p8Before, 0), n-1) // of the stroke; the ram stays where it came to
		force := 0.0
		if i >= p8Before && i < p8Before+n {
			force = p.force(float64(k) / float64(n-1))
		}
		force += p8Noise * t.rng.NormFloat64()
		v := quantity.Newtons(force * (1 + t.spec.Bias)).Value().In(t.unit)
		text := strconv.FormatFloat(v, 'f', 3, 64)
		if x, _ := strconv.ParseFloat(text, 64); x > best {
			best, peak = x, text
		}
		t.ms += p8Rate
		frames = append(frames, p8Frame(t.ms, v, unitWords[QuarleP8][t.unit], p8From+p8Speed*p8Rate*float64(k)))
	}
	if w.Garble > 0 {
		frames[len(frames)/2] = t.garble(frames[len(frames)/2])
	}
	if w.Noise > 0 {
		frames[0] = append(t.noise(w.Noise), frames[0]...)
	}
	return frames, peak
}

// p8Frame builds one line by the P8's notes; travel is in mm.
func p8Frame(ms int64, v float64, unit string, travel float64) []byte {
	body := fmt.Sprintf("%08d %+07.3f%s %+08.3fMM 0", ms%100_000_000, v, unit, travel)
	sum := byte(0)
	for i := range len(body) {
		sum += body[i]
	}
	return fmt.Appendf(nil, "%%%s %02X\r\n", body, sum)
}
