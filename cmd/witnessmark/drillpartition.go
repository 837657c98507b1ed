package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/quantity"
	"witnessmark/simulator"
)

func newDrillPartition() *cobra.Command {
	var o drillOptions
	var inside string
	cmd := &cobra.Command{
		Use:   "partition",
		Short: "Cut nodes of a cluster of three stores off from the others, under load",
		Long: `Runs three stores with a journal that is kept on all three, 'serve' with emulated
wrenches, and one more 'serve --role rules', each in a network namespace of its
own, over TLS, at a virtual switch. A second capture writes from another place.
In turn it cuts off

  the node that leads the journal, and with it 'serve' and its wrenches
  the node that leads, alone
  a node that follows, alone
  a node that follows, and with it 'serve' and its wrenches
  the node that leads from the two others, while everybody else still reaches it

under load, and heals the line again. It counts what is answered on either side:
on the side of one node nothing that was sent after the cut may be. It measures
how long the others take to go on. Afterwards every answered reading is in the
journal once, every decision is that of an undisturbed run, the ledger equals one
built anew, the journal is as it was sealed.

Needs root and 'ip' (Debian: iproute2).`,
		Example: "  witnessmark drill partition --times 20 --seed 7",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			if inside != "" {
				return drillRun(&o, func(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) error {
					return runInside(ctx, out, progress, exe, o, inside)
				})(c, args)
			}
			return drillRun(&o, runPartition)(c, args)
		},
	}
	o.flags(cmd, 10)
	cmd.Flags().StringVar(&inside, "inside", "", "used by the drill itself: its network is there already")
	if err := cmd.Flags().MarkHidden("inside"); err != nil {
		panic(err) // our own mistake
	}
	return cmd
}

// lan is hosts, a network namespace each, at a virtual switch of two parts. What
// is at one part does not reach the other: a frame for it is lost without a
// word, as behind a cable that is cut somewhere else.
type lan struct {
	tag   string
	hosts []string
}

// The parts of the switch.
const (
	wholePart = "whole"
	cutPart   = "cut"
)

// Hosts of the drill. A store has a second interface, for the other stores.
const (
	hostWatch = "watch" // the drill itself
	hostShop  = "shop"
	hostRules = "rules"
)

func storeHost(i int) string { return "n" + strconv.Itoa(i+1) }

// Addresses are of nets for documentation, RFC 5737; they leave no namespace.
func frontIP(host int) string { return "192.0.2." + strconv.Itoa(host+1) }
func backIP(host int) string  { return "198.51.100." + strconv.Itoa(host+1) }

func (l *lan) ns(host string) string { return "wm-" + host + "-" + l.tag }

func newLAN(tag string, stores int) *lan {
	l := &lan{tag: tag}
	for i := range stores {
		l.hosts = append(l.hosts, storeHost(i))
	}
	l.hosts = append(l.hosts, hostWatch, hostShop, hostRules)
	return l
}

// lay makes the namespaces, the switch and the lines.
func (l *lan) lay(stores int) error {
	sw := l.ns("switch")
	if err := ip("netns", "add", sw); err != nil {
		return fmt.Errorf("%w (%v)", errNoNamespaces, err)
	}
	for _, part := range []string{wholePart, cutPart} {
		if err := ip("-n", sw, "link", "add", part, "type", "bridge"); err != nil {
			return fmt.Errorf("%w (%v)", errNoNamespaces, err)
		}
		if err := ip("-n", sw, "link", "set", part, "up"); err != nil {
			return err
		}
	}
	for i, h := range l.hosts {
		if err := errors.Join(ip("netns", "add", l.ns(h)), ip("-n", l.ns(h), "link", "set", "lo", "up"), l.line(h, "front", frontIP(i))); err != nil {
			return err
		}
		if i < stores {
			if err := l.line(h, "back", backIP(i)); err != nil {
				return err
			}
		}
	}
	return nil
}

// line lays a line from a host to the switch; port names its interface.
func (l *lan) line(host, port, addr string) error {
	sw, at := l.ns("switch"), port+"-"+host
	for _, args := range [][]string{
		{"-n", l.ns(host), "link", "add", port, "type", "veth", "peer", "name", at, "netns", sw},
		{"-n", l.ns(host), "addr", "add", addr + "/24", "dev", port},
		{"-n", l.ns(host), "link", "set", port, "up"},
		{"-n", sw, "link", "set", at, "master", wholePart, "up"},
	} {
		if err := ip(args...); err != nil {
			return err
		}
	}
	return nil
}

// move brings ports of the switch to one of its parts.
func (l *lan) move(part string, ports ...string) error {
	for _, p := range ports {
		if err := ip("-n", l.ns("switch"), "link", "set", p, "master", part); err != nil {
			return err
		}
	}
	return nil
}

// remove takes all away, and ends what still runs there.
func (l *lan) remove() {
	for _, h := range append([]string{"switch"}, l.hosts...) {
		pids, err := exec.Command("ip", "netns", "pids", l.ns(h)).Output()
		if err != nil {
			continue // it was never made
		}
		for _, p := range strings.Fields(string(pids)) {
			if pid, err := strconv.Atoi(p); err == nil {
				_ = syscall.Kill(pid, syscall.SIGKILL) // may have ended
			}
		}
		_ = ip("netns", "del", l.ns(h))
	}
}

// runPartition lays the network and runs the drill inside.
func runPartition(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) error {
	if o.times < 1 || o.benches < 1 {
		return usageError("--times and --benches: want 1 or more")
	}
	if _, err := exec.LookPath("ip"); err != nil || os.Geteuid() != 0 {
		return errNoNamespaces
	}
	l := newLAN(strconv.Itoa(os.Getpid()), 3)
	defer l.remove()
	if err := l.lay(3); err != nil {
		return err
	}
	args := []string{"netns", "exec", l.ns(hostWatch), exe, "drill", "partition", "--inside", l.tag, "--times", strconv.Itoa(o.times),
		"--benches", strconv.Itoa(o.benches), "--seed", strconv.FormatUint(o.seed, 10)}
	if o.dir != "" {
		args = append(args, "--dir", o.dir)
	}
	if o.keep {
		args = append(args, "--keep")
	}
	if o.json {
		args = append(args, "--json")
	}
	var said strings.Builder
	cmd := exec.CommandContext(ctx, "ip", args...)
	cmd.Stdout, cmd.Stderr = out, io.MultiWriter(progress, &said)
	if err := cmd.Run(); err != nil {
		text := said.String()
		return fmt.Errorf("the drill in its network: %w: %s", err, strings.TrimSpace(text[max(0, len(text)-8000):]))
	}
	return nil
}

// partition is the drill inside its network.
type partition struct {
	*apart
	lan   *lan
	js    jetstream.JetStream
	far   *farCapture
	hold  time.Duration // a cut lasts at most so much longer than until the others go on
	found partitionCounts
}

// partitionCounts is what the drill has tried and found. Times are in seconds.
type partitionCounts struct {
	*apartCounts
	Cuts        map[string]int       `json:"cuts"`
	GoesOn      map[string][]float64 `json:"goes_on_after_s"`           // by cut: until a reading sent after it is answered on the side of the many
	Longest     map[string][]float64 `json:"longest_wait_s"`            // by cut: of an answer on that side
	Rejoin      []float64            `json:"all_nodes_whole_after_s"`   // from the healing
	SentAlone   int                  `json:"readings_sent_alone"`       // to the side of one node, while cut
	HeardAlone  int                  `json:"readings_answered_alone"`   // of them, while cut; must be 0
	HeardMany   int                  `json:"readings_answered_by_many"` // on the other side, while cut, sent after it
	FarAnswered int                  `json:"readings_answered_far"`     // in all, to the second capture
	CalmFarMid  float64              `json:"far_undisturbed_median_s"`
	CalmFarP99  float64              `json:"far_undisturbed_p99_s"`
	DuringP50   float64              `json:"answer_while_cut_median_s"` // of readings that were sent after a cut and answered before it was healed
	DuringP99   float64              `json:"answer_while_cut_p99_s"`

	during []time.Duration
}

func (c *partitionCounts) print(out io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	for _, k := range sortedKeys(c.Cuts) {
		if _, err := fmt.Fprintf(out, "%s: cut %d times; goes on after %s; longest wait for an answer %s\n", k, c.Cuts[k], midAndMost(c.GoesOn[k]), midAndMost(c.Longest[k])); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(out, `on the side of one node %d readings were sent after a cut, %d of them answered before it was healed; on the other side %d were answered
after the healing all three nodes have all within: %s
%d readings answered to the wrenches, %d to the second capture; %d in the journal, each once; none lost, none invented
%d decisions, each equal to that of an undisturbed run; by process: %s
ledger equal to one built anew, %d seals verified over %d entries
undisturbed: an answer %.1f ms at the median, 99 %% within %.1f ms; while cut, on the side of the many: %.1f ms, 99 %% within %.1f s
`, c.SentAlone, c.HeardAlone, c.HeardMany, midAndMost(c.Rejoin), c.Answered-c.FarAnswered, c.FarAnswered, c.Readings, c.Decisions, countsOf(c.Decided), c.Seals, c.Entries,
		1000*c.CalmFarMid, 1000*c.CalmFarP99, 1000*c.DuringP50, c.DuringP99)
	return err
}

// Kinds of cuts. Where the shop is cut off too, its wrenches get no answer.
const (
	cutLeaderShop   = "leader and serve cut off"
	cutLeader       = "leader cut off"
	cutFollower     = "follower cut off"
	cutFollowerShop = "follower and serve cut off"
	cutBack         = "leader cut off from the two others alone"
)

var cutKinds = []string{cutLeaderShop, cutLeader, cutFollower, cutFollowerShop, cutBack}

func runInside(ctx context.Context, out, progress io.Writer, exe string, o drillOptions, tag string) (err error) {
	l := newLAN(tag, 3)
	var stores []storeNode
	var nodes []string
	for i := range 3 {
		nodes = append(nodes, backIP(i)+":6222")
	}
	for i := range 3 {
		stores = append(stores, storeNode{name: storeHost(i), listen: frontIP(i) + ":4222", cluster: nodes[i], nodes: strings.Join(nodes, ","), ns: l.ns(storeHost(i))})
	}
	a, err := openApart(ctx, exe, o, stores, progress)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.close()) }()
	a.shopNS, a.rulesNS = l.ns(hostShop), l.ns(hostRules)
	p := &partition{apart: a, lan: l, hold: 5 * time.Second, found: partitionCounts{apartCounts: &a.counts, Cuts: map[string]int{}, GoesOn: map[string][]float64{}, Longest: map[string][]float64{}}}
	if o.times == 1 {
		p.hold = 100 * time.Millisecond
	}
	if err := p.run(ctx, o.times); err != nil {
		return fmt.Errorf("after %d cuts: %w%s; the data is kept in %s", sum(p.found.Cuts), err, a.said(), a.keepData())
	}
	return p.found.print(out, o.json)
}

func sum(m map[string]int) (n int) {
	for _, v := range m {
		n += v
	}
	return n
}

func (p *partition) run(ctx context.Context, times int) (err error) {
	began := time.Now()
	if err := p.begin(ctx); err != nil {
		return err
	}
	if p.js, err = jetstream.New(p.watch.j.Conn()); err != nil {
		return err
	}
	wrenches := slices.Clone(p.hands)
	p.far = newFar(p.drill, p.watch.j)
	p.far.start()
	defer p.far.close()
	p.work(true)
	if err := p.calm(ctx); err != nil {
		return err
	}
	calm := waitsSince([]*hand{p.far.hand}, began)
	p.found.CalmFarMid, p.found.CalmFarP99 = shareOf(calm, 0.5).Seconds(), shareOf(calm, 0.99).Seconds()
	for n := range times {
		kind := cutKinds[n%len(cutKinds)]
		if err := p.cutOnce(ctx, kind, wrenches); err != nil {
			return fmt.Errorf("%s: %w", kind, err)
		}
		// Looked at each time, and with new jobs: a fastener is not pulled a thousand
		// times over.
		p.far.close()
		if err := p.look(ctx, n < times-1); err != nil {
			return err
		}
		if n < times-1 {
			p.far.start()
		}
		fmt.Fprintf(p.progress, "%d of %d, %s: goes on after %.1f s\n", n+1, times, kind, p.found.GoesOn[kind][len(p.found.GoesOn[kind])-1])
	}
	p.found.FarAnswered = answeredBy([]*hand{p.far.hand})
	p.found.DuringP50, p.found.DuringP99 = shareOf(p.found.during, 0.5).Seconds(), shareOf(p.found.during, 0.99).Seconds()
	p.counts.Seconds = time.Since(began).Seconds()
	return nil
}

// leader returns the node that leads the journal, and whether all nodes have all
// of it.
func (p *partition) leader(ctx context.Context) (i int, whole bool) {
	c := &cluster{nodes: p.stores}
	name, whole := c.whole(ctx, p.js, "wm-"+drillShopID)
	return c.index(name), whole
}

// cutOnce cuts, waits until the others go on and a little longer, and heals.
func (p *partition) cutOnce(ctx context.Context, kind string, wrenches []*hand) error {
	lead := -1
	if err := p.until(ctx, func() (whole bool) { lead, whole = p.leader(ctx); return whole && lead >= 0 }); err != nil {
		return fmt.Errorf("wait until all nodes have all: %w%s", err, p.far.trouble())
	}
	p.hurry.Store(true)
	defer p.hurry.Store(false)
	before := answeredBy(wrenches) // serve may just have been started
	if err := p.until(ctx, func() bool { return answeredBy(wrenches) > before }); err != nil {
		return err
	}
	if err := p.more(ctx, 1+p.rng.IntN(60)); err != nil {
		return err
	}
	off := lead
	if kind == cutFollower || kind == cutFollowerShop {
		off = (lead + 1 + p.rng.IntN(2)) % 3
	}
	ports := []string{"back-" + storeHost(off)}
	if kind != cutBack {
		ports = append(ports, "front-"+storeHost(off))
	}
	alone := kind == cutLeaderShop || kind == cutFollowerShop
	many := append([]*hand{p.far.hand}, wrenches...)
	if alone {
		ports, many = append(ports, "front-"+hostShop), many[:1]
	}
	if err := p.lan.move(cutPart, ports...); err != nil {
		return err
	}
	cut := time.Now()
	p.found.Cuts[kind]++
	if alone {
		allow(wrenches, 2*mostOpen) // some are sent after the cut in any case
	} else {
		p.hurry.Store(false) // or more would be read, while it lasts, than two processes can decide
	}
	// The others go on: each who writes there has some that were sent after the cut.
	var first time.Time
	if err := p.until(ctx, func() bool {
		done := true
		for _, h := range many {
			n, at := h.answeredAfter(cut, time.Time{})
			if n > 0 && (first.IsZero() || at.Before(first)) {
				first = at
			}
			done = done && n >= 20
		}
		return done
	}); err != nil {
		return fmt.Errorf("wait until the others go on: %w%s", err, p.far.trouble())
	}
	p.found.GoesOn[kind] = append(p.found.GoesOn[kind], first.Sub(cut).Seconds())
	p.found.Longest[kind] = append(p.found.Longest[kind], shareOf(waitsSince(many, cut), 1).Seconds())
	select { // and for some time both sides are at it
	case <-time.After(time.Duration(p.rng.Int64N(int64(p.hold)))):
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	if alone {
		if err := p.until(ctx, func() bool { return sentAfter(wrenches, cut) > 0 }); err != nil {
			return err
		}
		p.found.SentAlone += sentAfter(wrenches, cut)
	}
	heal := time.Now()
	for _, h := range many {
		n, _ := h.answeredAfter(cut, heal)
		p.found.HeardMany += n
		p.found.during = append(p.found.during, h.waitsOf(cut, heal)...)
	}
	if alone {
		for _, h := range wrenches {
			if n, _ := h.answeredAfter(cut, heal); n > 0 {
				p.found.HeardAlone += n
				return fmt.Errorf("%d readings of %s were sent after the cut and answered on the side of one node", n, h.tool)
			}
		}
	}
	if err := p.lan.move(wholePart, ports...); err != nil {
		return err
	}
	if err := p.until(ctx, func() bool { _, whole := p.leader(ctx); return whole }); err != nil {
		return fmt.Errorf("wait until all nodes have all again: %w", err)
	}
	p.found.Rejoin = append(p.found.Rejoin, time.Since(heal).Seconds())
	allow(wrenches, mostOpen)
	p.hurry.Store(false)
	// All that were cut off are answered now.
	sent := map[*hand]uint64{}
	for _, h := range wrenches {
		sent[h] = h.newest()
	}
	if err := p.until(ctx, func() bool {
		for h, n := range sent {
			if !h.heardTo(n) {
				return false
			}
		}
		return true
	}); err != nil {
		return fmt.Errorf("wait until what was sent meanwhile is answered: %w", err)
	}
	return p.settled(ctx)
}

// allow lets so many pulls of each wrench wait for their answer.
func allow(hands []*hand, n int) {
	for _, h := range hands {
		h.mu.Lock()
		h.most = n
		h.wake()
		h.mu.Unlock()
	}
}

// sentAfter counts the pulls after an instant.
func sentAfter(hands []*hand, t time.Time) (n int) {
	for _, h := range hands {
		h.mu.Lock()
		for _, at := range h.at {
			if at.After(t) {
				n++
			}
		}
		h.mu.Unlock()
	}
	return n
}

// answeredAfter counts the pulls after from that were answered before to (zero:
// by now), and says when the first of them was.
func (h *hand) answeredAfter(from, to time.Time) (n int, first time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, w := range h.waits {
		if sent := w.at.Add(-w.took); sent.After(from) && (to.IsZero() || w.at.Before(to)) {
			if n++; n == 1 || w.at.Before(first) {
				first = w.at
			}
		}
	}
	return n, first
}

// waitsOf is how long the answers to those took.
func (h *hand) waitsOf(from, to time.Time) (took []time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, w := range h.waits {
		if w.at.Add(-w.took).After(from) && w.at.Before(to) {
			took = append(took, w.took)
		}
	}
	return took
}

func (h *hand) newest() (last uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for n := range h.sent {
		last = max(last, n)
	}
	return last
}

// heardTo reports whether all pulls up to one are answered.
func (h *hand) heardTo(last uint64) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for n := range h.sent {
		if n <= last && !h.heard[n] {
			return false
		}
	}
	return true
}

// farCapture writes readings of one more wrench into the shared journal from
// where the drill is, as the capture of another process would: one after another,
// each as often as it takes.
type farCapture struct {
	hand  *hand
	j     *journal.Journal
	stop  context.CancelFunc
	ended chan struct{} // nil while it does not run
	last  uint64        // number of the last reading
	err   error         // the last fault
}

const farTool = "far-01"

// farPause is between two readings of the second capture. It pulls on whatever
// the others do, so that it tells when the journal takes something again.
const farPause = 50 * time.Millisecond

func newFar(d *drill, j *journal.Journal) *farCapture {
	h := &hand{drill: d, tool: farTool, bench: "spare", rng: d.rng, sent: map[uint64]simulator.Sent{}, heard: map[uint64]bool{},
		at: map[uint64]time.Time{}, most: 1, go_: make(chan struct{})}
	d.hands = append(d.hands, h)
	return &farCapture{hand: h, j: j}
}

// start begins, with the reading whose fate is not known, if there is one.
func (f *farCapture) start() {
	f.hand.mu.Lock()
	if f.last > 0 && !f.hand.heard[f.last] {
		f.last--
	}
	f.hand.mu.Unlock()
	ctx, stop := context.WithCancel(context.Background())
	f.stop, f.ended = stop, make(chan struct{})
	go f.run(ctx)
}

func (f *farCapture) run(ctx context.Context) {
	defer close(f.ended)
	for ctx.Err() == nil {
		f.last++
		n := f.last
		nm := 40 + float64(n%90)/10
		text := fmt.Sprintf("%.1f", nm)
		now := time.Now()
		counter := n
		e := events.Event{Source: events.DeviceSource(farTool), Number: n, Time: events.InstantOf(now), Subject: farTool,
			Data: events.ReadingTaken{Device: farTool, Tool: farTool, Bench: "spare", Mode: events.ModePeak, Text: text, Unit: "N.m",
				Value: quantity.NewtonMetres(nm).Value(), ToolCounter: &counter, ReceivedAtUs: events.InstantOf(now)}}
		h := f.hand
		h.mu.Lock()
		h.sent[n], h.at[n] = simulator.Sent{Counter: n, Text: text}, now
		h.open++
		h.mu.Unlock()
		for {
			_, err := f.j.Append(ctx, e)
			if err == nil {
				h.answered(n)
				break
			}
			h.mu.Lock()
			f.err = err
			h.mu.Unlock()
			if ctx.Err() != nil { // nobody knows whether it is stored; it is not waited for
				h.mu.Lock()
				h.open--
				h.mu.Unlock()
				return
			}
		}
		select {
		case <-time.After(farPause):
		case <-ctx.Done():
		}
	}
}

func (f *farCapture) trouble() string {
	f.hand.mu.Lock()
	defer f.hand.mu.Unlock()
	if f.err == nil {
		return ""
	}
	return fmt.Sprintf(" (the second capture's last fault: %v)", f.err)
}

func (f *farCapture) close() {
	if f.ended != nil {
		f.stop()
		<-f.ended
		f.ended = nil
	}
}
