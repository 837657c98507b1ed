package ledger

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// TestEveryPartsFieldComesBack is TestEveryFieldComesBack for parts, presses
// and photos.
func TestEveryPartsFieldComesBack(t *testing.T) {
	part := filled[events.PartRecorded](1)
	undone := filled[events.PartUndone](2)
	undone.Job, undone.Step, undone.Part = part.Job, part.Step, part.Part
	cleared := filled[events.PressCleared](3)
	press := filled[events.PressJudged](4)
	press.Force, press.Jump, press.Travel = quantity.Newtons(5000.5).Value(), quantity.Newtons(1200.25).Value(), quantity.Millimetres(12.5).Value()
	recheck := filled[events.PressRecheckNoted](5)
	photo := filled[events.PhotoKept](6)
	s := new(script)
	s.decide(1, minute(2), part, undone, cleared, press, recheck, photo, filled[events.PartPicked](7))
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()
	check := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	got := must(l.PartsOf(ctx, part.Job))(t)[0]
	check("part", part, got.PartRecorded)
	check("undone", undone, events.PartUndone{Job: got.Job, Step: got.Step, Part: got.Part, By: got.UndoneBy, Reason: got.UndoneReason, AtUs: got.UndoneAtUs})
	check("cleared", cleared, must(l.ClearancesOf(ctx, cleared.Job))(t)[0].PressCleared)
	check("press", press, must(l.PressingsOf(ctx, press.Job))(t)[0].PressJudged)
	check("recheck", recheck, must(l.RechecksOf(ctx, recheck.Job))(t)[0].PressRecheckNoted)
	check("photo", photo, must(l.PhotosOf(ctx, photo.Job))(t)[0].PhotoKept)
	check("photo by hash", photo, must(l.PhotoByHash(ctx, photo.Hash))(t).PhotoKept)
}

// Consumption counts what counts: undone lines are left out, lots are found
// again. By hand.
func TestConsumption(t *testing.T) {
	part := func(job, id, number, name, trace string, n int, c events.Condition, at events.Instant) events.PartRecorded {
		return events.PartRecorded{Job: job, Step: "kit", Part: id, Number: number, Name: name, Count: n, Trace: trace, Condition: c, By: "ines", AtUs: at}
	}
	s := new(script)
	s.decide(1, minute(2), part("j1", "ring", "PX-118", "ring", "AB1234", 3, events.PartNew, minute(2)), part("j1", "hub", "PX-204", "hub", "", 1, events.PartReused, minute(2)))
	s.decide(2, minute(3), part("j2", "ring", "PX-118", "snap ring", "AB1234", 2, events.PartNew, minute(3)), part("j2", "hub", "PX-204", "hub", "", 1, events.PartNew, minute(3)))
	s.decide(3, minute(4), events.PartUndone{Job: "j2", Step: "kit", Part: "hub", By: "ines", Reason: "wrong one", AtUs: minute(4)})
	s.decide(4, minute(9), part("j3", "ring", "PX-118", "snap ring", "CD0001", 3, events.PartNew, minute(9)))
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	want := []PartUse{{Number: "PX-118", Name: "snap ring", New: 5, Jobs: 2}, {Number: "PX-204", Name: "hub", Reused: 1, Jobs: 1}}
	if d := cmp.Diff(want, must(l.PartsUsed(t.Context(), Span{To: minute(9)}))(t)); d != "" {
		t.Errorf("consumption (-want +got):\n%s", d)
	}
	var jobs []string
	for _, p := range must(l.PartsWith(t.Context(), "AB1234", "PX-118"))(t) {
		jobs = append(jobs, p.Job)
	}
	if d := cmp.Diff([]string{"j1", "j2"}, jobs); d != "" {
		t.Errorf("jobs of the lot (-want +got):\n%s", d)
	}
}

// Of a pressing the ledger keeps how many samples there were, and not them.
func TestStrokeStaysInTheJournal(t *testing.T) {
	s := new(script)
	want := filled[events.ReadingTaken](1)
	want.Angle, want.Trace = quantity.Degrees(33).Value(), nil
	seq := s.add(events.DeviceSource("d-w1"), minute(1), want)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	got := must(l.Reading(t.Context(), seq))(t)
	if got.StrokeSamples != len(want.Stroke.Force) || got.Stroke != nil {
		t.Errorf("%d samples, stroke %v; want %d and none", got.StrokeSamples, got.Stroke, len(want.Stroke.Force))
	}
}

// inventedParts adds a kit, a pressing and a photo to an invented journal.
func inventedParts(s *script, desk func(events.Instant, events.Data) uint64) {
	at := minute(60)
	tooth := []events.Attribute{{Key: "tooth", Value: "fine"}}
	a := desk(at, events.PartScanned{Ask: ask("ines", "axle", at), Job: "j-parts", Step: "kit", Text: "PX-204"})
	s.decide(a, at, events.PartPicked{Job: "j-parts", Step: "kit", Part: "hub", Scanned: true, Missing: []string{"its serial", "tooth: fine or coarse"}, By: "ines", AtUs: at})
	a = desk(at, events.PartAnswered{Ask: ask("ines", "axle", at), Job: "j-parts", Step: "kit", Part: "hub", Trace: "00417", Condition: events.PartReused, Attributes: tooth})
	s.decide(a, at, events.PartRecorded{Job: "j-parts", Step: "kit", Part: "hub", Number: "PX-204", Name: "hub", Count: 1, Trace: "00417", Serial: true,
		Condition: events.PartReused, Scanned: true, Attributes: tooth, By: "ines", AtUs: at})
	a = desk(at, events.PartUndoAsked{Ask: ask("ines", "axle", at), Job: "j-parts", Step: "kit", Part: "hub", Reason: "the wrong hub"})
	s.decide(a, at, events.PartUndone{Job: "j-parts", Step: "kit", Part: "hub", By: "ines", Reason: "the wrong hub", AtUs: at})
	hands := []events.PartInHand{{Part: "hub", Trace: "00418", Attributes: tooth}}
	a = desk(at, events.PressReadyAsked{Ask: ask("ines", "axle", at), Job: "j-parts", Step: "pins", Place: "P1", Parts: hands})
	s.decide(a, at, events.PressCleared{Job: "j-parts", Step: "pins", Place: "P1", Parts: hands, By: "ines", AtUs: at})
	s.decide(a, at, events.PressJudged{Reading: 66, Job: "j-parts", Step: "pins", Place: "P1", Seat: events.SeatReached, Force: quantity.Newtons(2000).Value(), Jump: quantity.Newtons(3200).Value(),
		AfterUs: 50000, Samples: 3, Text: "seated", By: "ines", AtUs: at})
	a = desk(at, events.PressRechecked{Ask: ask("ines", "axle", at), Job: "j-parts", Step: "pins", Place: "P1", Good: true, Answer: "0.7 mm below"})
	s.decide(a, at, events.PressRecheckNoted{Job: "j-parts", Step: "pins", Place: "P1", Good: true, Answer: "0.7 mm below", By: "ines", AtUs: at})
	a = desk(at, events.PhotoTaken{Ask: ask("ines", "axle", at), Job: "j-parts", Step: "pins", Hash: "ab", Size: 812345, Type: "image/jpeg", Width: 4000, Height: 3000})
	s.decide(a, at, events.PhotoKept{Photo: "P1", Job: "j-parts", Step: "pins", Hash: "ab", Size: 812345, Type: "image/jpeg", Width: 4000, Height: 3000, By: "ines", AtUs: at})
}
