package fastening

import (
	"math"
	"strings"
	"testing"

	"witnessmark/events/quantity"
)

func TestThreadsAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string]string{
		"M10x1.5": "M10x1.5", "M10": "M10x1.5", "M10 x 1,25": "M10x1.25", "M8×1": "M8x1", "M12x1.75-6g": "M12x1.75",
		"3/8-16 UNC": "3/8-16 UNC", "3/8-16": "3/8-16 UNC", "1/2-20 UNF-2A": "1/2-20 UNF", "1/2 UNF": "1/2-20 UNF",
		"10-32": "10-32", "#8-36": "#8-36", "1-8": "1-8 UNC", "1-1/8-7": "1-1/8-7", "1 1/8-7 UNC": "11/8-7",
	} {
		th, err := ParseThread(text)
		if text == "1 1/8-7 UNC" { // only that it is the right diameter
			if err != nil || math.Abs(th.Diameter().Millimetres()-28.575) > 1e-9 {
				t.Errorf("%q: %v, %v", text, th, err)
			}
			continue
		}
		if err != nil || th.String() != want {
			t.Errorf("%q: got %q, %v; want %q", text, th, err, want)
		}
	}
	if d := thread(t, "10-32").Diameter().Millimetres(); math.Abs(d-0.190*25.4) > 1e-9 {
		t.Errorf("10-32: d %.4f mm, want 0.190 in", d)
	}
	for _, text := range []string{"", "M", "M10x9", "G1/2", "1/0-20", "Tr20x4", "3/8", "M11", "13-20", "M10x0", "M1e9x1"} {
		if th, err := ParseThread(text); err == nil {
			t.Errorf("%q is read as %s", text, th)
		} else if !strings.Contains(err.Error(), "write") && !strings.Contains(err.Error(), "check") {
			t.Errorf("%q: %v does not say what to write", text, err)
		}
	}
}

func TestStrengthsAsPeopleWriteThem(t *testing.T) {
	for text, want := range map[string]string{"8.8": "8.8", "class 10.9": "10.9", "12,9": "12.9", "SAE 8": "SAE 8", "grade 5": "SAE 5", "SAE Grade 2": "SAE 2"} {
		if c, err := ParseStrength(text); err != nil || c.String() != want {
			t.Errorf("%q: got %q, %v", text, c, err)
		}
	}
	for _, text := range []string{"", "strong", "11.9", "A2-70"} {
		if c, err := ParseStrength(text); err == nil {
			t.Errorf("%q is read as %s", text, c)
		}
	}
	if _, err := ProofLoad(thread(t, "M42x4.5"), class(t, "10.9")); err == nil {
		t.Error("a proof load beyond the standard's sizes")
	}
}

func TestConditions(t *testing.T) {
	for text, want := range map[string]string{
		"oiled": "oiled", "lightly oiled": "oiled", "dry": "dry", "thread locker": "thread locker", "thread sealant": "thread locker",
		"zinc-plated, oiled": "oiled", "unlubricated": "dry", "moly paste": "paste", "cadmium-plated": "cadmium-plated",
	} {
		if c, ok := ConditionOf(text); !ok || c.Name != want {
			t.Errorf("%q: got %q, %v", text, c.Name, ok)
		}
	}
	if c, ok := ConditionOf("as the maker says"); ok {
		t.Errorf("taken for %s", c.Name)
	}
	for _, c := range Conditions() {
		if lo, hi := c.Range(); !(lo < c.K && c.K < hi) || c.Source == "" {
			t.Errorf("%s: %g to %g, source %q", c.Name, lo, hi, c.Source)
		}
	}
}

// By hand: 70 N·m, M10x1.25 10.9, oiled: 70/(0.18·0.010) = 38.89 kN of
// 61.20 mm² · 830 MPa = 50.79 kN: 76.6 %.
func TestShareOfProof(t *testing.T) {
	oiled, _ := ConditionOf("oiled")
	s, err := ShareOfProof(quantity.NewtonMetres(70), thread(t, "M10x1.25"), class(t, "10.9"), oiled)
	if err != nil || math.Abs(s.Nominal-0.7656) > 0.0005 || s.Overdone || s.Little {
		t.Errorf("%+v, %v", s, err)
	}
	if math.Abs(s.Most/s.Nominal-1.25) > 1e-9 || math.Abs(s.Least/s.Nominal-0.75) > 1e-9 {
		t.Errorf("band %.3f to %.3f about %.3f", s.Least, s.Most, s.Nominal)
	}
	if s, _ := ShareOfProof(quantity.NewtonMetres(90), thread(t, "M10x1.25"), class(t, "10.9"), oiled); !s.Overdone {
		t.Errorf("90 N·m: %.3f is not overdone", s.Nominal)
	}
	if s, _ := ShareOfProof(quantity.NewtonMetres(30), thread(t, "M10x1.25"), class(t, "10.9"), oiled); !s.Little {
		t.Errorf("30 N·m: %.3f is not little", s.Nominal)
	}
}

func TestNonsenseIsRefused(t *testing.T) {
	m10 := thread(t, "M10")
	for name, f := range map[string]func() error{
		"no torque":      func() error { _, err := PreloadByNutFactor(quantity.NewtonMetres(-5), m10, 0.2); return err },
		"nut factor 20":  func() error { _, err := PreloadByNutFactor(quantity.NewtonMetres(5), m10, 20); return err },
		"not a number":   func() error { _, err := TorqueByNutFactor(quantity.Newtons(math.NaN()), m10, 0.2); return err },
		"friction 12":    func() error { _, err := NutFactorByFriction(m10, Friction{12, 0.1}); return err },
		"no friction":    func() error { _, err := NutFactorByFriction(m10, Friction{}); return err },
		"share of yield": func() error { _, err := AssemblyPreload(m10, class(t, "8.8"), 0.1, 1.5); return err },
		"too little pull": func() error {
			_, err := TotalFriction(quantity.NewtonMetres(1), quantity.Newtons(30000), m10, quantity.Millimetres(12))
			return err
		},
		"no wrench": func() error {
			_, err := Adapter{Length: quantity.Millimetres(40)}.Setting(quantity.NewtonMetres(10))
			return err
		},
		"reaches too far": func() error {
			_, err := Adapter{quantity.Millimetres(200), quantity.Millimetres(195), quantity.Degrees(180)}.Setting(quantity.NewtonMetres(10))
			return err
		},
		"negative adapter": func() error {
			_, err := Adapter{quantity.Millimetres(200), quantity.Millimetres(-40), quantity.Degrees(0)}.Setting(quantity.NewtonMetres(10))
			return err
		},
	} {
		if err := f(); err == nil {
			t.Errorf("%s: no word", name)
		}
	}
}
