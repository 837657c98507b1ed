package profile

import "fmt"

// template is an answer to a tool: bytes, with places for the counter.
type template []piece

type piece struct {
	text    []byte
	counter bool
	width   int // of the counter, padded with zeros
}

// fill returns the answer to r; nil if the template is empty or r lacks the
// counter that it needs.
func (t template) fill(r Reading) []byte {
	var b []byte
	for _, p := range t {
		switch {
		case !p.counter:
			b = append(b, p.text...)
		case r.Counter == nil:
			return nil
		default:
			b = fmt.Appendf(b, "%0*d", p.width, *r.Counter)
		}
	}
	return b
}
