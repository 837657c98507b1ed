package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/spf13/cobra"
)

func newDrill() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "drill",
		Short: "Try what the service survives: kills, power cuts, damage on disk, long work",
		Long: `Breaks an invented shop on purpose, again and again, and looks each time whether
anything was lost. It works on data of its own, in a new directory, and never
touches yours. Each drill prints its counts and ends with exit status 0 only if
nothing was lost.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newDrillKill(), newDrillPower(), newDrillCable(), newDrillFlip(), newDrillShares(), newDrillCluster(), newDrillApart(), newDrillPartition(), newDrillSoak(), newDrillServed())
	return cmd
}

// drillOptions are common to the drills that stop processes.
type drillOptions struct {
	times    int
	benches  int
	readings int // of the cable drill
	seed     uint64
	dir      string
	keep     bool
	json     bool
}

func (o *drillOptions) flags(cmd *cobra.Command, times int) {
	f := cmd.Flags()
	f.IntVar(&o.times, "times", times, "how many times")
	f.IntVar(&o.benches, "benches", 4, "benches, each with one emulated wrench that waits for an answer")
	f.Uint64Var(&o.seed, "seed", 1, "decides the moments; the same seed draws the same, but two runs never meet the same instants")
	f.StringVar(&o.dir, "dir", "", "where to work; default: a new directory for temporary files")
	f.BoolVar(&o.keep, "keep", false, "leave the data there when done")
	f.BoolVar(&o.json, "json", false, "print the counts as JSON")
}

func newDrillKill() *cobra.Command {
	var o drillOptions
	cmd := &cobra.Command{
		Use:   "kill",
		Short: "Kill the service with SIGKILL, a few hundred times, under load",
		Long: `Runs 'serve' as a process of its own on an invented shop, with emulated wrenches
on pseudo-terminals that send a reading until it is answered, and kills it with
SIGKILL: under load, while it starts, while it brings the index of its store up
to date after the kill before, while it writes a snapshot or a seal, and while
'rebuild' runs. The drill keeps its own list of what each wrench was
answered. Now and then, and at the end, it checks:

  every answered reading is in the journal once, none is there that was not sent
  every reading has its one decision, equal to that of an undisturbed run
  the ledger equals one built anew, row for row
  the whole journal is as it was sealed`,
		Example: "  witnessmark drill kill --times 300 --seed 7",
		Args:    cobra.NoArgs,
		RunE:    drillRun(&o, runKills),
	}
	o.flags(cmd, 300)
	return cmd
}

// drillRun runs a drill as the command says, with this program as what it
// starts and breaks.
func drillRun(o *drillOptions, run func(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) error) func(*cobra.Command, []string) error {
	return func(c *cobra.Command, _ []string) error {
		exe, err := os.Executable()
		if err != nil {
			return err
		}
		return run(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), exe, *o)
	}
}

func runKills(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) (err error) {
	if o.times < 1 || o.benches < 1 {
		return usageError("--times and --benches: want 1 or more")
	}
	d, err := openDrill(ctx, exe, o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	d.progress = progress
	counts, err := d.kills(ctx, o.times)
	if err != nil {
		return fmt.Errorf("after %d kills: %w; the data is kept in %s", counts.Kills, err, d.keepData())
	}
	return counts.print(out, o.json)
}

// drillCounts is what a drill has tried and found.
type drillCounts struct {
	Kills     int            `json:"kills"`
	By        map[string]int `json:"by_moment"`
	Role      map[string]int `json:"by_process"`
	LeftOver  int            `json:"half_written_files_met"` // a kill in the middle of writing leaves one
	Checks    int            `json:"checks"`
	Answered  int            `json:"readings_answered"`
	Readings  int            `json:"readings_in_journal"`
	Decisions int            `json:"decisions_equal_to_undisturbed_run"`
	Entries   uint64         `json:"journal_entries"`
	Seals     int            `json:"seals_verified"`
	Seconds   float64        `json:"seconds"`
}

func (c *drillCounts) count(moment, role string) {
	c.Kills++
	c.By[moment]++
	c.Role[role]++
}

func (c drillCounts) print(out io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	var by []string
	for _, m := range []map[string]int{c.By, c.Role} {
		for _, k := range sortedKeys(m) {
			by = append(by, fmt.Sprintf("%s %d", k, m[k]))
		}
	}
	_, err := fmt.Fprintf(out, `stopped %d times (%s)
%d half-written files were met on the way
%d readings answered to the wrenches, %d in the journal, each once; none lost, none invented
%d decisions, each equal to that of an undisturbed run
ledger equal to one built anew, %d seals verified over %d entries; looked at %d times
`, c.Kills, strings.Join(by, ", "), c.LeftOver, c.Answered, c.Readings, c.Decisions, c.Seals, c.Entries, c.Checks)
	return err
}

func sortedKeys[V any](m map[string]V) []string {
	var all []string
	for k := range m {
		all = append(all, k)
	}
	slices.Sort(all)
	return all
}

// killFirst stops a service while it begins with an empty directory, in a shop
// without tools. The next start must need no hands.
func (d *drill) killFirst(ctx context.Context, counts *drillCounts) error {
	data, shop := d.data, d.shopFile
	defer func() { d.data, d.cfg.Data, d.shopFile, d.cfg.Shop = data, data, shop, shop }()
	d.data, d.shopFile = filepath.Join(d.dir, "first"), filepath.Join(d.dir, "first.yaml")
	d.cfg.Data, d.cfg.Shop = d.data, d.shopFile
	if err := errors.Join(os.RemoveAll(d.data), os.Mkdir(d.data, 0o755)); err != nil {
		return err
	}
	role := d.roles[d.rng.IntN(len(d.roles))]
	p, err := d.start(role)
	if err != nil {
		return err
	}
	err = p.pause(ctx, time.Duration(d.rng.Float64()*1.2*float64(d.startTakes)))
	ended, stopErr := d.blow(p)
	switch {
	case err != nil || stopErr != nil:
		return errors.Join(err, stopErr)
	case ended:
		return fmt.Errorf("%s, %s: it ended by itself%s", role.name, atFirst, p.said())
	}
	counts.count(atFirst, role.name)
	if err := d.inProcess(ctx, func(context.Context, *stack) error { return nil }); err != nil {
		return fmt.Errorf("after a stop while %s: %w", atFirst, err)
	}
	return nil
}

// drillRole is a process that the drill starts and stops.
type drillRole struct {
	name string
	args func(data, shop string) []string // of this program
}

// Moments at which a process is stopped.
const (
	atLoad     = "under load"
	atStart    = "starting"
	atSnapshot = "writing a snapshot"
	atSeal     = "sealing"
	atRebuild  = "rebuilding the ledger"
	atFirst    = "starting for the first time"
	atIndex    = "bringing the server's index up to date"
)

// kills stops processes n times and checks now and then.
func (d *drill) kills(ctx context.Context, n int) (counts drillCounts, err error) {
	counts = drillCounts{By: map[string]int{}, Role: map[string]int{}}
	if err := d.inProcess(ctx, d.openJobs); err != nil {
		return counts, err
	}
	began := time.Now()
	defer func() { counts.Seconds = time.Since(began).Seconds() }()
	for counts.Kills < n {
		moment := d.moment()
		if err := d.killOnce(ctx, moment, &counts); err != nil {
			return counts, err
		}
		if counts.Kills%checkEvery == 0 || counts.Kills == n {
			if err := d.check(ctx, &counts); err != nil {
				return counts, err
			}
			fmt.Fprintf(d.progress, "%d of %d; %d readings answered, none lost\n", counts.Kills, n, counts.Answered)
		}
	}
	return counts, nil
}

// checkEvery is after how many stops everything is looked at. Between, one
// unclean start follows another.
const checkEvery = 10

func (d *drill) moment() string {
	switch r := d.rng.IntN(20); {
	case r < 10:
		return atLoad
	case r < 13:
		return atStart
	case r < 14:
		return atIndex
	case r < 16:
		return atSnapshot
	case r < 17:
		return atSeal
	case r < 18:
		return atFirst
	default:
		return atRebuild
	}
}

// killOnce starts a process and stops it at a moment.
func (d *drill) killOnce(ctx context.Context, moment string, counts *drillCounts) error {
	if moment == atFirst {
		return d.killFirst(ctx, counts)
	}
	role := d.roles[d.rng.IntN(len(d.roles))]
	if moment == atRebuild {
		role = drillRole{"rebuild", func(data, shop string) []string { return []string{"rebuild", "--data", data, "--shop", shop} }}
	}
	p, err := d.start(role)
	if err != nil {
		return err
	}
	if moment != atRebuild {
		for _, h := range d.hands {
			h.work(true)
		}
	}
	err = d.await(ctx, p, moment)
	for _, h := range d.hands {
		h.work(false)
	}
	ended, stopErr := d.blow(p)
	switch {
	case err != nil:
		return fmt.Errorf("%s, %s: %w%s", role.name, moment, err, p.said())
	case stopErr != nil:
		return stopErr
	case ended && moment != atRebuild: // a rebuild may be done before
		return fmt.Errorf("%s, %s: it ended by itself%s", role.name, moment, p.said())
	case ended:
		return nil // it was too quick: not counted
	}
	counts.count(moment, role.name)
	for _, f := range halfWritten {
		if info, err := os.Stat(filepath.Join(d.data, f)); err == nil && info.ModTime().After(p.began) {
			counts.LeftOver++
		}
	}
	return nil
}

// halfWritten are files that are only there while something is being written.
var halfWritten = []string{"state.snapshot.new", "ledger.db.new", "journal/journal.json.new", newIndex, "journal/index.kept.new"}

const newIndex = "journal/jetstream/jetstream/" + server.DEFAULT_GLOBAL_ACCOUNT + "/streams/wm-drill/msgs/index.db.new"

// await returns when the moment has come.
func (d *drill) await(ctx context.Context, p *process, moment string) error {
	switch moment {
	case atStart:
		// From at once to a little after the first reading was answered.
		return p.pause(ctx, time.Duration(d.rng.Float64()*1.2*float64(d.startTakes)))
	case atRebuild:
		return d.awaitRebuild(ctx, p)
	case atIndex: // after a stop in order there is nothing to be done
		before := d.answered.Load()
		return p.until(ctx, func() bool { return exists(filepath.Join(d.data, newIndex)) || d.answered.Load() > before })
	}
	before := d.answered.Load()
	want := before + int64(1+d.rng.IntN(150))
	if err := p.until(ctx, func() bool { return d.answered.Load() > before }); err != nil {
		return fmt.Errorf("no reading is answered: %w", err)
	}
	d.startTakes = time.Since(p.began)
	if err := p.until(ctx, func() bool { return d.answered.Load() >= want }); err != nil {
		return fmt.Errorf("readings are not answered any more: %w", err)
	}
	switch moment {
	case atSnapshot:
		return p.until(ctx, func() bool { return exists(filepath.Join(d.data, "state.snapshot.new")) })
	case atSeal:
		size := sizeOfFile(filepath.Join(d.data, "seals", "checkpoints"))
		return p.until(ctx, func() bool { return sizeOfFile(filepath.Join(d.data, "seals", "checkpoints")) != size })
	}
	return p.pause(ctx, time.Duration(d.rng.IntN(30_000))*time.Microsecond)
}

// awaitRebuild waits until the new ledger is being written, then a little.
func (d *drill) awaitRebuild(ctx context.Context, p *process) error {
	file := filepath.Join(d.data, "ledger.db.new")
	err := p.until(ctx, func() bool { return exists(file) })
	if errors.Is(err, errEnded) {
		return nil
	}
	if err == nil {
		err = p.pause(ctx, time.Duration(d.rng.IntN(60_000))*time.Microsecond)
	}
	return err
}

func exists(name string) bool { _, err := os.Stat(name); return err == nil }

func sizeOfFile(name string) int64 {
	info, err := os.Stat(name)
	if err != nil {
		return 0
	}
	return info.Size()
}

// process is one run of a role.
type process struct {
	cmd   *exec.Cmd
	began time.Time
	ended chan struct{} // closed once it has
	log   string        // what it writes to standard error
}

// start starts a role as a process.
func (d *drill) start(r drillRole) (*process, error) {
	if d.before != nil {
		if err := d.before(); err != nil {
			return nil, err
		}
	}
	p := &process{cmd: exec.Command(d.exe, r.args(d.data, d.shopFile)...), ended: make(chan struct{}), log: filepath.Join(d.dir, "stderr")}
	log, err := os.Create(p.log)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	p.cmd.Stderr, p.cmd.Stdout = log, log
	p.cmd.Dir = d.dir
	p.began = time.Now()
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", r.name, err)
	}
	go func() {
		defer close(p.ended)
		_ = p.cmd.Wait() // killed, as a rule
	}()
	return p, nil
}

// kill stops p with SIGKILL; ended is true if it had ended already.
func (p *process) kill() (ended bool, err error) {
	select {
	case <-p.ended:
		return true, nil
	default:
	}
	err = p.cmd.Process.Kill()
	<-p.ended
	if err != nil && errors.Is(err, os.ErrProcessDone) {
		return true, nil
	}
	return p.cmd.ProcessState.Exited(), err // false: by the signal
}

var errEnded = errors.New("the process has ended")

// until waits until is holds; its limit only ends a hang.
func (p *process) until(ctx context.Context, is func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
	defer cancel()
	tick := time.NewTicker(100 * time.Microsecond)
	defer tick.Stop()
	for !is() {
		select {
		case <-tick.C:
		case <-p.ended:
			return errEnded
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

// pause waits for a time, or for the end of the process.
func (p *process) pause(ctx context.Context, t time.Duration) error {
	select {
	case <-time.After(t):
		return nil
	case <-p.ended:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// said is the end of what the process wrote, for an error.
func (p *process) said() string {
	if p == nil {
		return ""
	}
	b, _ := os.ReadFile(p.log)
	text := strings.TrimSpace(string(b[max(0, len(b)-2000):]))
	if text == "" {
		return ""
	}
	return "; it said:\n" + text
}

// newDrillServed is the process that the drills stop: 'serve', which writes
// snapshots and seals much more often than in a shop.
func newDrillServed() *cobra.Command {
	cmd := &cobra.Command{
		Use: "served", Short: "Used by the drills", Hidden: true, Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			cfg.snapshotEvery, cfg.sealEvery = 60, 150*time.Millisecond
			return servedAs(c, cfg)
		},
	}
	addConfigFlags(cmd)
	cmd.Flags().String("clock", "", "file that says by how much the clock is ahead")
	cmd.Flags().Duration("ahead", 0, "by how much it is ahead besides")
	cmd.Flags().String("role", "", "bench: a bench box")
	return cmd
}

// drill is an invented shop that is broken on purpose.
type drill struct {
	exe        string
	dir        string
	own        bool // dir is ours to remove
	data       string
	shopFile   string
	rng        *rand.Rand
	roles      []drillRole
	hands      []*hand
	stopHands  func() error
	answered   atomic.Int64
	startTakes time.Duration // from the start of a process to its first answer, last time
	progress   io.Writer
	cfg        config
	before     func() error // a process is started; may be nil
	busy       func() bool  // so much waits for its decision that nobody pulls; may be nil
	blow       func(*process) (ended bool, err error)
}
