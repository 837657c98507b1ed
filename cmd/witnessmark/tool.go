package main

import "github.com/spf13/cobra"

func newTool() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "tool",
		Short: "What tools are worth, and what is in doubt after one was found wrong",
		Long: `What the shop's tools are worth: their checks and calibrations, how they drift,
and what follows when one is found out of tolerance.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newToolRecall(), newToolRecalls())
	cmd.AddCommand(toolVerbs()...)
	return cmd
}
