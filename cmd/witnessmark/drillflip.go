package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/events/seal"
	"witnessmark/rules"
)

func newDrillFlip() *cobra.Command {
	var o drillOptions
	cmd := &cobra.Command{
		Use:   "flip",
		Short: "Flip bits and cut tails in every file of a small store",
		Long: `Makes the store of a small invented shop, and then, many times over, takes a copy
of it, flips one bit of one file or cuts its end off, and starts the service on
it. Every damage must be noticed and named, by the start or by the daily look
over everything, or be harmless: journal, state and ledger equal to those of the
whole store, byte for byte and row for row. Then 'mend' and 'rebuild' with a copy
at hand must bring everything back.`,
		Example: "  witnessmark drill flip --times 2000",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return runFlips(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), "", o)
		},
	}
	o.flags(cmd, 500)
	return cmd
}

// flipCounts is what the drill has tried and found.
type flipCounts struct {
	Tried    int                   `json:"tried"`
	Caught   int                   `json:"caught"`
	Harmless int                   `json:"harmless"`
	Mended   int                   `json:"mended"` // of those caught in the journal
	ByFile   map[string]*flipCount `json:"by_file"`
}

type flipCount struct {
	Flips    int `json:"bits_flipped"`
	Cuts     int `json:"tails_cut"`
	Caught   int `json:"caught"`
	Harmless int `json:"harmless"`
}

// flipper is the small store and what it holds.
type flipper struct {
	cfg     config
	shop    events.Shop
	whole   string // the store as it was made
	copy    string // the one that is damaged
	entries []events.Written
	state   []byte
	rng     *rand.Rand
}

func runFlips(ctx context.Context, out, progress io.Writer, _ string, o drillOptions) (err error) {
	if o.times < 1 {
		return usageError("--times: want 1 or more")
	}
	dir := o.dir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "witnessmark-drill-"); err != nil {
			return err
		}
		if !o.keep {
			defer os.RemoveAll(dir)
		}
	}
	f := &flipper{cfg: defaultConfig(), whole: filepath.Join(dir, "whole"), copy: filepath.Join(dir, "copy"), rng: rand.New(rand.NewPCG(o.seed, 0x666c6970))}
	f.cfg.Listen, f.cfg.LogLevel, f.cfg.MinFree, f.cfg.JournalMax = "127.0.0.1:0", "error", "1 MiB", "1 GiB"
	f.cfg.silent = true
	if err := f.make(ctx, filepath.Join(dir, "lines")); err != nil {
		return fmt.Errorf("make the store: %w", err)
	}
	counts := flipCounts{ByFile: map[string]*flipCount{}}
	files, err := f.files()
	if err != nil {
		return err
	}
	for counts.Tried < o.times {
		if err := f.try(ctx, f.pick(files, counts.Tried), &counts); err != nil {
			return fmt.Errorf("damage %d: %w", counts.Tried+1, err)
		}
		if counts.Tried%100 == 0 {
			fmt.Fprintf(progress, "%d of %d: %d caught, %d harmless\n", counts.Tried, o.times, counts.Caught, counts.Harmless)
		}
	}
	return counts.print(out, o.json)
}

func (c flipCounts) print(out io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	var b strings.Builder
	for _, name := range sortedKeys(c.ByFile) {
		n := c.ByFile[name]
		fmt.Fprintf(&b, "  %-40s %4d bits flipped, %3d tails cut: %4d caught, %4d harmless\n", name, n.Flips, n.Cuts, n.Caught, n.Harmless)
	}
	_, err := fmt.Fprintf(out, "%d damages: %d caught, %d harmless, none missed; %d times journal and ledger were mended and were whole again\n%s",
		c.Tried, c.Caught, c.Harmless, c.Mended, b.String())
	return err
}

// make makes the store: a shop, a job with a few pulls, seals, a snapshot.
func (f *flipper) make(ctx context.Context, lines string) error {
	f.cfg.Data = f.whole
	f.cfg.sealEvery = 1 << 62
	f.shop = benchShop(1)
	f.shop.Devices = nil
	if err := f.run(ctx, func(ctx context.Context, s *stack) error {
		d := desk{s.service}
		if err := d.ask(ctx, offer(events.Ask{By: "lead"}, []byte(benchProcedure()))); err != nil {
			return err
		}
		if err := d.ask(ctx, events.JobAsked{Ask: events.Ask{By: "tech", Bench: "b00"}, Job: "j-1", UnitSerial: "SN-1", Procedure: "BENCH"}); err != nil {
			return err
		}
		for i := range 12 {
			if i == 6 {
				if _, err := s.sealer.Seal(ctx, seal.WhyAsked, ""); err != nil {
					return err
				}
			}
			n := uint64(i + 1)
			r := pulled(n)
			if _, err := s.journal.Append(ctx, events.Event{Source: "device/kb00", Time: r.ReceivedAtUs, Data: r}); err != nil {
				return err
			}
		}
		if err := s.service.Idle(ctx); err != nil {
			return err
		}
		_, err := s.sealer.Seal(ctx, seal.WhyAsked, "")
		return err
	}); err != nil {
		return err
	}
	found, err := f.look(ctx)
	if err != nil {
		return err
	}
	if len(found) > 0 {
		return fmt.Errorf("the whole store is found damaged: %s", found)
	}
	return nil
}

// pulled is a reading of the invented wrench.
func pulled(n uint64) events.ReadingTaken {
	b := benchFrame(int(n))
	at := events.Instant(1_780_000_000_000_000 + int64(n)*3_000_000)
	value := 44 + float64(n%3) + float64(n*37%100)/100
	return events.ReadingTaken{Device: "kb00", Tool: "kb00", Bench: "b00", Mode: events.ModePeak, Text: benchText(int(n)), Unit: "N.m",
		Value: quantity.NewtonMetres(value).Value(), Resolution: quantity.NewtonMetres(0.01).Value(), ToolCounter: &n, ToolStatus: "ok", Profile: "orrin-k2@0123456789ab", Bytes: b, ReceivedAtUs: at}
}

// run runs the service on the store and does something with it.
func (f *flipper) run(ctx context.Context, do func(context.Context, *stack) error) error {
	s, err := openStack(ctx, f.cfg, f.shop)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	return ignoreCancel(s.run(ctx, func(front context.Context) error {
		defer cancel()
		return do(front, s)
	}))
}

// look starts the service and has it look over everything, as it does daily. It
// returns what was found; nothing means that all is as it was. The first look
// notes how it is.
func (f *flipper) look(ctx context.Context) (found string, err error) {
	var entries []events.Written
	var state []byte
	startErr := f.run(ctx, func(ctx context.Context, s *stack) error {
		sc, err := s.sealer.Scrub(ctx, 1<<30)
		switch {
		case err != nil:
			found = err.Error()
		case sc.Gone+sc.Altered > 0:
			found = fmt.Sprintf("%d entries gone, %d altered, first J%d", sc.Gone, sc.Altered, sc.First)
		case sc.Seals != "":
			found = sc.Seals
		case s.sealer.Trouble() != "":
			found = s.sealer.Trouble()
		case len(s.journal.Holes()) > 0:
			found = s.journal.Holes()[0].String()
		}
		if err := s.ledger.WaitFor(ctx, s.journal.Last()); err != nil {
			return err
		}
		if err := s.ledger.Scrub(ctx, s.journal, 1<<30); err != nil && found == "" {
			found = err.Error()
		}
		if found != "" {
			return nil
		}
		if err := s.journal.ReadWritten(ctx, 1, 0, func(ws []events.Written) error { entries = append(entries, ws...); return nil }); err != nil {
			return err
		}
		s.service.View(func(st *rules.State) { state, err = st.Snapshot() })
		return err
	})
	switch {
	case ctx.Err() != nil:
		return "", context.Cause(ctx)
	case startErr != nil && f.entries != nil:
		return startErr.Error(), nil
	case startErr != nil || found != "":
		return found, startErr
	case f.entries == nil:
		f.entries, f.state = entries, state
	case !slices.Equal(entries, f.entries):
		return "", fmt.Errorf("MISSED: nothing was found, but the journal is another: %d entries, want %d", len(entries), len(f.entries))
	case !bytes.Equal(state, f.state):
		return "", errors.New("MISSED: nothing was found, but the state is another")
	}
	return "", nil
}

// files lists the files of the whole store that hold anything.
func (f *flipper) files() (list []string, err error) {
	err = filepath.WalkDir(f.whole, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if info, err := d.Info(); err != nil || info.Size() == 0 {
			return err
		}
		name, err := filepath.Rel(f.whole, path)
		list = append(list, name)
		return err
	})
	return list, err
}

// pick takes the files in turn, blocks and ledger more often.
func (f *flipper) pick(files []string, n int) string {
	want := map[int]string{0: ".blk", 2: ".blk", 3: "ledger.db"}[n%4]
	if i := slices.IndexFunc(files, func(name string) bool { return want != "" && strings.HasSuffix(name, want) }); i >= 0 {
		return files[i]
	}
	return files[n/4%len(files)]
}

// cutsEvery: one damage in so many is a cut tail.
const cutsEvery = 8

// try damages one file and looks.
func (f *flipper) try(ctx context.Context, name string, counts *flipCounts) error {
	if err := errors.Join(os.RemoveAll(f.copy), os.CopyFS(f.copy, os.DirFS(f.whole))); err != nil {
		return err
	}
	path := filepath.Join(f.copy, name)
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	n := counts.ByFile[name]
	if n == nil {
		n = &flipCount{}
		counts.ByFile[name] = n
	}
	what := ""
	if f.rng.IntN(cutsEvery) == 0 {
		at := f.rng.IntN(len(b))
		b = b[:at]
		n.Cuts++
		what = fmt.Sprintf("%s cut to %d bytes", name, at)
	} else {
		at, bit := f.rng.IntN(len(b)), f.rng.IntN(8)
		for range 50 { // most of a small ledger is empty pages
			if b[at] != 0 {
				break
			}
			at = f.rng.IntN(len(b))
		}
		b[at] ^= 1 << bit
		n.Flips++
		what = fmt.Sprintf("bit %d of byte %d of %s flipped", bit, at, name)
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		return err
	}
	// Half of the time the index is gone too, as after an unclean stop.
	if strings.HasSuffix(name, ".blk") && f.rng.IntN(2) == 0 {
		if err := os.Remove(filepath.Join(filepath.Dir(path), "index.db")); err != nil {
			return err
		}
		what += ", index removed"
	}
	f.cfg.Data = f.copy
	found, err := f.look(ctx)
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	counts.Tried++
	if found == "" {
		n.Harmless++
		counts.Harmless++
		return nil
	}
	n.Caught++
	counts.Caught++
	if strings.HasPrefix(name, "seals") {
		return nil // those are put back by hand: nobody else may write them
	}
	if err := f.mendAll(ctx); err != nil {
		return fmt.Errorf("%s, found as %q: %w", what, found, err)
	}
	counts.Mended++
	return nil
}

// mendAll mends journal and ledger with the whole store as the copy at hand.
func (f *flipper) mendAll(ctx context.Context) error {
	m, err := mendAll(ctx, f.cfg, f.shop.ID, mending{from: []string{f.whole}})
	if err != nil {
		return fmt.Errorf("mend: %w", err)
	}
	if len(m.Missing)+len(m.Altered)+len(m.Differ)+len(m.Photos.Missing)+len(m.Papers.Missing) > 0 {
		return fmt.Errorf("mend: %+v", m)
	}
	j, err := openJournal(ctx, f.cfg, f.shop.ID)
	if err != nil {
		return fmt.Errorf("open what was mended: %w", err)
	}
	if err := errors.Join(ledger.Rebuild(ctx, j, f.cfg.ledgerPath(), nil), j.Close()); err != nil {
		return err
	}
	found, err := f.look(ctx)
	if err == nil && found != "" {
		err = errors.New(found)
	}
	if err != nil {
		return fmt.Errorf("after mending: %w", err)
	}
	return nil
}
