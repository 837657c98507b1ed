package profile

import "fmt"

// sumKind names a checksum.
type sumKind string

const (
	sumNone   sumKind = "none"
	sum8      sumKind = "sum-8"         // sum of the bytes, modulo 256
	sumXor8   sumKind = "xor-8"         // exclusive or of the bytes
	sumModbus sumKind = "crc-16/modbus" // reflected polynomial 0xA001, initial value 0xFFFF, no final exclusive or
)

// sumForm names how a checksum is written.
type sumForm string

const (
	formBinary   sumForm = "binary"
	formHexUpper sumForm = "hex_upper"
	formHexLower sumForm = "hex_lower"
	formHexAny   sumForm = "hex_any"
)

// checksum is how a frame is checked. Offsets count from the frame's first
// byte; below zero, back from behind its last.
type checksum struct {
	kind     sumKind
	from, to int // the bytes covered: from and up to, not including, to
	at       int // first byte of the checksum
	form     sumForm
	little   bool // least significant byte or digits first
}

// size returns how many bytes the checksum takes.
func (c *checksum) size() int {
	n := 1
	if c.kind == sumModbus {
		n = 2
	}
	if c.form != formBinary {
		n *= 2
	}
	return n
}

// offset turns an offset into an index of a frame of n bytes.
func offset(at, n int) int {
	if at < 0 {
		return n + at
	}
	return at
}

// check returns "" if the frame's checksum is right, else what is wrong.
func (c *checksum) check(frame []byte) (reason, detail string) {
	if c.kind == sumNone || c.kind == "" {
		return "", ""
	}
	n := len(frame)
	from, to, at := offset(c.from, n), offset(c.to, n), offset(c.at, n)
	if from < 0 || from > to || to > n || at < 0 || at+c.size() > n {
		return ReasonForm, fmt.Sprintf("%d bytes are too few for the checksum", n)
	}
	want := c.compute(frame[from:to])
	got, ok := c.read(frame[at : at+c.size()])
	if !ok {
		return ReasonChecksum, fmt.Sprintf("checksum %q is not of the form %s", frame[at:at+c.size()], c.form)
	}
	if got != want {
		digits := 2 * c.size()
		if c.form != formBinary {
			digits = c.size()
		}
		return ReasonChecksum, fmt.Sprintf("%s is %0*X, the bytes give %0*X", c.kind, digits, got, digits, want)
	}
	return "", ""
}

func (c *checksum) compute(b []byte) uint16 {
	switch c.kind {
	case sum8:
		var s uint8
		for _, x := range b {
			s += x
		}
		return uint16(s)
	case sumXor8:
		var s uint8
		for _, x := range b {
			s ^= x
		}
		return uint16(s)
	}
	return crcModbus(b)
}

// read returns the checksum that is written in b.
func (c *checksum) read(b []byte) (uint16, bool) {
	var raw [2]byte
	n := 0
	if c.form == formBinary {
		n = copy(raw[:], b)
	} else {
		for ; n < len(b)/2; n++ {
			hi, ok1 := c.digit(b[2*n])
			lo, ok2 := c.digit(b[2*n+1])
			if !ok1 || !ok2 {
				return 0, false
			}
			raw[n] = hi<<4 | lo
		}
	}
	switch {
	case n == 1:
		return uint16(raw[0]), true
	case c.little:
		return uint16(raw[1])<<8 | uint16(raw[0]), true
	}
	return uint16(raw[0])<<8 | uint16(raw[1]), true
}

func (c *checksum) digit(b byte) (uint8, bool) {
	switch {
	case '0' <= b && b <= '9':
		return b - '0', true
	case 'A' <= b && b <= 'F' && c.form != formHexLower:
		return b - 'A' + 10, true
	case 'a' <= b && b <= 'f' && c.form != formHexUpper:
		return b - 'a' + 10, true
	}
	return 0, false
}

// crcTable is of the reflected polynomial 0xA001, one entry a byte.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

func crcModbus(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, x := range b {
		c = c>>8 ^ crcTable[uint8(c)^x]
	}
	return c
}
