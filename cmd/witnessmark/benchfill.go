package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/events/seal"
	"witnessmark/rules"
	"witnessmark/rules/service"
)

// filler writes a large journal without the ports and pages: facts as the
// wrenches of 'bench' make them, decided by the rules, stored in the order in
// which the service would.
type filler struct {
	j       *journal.Journal
	state   *rules.State
	shop    events.Shop
	reading events.ReadingTaken // one as ingest made it; the others differ in value and counter
	counter uint64
	jobs    int
	at      events.Instant
	last    uint64 // sequence of the last decision
}

// fill makes the directory "grown" as an orderly stop leaves it: journal,
// snapshot, ledger, seals. What is there already is kept.
func (b *bencher) fill(ctx context.Context) error {
	cfg := b.startConfig("grown")
	if _, err := os.Stat(filepath.Join(cfg.Data, "filled")); err == nil {
		fmt.Fprintf(b.progress, "  using the journal in %s\n", cfg.Data)
		return nil
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.RemoveAll(cfg.Data); err != nil { // half filled
		return err
	}
	reading, err := b.sampleReading(ctx)
	if err != nil {
		return err
	}
	j, err := openJournal(ctx, cfg, "bench")
	if err != nil {
		return err
	}
	defer j.Close()
	f := &filler{j: j, state: rules.New(), shop: benchShop(saturationBenches), reading: reading, at: events.InstantOf(time.Now().Add(-10 * time.Hour))}
	if err := f.run(ctx, uint64(b.sizes.events), func() { fmt.Fprintf(b.progress, "\r  %d of %d events", j.Last(), b.sizes.events) }); err != nil {
		return err
	}
	fmt.Fprintln(b.progress)
	if err := service.SaveState(cfg.snapshotPath(), j, f.state, f.last); err != nil {
		return err
	}
	err = ledger.Rebuild(ctx, j, cfg.ledgerPath(), func(done, total uint64) {
		fmt.Fprintf(b.progress, "\r  ledger: %d of %d events", done, total)
	})
	fmt.Fprintln(b.progress)
	if err != nil {
		return err
	}
	s, err := seal.New(ctx, seal.Config{Journal: j, Dir: cfg.sealsDir(), Shop: "bench"})
	if err != nil {
		return err
	}
	if _, err = s.Seal(ctx, seal.WhyAsked, ""); err == nil {
		err = os.WriteFile(filepath.Join(cfg.Data, "filled"), nil, 0o644)
	}
	return errors.Join(err, s.Close())
}

// sampleReading takes one reading through the whole service.
func (b *bencher) sampleReading(ctx context.Context) (r events.ReadingTaken, err error) {
	defer os.RemoveAll(filepath.Join(b.dir, "sample"))
	s, err := b.openBenchStack(ctx, "sample", 1, "")
	if err != nil {
		return r, err
	}
	if _, err := s.saturate(ctx, 1); err != nil {
		return r, err
	}
	entries, err := readAll(ctx, s, 1)
	if err := errors.Join(err, s.stop()); err != nil {
		return r, err
	}
	for _, e := range entries {
		if r, ok := e.Data.(events.ReadingTaken); ok {
			return r, nil
		}
	}
	return r, errors.New("the sample holds no reading")
}

func (f *filler) run(ctx context.Context, most uint64, progress func()) error {
	d, err := describe(f.shop)
	if err != nil {
		return err
	}
	err = f.tell(ctx, events.Event{Source: events.SourceDesk, Data: d},
		events.Event{Source: events.SourceDesk, Data: offer(events.Ask{By: "lead"}, []byte(benchProcedure()))})
	if err != nil {
		return err
	}
	for f.j.Last() < most {
		if err := f.job(ctx, f.jobs%len(f.shop.Benches)); err != nil {
			return err
		}
		f.jobs++
		progress()
	}
	return nil
}

// job opens a job at bench i, pulls all its fasteners, and releases it.
func (f *filler) job(ctx context.Context, i int) error {
	bench, tool := f.shop.Benches[i].ID, f.shop.Tools[i].ID
	id := fmt.Sprintf("f%d", f.jobs)
	desk := func(a events.Data) events.Event { return events.Event{Source: events.SourceDesk, Subject: id, Data: a} }
	evs := []events.Event{desk(events.JobAsked{Ask: events.Ask{By: "tech", Bench: bench}, Job: id, UnitSerial: id, Procedure: "BENCH"})}
	for range benchPulls {
		r := f.reading
		n := f.counter % 10000
		r.Device, r.Tool, r.Bench, r.ToolCounter = tool, tool, bench, &n
		r.Text, r.Bytes = benchText(int(f.counter)), benchFrame(int(f.counter))
		nm := 44 + float64(f.counter%3) + float64(f.counter*37%100)/100
		r.Value = quantity.NewtonMetres(nm).Value()
		f.counter++
		evs = append(evs, events.Event{Source: "device/" + tool, Subject: tool, Data: r})
	}
	return f.tell(ctx, append(evs, desk(events.ReleaseAsked{Ask: events.Ask{By: "lead"}, Job: id}))...)
}

// tell stores facts and the decisions on them.
func (f *filler) tell(ctx context.Context, facts ...events.Event) error {
	next := f.j.Last() + 1
	all := make([]events.Event, 0, 2*len(facts))
	for i := range facts {
		f.at += 10_000
		facts[i].Time = f.at
		if r, ok := facts[i].Data.(events.ReadingTaken); ok {
			r.ReceivedAtUs = f.at
			facts[i].Data = r
		}
		all = append(all, facts[i])
	}
	for i, e := range facts {
		d := events.Decided{Cause: next + uint64(i), CauseUs: e.Time, Rules: rules.Version}
		d.Outcomes = rules.Decide(f.state, events.Entry{Seq: d.Cause, Event: e})
		for _, o := range d.Outcomes {
			if r, ok := o.Data.(events.RequestRefused); ok {
				return fmt.Errorf("fill the journal: %w", refusal(r))
			}
		}
		rules.Evolve(f.state, d)
		all = append(all, events.Event{Source: events.SourceRules, Time: e.Time, Subject: e.Subject, Data: d})
	}
	seqs, err := f.j.Append(ctx, all...)
	if err != nil {
		return err
	}
	f.last = seqs[len(seqs)-1]
	return nil
}
