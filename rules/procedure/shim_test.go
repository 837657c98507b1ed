package procedure

import (
	"os"
	"strings"
	"testing"

	"witnessmark/events/quantity"
)

// carrier is a procedure with a gap and a shim step; shims stands in its keys.
func carrier(result, shims string) string {
	return `
procedure: T-2
revision: A
title: Test carrier
unit: Test carrier
steps:
  - {id: gap, title: Gap, kind: measure, what: gap, limits: {low: 0.1 mm, high: 2 mm}}
  - id: shims
    title: Shims
    kind: shim
    what: end play
` + indent(result, "    ") + `    shims:
` + indent(shims, "      ")
}

const play = "target: 0.05 mm\nlimits: {low: 0.02 mm, high: 0.08 mm}"

func TestShimStep(t *testing.T) {
	p := mustParse(t, carrier(play, "from: gap\nstock: carrier-50\nthicknesses: {from: 0.50 mm, to: 0.62 mm, step: 0.03 mm}\npieces: 2\nfitted: 0.5 mm\ntolerance: 5 µm"))
	s := p.Steps[1]
	if s.Shim == nil || s.Measure == nil || s.Measure.What != "end play" || s.Statement != "" {
		t.Fatalf("%+v", s)
	}
	x := s.Shim
	if x.From != "gap" || x.Drawer != "carrier-50" || x.Most != 2 || x.Does != LessPlay || x.Fitted != quantity.Millimetres(0.5).Value() || x.Sides != nil {
		t.Errorf("%+v", x)
	}
	var got []string
	for _, v := range x.Series {
		got = append(got, quantity.FormatNumber(v, quantity.Millimetre, 4))
	}
	if strings.Join(got, " ") != "0.5000 0.5300 0.5600 0.5900 0.6200" {
		t.Errorf("series %v", got)
	}
	p = mustParse(t, carrier("target: 12 kN\nlimits: ± 2 kN", `from: gap
stock: d
stiffness: 120 kN/mm ± 10 %`))
	if x := p.Steps[1].Shim; x.Does != MorePreload || x.Stiffness.NewtonsPerMillimetre() != 120000 || x.StiffnessU != 0.1 {
		t.Errorf("%+v", x)
	}
	p = mustParse(t, carrier(play, `from: gap
stock: d
sides: {left: ring gear side, right: far side, ratio: 0.75 ± 20 %, total: 0.02 mm}`))
	if x := p.Steps[1].Shim; !x.Asked || x.Sides == nil || x.Sides.Ratio != 0.75 || x.Sides.RatioU != 0.2 || x.Most != 3 {
		t.Errorf("%+v", x)
	}
}

// A shim step of the old form goes on as it was.
func TestAttestedShimStep(t *testing.T) {
	p := mustParse(t, "procedure: T-3\nrevision: A\ntitle: T\nunit: T\nsteps:\n  - {id: a, title: Shim, kind: shim, statement: The shim is in.}\n")
	if s := p.Steps[0]; s.Shim != nil || s.Measure != nil || s.Statement == "" {
		t.Errorf("%+v", s)
	}
}

// By hand, with F = T/(K·d) and the tables of ISO 898-1: M10x1.5 8.8 oiled has
// a proof load of 33.6 kN; 55 N·m give 30.6 kN, 91 %; 22 N·m 12.2 kN, 36 %.
func TestTorqueAgainstProof(t *testing.T) {
	warn := func(pass string) string {
		_, probs := Parse("t.yaml", []byte(plate(`- points: [{x: 0, y: 0}]`, "order: cross\npasses:\n"+pass)))
		if err := probs.Err(); err != nil {
			t.Fatal(err)
		}
		var all []string
		for _, p := range probs {
			all = append(all, p.String())
		}
		return strings.Join(all, "\n")
	}
	for pass, want := range map[string]string{
		"  - {name: final, target: 45 N·m, limits: ± 10 %}":                                                  "",
		"  - {name: final, target: 55 N·m, limits: ± 5 %}":                                                   "91 % of the proof load",
		"  - {name: final, target: 22 N·m, limits: ± 5 %}":                                                   "36 % of the proof load",
		"  - {name: snug, target: 8 N·m, limits: ± 20 %}\n  - {name: final, target: 45 N·m, limits: ± 10 %}": "",
	} {
		got := warn(pass)
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", pass, got, want)
		}
		if want != "" && (!strings.Contains(got, "warning") || !strings.Contains(got, "Shigley") || !strings.Contains(got, "comes first")) {
			t.Errorf("%s: %q lacks its source, or deference to the maker", pass, got)
		}
	}
}

// The example of form.md is right.
func TestShimExampleOfForm(t *testing.T) {
	page, err := os.ReadFile("form.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "~~~yaml\n")
	text, _, ok := strings.Cut(rest, "~~~")
	if !ok {
		t.Fatal("form.md has no example of a shim step")
	}
	gap := "  - {id: carrier-gap, title: Gap, kind: measure, what: gap, limits: {low: 0.1 mm, high: 2 mm}}\n"
	p := mustParse(t, "procedure: T-2\nrevision: A\ntitle: T\nunit: T\nsteps:\n"+gap+text)
	if x := p.Steps[1].Shim; x == nil || x.From != "carrier-gap" || x.Drawer != "carrier-50" || x.Most != 3 {
		t.Errorf("%+v", x)
	}
}
