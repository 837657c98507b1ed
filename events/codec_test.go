package events

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events/quantity"
)

func TestOutcomeForm(t *testing.T) {
	want := Outcome{JobPaused{Job: "j-1", By: "ines", Note: `a "quoted" } note`, AtUs: 7}}
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{string(b), " " + strings.Replace(string(b), ":", " :\n", 1) + "\n"} {
		var got Outcome
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			t.Fatalf("read %s: %v", text, err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("read %s (-want +got):\n%s", text, d)
		}
	}
}

func TestOutcomeRefused(t *testing.T) {
	for _, bad := range []string{
		``, `{}`, `[]`, `null`, `5`, `{"job.paused.v1"}`, `{"job.paused.v1":}`, `{"job.paused.v1":5}`, `{"job.paused":{}}`,
		`{"job.paused.v1":{},"job.paused.v1":{}}`, `{"job.paused.v1":{}`, `{"job.paused.v1":{}}}`, `{"job\u002epaused.v1":{}}`, `{5:{}}`,
	} {
		var o Outcome
		if err := o.UnmarshalJSON([]byte(bad)); err == nil {
			t.Errorf("read %s: got %v, want an error", bad, o)
		}
	}
	for _, newer := range []string{`{"job.paused.v2":{}}`, `{"job.painted.v1":{}}`} {
		var o Outcome
		if err := json.Unmarshal([]byte(newer), &o); !errors.Is(err, ErrNewer) {
			t.Errorf("read %s: error %v, want ErrNewer", newer, err)
		}
	}
}

// FuzzOutcome: what is read is written again and read as the same.
func FuzzOutcome(f *testing.F) {
	f.Add([]byte(`{"job.paused.v1":{"job":"j-1","by":"ines","at_us":7}}`))
	f.Add([]byte(`{"reading.judged.v1":{"reading":7,"value":{"torque_nm":35.25}}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var o, again Outcome
		if json.Unmarshal(b, &o) != nil {
			return
		}
		text, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, &again); err != nil {
			t.Fatalf("read back %s: %v", text, err)
		}
		more, err := json.Marshal(again)
		if err != nil || string(more) != string(text) {
			t.Fatalf("wrote %s, then %s, %v", text, more, err)
		}
	})
}

// BenchmarkDecode reads a reading and a decision as a journal holds them.
func BenchmarkDecode(b *testing.B) {
	v := quantity.NewtonMetres(35.25).Value()
	for _, d := range []Data{
		ReadingTaken{Device: "d-w1", Tool: "w1", Bench: "axle", Mode: ModePeak, Text: "35.25", Unit: "N.m", Value: v, Resolution: v, Angle: v,
			DurationUs: 850_000, ToolStatus: "ok", ReceivedAtUs: 7, Profile: "orrin-k2@1a2b", Bytes: []byte("K2,35.25\r\n"), Offset: 10},
		Decided{Cause: 7, CauseUs: 8, Rules: "1", Outcomes: []Outcome{{ReadingJudged{Reading: 7, Job: "j-1", Step: "cover", Fastener: "1",
			Verdict: Within, Grade: Counted, Value: v, Text: "35.25", Unit: "N.m", LSL: v, Target: v, USL: v, U: v, Tool: "w1",
			Calibrated: "2025-11-03", Bench: "axle", By: "ines", AtUs: 8, Next: "2"}}}},
	} {
		typ, text, err := Encode(d)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(typ, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Decode(typ, text); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
