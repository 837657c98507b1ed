package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/record"
	"witnessmark/events/journal"
	"witnessmark/events/ledger"
)

func newAudit() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "audit JOB",
		Short: "Print the record of a job: each fastener, its value, verdict, evidence, tool, who and when",
		Long: `Prints the record of a job from the ledger, fastener by fastener: place, pass,
value with unit, limits, verdict, evidence grade with its probability, tool and
its calibration date, who, when, bench; pulls that were set aside or read
differently later, and why; questions and their answers; residual-torque audits;
every deviation; every alert and what became of it.
Works whether the service runs or not. It says up to which journal number it
goes, and warns where the journal goes or may go further.

` + caution,
		Example: "  witnessmark audit j-1042\n  witnessmark audit --json j-1042 > j-1042.json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			lag, err := ledgerLag(c, l)
			if err != nil {
				return err
			}
			r, err := record.Build(c.Context(), l, args[0])
			if errors.Is(err, ledger.ErrUnknown) {
				return fmt.Errorf("the ledger has no job %q: 'witnessmark job list' shows those it has; one just opened is there within a second%s", args[0], prefixed("; ", lag))
			}
			if err != nil {
				return err
			}
			if lag != "" {
				r.Warnings = append(r.Warnings, lag)
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

// ledgerLag warns if the journal goes further than the ledger, or may do so;
// "" if not. A ledger that a service writes to gets a moment to come along.
func ledgerLag(c *cobra.Command, l *ledger.Ledger) (string, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return "", err
	}
	g, ok, err := journal.Look(cfg.journalDir())
	if err != nil {
		return fmt.Sprintf("how far the journal goes is not known (%v); the record may lack the newest events", err), nil
	}
	if !ok {
		return "", nil // another server keeps it
	}
	at, err := l.ReadPosition(c.Context())
	for end := time.Now().Add(lagPatience); err == nil && g.Open && at < g.Known && time.Now().Before(end); {
		select {
		case <-time.After(50 * time.Millisecond):
		case <-c.Context().Done():
			return "", c.Context().Err()
		}
		at, err = l.ReadPosition(c.Context())
	}
	return lagText(g, at), err
}

// lagPatience is how long a ledger may take to have what was on disk when it
// was asked: it gathers events for a moment.
const lagPatience = 2 * time.Second

func lagText(g journal.Glance, at uint64) string {
	switch {
	case at < g.Known && g.Open:
		return fmt.Sprintf("the ledger has read up to J%d, the journal goes to J%d at least: 'witnessmark doctor' tells why the ledger does not follow", at, g.Known)
	case at < g.Known:
		return fmt.Sprintf("the ledger has read up to J%d, the journal goes to J%d at least: start the service, or run 'witnessmark rebuild', and ask again", at, g.Known)
	case g.Unclean:
		return fmt.Sprintf("the service was not stopped in order: the journal may hold events after J%d that are not in here; start the service, or run 'witnessmark rebuild', and ask again", at)
	}
	return ""
}

// prefixed puts something before a text that is not empty.
func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
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
