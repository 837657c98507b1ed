package rules

import (
	"bytes"
	"reflect"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/rules/procedure/demo"
)

// TestAdopt: a state that takes over what another has made of the evidence is
// the same as one that makes it itself, decides the same, and makes nothing again.
func TestAdopt(t *testing.T) {
	for _, f := range demo.Files() {
		t.Run(f.ID, func(t *testing.T) {
			r := newRunner(t)
			r.open(t, "J", f.ID)
			b, err := r.s.Snapshot()
			if err != nil {
				t.Fatal(err)
			}
			alone, err1 := Restore(b)
			adopts, err2 := Restore(b)
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			weighed := 0
			for d := r.next("J"); d != nil; d = r.next("J") {
				r.seq++
				r.at += 1e6
				e := events.Entry{Seq: r.seq, Event: events.Event{Time: r.at, Data: d}}
				out := Decide(r.s, e)
				if also := Decide(adopts, e); !reflect.DeepEqual(out, also) {
					t.Fatalf("entry %d is decided otherwise:\n%+v\n%+v", e.Seq, out, also)
				}
				dec := events.Decided{Cause: e.Seq, CauseUs: e.Time, Outcomes: out}
				Evolve(r.s, dec)
				ws := r.s.WeighedBy(dec)
				Evolve(alone, dec)
				Evolve(adopts, dec)
				adopts.Adopt(ws)
				for _, x := range ws {
					w := adopts.Jobs["J"].Steps[x.step].Weigh[x.pass]
					if weighed++; w.filter == nil || w.taken != len(w.Log) || w.filter == r.s.Jobs["J"].Steps[x.step].Weigh[x.pass].filter {
						t.Fatalf("entry %d: the evidence on pass %d is not taken over as a filter of its own", e.Seq, x.pass)
					}
				}
			}
			want, err1 := alone.Snapshot()
			got, err2 := adopts.Snapshot()
			if err1 != nil || err2 != nil || !bytes.Equal(got, want) {
				t.Errorf("the state that takes over differs (%v, %v):\n%s", err1, err2, cmp.Diff(string(want), string(got)))
			}
			if torque := f.ID == "RA-210"; torque && weighed < 10 {
				t.Errorf("%d pulls were taken over", weighed)
			}
		})
	}
}
