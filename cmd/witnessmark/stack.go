package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"

	"witnessmark/dashboards"
	"witnessmark/dashboards/access"
	"witnessmark/dashboards/outward"
	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
	"witnessmark/events/seal"
	"witnessmark/ingest"
	"witnessmark/ingest/arrivals"
	"witnessmark/ingest/profile"
	"witnessmark/rules"
	"witnessmark/rules/service"
	"witnessmark/rules/service/shares"
)

// stack is the whole service in one process.
type stack struct {
	cfg      config
	shop     events.Shop
	log      *slog.Logger
	journal  *journal.Journal
	ledger   *ledger.Ledger
	group    *shares.Group // of a journal that other processes may decide on too; else nil
	sealer   *seal.Sealer
	access   *access.Keeper
	routes   []outward.Route // of alerts that leave the house
	service  *service.Service
	capture  *ingest.Capture
	arrivals *arrivals.Intake // from bench boxes
	lamps    boxLamps         // at the bench boxes
	chain    *chainWatch      // of the shops of a chain; nil: no hub is named
	pages    *dashboards.Pages
	server   *http.Server
	listen   net.Listener
	opened   map[string]time.Time // when what was open; of 'bench start'
}

// witnesses are what else knows how far the journal has come. One that cannot be
// read tells nothing; opening it will say what is wrong with it.
func (c config) witnesses(ctx context.Context) []journal.Witness {
	var out []journal.Witness
	if at, err := ledger.PositionOf(ctx, c.ledgerPath()); err == nil {
		out = append(out, journal.Witness{Last: at, By: "the ledger"})
	}
	if sealed, logged, err := seal.KnownTo(c.sealsDir()); err == nil {
		out = append(out, journal.Witness{Last: sealed, By: "a seal"}, journal.Witness{Last: logged, By: "the log of seals"})
	}
	return out
}

// openJournal opens the journal. One that ends before a witness says is refused.
func openJournal(ctx context.Context, cfg config, shop string, witnesses ...journal.Witness) (*journal.Journal, error) {
	return openJournalWith(ctx, cfg, shop, func(j *journal.Config) { j.Witnesses = witnesses })
}

// openJournalAsItIs opens a journal that is there, to look at it or to copy it:
// none is made, and it keeps its limit, though the shop's configuration is not at hand.
func openJournalAsItIs(ctx context.Context, cfg config, shop string, witnesses ...journal.Witness) (*journal.Journal, error) {
	return openJournalWith(ctx, cfg, shop, func(j *journal.Config) { j.Witnesses, j.AsItIs = witnesses, true })
}

// openJournalWith opens the journal after change has seen its settings.
func openJournalWith(ctx context.Context, cfg config, shop string, change func(*journal.Config)) (*journal.Journal, error) {
	maxBytes, err := parseSize(cfg.JournalMax)
	if err != nil {
		return nil, err
	}
	minFree, err := parseSize(cfg.MinFree)
	if err != nil {
		return nil, err
	}
	link, err := cfg.link()
	if err != nil {
		return nil, err
	}
	log := cfg.logger()
	jc := journal.Config{
		Shop: shop, Dir: cfg.journalDir(), URL: cfg.NATSURL, Link: link,
		Shared: cfg.NATSURL != "", Writer: cfg.member(), Replicas: cfg.Replicas,
		MaxBytes: int64(maxBytes), MinFree: minFree, AcceptLoss: cfg.acceptLoss, Log: log,
	}
	change(&jc)
	j, err := journal.Open(ctx, jc)
	if err == nil && j.Stats().Sync != journal.SyncAlways {
		log.Warn("the NATS server may acknowledge before it syncs", "nats_url", journal.NoSecret(cfg.NATSURL), "sync", j.Stats().Sync)
	}
	return j, err
}

// openStack opens everything and starts nothing; close it if run is not called.
func openStack(ctx context.Context, cfg config, shop events.Shop) (_ *stack, err error) {
	s := &stack{cfg: cfg, shop: shop, log: cfg.logger(), opened: map[string]time.Time{}}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if err := os.MkdirAll(cfg.Data, 0o755); err != nil {
		return nil, fmt.Errorf("make data directory: %w", err)
	}
	if err := checkShut(cfg.Data); err != nil {
		return nil, err
	}
	if err := s.openListener(); err != nil {
		return nil, err
	}
	boxes, err := boxesOf(cfg, shop)
	if err != nil {
		return nil, err
	}
	if s.journal, err = openJournalWith(ctx, cfg, shop.ID, func(j *journal.Config) {
		j.Boxes, j.Now, j.Witnesses = boxes, cfg.now, cfg.witnesses(ctx)
	}); err != nil {
		return nil, err
	}
	if err := s.acceptLoss(ctx); err != nil {
		return nil, err
	}
	s.opened["journal"] = time.Now()
	if s.ledger, err = ledger.Open(ctx, ledger.Config{Path: cfg.ledgerPath(), Log: s.log}); err != nil {
		return nil, err
	}
	// Ledger and seals know how far the journal went: before anything is
	// written, it must reach as far.
	if err := s.ledger.Agree(ctx, s.journal); err != nil {
		return nil, err
	}
	if cfg.Alerts != "" {
		if s.routes, err = outward.Load(cfg.Alerts); err != nil {
			return nil, err
		}
	}
	if s.sealer, err = seal.New(ctx, seal.Config{Journal: journal.AtLeisure{Journal: s.journal}, Dir: cfg.sealsDir(), Shop: shop.ID, Every: cfg.sealEvery, AcceptLoss: cfg.acceptLoss, Elsewhere: cfg.keptPlaces(), Log: s.log, Now: cfg.now}); err != nil {
		return nil, err
	}
	if err := noteRestore(ctx, s.journal, cfg.Data, s.instant()); err != nil {
		return nil, err
	}
	if s.group, s.service, err = openRules(cfg, shop, s.journal, s.log); err != nil {
		return nil, err
	}
	if s.capture, err = ingest.New(ingest.Config{Devices: devicesOf(shop, ""), Profiles: profiles(cfg.Profiles), Journal: s.journal, Log: s.log, OpenPort: cfg.openPort, Now: cfg.now}); err != nil {
		return nil, err
	}
	limit, _ := time.ParseDuration(cfg.ClockLimit) // validated
	s.arrivals = arrivals.New(arrivals.Config{Journal: s.journal, Shop: shop, ClockLimit: limit, Now: cfg.now, Log: s.log})
	if s.access, err = access.Open(access.Config{Dir: cfg.accessDir(), People: func() []events.Person { return shop.People }, Journal: s.journal, Log: s.log, Now: cfg.now, Cost: cfg.cost}); err != nil {
		return nil, err
	}
	if err := s.mayListen(); err != nil {
		return nil, err
	}
	if cfg.Chain != "" {
		if s.chain, err = newChainWatch(cfg, s.instant); err != nil {
			return nil, err
		}
	}
	return s, s.openPages()
}

// acceptLoss makes the ledger anew if it has what the journal has lost, and
// somebody has said that they go on without it.
func (s *stack) acceptLoss(ctx context.Context) error {
	if !s.cfg.acceptLoss {
		return nil
	}
	at, err := ledger.PositionOf(ctx, s.cfg.ledgerPath())
	if err != nil || at <= s.journal.Last() {
		return nil // opening it says what is wrong
	}
	s.log.Warn("the ledger has events that the journal has lost; it is made anew", "ledger", at, "journal", s.journal.Last())
	return ledger.Rebuild(ctx, s.journal, s.cfg.ledgerPath(), nil)
}

func (s *stack) openPages() error {
	var err error
	var chain func() dashboards.Chain
	if s.chain != nil {
		chain = s.chain.status
	}
	s.pages, err = dashboards.New(dashboards.Config{
		Service: s.service, Watch: dashboards.Watch(s.service.Subscribe), Early: dashboards.Watch(s.service.SubscribeEarly), Ledger: s.ledger, Journal: s.journal, Photos: s.journal, Note: s.journal,
		Access: s.access, Seals: s.sealer, Devices: s.capture.Status, Boxes: s.boxStatus, Chain: chain, Ready: s.service.Ready(), Log: s.log, Banner: s.cfg.banner, Now: s.cfg.now, Steady: s.cfg.steady,
	})
	if err != nil {
		return err
	}
	h, err := s.strict(s.pages)
	s.server = newServer(inTime(h), s.log)
	return err
}

// profiles finds a profile by name: the shop's own directory first, then the
// shipped ones.
func profiles(dir string) func(string) (*profile.Profile, error) {
	return func(name string) (*profile.Profile, error) {
		if dir != "" {
			file := filepath.Join(dir, filepath.Base(name)+".yaml")
			text, err := os.ReadFile(file)
			if err == nil {
				return profile.Load(file, text)
			}
			if !errors.Is(err, os.ErrNotExist) {
				return nil, fmt.Errorf("read profile: %w", err)
			}
		}
		return profile.Open(name)
	}
}

// run runs everything until ctx ends or something fails for good, then stops
// in order: pages and ports first, then rules and ledger, the journal last.
// ready is called once the pages answer; it may be nil.
func (s *stack) run(ctx context.Context, ready func(ctx context.Context) error) error {
	defer s.close()
	back, stopBack := context.WithCancel(context.WithoutCancel(ctx))
	defer stopBack()
	behind, back := errgroup.WithContext(back)
	if s.group != nil {
		behind.Go(func() error { return takePart(back, s.group, s.service) })
	}
	behind.Go(func() error { return s.service.Run(back) })
	behind.Go(func() error { return s.ledger.Run(back, journal.AtLeisure{Journal: s.journal}) })
	behind.Go(func() error { return s.pages.Run(back) })

	// What writes by itself stops before the last look at the journal.
	between, stopBetween := context.WithCancel(back)
	defer stopBetween()
	writers, between := errgroup.WithContext(between)
	writers.Go(func() error { return s.sealer.Run(between) })
	writers.Go(func() error { return s.access.Run(between) })
	writers.Go(func() error { return s.scrub(between) })
	if len(s.routes) > 0 {
		writers.Go(func() error { return s.carryOut(between) })
	}

	front, stopFront := context.WithCancel(ctx)
	defer stopFront()
	defer context.AfterFunc(back, stopFront)() // without rules, nothing goes on
	g, front := errgroup.WithContext(front)
	g.Go(func() error { return s.servePages(front) })
	g.Go(func() error { return s.serveControl(front) })
	if s.chain != nil {
		g.Go(func() error { return s.chain.run(front) })
	}
	g.Go(func() error {
		if err := s.announceShop(front); err != nil {
			return err
		}
		g.Go(func() error { return s.capture.Run(front) })
		select {
		case <-s.service.Ready():
		case <-front.Done():
			return nil
		}
		if err := s.describeShop(front); err != nil {
			return err
		}
		if s.cfg.BoxesListen != "" { // the rules know by now what is plugged into which box
			g.Go(func() error { return s.arrivals.Run(front) })
			g.Go(func() error { return s.tellLamps(front) })
		}
		if ready != nil {
			return ready(front)
		}
		return nil
	})
	err := g.Wait()
	stopBetween()
	err = errors.Join(ignoreCancel(err), ignoreCancel(writers.Wait()))
	s.catchUp(back)
	stopBack()
	return errors.Join(err, ignoreCancel(behind.Wait()))
}

// How often all that is on disk is read and compared, and at most how many
// entries a second, so that nobody notices.
const (
	scrubEvery     = 24 * time.Hour
	scrubPerSecond = 2000
)

// scrub looks for damage on disk: after the start, and once a day.
func (s *stack) scrub(ctx context.Context) error {
	select {
	case <-s.service.Ready():
	case <-ctx.Done():
		return nil
	}
	for {
		found, err := s.sealer.Scrub(ctx, scrubPerSecond)
		if err == nil {
			err = s.ledger.Scrub(ctx, s.journal, scrubPerSecond)
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			s.log.Error("what is on disk cannot be trusted, or not be looked at", "err", err)
		default:
			s.log.Info("all that is on disk was read and compared", "entries", found.Entries)
		}
		select {
		case <-time.After(scrubEvery):
		case <-ctx.Done():
			return nil
		}
	}
}

// catchUp lets the ledger take what is on disk before it is closed, so that
// 'audit' shows it while the service is away.
func (s *stack) catchUp(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if err := s.service.Idle(ctx); errors.Is(err, context.DeadlineExceeded) {
		s.log.Warn("not all that was read is decided; the next start decides it", "err", err)
	}
	if err := s.ledger.WaitFor(ctx, s.journal.Last()); errors.Is(err, context.DeadlineExceeded) {
		s.log.Warn("ledger is behind the journal; it goes on at the next start", "err", err)
	}
}

// servePages answers requests until ctx ends.
func (s *stack) servePages(ctx context.Context) error {
	stopped := make(chan struct{})
	defer context.AfterFunc(ctx, func() {
		defer close(stopped)
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		if err := s.server.Shutdown(grace); err != nil {
			_ = s.server.Close() // live streams do not end by themselves
		}
	})()
	s.server.BaseContext = func(net.Listener) context.Context { return ctx }
	if err := s.server.Serve(s.listen); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve pages: %w", err)
	}
	<-stopped
	return nil
}

// announceShop writes the shop file into the journal unless the ledger knows
// it to be the one in force. It waits for no decision, so that readings can be
// taken while a long journal is still being folded; and they come after it, so
// that a tool that is new in the file is known when its first reading is
// judged. Once too often is harmless.
func (s *stack) announceShop(ctx context.Context) error {
	d, err := describe(s.shop)
	if err != nil {
		return err
	}
	in, err := s.ledger.ShopAt(ctx, s.journal.Last())
	if err == nil && in.Hash == d.Hash {
		return nil
	}
	if err != nil && !errors.Is(err, ledger.ErrUnknown) {
		return err
	}
	now := time.Now
	if s.cfg.now != nil {
		now = s.cfg.now
	}
	_, err = s.journal.Append(ctx, events.Event{Source: events.SourceDesk, Time: events.InstantOf(now()), Data: d})
	return err
}

// describeShop writes the shop file into the journal if it is not the one in
// force, and reports why it is refused.
func (s *stack) describeShop(ctx context.Context) error {
	d, err := describe(s.shop)
	if err != nil {
		return err
	}
	same := false
	s.service.View(func(st *rules.State) { same = st.ShopHash == d.Hash })
	if same {
		return nil
	}
	_, decided, err := s.service.Submit(ctx, d)
	if err != nil {
		return err
	}
	for _, o := range decided.Outcomes {
		if r, ok := o.Data.(events.RequestRefused); ok {
			return fmt.Errorf("adopt shop file: %w", refusal(r))
		}
	}
	return nil
}

func describe(shop events.Shop) (events.ShopDescribed, error) {
	b, err := json.Marshal(shop)
	if err != nil {
		return events.ShopDescribed{}, fmt.Errorf("write shop: %w", err)
	}
	sum := sha256.Sum256(b)
	return events.ShopDescribed{Ask: events.Ask{AtUs: events.InstantOf(time.Now())}, Shop: shop, Hash: hex.EncodeToString(sum[:])}, nil
}

func ignoreCancel(err error) error {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func (s *stack) close() {
	if s.ledger != nil {
		if err := s.ledger.Close(); err != nil {
			s.log.Error("close ledger", "err", err)
		}
	}
	if s.sealer != nil {
		if err := s.sealer.Close(); err != nil {
			s.log.Error("close log of seals", "err", err)
		}
	}
	if s.access != nil {
		if err := s.access.Close(); err != nil {
			s.log.Error("close secrets", "err", err)
		}
	}
	if s.journal != nil {
		if err := s.journal.Close(); err != nil {
			s.log.Error("close journal", "err", err)
		}
	}
	if s.listen != nil {
		_ = s.listen.Close() // closed by the server already, if it ran
	}
}
