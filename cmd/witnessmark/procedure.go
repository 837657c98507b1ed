package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

func newProcedure() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "procedure",
		Short: "Check a procedure file, print its schema or an example, release a revision",
		Long: `A procedure is a YAML file with the instructions for rebuilding one model of
unit: steps, fasteners at their true places, passes with target and limits,
measurements, cautions. A released revision never changes; the next one has
another revision name.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newProcedureCheck(), newProcedureRelease(), newProcedureList(), newProcedureExample(), newProcedureForget(), &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of procedure files, for your editor",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := c.OutOrStdout().Write(procedure.Schema())
			return err
		},
	})
	return cmd
}

func newProcedureCheck() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "check FILE...",
		Short: "Say what is wrong in a procedure file: file, line, column, and what would be right",
		Example: `  witnessmark procedure check ra-210.yaml
  witnessmark procedure check --json *.yaml`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			asJSON, _ := c.Flags().GetBool("json")
			return checkProcedures(c, args, asJSON)
		},
	}
	cmd.Flags().Bool("json", false, "print the problems as JSON")
	return cmd
}

func checkProcedures(c *cobra.Command, files []string, asJSON bool) error {
	all := procedure.Problems{}
	out := c.OutOrStdout()
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			return fmt.Errorf("read procedure: %w", err)
		}
		p, problems := procedure.Parse(f, text)
		all = append(all, problems...)
		if asJSON {
			continue
		}
		for _, pr := range problems {
			fmt.Fprintln(out, pr)
		}
		if problems.Err() == nil {
			fmt.Fprintf(out, "%s: good: %s revision %s, %d steps, %d fasteners\n", f, p.ID, p.Revision, len(p.Steps), fasteners(p))
		}
	}
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(all); err != nil {
			return err
		}
	}
	if all.Err() != nil {
		return exitCode{status: 1}
	}
	return nil
}

func fasteners(p *procedure.Procedure) int {
	n := 0
	for _, s := range p.Steps {
		if s.Joint != nil {
			n += len(s.Joint.Fasteners)
		}
	}
	return n
}

func newProcedureRelease() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "release FILE",
		Short:   "Release a revision: from now on jobs can be opened under it, and it never changes",
		Example: "  witnessmark procedure release ra-210.yaml --by maren",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			text, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("read procedure: %w", err)
			}
			p, problems := procedure.Parse(args[0], text)
			if err := problems.Err(); err != nil {
				return fmt.Errorf("%w\nnothing was released", err)
			}
			return ask(c, func(a events.Ask) events.Asker { return offer(a, text) },
				fmt.Sprintf("%s revision %s is released", p.ID, p.Revision))
		},
	}
	addAskFlags(cmd)
	addConfigFlags(cmd, "listen")
	return cmd
}

// offer makes the request to release a procedure file.
func offer(a events.Ask, text []byte) events.ProcedureOffered {
	sum := sha256.Sum256(text)
	return events.ProcedureOffered{Ask: a, Text: string(text), Hash: hex.EncodeToString(sum[:])}
}
