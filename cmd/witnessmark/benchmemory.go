package main

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"

	"witnessmark/events"

	"github.com/spf13/cobra"
)

// memory measures what a million events cost: resident memory of the service
// that has them behind it, and the time a reading takes there.
func (b *bencher) memory(ctx context.Context) ([]benchResult, error) {
	if err := b.growEarly(ctx); err != nil {
		return nil, err
	}
	if err := b.grow(ctx); err != nil {
		return nil, err
	}
	early, late, err := b.inTurn(ctx)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(b.progress, "  resident with about a thousand events: %.0f MB; a reading costs %.0f µs early, %.0f µs late\n", early.rss, early.cost, late.cost)
	return []benchResult{
		newBenchResult(fmt.Sprintf("resident memory over %d events", b.sizes.events), "MB", late.rss, 200, "the limit of 200 MB", 1, true),
		newBenchResult(fmt.Sprintf("time of a reading after %d events", b.sizes.events), "µs", late.cost, early.cost,
			"the same after about a thousand events, p50 from line to decision, the least of five runs in turn", 1.25, true),
	}, nil
}

// measured is what a service over a grown journal takes.
type measured struct{ rss, cost float64 } // MB, µs

// inTurn measures over the small and the large journal, one after the other
// and again, so that what else the machine does falls on both; it returns the
// greatest memory and the least cost of each.
func (b *bencher) inTurn(ctx context.Context) (early, late measured, err error) {
	early.cost, late.cost = math.Inf(1), math.Inf(1)
	for range 5 {
		for dir, m := range map[string]*measured{"early": &early, "grown": &late} {
			rss, cost, err := b.served(ctx, dir)
			if err != nil {
				return early, late, err
			}
			m.rss, m.cost = max(m.rss, rss), min(m.cost, cost)
		}
	}
	return early, late, nil
}

// growEarly makes a journal of about a thousand events.
func (b *bencher) growEarly(ctx context.Context) error {
	s, err := b.openBenchStack(ctx, "early", 1, "")
	if err != nil {
		return err
	}
	if _, err := s.saturate(ctx, 2*benchPulls); err != nil {
		return err
	}
	return s.stop()
}

// grow makes a journal of the wanted number of events.
func (b *bencher) grow(ctx context.Context) error {
	s, err := b.openBenchStack(ctx, "grown", saturationBenches, "")
	if err != nil {
		return err
	}
	for int(s.journal.Last()) < b.sizes.events {
		want := min(100_000, (b.sizes.events-int(s.journal.Last()))/2+benchPulls*saturationBenches)
		if _, err := s.saturate(ctx, want); err != nil {
			return err
		}
		fmt.Fprintf(b.progress, "\r  %d of %d events", s.journal.Last(), b.sizes.events)
	}
	fmt.Fprintln(b.progress)
	return s.stop()
}

// served runs the service over a grown journal in a process of its own and
// returns its resident memory in MB and the p50 of a reading in µs.
func (b *bencher) served(ctx context.Context, dir string) (rss, cost float64, err error) {
	self, err := os.Executable()
	if err != nil {
		return 0, 0, err
	}
	cmd := exec.CommandContext(ctx, self, "bench-served", b.dir, dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return 0, 0, fmt.Errorf("run the service over %s: %w", dir, err)
	}
	if _, err := fmt.Sscan(string(out), &rss, &cost); err != nil {
		return 0, 0, fmt.Errorf("read figures of the service: %w", err)
	}
	return rss, cost, nil
}

// newBenchServed is the process that 'bench memory' measures.
func newBenchServed() *cobra.Command {
	return &cobra.Command{
		Use:    "bench-served DIR NAME",
		Short:  "Used by 'bench memory'",
		Hidden: true,
		Args:   cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			b := &bencher{dir: args[0]}
			return b.serveMeasured(c, args[1])
		},
	}
}

func (b *bencher) serveMeasured(c *cobra.Command, dir string) error {
	ctx := c.Context()
	s, err := b.openBenchStack(ctx, dir, 1, "")
	if err != nil {
		return err
	}
	id, err := s.openJob(ctx, 0)
	if err != nil {
		return err
	}
	var took []time.Duration
	for range benchPulls {
		before := s.decided[0].Load()
		start := time.Now()
		if _, err := s.lines[0].Write(benchFrame(s.counter[0])); err != nil {
			return err
		}
		if err := s.waitDecided(ctx, 0, before+1); err != nil {
			return err
		}
		took = append(took, time.Since(start))
		s.counter[0]++
	}
	rss, err := resident()
	if err != nil {
		return err
	}
	if err := s.ask(ctx, events.ReleaseAsked{Ask: events.Ask{By: "lead"}, Job: id}); err != nil {
		return err
	}
	fmt.Fprintf(c.OutOrStdout(), "%.1f %.1f\n", rss, quantile(took, 0.5)*1000)
	return s.stop()
}

// resident returns the resident memory of this process, in MB (10⁶ bytes).
func resident() (float64, error) {
	kb, err := statusKB("VmRSS:")
	return kb * 1024 / 1e6, err
}

// statusKB returns a size that the kernel tells of this process, in kB (1024 bytes).
func statusKB(name string) (float64, error) {
	f, err := os.Open("/proc/self/status")
	if err != nil {
		return 0, fmt.Errorf("read memory in use: %w", err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if kb, ok := strings.CutPrefix(s.Text(), name); ok {
			n, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(kb), "kB")), 64)
			if err != nil {
				return 0, fmt.Errorf("read memory in use: %w", err)
			}
			return n, nil
		}
	}
	return 0, fmt.Errorf("read memory in use: /proc/self/status has no %s", name)
}
