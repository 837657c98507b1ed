package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
)

// benchResult is one figure, as a ratio to a floor measured in the same run.
type benchResult struct {
	Name  string  `json:"name"`
	Unit  string  `json:"unit"`
	Value float64 `json:"value"`
	Floor float64 `json:"floor"`
	What  string  `json:"floor_is"`
	Ratio float64 `json:"ratio"`
	Goal  float64 `json:"goal"`
	// AtMost says on which side of the goal the ratio should be.
	AtMost bool `json:"goal_is_at_most"`
	Met    bool `json:"met"`
}

func newBenchResult(name, unit string, value, floor float64, what string, goal float64, atMost bool) benchResult {
	r := benchResult{Name: name, Unit: unit, Value: value, Floor: floor, What: what, Ratio: value / floor, Goal: goal, AtMost: atMost}
	r.Met = atMost && r.Ratio <= goal || !atMost && r.Ratio >= goal
	return r
}

type benchReport struct {
	Machine string        `json:"machine"`
	Cores   int           `json:"cores"`
	Go      string        `json:"go"`
	Results []benchResult `json:"results"`
}

// benchSizes says how much is done.
type benchSizes struct {
	latency  int           // readings, one at a time
	readings int           // at saturation
	events   int           // in the journal whose memory is measured
	seconds  time.Duration // of streaming indicators
}

var benchParts = []string{"latency", "throughput", "rebuild", "memory", "indicators", "judging", "recall", "cluster"}

func newBench() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "bench [latency|throughput|rebuild|memory|indicators|judging|recall|cluster]...",
		Short: "Measure speed and memory, each as a ratio to a limit measured in the same run",
		Long: `Measures, on this machine and disk, the whole service against the least that the
same work can cost:

  latency     last byte on a pseudo-terminal until the verdict is in a live
              stream's client, against pty, one synced publish, stream write
  throughput  readings stored, judged and projected a second at saturation,
              against bare atomic batches of the same payloads, then bare inserts
  rebuild     events a second into a fresh ledger, against a bare consumer read
              and bare inserts of the same rows
  memory      resident memory of the service over a journal of a million events,
              and what a reading costs there against one near the beginning
  indicators  what a hundred indicators at 100 samples a second take of one core,
              from bytes to settled values
  judging     what one pull costs the rules at a joint of 24 fasteners with all
              hypotheses, by torque, angle and trace of 1,000 samples, against
              writing and reading its event; a trace's sample against decoding it
  recall      a recall over a million pulls of one tool, against reading them; and
              tools' factors from a million torque rates, against their logarithms
  cluster     readings on disk a second at one store, and at three that keep each
              of them, against bare atomic batches to the same

Quiet the machine first. Figures of one run compare with that run only.`,
		Example:   "  witnessmark bench\n  witnessmark bench latency --json\n  witnessmark bench --quick",
		Args:      cobra.OnlyValidArgs,
		ValidArgs: benchParts,
		RunE: func(c *cobra.Command, args []string) error {
			asJSON, _ := c.Flags().GetBool("json")
			quick, _ := c.Flags().GetBool("quick")
			dir, _ := c.Flags().GetString("dir")
			sizes := benchSizes{latency: 3000, readings: 200_000, events: 1_000_000, seconds: 20 * time.Second}
			if quick {
				sizes = benchSizes{latency: 300, readings: 20_000, events: 60_000, seconds: 4 * time.Second}
			}
			if len(args) == 0 {
				args = benchParts
			}
			report, err := runBench(c.Context(), args, sizes, dir, c.ErrOrStderr())
			if err != nil {
				return err
			}
			if asJSON {
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(report)
			}
			return report.writeTable(c.OutOrStdout())
		},
	}
	cmd.AddCommand(newBenchMatching(), newBenchStart())
	cmd.Flags().Bool("json", false, "print JSON")
	cmd.Flags().Bool("quick", false, "a tenth of the work or less: shows that it runs, not how quick it is")
	cmd.Flags().String("dir", "", "where to work: on the disk that matters; default: the temporary directory")
	return cmd
}

func runBench(ctx context.Context, parts []string, sizes benchSizes, dir string, progress io.Writer) (benchReport, error) {
	report := benchReport{Machine: runtime.GOOS + "/" + runtime.GOARCH, Cores: runtime.GOMAXPROCS(0), Go: runtime.Version()}
	dir, err := os.MkdirTemp(dir, "witnessmark-bench-")
	if err != nil {
		return report, fmt.Errorf("make working directory: %w", err)
	}
	defer os.RemoveAll(dir)
	b := &bencher{dir: dir, sizes: sizes, progress: progress}
	run := map[string]func(context.Context) ([]benchResult, error){
		"latency": b.latency, "throughput": b.throughput, "rebuild": b.rebuild, "memory": b.memory, "indicators": b.indicators, "judging": b.judging, "recall": b.recall,
		"cluster": b.cluster,
	}
	for _, part := range benchParts {
		if !slices.Contains(parts, part) {
			continue
		}
		start := time.Now()
		fmt.Fprintf(progress, "%s …\n", part)
		r, err := run[part](ctx)
		if err != nil {
			return report, fmt.Errorf("measure %s: %w", part, err)
		}
		fmt.Fprintf(progress, "%s done in %.0f s\n", part, time.Since(start).Seconds())
		report.Results = append(report.Results, r...)
	}
	return report, nil
}

func (r benchReport) writeTable(w io.Writer) error {
	fmt.Fprintf(w, "%s, %d cores, %s\n\n", r.Machine, r.Cores, r.Go)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "what\tmeasured\tfloor\tunit\tratio\tgoal\t")
	for _, x := range r.Results {
		sign := map[bool]string{true: "≤", false: "≥"}[x.AtMost]
		met := map[bool]string{true: "met", false: "NOT met"}[x.Met]
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%.2f\t%s %g\t%s\n", x.Name, figure(x.Value), figure(x.Floor), x.Unit, x.Ratio, sign, x.Goal, met)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	for _, x := range r.Results {
		fmt.Fprintf(w, "%s: floor is %s\n", x.Name, x.What)
	}
	return nil
}

// figure prints a number with three significant digits.
func figure(v float64) string {
	if v == 0 || math.IsNaN(v) {
		return "0"
	}
	digits := max(0, 2-int(math.Floor(math.Log10(math.Abs(v)))))
	return fmt.Sprintf("%.*f", digits, v)
}

// quantile returns the q-quantile of durations in milliseconds; it sorts them.
func quantile(d []time.Duration, q float64) float64 {
	slices.Sort(d)
	i := min(len(d)-1, int(q*float64(len(d))))
	return float64(d[i].Nanoseconds()) / 1e6
}

type bencher struct {
	dir      string
	sizes    benchSizes
	progress io.Writer
	grown    string // data directory of the saturation run, for rebuild
}
