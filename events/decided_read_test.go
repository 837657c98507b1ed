package events

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"witnessmark/events/quantity"
)

var sameValue = cmp.Comparer(func(a, b quantity.Value) bool { return a == b })

// TestDecisionsReadTheShortWay gives what the usual way gives, with any
// number of outcomes and any text in them.
func TestDecisionsReadTheShortWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Decided{Cause: rapid.Uint64().Draw(t, "cause"), CauseUs: Instant(rapid.Int64().Draw(t, "us")), Rules: rapid.String().Draw(t, "rules"), Outcomes: []Outcome{}}
		for range rapid.IntRange(0, 3).Draw(t, "outcomes") {
			text := rapid.StringOf(rapid.RuneFrom([]rune(`{}[]",:\ab`)))
			d.Outcomes = append(d.Outcomes, rapid.SampledFrom([]Outcome{
				{JobPaused{Job: text.Draw(t, "job"), Note: text.Draw(t, "note")}},
				{ReadingJudged{Reading: 7, Fastener: text.Draw(t, "fastener"), Value: quantity.NewtonMetres(35.25).Value()}},
			}).Draw(t, "outcome"))
		}
		typ, b, err := Encode(d)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Decode(typ, b)
		if err != nil {
			t.Fatal(err)
		}
		var want Decided
		if err := json.Unmarshal(b, &want); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(Data(want), got, sameValue); diff != "" {
			t.Fatalf("read %s (-usual +short):\n%s", b, diff)
		}
	})
}

// FuzzDecided: both ways accept the same texts and give the same.
func FuzzDecided(f *testing.F) {
	f.Add([]byte(`{"cause":7,"cause_us":-8,"rules":"1","outcomes":[{"job.paused.v1":{"job":"j-1","by":"ines","at_us":7}}]}`))
	f.Add([]byte(`{"cause":7,"cause_us":8,"rules":"1","outcomes":[{"job.paused.v1":{}},{"job.paused.v1":{}}]}`))
	f.Add([]byte(`{"cause":07,"cause_us":8,"rules":"\n","outcomes":[]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		short, ok := oneOutcome(b)
		if !ok {
			return
		}
		var usual Decided
		if err := json.Unmarshal(b, &usual); err != nil {
			t.Fatalf("read %s: %v, but the short way accepts it", b, err)
		}
		if diff := cmp.Diff(usual, short, sameValue); diff != "" {
			t.Fatalf("read %s (-usual +short):\n%s", b, diff)
		}
	})
}
