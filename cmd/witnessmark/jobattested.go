package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// attestedCommands ask for what people attest at a bench.
func attestedCommands() []*cobra.Command {
	return []*cobra.Command{newJobConfirm(), newJobItem(), newJobDecideItem(), newJobLeaveOpen(), newJobClose(), newJobReleaseHold(), newJobBadge()}
}

func need(c *cobra.Command, names ...string) {
	for _, f := range names {
		_ = c.MarkFlagRequired(f) // the flag is there
	}
}

func newJobConfirm() *cobra.Command {
	return jobVerb("confirm JOB", "Attest that a step without readings is done", "confirm j-1042 --step kit --by ines", "the step of job %s is attested",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.StepConfirmAsked{Ask: a, Job: job, Step: flag(c, "step"), Answer: flag(c, "answer")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "step id")
			c.Flags().String("answer", "", "what the step asks for in words or figures, or a remark")
			need(c, "step")
		})
}

func newJobItem() *cobra.Command {
	var travel travelFlag
	cmd := jobVerb("item JOB", "Answer something that a step asks: a mark, which way a part faces, a stop check, sealant or grease",
		`item j-1042 --step hub --item hub-mark --answer 7:30 --by ines
  witnessmark job item j-1042 --step rings --item first --answer stops --other stops --travel '2.5°' --by ines
  witnessmark job item j-1042 --step case --item bead --ago 60 --by ines`, "the answer for job %s is recorded",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			readings, _ := c.Flags().GetUintSlice("reading")
			ago, _ := c.Flags().GetInt("ago")
			d := events.ItemAnswerAsked{Ask: a, Job: job, Step: flag(c, "step"), Item: flag(c, "item"), Answer: flag(c, "answer"), Other: flag(c, "other"),
				Remark: flag(c, "remark"), Photo: flag(c, "photo"), AgoS: ago, Text: travel.text, Unit: travel.unit}
			for _, r := range readings {
				d.Readings = append(d.Readings, uint64(r))
			}
			return d
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "step id")
			c.Flags().String("item", "", "id of what the step asks; a wrong one is answered with the list of them")
			c.Flags().String("answer", "", "clock position 1 to 12 or a half hour such as 7:30; number of a choice, in the order in which the job offers them (without an answer they are listed); stops or turns_on for the first way")
			c.Flags().String("other", "", "stops or turns_on for the other way of a stop check")
			c.Flags().Var(&travel, "travel", "free travel of a stop check, with its unit: '2.5°' or '0.3 mm'")
			c.Flags().UintSlice("reading", nil, "journal sequence of a reading that is the free travel, or of the two at its ends")
			c.Flags().Int("ago", 0, "sealant was applied so many seconds ago")
			c.Flags().String("remark", "", "a remark for the record")
			c.Flags().String("photo", "", "id of a stored photo")
			need(c, "step", "item")
		})
	return cmd
}

// travelFlag is a quantity with its unit, as it was typed.
type travelFlag struct{ text, unit string }

// String implements pflag.Value.
func (t *travelFlag) String() string { return t.text }

// Type implements pflag.Value.
func (t *travelFlag) Type() string { return "quantity" }

// Set implements pflag.Value.
func (t *travelFlag) Set(s string) error {
	_, u, err := quantity.Parse(s)
	if err != nil {
		return err
	}
	t.text, t.unit = quantity.Digits(s), u.Code()
	return nil
}

func newJobDecideItem() *cobra.Command {
	return jobVerb("decide-item JOB", "A lead decides on an answer that differs from the procedure",
		"decide-item j-1042 --step hub --item hub-mark --choice accept --reason 'a new hub has no mark' --by maren", "the decision about job %s is recorded",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.ItemDecisionAsked{Ask: a, Job: job, Step: flag(c, "step"), Item: flag(c, "item"), Choice: flag(c, "choice"), Reason: flag(c, "reason")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "step id")
			c.Flags().String("item", "", "id of what the step asks")
			c.Flags().String("choice", "", "accept: leave it as it is, a deviation; redo: put it right, it is asked again")
			c.Flags().String("reason", "", "why")
			need(c, "step", "item", "choice", "reason")
		})
}

func newJobLeaveOpen() *cobra.Command {
	return jobVerb("leave-open JOB", "Say that something is left open that no step knows of: it is counted until it is closed",
		"leave-open j-1042 --what 'rag in the sump' --closes 'the rag is out' --by ines", "a loose end of job %s is open",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.LooseEndOpenAsked{Ask: a, Job: job, Step: flag(c, "step"), What: flag(c, "what"), Closes: flag(c, "closes"), Who: flag(c, "who")}
		}, func(c *cobra.Command) {
			c.Flags().String("what", "", "what is open")
			c.Flags().String("closes", "", "what has to be seen for it to be closed")
			c.Flags().String("who", "", "who may close it: second_person or lead; default: anyone")
			c.Flags().String("step", "", "step id; default: the current one")
			need(c, "what", "closes")
		})
}

func newJobClose() *cobra.Command {
	return jobVerb("close JOB", "Say that a loose end is closed; where readings close it, pull them instead",
		"close j-1042 --end dowel --answer 'seen, it is out' --by tomas", "the loose end of job %s is closed",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.LooseEndCloseAsked{Ask: a, Job: job, LooseEnd: flag(c, "end"), Answer: flag(c, "answer")}
		}, func(c *cobra.Command) {
			c.Flags().String("end", "", "id of the loose end; a wrong one is answered with the list of the open ones")
			c.Flags().String("answer", "", "what was done or seen")
			need(c, "end", "answer")
		})
}

func newJobReleaseHold() *cobra.Command {
	return jobVerb("release-hold JOB", "Release a hold point; nobody releases his own work", "release-hold j-1042 --step case --by maren", "the hold point of job %s is released",
		func(c *cobra.Command, a events.Ask, job string) events.Asker {
			return events.HoldReleaseAsked{Ask: a, Job: job, Step: flag(c, "step"), Note: flag(c, "note")}
		}, func(c *cobra.Command) {
			c.Flags().String("step", "", "step id")
			c.Flags().String("note", "", "a remark for the record")
			need(c, "step")
		})
}

func newJobBadge() *cobra.Command {
	cmd := &cobra.Command{
		Use: "badge LINE", Short: "Say by badge or short code who works at a bench from now on",
		Long: `The line is what a scanner gives for the badge, or the person's short code, as
the shop file has them. What is pulled at the job that is active at the bench
is that person's from then on. A badge names, it proves nothing.`,
		Example: "  witnessmark job badge FD-0412 --bench axle",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return askOf(c, events.BadgeScanned{Ask: events.Ask{Bench: flag(c, "bench")}, Badge: args[0]}, fmt.Sprintf("bench %s is taken", flag(c, "bench")))
		},
	}
	cmd.Flags().String("bench", "", "bench id")
	cmd.Flags().String("server", "", "address of the running service; default: http:// and the setting listen")
	addConfigFlags(cmd, "listen")
	need(cmd, "bench")
	return cmd
}
