package record

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// TestFoldIsThatOfTheService: what the record folds out of the ledger is what
// the rules fold out of the journal, for all that a record tells.
func TestFoldIsThatOfTheService(t *testing.T) {
	exact := cmp.Options{
		cmp.Comparer(func(a, b quantity.Value) bool { return a == b }),
		// What pulls are weighed by, and late readings held against, is of use to
		// the rules alone.
		cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".Weigh" || p.Last().String() == ".ChangedAt" }, cmp.Ignore()),
	}
	for name, s := range map[string]*story{"halfway": halfway(), "weighed": weighed(), "audited": audited()} {
		t.Run(name, func(t *testing.T) {
			live := rules.New()
			for _, e := range s.entries {
				if d, ok := e.Data.(events.Decided); ok {
					rules.Evolve(live, d)
				}
			}
			want := live.Jobs["j-1"]
			var got *rules.Job
			err := s.ledger(t).AtOnce(t.Context(), func(q *ledger.Queries) error {
				f, err := gather(t.Context(), q, "j-1")
				if err == nil {
					f.record()
					got = f.state
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			for what, pair := range map[string][2]any{
				"steps":     {want.Steps, got.Steps},
				"question":  {want.Question, got.Question},
				"set aside": {want.Aside, got.Aside},
				"audit":     {want.Audit, got.Audit},
				"residuals": {want.Residuals, got.Residuals},
			} {
				if d := cmp.Diff(pair[0], pair[1], exact); d != "" {
					t.Errorf("%s (-service +record):\n%s", what, d)
				}
			}
		})
	}
}
