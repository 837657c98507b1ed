package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/journal"
)

const drillShopID = "drill"

func newDrillShares() *cobra.Command {
	var o drillOptions
	cmd := &cobra.Command{
		Use:   "shares",
		Short: "Kill, or stall, one of two processes that share the rules, many times, under load",
		Long: `Runs a store and two 'serve --role rules' as processes of their own, and writes
the simulator's streams of several benches. Again and again it kills one of
the two with SIGKILL, or stalls it for longer than its shares last and lets it
go on, and waits until the other decides all. At the end it checks that every
confirmed fact is in the journal once, and that the decisions are, one by one
and in the same order, those of an undisturbed run of one process.`,
		Example: "  witnessmark drill shares --times 100 --seed 7",
		Args:    cobra.NoArgs,
		RunE:    drillRun(&o, runShares),
	}
	o.flags(cmd, 100)
	return cmd
}

// sharesCounts is what the drill has tried and found. Times are in seconds.
type sharesCounts struct {
	Kills       int            `json:"kills"`
	Stalls      int            `json:"stalls"`
	Facts       int            `json:"facts"`
	Confirmed   int            `json:"facts_confirmed"`
	Decisions   int            `json:"decisions_equal_to_undisturbed_run"`
	By          map[string]int `json:"decisions_by_process"`
	Takeover    []float64      `json:"takeover_s"` // of each kill and stall: the longest that a fact waited to be decided by the other
	TakeoverMid float64        `json:"takeover_median_s"`
	TakeoverMax float64        `json:"takeover_max_s"`
	CalmMedian  float64        `json:"undisturbed_median_s"`
	CalmP99     float64        `json:"undisturbed_p99_s"`
	AllP99      float64        `json:"with_kills_p99_s"`
	AllMax      float64        `json:"with_kills_max_s"`
	Seconds     float64        `json:"seconds"`
}

func (c *sharesCounts) print(out io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	_, err := fmt.Fprintf(out, `killed %d times, stalled %d times
%d facts confirmed, %d in the journal, each once; none lost
%d decisions, one by one those of an undisturbed run of one process, in its order; none twice, none missing
decisions by process: %s
after a kill or stall the longest wait of a fact for its decision: median %.1f s, at most %.1f s
a fact on disk waits for its decision, undisturbed: median %.1f ms, 99 %% within %.1f ms; with kills: 99 %% within %.1f s, at most %.1f s
`, c.Kills, c.Stalls, c.Confirmed, c.Facts, c.Decisions, countsOf(c.By), c.TakeoverMid, c.TakeoverMax, 1000*c.CalmMedian, 1000*c.CalmP99, c.AllP99, c.AllMax)
	return err
}

func countsOf(m map[string]int) string {
	s := ""
	for _, k := range sortedKeys(m) {
		s += fmt.Sprintf("%s %d  ", k, m[k])
	}
	return s
}

// sharesDrill is the shop that is broken.
type sharesDrill struct {
	drill
	url      string
	replicas int // of the journal; 0: it is on one node
	members  [2]*process
	names    [2]string
	rng      *rand.Rand
	load     *loader
	writers  writers
}

func runShares(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) (err error) {
	if o.times < 1 || o.benches < 1 {
		return usageError("--times and --benches: want 1 or more")
	}
	d := &sharesDrill{names: [2]string{"one", "two"}, rng: rand.New(rand.NewPCG(o.seed, 0x736861726573))}
	if err := d.place(exe, o); err != nil {
		return err
	}
	listen, err := freePort()
	if err != nil {
		return err
	}
	d.url = "nats://" + listen
	store, err := d.startStore(storeNode{name: "store", listen: listen})
	if err != nil {
		return err
	}
	defer func() { _, _ = store.kill() }()
	counts, err := d.run(ctx, progress, o)
	for _, p := range d.members {
		if p != nil {
			_ = p.cmd.Process.Signal(syscall.SIGCONT)
			_, _ = p.kill()
		}
	}
	if err != nil {
		return fmt.Errorf("after %d kills and %d stalls: %w; the data is kept in %s", counts.Kills, counts.Stalls, err, d.keepData())
	}
	if err := d.remove(); err != nil {
		return err
	}
	return counts.print(out, o.json)
}

// loadShop is the shop file of processes that have only to know which shop.
const loadShop = `shop: drill
name: Drill
units: {torque: N·m, length: mm}
benches:
  - {id: b00, name: Bench}
people:
  - {id: lead, name: Lead, role: lead}
`

func (d *sharesDrill) run(ctx context.Context, progress io.Writer, o drillOptions) (c *sharesCounts, err error) {
	start := time.Now()
	c = &sharesCounts{By: map[string]int{}}
	j, err := openPatiently(ctx, journal.Config{Shop: drillShopID, URL: d.url, Shared: true, Writer: "load", MaxBytes: 4 << 30})
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if d.load, err = openLoader(j, drillShopID, o.benches, o.seed, 4*time.Millisecond); err != nil {
		return c, err
	}
	for i := range d.members {
		if err := d.startMember(i); err != nil {
			return c, err
		}
	}
	back, cancel := context.WithCancel(ctx)
	defer cancel()
	var g sync.WaitGroup
	defer g.Wait()
	defer cancel()
	g.Go(func() { _ = d.load.follow(back) })
	g.Go(func() { _ = d.writers.follow(back, j) })
	if err := d.load.begin(ctx); err != nil {
		return c, err
	}
	stop := make(chan struct{})
	var once sync.Once
	end := func() { once.Do(func() { close(stop) }) }
	defer end()
	loaded := make(chan error, 1)
	g.Go(func() { loaded <- d.load.run(back, stop) })

	if err := d.both(ctx); err != nil {
		return c, err
	}
	calm, err := d.calm(ctx)
	if err != nil {
		return c, err
	}
	for n := range o.times {
		if err := d.blow(ctx, c, n); err != nil {
			return c, err
		}
		if progress != nil && (n+1)%10 == 0 {
			fmt.Fprintf(progress, "%d of %d\n", n+1, o.times)
		}
	}
	end()
	if err := <-loaded; err != nil {
		return c, err
	}
	if err := d.settled(ctx); err != nil {
		return c, err
	}
	if c.Facts, c.Decisions, err = d.load.whole(ctx); err != nil {
		return c, err
	}
	c.Confirmed = len(d.load.stored)
	c.By = d.writers.counts()
	d.figures(c, calm)
	c.Seconds = time.Since(start).Seconds()
	return c, nil
}

func (d *sharesDrill) startMember(i int) error {
	data := filepath.Join(d.dir, d.names[i])
	p, err := d.startProcess(d.names[i], "serve", "--role", "rules", "--nats-url", d.url, "--data", data, "--shop", d.shopFile, "--member", d.names[i],
		"--replicas", strconv.Itoa(max(d.replicas, 1)), "--journal-max", "4 GiB", "--min-free", "1 MiB", "--log-level", "info")
	if err != nil {
		return err
	}
	d.members[i] = p
	return nil
}

// both waits until both members decide: each after now.
func (d *sharesDrill) both(ctx context.Context) error {
	before := d.writers.counts()
	return d.wait(ctx, "both decide", func() bool {
		now := d.writers.counts()
		return now[d.names[0]] > before[d.names[0]] && now[d.names[1]] > before[d.names[1]]
	})
}

// settled waits until nothing waits for its decision.
func (d *sharesDrill) settled(ctx context.Context) error {
	return d.wait(ctx, "all is decided", func() bool { n, _ := d.load.open(); return n == 0 })
}

func (d *sharesDrill) wait(ctx context.Context, what string, is func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !is() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			n, oldest := d.load.open()
			return fmt.Errorf("wait until %s: %w; %d facts are not decided, one for %s%s%s", what, context.Cause(ctx), n, oldest, d.members[0].said(), d.members[1].said())
		}
	}
	return nil
}

// calm lets both decide for a while, and returns how long each fact waited.
func (d *sharesDrill) calm(ctx context.Context) ([]time.Duration, error) {
	if err := d.settled(ctx); err != nil {
		return nil, err
	}
	before, _ := d.load.waits()
	err := d.wait(ctx, "some hundred facts are decided", func() bool {
		now, _ := d.load.waits()
		return len(now) >= len(before)+500
	})
	now, _ := d.load.waits()
	return lengths(now[len(before):]), err
}

func lengths(ws []waited) (ds []time.Duration) {
	for _, w := range ws {
		ds = append(ds, w.took)
	}
	return ds
}

// blow kills or stalls one member, and waits until the other has decided all
// that it had and both decide again.
func (d *sharesDrill) blow(ctx context.Context, c *sharesCounts, n int) error {
	select {
	case <-time.After(time.Duration(d.rng.IntN(300)) * time.Millisecond):
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	i := d.rng.IntN(2)
	from := time.Now()
	stall := n%5 == 4
	var err error
	if stall {
		err = d.members[i].cmd.Process.Signal(syscall.SIGSTOP)
		c.Stalls++
	} else {
		_, err = d.members[i].kill()
		c.Kills++
	}
	if err != nil {
		return err
	}
	// Every bench shall have some facts behind the blow, so that some of them are
	// in the shares of the one that is gone; the other decides them all.
	before, _ := d.load.waits()
	if err := d.more(ctx, 10*len(d.load.benches)); err != nil {
		return err
	}
	d.load.mu.Lock()
	newest := d.load.newest
	d.load.mu.Unlock()
	if err := d.wait(ctx, "the other decides", func() bool {
		d.load.mu.Lock()
		defer d.load.mu.Unlock()
		for seq := range d.load.onDisk {
			if seq <= newest {
				return false
			}
		}
		return d.writers.since(d.names[1-i], from)
	}); err != nil {
		return err
	}
	after, _ := d.load.waits()
	c.Takeover = append(c.Takeover, slices.Max(lengths(after[len(before):])).Seconds())
	if stall {
		if err := d.members[i].cmd.Process.Signal(syscall.SIGCONT); err != nil {
			return err
		}
	} else if err := d.startMember(i); err != nil {
		return err
	}
	return d.both(ctx)
}

// figures works out the waits: how long facts waited while nothing happened,
// and over the whole of the drill.
func (d *sharesDrill) figures(c *sharesCounts, calm []time.Duration) {
	var took []time.Duration
	for _, s := range c.Takeover {
		took = append(took, time.Duration(s*float64(time.Second)))
	}
	c.TakeoverMid, c.TakeoverMax = shareOf(took, 0.5).Seconds(), shareOf(took, 1).Seconds()
	decided, _ := d.load.waits()
	all := lengths(decided)
	c.CalmMedian, c.CalmP99 = shareOf(calm, 0.5).Seconds(), shareOf(calm, 0.99).Seconds()
	c.AllP99, c.AllMax = shareOf(all, 0.99).Seconds(), shareOf(all, 1).Seconds()
}

// writers counts which process wrote how many decisions.
type writers struct {
	mu   sync.Mutex
	n    map[string]int
	last map[string]time.Time
}

func (w *writers) counts() map[string]int {
	w.mu.Lock()
	defer w.mu.Unlock()
	m := map[string]int{}
	for k, v := range w.n {
		m[k] = v
	}
	return m
}

func (w *writers) since(name string, at time.Time) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last[name].After(at)
}

// follow reads the headers of decisions until ctx ends.
func (w *writers) follow(ctx context.Context, j *journal.Journal) error {
	w.mu.Lock()
	w.n, w.last = map[string]int{}, map[string]time.Time{}
	w.mu.Unlock()
	js, err := jetstream.New(j.Conn())
	if err != nil {
		return err
	}
	cons, err := js.OrderedConsumer(ctx, "wm-"+drillShopID, jetstream.OrderedConsumerConfig{
		FilterSubjects: []string{"wm." + drillShopID + ".ev." + events.SourceRules}, HeadersOnly: true,
	})
	if err != nil {
		return err
	}
	it, err := cons.Messages()
	if err != nil {
		return err
	}
	defer it.Stop()
	defer context.AfterFunc(ctx, it.Stop)()
	for {
		m, err := it.Next()
		if err != nil {
			return err
		}
		name := journal.WriterOf(m.Headers())
		w.mu.Lock()
		w.n[name]++
		w.last[name] = time.Now()
		w.mu.Unlock()
	}
}

// storeNode is a store of a drill.
type storeNode struct {
	name    string
	listen  string
	cluster string
	nodes   string
	ns      string   // network namespace; "": this one
	more    []string // further flags
}

// startStore starts a store as a process.
func (d *drill) startStore(n storeNode) (*process, error) {
	args := []string{"store", "--name", n.name, "--data", filepath.Join(d.dir, n.name), "--listen", n.listen, "--most", "10 GiB"}
	if n.cluster != "" {
		args = append(args, "--cluster", n.cluster, "--nodes", n.nodes)
	}
	return d.startIn(n.ns, n.name, append(args, n.more...)...)
}

// openPatiently opens a journal, once the servers are up.
func openPatiently(ctx context.Context, cfg journal.Config) (*journal.Journal, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
	defer cancel()
	for {
		j, err := journal.Open(ctx, cfg)
		if err == nil {
			return j, nil
		}
		select {
		case <-time.After(50 * time.Millisecond):
		case <-ctx.Done():
			return nil, err
		}
	}
}

// startProcess starts this program with args, beside others.
func (d *drill) startProcess(log string, args ...string) (*process, error) {
	return d.startIn("", log, args...)
}

// startIn does so in a network namespace; "" is this one.
func (d *drill) startIn(ns, log string, args ...string) (*process, error) {
	cmd := exec.Command(d.exe, args...)
	if ns != "" { // 'ip' becomes the program, so it has its process id
		cmd = exec.Command("ip", append([]string{"netns", "exec", ns, d.exe}, args...)...)
	}
	p := &process{cmd: cmd, ended: make(chan struct{}), log: filepath.Join(d.dir, log+".log")}
	f, err := os.OpenFile(p.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o640)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	p.cmd.Stderr, p.cmd.Stdout, p.cmd.Dir, p.began = f, f, d.dir, time.Now()
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", log, err)
	}
	go func() {
		defer close(p.ended)
		_ = p.cmd.Wait() // killed, as a rule
	}()
	return p, nil
}

// freePort returns an address of this machine that was free just now. It is
// below those that the system gives to connections and to who asks for any
// (32768 and above, unless told otherwise), so it stays free while whoever
// listens there is down: others ask for any port all the time.
func freePort() (string, error) {
	var last error
	for range 1000 {
		l, err := net.Listen("tcp", fmt.Sprint("127.0.0.1:", 15000+rand.IntN(17000)))
		if err == nil {
			return l.Addr().String(), l.Close()
		}
		last = err
	}
	return "", fmt.Errorf("no port is free: %w", last)
}
