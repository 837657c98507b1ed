package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"witnessmark/events"
)

func newProcedureForget() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "forget PROCEDURE",
		Short: "Forget what released jobs taught about how a step's fasteners turn, e.g. after another lot of bolts",
		Long: `The rotations and torque rates of released jobs are kept by procedure, step and
pass, and tell which pull was a repeat. Bolts of another lot, another
lubricant or another gasket turn otherwise: then forget what was learned. A
lead or the metrologist asks; the record keeps who and why. Jobs under way keep
what they knew when they were opened; new jobs begin untaught.`,
		Example: "  witnessmark procedure forget RA-210 --step cover --reason 'bolts of another lot' --by maren",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return ask(c, func(a events.Ask) events.Asker {
				return events.LearningForgetAsked{Ask: a, Procedure: args[0], Step: flag(c, "step"), Reason: flag(c, "reason")}
			}, fmt.Sprintf("what was learned about step %s of %s is forgotten", flag(c, "step"), args[0]))
		},
	}
	addAskFlags(cmd)
	addConfigFlags(cmd, "listen")
	cmd.Flags().String("step", "", "step id")
	cmd.Flags().String("reason", "", "why")
	for _, f := range []string{"step", "reason"} {
		_ = cmd.MarkFlagRequired(f) // the flag is there
	}
	return cmd
}
