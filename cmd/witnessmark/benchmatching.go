package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"github.com/spf13/cobra"

	"witnessmark/rules"
	"witnessmark/simulator/labelled"
)

// How well the rules tell which fastener each pull was at, on streams whose
// truth is known: 'witnessmark bench matching'.

func newBenchMatching() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "matching",
		Short: "Score what the rules say of labelled streams against the truth, counting, and the best possible",
		Long: `Makes labelled streams (all invented), judges each by the real rules just as
'witnessmark judge' does, and prints for each fault and each kind of tool what
was found before release, what was named, and how long it took; the false
alarms and questions of clean jobs; and beside it what counting alone finds,
and the best that any method could reach on the same streams, worked out from
the densities that made them.

There are two worlds of streams, which differ in how joints turn, how people
work and how long they take. What was set on the one is to be measured on the
other.

taught: the procedure was seen in twenty clean jobs before. untaught: never.
Six jobs in ten are clean. Of the others, half are count-masked misses. With
--fault every job has one of the faults named, alone, for rows long enough to
tell one in sixty from none.

A fault is silent where its job was released and no alert answered it. Silent
jobs are listed, and so are clean jobs with an alert. With --keep the streams of
these, and of the masked misses that were not found, are written with their
procedure, the jobs before them and the truth, so that 'witnessmark judge' can
look into each.`,
		Example: "  witnessmark bench matching\n  witnessmark bench matching --fault plain_miss,over_torque --jobs 120\n  witnessmark bench matching --jobs 2000 --json\n  witnessmark bench matching --world rough\n  witnessmark bench matching --sensitivity --jobs 100\n  witnessmark bench matching --sensitivity --parameter LostPlace,Habit",
		Args:    cobra.NoArgs,
		RunE:    benchMatching,
	}
	f := cmd.Flags()
	f.Int("jobs", 300, "jobs to judge for each kind of tool, taught and untaught each")
	f.Uint64("seed", 1, "of the streams")
	f.String("world", string(labelled.Steady), fmt.Sprintf("the assumptions on which the streams are made: one of %v", labelled.Worlds()))
	f.StringSlice("fault", nil, fmt.Sprintf("instead of the mix: these faults, one a job; of %v", labelled.Faults()))
	f.Bool("json", false, "print JSON")
	f.String("keep", "", "directory in which to keep the streams of false alarms and of faults that were not found")
	f.Bool("sensitivity", false, "instead: recall and false alarms with each parameter of the model doubled and halved")
	f.StringSlice("parameter", nil, "with --sensitivity: these parameters alone, by their names in rules/match/model.md")
	return cmd
}

func benchMatching(c *cobra.Command, _ []string) error {
	f := c.Flags()
	jobs, _ := f.GetInt("jobs")
	seed, _ := f.GetUint64("seed")
	name, _ := f.GetString("world")
	world, err := labelled.ParseWorld(name)
	if err != nil {
		return usageError("--world: %v", err)
	}
	asJSON, _ := f.GetBool("json")
	keep, _ := f.GetString("keep")
	if jobs < 10 {
		return usageError("--jobs %d is too few to say anything; take at least 10", jobs)
	}
	draw := drawFaults
	if list, _ := f.GetStringSlice("fault"); len(list) > 0 {
		for _, x := range list {
			if !slices.Contains(labelled.Faults(), labelled.Fault(x)) {
				return usageError("--fault: there is no fault %q; there are %v", x, labelled.Faults())
			}
		}
		draw = func(rng *rand.Rand) []labelled.Fault {
			return []labelled.Fault{labelled.Fault(list[rng.IntN(len(list))])}
		}
	}
	run := matchRun{jobs: jobs, seed: seed, world: world, cores: runtime.GOMAXPROCS(0), progress: c.ErrOrStderr(), state: rules.New, draw: draw, keep: keep}
	var out interface{ write(io.Writer) error }
	only, _ := f.GetStringSlice("parameter")
	sense, _ := f.GetBool("sensitivity")
	if len(only) > 0 && !sense {
		return usageError("--parameter says which parameters --sensitivity changes: give both")
	}
	for _, name := range only {
		if !slices.Contains(senseParameters(), name) {
			return usageError("--parameter: the model has no parameter %q; it has %v", name, senseParameters())
		}
	}
	if sense {
		out, err = run.sensitivity(c.Context(), only)
	} else {
		out, err = run.score(c.Context())
	}
	if err != nil {
		return err
	}
	if asJSON {
		enc := json.NewEncoder(c.OutOrStdout())
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(out)
	}
	return out.write(c.OutOrStdout())
}

const (
	teachJobs = 20 // clean ones before a joint counts as taught
	shopJobs  = 10 // judged in a shop once it is taught
)

// matchRun is one run of the bench.
type matchRun struct {
	jobs     int // for each tier and state
	seed     uint64
	world    labelled.World
	cores    int
	progress io.Writer
	state    func() *rules.State // an empty one, with the parameters under test
	draw     func(*rand.Rand) []labelled.Fault
	keep     string // directory for what went wrong; "": none
}

// matchUnit is a shop and what is done there.
type matchUnit struct {
	tier   labelled.Tier
	taught bool
	shop   uint64
	jobs   int
}

// matchCase is one judged job.
type matchCase struct {
	sample *labelled.Sample
	judged *judgement
	taught bool
}

// units lists the work, in an order that does not depend on the cores.
func (r *matchRun) units(tiers []labelled.Tier) []matchUnit {
	var all []matchUnit
	for _, tier := range tiers {
		for i := 0; i*shopJobs < r.jobs; i++ {
			all = append(all, matchUnit{tier, true, r.seed*1_000_003 + uint64(i), min(shopJobs, r.jobs-i*shopJobs)})
		}
		for i := range r.jobs {
			all = append(all, matchUnit{tier, false, r.seed*1_000_003 + 500_000 + uint64(i), 1})
		}
	}
	return all
}

// judge does all units over the cores and hands over each case in order.
func (r *matchRun) judge(ctx context.Context, units []matchUnit, score func(*matchCase) caseScore) ([]caseScore, error) {
	results := make([][]caseScore, len(units))
	errs := make([]error, len(units))
	var next, done atomic.Int64
	var wg sync.WaitGroup
	for range max(1, r.cores) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(units); i = int(next.Add(1)) - 1 {
				results[i], errs[i] = r.unit(ctx, &units[i], score)
				if n := done.Add(1); n%50 == 0 || int(n) == len(units) {
					fmt.Fprintf(r.progress, "  %d of %d shops\n", n, len(units))
				}
			}
		})
	}
	wg.Wait()
	var all []caseScore
	for i := range units {
		if errs[i] != nil {
			return nil, errs[i]
		}
		all = append(all, results[i]...)
	}
	return all, nil
}

// unit teaches a shop, if it is to be, and judges its jobs.
func (r *matchRun) unit(ctx context.Context, u *matchUnit, score func(*matchCase) caseScore) ([]caseScore, error) {
	shop := labelled.NewShopIn(r.world, u.shop, u.tier)
	proc, err := newProcText(fmt.Sprintf("shop %d", u.shop), shop.Procedure())
	if err != nil {
		return nil, err
	}
	state := r.state()
	var earlier []*labelled.Sample
	if u.taught {
		for n := range teachJobs {
			s, err := shop.Job(1000 + n)
			if err != nil {
				return nil, err
			}
			earlier = append(earlier, s)
			if _, err := judgeSample(ctx, proc, s, state); err != nil {
				return nil, err
			}
		}
	}
	rng := rand.New(rand.NewPCG(u.shop, 0xbe9c4))
	var all []caseScore
	for n := range u.jobs {
		c, err := r.job(ctx, shop, proc, state, rng, n)
		if err != nil {
			return nil, err
		}
		if c == nil {
			continue
		}
		c.taught = u.taught
		x := score(c)
		if r.keep != "" && x.wrong() {
			if err := keepCase(filepath.Join(r.keep, fmt.Sprintf("%s-%s-%s", u.tier, taughtWord(u.taught), x.job)), c, earlier); err != nil {
				return nil, err
			}
		}
		all = append(all, x)
	}
	return all, nil
}

// mostDraws is how often faults are drawn for a job, until the shop has room for
// them: a shop of one step has none for a wrong step.
const mostDraws = 1000

// job makes and judges one job; nil if the shop has no room for any faults that
// were drawn.
func (r *matchRun) job(ctx context.Context, shop *labelled.Shop, proc *procText, state *rules.State, rng *rand.Rand, n int) (*matchCase, error) {
	var s *labelled.Sample
	for range mostDraws {
		faults := r.draw(rng)
		var err error
		if s, err = shop.Job(n, faults...); err == nil {
			break
		} // no room for these faults in this shop: draw others
	}
	if s == nil {
		return nil, nil
	}
	j, err := judgeSample(ctx, proc, s, state.Clone())
	if err != nil {
		return nil, err
	}
	return &matchCase{sample: s, judged: j}, nil
}

// drawFaults draws what goes wrong: nothing in six jobs of ten, a masked miss
// in two, another fault in one and a half, two faults in the rest.
func drawFaults(rng *rand.Rand) []labelled.Fault {
	masked := []labelled.Fault{labelled.MaskedTwice, labelled.MaskedLost, labelled.MaskedCounted}
	any := func() labelled.Fault { f := labelled.Faults(); return f[rng.IntN(len(f))] }
	x := rng.Float64()
	switch {
	case x < 0.6:
		return nil
	case x < 0.8:
		return []labelled.Fault{masked[rng.IntN(3)]}
	case x < 0.95:
		for {
			if f := any(); !f.Masked() {
				return []labelled.Fault{f}
			}
		}
	}
	return []labelled.Fault{any(), any()}
}

// keepCase writes a job so that 'witnessmark judge' can be run on it.
func keepCase(dir string, c *matchCase, earlier []*labelled.Sample) error {
	if err := os.MkdirAll(filepath.Join(dir, "earlier"), 0o755); err != nil {
		return err
	}
	put := func(name string, write func(io.Writer) error) error {
		f, err := os.Create(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		return errors.Join(write(f), f.Close())
	}
	for i, s := range earlier {
		if err := put(filepath.Join("earlier", fmt.Sprintf("%02d.jsonl", i+1)), s.WriteStream); err != nil {
			return err
		}
	}
	return errors.Join(put("stream.jsonl", c.sample.WriteStream), put("truth.json", c.sample.WriteTruth),
		os.WriteFile(filepath.Join(dir, "procedure.yaml"), c.sample.Procedure, 0o644))
}

// judgeSample judges a stream as 'witnessmark judge' judges its file.
func judgeSample(ctx context.Context, proc *procText, s *labelled.Sample, state *rules.State) (*judgement, error) {
	var b bytes.Buffer
	if err := s.WriteStream(&b); err != nil {
		return nil, err
	}
	j, err := runStream(ctx, proc, &b, streamOptions{State: state})
	if err != nil {
		return nil, fmt.Errorf("judge job %s: %w", s.Head.Job.ID, err)
	}
	if len(j.Problems) > 0 {
		return nil, fmt.Errorf("judge job %s: line %s", s.Head.Job.ID, j.Problems[0])
	}
	return j, nil
}
