package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/simulator"
)

// openDrill makes the shop, with its wrenches, and opens a job at each bench.
func openDrill(ctx context.Context, exe string, o drillOptions) (_ *drill, err error) {
	d := &drill{exe: exe, dir: o.dir, own: o.dir == "" && !o.keep, rng: rand.New(rand.NewPCG(o.seed, 0x6472696c6c)), startTakes: time.Second}
	if d.dir == "" {
		if d.dir, err = os.MkdirTemp("", "witnessmark-drill-"); err != nil {
			return nil, err
		}
	}
	if d.dir, err = filepath.Abs(d.dir); err != nil {
		return nil, err
	}
	d.data, d.shopFile = filepath.Join(d.dir, "data"), filepath.Join(d.dir, "shop.yaml")
	d.blow = (*process).kill
	if err := d.openHands(o); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.close())
		}
	}()
	d.cfg = defaultConfig()
	d.cfg.Data, d.cfg.Shop, d.cfg.Listen, d.cfg.LogLevel, d.cfg.MinFree = d.data, d.shopFile, "127.0.0.1:0", "error", "1 MiB"
	d.cfg.JournalMax = "31 MiB"
	if o.times > 120 {
		d.cfg.JournalMax = "1 GiB"
	}
	d.roles = []drillRole{{"serve", func(data, shop string) []string {
		// Where the journal may hold less than 32 MiB, a block of it holds 4.
		return []string{"drill", "served", "--data", data, "--shop", shop, "--listen", "127.0.0.1:0",
			"--log-level", "warn", "--min-free", "1 MiB", "--journal-max", d.cfg.JournalMax}
	}}}
	return d, nil
}

// openHands makes the wrenches and who pulls them.
func (d *drill) openHands(o drillOptions) error {
	lines := filepath.Join(d.dir, "lines")
	var specs []simulator.ToolSpec
	for i := range o.benches {
		h := &hand{drill: d, tool: fmt.Sprintf("s5-%02d", i), bench: fmt.Sprintf("b%02d", i),
			rng: rand.New(rand.NewPCG(o.seed, uint64(i))), sent: map[uint64]simulator.Sent{}, heard: map[uint64]bool{}, at: map[uint64]time.Time{}, most: mostOpen, go_: make(chan struct{})}
		d.hands = append(d.hands, h)
		specs = append(specs, simulator.ToolSpec{ID: h.tool, Model: simulator.VelmS5, Counter: 1,
			Resend: 150 * time.Millisecond, Tries: 1 << 30, Answered: h.answered})
	}
	rig, err := simulator.OpenRig(simulator.RigConfig{Dir: lines, Tools: specs, Seed: o.seed})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	var g errgroup.Group
	g.Go(func() error { return rig.Run(ctx) })
	for _, h := range d.hands {
		h.device = rig.Tools()[h.tool]
		g.Go(func() error { return h.run(ctx) })
	}
	d.stopHands = sync.OnceValue(func() error {
		cancel()
		return errors.Join(rig.Close(), ignoreCancel(g.Wait()))
	})
	return errors.Join(os.WriteFile(d.shopFile, []byte(drillShop(d.hands, rig)), 0o644),
		os.WriteFile(filepath.Join(d.dir, "first.yaml"), []byte(drillShop(nil, rig)), 0o644))
}

// drillShop is the shop file.
func drillShop(hands []*hand, rig *simulator.Rig) string {
	var b strings.Builder
	b.WriteString("shop: drill\nname: Drill\nunits: {torque: N·m, length: mm}\nbenches:\n  - {id: spare, name: Spare bench}\n")
	for _, h := range hands {
		fmt.Fprintf(&b, "  - {id: %s, name: Bench %s}\n", h.bench, h.bench)
	}
	b.WriteString("people:\n  - {id: tech, name: Technician, role: technician}\n  - {id: lead, name: Lead, role: lead}\ntools:\n")
	now := time.Now().UTC()
	for _, h := range hands {
		fmt.Fprintf(&b, "  - {id: %s, name: Wrench %s, kind: torque_wrench, serial: %s, range: 1 N·m to 500 N·m, uncertainty: 1 %%, calibrated: %s, due: %s, interval: {months: 12, cycles: none}}\n",
			h.tool, h.tool, h.tool, now.Format(time.DateOnly), now.AddDate(1, 0, 0).Format(time.DateOnly))
	}
	b.WriteString("devices:\n")
	for _, h := range hands {
		fmt.Fprintf(&b, "  - {id: %s, tool: %s, bench: %s, profile: velm-s5, port: %s}\n", h.tool, h.tool, h.bench, rig.Path(h.tool))
	}
	return b.String()
}

// close stops the wrenches and removes what was made.
func (d *drill) close() error {
	var err error
	if d.stopHands != nil {
		err = d.stopHands()
	}
	if d.own {
		err = errors.Join(err, os.RemoveAll(d.dir))
	}
	return err
}

// keepData leaves the data there, and says where.
func (d *drill) keepData() string {
	d.own = false
	return d.dir
}

// hand is one wrench and who pulls it, with a list of what was pulled and
// what was answered.
type hand struct {
	drill       *drill
	tool, bench string
	device      simulator.Tool
	rng         *rand.Rand

	mu    sync.Mutex
	sent  map[uint64]simulator.Sent
	heard map[uint64]bool
	at    map[uint64]time.Time // when it was pulled
	waits []waited             // for an answer
	most  int                  // pulls that may wait for an answer before nobody pulls any more
	open  int                  // pulls that wait for an answer
	busy  bool                 // pulls are to be made
	go_   chan struct{}        // closed and renewed when there may be something to do
}

// mostOpen is how many pulls a wrench keeps unanswered before nobody pulls
// any more with it, as a rule.
const mostOpen = 4

func (h *hand) answered(counter uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.heard[counter] {
		h.heard[counter] = true
		now := time.Now()
		h.waits = append(h.waits, waited{now, now.Sub(h.at[counter])})
		h.open--
		h.drill.answered.Add(1)
	}
	h.wake()
}

// wake needs h.mu.
func (h *hand) wake() {
	close(h.go_)
	h.go_ = make(chan struct{})
}

// work begins or ends pulling.
func (h *hand) work(on bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.busy = on
	h.wake()
}

// run pulls whenever there is something to do.
func (h *hand) run(ctx context.Context) error {
	for {
		h.mu.Lock()
		ready, wait := h.busy && h.open < h.most, h.go_
		h.mu.Unlock()
		if ready && h.drill.busy != nil && h.drill.busy() {
			select { // those who decide are behind: nobody pulls on as if nothing were
			case <-time.After(2 * time.Millisecond):
				continue
			case <-ctx.Done():
				return nil
			}
		}
		if !ready {
			select {
			case <-wait:
				continue
			case <-ctx.Done():
				return nil
			}
		}
		if err := h.pull(ctx); err != nil {
			return err
		}
		select {
		case <-time.After(time.Duration(h.rng.IntN(2000)) * time.Microsecond):
		case <-ctx.Done():
			return nil
		}
	}
}

// pull makes one pull; one in a hundred is too low or too high.
func (h *hand) pull(ctx context.Context) error {
	peak := 41 + 8*h.rng.Float64()
	switch h.rng.IntN(200) {
	case 0:
		peak = 25
	case 1:
		peak = 70
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	now := time.Now()
	s, err := h.device.Pull(ctx, simulator.Pull{Peak: quantity.NewtonMetres(peak), Duration: 300 * time.Millisecond}, simulator.Wire{})
	if err != nil {
		return err
	}
	h.sent[s.Counter], h.at[s.Counter] = s, now
	h.open++
	return nil
}

// inProcess runs the service in this process, does something with it, and
// stops it in order.
func (d *drill) inProcess(ctx context.Context, do func(context.Context, *stack) error) error {
	shop, err := readShop(d.shopFile)
	if err != nil {
		return err
	}
	s, err := openStack(ctx, d.cfg, shop)
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

// openJobs puts every job aside and opens a new one at each bench, so that
// there is always something to pull.
func (d *drill) openJobs(ctx context.Context, s *stack) error {
	desk := desk{s.service}
	known := false
	var old []string
	s.service.View(func(st *rules.State) {
		for id, j := range st.Jobs {
			known = true
			if j.Status == rules.JobActive {
				old = append(old, id)
			}
		}
	})
	slices.Sort(old)
	for _, id := range old {
		if err := desk.ask(ctx, events.JobPauseAsked{Ask: events.Ask{By: "tech"}, Job: id, Note: "put aside"}); err != nil {
			return err
		}
	}
	if !known {
		if err := desk.ask(ctx, offer(events.Ask{By: "lead"}, []byte(benchProcedure()))); err != nil {
			return err
		}
	}
	for _, h := range d.hands {
		id := fmt.Sprintf("j-%s-%d", h.bench, s.journal.Last())
		if err := desk.ask(ctx, events.JobAsked{Ask: events.Ask{By: "tech", Bench: h.bench}, Job: id, UnitSerial: "SN-" + id, Procedure: "BENCH"}); err != nil {
			return err
		}
	}
	return nil
}
