package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"

	"witnessmark/events/journal"
)

func newDrillCluster() *cobra.Command {
	var o drillOptions
	cmd := &cobra.Command{
		Use:   "cluster",
		Short: "Kill the leader of a journal that is kept on three nodes, many times, under load",
		Long: `Runs three stores as a cluster, each a process of its own, with a journal that is
kept on all three, and one 'serve --role rules'. It writes the simulator's
streams of several benches, and kills with SIGKILL again and again the node that
leads the journal, now and then another one, and starts it again. It measures
how long publishing pauses. At the end it checks that every confirmed fact is in
the journal once, and that the decisions are those of an undisturbed run.`,
		Example: "  witnessmark drill cluster --times 20 --seed 7",
		Args:    cobra.NoArgs,
		RunE:    drillRun(&o, runCluster),
	}
	o.flags(cmd, 20)
	return cmd
}

// clusterCounts is what the drill has tried and found. Times are in seconds.
type clusterCounts struct {
	Leaders   int       `json:"leaders_killed"`
	Others    int       `json:"others_killed"`
	Facts     int       `json:"facts"`
	Confirmed int       `json:"facts_confirmed"`
	Decisions int       `json:"decisions_equal_to_undisturbed_run"`
	Pauses    []float64 `json:"pauses_s"` // after each kill: the longest that a fact waited to be confirmed
	PauseMid  float64   `json:"pause_after_leader_median_s"`
	PauseMax  float64   `json:"pause_max_s"`
	CalmMid   float64   `json:"confirmed_undisturbed_median_s"`
	CalmP99   float64   `json:"confirmed_undisturbed_p99_s"`
	Rejoin    float64   `json:"rejoin_max_s"` // from the start of a node until it has all
	Seconds   float64   `json:"seconds"`

	leaders []time.Duration
}

func (c *clusterCounts) print(out io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	_, err := fmt.Fprintf(out, `killed the leader %d times, another node %d times
%d facts confirmed, %d in the journal, each once; none lost
%d decisions, one by one those of an undisturbed run
after the leader's death the longest wait for a confirmation is %.1f s at the median, %.1f s at most; undisturbed: median %.1f ms, 99 %% within %.1f ms
a node that comes back has all again within %.1f s
`, c.Leaders, c.Others, c.Confirmed, c.Facts, c.Decisions, c.PauseMid, c.PauseMax, 1000*c.CalmMid, 1000*c.CalmP99, c.Rejoin)
	return err
}

// cluster is three stores on loopback.
type cluster struct {
	drill *drill
	nodes []storeNode
	procs []*process
}

func (d *drill) openCluster() (*cluster, error) {
	c := &cluster{drill: d, procs: make([]*process, 3)}
	var nodes []string
	for i := range 3 {
		listen, err := freePort()
		if err != nil {
			return nil, err
		}
		between, err := freePort()
		if err != nil {
			return nil, err
		}
		nodes = append(nodes, between)
		c.nodes = append(c.nodes, storeNode{name: fmt.Sprintf("n%d", i+1), listen: listen, cluster: between})
	}
	for i := range c.nodes {
		c.nodes[i].nodes = strings.Join(nodes, ",")
		if err := c.start(i); err != nil {
			c.close()
			return nil, err
		}
	}
	return c, nil
}

func (c *cluster) start(i int) (err error) {
	c.procs[i], err = c.drill.startStore(c.nodes[i])
	return err
}

func (c *cluster) close() {
	for _, p := range c.procs {
		if p != nil {
			_, _ = p.kill()
		}
	}
}

func (c *cluster) url() string {
	var all []string
	for _, n := range c.nodes {
		all = append(all, "nats://"+n.listen)
	}
	return strings.Join(all, ",")
}

func (c *cluster) index(name string) int {
	return slices.IndexFunc(c.nodes, func(n storeNode) bool { return n.name == name })
}

func (c *cluster) said() string {
	var s string
	for i, p := range c.procs {
		s += "\n" + c.nodes[i].name + p.said()
	}
	return s
}

// whole reports the leader of a stream, and whether all nodes have all of it.
func (c *cluster) whole(ctx context.Context, js jetstream.JetStream, stream string) (leader string, whole bool) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	s, err := js.Stream(ctx, stream)
	if err != nil || s.CachedInfo().Cluster == nil {
		return "", false
	}
	info := s.CachedInfo().Cluster
	if len(info.Replicas) != len(c.nodes)-1 || info.Leader == "" {
		return info.Leader, false
	}
	for _, r := range info.Replicas {
		if !r.Current || r.Offline {
			return info.Leader, false
		}
	}
	return info.Leader, true
}

func runCluster(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) (err error) {
	if o.times < 1 || o.benches < 1 {
		return usageError("--times and --benches: want 1 or more")
	}
	d := &sharesDrill{names: [2]string{"one", "none"}, rng: rand.New(rand.NewPCG(o.seed, 0x636c7573746572)), replicas: 3}
	if err := d.place(exe, o); err != nil {
		return err
	}
	nodes, err := d.openCluster()
	if err != nil {
		return err
	}
	defer nodes.close()
	d.url = nodes.url()
	counts, err := d.cluster(ctx, progress, nodes, o)
	if d.members[0] != nil {
		_, _ = d.members[0].kill()
	}
	if err != nil {
		return fmt.Errorf("after %d kills: %w; the data is kept in %s", counts.Leaders+counts.Others, err, d.keepData())
	}
	if err := d.remove(); err != nil {
		return err
	}
	return counts.print(out, o.json)
}

func (d *sharesDrill) cluster(ctx context.Context, progress io.Writer, nodes *cluster, o drillOptions) (c *clusterCounts, err error) {
	start := time.Now()
	c = &clusterCounts{}
	j, err := openPatiently(ctx, journal.Config{Shop: drillShopID, URL: d.url, Shared: true, Writer: "load", Replicas: 3, MaxBytes: 4 << 30})
	if err != nil {
		return c, fmt.Errorf("%w%s", err, nodes.said())
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if d.load, err = openLoader(j, drillShopID, o.benches, o.seed, 4*time.Millisecond); err != nil {
		return c, err
	}
	if err := d.startMember(0); err != nil {
		return c, err
	}
	back, cancel := context.WithCancel(ctx)
	var g sync.WaitGroup
	defer g.Wait()
	defer cancel()
	g.Go(func() { _ = d.load.follow(back) })
	if err := d.load.begin(ctx); err != nil {
		return c, err
	}
	stop := make(chan struct{})
	end := sync.OnceFunc(func() { close(stop) })
	defer end()
	loaded := make(chan error, 1)
	g.Go(func() { loaded <- d.load.run(back, stop) })
	if err := d.more(ctx, 300); err != nil {
		return c, err
	}
	_, calm := d.load.waits()
	c.CalmMid, c.CalmP99 = shareOf(lengths(calm), 0.5).Seconds(), shareOf(lengths(calm), 0.99).Seconds()
	js, err := jetstream.New(j.Conn())
	if err != nil {
		return c, err
	}
	for n := range o.times {
		if err := d.killNode(ctx, c, nodes, js, n%4 != 3); err != nil {
			return c, fmt.Errorf("%w%s", err, nodes.said())
		}
		if progress != nil {
			fmt.Fprintf(progress, "%d of %d: paused for %.1f s\n", n+1, o.times, c.Pauses[n])
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
	_, stored := d.load.waits()
	c.Confirmed = len(stored)
	c.PauseMid, c.PauseMax = shareOf(c.leaders, 0.5).Seconds(), slices.Max(c.Pauses)
	c.Seconds = time.Since(start).Seconds()
	return c, nil
}

// more waits until n more facts are confirmed.
func (d *sharesDrill) more(ctx context.Context, n int) error {
	_, before := d.load.waits()
	return d.wait(ctx, fmt.Sprintf("%d more facts are confirmed", n), func() bool {
		_, now := d.load.waits()
		return len(now) >= len(before)+n
	})
}

// killNode kills the node that leads the journal, or another, waits until
// publishing goes on, starts it again, and waits until it has all.
func (d *sharesDrill) killNode(ctx context.Context, c *clusterCounts, nodes *cluster, js jetstream.JetStream, leader bool) error {
	const stream = "wm-" + drillShopID
	lead := ""
	if err := d.wait(ctx, "all nodes have all", func() (whole bool) { lead, whole = nodes.whole(ctx, js, stream); return whole }); err != nil {
		return err
	}
	i := nodes.index(lead)
	if i < 0 {
		return fmt.Errorf("the journal is led by %q, which is none of the nodes", lead)
	}
	if leader {
		c.Leaders++
	} else {
		i = (i + 1 + d.rng.IntN(2)) % 3
		c.Others++
	}
	_, before := d.load.waits()
	if _, err := nodes.procs[i].kill(); err != nil {
		return err
	}
	// Each bench has one fact on its way at most, and shall have stored some.
	if err := d.more(ctx, 20*len(d.load.benches)); err != nil {
		return err
	}
	_, after := d.load.waits()
	pause := slices.Max(lengths(after[len(before):]))
	c.Pauses = append(c.Pauses, pause.Seconds())
	if leader {
		c.leaders = append(c.leaders, pause)
	}
	again := time.Now()
	if err := nodes.start(i); err != nil {
		return err
	}
	err := d.wait(ctx, "the node that came back has all", func() bool { _, whole := nodes.whole(ctx, js, stream); return whole })
	c.Rejoin = max(c.Rejoin, time.Since(again).Seconds())
	return err
}

// place says where the drill works and writes the shop file there.
func (d *sharesDrill) place(exe string, o drillOptions) (err error) {
	d.exe, d.dir, d.own = exe, o.dir, o.dir == "" && !o.keep
	if d.dir == "" {
		if d.dir, err = os.MkdirTemp("", "witnessmark-drill-"); err != nil {
			return err
		}
	}
	if d.dir, err = filepath.Abs(d.dir); err != nil {
		return err
	}
	d.shopFile = filepath.Join(d.dir, "shop.yaml")
	return errors.Join(os.MkdirAll(d.dir, 0o755), os.WriteFile(d.shopFile, []byte(loadShop), 0o644))
}

// remove removes what was made, if nobody wants to look at it.
func (d *sharesDrill) remove() error {
	if !d.own {
		return nil
	}
	return os.RemoveAll(d.dir)
}
