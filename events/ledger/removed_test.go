package ledger

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
)

// remove adds what tells of the removal of entries, without removing them.
func (s *script) remove(at events.Instant, which func(events.Entry) bool) (gone map[uint64]bool) {
	c := events.CapturesRemoved{Removal: "x1", Part: 1, Parts: 1, By: "ruth", Rule: "captures are kept for 10 years", Years: 10, BeforeUs: minute(50),
		Archive: "ab12", Sealed: 30, Name: "2036", AtUs: at}
	gone = map[uint64]bool{}
	var seqs []uint64
	kinds, devices := map[string]int64{}, map[string]*events.RemovedDevice{}
	for _, e := range s.entries {
		if !which(e) {
			continue
		}
		gone[e.Seq], seqs = true, append(seqs, e.Seq)
		name, _ := e.Data.EventType()
		kinds[name]++
		id := e.Source[len("device/"):]
		if devices[id] == nil {
			devices[id] = &events.RemovedDevice{Device: id}
		}
		switch d := e.Data.(type) {
		case events.ReadingTaken:
			devices[id].Readings++
			devices[id].LastReading = e.Seq
		case events.FrameRefused:
			c.Reasons = append(c.Reasons, events.RemovedCount{What: d.Reason, N: 1})
			devices[id].Refused++
			devices[id].LastRefused = e.Seq
		case events.FrameRepeated:
			devices[id].Repeated++
		}
		c.Numbers = append(c.Numbers, events.RemovedNumbers{Source: e.Source, From: e.Number, To: e.Number})
	}
	c.First, c.Last, c.Count, c.Bytes = seqs[0], seqs[len(seqs)-1], uint64(len(seqs)), 1000
	c.Runs, c.Leaves = events.PackRuns(seqs), make([]byte, 32*len(seqs))
	for _, k := range []string{"reading.taken", "samples.captured", "force.rising", "frame.refused", "frame.repeated"} {
		if kinds[k] > 0 {
			c.Kinds = append(c.Kinds, events.RemovedCount{What: k, N: kinds[k]})
		}
	}
	for _, id := range []string{"d-w1", "d-i1"} {
		if devices[id] != nil {
			c.Devices = append(c.Devices, *devices[id])
		}
	}
	c.Jobs = []events.RemovedCount{{What: "j-1", N: int64(len(seqs))}}
	s.add(events.SourceRetention, at, c)
	return gone
}

// TestThinnedRebuiltEqualsLive: a ledger that has seen captures go is that which
// is built without them, and what was judged, refused and counted stays.
func TestThinnedRebuiltEqualsLive(t *testing.T) {
	s := everything()
	before := open(t, newPath(t))
	apply(t, before, s.stored(t))
	gone := s.remove(minute(93), func(e events.Entry) bool {
		r, is := e.Data.(events.ReadingTaken)
		_, again := e.Data.(events.FrameRepeated)
		return is && r.Device == "d-w1" && e.Seq < 60 || again
	})
	if len(gone) < 5 {
		t.Fatalf("%d captures removed, want a few", len(gone))
	}
	whole := s.stored(t)
	var thin []events.Entry
	for _, e := range whole {
		if !gone[e.Seq] {
			thin = append(thin, e)
		}
	}
	live, rebuilt := open(t, newPath(t)), open(t, newPath(t))
	for i := 0; i < len(whole); i += 7 {
		apply(t, live, whole[i:min(i+7, len(whole))])
	}
	for i := 0; i < len(thin); i += 5 {
		apply(t, rebuilt, thin[i:min(i+5, len(thin))])
	}
	if d := cmp.Diff(dumpOf(t, live), dumpOf(t, rebuilt)); d != "" {
		t.Errorf("live ledger and one built of the thinned journal (-live +rebuilt):\n%s", d)
	}
	ctx := t.Context()
	for _, job := range []string{"j-1", "j-3"} {
		was, now := must(before.JudgementsOf(ctx, job))(t), must(rebuilt.JudgementsOf(ctx, job))(t)
		if d := cmp.Diff(was, now, exact); d != "" {
			t.Errorf("judgements of %s (-before +after):\n%s", job, d)
		}
	}
	was, now := must(before.Devices(ctx))(t), must(rebuilt.Devices(ctx))(t)
	for i := range was {
		if was[i].Readings != now[i].Readings || was[i].Refused != now[i].Refused || was[i].Repeated != now[i].Repeated {
			t.Errorf("device %s has counted %d, %d, %d before and %d, %d, %d after", was[i].ID, was[i].Readings, was[i].Refused, was[i].Repeated, now[i].Readings, now[i].Refused, now[i].Repeated)
		}
	}
	if holes := must(rebuilt.Holes(ctx))(t); len(holes) > 0 {
		t.Errorf("what was removed shows as holes: %v", holes)
	}
	if of := must(rebuilt.RemovedOf(ctx, "j-1"))(t); len(of) != 2 || of[1].OfJob != int64(len(gone)) || of[1].By != "ruth" {
		t.Errorf("removed of j-1: %+v", of)
	}
	if all := must(rebuilt.Removals(ctx))(t); len(all) != 2 {
		t.Errorf("%d removals, want 2", len(all))
	}

	// One that is gone beyond what was told stays a hole.
	more := open(t, newPath(t))
	apply(t, more, append(append([]events.Entry(nil), thin[:8]...), thin[9:]...))
	if holes := must(more.Holes(ctx))(t); len(holes) != 1 || holes[0].First != thin[8].Seq || holes[0].Last != thin[8].Seq {
		t.Errorf("entry %d is lost; holes: %v", thin[8].Seq, holes)
	}

	// An old copy of the ledger that ends among them must be built anew.
	old := open(t, newPath(t))
	apply(t, old, whole[:20])
	var rest []events.Entry
	for _, e := range thin {
		if e.Seq > 20 {
			rest = append(rest, e)
		}
	}
	if err := old.Apply(ctx, rest); !errors.Is(err, errHalf) {
		t.Errorf("apply a thinned journal to a ledger that has seen a part: %v", err)
	}
}
