package procedure

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events/quantity"
)

// The examples of form.md for kits and presses, put together, must be right,
// and hold what they say.
func TestKitAndPress(t *testing.T) {
	page, err := os.ReadFile("form.md")
	if err != nil {
		t.Fatal(err)
	}
	_, kits, _ := strings.Cut(string(page), "## Kits and parts")
	blocks := strings.Split(kits, "```yaml\n")
	if len(blocks) < 3 {
		t.Fatalf("form.md has %d examples of kits and presses, want 2", len(blocks)-1)
	}
	text := "procedure: PX-1\nrevision: A\ntitle: T\nunit: U\n"
	for _, b := range blocks[1:3] {
		b, _, _ = strings.Cut(b, "```")
		text += b
	}
	text = strings.Replace(text, "{number: PX-118", "{id: hub, number: PX-205, name: hub, attributes: {tooth: [fine, coarse]}}\n      - {id: cone, number: PX-301, name: cone, attributes: {class: [A, B]}}\n"+
		"      - {id: cup, number: PX-302, name: cup, condition: re-used, scan: true, attributes: {class: [A, B]}}\n      - {number: PX-118", 1)
	p := mustParse(t, text)
	re := cmp.Comparer(func(a, b *regexp.Regexp) bool { return a == b || a != nil && b != nil && a.String() == b.String() })
	same := cmp.Options{re, cmp.AllowUnexported(quantity.Value{}, quantity.Unit{})}
	class, tooth := []AttributeSpec{{"class", []string{"A", "B"}}}, []AttributeSpec{{"tooth", []string{"fine", "coarse"}}}
	wantKit := []Part{
		{ID: "hub", Number: "PX-205", Name: "hub", Count: 1, New: true, Attributes: tooth},
		{ID: "cone", Number: "PX-301", Name: "cone", Count: 1, New: true, Attributes: class},
		{ID: "cup", Number: "PX-302", Name: "cup", Count: 1, Reused: true, Scan: true, Attributes: class},
		{ID: "PX-118", Number: "PX-118", Name: "snap ring", Count: 3, New: true, Lot: true, Form: regexp.MustCompile("^(?:[A-Z]{2}[0-9]{4})$"), FormText: "[A-Z]{2}[0-9]{4}"},
		{ID: "sleeve", Number: "PX-204", Name: "sleeve", Count: 1, New: true, Reused: true, Serial: true, Attributes: tooth},
	}
	if d := cmp.Diff(wantKit, p.Steps[0].Kit, same); d != "" {
		t.Errorf("kit (-want +got):\n%s", d)
	}
	wantMates := []Mate{
		{ID: "sleeve-hub", A: PartAttribute{"sleeve", "tooth"}, B: PartAttribute{"hub", "tooth"}, Why: "A coarse sleeve jumps out of gear on a fine hub."},
		{ID: "race", A: PartAttribute{"cone", "class"}, B: PartAttribute{"cup", "class"}, Allowed: [][2]string{{"A", "A"}, {"A", "B"}, {"B", "B"}},
			Why: "Class B in class A runs without play and seizes."},
	}
	if d := cmp.Diff(wantMates, p.Mates); d != "" {
		t.Errorf("mates (-want +got):\n%s", d)
	}
	kn := func(v float64) quantity.Value { return quantity.Of(v, quantity.Kilonewton) }
	wantPress := &PressSpec{
		Places: []PressPlace{{ID: "P1", Title: "first pin"}, {ID: "P2", Title: "hub into sleeve", Mates: []string{"sleeve-hub"}}},
		LSL:    kn(2), USL: kn(8), Unit: quantity.Kilonewton, Seat: &SeatSpec{Jump: kn(1.5)},
		Recheck: &RecheckSpec{Ask: "Does the pin stand 0.5 to 1.0 mm below the surface?"}, ToolKinds: []string{"press_gauge"},
	}
	if d := cmp.Diff(wantPress, p.Steps[1].Press, same); d != "" {
		t.Errorf("press (-want +got):\n%s", d)
	}
	race := p.Mate("race")
	if !race.Fits("A", "B") || race.Fits("B", "A") || p.Mate("none") != nil {
		t.Error("the table does not say what goes together")
	}
}

// checkParts holds what the rules rely on of kits and presses.
func checkParts(t *testing.T, p *Procedure, s *Step) {
	t.Helper()
	for i := range s.Kit {
		k := &s.Kit[i]
		if found, _ := p.Part(k.ID); found == nil || found.ID != k.ID || k.Number == "" || k.Name == "" || k.Count < 1 || !k.New && !k.Reused || k.Serial && k.Lot {
			t.Fatalf("part %+v", *k)
		}
	}
	if s.Press == nil {
		return
	}
	if s.Kind != Press || len(s.Press.Places) == 0 || s.Press.USL.Dimension() != quantity.DimForce || s.Press.Unit.IsZero() {
		t.Fatalf("press %+v", *s.Press)
	}
	for i := range s.Press.Places {
		for _, id := range s.Press.Places[i].Mates {
			m := p.Mate(id)
			if m == nil {
				t.Fatalf("place names mate %q, which is not there", id)
			}
			for _, a := range []PartAttribute{m.A, m.B} {
				if part, _ := p.Part(a.Part); part == nil || part.Attribute(a.Key) == nil {
					t.Fatalf("mate %+v", *m)
				}
			}
		}
	}
}
