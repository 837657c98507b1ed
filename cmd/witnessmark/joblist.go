package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/record"
	"witnessmark/events/ledger"
	"witnessmark/rules/procedure/demo"
)

func newJobList() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List jobs, newest first, from the ledger",
		Example: "  witnessmark job list\n  witnessmark job list --open --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			most, _ := c.Flags().GetInt("most")
			var f ledger.JobFilter
			f.Limit = most
			if open, _ := c.Flags().GetBool("open"); open {
				f.Open = true
			}
			jobs, err := l.Jobs(c.Context(), f)
			if err != nil {
				return err
			}
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(jobs)
			}
			return record.WriteJobs(c.OutOrStdout(), jobs)
		},
	}
	cmd.Flags().Bool("open", false, "only jobs that have not ended")
	cmd.Flags().Bool("json", false, "print JSON")
	cmd.Flags().Int("most", 50, "print so many at most")
	addConfigFlags(cmd, "data")
	return cmd
}

func newProcedureList() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the released revisions, from the ledger",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			procs, err := l.ReleasedProcedures(c.Context())
			if err != nil {
				return err
			}
			if len(procs) == 0 {
				fmt.Fprintln(c.ErrOrStderr(), "none is released; 'witnessmark procedure release FILE' releases one")
			}
			for _, p := range procs {
				fmt.Fprintf(c.OutOrStdout(), "%-12s %-6s %s  %s\n", p.Procedure, p.Revision, p.Hash[:12], p.Title)
			}
			return nil
		},
	}
	addConfigFlags(cmd, "data")
	return cmd
}

func newProcedureExample() *cobra.Command {
	return &cobra.Command{
		Use:     "example [ID]",
		Short:   "Print an invented procedure to start from: RA-210 (drive axle) or U6 (gearbox)",
		Example: "  witnessmark procedure example RA-210 > mine.yaml",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			id := demo.Files()[0].ID
			if len(args) == 1 {
				id = args[0]
			}
			f, ok := demo.ByID(id)
			if !ok {
				return usageError("no example %q: there are RA-210 and U6", id)
			}
			_, err := fmt.Fprint(c.OutOrStdout(), f.Text)
			return err
		},
	}
}
