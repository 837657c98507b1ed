package events

import (
	"fmt"
	"strconv"
	"strings"

	"witnessmark/events/quantity"
)

// ParseShim reads one thickness: "0.50 mm"; "0.55 mm = 0.553 mm" for a piece
// that was measured; "0.55 mm = 0.553 mm ± 0.002 mm" with its expanded
// uncertainty (k = 2). Count is 1. Errors say what to write.
func ParseShim(text string) (ShimPiece, error) {
	mark, real, measured := strings.Cut(text, "=")
	p := ShimPiece{Count: 1}
	var err error
	if p.Thickness, err = shimLength(mark); err != nil || !measured {
		return p, err
	}
	real, u, stated := strings.Cut(real, "±")
	if p.Real, err = shimLength(real); err != nil || !stated {
		return p, err
	}
	p.U, err = shimLength(u)
	return p, err
}

func shimLength(s string) (quantity.Value, error) {
	l, _, err := quantity.ParseLength(strings.TrimSpace(s))
	if err == nil && !(l.Millimetres() > 0) {
		err = fmt.Errorf("thickness %q: want one above 0, such as 0.50 mm", strings.TrimSpace(s))
	}
	return l.Value(), err
}

// ParseShims reads pieces of one thickness with their number: "0.50 mm x 10".
func ParseShims(text string) (ShimPiece, error) {
	text = strings.ReplaceAll(text, "×", "x")
	i := strings.LastIndex(text, "x")
	if i < 0 {
		return ShimPiece{}, fmt.Errorf("pieces %q: want a thickness and a number, such as 0.50 mm x 10", text)
	}
	n, err := strconv.Atoi(strings.TrimSpace(text[i+1:]))
	if err != nil || n < 0 {
		return ShimPiece{}, fmt.Errorf("pieces %q: %q is no number of pieces; write for example 0.50 mm x 10", text, strings.TrimSpace(text[i+1:]))
	}
	p, err := ParseShim(text[:i])
	p.Count = n
	return p, err
}

// ParseShimStack reads the pieces of a stack: "0.50 mm + 0.10 mm"; "none" or
// nothing is an empty one. Like pieces are put together.
func ParseShimStack(text string) ([]ShimPiece, error) {
	out := []ShimPiece{}
	if t := strings.TrimSpace(text); t == "" || t == "none" {
		return out, nil
	}
	for part := range strings.SplitSeq(text, "+") {
		p, err := ParseShim(part)
		if err != nil {
			return nil, err
		}
		for i := range out {
			if out[i].Thickness == p.Thickness && out[i].Real == p.Real {
				out[i].Count++
				p.Count = 0
			}
		}
		if p.Count > 0 {
			out = append(out, p)
		}
	}
	return out, nil
}

// Text writes one piece as ParseShim reads it.
func (p ShimPiece) Text() string {
	s := millimetres(p.Thickness, 2)
	if !p.Real.IsZero() {
		s += " = " + millimetres(p.Real, 3)
	}
	if !p.U.IsZero() {
		s += " ± " + millimetres(p.U, 1)
	}
	return s
}

// millimetres writes a length to the nanometre, without needless zeros behind
// the least decimals.
func millimetres(v quantity.Value, least int) string {
	s := strings.TrimRight(quantity.FormatNumber(v, quantity.Millimetre, 6), "0")
	_, decimals, _ := strings.Cut(s, ".")
	return s + strings.Repeat("0", max(0, least-len(decimals))) + " mm"
}

// ShimStackText writes a stack as ParseShimStack reads it; "none" if empty.
func ShimStackText(pieces []ShimPiece) string {
	var parts []string
	for _, p := range pieces {
		for range p.Count {
			parts = append(parts, p.Text())
		}
	}
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, " + ")
}
