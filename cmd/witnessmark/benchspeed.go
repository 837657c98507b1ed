package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
)

// saturationBenches is how many wrenches send at the same time.
const saturationBenches = 32

// throughput measures readings stored, judged and projected a second.
func (b *bencher) throughput(ctx context.Context) ([]benchResult, error) {
	s, err := b.openBenchStack(ctx, "saturated", saturationBenches, "")
	if err != nil {
		return nil, err
	}
	if _, err := s.saturate(ctx, b.sizes.readings/20); err != nil { // warm
		return nil, err
	}
	from := s.journal.Last()
	start := time.Now()
	n, err := s.saturate(ctx, b.sizes.readings)
	took := time.Since(start)
	if err != nil {
		return nil, err
	}
	entries, err := readAll(ctx, s, from+1)
	if err != nil {
		return nil, err
	}
	if err := s.stop(); err != nil {
		return nil, err
	}
	b.grown = "saturated"
	publish, insert, err := b.bareStore(ctx, "floor-throughput", entries)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(b.progress, "  %d readings, %d events; bare publishing %.0f events/s, bare inserts %.0f events/s\n",
		n, len(entries), float64(len(entries))/publish.Seconds(), float64(len(entries))/insert.Seconds())
	return []benchResult{newBenchResult("durable, judged, projected at saturation", "readings/s",
		float64(n)/took.Seconds(), float64(n)/(publish+insert).Seconds(),
		"the same payloads in bare atomic batches of 1,000, synced, then the same rows in bare inserts of 1,000, synced", 0.5, false)}, nil
}

func readAll(ctx context.Context, s *benchStack, from uint64) ([]events.Entry, error) {
	var all []events.Entry
	err := s.journal.Read(ctx, from, s.journal.Last(), func(e []events.Entry) error {
		all = append(all, e...)
		return nil
	})
	return all, err
}

// bareStore publishes the entries' payloads and inserts their rows, barely.
func (b *bencher) bareStore(ctx context.Context, name string, entries []events.Entry) (publish, insert time.Duration, err error) {
	payloads, err := payloadsOf(entries)
	if err != nil {
		return 0, 0, err
	}
	rows, err := ledger.RowsOf(entries)
	if err != nil {
		return 0, 0, err
	}
	f, err := b.openFloor(ctx, name)
	if err != nil {
		return 0, 0, err
	}
	defer f.close()
	start := time.Now()
	if err := f.batch(ctx, payloads); err != nil {
		return 0, 0, err
	}
	publish = time.Since(start)
	insert, err = b.bareInsert(name+".db", rows, true)
	return publish, insert, err
}

func payloadsOf(entries []events.Entry) ([][]byte, error) {
	payloads := make([][]byte, len(entries))
	for i, e := range entries {
		var err error
		if _, payloads[i], err = events.Encode(e.Data); err != nil {
			return nil, err
		}
	}
	return payloads, nil
}

func (b *bencher) bareInsert(name string, rows ledger.BareRows, durable bool) (time.Duration, error) {
	bare, err := ledger.OpenBare(filepath.Join(b.dir, name), durable)
	if err != nil {
		return 0, err
	}
	start := time.Now()
	if err := bare.Insert(rows, 1000); err != nil {
		return 0, err
	}
	took := time.Since(start)
	return took, bare.Close()
}

// rebuild measures how quickly a fresh ledger is built from a journal.
func (b *bencher) rebuild(ctx context.Context) ([]benchResult, error) {
	if b.grown == "" {
		s, err := b.openBenchStack(ctx, "saturated", saturationBenches, "")
		if err != nil {
			return nil, err
		}
		if _, err := s.saturate(ctx, b.sizes.readings); err != nil {
			return nil, err
		}
		if err := s.stop(); err != nil {
			return nil, err
		}
		b.grown = "saturated"
	}
	cfg := defaultConfig()
	cfg.Data, cfg.LogLevel = filepath.Join(b.dir, b.grown), "error"
	j, err := openJournal(ctx, cfg, "bench")
	if err != nil {
		return nil, err
	}
	defer j.Close()
	start := time.Now()
	if err := ledger.Rebuild(ctx, j, filepath.Join(b.dir, "rebuilt.db"), nil); err != nil {
		return nil, err
	}
	took := time.Since(start)
	var entries []events.Entry
	if err := j.Read(ctx, 1, j.Last(), func(e []events.Entry) error { entries = append(entries, e...); return nil }); err != nil {
		return nil, err
	}
	read, insert, err := b.bareReadInsert(ctx, entries)
	if err != nil {
		return nil, err
	}
	n := float64(len(entries))
	fmt.Fprintf(b.progress, "  %d events; bare read %.0f events/s, bare inserts %.0f events/s\n", len(entries), n/read.Seconds(), n/insert.Seconds())
	return []benchResult{newBenchResult("rebuild of the ledger", "events/s", n/took.Seconds(), n/(read+insert).Seconds(),
		"an ordered consumer that reads the same payloads, then bare inserts of the same rows, settings as in a rebuild", 0.6, false)}, nil
}

func (b *bencher) bareReadInsert(ctx context.Context, entries []events.Entry) (read, insert time.Duration, err error) {
	payloads, err := payloadsOf(entries)
	if err != nil {
		return 0, 0, err
	}
	rows, err := ledger.RowsOf(entries)
	if err != nil {
		return 0, 0, err
	}
	f, err := b.openFloor(ctx, "floor-rebuild")
	if err != nil {
		return 0, 0, err
	}
	defer f.close()
	if err := f.batch(ctx, payloads); err != nil {
		return 0, 0, err
	}
	start := time.Now()
	if _, err := f.read(ctx, len(payloads)); err != nil {
		return 0, 0, err
	}
	read = time.Since(start)
	insert, err = b.bareInsert("floor-rebuild.db", rows, false)
	return read, insert, err
}
