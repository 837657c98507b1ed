package procedure_test

import (
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// A joint of class A wants more than the number of pulls, and so has a closing
// round; the others have none unless they ask for it.
func TestClosingRound(t *testing.T) {
	text, err := os.ReadFile("demo/RA-210.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, problems := procedure.Parse("RA-210.yaml", text)
	if problems.Err() != nil {
		t.Fatal(problems.Err())
	}
	for _, s := range p.Steps {
		j := s.Joint
		if j == nil {
			continue
		}
		want := events.Counted
		if j.Class == procedure.ClassA {
			want = events.Reasoned
		}
		if j.Evidence != want {
			t.Errorf("%s, class %s: evidence %q, want %q", s.ID, j.Class, j.Evidence, want)
		}
		for i, f := range j.Fasteners {
			k := j.ClosingOf(i)
			if (k >= 0) != (want == events.Reasoned) {
				t.Errorf("%s, fastener %s: closing pass %d", s.ID, f.ID, k)
			}
			if k < 0 {
				continue
			}
			c, final := j.Passes[k], j.Passes[k-len(closings(j))]
			if diff := cmp.Diff([]any{final.LSL, final.USL, final.Target, false}, []any{c.LSL, c.USL, c.Target, c.Loose}, cmp.AllowUnexported(final.LSL)); diff != "" {
				t.Errorf("%s: the closing round differs from the final pass (-final +closing):\n%s", s.ID, diff)
			}
		}
	}
}

func closings(j *procedure.Joint) (out []int) {
	for k := range j.Passes {
		if j.Passes[k].Closing {
			out = append(out, k)
		}
	}
	return out
}
