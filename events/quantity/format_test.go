package quantity

import (
	"math"
	"testing"
)

// Wanted texts by hand.
func TestFormat(t *testing.T) {
	for _, c := range []struct {
		v        Value
		u        Unit
		decimals int
		want     string
	}{
		{NewtonMetres(35.3).Value(), NewtonMetre, 1, "35.3 N·m"},
		{NewtonMetres(35.3).Value(), NewtonMetre, 2, "35.30 N·m"},
		{NewtonMetres(35.3).Value(), NewtonMetre, -1, "35.3 N·m"},
		{NewtonMetres(35).Value(), NewtonMetre, -1, "35 N·m"},
		{PoundFeet(26).Value(), NewtonMetre, -1, "35.25 N·m"}, // 35.2513
		{PoundFeet(26).Value(), PoundFoot, -1, "26 lbf·ft"},
		{PoundFeet(100).Value(), NewtonMetre, -1, "135.6 N·m"},
		{PoundFeet(1000).Value(), NewtonMetre, -1, "1356 N·m"},
		{NewtonMetres(12345).Value(), NewtonMetre, -1, "12345 N·m"},
		{Millimetres(0.15).Value(), Millimetre, -1, "0.15 mm"},
		{Millimetres(0.15).Value(), Thou, -1, "5.91 thou"}, // 5.9055
		{Inches(0.006).Value(), Inch, 4, "0.0060 in"},
		{Inches(0.00005).Value(), Inch, -1, "0.00005 in"},
		{Millimetres(0.0001524).Value(), Millimetre, -1, "0.000152 mm"},
		{Millimetres(0.00001524).Value(), Millimetre, -1, "0.0000152 mm"}, // never a nought for what is not
		{Degrees(90).Value(), Degree, 0, "90°"},
		{Degrees(15.5).Value(), Degree, -1, "15.5°"},
		{Newtons(-0.001).Value(), Newton, 1, "0.0 N"}, // no negative nought
		{Newtons(0).Value(), Newton, -1, "0 N"},
		{NewtonMetres(5).Value(), Millimetre, -1, "5 N·m"}, // a wrong unit never shows a wrong figure
		{Value{}, NewtonMetre, -1, "–"},
	} {
		if got := Format(c.v, c.u, c.decimals); got != c.want {
			t.Errorf("Format(%v, %s, %d) = %q, want %q", c.v, c.u.Symbol(), c.decimals, got, c.want)
		}
	}
	if got := FormatNumber(NewtonMetres(5).Value(), Millimetre, 1); got != "NaN" {
		t.Errorf("torque in mm: got %q", got)
	}
	if got := FormatNumber(Newtons(math.Inf(1)).Value(), Newton, -1); got != "+Inf" {
		t.Errorf("infinite: got %q", got)
	}
}

func TestEveryUnitSaysHowFineItIsRead(t *testing.T) {
	for _, u := range Units() {
		if _, ok := finest[u]; !ok {
			t.Errorf("no number of decimals for %s", u.Symbol())
		}
	}
}

func TestPreferredUnits(t *testing.T) {
	p := PreferredUnits{Torque: PoundFoot, Length: Thou, Angle: Newton}
	for d, want := range map[Dimension]Unit{
		DimTorque: PoundFoot, DimLength: Thou,
		DimAngle:    Degree, // a newton is no angle
		DimForce:    Newton,
		NoDimension: {},
	} {
		if got := p.For(d); got != want {
			t.Errorf("%s: got %s, want %s", d, got.Symbol(), want.Symbol())
		}
	}
}
