package profile

import (
	"bytes"
	"time"
)

// framingKind names how a frame's beginning and end are known.
type framingKind string

const (
	frameLine  framingKind = "line"    // ends with a terminator; may begin with a mark
	frameSTX   framingKind = "stx_etx" // between two marks, with a tail of fixed length after the second
	frameFixed framingKind = "fixed"   // so many bytes; may begin with sync bytes
	frameIdle  framingKind = "idle"    // between two gaps in time
	frameCount framingKind = "counted" // begins with sync bytes and says itself how long it is
)

// framing is how the stream is cut.
type framing struct {
	kind  framingKind
	start []byte // line: mark, may be empty; stx_etx: one byte; fixed: sync, may be empty
	end   []byte // line: terminator; stx_etx: one byte
	tail  int    // stx_etx: bytes after the end mark
	max   int    // greatest length of a frame, all included; fixed: its length
	quiet time.Duration

	// counted: where the length is written, how, and what is to be added to it
	// for the whole frame.
	lengthAt, lengthAdd int
	lengthType          fieldType
}

// span is what framing finds at a place in the stream.
type span uint8

const (
	spanNone  span = iota // no frame begins here
	spanMore              // one may begin here; more bytes are needed to know
	spanWhole             // n bytes are a frame
	spanLong              // one begins here and has no end within the greatest length; n is that
)

// at says what begins at b[0]; b is never empty.
func (f *framing) at(b []byte) (n int, s span) {
	if len(b) < len(f.start) {
		if bytes.HasPrefix(f.start, b) {
			return 0, spanMore
		}
		return 0, spanNone
	}
	if !bytes.HasPrefix(b, f.start) {
		return 0, spanNone
	}
	if f.kind == frameFixed {
		if len(b) < f.max {
			return 0, spanMore
		}
		return f.max, spanWhole
	}
	if f.kind == frameCount {
		return f.counted(b)
	}
	b = b[:min(len(b), f.max)]
	n = bytes.Index(b[len(f.start):], f.end)
	if n >= 0 {
		n += len(f.start) + len(f.end) + f.tail
		if n <= len(b) {
			return n, spanWhole
		}
	}
	if len(b) == f.max {
		return f.max, spanLong
	}
	return 0, spanMore
}

// counted is at for frames that say how long they are.
func (f *framing) counted(b []byte) (n int, s span) {
	head := f.lengthAt + binaryTypes[f.lengthType]
	if len(b) < head {
		return 0, spanMore
	}
	n = int(min(readBinary(f.lengthType, b[f.lengthAt:head]), int64(f.max))) + f.lengthAdd
	switch {
	case n < head || n > f.max:
		return 0, spanNone
	case n > len(b):
		return 0, spanMore
	}
	return n, spanWhole
}

// skip returns how many bytes at the beginning of b cannot begin a frame.
func (f *framing) skip(b []byte) int {
	if len(f.start) == 0 {
		return 0
	}
	if i := bytes.IndexByte(b, f.start[0]); i >= 0 {
		return i
	}
	return len(b)
}

// body returns what a pattern sees of a frame: without the line terminator,
// or what is between the two marks.
func (f *framing) body(frame []byte) []byte {
	switch f.kind {
	case frameLine:
		return frame[:len(frame)-len(f.end)]
	case frameSTX:
		return frame[1 : len(frame)-1-f.tail]
	}
	return frame
}

// findable reports whether a frame can be told to begin where it begins: by
// its mark, or by its checksum. Frames without either begin only where the
// one before ends. To search a damaged line for a good one would find the
// "5.0 N·m" in "1?5.0 N·m", a value that no tool has sent. So such tools pay
// for a lost terminator with the next frame, and what a port opened in the
// middle of a line brings first cannot be told from a line.
func (p *Profile) findable() bool { return len(p.framing.start) > 0 || p.sum.kind != sumNone }
