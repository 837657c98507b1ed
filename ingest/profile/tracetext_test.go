package profile

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

// w6 makes a line of the invented Marl W6 with its checksum: the exclusive or
// of the bytes between '$' and '*'.
func w6(body string) []byte {
	x := byte(0)
	for i := range len(body) {
		x ^= body[i]
	}
	const hex = "0123456789ABCDEF"
	return []byte("$" + body + "*" + string([]byte{hex[x>>4], hex[x&15]}) + "\r\n")
}

// The lines of a trace become what a trace of blocks becomes; lbf·ft are
// converted once (1 lbf·ft is 1.3558179483314004 N·m, NIST SP 811).
func TestTextTrace(t *testing.T) {
	p := mustLoad(t, "marl-w6")
	if within, most, ok := p.Traces(); !ok || within == 0 || most != 4000 {
		t.Fatalf("traces %v %d %t", within, most, ok)
	}
	for unit, torque := range map[string][]float64{"NM": {1.5, -18.75, 35.25}, "FTLB": {2.034, -25.422, 47.793}} {
		var r *Reading
		var blocks []*Block
		for _, l := range []string{"P,00007,+35.25," + unit + ",48.3,840,OK,3", "T,00007,0000,2000,1.50,0.0,-18.75,12.5", "T,00007,0002,2000,35.25,48.3"} {
			got, reason, detail := p.decode(w6(l))
			if reason != "" {
				t.Fatalf("%s: %s %s", l, reason, detail)
			}
			if got.Kind == Part {
				blocks = append(blocks, got.Block)
			} else {
				r = got
			}
		}
		if r.Samples != 3 || blocks[1].First != 2 || blocks[1].Counter != 7 {
			t.Errorf("%d samples, second block %+v", r.Samples, blocks[1])
		}
		want := &events.Trace{PeriodUs: 2000, Torque: torque, Angle: []float64{0, 12.5, 48.3}}
		if diff := cmp.Diff(want, p.Trace(r, blocks)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", unit, diff)
		}
	}
}

// A line that is not whole samples is refused with its reason, and no sample
// of it is taken.
func TestTextTraceRefused(t *testing.T) {
	p := mustLoad(t, "marl-w6")
	for body, want := range map[string]string{
		"T,00007,0000,2000":                                     ReasonForm,
		"T,00007,0000,2000,1.50":                                ReasonForm,
		"T,00007,0000,2000,1.50,0.0,3":                          ReasonForm,
		"T,7x,0000,2000,1.50,0.0":                               ReasonNumber,
		"T,00007,-1,2000,1.50,0.0":                              ReasonNumber,
		"T,00007,0000,0,1.50,0.0":                               ReasonRange,
		"T,00007,3999,2000,1.50,0.0,1.6,0.1":                    ReasonRange,
		"T,00007,0000,2000,1.50,NaN":                            ReasonNumber,
		"T,00007,0000,2000,1.50,":                               ReasonNumber,
		"T,00007,0000,2000,1e3,0.0":                             ReasonNumber,
		"T,00007,0000,2000,1.50,0.0\x00,1,1,1":                  ReasonForm,
		"T":                                                     ReasonForm,
		"T,00007,0000,2000," + strings.Repeat("9", 30) + ",0.0": ReasonRange,
	} {
		if r, reason, detail := p.decode(w6(body)); reason != want || r != nil {
			t.Errorf("%q: %v, %q (%s), want %q", body, r, reason, detail, want)
		}
	}
}
