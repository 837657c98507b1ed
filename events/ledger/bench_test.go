package ledger

import (
	"context"
	"fmt"
	"testing"
	"time"

	"witnessmark/events"
)

// pairs makes n readings, each with its decision, of 20 jobs in turn: invented.
func pairs(n int) []events.Entry {
	s := new(script)
	for i := range n {
		r := pull(i, fmt.Sprintf("%.1f", 24+float64(i%40)/10), 24+float64(i%40)/10)
		seq := s.add("device/d-w1", minute(i), r)
		j := judged(seq, r, fmt.Sprint(i%12), events.Within)
		j.Job = fmt.Sprintf("j-%d", 1000+i/240)
		s.decide(seq, minute(i), j)
	}
	return s.entries
}

// weighedPairs is pairs of a job whose pulls are weighed: five explanations of
// each pull and the weights of 24 fasteners, as much as there can be.
func weighedPairs(n int) []events.Entry {
	es := pairs(n)
	ws := make([]events.FastenerWeight, 24)
	for i := range ws {
		ws[i] = events.FastenerWeight{Fastener: fmt.Sprint(i + 1), P: 1 / (1.003 + float64(i)/1000), Grade: events.Reasoned}
	}
	for i := range es {
		d, ok := es[i].Data.(events.Decided)
		if !ok {
			continue
		}
		j := d.Outcomes[0].Data.(events.ReadingJudged)
		w := events.PullWeighed{Reading: j.Reading, Job: j.Job, Step: j.Step, Tool: j.Tool, AtUs: j.AtUs, Torque: j.Value, Angle: j.Angle}
		for k := range 5 {
			w.Explanations = append(w.Explanations, events.Explanation{Kind: events.ExplainedOther, Fastener: fmt.Sprint(k), P: 1 / float64(3+i%7+k)})
		}
		d.Outcomes = append(d.Outcomes, events.Outcome{Data: w}, events.Outcome{Data: events.WitnessWeighed{Job: j.Job, Step: j.Step, Fasteners: ws, AllTight: 0.9}})
		es[i].Data = d
	}
	return es
}

// move gives the entries sequences that follow on from another run of them.
func follow(es []events.Entry, n uint64) {
	for i := range es {
		es[i].Seq += n
		switch d := es[i].Data.(type) {
		case events.Decided:
			d.Cause += n
			j := d.Outcomes[0].Data.(events.ReadingJudged)
			j.Reading += n
			d.Outcomes = append([]events.Outcome{{Data: j}}, d.Outcomes[1:]...)
			es[i].Data = d
		}
	}
}

// BenchmarkApply puts readings and their decisions into a growing ledger, and
// in turn the same rows into a bare file; ratio is the ledger's speed to that.
func BenchmarkApply(b *testing.B) {
	for _, size := range []int{1, 64, 4096} {
		b.Run(fmt.Sprintf("batch=%d", size), func(b *testing.B) {
			l := open(b, newPath(b))
			bare, err := OpenBare(newPath(b), true)
			if err != nil {
				b.Fatal(err)
			}
			defer bare.Close()
			es := pairs(max(size/2, 1))
			var ours, theirs time.Duration
			n := 0
			for b.Loop() {
				b.StopTimer()
				rows, err := RowsOf(es)
				if err != nil {
					b.Fatal(err)
				}
				start := time.Now()
				if err := bare.Insert(rows, len(rows)); err != nil {
					b.Fatal(err)
				}
				theirs += time.Since(start)
				b.StartTimer()
				start = time.Now()
				if err := l.Apply(context.Background(), es); err != nil {
					b.Fatal(err)
				}
				ours += time.Since(start)
				b.StopTimer()
				n += len(es)
				follow(es, uint64(len(es)))
				b.StartTimer()
			}
			b.ReportMetric(float64(n)/ours.Seconds(), "events/s")
			b.ReportMetric(float64(n)/theirs.Seconds(), "bare-rows/s")
			b.ReportMetric(float64(theirs)/float64(ours), "ratio")
		})
	}
}

// BenchmarkRebuild rebuilds from memory, against bare inserts of the same rows.
func BenchmarkRebuild(b *testing.B) {
	b.Run("judged", func(b *testing.B) { benchmarkRebuild(b, pairs(100_000)) })
	b.Run("weighed", func(b *testing.B) { benchmarkRebuild(b, weighedPairs(100_000)) })
}

func benchmarkRebuild(b *testing.B, es []events.Entry) {
	rows, err := RowsOf(es)
	if err != nil {
		b.Fatal(err)
	}
	var ours, theirs time.Duration
	n := 0
	for b.Loop() {
		b.StopTimer()
		bare, err := OpenBare(newPath(b), false)
		if err != nil {
			b.Fatal(err)
		}
		start := time.Now()
		if err := bare.Insert(rows, 10_000); err != nil {
			b.Fatal(err)
		}
		theirs += time.Since(start)
		_ = bare.Close()
		b.StartTimer()
		start = time.Now()
		if err := Rebuild(context.Background(), &memory{entries: es}, newPath(b), nil); err != nil {
			b.Fatal(err)
		}
		ours += time.Since(start)
		n += len(es)
	}
	b.ReportMetric(float64(n)/ours.Seconds(), "events/s")
	b.ReportMetric(float64(n)/theirs.Seconds(), "bare-rows/s")
	b.ReportMetric(float64(theirs)/float64(ours), "ratio")
}

// BenchmarkQueries asks a ledger of 200,000 readings.
func BenchmarkQueries(b *testing.B) {
	path := newPath(b)
	if err := Rebuild(context.Background(), &memory{entries: pairs(200_000)}, path, nil); err != nil {
		b.Fatal(err)
	}
	l := open(b, path)
	ctx := context.Background()
	run := func(name string, fn func(i int) error) {
		b.Run(name, func(b *testing.B) {
			i := 0
			for b.Loop() {
				if err := fn(i); err != nil {
					b.Fatal(err)
				}
				i++
			}
		})
	}
	run("reading", func(i int) error { _, err := l.Reading(ctx, uint64(1+2*(i*7919%200_000))); return err })
	run("job of 240 readings", func(i int) error { _, err := l.JudgementsOf(ctx, fmt.Sprintf("j-%d", 1000+i%800)); return err })
	run("tool over 100 readings", func(i int) error {
		at := i * 7919 % 199_000
		_, err := l.ReadingsByTool(ctx, "w1", Span{minute(at), minute(at + 100)}, 0)
		return err
	})
	run("totals", func(int) error { _, err := l.Totals(ctx); return err })
}
