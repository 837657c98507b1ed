package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"time"

	"witnessmark/dashboards/recalls"
	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/drift"
)

// recallFrom is when the invented pulls of a bench begin.
var recallFrom = events.InstantOf(time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC))

// recall measures a recall over the pulls of one tool, and what production's
// torque rates say of tools.
func (b *bencher) recall(ctx context.Context) ([]benchResult, error) {
	n := b.sizes.events
	l, err := b.pulledLedger(ctx, n)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	level := func(d float64) []events.RecallLevel { return []events.RecallLevel{{Deviation: d, U: 1}} }
	in := recalls.Inquiry{Tool: "k2", Most: 200, Good: events.RecallStanding{What: "entered", AtUs: recallFrom - 1, Levels: level(0)},
		Bad: events.RecallStanding{What: "entered", AtUs: recallFrom + 100*86400e6, Levels: level(5)}}
	var list recalls.List
	took, err := best(5, func() error { list, err = recalls.Make(ctx, l, in); return err })
	if err != nil {
		return nil, err
	}
	sum := 0.0
	floor, err := best(5, func() error {
		return l.EachToolPulls(ctx, "k2", in.Good.AtUs, in.Bad.AtUs, func(p *ledger.ToolPulls) error {
			var row ledger.ToolPull
			for i := range p.Len() {
				p.Read(i, &row)
				sum += row.Value
			}
			return nil
		})
	})
	if err != nil {
		return nil, err
	}
	if list.InSpan != n || math.IsNaN(sum) {
		return nil, fmt.Errorf("recall looked at %d of %d pulls", list.InSpan, n)
	}
	fmt.Fprintf(b.progress, "  %d pulls of one tool, %d in doubt: listed in %.1f ms\n", n, list.InDoubt, took.Seconds()*1000)
	rates, logs, err := b.rates(n)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(b.progress, "  factors of 20 tools from %d pulls in %.2f s\n", n, rates.Seconds())
	return []benchResult{
		newBenchResult("recall over the pulls of one tool, from the ledger", "ms", took.Seconds()*1000, floor.Seconds()*1000, "the same pulls read from the same file and summed", 8, true),
		newBenchResult("factors of 20 tools from production's torque rates", "ms", rates.Seconds()*1000, logs.Seconds()*1000, "the logarithms of the same rates, summed", 30, true),
	}, nil
}

// best is the shortest of some runs.
func best(runs int, fn func() error) (time.Duration, error) {
	least := time.Duration(math.MaxInt64)
	for range runs {
		start := time.Now()
		if err := fn(); err != nil {
			return 0, err
		}
		least = min(least, time.Since(start))
	}
	return least, nil
}

// pulledLedger makes a ledger with n pulls of one tool over 100 days, twelve a
// job.
func (b *bencher) pulledLedger(ctx context.Context, n int) (*ledger.Ledger, error) {
	l, err := ledger.Open(ctx, ledger.Config{Path: filepath.Join(b.dir, "recall.db")})
	if err != nil {
		return nil, err
	}
	r := rand.New(rand.NewPCG(1, 2))
	nm := func(v float64) quantity.Value { return quantity.NewtonMetres(v).Value() }
	var batch []events.Entry
	for i := range n {
		o := events.ReadingJudged{Reading: uint64(i + 1), Job: fmt.Sprintf("j-%06d", i/12), Step: "cover", Fastener: fmt.Sprint(i%12 + 1), Verdict: events.Within,
			Value: nm(100 * (1 + 0.008*r.NormFloat64())), LSL: nm(96), Target: nm(100), USL: nm(104), U: nm(1), Tool: "k2", Class: []string{"A", "B", "B", "B"}[i/12%4],
			AtUs: recallFrom + events.Instant(float64(i)/float64(n)*100*86400e6)}
		d := events.Decided{Cause: uint64(i + 1), CauseUs: o.AtUs, Rules: rules.Version, Outcomes: []events.Outcome{{Data: o}}}
		batch = append(batch, events.Entry{Seq: uint64(i + 1), Event: events.Event{Source: events.SourceRules, Number: uint64(i + 1), Time: o.AtUs, Data: d}})
		if len(batch) == 20_000 || i == n-1 {
			if err := l.Apply(ctx, batch); err != nil {
				_ = l.Close() // the first error counts
				return nil, err
			}
			batch = batch[:0]
		}
	}
	return l, nil
}

// rates measures the sums over n pulls with the estimate at the end, and the
// logarithms alone.
func (b *bencher) rates(n int) (took, floor time.Duration, err error) {
	r := rand.New(rand.NewPCG(3, 4))
	pulls := make([]drift.Pull, n)
	for i := range pulls {
		visit := i / 10
		pulls[i] = drift.Pull{Kind: fmt.Sprint("kind ", visit%50), Joint: fmt.Sprint(visit), Tool: fmt.Sprint("tool ", visit%20), Rate: math.Exp(0.05 * r.NormFloat64())}
	}
	took, err = best(1, func() error {
		p := drift.NewPeers()
		for _, x := range pulls {
			p.Add(x)
		}
		_, _, err := p.Estimate(rules.SuspectWatch())
		return err
	})
	if err != nil {
		return 0, 0, err
	}
	sum := 0.0
	floor, err = best(3, func() error {
		for i := range pulls {
			sum += math.Log(pulls[i].Rate)
		}
		return nil
	})
	if math.IsNaN(sum) {
		return 0, 0, fmt.Errorf("a rate has no logarithm")
	}
	return took, floor, err
}
