package ledger

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

// Refusals and changes of access come back with every field, newest first.
func TestAccessComesBack(t *testing.T) {
	s := new(script)
	one, two := filled[events.AccessRefused](1), filled[events.AccessRefused](30)
	made := filled[events.AccessChanged](60)
	s.add("access", minute(1), one)
	s.add("access", minute(2), two)
	s.add("access", minute(3), made)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	if d := cmp.Diff([]AccessRefusal{{2, two}, {1, one}}, must(l.AccessRefusals(t.Context(), 0))(t)); d != "" {
		t.Errorf("refusals (-want +got):\n%s", d)
	}
	if got := must(l.AccessRefusals(t.Context(), 1))(t); len(got) != 1 || got[0].Seq != 2 {
		t.Errorf("the newest refusal: %+v", got)
	}
	if d := cmp.Diff([]AccessChange{{3, made}}, must(l.AccessChanges(t.Context(), 0))(t)); d != "" {
		t.Errorf("changes (-want +got):\n%s", d)
	}
}
