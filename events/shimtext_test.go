package events

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events/quantity"
)

func TestShimTexts(t *testing.T) {
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	for text, want := range map[string][]ShimPiece{
		"0.50 mm + 0.10 mm":           {{Thickness: mm(0.5), Count: 1}, {Thickness: mm(0.1), Count: 1}},
		"0.50 mm+0.5 mm":              {{Thickness: mm(0.5), Count: 2}},
		"0.55 mm = 0.553 mm":          {{Thickness: mm(0.55), Real: mm(0.553), Count: 1}},
		"0.55mm=0.553 mm ± 0.002 mm":  {{Thickness: mm(0.55), Real: mm(0.553), U: mm(0.002), Count: 1}},
		"none":                        {},
		"":                            {},
		"0.125 mm + 0.125 mm + 1 mm ": {{Thickness: mm(0.125), Count: 2}, {Thickness: mm(1), Count: 1}},
	} {
		got, err := ParseShimStack(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
		}
		if d := cmp.Diff(want, got, sameValues); d != "" {
			t.Errorf("%q (-want +got):\n%s", text, d)
		}
		again, err := ParseShimStack(ShimStackText(got))
		if d := cmp.Diff(got, again, sameValues); err != nil || d != "" {
			t.Errorf("%q, written %q: %v %s", text, ShimStackText(got), err, d)
		}
	}
	for _, text := range []string{"0.50", "half", "0 mm", "-0.1 mm", "0.5 N", "0.5 mm + ", "0.5 mm = ", "0.5 mm = 0.5 mm ±"} {
		if got, err := ParseShimStack(text); err == nil {
			t.Errorf("%q is read as %v", text, got)
		}
	}
	if p, err := ParseShims("0.55 mm = 0.553 mm x 4"); err != nil || p.Count != 4 || p.Real != mm(0.553) {
		t.Errorf("%+v, %v", p, err)
	}
	for _, text := range []string{"0.55 mm", "0.55 mm x", "0.55 mm x -1", "x 4"} {
		if p, err := ParseShims(text); err == nil {
			t.Errorf("%q is read as %+v", text, p)
		}
	}
}
