package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

const caution = `Driveline parts that come loose hurt people; presses throw parts. The unit
maker's service information, local codes and licensed practice come first.
Witnessmark records and computes; it does not approve.`

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "witnessmark",
		Short: "A witness for every fastener and every measurement of a rebuild",
		Long: `Witnessmark reads digital torque tools and dial indicators over serial or USB,
keeps every reading in a journal on disk, matches it to the step of the job at
the bench, and says which fastener was missed before the cover goes on.

Start here:
  witnessmark demo                 an invented shop with emulated tools, in your browser
  witnessmark shop example         a shop file to change into your own
  witnessmark procedure check F    whether a procedure file is right
  witnessmark calc                 preload, adapters, shims: the computations of the trade
  witnessmark serve                the service for your own shop
  witnessmark doctor               what is wrong with ports, store, disk, clock

` + caution,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return cmd.Help()
		},
	}
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usageError("%v\nsee '%s --help'", err, cmd.CommandPath())
	})
	root.PersistentFlags().StringP("config", "c", "", "configuration file (YAML); default: witnessmark.yaml here, if there is one")
	root.AddGroup(
		&cobra.Group{ID: "run", Title: "Run:"},
		&cobra.Group{ID: "work", Title: "Work with jobs and procedures:"},
		&cobra.Group{ID: "care", Title: "Look after it:"},
	)
	add := func(group string, cmds ...*cobra.Command) {
		for _, c := range cmds {
			c.GroupID = group
			root.AddCommand(c)
		}
	}
	add("run", newDemo(), newServe(), newStore(), newChain(), newSimulate())
	add("work", newJob(), newProcedure(), newShop(), newAudit(), newRecord(), newJudge(), newMetrology(), newTool(), newCalc(), newShims(), newParts())
	add("care", newDoctor(), newBenchBox(), newAccess(), newSignIn(), newSignOut(), newRebuild(), newMend(), newBackup(), newRestore(), newRetention(), newSeal(), newVerify(), newTLS(), newBench(), newDrill(), newVersion())
	root.AddCommand(newBenchServed(), newBenchStarted())
	wrapArgs(root)
	return root
}

// wrapArgs turns every complaint about arguments, and about flags that are
// needed and missing, into a usage error.
func wrapArgs(cmd *cobra.Command) {
	if check := cmd.Args; check != nil {
		cmd.Args = func(c *cobra.Command, args []string) error {
			err := check(c, args)
			if err == nil {
				err = c.ValidateRequiredFlags()
			}
			if err != nil {
				return usageError("%v\nsee '%s --help'", err, c.CommandPath())
			}
			return nil
		}
	}
	for _, c := range cmd.Commands() {
		wrapArgs(c)
	}
}

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Say which version this is",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			v, rev := "(built from source)", ""
			if info, ok := debug.ReadBuildInfo(); ok {
				if info.Main.Version != "" && info.Main.Version != "(devel)" {
					v = info.Main.Version
				}
				for _, s := range info.Settings {
					if s.Key == "vcs.revision" {
						rev = " " + s.Value
					}
				}
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "witnessmark %s%s %s %s/%s\n", v, rev, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}
