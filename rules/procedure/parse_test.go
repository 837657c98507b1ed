package procedure

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// mustParse parses a file that has no errors and no warnings.
func mustParse(t *testing.T, text string) *Procedure {
	t.Helper()
	p, probs := Parse("test.yaml", []byte(text))
	for _, pr := range probs {
		t.Error(pr)
	}
	if p == nil {
		t.FailNow()
	}
	return p
}

// plate is a procedure with one torque step; what is given stands in it.
func plate(fasteners, rest string) string {
	return `
procedure: T-1
revision: 1.10
title: Test plate
unit: Test plate
faces:
  - {id: top, title: Top, outlines: [{shape: rectangle, width: 1000, height: 1000}]}
steps:
  - id: plate
    title: Plate
    kind: torque
    face: top
    class: B
    thread: M10x1.5
    strength: 8.8
    lubrication: oiled
    fasteners:
` + indent(fasteners, "      ") + indent(rest, "    ")
}

// ofNoClass is plate without a strength class, for torques that are right for
// some other thread.
func ofNoClass(fasteners, rest string) string {
	return strings.Replace(plate(fasteners, rest), "    strength: 8.8\n", "", 1)
}

func indent(text, by string) string {
	out := ""
	for _, l := range strings.Split(strings.Trim(text, "\n"), "\n") {
		out += by + l + "\n"
	}
	return out
}

const onePass = `
order: cross
passes:
  - {name: final, target: 26 lbf·ft, limits: ± 10 %}
`

func TestParseWhole(t *testing.T) {
	text := plate(`- {ring: {count: 4, diameter: 100}, head: 20, note: stud}`, `
into: aluminium
strict: true
tools: [w-7, torque_wrench]
pause: 90 s
cautions: Mind the spring.
text:
  - First.
  - Second.
order: cross
passes:
  - {name: snug, target: 10 N·m, limits: ± 3 N·m, loose: true}
  - {name: final, target: 35 Nm, limits: {low: 33 N·m, high: 38 N·m}, angle: {low: 20°, high: 1 rad}}
`)
	nm := func(v float64) quantity.Value { return quantity.Of(v, quantity.NewtonMetre) }
	f := func(id string, x, y float64) Fastener {
		return Fastener{ID: id, X: x, Y: y, Head: 20, Note: "stud", Thread: "M10x1.5", Strength: "8.8"}
	}
	sum := sha256.Sum256([]byte(text))
	want := &Procedure{
		ID: "T-1", Revision: "1.10", Title: "Test plate", Unit: "Test plate",
		Hash:     hex.EncodeToString(sum[:]),
		Cautions: []string{Deference},
		Faces:    []Face{{ID: "top", Title: "Top", Outlines: []Outline{{Shape: "rectangle", W: 1000, H: 1000, Style: "body"}}}},
		Steps: []Step{{
			ID: "plate", Title: "Plate", Kind: Torque, Face: "top",
			Text: []string{"First.", "Second."}, Cautions: []string{"Mind the spring."},
			Pause: 90 * time.Second,
			Joint: &Joint{
				Class: ClassB, Thread: "M10x1.5", Strength: "8.8", Lubrication: "oiled", Into: "aluminium",
				Strict: true, Evidence: events.Counted, Tools: []string{"w-7"}, ToolKinds: []string{"torque_wrench"},
				// By hand: the first at twelve o'clock, then clockwise.
				Fasteners: []Fastener{f("1", 0, 50), f("2", 50, 0), f("3", 0, -50), f("4", -50, 0)},
				Passes: []Pass{
					{Name: "snug", Target: nm(10), LSL: nm(7), USL: nm(13), Order: []int{0, 2, 1, 3}, Loose: true, Unit: quantity.NewtonMetre},
					{Name: "final", Target: nm(35), LSL: nm(33), USL: nm(38), Order: []int{0, 2, 1, 3}, Unit: quantity.NewtonMetre,
						AngleLo: quantity.Of(20, quantity.Degree), AngleHi: quantity.Of(1, quantity.Radian)},
				},
			},
		}},
	}
	if d := cmp.Diff(want, mustParse(t, text), cmp.AllowUnexported(quantity.Value{}, quantity.Unit{})); d != "" {
		t.Errorf("procedure (-want +got):\n%s", d)
	}
}

func TestParseMeasureAndAttest(t *testing.T) {
	p := mustParse(t, `
procedure: T-2
revision: A
title: Play
unit: Test
cautions: [Keep clear., "`+Deference+`"]
steps:
  - {id: a, title: A, kind: measure, what: backlash, target: 0.18 mm, limits: ± 0.05 mm, tools: [dial_indicator]}
  - {id: b, title: B, kind: measure, what: run-out, limits: {high: 3 thou}}
  - {id: c, title: C, kind: measure, what: end play, target: .006 in, limits: {low: .004 in, high: .008 in}}
  - {id: d, title: D, kind: shim, statement: Shim in., covers: [a, c]}
  - {id: e, title: E, kind: press, statement: Pressed.}
  - {id: f, title: F, kind: attest, statement: Seen.}
  - {id: g, title: G, kind: parts, statement: Complete.}
`)
	if d := cmp.Diff([]string{Deference, "Keep clear."}, p.Cautions); d != "" {
		t.Errorf("cautions (-want +got):\n%s", d)
	}
	mm := func(v float64) quantity.Value { return quantity.Of(v, quantity.Millimetre) }
	in := func(v float64) quantity.Value { return quantity.Of(v, quantity.Inch) }
	want := []*MeasureSpec{
		{What: "backlash", Target: mm(0.18), LSL: mm(0.13), USL: mm(0.23), Unit: quantity.Millimetre, ToolKinds: []string{"dial_indicator"}},
		{What: "run-out", USL: quantity.Of(3, quantity.Thou), Unit: quantity.Thou},
		{What: "end play", Target: in(.006), LSL: in(.004), USL: in(.008), Unit: quantity.Inch},
	}
	for i, w := range want {
		if d := cmp.Diff(w, p.Steps[i].Measure, cmp.AllowUnexported(quantity.Value{}, quantity.Unit{})); d != "" {
			t.Errorf("step %d (-want +got):\n%s", i, d)
		}
	}
	for i, kind := range []Kind{Measure, Measure, Measure, Shim, Press, Attest, Parts} {
		if s := p.Steps[i]; s.Kind != kind || (kind == Measure) != (s.Measure != nil) || (kind != Measure) != (s.Statement != "") || s.Joint != nil {
			t.Errorf("step %d: %+v, want kind %s", i, s, kind)
		}
	}
	if d := cmp.Diff([]string{"a", "c"}, p.Steps[3].Covers); d != "" {
		t.Error(d)
	}
}

// A limit that is worked out must be the figure that people expect: a reading
// of 0.23 mm is not above 0.18 ± 0.05 mm.
func TestLimitsAreRound(t *testing.T) {
	for _, c := range []struct{ target, limits, low, high string }{
		// By hand.
		{"0.3 N·m", "± 0.1 N·m", "0.2 N·m", "0.4 N·m"},
		{"26 lbf·ft", "± 10 %", "23.4 lbf·ft", "28.6 lbf·ft"},
		{"20 lbf·ft", "± 10 %", "18 lbf·ft", "22 lbf·ft"},
		{"110 N·m", "± 8 %", "101.2 N·m", "118.8 N·m"},
		{"312 in-lb", "+/- 12.5%", "273 lbf·in", "351 lbf·in"},
		{"35,3 Nm", "±1,1 Nm", "34.2 N·m", "36.4 N·m"},
		{"26 lbf·ft", "± 12 lbf·in", "25 lbf·ft", "27 lbf·ft"},
		{"3.5 kgf·m", "+- 0.7 kgf·m", "2.8 kgf·m", "4.2 kgf·m"},
	} {
		p := mustParse(t, ofNoClass(`- points: [{x: 0, y: 0}]`, `
order: cross
passes:
  - {name: final, target: "`+c.target+`", limits: "`+c.limits+`"}
`))
		pass := p.Steps[0].Joint.Passes[0]
		for _, v := range []struct {
			name, want string
			got        quantity.Value
		}{{"low", c.low, pass.LSL}, {"high", c.high, pass.USL}} {
			if want, _, err := quantity.Parse(v.want); err != nil || v.got != want {
				t.Errorf("%s %s: %s is %v N·m, want %v (%v)", c.target, c.limits, v.name, v.got.Base(), want.Base(), err)
			}
		}
	}
}

// A case cover takes 26 lbf·ft on its case bolts and 20 lbf·ft on its two
// guide bolts (common practice, no source). Limits of 10 % by hand, with
// 1 lbf·ft = 1.3558179483314004 N·m (NIST SP 811):
//
//	case bolts:  26 ± 2.6 = 23.4 to 28.6 lbf·ft = 31.7261 to 38.7764 N·m
//	guide bolts: 20 ± 2.0 = 18.0 to 22.0 lbf·ft = 24.4047 to 29.8280 N·m
//
// A slip of the unit, 26 N·m, is 19.18 lbf·ft: low for a case bolt, but good
// for a guide bolt, so the two groups need their own passes.
func TestCaseCover(t *testing.T) {
	p := mustParse(t, plate(`
- {group: case, rectangle: {width: 280, height: 180, across: 4, down: 4}}
- {group: guide, prefix: G, thread: M8x1.25, strength: "10.9", note: guide bolt, points: [{x: -93, y: 90}, {x: 93, y: -90}]}
`, `
order: cross
passes:
  - {name: draw down, only: [guide], target: 8 lbf·ft, limits: ± 30 %, loose: true}
  - {name: case bolts, only: [case], target: 26 lbf·ft, limits: ± 10 %}
  - {name: guide bolts, only: [guide], target: 20 lbf·ft, limits: ± 10 %}
`))
	j := p.Steps[0].Joint
	for _, c := range []struct {
		pass              int
		low, target, high float64 // N·m
		order             string
	}{
		{1, 31.7261, 35.2513, 38.7764, "1 7 4 10 2 8 5 11 3 9 6 12"},
		{2, 24.4047, 27.1164, 29.8280, "G1 G2"},
	} {
		pass := j.Passes[c.pass]
		for _, v := range [][2]float64{{pass.LSL.Base(), c.low}, {pass.Target.Base(), c.target}, {pass.USL.Base(), c.high}} {
			if math.Abs(v[0]-v[1]) > 5e-5 {
				t.Errorf("pass %q: %.4f N·m, want %.4f", pass.Name, v[0], v[1])
			}
		}
		if got := strings.Join(j.ids(pass.Order), " "); got != c.order {
			t.Errorf("pass %q: order %s, want %s", pass.Name, got, c.order)
		}
	}
	if slip := 26.0; !(slip < j.Passes[1].LSL.Base() && j.Passes[2].LSL.Base() <= slip && slip <= j.Passes[2].USL.Base()) {
		t.Error("26 N·m must be low for a case bolt and within for a guide bolt")
	}
	if g := j.Fasteners[12]; g.Thread != "M8x1.25" || g.Strength != "10.9" || g.Group != "guide" || g.Note != "guide bolt" {
		t.Errorf("guide bolt %+v, want its own thread and strength", g)
	}
}

func TestPlaces(t *testing.T) {
	for _, c := range []struct {
		name, fasteners string
		want            []Fastener
	}{
		// By hand.
		{"ring, turned, counter-clockwise", `- {ring: {count: 4, diameter: 80, start: 90, direction: counter-clockwise, x: 100, y: 50}}`,
			[]Fastener{{ID: "1", X: 140, Y: 50}, {ID: "2", X: 100, Y: 90}, {ID: "3", X: 60, Y: 50}, {ID: "4", X: 100, Y: 10}}},
		{"ring of three", `- {ring: {count: 3, diameter: 200}}`,
			[]Fastener{{ID: "1", X: 0, Y: 100}, {ID: "2", X: 86.602540, Y: -50}, {ID: "3", X: -86.602540, Y: -50}}},
		{"ring of one", `- {ring: {count: 1, diameter: 200}}`, []Fastener{{ID: "1", X: 0, Y: 100}}},
		{"rectangle", `- {rectangle: {width: 60, height: 40, across: 3, down: 3, x: 10, y: 0}}`,
			[]Fastener{{ID: "1", X: -20, Y: 20}, {ID: "2", X: 10, Y: 20}, {ID: "3", X: 40, Y: 20}, {ID: "4", X: 40, Y: 0},
				{ID: "5", X: 40, Y: -20}, {ID: "6", X: 10, Y: -20}, {ID: "7", X: -20, Y: -20}, {ID: "8", X: -20, Y: 0}}},
		{"two rows", `- {rectangle: {width: 60, height: 40, across: 2, down: 2}}`,
			[]Fastener{{ID: "1", X: -30, Y: 20}, {ID: "2", X: 30, Y: 20}, {ID: "3", X: 30, Y: -20}, {ID: "4", X: -30, Y: -20}}},
		{"line", `- {line: {count: 3, from: {x: 0, y: 0}, to: {x: 40, y: -60}}, prefix: D}`,
			[]Fastener{{ID: "D1", X: 0, Y: 0}, {ID: "D2", X: 20, Y: -30}, {ID: "D3", X: 40, Y: -60}}},
		{"line of one", `- {line: {count: 1, from: {x: 5, y: 6}, to: {x: 40, y: -60}}}`, []Fastener{{ID: "1", X: 5, Y: 6}}},
		{"points, numbers go on, prefixes count apart", `
- {points: [{x: 1, y: 2}, {x: 50, y: 60, id: long, note: long bolt}]}
- {points: [{x: -30, y: 0}], prefix: G}
- {points: [{x: -60, y: 0}]}
- {points: [{x: -90, y: 0}], prefix: G}
`,
			[]Fastener{{ID: "1", X: 1, Y: 2}, {ID: "long", X: 50, Y: 60, Note: "long bolt"}, {ID: "G1", X: -30}, {ID: "2", X: -60}, {ID: "G2", X: -90}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := mustParse(t, plate(c.fasteners, onePass)).Steps[0].Joint.Fasteners
			for i := range c.want {
				c.want[i].Head, c.want[i].Thread, c.want[i].Strength = DefaultHead, "M10x1.5", "8.8"
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("fasteners (-want +got):\n%s", d)
			}
		})
	}
}

func TestOrderOfPasses(t *testing.T) {
	p := mustParse(t, plate(`- {ring: {count: 6, diameter: 100}}`, `
order: [6, 5, 4, 3, 2, 1]
passes:
  - {name: two first, target: 10 N·m, limits: ± 20 %, only: [1, 4]}
  - {name: by hand, target: 15 N·m, limits: ± 20 %, only: [2, 3, 5], order: [5, 2, 3]}
  - {name: across, target: 20 N·m, limits: ± 20 %, order: cross}
  - {name: final, target: 26 N·m, limits: ± 20 %}
`))
	var got []string
	for _, pass := range p.Steps[0].Joint.Passes {
		got = append(got, numbers(pass.Order))
	}
	if d := cmp.Diff([]string{"4-1", "5-2-3", "1-4-2-5-3-6", "6-5-4-3-2-1"}, got); d != "" { // by hand
		t.Error(d)
	}
}

func TestPause(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"90 s": 90 * time.Second, "90s": 90 * time.Second, "1.5 min": 90 * time.Second, "1,5 min": 90 * time.Second,
		"5 minutes": 5 * time.Minute, "1 h": time.Hour, "24 hours": 24 * time.Hour, "0.5 sec": 500 * time.Millisecond,
	} {
		p := mustParse(t, plate(`- points: [{x: 0, y: 0}]`, "pause: "+text+onePass))
		if got := p.Steps[0].Pause; got != want {
			t.Errorf("pause %q: %v, want %v", text, got, want)
		}
	}
	for _, text := range []string{"90", "soon", "1 d", "-5 s", "0 s", "25 h", "1e9 h", "5 m"} {
		if _, probs := Parse("x", []byte(plate(`- points: [{x: 0, y: 0}]`, "pause: "+text+onePass))); probs.Err() == nil {
			t.Errorf("pause %q accepted", text)
		}
	}
}

func TestContains(t *testing.T) {
	ell := Outline{Shape: "polygon", Points: [][2]float64{{0, 0}, {4, 0}, {4, 2}, {2, 2}, {2, 4}, {0, 4}}}
	for _, c := range []struct {
		o    Outline
		x, y float64
		want bool
	}{
		{Outline{Shape: "circle", X: 1, Y: 1, R: 2}, 1, 3, true},
		{Outline{Shape: "circle", X: 1, Y: 1, R: 2}, 2.5, 2.5, false},
		{Outline{Shape: "rectangle", X: 1, Y: 1, W: 2, H: 4}, 2, 3, true},
		{Outline{Shape: "rectangle", X: 1, Y: 1, W: 2, H: 4}, 2.1, 0, false},
		{ell, 1, 3, true},
		{ell, 3, 1, true},
		{ell, 3, 3, false},
		{ell, -1, 1, false},
		{Outline{Shape: "star"}, 0, 0, false},
	} {
		if got := c.o.contains(c.x, c.y); got != c.want { // by hand
			t.Errorf("%s contains %v, %v: %v, want %v", c.o.Shape, c.x, c.y, got, c.want)
		}
	}
}

func TestProblems(t *testing.T) {
	w := Problem{File: "a.yaml", Line: 3, Col: 5, Path: "steps[0]", What: "w", Want: "x", Warning: true}
	e := Problem{File: "a.yaml", Line: 2, Col: 1, What: "e", Want: "y"}
	if got, want := w.String(), "a.yaml:3:5: warning: steps[0]: w; x"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if err := (Problems{w}).Err(); err != nil {
		t.Errorf("a warning alone is an error: %v", err)
	}
	ps := Problems{w, e, e}.sorted()
	if err := ps.Err(); err == nil || err.Error() != "a.yaml:2:1: error: e; y" {
		t.Errorf("error %v", err)
	}
	if d := cmp.Diff(Problems{w}, ps.Warnings()); d != "" {
		t.Error(d)
	}
	var pe problemsError
	if !errors.As(ps.Err(), &pe) || len(pe) != 1 {
		t.Errorf("problems %v, want the one error", pe)
	}
}

func TestNearest(t *testing.T) {
	for got, want := range map[string]string{
		"torqe": "torque", "Torque": "torque", "mesure": "measure", "crosswise": "cross", "clokwise": "clockwise",
		"banana": "", "x": "", "": "", strings.Repeat("torque", 100): "",
	} {
		if m := nearest(got, []string{"torque", "measure", "cross", "clockwise"}); m != want {
			t.Errorf("nearest(%q) = %q, want %q", short(got), m, want)
		}
	}
}

// The schema that is printed is a valid schema of draft 2020-12 by its own
// meta-schema, and each of its keys says what it holds.
func TestSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(Schema())))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("urn:own", doc); err != nil {
		t.Fatal(err)
	}
	meta, err := c.Compile("https://json-schema.org/draft/2020-12/schema")
	if err != nil {
		t.Fatal(err)
	}
	if err := meta.Validate(doc); err != nil {
		t.Error(err)
	}
	var s struct {
		Properties map[string]any
		Defs       map[string]struct {
			Properties map[string]struct {
				Description string
				Ref         string `json:"$ref"`
			}
		} `json:"$defs"`
	}
	if err := json.Unmarshal(Schema(), &s); err != nil {
		t.Fatal(err)
	}
	if len(s.Properties) == 0 || len(s.Defs) < 10 {
		t.Fatalf("%d properties and %d definitions", len(s.Properties), len(s.Defs))
	}
	for name, d := range s.Defs {
		for key, p := range d.Properties {
			if p.Description == "" && described(schemaURL+p.Ref) == "" {
				t.Errorf("%s.%s has no description", name, key)
			}
		}
	}
}

// The example of the page about the form must be right.
func TestFormPage(t *testing.T) {
	page, err := os.ReadFile("form.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "```yaml\n")
	text, _, ok := strings.Cut(rest, "```")
	if !ok {
		t.Fatal("form.md has no example")
	}
	mustParse(t, text)
	for _, key := range keysOf(schemaURL + "#/$defs/step") {
		if !strings.Contains(string(page), "`"+key+"`") {
			t.Errorf("form.md does not speak of %s", key)
		}
	}
}

func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/wrong/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	more, err := filepath.Glob("demo/*.yaml")
	if err != nil || len(more) < 2 {
		f.Fatal(more, err)
	}
	for _, name := range append(files, more...) {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Add([]byte(plate(`- {ring: {count: 7, diameter: 100}}`, onePass)))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, probs := Parse("fuzz.yaml", text)
		if (p == nil) == (probs.Err() == nil) {
			t.Fatalf("procedure %v, error %v", p != nil, probs.Err())
		}
		for _, pr := range probs {
			if pr.Line < 1 || pr.Col < 1 || pr.What == "" || pr.Want == "" {
				t.Fatalf("problem without place, fault or remedy: %+v", pr)
			}
		}
		if p != nil {
			checkSound(t, p)
		}
	})
}

// checkSound holds what the rest of the program relies on, whatever the file.
func checkSound(t *testing.T, p *Procedure) {
	t.Helper()
	if p.ID == "" || p.Revision == "" || p.Title == "" || p.Unit == "" || p.Hash == "" || len(p.Steps) == 0 || p.Cautions[0] != Deference {
		t.Fatalf("procedure %+v is not whole", p)
	}
	for i, s := range p.Steps {
		if _, k := p.Step(s.ID); k != i || s.Title == "" {
			t.Fatalf("step %q is not the only one, or has no title", s.ID)
		}
		switch s.Kind {
		case Torque:
			checkJoint(t, s.Joint)
		case Measure:
			m := s.Measure
			if m.LSL.IsZero() && m.USL.IsZero() || m.Unit.IsZero() || !m.LSL.IsZero() && !m.USL.IsZero() && !(m.LSL.Base() < m.USL.Base()) {
				t.Fatalf("measure %+v", m)
			}
		default:
			if s.Statement == "" && len(s.Kit) == 0 && s.Press == nil && (s.Shim == nil || s.Measure == nil || s.Shim.From == "" || s.Shim.Most < 1) {
				t.Fatalf("step %q asks for nothing", s.ID)
			}
			checkParts(t, p, &s)
		}
	}
}

func checkJoint(t *testing.T, j *Joint) {
	t.Helper()
	if j.Class == "" || len(j.Fasteners) == 0 || len(j.Passes) == 0 {
		t.Fatalf("joint %+v is not whole", j)
	}
	last := make([]int, len(j.Fasteners))
	for k, pass := range j.Passes {
		in := pass.LSL.Base() > 0 && pass.LSL.Base() <= pass.Target.Base() && pass.Target.Base() <= pass.USL.Base() && pass.LSL.Base() < pass.USL.Base()
		if !in || len(pass.Order) == 0 || pass.Unit.Dimension() != quantity.DimTorque || pass.Name == "" {
			t.Fatalf("pass %+v", pass)
		}
		sorted := slices.Clone(pass.Order)
		slices.Sort(sorted)
		if len(slices.Compact(sorted)) != len(pass.Order) {
			t.Fatalf("order %v", pass.Order)
		}
		for _, i := range pass.Order {
			last[i] = k + 1
		}
	}
	for i, f := range j.Fasteners {
		if last[i] == 0 || j.Passes[last[i]-1].Loose || j.Fastener(f.ID) != i {
			t.Fatalf("fastener %q is not brought to its end, or not the only one", f.ID)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	text, err := os.ReadFile("demo/U6.yaml")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, probs := Parse("U6.yaml", text); len(probs) > 0 {
			b.Fatal(probs)
		}
	}
}
