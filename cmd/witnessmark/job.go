package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"witnessmark/events"
)

func newJob() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "job",
		Short: "Open, list, pause, resume, hand over, release or abandon a job; answer what it asks, close loose ends, record parts and photos",
		Long: `A job is one unit being rebuilt under one revision of a procedure. These
commands ask the running service, as the pages do; 'list' reads the ledger.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newJobOpen(), newJobList(), newJobPause(), newJobResume(), newJobHandOver(), newJobRelease(), newJobAbandon(), newJobAnswer(), newJobAudit(), newJobTurned())
	cmd.AddCommand(attestedCommands()...)
	cmd.AddCommand(partsCommands()...)
	return cmd
}

// jobVerb makes a command that asks for one thing about one job.
func jobVerb(use, short, example, done string, build func(c *cobra.Command, a events.Ask, job string) events.Asker, flags func(*cobra.Command)) *cobra.Command {
	cmd := &cobra.Command{
		Use: use, Short: short, Example: "  witnessmark job " + example,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return ask(c, func(a events.Ask) events.Asker { return build(c, a, args[0]) }, fmt.Sprintf(done, args[0]))
		},
	}
	addAskFlags(cmd)
	addConfigFlags(cmd, "listen")
	if flags != nil {
		flags(cmd)
	}
	return cmd
}

func flag(c *cobra.Command, name string) string {
	v, _ := c.Flags().GetString(name)
	return v
}

func newJobOpen() *cobra.Command {
	return jobVerb("open JOB", "Open a job for one unit at a bench",
		"open j-1042 --unit RA-77120 --procedure RA-210 --bench axle --by ines", "job %s is open",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			a.Bench = flag(c, "bench")
			return events.JobAsked{Ask: a, Job: job, UnitSerial: flag(c, "unit"), Customer: flag(c, "customer"),
				Procedure: flag(c, "procedure"), Revision: flag(c, "revision")}
		}, func(c *cobra.Command) {
			c.Flags().String("unit", "", "serial number of the unit being rebuilt")
			c.Flags().String("customer", "", "whose unit it is")
			c.Flags().String("procedure", "", "procedure id, such as RA-210")
			c.Flags().String("revision", "", "revision; default: the newest released")
			c.Flags().String("bench", "", "bench id")
			for _, f := range []string{"unit", "procedure", "bench"} {
				_ = c.MarkFlagRequired(f) // the flag is there
			}
		})
}

func newJobPause() *cobra.Command {
	return jobVerb("pause JOB", "Pause a job; its bench becomes free, nothing is lost", "pause j-1042 --by ines", "job %s is paused",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.JobPauseAsked{Ask: a, Job: job, Note: flag(c, "note")}
		}, func(c *cobra.Command) { c.Flags().String("note", "", "what the next person should know") })
}

func newJobResume() *cobra.Command {
	return jobVerb("resume JOB", "Go on with a paused job", "resume j-1042 --bench axle --by ines", "job %s goes on",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			a.Bench = flag(c, "bench")
			return events.JobResumeAsked{Ask: a, Job: job}
		}, func(c *cobra.Command) { c.Flags().String("bench", "", "bench id; default: where it was") })
}

func newJobHandOver() *cobra.Command {
	return jobVerb("handover JOB", "Hand a job to another person, and bench if wanted", "handover j-1042 --to tomas --bench gearbox --by ines", "job %s is handed over",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.HandOverAsked{Ask: a, Job: job, ToPerson: flag(c, "to"), ToBench: flag(c, "bench"), Note: flag(c, "note")}
		}, func(c *cobra.Command) {
			c.Flags().String("to", "", "person id")
			c.Flags().String("bench", "", "bench id; default: where it is")
			c.Flags().String("note", "", "what the next person should know")
			_ = c.MarkFlagRequired("to") // the flag is there
		})
}

func newJobRelease() *cobra.Command {
	return jobVerb("release JOB", "Release a job: the unit may leave. Refused while anything is open", "release j-1042 --by maren", "job %s is released",
		func(_ *cobra.Command, a events.Ask, job string) events.Asker {
			return events.ReleaseAsked{Ask: a, Job: job}
		}, nil)
}

func newJobAbandon() *cobra.Command {
	return jobVerb("abandon JOB", "End a job without release", "abandon j-1042 --reason 'case cracked, unit scrapped' --by maren", "job %s is abandoned",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.AbandonAsked{Ask: a, Job: job, Reason: flag(c, "reason")}
		}, func(c *cobra.Command) {
			c.Flags().String("reason", "", "why")
			_ = c.MarkFlagRequired("reason") // the flag is there
		})
}

func newJobAnswer() *cobra.Command {
	return jobVerb("answer JOB", "Answer the question about a pull that a job waits for", "answer j-1042 --question Q812 --choice repeat --by ines", "the answer about job %s is recorded",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.QuestionAnswered{Ask: a, Job: job, Question: flag(c, "question"), Choice: flag(c, "choice")}
		}, func(c *cobra.Command) {
			c.Flags().String("question", "", "id of the question")
			c.Flags().String("choice", "", "key of the answer")
			for _, f := range []string{"question", "choice"} {
				_ = c.MarkFlagRequired(f) // the flag is there
			}
		})
}

func newJobAudit() *cobra.Command {
	return jobVerb("audit JOB", "Take the next pull as a lead's audit of one finished fastener's residual torque; it counts for nothing",
		"audit j-1042 --bench axle --step cover --fastener 7 --method tighten --by maren", "the next pull at the bench of job %s is the audit",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			a.Bench = flag(c, "bench")
			return events.ResidualAuditAsked{Ask: a, Job: job, Step: flag(c, "step"), Fastener: flag(c, "fastener"), Method: events.ResidualMethod(flag(c, "method"))}
		}, func(c *cobra.Command) {
			c.Flags().String("bench", "", "bench id; default: where the job is")
			c.Flags().String("step", "", "step id")
			c.Flags().String("fastener", "", "fastener id")
			c.Flags().String("method", "", "first_movement, tighten, loosen or loosen_retorque; some joints must not be tightened again or loosened: the unit maker's instructions come first")
			for _, f := range []string{"step", "fastener", "method"} {
				_ = c.MarkFlagRequired(f) // the flag is there
			}
		})
}

func newJobTurned() *cobra.Command {
	return jobVerb("turned JOB", "Say that a fastener turned in the closing round: it was the one left out",
		"turned j-1042 --step cover --fastener 7 --by ines", "it is recorded for job %s that the fastener turned",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.ClosingTurnReported{Ask: a, Job: job, Step: flag(c, "step"), Fastener: flag(c, "fastener")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "step id")
			c.Flags().String("fastener", "", "id of the fastener that turned")
			for _, f := range []string{"step", "fastener"} {
				_ = c.MarkFlagRequired(f) // the flag is there
			}
		})
}
