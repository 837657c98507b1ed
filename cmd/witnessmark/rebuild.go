package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/events/journal"
	"witnessmark/events/ledger"
)

func newRebuild() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Build the ledger anew from the journal and swap it in",
		Long: `The ledger is only a view of the journal. This builds a fresh one beside it and
swaps it in when it is whole; until then the old one stays. Stop the service
first: only one process may have the journal open.`,
		Example: "  witnessmark rebuild --data witnessmark-data",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			shop, err := readShop(cfg.Shop)
			if err != nil {
				return err
			}
			j, err := openJournal(c.Context(), cfg, shop.ID)
			if err != nil {
				return err
			}
			defer j.Close()
			return rebuild(c, j, cfg.ledgerPath())
		},
	}
	addConfigFlags(cmd, "data", "shop", "nats_url")
	addAcceptLoss(cmd)
	return cmd
}

func rebuild(c *cobra.Command, j *journal.Journal, path string) error {
	progress := c.ErrOrStderr()
	start := time.Now()
	var last time.Time
	var n uint64
	err := ledger.Rebuild(c.Context(), j, path, func(done, total uint64) {
		n = done
		if now := time.Now(); now.Sub(last) > 200*time.Millisecond || done == total {
			last = now
			fmt.Fprintf(progress, "\r%d of %d events", done, total)
		}
	})
	fmt.Fprintln(progress)
	if err != nil {
		return err
	}
	for _, h := range j.Holes() {
		fmt.Fprintf(progress, "journal: %s; keep the data directory as it is and put back a copy that is whole\n", h)
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "rebuilt %s from %d events in %.1f s\n", path, n, time.Since(start).Seconds())
	return err
}
