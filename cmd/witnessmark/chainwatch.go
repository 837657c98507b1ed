package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"golang.org/x/sync/errgroup"

	"witnessmark/dashboards"
	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
)

// chainWatch keeps what the pages show of the shops of a chain: how far the
// hub's copies are, and a ledger made from each. A hub that is away holds up
// nothing here.
type chainWatch struct {
	link journal.Link // to the hub
	url  string       // of the hub's store
	dir  string       // of the ledgers, which can be deleted at any time
	log  *slog.Logger
	now  func() events.Instant

	mu     sync.Mutex
	chain  dashboards.Chain
	copies map[string]*chainCopy
}

// chainCopy is the copy of one shop's journal, being read.
type chainCopy struct {
	mu      sync.RWMutex
	ledger  *ledger.Ledger // nil while there is none
	trouble string         // why there is none
}

// ask asks the ledger, which stays open meanwhile.
func (c *chainCopy) ask(ctx context.Context, fn func(*ledger.Queries) error) error {
	c.mu.RLock()
	defer c.mu.RUnlock()
	if c.ledger == nil {
		return errors.New("it is being opened")
	}
	return c.ledger.AtOnce(ctx, fn)
}

func (c *chainCopy) set(l *ledger.Ledger, trouble string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ledger, c.trouble = l, trouble
}

// show tells of the copy what pages need.
func (c *chainCopy) show(s *dashboards.ChainShop) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	if s.Trouble = c.trouble; c.ledger != nil {
		s.Read = c.ask
	}
}

// Rhythm of asking the hub.
const (
	chainEvery = 2 * time.Second
	chainWait  = 5 * time.Second // for its answer
	chainAgain = 5 * time.Second // until a copy is tried again
)

func newChainWatch(cfg config, now func() events.Instant) (*chainWatch, error) {
	link, err := cfg.linkTo(cfg.Chain)
	if err != nil {
		return nil, fmt.Errorf("setting chain: %w", err)
	}
	return &chainWatch{url: cfg.Chain, link: link, dir: filepath.Join(cfg.chainDir(), "serve"), log: cfg.logger(), now: now,
		chain: dashboards.Chain{Hub: hostOf(cfg.Chain)}, copies: map[string]*chainCopy{}}, nil
}

// hostOf is the part of an address that is no secret.
func hostOf(address string) string {
	var hosts []string
	for a := range strings.SplitSeq(address, ",") {
		if u, err := url.Parse(strings.TrimSpace(a)); err == nil {
			hosts = append(hosts, u.Host)
		}
	}
	return strings.Join(hosts, ", ")
}

// status tells the pages.
func (w *chainWatch) status() dashboards.Chain {
	w.mu.Lock()
	defer w.mu.Unlock()
	c := w.chain
	c.Shops = slices.Clone(c.Shops)
	for i := range c.Shops {
		w.copies[c.Shops[i].ID].show(&c.Shops[i])
	}
	return c
}

// run asks the hub again and again until ctx ends.
func (w *chainWatch) run(ctx context.Context) error {
	var g errgroup.Group
	defer func() { _ = g.Wait() }() // they end with ctx, and say themselves what was wrong
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var nc *nats.Conn
	defer func() {
		if nc != nil {
			nc.Close()
		}
	}()
	tick := time.NewTicker(chainEvery)
	defer tick.Stop()
	for {
		var err error
		if nc == nil {
			nc, err = w.link.Connect(w.url, nats.Name("witnessmark chain page"), nats.MaxReconnects(-1), nats.ReconnectWait(time.Second), nats.Timeout(chainWait))
		}
		if err == nil {
			err = w.ask(ctx, nc, &g)
		}
		if err != nil && ctx.Err() == nil {
			w.mu.Lock()
			if w.chain.Trouble == "" {
				w.log.Warn("the hub of the chain does not answer; it is asked again", "hub", w.chain.Hub, "err", err)
			}
			w.chain.Trouble = hubTrouble(err)
			w.mu.Unlock()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// hubTrouble says for people why the hub does not answer.
func hubTrouble(err error) string {
	switch {
	case errors.Is(err, nats.ErrAuthorization):
		return "it refuses the name or secret in the setting chain"
	case errors.Is(err, nats.ErrNoServers), errors.Is(err, context.DeadlineExceeded), errors.Is(err, nats.ErrTimeout), errors.Is(err, nats.ErrConnectionReconnecting):
		return "it cannot be reached"
	}
	return err.Error()
}

// ask takes over what the hub says, and begins to read copies that are new.
func (w *chainWatch) ask(ctx context.Context, nc *nats.Conn, g *errgroup.Group) error {
	within, cancel := context.WithTimeout(ctx, chainWait)
	defer cancel()
	all, err := journal.Copies(within, nc)
	if err != nil {
		return err
	}
	now := w.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	w.chain.Trouble, w.chain.Asked = "", now
	w.chain.Shops = w.chain.Shops[:0:0]
	for _, s := range all {
		shop := dashboards.ChainShop{ID: s.Shop, Entries: s.Entries, Behind: s.Lag}
		if s.Heard >= 0 {
			shop.Heard = now.Add(-s.Heard)
		}
		w.chain.Shops = append(w.chain.Shops, shop)
		if w.copies[s.Shop] == nil {
			c := &chainCopy{}
			w.copies[s.Shop] = c
			g.Go(func() error { w.follow(ctx, s.Shop, c); return nil })
		}
	}
	return nil
}

// follow keeps the ledger of a shop up to its copy.
func (w *chainWatch) follow(ctx context.Context, shop string, c *chainCopy) {
	for ctx.Err() == nil {
		err := w.read(ctx, shop, c)
		if ctx.Err() != nil {
			return
		}
		c.set(nil, cmp.Or(err, errors.New("reading it ended")).Error())
		w.log.Warn("the copy of a shop's journal is read anew", "shop", shop, "err", err)
		select {
		case <-ctx.Done():
		case <-time.After(chainAgain):
		}
	}
}

// read reads until something fails or ctx ends.
func (w *chainWatch) read(ctx context.Context, shop string, c *chainCopy) (err error) {
	j, err := journal.Open(ctx, journal.Config{Shop: shop, URL: w.url, Link: w.link, Copy: true, RingEvents: 4096, RingBytes: 4 << 20, Log: w.log})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if err := os.MkdirAll(w.dir, 0o750); err != nil {
		return fmt.Errorf("make directory for ledgers: %w", err)
	}
	path := filepath.Join(w.dir, shop+".db")
	l, err := ledger.Open(ctx, ledger.Config{Path: path, Log: w.log})
	if err == nil {
		if err = l.Agree(ctx, j); err != nil {
			err = errors.Join(err, l.Close())
		}
	}
	// It is derived: of another form, of another journal or damaged, it is made anew.
	if errors.Is(err, ledger.ErrSchema) || errors.Is(err, ledger.ErrBroken) || errors.Is(err, ledger.ErrJournal) {
		w.log.Warn("the ledger of a copy is made anew", "shop", shop, "err", err)
		if err := removeLedger(path); err != nil {
			return err
		}
		l, err = ledger.Open(ctx, ledger.Config{Path: path, Log: w.log})
	}
	if err != nil {
		return err
	}
	defer func() { c.set(nil, ""); err = errors.Join(err, l.Close()) }()
	c.set(l, "")
	return ignoreCancel(l.Run(ctx, journal.AtLeisure{Journal: j}))
}

func removeLedger(path string) (err error) {
	for _, end := range []string{"", "-wal", "-shm"} {
		if e := os.Remove(path + end); e != nil && !errors.Is(e, fs.ErrNotExist) {
			err = errors.Join(err, e)
		}
	}
	return err
}
