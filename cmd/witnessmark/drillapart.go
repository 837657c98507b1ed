package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/journal"
)

func newDrillApart() *cobra.Command {
	var o drillOptions
	cmd := &cobra.Command{
		Use:   "apart",
		Short: "Kill the service, the rules and the store of a shop in three processes, under load",
		Long: `Runs a shop that is taken apart: a store that keeps the journal, 'serve' with
emulated wrenches that send each reading until it is answered, and one more
'serve --role rules', each a process of its own, over TLS. In turn, at random
moments under load, it kills one of them with SIGKILL and starts it again. Now
and then, and at the end, it checks what 'drill kill' checks: every answered
reading is in the journal once, every decision is that of an undisturbed run,
the ledger equals one built anew, the journal is as it was sealed.`,
		Example: "  witnessmark drill apart --times 60 --seed 7",
		Args:    cobra.NoArgs,
		RunE:    drillRun(&o, runApart),
	}
	o.flags(cmd, 60)
	return cmd
}

// apartEvery is after how many kills everything is looked at, and new jobs are
// opened: three of each process.
const apartEvery = 9

// Processes of a shop that is taken apart.
const (
	apartServe = "serve"
	apartRules = "serve --role rules"
	apartStore = "store"
)

// apart is a drill whose shop is taken apart. Each process may be in a network
// namespace of its own.
type apart struct {
	*drill
	stores     []storeNode
	procs      []*process // of the stores
	shop       *process
	rules      *process
	shopNS     string
	rulesNS    string
	secretFile string
	trustFile  string
	watch      *journalWatch
	hurry      atomic.Bool // everybody pulls as fast as wrenches are answered
	counts     apartCounts
}

// apartCounts is what such a drill has tried and found.
type apartCounts struct {
	drillCounts
	InFlight int                  `json:"readings_waiting_at_the_kills"`
	Waits    map[string]apartWait `json:"longest_wait_after_a_kill"` // by process
	Calm     apartTimes           `json:"undisturbed"`
	Decided  map[string]int       `json:"decisions_by_process"`
}

// apartWait is how long the longest wait after a blow was, in seconds.
type apartWait struct {
	Answer   []float64 `json:"for_an_answer_s"`
	Decision []float64 `json:"for_a_decision_s"`
}

// apartTimes is how long readings wait while nothing happens, in seconds.
type apartTimes struct {
	AnswerMid   float64 `json:"answer_median_s"`
	AnswerP99   float64 `json:"answer_p99_s"`
	DecisionMid float64 `json:"decision_median_s"`
	DecisionP99 float64 `json:"decision_p99_s"`
}

func (c *apartCounts) print(out io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	if err := c.drillCounts.print(out, false); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(out, "%d readings waited for their answer at the moment of a kill\n", c.InFlight); err != nil {
		return err
	}
	for _, who := range sortedKeys(c.Waits) {
		w := c.Waits[who]
		if _, err := fmt.Fprintf(out, "after a kill of %s: longest wait for an answer %s, for a decision %s\n", who, midAndMost(w.Answer), midAndMost(w.Decision)); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(out, "undisturbed: an answer %.1f ms at the median, 99 %% within %.1f ms; a decision %.1f ms, 99 %% within %.1f ms\ndecisions by process: %s\n",
		1000*c.Calm.AnswerMid, 1000*c.Calm.AnswerP99, 1000*c.Calm.DecisionMid, 1000*c.Calm.DecisionP99, countsOf(c.Decided))
	return err
}

func midAndMost(s []float64) string {
	if len(s) == 0 {
		return "not measured"
	}
	return fmt.Sprintf("%.1f s at the median, %.1f s at most", middle(s), slices.Max(s))
}

func middle(s []float64) float64 { return slices.Sorted(slices.Values(s))[len(s)/2] }

func runApart(ctx context.Context, out, progress io.Writer, exe string, o drillOptions) (err error) {
	if o.times < 1 || o.benches < 1 {
		return usageError("--times and --benches: want 1 or more")
	}
	listen, err := freePort()
	if err != nil {
		return err
	}
	a, err := openApart(ctx, exe, o, []storeNode{{name: "store", listen: listen}}, progress)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.close()) }()
	if err := a.killInTurn(ctx, o.times); err != nil {
		return fmt.Errorf("after %d kills: %w%s; the data is kept in %s", a.counts.Kills, err, a.said(), a.keepData())
	}
	return a.counts.print(out, o.json)
}

// openApart makes the shop and starts its stores.
func openApart(ctx context.Context, exe string, o drillOptions, stores []storeNode, progress io.Writer) (_ *apart, err error) {
	d, err := openDrill(ctx, exe, o)
	if err != nil {
		return nil, err
	}
	d.progress = progress
	a := &apart{drill: d, stores: stores, procs: make([]*process, len(stores)),
		secretFile: filepath.Join(d.dir, "secret"), trustFile: filepath.Join(d.dir, "trust.pem"),
		counts: apartCounts{drillCounts: drillCounts{By: map[string]int{}, Role: map[string]int{}}, Waits: map[string]apartWait{}}}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.close())
		}
	}()
	if err := a.certify(); err != nil {
		return nil, err
	}
	d.cfg.JournalMax = "1 GiB"
	if len(stores) > 1 {
		d.cfg.Replicas = len(stores)
	}
	for i := range a.stores {
		if err := a.startStore(i); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// certify makes the secret, a certificate for each store, and the file of all
// of them.
func (a *apart) certify() error {
	var trusted []byte
	var urls []string
	for i, n := range a.stores {
		var names []string
		for _, addr := range []string{n.listen, n.cluster} {
			if host, _, ok := strings.Cut(addr, ":"); ok && host != "127.0.0.1" {
				names = append(names, host)
			}
		}
		_, cert, key, err := makeCertificate(filepath.Join(a.dir, n.name+"-tls"), names, storeDays, true, true, time.Now())
		if err != nil {
			return err
		}
		b, err := os.ReadFile(cert)
		if err != nil {
			return err
		}
		trusted = append(trusted, b...)
		urls = append(urls, "nats://"+n.listen)
		a.stores[i].more = []string{"--secret-file", a.secretFile, "--tls-cert", cert, "--tls-key", key, "--trust", a.trustFile}
	}
	a.cfg.NATSURL, a.cfg.NATSTrust, a.cfg.NATSSecret = strings.Join(urls, ","), a.trustFile, a.secretFile
	return errors.Join(os.WriteFile(a.trustFile, trusted, 0o644), os.WriteFile(a.secretFile, []byte("drill-drill-drill-drill\n"), 0o600))
}

func (a *apart) startStore(i int) (err error) {
	a.procs[i], err = a.drill.startStore(a.stores[i])
	return err
}

func (a *apart) flags(data string) []string {
	return []string{"--data", data, "--shop", a.shopFile, "--listen", "127.0.0.1:0", "--log-level", "warn", "--min-free", "1 MiB", "--journal-max", a.cfg.JournalMax,
		"--nats-url", a.cfg.NATSURL, "--nats-trust", a.trustFile, "--nats-secret", a.secretFile, "--replicas", fmt.Sprint(a.cfg.Replicas)}
}

func (a *apart) startShop() (err error) {
	a.shop, err = a.startIn(a.shopNS, "shop", append([]string{"drill", "served", "--member", "shop"}, a.flags(a.data)...)...)
	return err
}

func (a *apart) startRules() (err error) {
	a.rules, err = a.startIn(a.rulesNS, "rules", append([]string{"serve", "--role", "rules", "--member", "rules"}, a.flags(filepath.Join(a.dir, "rules"))...)...)
	return err
}

func (a *apart) close() error {
	for _, p := range append([]*process{a.shop, a.rules}, a.procs...) {
		if p != nil {
			_, _ = p.kill()
		}
	}
	var err error
	if a.watch != nil {
		err = a.watch.close()
	}
	return errors.Join(err, a.drill.close())
}

func (a *apart) said() string {
	s := "\nserve" + a.shop.said() + "\nrules" + a.rules.said()
	for i, p := range a.procs {
		s += "\n" + a.stores[i].name + p.said()
	}
	return s
}

// begin opens the jobs, starts whoever captures and decides, and begins to
// watch the journal.
func (a *apart) begin(ctx context.Context) error {
	link, err := a.cfg.link()
	if err != nil {
		return err
	}
	// Over a cluster the first of all has to wait until there is a leader.
	j, err := openPatiently(ctx, journal.Config{Shop: drillShopID, URL: a.cfg.NATSURL, Link: link, Shared: true, Writer: "watch", Replicas: a.cfg.Replicas, MaxBytes: 1 << 30})
	if err != nil {
		return err
	}
	a.watch = openWatch(j)
	a.busy = func() bool { return !a.hurry.Load() && a.watch.behind() }
	if err := a.inProcess(ctx, a.openJobs); err != nil {
		return fmt.Errorf("open jobs: %w", err)
	}
	return errors.Join(a.startRules(), a.startShop())
}

func (a *apart) work(on bool) {
	for _, h := range a.hands {
		h.work(on)
	}
}

// more waits until so many more readings are answered.
func (a *apart) more(ctx context.Context, n int) error {
	want := answeredBy(a.hands) + n
	if err := a.until(ctx, func() bool { return answeredBy(a.hands) >= want }); err != nil {
		return fmt.Errorf("wait for %d more answers, %d so far: %w", n, answeredBy(a.hands), err)
	}
	return nil
}

// until waits until is holds, or a process has ended by itself.
func (a *apart) until(ctx context.Context, is func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
	defer cancel()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for !is() {
		select {
		case <-tick.C:
		case <-a.shop.ended:
			return fmt.Errorf("serve: %w", errEnded)
		case <-a.rules.ended:
			return fmt.Errorf("rules: %w", errEnded)
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

// calm measures while nothing happens.
func (a *apart) calm(ctx context.Context) error {
	if err := errors.Join(a.more(ctx, 10*len(a.hands)), a.settled(ctx)); err != nil { // all are under way
		return err
	}
	from := time.Now()
	if err := errors.Join(a.more(ctx, 40*len(a.hands)), a.settled(ctx)); err != nil {
		return err
	}
	answers, decisions := waitsSince(a.hands, from), a.watch.since(from)
	a.counts.Calm = apartTimes{shareOf(answers, 0.5).Seconds(), shareOf(answers, 0.99).Seconds(), shareOf(decisions, 0.5).Seconds(), shareOf(decisions, 0.99).Seconds()}
	return nil
}

// waiting counts the pulls that wait for their answer.
func (h *hand) waiting() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.open
}

// waitsSince is how long the answers took that came after an instant.
func waitsSince(hands []*hand, from time.Time) (took []time.Duration) {
	for _, h := range hands {
		h.mu.Lock()
		for _, w := range h.waits {
			if w.at.After(from) {
				took = append(took, w.took)
			}
		}
		h.mu.Unlock()
	}
	return took
}

// settled waits until all that is in the journal by now, as far as is seen here,
// is decided.
func (a *apart) settled(ctx context.Context) error {
	newest := a.watch.newest()
	if err := a.until(ctx, func() bool { return a.watch.decidedTo(newest) }); err != nil {
		return fmt.Errorf("wait until all up to J%d is decided: %w; %s", newest, err, a.watch.waitsFor())
	}
	return nil
}

// killInTurn kills one process after another, and checks now and then.
func (a *apart) killInTurn(ctx context.Context, n int) error {
	began := time.Now()
	defer func() { a.counts.Seconds = time.Since(began).Seconds() }()
	if err := a.begin(ctx); err != nil {
		return err
	}
	a.work(true)
	if err := a.calm(ctx); err != nil {
		return err
	}
	for a.counts.Kills < n {
		if err := a.killOne(ctx, []string{apartServe, apartStore, apartRules}[a.counts.Kills%3]); err != nil {
			return err
		}
		if a.counts.Kills%apartEvery == 0 || a.counts.Kills == n {
			if err := a.look(ctx, a.counts.Kills < n); err != nil {
				return err
			}
		}
		if a.counts.Kills%checkEvery == 0 {
			fmt.Fprintf(a.progress, "%d of %d; %d readings answered\n", a.counts.Kills, n, answeredBy(a.hands))
		}
	}
	return nil
}

// killOne kills a process at a random moment while every wrench is being pulled,
// starts it again, and waits until all goes on: readings are answered, and those
// are decided.
func (a *apart) killOne(ctx context.Context, who string) error {
	a.hurry.Store(true)
	defer a.hurry.Store(false)
	if err := a.more(ctx, 1+a.rng.IntN(100)); err != nil {
		return fmt.Errorf("before a kill of %s: %w", who, err)
	}
	select {
	case <-time.After(time.Duration(a.rng.IntN(30_000)) * time.Microsecond):
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	p, again := a.shop, a.startShop
	switch who {
	case apartRules:
		p, again = a.rules, a.startRules
	case apartStore:
		p, again = a.procs[0], func() error { return a.startStore(0) }
	}
	from := time.Now()
	ended, err := p.kill()
	a.hurry.Store(false)
	for _, h := range a.hands {
		a.counts.InFlight += h.waiting()
	}
	switch {
	case err != nil:
		return err
	case ended:
		return fmt.Errorf("%s ended by itself", who)
	}
	a.counts.count(atLoad, who)
	// Of two that decide the other one goes on alone for a while.
	if who != apartStore && a.rng.IntN(2) == 0 {
		select {
		case <-time.After(time.Duration(a.rng.IntN(4000)) * time.Millisecond):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	if err := again(); err != nil {
		return err
	}
	if err := errors.Join(a.more(ctx, 10*len(a.hands)), a.settled(ctx)); err != nil {
		return fmt.Errorf("after a kill of %s: %w", who, err)
	}
	w := a.counts.Waits[who]
	w.Answer = append(w.Answer, shareOf(waitsSince(a.hands, from), 1).Seconds())
	w.Decision = append(w.Decision, shareOf(a.watch.since(from), 1).Seconds())
	a.counts.Waits[who] = w
	return nil
}

// look lets all rest, checks everything, and goes on if it is not the end.
func (a *apart) look(ctx context.Context, goOn bool) error {
	a.work(false)
	if err := a.until(ctx, func() bool { return allHeard(a.hands) }); err != nil {
		return fmt.Errorf("wait until all is answered: %w", err)
	}
	for _, p := range []*process{a.shop, a.rules} {
		if _, err := p.kill(); err != nil {
			return err
		}
	}
	if err := a.check(ctx, &a.counts.drillCounts); err != nil {
		return err
	}
	a.counts.Decided = a.watch.by()
	if !goOn {
		return nil
	}
	if err := errors.Join(a.startRules(), a.startShop()); err != nil {
		return err
	}
	a.work(true)
	return nil
}

// journalWatch follows the journal of such a shop, and measures how long readings wait
// for their decision.
type journalWatch struct {
	j      *journal.Journal
	cancel context.CancelFunc
	ended  sync.WaitGroup
	names  writers

	mu      sync.Mutex
	open    map[uint64]time.Time // readings without a decision, by sequence
	last    uint64               // newest reading
	decided []waited
}

func openWatch(j *journal.Journal) *journalWatch {
	ctx, cancel := context.WithCancel(context.Background())
	w := &journalWatch{j: j, cancel: cancel, open: map[uint64]time.Time{}}
	w.ended.Go(func() { _ = j.Follow(ctx, 1, w.see) }) // until close
	w.ended.Go(func() { _ = w.names.follow(ctx, j) })  // likewise
	return w
}

func (w *journalWatch) see(es []events.Entry) error {
	now := time.Now()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, e := range es {
		switch d := e.Data.(type) {
		case events.ReadingTaken:
			w.open[e.Seq], w.last = now, e.Seq
		case events.Decided:
			if at, ok := w.open[d.Cause]; ok {
				w.decided = append(w.decided, waited{now, now.Sub(at)})
				delete(w.open, d.Cause)
			}
		}
	}
	return nil
}

// mostBehind is how many readings may wait for their decision before nobody
// pulls. Two processes that decide in turn are slower than wrenches could be.
const mostBehind = 24

func (w *journalWatch) behind() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.open) >= mostBehind
}

func (w *journalWatch) newest() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

func (w *journalWatch) decidedTo(seq uint64) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for s := range w.open {
		if s <= seq {
			return false
		}
	}
	return true
}

func (w *journalWatch) waitsFor() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return fmt.Sprintf("%d readings without a decision, of %d", len(w.open), len(w.open)+len(w.decided))
}

// since is how long the decisions took that came after an instant.
func (w *journalWatch) since(from time.Time) (took []time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, d := range w.decided {
		if d.at.After(from) {
			took = append(took, d.took)
		}
	}
	return took
}

// by counts the decisions by the process that made them.
func (w *journalWatch) by() map[string]int { return w.names.counts() }

func (w *journalWatch) close() error {
	w.cancel()
	w.ended.Wait()
	return w.j.Close()
}
