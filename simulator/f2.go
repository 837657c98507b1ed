package simulator

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"witnessmark/events/quantity"
)

// Pressing is one pressing as it truly is: a chamfer that comes in, a run-in
// that friction carries, and, if the part comes home, a steep rise to the
// greatest force. Forces over the ram's travel; the ram moves evenly.
type Pressing struct {
	Peak   quantity.Force // greatest force
	RunIn  quantity.Force // at the end of the run-in; without a seat it is Peak
	Seats  bool           // the part comes home
	Length time.Duration  // of the whole stroke; 0: 2.4 s
}

// force is the true force in N at a share of the stroke's time, 0 to 1.
func (p Pressing) force(at float64) float64 {
	const chamfer, seat = 0.08, 0.88
	run := p.RunIn.Newtons()
	if !p.Seats {
		run = p.Peak.Newtons()
	}
	f := run * (0.85 + 0.15*min(at/seat, 1))
	if at < chamfer {
		f *= at / chamfer
	}
	if p.Seats && at > seat {
		f += (p.Peak.Newtons() - run) * (at - seat) / (1 - seat)
	}
	return f
}

// f2 is a Skerry F2: while it is loaded it sends a line every 20 ms, by its own
// clock, and for one second afterwards.
type f2 struct {
	*body
	ms int64 // its clock
}

const (
	f2Rate  = 20   // ms between lines
	f2After = 1000 // ms of lines after the load is gone
	f2Noise = 12.0 // N, standard deviation; our own choice
)

// Run has nothing to do: an F2 does not listen.
func (t *f2) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}

// Press sends the course of a pressing and returns the greatest force that was
// sent.
func (t *f2) Press(ctx context.Context, p Pressing, w Wire) (Sent, error) {
	t.mu.Lock()
	frames, text := t.frames(p, w)
	s := t.sent(text, 0)
	s.Arrives = t.plugged
	t.mu.Unlock()
	for _, f := range frames {
		if err := t.clock.Sleep(ctx, f2Rate*time.Millisecond); err != nil {
			return Sent{}, err
		}
		if err := t.write(ctx, f); err != nil {
			return Sent{}, err
		}
	}
	return s, nil
}

// frames builds the lines of a pressing. It needs t.mu.
func (t *f2) frames(p Pressing, w Wire) (frames [][]byte, peak string) {
	length := p.Length
	if length <= 0 {
		length = 2400 * time.Millisecond
	}
	n := int(length.Milliseconds() / f2Rate)
	best := math.Inf(-1)
	for i := range 5 + n + f2After/f2Rate {
		force := 0.0
		if k := i - 5; k >= 0 && k < n {
			force = p.force(float64(k) / float64(n-1))
		}
		force += f2Noise * t.rng.NormFloat64()
		v := quantity.Newtons(force * (1 + t.spec.Bias)).Value().In(t.unit)
		text := strconv.FormatFloat(v, 'f', 2, 64)
		if x, _ := strconv.ParseFloat(text, 64); x > best {
			best, peak = x, text
		}
		t.ms += f2Rate
		frames = append(frames, f2Frame(t.ms, v, unitWords[SkerryF2][t.unit], "OK"))
	}
	if w.Garble > 0 {
		frames[len(frames)/2] = t.garble(frames[len(frames)/2])
	}
	if w.Noise > 0 {
		frames[0] = append(t.noise(w.Noise), frames[0]...)
	}
	return frames, peak
}

// f2Frame builds one line by the F2's notes.
func f2Frame(ms int64, v float64, unit, status string) []byte {
	body := fmt.Sprintf("%08d;%+07.2f;%s;%s", ms%100_000_000, v, unit, status)
	sum := byte(0)
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Appendf(nil, "<%s>%02X\r\n", body, sum)
}

var errNoPress = errors.New("it is no press gauge")

// Press of any other tool fails.
func (b *body) Press(context.Context, Pressing, Wire) (Sent, error) {
	return Sent{}, fmt.Errorf("press with %s: %w", b.spec.ID, errNoPress)
}

// presser is a Tool that presses.
type presser interface {
	Press(ctx context.Context, p Pressing, w Wire) (Sent, error)
}
