package simulator

import (
	"context"
	"fmt"
	"math"
	"strings"
)

// k2 is an Orrin K2: it pushes one line when the pull is over and never asks
// for an answer.
type k2 struct{ *body }

// Run has nothing to do: a K2 does not listen.
func (t *k2) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}

func (t *k2) Pull(ctx context.Context, p Pull, w Wire) (Sent, error) {
	t.mu.Lock()
	text, err := t.shown(p)
	if err != nil {
		t.mu.Unlock()
		return Sent{}, err
	}
	n := t.next(10000)
	s := t.sent(text, n)
	tenths := int(math.Round(p.Angle.Degrees() * 10))
	frame := k2Frame(n, text, unitWords[OrrinK2][t.unit], tenths, "OK")
	s.Arrives = t.plugged && w.Garble == 0
	if w.Garble > 0 {
		frame = t.garble(frame)
	}
	frame = append(t.noise(w.Noise), frame...)
	t.mu.Unlock()
	return s, t.write(ctx, frame)
}

// k2Frame builds one line by the K2's notes. text is the value with a decimal
// point and no sign; tenths of a degree, below 0 for "not measured".
func k2Frame(counter uint64, text, unit string, tenths int, status string) []byte {
	whole, decimals, _ := strings.Cut(text, ".")
	for len(whole) < 3 {
		whole = "0" + whole
	}
	angle := "----"
	if tenths >= 0 {
		angle = fmt.Sprintf("%04d", min(tenths, 9999))
	}
	body := fmt.Sprintf("%04d;P;+%s,%s;%s;A%s;%s", counter, whole, decimals, unit, angle, status)
	sum := byte(0)
	for i := range len(body) {
		sum += body[i]
	}
	return fmt.Appendf(nil, "#%s*%02X\r\n", body, sum)
}
