package ledger

import (
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// recalled adds a recall of wrench w1 to the invented journal, a signal of its
// chart and a suspicion.
func (s *script) recalled() {
	desk := func(at events.Instant, d events.Data) uint64 { return s.add(events.SourceDesk, at, d) }
	line := events.RecallLine{Line: 1, Reading: 70, Job: "j-3", UnitSerial: "RA-77122", Procedure: "RA-210", Revision: "B", Step: "cover", Fastener: "2", Class: "A",
		Status: "active", Verdict: events.Within, Value: quantity.PoundFeet(26.4).Value(), LSL: quantity.PoundFeet(24).Value(), USL: quantity.PoundFeet(28).Value(), AtUs: minute(43),
		ByTime: events.RecallWorth{Deviation: 3, True: 34.8, P: 0.01}, ByCycles: events.RecallWorth{Deviation: 4, True: 34.4, P: 0.02}, Worst: events.RecallWorth{Deviation: 9, True: 32.8, P: 0.4}}
	second := line
	second.Line, second.Reading, second.Fastener = 2, 59, "1"
	good := events.RecallStanding{What: "entered", AtUs: minute(0), Levels: []events.RecallLevel{{Deviation: 0.2, U: 1}}}
	bad := events.RecallStanding{What: "entered", AtUs: minute(48), Cycles: 9, Levels: []events.RecallLevel{{At: quantity.NewtonMetres(35).Value(), Deviation: 9, U: 1}}}
	a := desk(minute(49), events.RecallAsked{Ask: ask("maren", "", minute(49)), Recall: "R-w1-1", Tool: "w1", Good: good, Bad: bad, Position: 78, Least: 0.05, InSpan: 7, InDoubt: 2, Total: 2,
		Lines: []events.RecallLine{line}, Reason: "dropped"})
	s.decide(a, minute(49), events.RecallOpened{Recall: "R-w1-1", Tool: "w1", Good: good, Bad: bad, Position: 78, Least: 0.05, InSpan: 7, InDoubt: 2, Total: 2, By: "maren", Reason: "dropped", AtUs: minute(49)},
		events.RecallListed{Recall: "R-w1-1", Lines: []events.RecallLine{line}})
	a = desk(minute(49), events.RecallPartAsked{Ask: ask("maren", "", minute(49)), Recall: "R-w1-1", Lines: []events.RecallLine{second}})
	s.decide(a, minute(49), events.RecallListed{Recall: "R-w1-1", Lines: []events.RecallLine{second}})
	a = desk(minute(50), events.RecallLineAsked{Ask: ask("maren", "", minute(50)), Recall: "R-w1-1", Lines: []int{1, 2}, How: events.RecallAccepted, Reason: "the cover carries no load"})
	s.decide(a, minute(50), events.RecallLineClosed{Recall: "R-w1-1", Lines: []int{1, 2}, How: events.RecallAccepted, By: "maren", Reason: "the cover carries no load", AtUs: minute(50)},
		events.RecallClosed{Recall: "R-w1-1", By: "maren", AtUs: minute(50)},
		events.DriftSignalled{Tool: "w1", Point: quantity.NewtonMetres(35).Value(), Direction: "cw", Source: "c-9", Rule: "EWMA", High: true, SinceUs: minute(3), Value: 9, Centre: 0.2, SD: 0.4, ARL0: 370, ARL1: 4, Shift: 2, AtUs: minute(50)},
		events.ToolSuspected{Tool: "w1", Factor: 1.05, Lower: 1.03, Upper: 1.07, Pulls: 400, Visits: 40, Peers: 3, Z: 5, Bound: 4.1, False: 0.01, Why: "reads 5 % more", AtUs: minute(50)})
}

// TestEveryRecallFieldComesBack is TestEveryFieldComesBack for recalls, signals
// and suspicions.
func TestEveryRecallFieldComesBack(t *testing.T) {
	opened := filled[events.RecallOpened](1)
	listed := filled[events.RecallListed](2)
	listed.Recall = opened.Recall
	listed.Lines[0].Line, listed.Lines[1].Line = 1, 2
	closedLine := filled[events.RecallLineClosed](3)
	closedLine.Recall, closedLine.Lines = opened.Recall, []int{2}
	closed := filled[events.RecallClosed](4)
	closed.Recall = opened.Recall
	signal := filled[events.DriftSignalled](5)
	suspected := filled[events.ToolSuspected](6)
	s := new(script)
	s.decide(1, minute(1), opened, listed, closedLine, closed, signal, suspected)
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	ctx := t.Context()
	check := func(name string, want, got any) {
		t.Helper()
		if d := cmp.Diff(want, got, exact); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
	r := must(l.RecallNamed(ctx, opened.Recall))(t)
	check("recall", opened, r.RecallOpened)
	check("closed", closed, events.RecallClosed{Recall: r.Recall, By: r.ClosedBy, AtUs: r.ClosedAtUs})
	if r.Listed != 2 || r.Open != 1 || !r.Done() {
		t.Errorf("%d listed, %d open, done %v", r.Listed, r.Open, r.Done())
	}
	lines := must(l.RecallLines(ctx, opened.Recall))(t)
	for i := range lines {
		check("line", listed.Lines[i], lines[i].RecallLine)
	}
	got := lines[1]
	check("closed line", closedLine, events.RecallLineClosed{Recall: got.Recall, Lines: []int{got.Line}, How: got.How, Reading: got.Proof, By: got.ClosedBy, Reason: got.Reason, AtUs: got.ClosedAtUs})
	if !lines[0].Open() || got.Open() {
		t.Error("the wrong line is closed")
	}
	check("of the job", 1, len(must(l.RecallLinesOf(ctx, listed.Lines[0].Job))(t)))
	check("signal", signal, must(l.DriftSignals(ctx, signal.Tool))(t)[0].DriftSignalled)
	check("suspicion", suspected, must(l.Suspicions(ctx, suspected.Tool))(t)[0].ToolSuspected)
}

// pullsOf puts n judgements of two tools into a ledger, in batches of a size.
func pullsOf(t *testing.T, n, batch int) *Ledger {
	t.Helper()
	s := new(script)
	for i := range n {
		j := filled[events.ReadingJudged](i)
		j.Reading, j.Tool, j.AtUs = uint64(i+1), fmt.Sprintf("w%d", i%3%2), events.Instant(1000*i)
		j.Value, j.LSL, j.USL = quantity.NewtonMetres(100+float64(i%7)).Value(), quantity.NewtonMetres(float64(90+i%2)).Value(), quantity.Value{}
		j.U, j.Class = quantity.NewtonMetres(1).Value(), string(rune('A'+i%3))
		if i%100 == 0 {
			j.Value, j.Class = quantity.Value{}, ""
		}
		s.decide(uint64(i+1), events.Instant(i), j)
	}
	l := open(t, newPath(t))
	entries := s.stored(t)
	for len(entries) > 0 {
		k := min(batch, len(entries))
		apply(t, l, entries[:k])
		entries = entries[k:]
	}
	return l
}

// TestToolPullsComeBack: what is packed, and the rest, say what the judgements
// say, whatever the batches were.
func TestToolPullsComeBack(t *testing.T) {
	const n = 13_000
	for _, batch := range []int{n, 777} {
		l := pullsOf(t, n, batch)
		ctx := t.Context()
		for _, tool := range []string{"w0", "w1", "none"} {
			want := must(all(ctx, &l.Queries, "judgements", judgementColumns+"WHERE g.tool = ? ORDER BY g.id", scanJudgement, tool))(t)
			var got []ToolPull
			err := l.EachToolPulls(ctx, tool, 0, math.MaxInt64, func(p *ToolPulls) error {
				for i := range p.Len() {
					var q ToolPull
					p.Read(i, &q)
					got = append(got, q)
				}
				return nil
			})
			if err != nil || len(got) != len(want) {
				t.Fatalf("%s: %d pulls, want %d: %v", tool, len(got), len(want), err)
			}
			for i, w := range want {
				g := got[i]
				seq, index := place(g.ID)
				class := ""
				if g.Class != 0 {
					class = string(g.Class)
				}
				if seq != w.Seq || index != w.Index || g.AtUs != int64(w.AtUs) || class != w.Class || math.IsNaN(g.Value) != w.Value.IsZero() ||
					!w.Value.IsZero() && (g.Value != w.Value.Base() || g.Dim != w.Value.Dimension() || g.LSL != w.LSL.Base() || g.U != w.U.Base()) || !math.IsInf(g.USL, 1) {
					t.Fatalf("%s, pull %d: got %+v, want %+v", tool, i, g, w)
				}
			}
			for _, span := range [][2]events.Instant{{0, math.MaxInt64}, {1_000_000, 9_999_000}, {5_000_500, 5_003_000}, {20_000_000, 30_000_000}} {
				count := 0
				for _, w := range want {
					if span[0] <= w.AtUs && w.AtUs <= span[1] {
						count++
					}
				}
				if c := must(l.CountToolPulls(ctx, tool, span[0], span[1]))(t); c != count {
					t.Errorf("%s, %v: counted %d, want %d", tool, span, c, count)
				}
			}
		}
	}
}

// TestDoubtRows: a reading counts until it is voided, another takes its place,
// or the place is sent back.
func TestDoubtRows(t *testing.T) {
	s := new(script)
	judge := func(reading uint64, fastener string) {
		s.decide(reading, minute(1), events.ReadingJudged{Reading: reading, Job: "j", Step: "cover", Fastener: fastener, Tool: "w", Value: quantity.NewtonMetres(float64(reading)).Value()})
	}
	s.decide(1, minute(1), events.JobOpened{Job: "j", UnitSerial: "RA-1", Customer: "Fenholt", Procedure: "RA-210", Revision: "B"})
	judge(2, "1") // replaced by 3
	judge(3, "1")
	judge(4, "2") // voided
	s.decide(5, minute(1), events.ReadingVoided{Reading: 4, Job: "j", Step: "cover", Fastener: "2"})
	judge(6, "3") // sent back
	s.decide(7, minute(1), events.FastenerReset{Job: "j", Step: "cover", Fastener: "3"})
	judge(8, "4")
	judge(9, "4") // voided: 8 counts
	s.decide(10, minute(1), events.ReadingVoided{Reading: 9, Job: "j", Step: "cover", Fastener: "4"})
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	var ids []int64
	err := l.EachToolPulls(t.Context(), "w", 0, math.MaxInt64, func(p *ToolPulls) error {
		for i := range p.Len() {
			var q ToolPull
			p.Read(i, &q)
			ids = append(ids, q.ID)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, j := 0, len(ids)-1; i < j; i, j = i+1, j-1 {
		ids[i], ids[j] = ids[j], ids[i]
	}
	rows := must(l.DoubtRows(t.Context(), ids))(t)
	got := map[uint64]bool{}
	for i, r := range rows {
		got[r.Reading] = r.Counts
		if r.ID != ids[i] || r.UnitSerial != "RA-1" || r.Customer != "Fenholt" || r.Status != Active || r.Revision != "B" {
			t.Errorf("row %d: %+v", i, r)
		}
	}
	want := map[uint64]bool{2: false, 3: true, 4: false, 6: false, 8: true, 9: false}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("counts (-want +got):\n%s", d)
	}
}

// TestSampleMeans: of a run of samples mean and scatter are kept, oldest first.
func TestSampleMeans(t *testing.T) {
	s := new(script)
	for i := range 3 {
		s.add(events.DeviceSource("d"), minute(i), events.SamplesCaptured{Device: "d", Tool: "t9", Unit: "N.m", Values: []float64{float64(i), float64(i) + 2}, AtUs: []int64{0, 100}, FirstUs: minute(i)})
	}
	s.add(events.DeviceSource("d"), minute(9), events.SamplesCaptured{Device: "d", Tool: "t9", Unit: "N.m", FirstUs: minute(9)})
	l := open(t, newPath(t))
	apply(t, l, s.stored(t))
	got := must(l.SampleMeans(t.Context(), "t9", 2))(t)
	want := []SampleMean{{Seq: 2, AtUs: minute(1), Unit: "N.m", N: 2, Mean: 2, SD: math.Sqrt2}, {Seq: 3, AtUs: minute(2), Unit: "N.m", N: 2, Mean: 3, SD: math.Sqrt2}}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("means (-want +got):\n%s", d)
	}
}
