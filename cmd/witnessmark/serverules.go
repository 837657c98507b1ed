package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/rules"
	"witnessmark/rules/service"
	"witnessmark/rules/service/shares"
)

// Roles of a serving process.
const (
	roleShop  = "shop"
	roleRules = "rules"
)

// member names this process among those that share the rules: the same after a
// restart, another for another data directory.
func (c config) member() string {
	if c.Member != "" {
		return c.Member
	}
	host, err := os.Hostname()
	if err != nil {
		host = "machine"
	}
	host = regexp.MustCompile(`[^A-Za-z0-9-]`).ReplaceAllString(host, "-")
	dir, err := filepath.Abs(c.Data)
	if err != nil {
		dir = c.Data
	}
	sum := sha256.Sum256([]byte(dir))
	return host[:min(len(host), 40)] + "-" + hex.EncodeToString(sum[:4])
}

// openRules makes the service of the rules, and its place among others that
// decide over the same NATS server; that is nil for an embedded one.
func openRules(cfg config, shop events.Shop, j *journal.Journal, log *slog.Logger) (g *shares.Group, s *service.Service, err error) {
	sc := service.Config{Journal: j, Snapshot: cfg.snapshotPath(), SnapshotEvery: cfg.snapshotEvery, Log: log, Now: cfg.now}
	if cfg.NATSURL != "" {
		g, err = shares.New(shares.Config{
			Conn: j.Conn(), Shop: shop.ID, Member: cfg.member(), Shares: rules.Shares, Replicas: cfg.Replicas, Log: log,
		})
		if err != nil {
			return nil, nil, err
		}
		sc.Shares = g
	}
	s, err = service.New(sc)
	return g, s, err
}

// takePart takes shares once s can decide: before that they would wait for it.
func takePart(ctx context.Context, g *shares.Group, s *service.Service) error {
	select {
	case <-s.Folded():
		return g.Run(ctx)
	case <-ctx.Done():
		return nil
	}
}

// serveRules runs the rules alone, beside others, until the command is told to
// stop.
func serveRules(c *cobra.Command, cfg config) (err error) {
	if cfg.NATSURL == "" {
		return usageError("--role rules needs --nats-url: the NATS server at which the shop's service keeps its journal")
	}
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(cfg.Data, 0o755); err != nil {
		return fmt.Errorf("make data directory: %w", err)
	}
	j, err := openJournal(c.Context(), cfg, shop.ID)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	g, s, err := openRules(cfg, shop, j, cfg.logger())
	if err != nil {
		return err
	}
	run, ctx := errgroup.WithContext(c.Context())
	run.Go(func() error { return takePart(ctx, g, s) })
	run.Go(func() error { return s.Run(ctx) })
	run.Go(func() error {
		select {
		case <-s.Ready():
			fmt.Fprintf(c.ErrOrStderr(), "%s: deciding as %q beside the others (Ctrl-C stops)\n", shop.Name, cfg.member())
		case <-ctx.Done():
		}
		return nil
	})
	start := time.Now()
	err = run.Wait()
	fmt.Fprintf(c.ErrOrStderr(), "%d decisions made here in %s\n", s.DecidedHere(), time.Since(start).Round(time.Second))
	return err
}
