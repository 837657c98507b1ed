package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/simulator/labelled"
)

// loader writes the facts of several benches into a shared journal, as capture
// and pages do, from the simulator's labelled streams: whole jobs with their
// faults, one after another. It keeps its own list of what was confirmed, and
// measures how long each waits to be on disk and to be decided.
type loader struct {
	j       *journal.Journal
	benches []*loadBench
	shop    events.Shop
	pause   time.Duration // between the readings of a bench

	mu        sync.Mutex
	confirmed map[eventKey]bool
	onDisk    map[uint64]time.Time // facts that must be decided and are not, by sequence
	early     map[uint64]time.Time // decisions that came before the confirmation did
	decided   []waited
	stored    []waited
	newest    uint64 // sequence of the newest fact that must be decided
}

type eventKey struct {
	source string
	number uint64
}

// waited is how long something took, and when it was over.
type waited struct {
	at   time.Time
	took time.Duration
}

// loadBench is one bench with its stream of jobs.
type loadBench struct {
	id     string
	shop   *labelled.Shop
	proc   *procText
	tools  []streamTool
	rng    *rand.Rand
	number map[string]uint64 // by source
}

func openLoader(j *journal.Journal, shopID string, benches int, seed uint64, pause time.Duration) (*loader, error) {
	l := &loader{j: j, pause: pause, confirmed: map[eventKey]bool{}, onDisk: map[uint64]time.Time{}, early: map[uint64]time.Time{}}
	l.shop = events.Shop{ID: shopID, Name: "Drill", People: []events.Person{{ID: "tech", Name: "Technician", Role: events.RoleTechnician}, {ID: "lead", Name: "Lead", Role: events.RoleLead}}}
	tiers := labelled.Tiers()
	for i := range benches {
		b := &loadBench{id: fmt.Sprintf("b%02d", i), rng: rand.New(rand.NewPCG(seed, uint64(i))), number: map[string]uint64{}}
		b.shop = labelled.NewShop(seed*100+uint64(i), tiers[i%2]) // of traces there is no need here
		text := renamed(b.shop.Procedure(), b.id)
		var err error
		if b.proc, err = newProcText(b.id, text); err != nil {
			return nil, err
		}
		s, err := b.job(0)
		if err != nil {
			return nil, err
		}
		b.tools = s.head.tools
		l.shop.Benches = append(l.shop.Benches, events.Bench{ID: b.id, Name: "Bench " + b.id})
		for k := range b.tools {
			t := b.tools[k].Tool
			t.ID = b.tool(t.ID)
			t.Interval.Cycles = -1
			l.shop.Tools = append(l.shop.Tools, t)
			l.shop.Devices = append(l.shop.Devices, events.Device{ID: t.ID, Tool: t.ID, Bench: b.id})
		}
		l.benches = append(l.benches, b)
	}
	return l, nil
}

// renamed gives a procedure the id of a bench's own.
func renamed(text []byte, bench string) []byte {
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	for !bytes.HasPrefix(first, []byte("procedure:")) && len(rest) > 0 {
		first, rest, _ = bytes.Cut(rest, []byte("\n"))
	}
	return append([]byte("procedure: P-"+strings.ToUpper(bench)+"\n"), rest...)
}

func (b *loadBench) tool(id string) string { return b.id + "-" + id }

// job makes the n-th job's stream, with what may go wrong in it.
func (b *loadBench) job(n int) (*stream, error) {
	for {
		s, err := b.shop.Job(n, drawFaults(b.rng)...)
		if err != nil {
			continue // no room for these faults in this shop: draw others
		}
		var buf bytes.Buffer
		if err := s.WriteStream(&buf); err != nil {
			return nil, err
		}
		return loadStream(context.Background(), &buf)
	}
}

// begin describes the shop and releases the procedures.
func (l *loader) begin(ctx context.Context) error {
	text, err := json.Marshal(l.shop)
	if err != nil {
		return err
	}
	ask := events.Ask{By: "lead", AtUs: events.InstantOf(time.Now())}
	facts := []events.Data{events.ShopDescribed{Ask: ask, Shop: l.shop, Hash: sha256Hex(text)}}
	for _, b := range l.benches {
		facts = append(facts, events.ProcedureOffered{Ask: ask, Text: string(b.proc.text), Hash: sha256Hex(b.proc.text)})
	}
	for _, f := range facts {
		if err := l.append(ctx, events.Event{Source: events.SourceDesk, Data: f}); err != nil {
			return err
		}
	}
	return nil
}

// run writes jobs at every bench until stop is closed.
func (l *loader) run(ctx context.Context, stop <-chan struct{}) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, b := range l.benches {
		g.Go(func() error {
			for n := 1; ; n++ {
				select {
				case <-stop:
					return nil
				case <-ctx.Done():
					return context.Cause(ctx)
				default:
				}
				if err := l.runJob(ctx, b, n, stop); err != nil {
					return err
				}
			}
		})
	}
	return g.Wait()
}

func (l *loader) runJob(ctx context.Context, b *loadBench, n int, stop <-chan struct{}) error {
	s, err := b.job(n)
	if err != nil {
		return err
	}
	id := fmt.Sprintf("j-%s-%d", b.id, n)
	ask := func(by string) events.Ask {
		return events.Ask{By: by, Bench: b.id, AtUs: events.InstantOf(time.Now())}
	}
	desk := func(d events.Data) error {
		return l.append(ctx, events.Event{Source: events.SourceDesk, Subject: id, Data: d})
	}
	if err := desk(events.JobAsked{Ask: ask("tech"), Job: id, UnitSerial: "SN-" + id, Procedure: b.proc.proc.ID}); err != nil {
		return err
	}
	for i := range s.records {
		if err := l.record(ctx, b, id, &s.records[i], ask, desk); err != nil {
			return err
		}
		select {
		case <-time.After(l.pause):
		case <-stop:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return desk(events.AbandonAsked{Ask: ask("lead"), Job: id, Reason: "the stream has ended"})
}

func (l *loader) record(ctx context.Context, b *loadBench, job string, r *streamRecord, ask func(string) events.Ask, desk func(events.Data) error) error {
	switch r.kind {
	case recordReading:
		e := r.reading
		e.Tool = b.tool(e.Tool)
		e.Device, e.Bench, e.ReceivedAtUs = e.Tool, b.id, events.InstantOf(time.Now())
		source := events.DeviceSource(e.Device)
		b.number[source]++
		return l.append(ctx, events.Event{Source: source, Number: b.number[source], Time: e.ReceivedAtUs, Subject: e.Tool, Data: e})
	case recordPlace:
		return desk(events.FastenerPointed{Ask: ask("tech"), Job: job, Step: r.step, Fastener: r.what})
	case recordConfirm:
		return desk(events.StepConfirmAsked{Ask: ask("tech"), Job: job, Step: r.step, Answer: r.what})
	case recordRelease:
		return desk(events.ReleaseAsked{Ask: ask("lead"), Job: job})
	}
	return nil
}

// append stores one fact, as often as it takes, and notes that it was
// confirmed. Of a request without a confirmation nobody knows whether it was
// heard, so it is not asked again.
func (l *loader) append(ctx context.Context, e events.Event) error {
	if e.Time == 0 {
		e.Time = events.InstantOf(time.Now())
	}
	start := time.Now()
	for {
		seqs, err := l.j.Append(ctx, e)
		now := time.Now()
		if err == nil {
			l.confirm(e, seqs[0], start, now)
			return nil
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if errors.Is(err, journal.ErrOvertaken) || errors.Is(err, journal.ErrClosed) {
			return err
		}
		if e.Number == 0 {
			return nil
		}
	}
}

func (l *loader) confirm(e events.Event, seq uint64, start, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stored = append(l.stored, waited{now, now.Sub(start)})
	if e.Number != 0 {
		l.confirmed[eventKey{e.Source, e.Number}] = true
	}
	if seq == 0 {
		return // a repeat of what was there
	}
	l.newest = max(l.newest, seq)
	if at, ok := l.early[seq]; ok {
		delete(l.early, seq)
		l.decided = append(l.decided, waited{at, max(0, at.Sub(now))})
		return
	}
	l.onDisk[seq] = now
}

// follow notes decisions as they come, until ctx ends.
func (l *loader) follow(ctx context.Context) error {
	err := l.j.Follow(ctx, 1, func(es []events.Entry) error {
		now := time.Now()
		l.mu.Lock()
		defer l.mu.Unlock()
		for _, e := range es {
			d, ok := e.Data.(events.Decided)
			if !ok {
				continue
			}
			if at, ok := l.onDisk[d.Cause]; ok {
				l.decided = append(l.decided, waited{now, now.Sub(at)})
				delete(l.onDisk, d.Cause)
			} else {
				l.early[d.Cause] = now
			}
		}
		return nil
	})
	return ignoreCancel(err)
}

// open returns how many facts wait for their decision, and how long the oldest
// has waited.
func (l *loader) open() (n int, oldest time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	for _, at := range l.onDisk {
		oldest = max(oldest, now.Sub(at))
	}
	return len(l.onDisk), oldest
}

func (l *loader) waits() (decided, stored []waited) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.decided), slices.Clone(l.stored)
}

// shareOf returns the p-th share of the waits, by length: 0.5 is the median.
func shareOf(ws []time.Duration, p float64) time.Duration {
	if len(ws) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(ws))
	return s[min(len(s)-1, int(p*float64(len(s))))]
}

// whole reads the journal and checks it: every fact that was confirmed is
// there once, and the decisions are those of an undisturbed run.
func (l *loader) whole(ctx context.Context) (facts, decisions int, err error) {
	var entries []events.Entry
	if err := l.j.Read(ctx, 1, 0, func(es []events.Entry) error { entries = append(entries, es...); return nil }); err != nil {
		return 0, 0, err
	}
	if h := l.j.Holes(); len(h) > 0 || uint64(len(entries)) != l.j.Last() {
		return 0, 0, fmt.Errorf("the journal has holes: %d entries, last %d, %v", len(entries), l.j.Last(), h)
	}
	have := map[eventKey]int{}
	for _, e := range entries {
		have[eventKey{e.Source, e.Number}]++
		if _, ok := e.Data.(events.Decided); !ok {
			facts++
		}
	}
	for k, n := range have {
		if n > 1 {
			return facts, 0, fmt.Errorf("event %d of source %q is there %d times", k.number, k.source, n)
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for k := range l.confirmed {
		if have[k] == 0 {
			return facts, 0, fmt.Errorf("event %d of source %q was confirmed and is not in the journal", k.number, k.source)
		}
	}
	if decisions, err = undisturbed(entries); err != nil {
		return facts, decisions, err
	}
	return facts, decisions, inOrder(entries)
}

// inOrder checks that decisions stand in the order of their facts.
func inOrder(entries []events.Entry) error {
	last := uint64(0)
	for _, e := range entries {
		if d, ok := e.Data.(events.Decided); ok {
			if d.Cause <= last {
				return fmt.Errorf("entry J%d decides on J%d, after a decision on J%d", e.Seq, d.Cause, last)
			}
			last = d.Cause
		}
	}
	return nil
}
