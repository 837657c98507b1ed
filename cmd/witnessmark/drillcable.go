package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events"
)

// errNoNamespaces means that this machine gives no network namespaces.
var errNoNamespaces = errors.New("network namespaces cannot be made here: it needs root and the Debian package iproute2")

func newDrillCable() *cobra.Command {
	var o drillOptions
	cmd := &cobra.Command{
		Use:   "cable",
		Short: "Pull the cable between a bench box and its shop for an hour",
		Long: `Runs a shop and a bench box in a network namespace each, with a pair of virtual
interfaces between them, and takes the line down. The hour is made by setting
the clocks of both an hour ahead; the box's is seven minutes ahead of the shop's
all the while. Emulated wrenches, most of them at the box, send each reading until
it is answered. Meanwhile the box is killed with SIGKILL and started again while
the line is down, and the shop while it catches up. Afterwards:

  every answered reading is in the shop's journal once, in each wrench's order
  those of the hour are marked late, and carry the time at which they were taken
  every decision equals that of an undisturbed run, the ledger one built anew

Needs root and 'ip' (Debian: iproute2).`,
		Args: cobra.NoArgs,
		RunE: drillRun(&o, runCable),
	}
	o.flags(cmd, 1)
	cmd.Flags().IntVar(&o.readings, "readings", 300, "readings between what is done to line and processes: about twice as many are taken in each hour")
	return cmd
}

const (
	cableBox   = "box-a"
	cableAhead = 7 * time.Minute // of the box's clock
	cableHour  = time.Hour
)

// cable is a drill with a bench box behind a line that can be cut.
type cable struct {
	*drill
	shopNS, boxNS string
	boxData       string
	boxFile       string
	clockFile     string // by how much both clocks are set ahead
	some          int    // readings between what is done to line and processes
	away          []pullOf
	counts        cableCounts
}

// pullOf names one pull: a wrench and its counter.
type pullOf struct {
	tool    string
	counter uint64
}

type cableCounts struct {
	drillCounts
	Cuts     int `json:"cuts"`
	Away     int `json:"readings_sent_while_cut"`
	Late     int `json:"readings_marked_late"`
	OverBox  int `json:"readings_over_the_box"`
	BoxKills int `json:"box_killed_while_cut"`
	Shop     int `json:"shop_killed_while_catching_up"`
	Lost     int `json:"readings_lost"`
}

func runCable(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) (err error) {
	if o.readings == 0 {
		o.readings = 300
	}
	if o.times < 1 || o.benches < 2 || o.readings < 0 {
		return usageError("--times: want 1 or more; --benches: 2 or more; --readings: 1 or more")
	}
	if _, err := exec.LookPath("ip"); err != nil || os.Geteuid() != 0 {
		return errNoNamespaces
	}
	d, err := openDrill(ctx, exe, o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	d.progress = progress
	tag := strconv.Itoa(os.Getpid())
	c := &cable{drill: d, shopNS: "wm-shop-" + tag, boxNS: "wm-box-" + tag, boxData: filepath.Join(d.dir, "box"),
		boxFile: filepath.Join(d.dir, "box.json"), clockFile: filepath.Join(d.dir, "clock"), some: o.readings}
	defer c.removeLine()
	if err := c.layLine(); err != nil {
		return err
	}
	began := time.Now()
	if err := c.run(ctx, o.times); err != nil {
		return fmt.Errorf("after %d cuts: %w; the data is kept in %s", c.counts.Cuts, err, d.keepData())
	}
	c.counts.Seconds = time.Since(began).Seconds()
	return c.counts.tell(out)
}

func (c *cableCounts) tell(out io.Writer) error {
	_, err := fmt.Fprintf(out, `cuts                                     %d
readings sent while the line was cut     %d
bench box killed while cut               %d
shop killed while it caught up           %d
readings in the shop's journal           %d, over the box %d
readings marked late                     %d
readings lost                            %d
decisions equal to an undisturbed run    %d
seconds                                  %.0f
`, c.Cuts, c.Away, c.BoxKills, c.Shop, c.Readings, c.OverBox, c.Late, c.Lost, c.Decisions, c.Seconds)
	return err
}

func ip(args ...string) error {
	b, err := exec.Command("ip", args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("ip %s: %w: %s", strings.Join(args, " "), err, strings.TrimSpace(string(b)))
	}
	return nil
}

const (
	cableShopIP = "192.0.2.1" // of the net for documentation, RFC 5737; it leaves no namespace
	cableBoxIP  = "192.0.2.2"
)

// layLine makes the namespaces and the pair of interfaces.
func (c *cable) layLine() error {
	if err := ip("netns", "add", c.shopNS); err != nil {
		return fmt.Errorf("%w (%v)", errNoNamespaces, err)
	}
	for _, args := range [][]string{
		{"netns", "add", c.boxNS},
		{"-n", c.shopNS, "link", "add", "line", "type", "veth", "peer", "name", "line", "netns", c.boxNS},
		{"-n", c.shopNS, "addr", "add", cableShopIP + "/30", "dev", "line"}, {"-n", c.boxNS, "addr", "add", cableBoxIP + "/30", "dev", "line"},
		{"-n", c.shopNS, "link", "set", "lo", "up"}, {"-n", c.boxNS, "link", "set", "lo", "up"},
		{"-n", c.shopNS, "link", "set", "line", "up"}, {"-n", c.boxNS, "link", "set", "line", "up"},
	} {
		if err := ip(args...); err != nil {
			return err
		}
	}
	return nil
}

func (c *cable) removeLine() {
	for _, ns := range []string{c.shopNS, c.boxNS} {
		_ = ip("netns", "del", ns) // may not be there
	}
}

func (c *cable) line(state string) error { return ip("-n", c.boxNS, "link", "set", "line", state) }

// enrol puts all wrenches but the last behind the box.
func (c *cable) enrol() error {
	var out strings.Builder
	root := newRoot()
	root.SetArgs([]string{"bench-box", "enrol", cableBox, "--address", cableShopIP + ":8471", "--data", c.data, "--shop", c.shopFile, "-o", c.boxFile})
	root.SetOut(&out)
	if err := root.Execute(); err != nil {
		return err
	}
	f, err := readBoxFile(c.boxFile)
	if err != nil {
		return err
	}
	text, err := os.ReadFile(c.shopFile)
	if err != nil {
		return err
	}
	lines := strings.SplitAfter(string(text), "\n")
	for i, l := range lines {
		for _, h := range c.boxed() {
			if strings.Contains(l, "profile: velm-s5") && strings.Contains(l, "id: "+h.tool+",") {
				lines[i] = strings.Replace(l, "profile:", "box: "+cableBox+", profile:", 1)
			}
		}
	}
	more := fmt.Sprintf("boxes:\n  - {id: %s, key: %s}\n", cableBox, f.Key)
	return os.WriteFile(c.shopFile, []byte(strings.Join(lines, "")+more), 0o644)
}

func (c *cable) boxed() []*hand { return c.hands[:len(c.hands)-1] }

func (c *cable) startShop() (*process, error) {
	return c.startIn(c.shopNS, "shop", "drill", "served", "--data", c.data, "--shop", c.shopFile, "--listen", "127.0.0.1:0", "--log-level", "warn",
		"--min-free", "1 MiB", "--journal-max", c.cfg.JournalMax, "--boxes-listen", cableShopIP+":8471", "--clock", c.clockFile)
}

func (c *cable) startBox() (*process, error) {
	return c.startIn(c.boxNS, "box", "drill", "served", "--role", roleBench, "--data", c.boxData, "--shop", c.shopFile, "--listen", "127.0.0.1:0", "--log-level", "warn",
		"--min-free", "1 MiB", "--journal-max", c.cfg.JournalMax, "--box", c.boxFile, "--clock", c.clockFile, "--ahead", cableAhead.String())
}

// run cuts the line so many times, and checks at the end.
func (c *cable) run(ctx context.Context, times int) (err error) {
	if err := c.enrol(); err != nil {
		return err
	}
	c.cfg.JournalMax = "1 GiB"
	c.cfg.BoxesListen, c.cfg.now = "127.0.0.1:0", shifted(c.clockFile, 0)
	if err := c.inProcess(ctx, c.openJobs); err != nil {
		return fmt.Errorf("open jobs: %w", err)
	}
	shop, err := c.startShop()
	if err != nil {
		return err
	}
	defer func() { _, _ = shop.kill() }()
	box, err := c.startBox()
	if err != nil {
		return err
	}
	defer func() { _, _ = box.kill() }()
	for range times {
		if shop, box, err = c.cut(ctx, shop, box); err != nil {
			return fmt.Errorf("%w%s%s", err, shop.said(), box.said())
		}
	}
	if err := c.gather(ctx, shop); err != nil {
		return fmt.Errorf("%w%s%s", err, shop.said(), box.said())
	}
	_, _ = box.kill()
	if _, err := shop.kill(); err != nil {
		return err
	}
	if err := c.check(ctx, &c.counts.drillCounts); err != nil {
		return err
	}
	return c.lateOnes(ctx)
}

// more waits until so many more readings are answered.
func (c *cable) more(ctx context.Context, p *process, hands []*hand, n int) error {
	want := answeredBy(hands) + n
	if err := p.until(ctx, func() bool { return answeredBy(hands) >= want }); err != nil {
		return fmt.Errorf("wait for %d more answers, %d so far: %w", n, answeredBy(hands), err)
	}
	return nil
}

func answeredBy(hands []*hand) (n int) {
	for _, h := range hands {
		h.mu.Lock()
		n += len(h.heard)
		h.mu.Unlock()
	}
	return n
}

// cut takes the line down for an hour by the clock, with a kill of the box
// meanwhile and of the shop afterwards.
func (c *cable) cut(ctx context.Context, shop, box *process) (_, _ *process, err error) {
	own := c.hands[len(c.hands)-1] // at the shop itself
	for _, h := range c.hands {
		h.work(true)
	}
	if err := c.more(ctx, box, c.boxed(), c.some); err != nil {
		return shop, box, err
	}
	own.work(false)
	if err := c.line("down"); err != nil {
		return shop, box, err
	}
	// What was sent before may have gone over just in time, answered or not.
	before := c.sentSoFar()
	if err := c.more(ctx, box, c.boxed(), c.some); err != nil {
		return shop, box, err
	}
	if _, err := box.kill(); err != nil {
		return shop, box, err
	}
	c.counts.BoxKills++
	if box, err = c.startBox(); err != nil {
		return shop, box, err
	}
	if err := c.more(ctx, box, c.boxed(), c.some); err != nil {
		return shop, box, err
	}
	// What was answered is of before the hour; nobody pulls while it passes.
	for _, h := range c.boxed() {
		h.work(false)
	}
	if err := box.until(ctx, func() bool { return allHeard(c.boxed()) }); err != nil {
		return shop, box, err
	}
	c.away = append(c.away, c.sentAfter(before)...)
	c.counts.Away = len(c.away)
	c.counts.Cuts++
	if err := setAhead(c.clockFile, time.Duration(c.counts.Cuts)*cableHour); err != nil {
		return shop, box, err
	}
	had, err := c.arrived(ctx)
	if err != nil {
		return shop, box, err
	}
	if err := c.line("up"); err != nil {
		return shop, box, err
	}
	// The first of what had waited is there: the shop is in the middle of it.
	if err := shop.until(ctx, func() bool { n, err := c.arrived(ctx); return err == nil && n > had }); err != nil {
		return shop, box, fmt.Errorf("wait for what the box kept: %w", err)
	}
	if _, err := shop.kill(); err != nil {
		return shop, box, err
	}
	if n, err := c.arrived(ctx); err == nil && n < answeredBy(c.boxed()) {
		c.counts.Shop++
	}
	shop, err = c.startShop()
	return shop, box, err
}

// sentSoFar is the number of pulls of each wrench of the box.
func (c *cable) sentSoFar() map[string]uint64 {
	so := map[string]uint64{}
	for _, h := range c.boxed() {
		h.mu.Lock()
		for n := range h.sent {
			so[h.tool] = max(so[h.tool], n)
		}
		h.mu.Unlock()
	}
	return so
}

// sentAfter lists the pulls that came later and were answered.
func (c *cable) sentAfter(so map[string]uint64) (pulls []pullOf) {
	for _, h := range c.boxed() {
		h.mu.Lock()
		for n := range h.heard {
			if n > so[h.tool] {
				pulls = append(pulls, pullOf{h.tool, n})
			}
		}
		h.mu.Unlock()
	}
	return pulls
}

func allHeard(hands []*hand) bool {
	for _, h := range hands {
		h.mu.Lock()
		open := h.open
		h.mu.Unlock()
		if open > 0 {
			return false
		}
	}
	return true
}

// arrived counts the readings of the box in the shop's ledger, which is read from
// outside while the shop works.
func (c *cable) arrived(ctx context.Context) (n int, err error) {
	db, err := sql.Open("sqlite3", "file:"+c.cfg.ledgerPath()+"?mode=ro&_busy_timeout=2000")
	if err != nil {
		return 0, err
	}
	defer db.Close()
	err = db.QueryRowContext(ctx, "SELECT count(*) FROM readings WHERE device <> ?", c.hands[len(c.hands)-1].tool).Scan(&n)
	return n, err
}

// gather lets the hands rest and waits until the shop has all that was answered.
func (c *cable) gather(ctx context.Context, shop *process) error {
	for _, h := range c.hands {
		h.work(false)
	}
	want := 0
	err := shop.until(ctx, func() bool {
		want = answeredBy(c.boxed())
		n, err := c.arrived(ctx)
		return err == nil && allHeard(c.hands) && n >= want
	})
	if err != nil {
		n, _ := c.arrived(ctx)
		return fmt.Errorf("%d readings of the box were answered, the shop has %d: %w", want, n, err)
	}
	return nil
}

// lateOnes looks at order, lateness and times in the shop's journal.
func (c *cable) lateOnes(ctx context.Context) error {
	shop, err := readShop(c.shopFile)
	if err != nil {
		return err
	}
	j, err := openJournal(ctx, c.cfg, shop.ID)
	if err != nil {
		return err
	}
	defer j.Close()
	boxed := map[string]bool{}
	for _, h := range c.boxed() {
		boxed[h.tool] = true
	}
	last := map[string]uint64{}
	late := map[uint64]events.ReadingCameLate{}
	var entries []events.Entry
	err = j.Read(ctx, 1, 0, func(es []events.Entry) error { entries = append(entries, es...); return nil })
	if err != nil {
		return err
	}
	for _, e := range entries {
		switch d := e.Data.(type) {
		case events.Decided:
			for _, o := range d.Outcomes {
				if l, ok := o.Data.(events.ReadingCameLate); ok {
					late[l.Reading] = l
				}
			}
		case events.ReadingTaken:
			if d.ToolCounter == nil || *d.ToolCounter <= last[d.Tool] {
				return fmt.Errorf("entry J%d: reading %v of %s comes after %d", e.Seq, d.ToolCounter, d.Tool, last[d.Tool])
			}
			last[d.Tool] = *d.ToolCounter
			if boxed[d.Tool] {
				c.counts.OverBox++
			}
		}
	}
	c.counts.Late = len(late)
	marked := map[pullOf]bool{}
	for _, e := range entries {
		l, ok := late[e.Seq]
		r, is := e.Data.(events.ReadingTaken)
		if !ok || !is {
			continue
		}
		marked[pullOf{r.Tool, *r.ToolCounter}] = true
		// The box's clock is ahead; the time that counts is the shop's.
		off := r.ReceivedAtUs.Sub(l.TakenUs) - cableAhead
		if l.TakenUs != e.Time || off.Abs() > time.Second {
			return fmt.Errorf("entry J%d came late: received %d by the box's clock, taken %d: off by %s", e.Seq, r.ReceivedAtUs, l.TakenUs, off)
		}
	}
	for _, p := range c.away {
		if !marked[p] {
			return fmt.Errorf("reading %d of %s was sent and answered while the line was cut, and is not marked late", p.counter, p.tool)
		}
	}
	for _, h := range c.hands {
		c.counts.Lost += len(h.heard)
	}
	c.counts.Lost -= c.counts.Answered
	return nil
}

// setAhead sets the clocks of the drill's processes.
func setAhead(file string, d time.Duration) error {
	if err := os.WriteFile(file+".new", []byte(d.String()), 0o644); err != nil {
		return err
	}
	return os.Rename(file+".new", file)
}

// shifted is a clock that is ahead by what a file says, and a time of its own.
func shifted(file string, ahead time.Duration) func() time.Time {
	return func() time.Time {
		b, err := os.ReadFile(file)
		if err != nil {
			return time.Now().Add(ahead)
		}
		d, _ := time.ParseDuration(string(b)) // written by setAhead
		return time.Now().Add(d + ahead)
	}
}

// servedAs is what the hidden command of the drills takes beside the settings.
func servedAs(c *cobra.Command, cfg config) error {
	file, _ := c.Flags().GetString("clock")
	ahead, _ := c.Flags().GetDuration("ahead")
	if file != "" {
		cfg.now = shifted(file, ahead)
	}
	role, _ := c.Flags().GetString("role")
	if !slices.Contains([]string{"", roleBench}, role) {
		return usageError("--role is %q", role)
	}
	if role == roleBench {
		return serveBox(c, cfg)
	}
	return serve(c, cfg)
}
