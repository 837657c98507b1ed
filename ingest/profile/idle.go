package profile

import (
	"fmt"

	"witnessmark/events"
)

// pushIdle takes bytes where gaps in time end a frame.
func (d *Decoder) pushIdle(b []byte, at events.Instant) {
	if len(d.buf) > 0 && at.Sub(d.last) >= d.p.framing.quiet {
		d.burst()
	}
	d.take(b, at)
	// What lies more than the greatest length back cannot be part of a frame
	// that ends with this burst.
	taken := d.buf
	for len(d.buf) > d.p.framing.max+noiseRun {
		d.emit(d.done+noiseRun, Frame{Reason: ReasonTooLong, Detail: d.tooLong()})
	}
	d.keep(taken)
}

func (d *Decoder) tooLong() string {
	return fmt.Sprintf("no gap of %v within %d bytes", d.p.framing.quiet, d.p.framing.max)
}

// burst decodes what came between two gaps. A frame ends where the burst
// ends; noise before it does not cost it.
func (d *Decoder) burst() {
	if len(d.buf) == 0 {
		return
	}
	to := d.Offset()
	first := max(0, len(d.buf)-d.p.framing.max)
	reason, detail := ReasonTooLong, d.tooLong()
	for i := first; i < len(d.buf) && (i == 0 || d.p.findable()); i++ {
		r, why, what := d.p.decode(d.buf[i:])
		if r != nil {
			d.noise(d.done + uint64(i))
			d.emit(to, Frame{Reading: r})
			break
		}
		if i == 0 {
			reason, detail = why, what
		}
	}
	d.emit(to, Frame{Reason: reason, Detail: detail})
	d.pos, d.buf = d.done, nil
}
