package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/record"
	"witnessmark/events/ledger"
)

func newAudit() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "audit JOB",
		Short: "Print the record of a job: each fastener, its value, verdict, evidence, tool, who and when",
		Long: `Prints the record of a job from the ledger, fastener by fastener: place, pass,
value with unit, limits, verdict, evidence grade, tool and its calibration
date, who, when, bench; every deviation; every alert and what became of it.
Works whether the service runs or not.

` + caution,
		Example: "  witnessmark audit j-1042\n  witnessmark audit --json j-1042 > j-1042.json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			r, err := record.Build(c.Context(), l, args[0])
			if errors.Is(err, ledger.ErrUnknown) {
				return fmt.Errorf("the ledger has no job %q: 'witnessmark job list' shows those it has; one just opened is there within a second", args[0])
			}
			if err != nil {
				return err
			}
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				enc := json.NewEncoder(c.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(r)
			}
			return r.WriteText(c.OutOrStdout())
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	addConfigFlags(cmd, "data")
	return cmd
}

// openLedger opens the ledger of the configured data directory for reading.
func openLedger(c *cobra.Command) (*ledger.Ledger, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(cfg.ledgerPath()); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("no ledger in %s: name the data directory with --data, or make one from the journal with 'witnessmark rebuild'", cfg.Data)
	}
	return ledger.Open(c.Context(), ledger.Config{Path: cfg.ledgerPath(), ReadOnly: true})
}
