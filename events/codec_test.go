package events

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
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
		`{"job.paused.v1":{},"job.paused.v1":{}}`, `{"job.paused.v1":{}`, `{"job.paused.v1":{}}}`, `{5:{}}`,
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
