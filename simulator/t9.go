package simulator

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// t9 is a Tarn T9: it sends a summary and the whole pull in blocks, waits for
// the answer to its number, and sends all of it again until it comes.
type t9 struct{ *resender }

const (
	t9Resend = 2500 * time.Millisecond
	t9Most   = 6000 // samples
	t9Block  = 240  // samples of one block
	t9Period = time.Millisecond
)

func newT9(b *body) *t9 {
	if b.spec.Resend <= 0 {
		b.spec.Resend = t9Resend
	}
	return &t9{newResender(b, t9Answer)}
}

func (t *t9) Pull(_ context.Context, p Pull, w Wire) (Sent, error) {
	t.mu.Lock()
	text, err := t.shown(p)
	if err != nil {
		t.mu.Unlock()
		return Sent{}, err
	}
	n := t.next(1 << 16)
	s := t.sent(text, n)
	trace := t.trace(p, s)
	good := t9Pull(n, text, unitWords[TarnT9][t.unit], p, len(trace))
	whole := good
	for first := 0; first < len(trace); first += t9Block {
		whole = append(whole, t9Samples(n, first, trace[first:min(first+t9Block, len(trace))])...)
	}
	r := resent{counter: n, number: strconv.FormatUint(n, 10), garbled: w.Garble, deaf: w.Deaf}
	for range w.Garble {
		r.frames = append(r.frames, append(t.garble(good), whole[len(good):]...))
	}
	r.frames = append(r.frames, whole)
	if w.Noise > 0 {
		r.frames, r.garbled = [][]byte{append(t.noise(w.Noise), whole...), whole}, 0
	}
	t.mu.Unlock()
	return s, t.put(r)
}

// t9Sample is one sample as sent: torque in 0.02 of the unit, angle in 0.1°.
type t9Sample struct{ torque, angle int16 }

// Of the trace: strain noise 0.1 % of the peak, and the angle of the wrench's
// own wind-up, 0.02° for each N·m: our own choice. Open measurements of
// station traces have a noise of 0.09 to 0.24 % of the peak and a knee at 22 to
// 53 % of it; ours lies at 22 %, after 44 % of the rotation.
const (
	traceNoise = 0.001
	windUpRate = 0.02
	kneeAt     = 0.5  // of the peak, on the straight line of a Pull
	kneeTorque = 0.22 // of the peak, as it is
)

// kneed bends the straight rise of a new fastener's pull: parts first come
// together, then the bolt is stretched. x and the result are shares of the peak.
func kneed(x float64) float64 {
	switch {
	case x <= threshold:
		return x
	case x <= kneeAt:
		return threshold + (x-threshold)*(kneeTorque-threshold)/(kneeAt-threshold)
	}
	return kneeTorque + (x-kneeAt)*(1-kneeTorque)/(1-kneeAt)
}

// trace is what the wrench saw of a pull, its greatest torque being what it
// reports. It needs t.mu.
func (t *t9) trace(p Pull, s Sent) []t9Sample {
	peak, _ := strconv.ParseFloat(s.Text, 64)
	if peak <= 0 || len(p.Swings) == 0 {
		return nil
	}
	samples := p.Trace(t9Period)
	if len(samples) > t9Most { // of a long pull the last part, which counts
		samples = samples[len(samples)-t9Most:]
	}
	top := p.Peak.NewtonMetres()
	bent := p.Swings[0].From.NewtonMetres() <= 1.01*threshold*top // it was loose
	out := make([]t9Sample, 0, len(samples))
	for _, x := range samples {
		share := x.Torque.NewtonMetres() / top
		if bent {
			share = kneed(share)
		}
		noisy := math.Min(peak*(share+traceNoise*t.rng.NormFloat64()), peak)
		angle := x.Angle.Degrees() + windUpRate*share*top
		out = append(out, t9Sample{int16(counts(noisy, 0.02)), int16(counts(angle, 0.1))})
	}
	return out
}

// t9Pull builds the summary by the T9's notes. text has two decimals.
func t9Pull(number uint64, text, unit string, p Pull, samples int) []byte {
	hundredths, _ := strconv.ParseInt(strings.Replace(text, ".", "", 1), 10, 32) // shown holds it to 100,000
	le := binary.LittleEndian
	b := le.AppendUint16([]byte{'P'}, uint16(number))
	b = le.AppendUint32(b, uint32(int32(hundredths)))
	b = append(b, unit[0], 0)
	b = le.AppendUint16(b, uint16(min(counts(p.Angle.Degrees(), 0.1), math.MaxInt16)))
	b = le.AppendUint16(b, uint16(min(p.Duration.Milliseconds(), math.MaxUint16)))
	return t9Frame(le.AppendUint16(b, uint16(samples)))
}

// t9Samples builds a block of samples.
func t9Samples(number uint64, first int, samples []t9Sample) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16([]byte{'S'}, uint16(number))
	b = le.AppendUint16(b, uint16(first))
	b = le.AppendUint16(b, uint16(t9Period.Microseconds()))
	for _, x := range samples {
		b = le.AppendUint16(le.AppendUint16(b, uint16(x.torque)), uint16(x.angle))
	}
	return t9Frame(b)
}

// t9Frame is mark, length, content, CRC.
func t9Frame(content []byte) []byte {
	b := binary.LittleEndian.AppendUint16([]byte{0xC5, 0x3A}, uint16(len(content)))
	b = append(b, content...)
	return binary.LittleEndian.AppendUint16(b, modbus(b[2:]))
}

// t9Answer reads an answer: K, five digits, LF.
func t9Answer(b []byte) (number string, ok bool) {
	if len(b) != 7 || b[0] != 'K' || b[6] != '\n' {
		return "", false
	}
	n, err := strconv.ParseUint(string(b[1:6]), 10, 16)
	return fmt.Sprint(n), err == nil
}
