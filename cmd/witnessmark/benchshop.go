package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
	"witnessmark/rules/service"
)

const (
	benchFasteners = 24
	benchPasses    = 10
	benchPulls     = benchFasteners * benchPasses // of one job
)

// benchProcedure is an invented joint of 24 fasteners in ten passes, all of
// one target, so that every pull is within limits.
func benchProcedure() string {
	var b strings.Builder
	fmt.Fprintf(&b, `procedure: BENCH
revision: A
title: Invented joint for measuring the program
unit: Bench
faces:
  - {id: face, title: Face, outlines: [{shape: circle, r: 150, style: body}]}
steps:
  - id: joint
    title: Joint
    kind: torque
    face: face
    class: C
    thread: M10x1.5
    strength: "8.8"
    lubrication: oiled
    into: steel
    fasteners:
      - {ring: {count: %d, diameter: 260}, head: 17.8}
    order: cross
    passes:
`, benchFasteners)
	for i := range benchPasses {
		fmt.Fprintf(&b, "      - {name: pass %d, target: 45 N·m, limits: ± 20 %%}\n", i+1)
	}
	return b.String()
}

// benchShop is a shop of n benches with a wrench each.
func benchShop(n int) events.Shop {
	s := events.Shop{ID: "bench", Name: "Bench", Torque: quantity.NewtonMetre.Code(), Length: quantity.Millimetre.Code(),
		People: []events.Person{{ID: "tech", Name: "Technician", Role: events.RoleTechnician}, {ID: "lead", Name: "Lead", Role: events.RoleLead}}}
	for i := range n {
		id := fmt.Sprintf("b%02d", i)
		s.Benches = append(s.Benches, events.Bench{ID: id, Name: "Bench " + id})
		s.Tools = append(s.Tools, events.Tool{ID: "k" + id, Name: "Wrench " + id, Kind: events.ToolTorqueWrench, Serial: "S" + id, Interval: events.ToolInterval{Cycles: -1},
			Least: quantity.NewtonMetres(1).Value(), Most: quantity.NewtonMetres(500).Value(), URel: 0.01,
			Calibrated: time.Now().UTC().AddDate(0, 0, -2).Format(time.DateOnly), Due: time.Now().UTC().AddDate(1, 0, 0).Format(time.DateOnly)})
		s.Devices = append(s.Devices, events.Device{ID: "k" + id, Tool: "k" + id, Bench: id, Profile: "orrin-k2", Port: "k" + id})
	}
	return s
}

// benchFrame is what the wrench of the protocol note orrin-k2 sends.
func benchFrame(counter int) []byte {
	body := fmt.Sprintf("%04d;P;+0%s;NM;A0155;OK", counter%10000, strings.Replace(benchText(counter), ".", ",", 1))
	sum := byte(0)
	for _, c := range []byte(body) {
		sum += c
	}
	return fmt.Appendf(nil, "#%s*%02X\r\n", body, sum)
}

// benchText is the value in the frame, in N·m.
func benchText(counter int) string { return fmt.Sprintf("%02d.%02d", 44+counter%3, counter*37%100) }

// benchStack is the whole service with wrenches on in-memory lines.
type benchStack struct {
	*stack
	lines   []net.Conn // the wrenches' ends
	counter []int      // next, by wrench
	decided []atomic.Int64
	mu      sync.Mutex
	changed *sync.Cond
	gone    error // why no more is decided; under mu
	jobs    atomic.Int64
	cancel  context.CancelFunc
	ended   chan error
}

// openBenchStack starts the service in dir with n benches and waits until it
// is ready. port, if not empty, is the first wrench's serial port; otherwise
// the wrenches have lines in memory.
func (b *bencher) openBenchStack(ctx context.Context, dir string, n int, port string) (*benchStack, error) {
	shop := benchShop(n)
	s := &benchStack{counter: make([]int, n), decided: make([]atomic.Int64, n), ended: make(chan error, 1)}
	s.changed = sync.NewCond(&s.mu)
	cfg := defaultConfig()
	cfg.Data, cfg.Listen, cfg.LogLevel = filepath.Join(b.dir, dir), "127.0.0.1:0", "error"
	var err error
	if s.stack, s.lines, err = newBenchStack(ctx, cfg, shop, port); err != nil {
		return nil, err
	}
	ctx, s.cancel = context.WithCancel(ctx)
	updates, stop := s.service.Subscribe(1 << 17)
	index := map[string]int{}
	for i, bench := range shop.Benches {
		index[bench.ID] = i
	}
	go func() {
		defer stop()
		s.count(ctx, updates, index)
		s.over(errors.New("nobody tells what is decided any more"))
	}()
	ready := make(chan struct{})
	go func() {
		err := s.run(ctx, func(context.Context) error { close(ready); return nil })
		s.over(errors.Join(errors.New("the service has ended"), err))
		s.ended <- err
	}()
	select {
	case <-ready:
	case err := <-s.ended:
		return nil, errors.Join(err, errors.New("the service ended at once"))
	}
	return s, s.ask(ctx, offer(events.Ask{By: "lead"}, []byte(benchProcedure())))
}

func (s *benchStack) ask(ctx context.Context, a events.Asker) error {
	return desk{s.service}.ask(ctx, a)
}

// newBenchStack opens the service over cfg. port, if not empty, is the first
// wrench's serial port; otherwise lines has the wrenches' ends of lines in memory.
func newBenchStack(ctx context.Context, cfg config, shop events.Shop, port string) (_ *stack, lines []net.Conn, err error) {
	lines = make([]net.Conn, len(shop.Devices))
	if port != "" {
		shop.Devices[0].Port = port
	} else {
		ours := map[string]net.Conn{}
		for i, d := range shop.Devices {
			lines[i], ours[d.Port] = net.Pipe()
		}
		cfg.openPort = func(name string, _ profile.Line) (ingest.Port, error) { return ours[name], nil }
	}
	s, err := openStack(ctx, cfg, shop)
	return s, lines, err
}

// count counts decided readings by bench.
func (s *benchStack) count(ctx context.Context, updates <-chan service.Update, index map[string]int) {
	for {
		select {
		case <-ctx.Done():
			return
		case u, ok := <-updates:
			if !ok {
				return
			}
			if r, ok := u.Fact.Data.(events.ReadingTaken); ok {
				s.decided[index[r.Bench]].Add(1)
			}
			// Also behind what is no reading: a reading may have come before it.
			if len(updates) == 0 || u.Seq%64 == 0 {
				s.mu.Lock()
				s.changed.Broadcast()
				s.mu.Unlock()
			}
		}
	}
}

// over wakes whoever waits for a decision that will not come.
func (s *benchStack) over(why error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.gone == nil {
		s.gone = why
	}
	s.changed.Broadcast()
}

// waitDecided waits until bench i has so many decided readings. It returns an
// error if ctx or the service ends before.
func (s *benchStack) waitDecided(ctx context.Context, i int, n int64) error {
	defer context.AfterFunc(ctx, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.changed.Broadcast()
	})()
	s.mu.Lock()
	defer s.mu.Unlock()
	for s.decided[i].Load() < n {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("wait for reading %d at bench %d: %w", n, i, err)
		}
		if s.gone != nil {
			return fmt.Errorf("wait for reading %d at bench %d, %d are decided: %w", n, i, s.decided[i].Load(), s.gone)
		}
		s.changed.Wait()
	}
	return nil
}

// openJob opens the next job at bench i.
func (s *benchStack) openJob(ctx context.Context, i int) (string, error) {
	id := fmt.Sprintf("j%d", s.jobs.Add(1)+time.Now().UnixNano())
	return id, s.ask(ctx, events.JobAsked{Ask: events.Ask{By: "tech", Bench: s.shop.Benches[i].ID}, Job: id, UnitSerial: id, Procedure: "BENCH"})
}

// saturate has every wrench send whole jobs, one after another, until so many
// readings are sent in all, and waits until they are decided and projected.
func (s *benchStack) saturate(ctx context.Context, readings int) (sent int, err error) {
	jobs := max(1, readings/(benchPulls*len(s.lines)))
	g, sending := errgroup.WithContext(ctx)
	for i := range s.lines {
		g.Go(func() error {
			for range jobs {
				if err := s.sendJob(sending, i); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return 0, err
	}
	return jobs * benchPulls * len(s.lines), s.ledger.WaitFor(ctx, s.journal.Last())
}

func (s *benchStack) sendJob(ctx context.Context, i int) error {
	id, err := s.openJob(ctx, i)
	if err != nil {
		return err
	}
	before := s.decided[i].Load()
	for range benchPulls {
		if _, err := s.lines[i].Write(benchFrame(s.counter[i])); err != nil {
			return fmt.Errorf("write to wrench line: %w", err)
		}
		s.counter[i]++
	}
	if err := s.waitDecided(ctx, i, before+benchPulls); err != nil {
		return err
	}
	if err := s.ask(ctx, events.ReleaseAsked{Ask: events.Ask{By: "lead"}, Job: id}); err != nil {
		return fmt.Errorf("release %s: %w", id, err)
	}
	return nil
}

// stop stops the service and waits for its end.
func (s *benchStack) stop() error {
	s.cancel()
	return <-s.ended
}
