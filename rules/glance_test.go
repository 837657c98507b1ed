package rules

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure/demo"
)

// What a glance says of a pull, Decide says too, with the evidence added:
// values from far below to far above the limits, in every place of the demo
// procedures. It says something of most pulls inside the limits.
func TestGlanceIsWhatDecideSays(t *testing.T) {
	for _, f := range demo.Files() {
		t.Run(f.ID, func(t *testing.T) {
			r := newRunner(t)
			r.open(t, "J", f.ID)
			glances, inside := 0, 0
			for d := r.next("J"); d != nil; d = r.next("J") {
				if pull, ok := d.(events.ReadingTaken); ok {
					for _, share := range []float64{0.3, 0.8, 0.97, 1, 1.04, 1.3} {
						p := pull
						p.Value = pull.Value.WithBase(share * pull.Value.Base())
						p.Text = fmt.Sprintf("%.3f", p.Value.Base())
						if holdsGlance(t, r, p) && share == 1 {
							glances++
						}
					}
					if pull.Mode == events.ModePeak {
						inside++
					}
				}
				r.tell(d)
			}
			if inside > 0 && glances < inside/2 {
				t.Errorf("a glance at %d of %d pulls inside the limits, want most", glances, inside)
			}
		})
	}
}

// holdsGlance compares a glance at a pull with the decision on it, without
// folding it, and reports whether there was one.
func holdsGlance(t *testing.T, r *runner, d events.ReadingTaken) bool {
	t.Helper()
	e := events.Entry{Seq: r.seq + 1, Event: events.Event{Time: r.at + 1e6, Data: d}}
	got, ok := Glance(r.s, e)
	if !ok {
		return false
	}
	for _, o := range Decide(r.s, e) {
		if want, is := o.Data.(events.ReadingJudged); is && want.Reading == e.Seq {
			want.Grade, want.P, want.Next = "", 0, ""
			if diff := cmp.Diff(want, got, cmpopts.EquateComparable(quantity.Value{})); diff != "" {
				t.Errorf("%s %s at %s: decided (-), at a glance (+):\n%s", d.Text, d.Unit, want.Fastener, diff)
			}
			return true
		}
	}
	t.Errorf("%s %s: judged at a glance, but Decide does not judge it", d.Text, d.Unit)
	return true
}
