package service

import (
	"context"
	"fmt"
	"testing"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// pull is an invented reading at a bench without a job.
func pull(n int) events.Event {
	at := events.Instant(1_764_070_245_000_000 + int64(n))
	return events.Event{Source: "device/w1", Time: at, Subject: "tw-60", Data: events.ReadingTaken{
		Device: "w1", Tool: "tw-60", Bench: "b1", Mode: events.ModePeak, Text: "35.30", Unit: "N.m",
		Value: quantity.NewtonMetres(35.3).Value(), ReceivedAtUs: at, Profile: "pinn-d3/1a2b3c4d",
		Bytes: []byte("\x02P,0017,35.30,Nm,OK,4F\x03\r\n"), Offset: uint64(n) * 25,
	}}
}

func openJournal(t testing.TB) *journal.Journal {
	t.Helper()
	j, err := journal.Open(context.Background(), journal.Config{Shop: "fenholt", Dir: t.TempDir(), MinFree: 1})
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// TestRealRulesOnDisk: the rules themselves over JetStream: every fact has its
// decision, and a second service that folds the journal shows the same.
func TestRealRulesOnDisk(t *testing.T) {
	j := openJournal(t)
	defer j.Close()
	r := run(t, Config{Journal: j, engine: theRules})
	wait(t, r.Ready())
	for n := range 300 {
		append1(t, j, pull(n))
		if n%50 == 0 {
			_, d, err := r.Submit(context.Background(), events.ReleaseAsked{Ask: events.Ask{By: "nobody"}, Job: fmt.Sprint(n)})
			if err != nil || len(d.Outcomes) == 0 {
				t.Fatalf("submit: %+v %v, want it refused by an outcome", d, err)
			}
		}
	}
	last := lastAsking(t, j)
	r.until(t, func(s *rules.State) bool { return s.Cause == last })
	r.mustStop(t)
	again := run(t, Config{Journal: j, engine: theRules})
	wait(t, again.Ready())
	again.mustStop(t)
	if got, want := theRules.text(t, again.state), theRules.text(t, r.state); got != want {
		t.Errorf("replayed state\n%s\nlive state\n%s", got, want)
	}
	verify(t, j, theRules)
}

// BenchmarkReadings is the whole of storing readings, deciding them and
// storing the decisions, over JetStream, until the last one shows.
func BenchmarkReadings(b *testing.B) {
	for name, eng := range map[string]engine{"rules": theRules, "no rules": nothing} {
		b.Run(name, func(b *testing.B) {
			j := openJournal(b)
			defer j.Close()
			r := run(b, Config{Journal: j, engine: eng})
			wait(b, r.Ready())
			const each = 500 // in one Append; two callers, as two ports would
			b.ResetTimer()
			var g errgroup.Group
			for w := range 2 {
				g.Go(func() error {
					for n := w; n < b.N; n += 2 {
						evs := make([]events.Event, each)
						for i := range evs {
							evs[i] = pull(n*each + i)
						}
						if _, err := j.Append(context.Background(), evs...); err != nil {
							return err
						}
					}
					return nil
				})
			}
			if err := g.Wait(); err != nil {
				b.Fatal(err)
			}
			want := uint64(b.N * each)
			r.until(b, func(*rules.State) bool { return j.LastNumber(events.SourceRules) == want })
			b.ReportMetric(float64(b.N*each)/b.Elapsed().Seconds(), "readings/s")
			r.mustStop(b)
		})
	}
}

// BenchmarkAnswer is the time from a reading to its decision being shown, when
// all is quiet.
func BenchmarkAnswer(b *testing.B) {
	j := openJournal(b)
	defer j.Close()
	r := run(b, Config{Journal: j, engine: nothing})
	wait(b, r.Ready())
	ch, cancel := r.Subscribe(1)
	defer cancel()
	n := 0
	for b.Loop() {
		append1(b, j, pull(n))
		<-ch
		n++
	}
	r.mustStop(b)
}

// BenchmarkEvolve is the cost of the second state beside that of a decision
// as a whole, with the real rules and a reading that belongs to no job.
func BenchmarkEvolve(b *testing.B) {
	e := events.Entry{Event: pull(1)}
	b.Run("decide", func(b *testing.B) {
		st := rules.New()
		for b.Loop() {
			e.Seq++
			rules.Decide(st, e)
		}
	})
	b.Run("evolve", func(b *testing.B) {
		st := rules.New()
		d := events.Decided{Rules: rules.Version, Outcomes: rules.Decide(st, e)}
		for b.Loop() {
			d.Cause++
			rules.Evolve(st, d)
		}
	})
	b.Run("encode", func(b *testing.B) {
		d := events.Decided{Cause: 1, Rules: rules.Version, Outcomes: rules.Decide(rules.New(), e)}
		for b.Loop() {
			if _, _, err := events.Encode(d); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// nothing decides nothing, so that the cost of all else shows.
var nothing = engine{
	version: "1", new: func() *rules.State { return &rules.State{} },
	decide:   func(*rules.State, events.Entry) []events.Outcome { return nil },
	evolve:   func(s *rules.State, d events.Decided) { s.Cause = d.Cause },
	deadline: func(*rules.State) events.Instant { return 0 },
	snapshot: func(*rules.State) ([]byte, error) { return []byte("{}"), nil },
	restore:  func([]byte) (*rules.State, error) { return &rules.State{}, nil },
}
