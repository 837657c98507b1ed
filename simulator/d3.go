package simulator

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"strconv"
	"sync"
	"time"

	"witnessmark/events/quantity"
)

// d3 is a Pinn D3: it answers each poll with one frame, and streams frames
// when it is told to.
type d3 struct {
	*body
	begin  time.Time // when the probe was last moved
	from   float64   // mm, where it was then
	to     float64   // mm, where it goes
	lifted time.Time // when the probe was last let go
	frame  byte      // number of the next frame

	course     *Course // that the probe follows, nil if none
	courseFrom time.Time
	garbs      int // frames still to be damaged
	noises     int // bytes of noise still to be sent

	writing sync.Mutex // one frame at a time on the line
	rest    func(context.Context, time.Duration) error
}

const (
	d3Rate   = 20 * time.Millisecond  // between streamed frames
	d3Reach  = 12.7                   // mm, its range
	d3Rest   = 400 * time.Millisecond // least time at rest between two measurements, so that they are two
	d3Settle = 60 * time.Millisecond  // time constant of the probe coming to rest; our own choice
	d3Jitter = 0.3                    // standard deviation of the noise, in counts; our own choice
)

func newD3(b *body) *d3 { return &d3{body: b, rest: sleep} }

// step is one count in mm.
func (t *d3) step() float64 {
	if t.unit == quantity.Inch {
		return 0.00005 * 25.4
	}
	return 0.001
}

func (t *d3) Measure(ctx context.Context, v quantity.Length, w Wire) (Sent, error) {
	t.mu.Lock()
	rested := t.clock.Now().Sub(t.lifted)
	t.mu.Unlock()
	if err := t.rest(ctx, d3Rest-rested); err != nil {
		return Sent{}, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	n := counts(v.Millimetres(), t.step())
	t.move(float64(n) * t.step()) // in the middle of a count, so that noise does not make two of it
	t.garbs, t.noises = w.Garble, w.Noise
	text := strconv.FormatFloat(float64(n)*0.001, 'f', 3, 64)
	if t.unit == quantity.Inch {
		text = strconv.FormatFloat(float64(n)*0.00005, 'f', 5, 64)
	}
	s := t.sent(text, 0)
	s.Arrives = t.plugged
	return s, nil
}

// Lift lets the probe go back to its rest position, nought.
func (t *d3) Lift() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.move(0)
	t.lifted = t.begin
	return nil
}

// move needs t.mu.
func (t *d3) move(mm float64) { t.from, t.to, t.begin = t.place(), mm, t.clock.Now() }

// place returns where the probe is now, in mm, without noise. It needs t.mu.
func (t *d3) place() float64 {
	if t.course != nil {
		return t.course.At(t.clock.Now().Sub(t.courseFrom))
	}
	if t.begin.IsZero() {
		return t.to
	}
	gone := t.clock.Now().Sub(t.begin)
	return t.to + (t.from-t.to)*math.Exp(-gone.Seconds()/d3Settle.Seconds())
}

// nextFrame builds the frame of this moment, damaged if that is due.
func (t *d3) nextFrame() []byte {
	t.mu.Lock()
	defer t.mu.Unlock()
	at := t.place()
	status := byte(0)
	if t.unit == quantity.Inch {
		status |= 1
	}
	if math.Abs(at) > d3Reach {
		status |= 4
	}
	frame := d3Frame(status, counts(at+d3Jitter*t.step()*t.rng.NormFloat64(), t.step()), t.frame)
	t.frame++
	if t.garbs > 0 {
		t.garbs--
		frame = t.garble(frame)
	}
	frame = append(t.noise(t.noises), frame...)
	t.noises = 0
	return frame
}

// d3Frame builds one frame by the D3's notes.
func d3Frame(status byte, counts int32, number byte) []byte {
	b := []byte{0xA5, status, 0, 0, 0, 0, number, 0}
	binary.BigEndian.PutUint32(b[2:], uint32(counts))
	for _, c := range b[:7] {
		b[7] ^= c
	}
	return b
}

// Run answers commands until ctx ends.
func (t *d3) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	stream := make(chan bool)
	var streamErr error
	wg.Go(func() {
		defer stop()
		streamErr = t.stream(ctx, stream)
	})
	wg.Go(func() {
		<-ctx.Done()
		t.port.Close() // ends the read; an error here says no more than the read's
	})
	err := t.obey(ctx, stream)
	stop()
	wg.Wait()
	return errors.Join(err, streamErr)
}

// obey reads commands: a letter and CR. Anything else is ignored.
func (t *d3) obey(ctx context.Context, stream chan<- bool) error {
	buf := make([]byte, 64)
	last := byte(0)
	for {
		n, err := t.port.Read(buf)
		if err != nil {
			return endOfLine(t.spec.ID, err)
		}
		for _, c := range buf[:n] {
			if c == '\r' {
				if err := t.command(ctx, last, stream); err != nil {
					return err
				}
			}
			last = c
		}
	}
}

func (t *d3) command(ctx context.Context, letter byte, stream chan<- bool) error {
	switch letter {
	case 'R':
		return t.send()
	case 'S', 'Q':
		select {
		case stream <- letter == 'S':
		case <-ctx.Done():
		}
	}
	return nil
}

// stream sends frames while it is on.
func (t *d3) stream(ctx context.Context, switched <-chan bool) error {
	tick := time.NewTicker(d3Rate)
	defer tick.Stop()
	on := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case on = <-switched:
		case <-tick.C:
			if !on {
				continue
			}
			if err := t.send(); err != nil {
				return err
			}
		}
	}
}

// send writes one frame, in two writes.
func (t *d3) send() error {
	t.writing.Lock()
	defer t.writing.Unlock()
	frame := t.nextFrame()
	for _, piece := range [][]byte{frame[:3], frame[3:]} {
		if _, err := t.port.Write(piece); err != nil {
			return endOfLine(t.spec.ID, err)
		}
	}
	return nil
}
