package profile

import (
	"bytes"
	"fmt"

	"witnessmark/events"
)

// noiseRun is how many bytes of noise make one refusal at most, so that
// memory stays bounded and no byte waits for long. Our own choice: at 1,000
// bytes a second it is one event a second.
const noiseRun = 1024

// Decoder cuts one stream of bytes into frames and decodes them. It keeps
// only what may still become a frame. It is not safe for concurrent use.
//
// What it gives depends on the bytes (and, where gaps in time end a frame, on
// their times), not on how they were cut into calls of Push.
type Decoder struct {
	p     *Profile
	buf   []byte // bytes that are in no frame yet, from offset done on
	done  uint64 // offset in the stream up to which all is in frames
	pos   uint64 // offset where the search goes on; at least done
	lost  bool   // pos is inside a line of unknown beginning; see findable
	claim claim
	marks []mark // when the bytes of buf came
	last  events.Instant
	out   []Frame
}

// claim is a frame that failed. Its bytes are searched for a better one, and
// refused for its reason if there is none.
type claim struct {
	open           bool
	from, to       uint64
	reason, detail string
}

// mark says that the bytes before offset end, and not before the mark before
// it, came at an instant.
type mark struct {
	end uint64
	at  events.Instant
}

// NewDecoder returns a decoder for a stream that begins now: make one each
// time a port is opened.
func (p *Profile) NewDecoder() *Decoder { return &Decoder{p: p} }

// Push takes the next bytes of the stream, which came at an instant, and
// returns the frames that are now complete, in order. b may be used again.
func (d *Decoder) Push(b []byte, at events.Instant) []Frame {
	d.out = nil
	if len(b) == 0 {
		return nil
	}
	if d.p.framing.kind == frameIdle {
		d.pushIdle(b, at)
		return d.out
	}
	d.take(b, at)
	taken := d.buf
	d.search(false)
	d.keep(taken)
	return d.out
}

// Idle says that nothing came until an instant. If the line has been silent
// for Profile.IdleAfter, what is pending ends here: Idle returns it.
func (d *Decoder) Idle(at events.Instant) []Frame {
	d.out = nil
	if len(d.buf) > 0 && at.Sub(d.last) >= d.p.framing.quiet {
		d.end()
	}
	return d.out
}

// Flush ends the stream, as when the port is closed, and returns what was
// pending.
func (d *Decoder) Flush() []Frame {
	d.out = nil
	d.end()
	return d.out
}

// Pending returns how many bytes are in no frame yet.
func (d *Decoder) Pending() int { return len(d.buf) }

// Offset returns how many bytes were taken since the decoder was made.
func (d *Decoder) Offset() uint64 { return d.done + uint64(len(d.buf)) }

func (d *Decoder) end() {
	if d.p.framing.kind == frameIdle {
		d.burst()
		return
	}
	d.search(true)
	d.buf = nil
}

func (d *Decoder) take(b []byte, at events.Instant) {
	d.buf = append(d.buf, b...)
	d.last = at
	if n := len(d.marks); n > 0 && d.marks[n-1].at == at {
		d.marks[n-1].end = d.Offset()
		return
	}
	d.marks = append(d.marks, mark{d.Offset(), at})
}

// keep moves the bytes that are left to the front of the buffer they lie in,
// so that it does not grow with the stream.
func (d *Decoder) keep(taken []byte) {
	if cap(taken) > 64<<10 { // after one great read
		d.buf = bytes.Clone(d.buf)
		return
	}
	d.buf = taken[:copy(taken, d.buf)]
}

// from returns the pending bytes from an offset on.
func (d *Decoder) from(offset uint64) []byte { return d.buf[offset-d.done:] }

// search goes through the bytes from pos on. Final says that no more will
// come, so that nothing is left to wait for. It keeps to one rule: a good
// frame is taken wherever it begins, also inside a bad one, if it can be told
// to begin there; what is passed over is refused.
func (d *Decoder) search(final bool) {
	for b := d.from(d.pos); len(b) > 0; b = d.from(d.pos) {
		if n := d.p.framing.skip(b); n > 0 {
			d.pass(n)
			continue
		}
		n, s := d.p.framing.at(b)
		if !d.p.findable() {
			if !d.step(b, n, s, final) {
				return
			}
			continue
		}
		switch {
		case s == spanMore && !final:
			return
		case s == spanMore:
			d.fail(len(b), ReasonCut, "the frame did not end before the line fell silent")
		case s == spanLong:
			d.fail(n, ReasonTooLong, fmt.Sprintf("no end within %d bytes", d.p.framing.max))
		case s == spanWhole:
			r, reason, detail := d.p.decode(b[:n])
			if r == nil {
				d.fail(n, reason, detail)
				break
			}
			rival := d.rival(d.pos+uint64(n), final)
			if rival == spanMore {
				return
			}
			if rival == spanNone {
				d.accept(n, r)
				continue
			}
		}
		d.pass(1)
	}
	if final {
		d.refuse(d.pos)
		d.lost = false
	}
}

// step takes the frame at pos as a whole, good or bad, where frames are not
// findable. It returns false to wait for more bytes.
func (d *Decoder) step(b []byte, n int, s span, final bool) bool {
	f := Frame{Reason: ReasonTooLong, Detail: fmt.Sprintf("no end within %d bytes", d.p.framing.max)}
	switch {
	case s == spanMore && !final:
		return false
	case s == spanMore:
		n = len(b)
		if !d.lost {
			f.Reason, f.Detail = ReasonCut, "the frame did not end before the line fell silent"
		}
	case s == spanLong:
		d.lost = true
	case d.lost:
		d.lost = false // the next one begins behind this end
	default:
		f.Reading, f.Reason, f.Detail = d.p.decode(b[:n])
	}
	d.emit(d.done+uint64(n), f)
	d.pos = d.done
	return true
}

// rival looks whether a good frame begins right behind the bad one that is
// being searched, where another that ends at to would take its first bytes.
// Then that other one is an accident: a sync byte and a fitting checksum
// within a damaged frame. spanWhole: there is one; spanNone: there is none;
// spanMore: more bytes are needed to know.
func (d *Decoder) rival(to uint64, final bool) span {
	if !d.claim.open || to <= d.claim.to {
		return spanNone
	}
	b := d.from(d.claim.to)
	n, s := d.p.framing.at(b)
	switch {
	case s == spanWhole:
		if r, _, _ := d.p.decode(b[:n]); r != nil {
			return spanWhole
		}
	case s == spanMore && !final:
		return spanMore
	}
	return spanNone
}

// fail notes that a frame of n bytes at pos failed, unless it lies in one
// that did.
func (d *Decoder) fail(n int, reason, detail string) {
	if !d.claim.open {
		d.claim = claim{true, d.pos, d.pos + uint64(n), reason, detail}
	}
}

// pass moves on by n bytes at which no good frame begins.
func (d *Decoder) pass(n int) {
	d.pos += uint64(n)
	if d.claim.open && d.pos >= d.claim.to {
		d.refuse(d.claim.to)
	}
	for !d.claim.open && d.pos-d.done >= noiseRun {
		d.noise(d.done + noiseRun)
	}
}

// accept takes n bytes at pos as a good frame.
func (d *Decoder) accept(n int, r *Reading) {
	d.refuse(d.pos)
	d.emit(d.pos+uint64(n), Frame{Reading: r})
	d.pos = d.done
}

// refuse gives out all that is before an offset: the failed frame if there is
// one, and noise.
func (d *Decoder) refuse(to uint64) {
	if c := d.claim; c.open {
		d.claim = claim{}
		d.noise(c.from)
		if to < c.to {
			c.to, c.reason, c.detail = to, ReasonCut, "a frame begins here, and another one before its end"
		}
		d.emit(c.to, Frame{Reason: c.reason, Detail: c.detail})
	}
	d.noise(to)
}

func (d *Decoder) noise(to uint64) {
	for d.done < to {
		d.emit(min(to, d.done+noiseRun), Frame{Reason: ReasonNoise, Detail: "no frame begins here"})
	}
}

// emit gives out the bytes up to an offset as one frame.
func (d *Decoder) emit(to uint64, f Frame) {
	n := to - d.done
	if n == 0 {
		return
	}
	for d.marks[0].end < to {
		d.marks = d.marks[1:]
	}
	f.Bytes, f.Offset, f.At = bytes.Clone(d.buf[:n]), d.done, d.marks[0].at
	d.buf, d.done = d.buf[n:], to
	d.out = append(d.out, f)
}
