package ledger

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// attested adds to job j-3: a rag is left in the sump and taken out, a
// ring is asked about and a hold point is passed. All of it is invented.
func (s *script) attested() {
	desk := func(at events.Instant, d events.Data) uint64 { return s.add(events.SourceDesk, at, d) }
	a := desk(minute(61), events.LooseEndOpenAsked{Ask: ask("ines", "axle", minute(61)), Job: "j-3", Step: "cover", What: "rag in the sump", Closes: "the rag is out", Who: events.BySecond})
	s.decide(a, minute(61), events.LooseEndOpened{Job: "j-3", LooseEnd: "L61", Step: "cover", What: "rag in the sump", Closes: "the rag is out", Who: events.BySecond, Adhoc: true, Seq: a, By: "ines", AtUs: minute(61)})
	a = desk(minute(62), events.LooseEndCloseAsked{Ask: ask("tomas", "axle", minute(62)), Job: "j-3", LooseEnd: "L61", Answer: "seen, it is out"})
	s.decide(a, minute(62), events.LooseEndClosed{Job: "j-3", LooseEnd: "L61", How: "attested by a second person", Answer: "seen, it is out", Readings: []uint64{7, 8}, By: "tomas", AtUs: minute(62)},
		events.LooseEndReopened{Job: "j-3", LooseEnd: "L61", Why: "reading 7 counts no longer", AtUs: minute(62)})
	a = desk(minute(63), events.ItemAnswerAsked{Ask: ask("ines", "axle", minute(63)), Job: "j-3", Step: "cover", Item: "ring-1", Answer: events.StopStops, Other: events.StopStops, Text: "2.5", Unit: "deg"})
	s.decide(a, minute(63), events.ItemAnswered{Job: "j-3", Step: "cover", Item: "ring-1", Kind: "stop", What: "ring 1", Answer: events.StopStops, Other: events.StopStops, Good: true,
		Text: "stops both ways", Travel: quantity.Degrees(2.5).Value(), By: "ines", AtUs: minute(63)})
	a = desk(minute(64), events.ItemDecisionAsked{Ask: ask("maren", "axle", minute(64)), Job: "j-3", Step: "cover", Item: "ring-1", Choice: events.ChoiceAccept, Reason: "as the maker allows"})
	s.decide(a, minute(64), events.ItemDecided{Job: "j-3", Step: "cover", Item: "ring-1", Choice: events.ChoiceAccept, Was: "turns on", By: "maren", Reason: "as the maker allows", AtUs: minute(64)},
		events.SealantClosed{Job: "j-3", Step: "cover", Item: "bead", InTime: true, AtUs: minute(64)},
		events.HoldOpened{Job: "j-3", Step: "cover", Hold: events.ByLead, By: "ines", AtUs: minute(64)})
	a = desk(minute(65), events.HoldReleaseAsked{Ask: ask("maren", "axle", minute(65)), Job: "j-3", Step: "cover", Note: "looked at all twelve"})
	s.decide(a, minute(65), events.HoldReleased{Job: "j-3", Step: "cover", Note: "looked at all twelve", By: "maren", AtUs: minute(65)},
		events.HoldWithdrawn{Job: "j-3", Step: "cover", Why: "a bolt was sent back", AtUs: minute(65)})
	a = desk(minute(66), events.BadgeScanned{Ask: ask("", "axle", minute(66)), Badge: "FD-0407"})
	s.decide(a, minute(66), events.BenchTaken{Bench: "axle", Person: "ines", Was: "tomas", Job: "j-3", How: "badge", AtUs: minute(66)})
}

// TestEveryAttestedFieldComesBack is TestEveryFieldComesBack for what people
// attest.
func TestEveryAttestedFieldComesBack(t *testing.T) {
	opened := filled[events.LooseEndOpened](1)
	closed := filled[events.LooseEndClosed](2)
	closed.Job = opened.Job
	again := filled[events.LooseEndReopened](3)
	again.Job = opened.Job
	item := filled[events.ItemAnswered](4)
	decided := filled[events.ItemDecided](5)
	sealed := filled[events.SealantClosed](6)
	held := filled[events.HoldOpened](7)
	released := filled[events.HoldReleased](8)
	withdrawn := filled[events.HoldWithdrawn](9)
	released.Job, withdrawn.Job = held.Job, held.Job
	taken := filled[events.BenchTaken](10)

	s := new(script)
	s.decide(1, minute(2), opened, closed, again, item, decided, sealed, held, released, withdrawn, taken)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()

	check := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	check("loose end", opened, must(l.LooseEnds(ctx, opened.Job))(t)[0].LooseEndOpened)
	fates := must(l.LooseEndFates(ctx, opened.Job))(t)
	check("closed", closed, events.LooseEndClosed{Job: fates[0].Job, LooseEnd: fates[0].LooseEnd, How: fates[0].How, Answer: fates[0].Answer,
		Readings: fates[0].Readings, By: fates[0].By, AtUs: fates[0].AtUs})
	check("reopened", again, events.LooseEndReopened{Job: fates[1].Job, LooseEnd: fates[1].LooseEnd, Why: fates[1].How, AtUs: fates[1].AtUs})
	check("item", item, must(l.ItemsOf(ctx, item.Job))(t)[0].ItemAnswered)
	check("item decision", decided, must(l.ItemDecisions(ctx, decided.Job))(t)[0].ItemDecided)
	check("sealant", sealed, must(l.SealantsClosed(ctx, sealed.Job))(t)[0].SealantClosed)
	holds := must(l.Holds(ctx, held.Job))(t)
	check("hold opened", held, events.HoldOpened{Job: holds[0].Job, Step: holds[0].Step, Hold: holds[0].Hold, Answer: holds[0].Note, By: holds[0].By, AtUs: holds[0].AtUs})
	check("hold released", released, events.HoldReleased{Job: holds[1].Job, Step: holds[1].Step, Note: holds[1].Note, By: holds[1].By, AtUs: holds[1].AtUs})
	check("hold withdrawn", withdrawn, events.HoldWithdrawn{Job: holds[2].Job, Step: holds[2].Step, Why: holds[2].Note, AtUs: holds[2].AtUs})
	check("bench taken", taken, must(l.BenchTakings(ctx, taken.Job))(t)[0].BenchTaken)
}
