package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/journal"
)

// cluster measures readings on disk a second, on one store and on three that
// keep each of them three times, against bare batches to the same stores.
func (b *bencher) cluster(ctx context.Context) (all []benchResult, err error) {
	for _, nodes := range []int{1, 3} {
		r, err := b.clusterOf(ctx, nodes)
		if err != nil {
			return nil, fmt.Errorf("%d nodes: %w", nodes, err)
		}
		all = append(all, r)
	}
	return all, nil
}

func (b *bencher) clusterOf(ctx context.Context, nodes int) (r benchResult, err error) {
	urls, stop, err := b.stores(nodes)
	defer stop()
	if err != nil {
		return r, err
	}
	j, err := openPatiently(ctx, journal.Config{Shop: "bench", URL: urls, Shared: true, Replicas: nodes, MaxBytes: 4 << 30, AckTimeout: 10 * time.Second})
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	bare, err := bareAt(ctx, urls, nodes)
	if err != nil {
		return r, err
	}
	defer bare.conn.Close()

	n := max(b.sizes.readings/4, 2000)
	payloads := make([][]byte, n)
	for i := range payloads {
		if payloads[i], err = benchPayload(i); err != nil {
			return r, err
		}
	}
	// By turns, so that a machine that is busy for a while is so for both.
	const turns = 4
	var ours, floor time.Duration
	for turn := range turns {
		part := payloads[turn*n/turns : (turn+1)*n/turns]
		start := time.Now()
		if err := bare.batch(ctx, part); err != nil {
			return r, err
		}
		floor += time.Since(start)
		start = time.Now()
		if err := appendReadings(ctx, j, len(part)); err != nil {
			return r, err
		}
		ours += time.Since(start)
	}
	name := map[int]string{1: "readings on disk, one store", 3: "readings on disk, on three stores each"}[nodes]
	return newBenchResult(name, "readings/s", float64(n)/ours.Seconds(), float64(n)/floor.Seconds(),
		"bare atomic batches of 1,000 of the same data to the same store, by turns", 0.3, false), nil
}

// stores starts so many stores on loopback and returns their addresses.
func (b *bencher) stores(nodes int) (urls string, stop func(), err error) {
	var servers []*server.Server
	stop = func() {
		for _, s := range servers {
			s.Shutdown()
			s.WaitForShutdown()
		}
	}
	var all, between []string
	opts := make([]storeOptions, nodes)
	for i := range opts {
		o := storeOptions{name: fmt.Sprintf("n%d", i+1), data: filepath.Join(b.dir, fmt.Sprintf("store-%d-%d", nodes, i)), most: 16 << 30, quiet: true}
		if o.listen, err = freePort(); err != nil {
			return "", stop, err
		}
		if nodes > 1 {
			if o.cluster, err = freePort(); err != nil {
				return "", stop, err
			}
			between = append(between, o.cluster)
		}
		all = append(all, "nats://"+o.listen)
		opts[i] = o
	}
	for _, o := range opts {
		o.nodes = between
		if err := os.MkdirAll(o.data, 0o750); err != nil {
			return "", stop, err
		}
		srv, err := o.start()
		if err != nil {
			return "", stop, err
		}
		servers = append(servers, srv)
	}
	return strings.Join(all, ","), stop, nil
}

// bareAt makes a stream of its own, without anything of ours, at the same
// stores.
func bareAt(ctx context.Context, urls string, nodes int) (*floor, error) {
	nc, err := nats.Connect(urls)
	if err != nil {
		return nil, err
	}
	f := &floor{conn: nc}
	if f.js, err = jetstream.New(nc, jetstream.WithDefaultTimeout(20*time.Second)); err == nil {
		_, err = f.js.CreateStream(ctx, jetstream.StreamConfig{Name: "FLOOR", Subjects: []string{"floor.>"},
			Storage: jetstream.FileStorage, AllowAtomicPublish: true, AllowDirect: true, Replicas: nodes})
	}
	if err != nil {
		nc.Close()
		return nil, fmt.Errorf("open bare stream: %w", err)
	}
	return f, nil
}

// appendReadings stores n readings of two devices.
func appendReadings(ctx context.Context, j *journal.Journal, n int) error {
	const each = 500 // in one Append
	var g errgroup.Group
	for w := range 2 {
		g.Go(func() error {
			source := events.DeviceSource(fmt.Sprintf("k%d", w))
			for left := n / 2; left > 0; left -= each {
				evs := make([]events.Event, min(each, left))
				for i := range evs {
					r := benchReading(i)
					evs[i] = events.Event{Source: source, Time: r.ReceivedAtUs, Subject: r.Tool, Data: r}
				}
				if _, err := j.Append(ctx, evs...); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return g.Wait()
}
