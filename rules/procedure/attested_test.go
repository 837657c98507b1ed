package procedure

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// TestFormPageOfWhatIsAsked: the parts of form.md that stand alone are right
// when put into a procedure. The figures are invented.
func TestFormPageOfWhatIsAsked(t *testing.T) {
	page, err := os.ReadFile("form.md")
	if err != nil {
		t.Fatal(err)
	}
	_, mine, _ := strings.Cut(string(page), "## Loose ends")
	parts := strings.Split(mine, "```yaml\n")
	if len(parts) < 3 {
		t.Fatalf("form.md has %d examples of loose ends and questions, want 2", len(parts)-1)
	}
	ends, _, _ := strings.Cut(parts[1], "```")
	asks, _, _ := strings.Cut(parts[2], "```")
	ends, hardens, _ := strings.Cut(ends, "    # and on a later step:\n")
	marks, rest, _ := strings.Cut(asks, "    matches:")
	p := mustParse(t, `procedure: PX-2
revision: A
title: Case
unit: Case
faces:
  - {id: face, title: Face, outlines: [{shape: circle, r: 90}]}
steps:
  - {id: detents, title: Detents, kind: torque, face: face, class: C, fasteners: [{line: {count: 3, from: {x: -40, y: 0}, to: {x: 40, y: 0}}, prefix: D}], order: [D1, D2, D3], passes: [{name: final, target: 20 N·m, limits: ± 10 %}]}
  - id: slacken
    title: Slacken
    kind: attest
    statement: D2 is slack.
`+ends+marks+`
  - id: case
    title: Case
    kind: torque
    face: face
    class: C
    fasteners: [{ring: {count: 4, diameter: 150}}]
    order: cross
    passes: [{name: final, target: 20 N·m, limits: ± 10 %}]
    hold: lead
    needs: [slacken]
    matches:`+rest+hardens)
	if d := cmp.Diff([]LooseEnd{
		{ID: "detent", What: "Plug D2 slackened until the case is on", After: -1, Step: "detents", Fasteners: []int{1}, Pass: -1},
		{ID: "dowel", What: "Temporary dowel in the lower hole", After: -1, Pass: -1, Attest: "The dowel is out", Who: events.BySecond},
	}, p.Steps[1].Opens); d != "" {
		t.Errorf("loose ends (-want +got):\n%s", d)
	}
	last := &p.Steps[2]
	if last.Hold != events.ByLead || !last.Harder(&p.Steps[1].Opens[0], "slacken") || last.Needs[0] != "slacken" {
		t.Errorf("hold %q, hardens %v, needs %v", last.Hold, last.Hardens, last.Needs)
	}
	same := cmp.Comparer(func(a, b quantity.Value) bool { return a == b })
	unit := cmp.Comparer(func(a, b quantity.Unit) bool { return a == b })
	deg := func(v float64) quantity.Value { return quantity.Degrees(v).Value() }
	stop := Item{Kind: ItemStop, Travel: quantity.DimAngle, Unit: quantity.Degree, Spread: deg(2), Most: deg(8)}
	first, third := stop, stop
	first.ID, first.What, third.ID, third.What = "first", "Ring of gear first", "third", "Ring of gear third"
	want := []Item{
		{ID: "hub-mark", Kind: ItemMatch, What: "Paint mark on the 3-4 hub", MarkStep: "slacken"},
		{ID: "rear-ring", Kind: ItemFacing, What: "Rear snap ring", Todo: "Take it off with the pliers and turn it over",
			Choices: []Choice{{Text: "Sharp edge away from the gear"}, {Text: "Sharp edge towards the gear"}}},
		first, third,
		{ID: "bead", Kind: ItemSealant, What: "Face sealant", Where: []string{"Front face, inside the bolt holes"}, Never: []string{"Bearing bores", "Oil ways"},
			Open: 10 * time.Minute, Warn: 3 * time.Minute, Until: "case"},
	}
	if d := cmp.Diff(want, last.Items, same, unit); d != "" {
		t.Errorf("items (-want +got):\n%s", d)
	}
}
