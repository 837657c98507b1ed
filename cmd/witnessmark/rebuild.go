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
first: only one process may have the journal open.

With --check nothing is swapped: the fresh ledger is compared with the one that
is there, row for row.`,
		Example: "  witnessmark rebuild --data witnessmark-data\n  witnessmark rebuild --check",
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
			j, err := openJournalAsItIs(c.Context(), cfg, shop.ID, cfg.witnesses(c.Context())...)
			if err != nil {
				return err
			}
			defer j.Close()
			if check, _ := c.Flags().GetBool("check"); check {
				return checkLedger(c, j, cfg.ledgerPath())
			}
			return rebuild(c, j, cfg.ledgerPath())
		},
	}
	addConfigFlags(cmd, "data", "shop", "nats_url")
	cmd.Flags().Bool("check", false, "compare the ledger with the journal and change nothing; exit status 1 if they differ")
	addAcceptLoss(cmd)
	return cmd
}

// showProgress tells how far it is, now and then. n holds the last figure.
func showProgress(c *cobra.Command, n *uint64) func(done, total uint64) {
	var last time.Time
	return func(done, total uint64) {
		*n = done
		if now := time.Now(); now.Sub(last) > 200*time.Millisecond || done == total {
			last = now
			fmt.Fprintf(c.ErrOrStderr(), "\r%d of %d events", done, total)
		}
	}
}

func checkLedger(c *cobra.Command, j *journal.Journal, path string) error {
	var n uint64
	diff, err := ledger.Check(c.Context(), j, path, showProgress(c, &n))
	fmt.Fprintln(c.ErrOrStderr())
	if err != nil {
		return err
	}
	for _, d := range diff {
		fmt.Fprintf(c.OutOrStdout(), "%s: ledger %q, journal %q\n", d.Table, d.Left, d.Right)
	}
	if len(diff) > 0 {
		return exitCode{1, fmt.Errorf("%s is not what the journal says; 'witnessmark rebuild' mends it", path)}
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "%s is what %d events of the journal say\n", path, n)
	return err
}

func rebuild(c *cobra.Command, j *journal.Journal, path string) error {
	progress := c.ErrOrStderr()
	start := time.Now()
	var n uint64
	err := ledger.Rebuild(c.Context(), j, path, showProgress(c, &n))
	fmt.Fprintln(progress)
	if err != nil {
		return err
	}
	for _, h := range j.Holes() {
		fmt.Fprintf(progress, "journal: %s; 'witnessmark mend' fills it from a copy\n", h)
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "rebuilt %s from %d events in %.1f s\n", path, n, time.Since(start).Seconds())
	return err
}
