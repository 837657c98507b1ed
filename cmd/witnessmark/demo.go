package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/rules/procedure/demo"
	"witnessmark/simulator"
)

type demoOptions struct {
	exit, json bool
	speed      float64
	seed       uint64
	rounds     int
	bias       map[string]float64 // deviation of a tool, as a share of its reading; for tests
	plain      bool               // values at rest instead of guided measurements, which take their time; for tests
}

func newDemo() *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show an invented shop at work, with emulated tools on pseudo-terminals",
		Long: `Starts everything for the invented shop Fenholt Driveline: journal, rules, ledger,
pages, and six emulated tools of four families at two benches, one of them a bench tester. A Brackwater
RA-210 axle goes together without a fault; in an Ullock U6 gearbox one bolt of the
extension housing is forgotten. The real serial reader reads real bytes.

Open the page it prints. Ctrl-C stops it and removes its data, unless --data
names a directory. With --exit it runs as quickly as it can, stays up no longer
than the jobs take, and compares every fastener and alert with the known truth:
exit status 0 only if they agree.`,
		Example: "  witnessmark demo\n  witnessmark demo --speed 5\n  witnessmark demo --exit --json",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return runDemo(c, o) },
	}
	f := cmd.Flags()
	f.BoolVar(&o.exit, "exit", false, "run the jobs to their end and stop")
	f.BoolVar(&o.json, "json", false, "print the result as JSON (with --exit)")
	f.Float64Var(&o.speed, "speed", 8, "how much quicker than life the technicians work")
	f.Uint64Var(&o.seed, "seed", 1, "decides every pull; the same seed gives the same pulls")
	f.IntVar(&o.rounds, "rounds", 0, "stop opening new jobs after so many rounds of two; 0: go on until stopped (1 with --exit)")
	addConfigFlags(cmd, "data", "listen", "log_level")
	return cmd
}

// runDemo sets up the invented shop, runs it, and judges it if asked to.
func runDemo(c *cobra.Command, o demoOptions) error {
	if o.json && !o.exit {
		return usageError("--json needs --exit")
	}
	if !(o.speed > 0) {
		return usageError("--speed %g: want a number above 0", o.speed)
	}
	cfg, err := demoConfig(c, o)
	if err != nil {
		return err
	}
	if !c.Flags().Changed("data") {
		if cfg.Data, err = os.MkdirTemp("", "witnessmark-demo-"); err != nil {
			return fmt.Errorf("make data directory: %w", err)
		}
		defer os.RemoveAll(cfg.Data)
	}
	clock := simulator.WallClock(o.speed)
	if o.exit {
		clock = simulator.WallClock(0)
	}
	d, err := openDemo(c.Context(), cfg, o, clock)
	if err != nil {
		return err
	}
	defer d.rig.Close()
	return d.run(c.Context(), c.OutOrStdout(), c.ErrOrStderr())
}

func demoConfig(c *cobra.Command, o demoOptions) (config, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return cfg, err
	}
	if !c.Flags().Changed("log-level") {
		cfg.LogLevel = "error"
	}
	if o.exit && !c.Flags().Changed("listen") {
		cfg.Listen = "127.0.0.1:0"
	}
	cfg.NATSURL, cfg.Profiles, cfg.Alerts = "", "", ""
	return cfg, nil
}

// demonstration is the invented shop, ready to run.
type demonstration struct {
	o     demoOptions
	clock simulator.Clock
	shop  events.Shop
	procs map[string]*procedure.Procedure
	texts []string // of the procedures, to be released
	rig   *simulator.Rig
	tools []simulator.ToolSpec
	stack *stack
	saw   func(simulator.Job, simulator.Action) // before each deed; may be nil
}

// demoBenches says which procedure is worked at which bench, by whom.
var demoBenches = []struct{ bench, procedure, technician, serial string }{
	{"axle", "RA-210", "ines", "RA210-77"},
	{"gearbox", "U6", "tomas", "U6-31"},
}

const demoLead = "maren"

// guidedKeys are the lines of a procedure that say how a value is measured.
var guidedKeys = regexp.MustCompile(`(?m)^    (method|judge|positions|cycles|spread): .*\n`)

func openDemo(ctx context.Context, cfg config, o demoOptions, clock simulator.Clock) (*demonstration, error) {
	d := &demonstration{o: o, clock: clock, procs: map[string]*procedure.Procedure{}}
	var err error
	if d.shop, err = parseShop("shop.example.yaml", exampleShop); err != nil {
		return nil, err
	}
	for _, f := range demo.Files() {
		if o.plain {
			f.Text = guidedKeys.ReplaceAllString(f.Text, "")
		}
		d.texts = append(d.texts, f.Text)
		p, problems := procedure.Parse(f.Name, []byte(f.Text))
		if err := problems.Err(); err != nil {
			return nil, err
		}
		d.procs[f.ID] = p
	}
	units := map[string]quantity.Unit{}
	for _, b := range demoBenches {
		units[b.bench] = torqueUnit(d.procs[b.procedure])
	}
	if d.tools, err = toolSpecs(d.shop, units); err != nil {
		return nil, err
	}
	for i := range d.tools {
		d.tools[i].Bias = o.bias[d.tools[i].ID]
	}
	if d.rig, err = simulator.OpenRig(simulator.RigConfig{Dir: filepath.Join(cfg.Data, "lines"), Tools: d.tools, Seed: o.seed, Clock: clock}); err != nil {
		return nil, err
	}
	for i, dev := range d.shop.Devices {
		d.shop.Devices[i].Port = d.rig.Path(dev.Tool)
		d.shop.Devices[i].USBVendor, d.shop.Devices[i].USBProduct, d.shop.Devices[i].USBSerial = "", "", ""
	}
	for i := range d.shop.Tools {
		d.shop.Tools[i].Reports.Late = true  // technicians at eight times life: their pace is no evidence
		d.shop.Tools[i].Interval.Cycles = -1 // and nobody calibrates them, however long it runs
	}
	cfg.banner = "Demonstration: shop, units and figures are invented."
	if d.stack, err = openStack(ctx, cfg, d.shop); err != nil {
		return nil, fmt.Errorf("%w", joinClose(err, d.rig))
	}
	return d, nil
}

func joinClose(err error, c io.Closer) error {
	if e := c.Close(); e != nil {
		return fmt.Errorf("%w; and close: %v", err, e)
	}
	return err
}

// run runs the shop until ctx ends, or to the end of its jobs with --exit.
func (d *demonstration) run(ctx context.Context, out, hints io.Writer) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var results []jobResult
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return d.rig.Run(ctx) })
	g.Go(func() error {
		defer cancel()
		return d.stack.run(ctx, func(ctx context.Context) error {
			if !d.o.exit {
				d.greet(hints)
			}
			var err error
			results, err = d.work(ctx, hints)
			if d.o.exit {
				cancel()
			}
			return err
		})
	})
	if err := g.Wait(); ignoreCancel(err) != nil {
		return err
	}
	if !d.o.exit {
		return nil
	}
	return d.report(out, results)
}

func (d *demonstration) greet(w io.Writer) {
	fmt.Fprintf(w, "\n%s, an invented shop, is at work.\n\n  Pages: %s\n", d.shop.Name, d.stack.url())
	for _, b := range d.shop.Benches {
		fmt.Fprintf(w, "  %-14s %s/bench/%s\n", b.Name, d.stack.url(), b.ID)
	}
	fmt.Fprintf(w, "\nAt the gearbox bench one bolt of the extension housing will be forgotten. Ctrl-C stops.\n\n")
}

// work releases the procedures and runs rounds of jobs, the benches side by
// side.
func (d *demonstration) work(ctx context.Context, hints io.Writer) ([]jobResult, error) {
	people := desk{d.stack.service}
	for _, text := range d.texts {
		if err := people.ask(ctx, offer(events.Ask{By: demoLead, AtUs: events.InstantOf(time.Now())}, []byte(text))); err != nil {
			return nil, fmt.Errorf("release procedure: %w", err)
		}
	}
	w := newWatch()
	updates, cancel := d.stack.service.Subscribe(1 << 14)
	defer cancel()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return w.follow(ctx, updates) })
	var results []jobResult
	g.Go(func() error {
		defer stop()
		for round := 0; d.more(round); round++ {
			r, err := d.round(ctx, round, w, hints)
			if err != nil {
				return err
			}
			if !d.o.exit {
				r = nil // only said; a demonstration that stays up must not grow
			}
			results = append(results, r...)
		}
		return nil
	})
	return results, ignoreCancel(g.Wait())
}

func (d *demonstration) more(round int) bool {
	most := d.o.rounds
	if most == 0 && d.o.exit {
		most = 1
	}
	return most == 0 || round < most
}

// demoFaults are the mistakes of the rounds: axle, gearbox. The first round is
// what the README tells; later ones show the other mistakes in turn.
var demoFaults = [][2][]simulator.Fault{
	{nil, {{Kind: simulator.MissedBolt, Step: "extension", Pass: -1}}},
	{{{Kind: simulator.HighPull, Step: "cover", Pass: -1}}, nil},
	{nil, {{Kind: simulator.WrongUnit, Step: "case", Pass: 2}}},
	{{{Kind: simulator.MissedBolt, Step: "shaft-right", Pass: -1}}, nil},
	{nil, {{Kind: simulator.LowPull, Step: "retainer", Pass: -1}, {Kind: simulator.ResentFrame, Step: "detents", Pass: -1}}},
	{{{Kind: simulator.DoublePull, Step: "shaft-left", Pass: -1}}, {{Kind: simulator.Unplugged, Step: "front-retainer", Pass: -1}}},
	{{{Kind: simulator.Unplugged, Step: "shaft-left", Pass: 0}}, {{Kind: simulator.GarbledFrame, Step: "extension", Pass: 0}}},
}

func (d *demonstration) plan(round int) (simulator.Plan, error) {
	p := simulator.Plan{Seed: d.o.seed + uint64(round), Start: time.Now(), Tools: d.tools}
	for i, b := range demoBenches {
		proc := d.procs[b.procedure]
		steps, err := planSteps(proc, benchTools(d.shop, b.bench))
		if err != nil {
			return p, err
		}
		p.Jobs = append(p.Jobs, simulator.Job{
			ID: fmt.Sprintf("j-%d", 1001+round*len(demoBenches)+i), UnitSerial: fmt.Sprintf("%s%02d", b.serial, round+1),
			Customer: "Harrow Valley Haulage", Procedure: proc.ID, Revision: proc.Revision, Bench: b.bench,
			Technician: b.technician, Lead: demoLead, Steps: steps, Faults: demoFaults[round%len(demoFaults)][i],
			Heed: simulator.AtRelease,
		})
	}
	return p, nil
}

// round runs one job at each bench and judges it.
func (d *demonstration) round(ctx context.Context, round int, w *watch, hints io.Writer) ([]jobResult, error) {
	plan, err := d.plan(round)
	if err != nil {
		return nil, err
	}
	if err := (desk{d.stack.service}).restock(ctx, d.shop); err != nil {
		return nil, err
	}
	script, err := simulator.Build(plan)
	if err != nil {
		return nil, err
	}
	stage := simulator.Stage{Tools: d.rig.Tools(), Desk: desk{d.stack.service}, Settled: w.settled, Linked: linked(d.stack.capture.Status, true),
		Unlinked: linked(d.stack.capture.Status, false), Clock: d.clock, Saw: d.saw}
	outcomes, err := script.Run(ctx, stage)
	if err != nil {
		return nil, err
	}
	if err := d.stack.ledger.WaitFor(ctx, d.stack.journal.Last()); err != nil {
		return nil, err
	}
	var results []jobResult
	for i, o := range outcomes {
		r, err := judgeJob(ctx, d.stack.ledger, script.Jobs[i], o)
		if err != nil {
			return nil, err
		}
		results = append(results, r)
		if !d.o.exit {
			r.writeText(hints)
		}
	}
	return results, nil
}

// report prints the results and compares them with the truth.
func (d *demonstration) report(out io.Writer, results []jobResult) error {
	good := len(results) > 0
	for _, r := range results {
		good = good && len(r.Differences) == 0
	}
	if d.o.json {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(demoResult{Seed: d.o.seed, AsTrue: good, Jobs: results}); err != nil {
			return err
		}
	} else {
		for _, r := range results {
			r.writeText(out)
		}
	}
	if !good {
		return exitCode{1, fmt.Errorf("the record is not what the streams' known truth demands")}
	}
	return nil
}
