package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// toolVerb makes a command that asks for one thing about one tool.
func toolVerb(use, short, example, done string, build func(c *cobra.Command, a events.Ask, arg string) (events.Asker, error), flags func(*cobra.Command)) *cobra.Command {
	cmd := &cobra.Command{
		Use: use, Short: short, Example: "  witnessmark tool " + strings.ReplaceAll(example, "\n", "\n  witnessmark tool "),
		Args: cobra.ExactArgs(strings.Count(use, " ")),
		RunE: func(c *cobra.Command, args []string) error {
			arg := strings.Join(args, "")
			if _, err := build(c, events.Ask{}, arg); err != nil {
				return err // before anybody is asked
			}
			return ask(c, func(a events.Ask) events.Asker {
				a.Bench = flag(c, "bench")
				d, _ := build(c, a, arg)
				return d
			}, strings.ReplaceAll(done, "%s", arg))
		},
	}
	addAskFlags(cmd)
	addConfigFlags(cmd, "listen")
	if flags != nil {
		flags(cmd)
	}
	return cmd
}

// needs marks flags as required.
func needs(c *cobra.Command, names ...string) {
	for _, n := range names {
		_ = c.MarkFlagRequired(n) // the flag is there
	}
}

func newToolMove() *cobra.Command {
	return toolVerb("move TOOL", "Change a tool's state or whereabouts", "move k2-07 --to quarantined --place cage --reason 'fell from the bench' --by petra", "tool %s is moved",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			return events.ToolMoveAsked{Ask: a, Tool: tool, State: events.ToolState(flag(c, "to")), Place: flag(c, "place"), Reason: flag(c, "reason")}, nil
		}, func(c *cobra.Command) {
			c.Flags().String("to", "", "in_use, quarantined, away or retired; default: as it is")
			c.Flags().String("place", "", "where it is now; default: as it is")
			c.Flags().String("reason", "", "why")
			needs(c, "reason")
		})
}

func newToolAdjust() *cobra.Command {
	return toolVerb("adjust TOOL", "Record that a tool was adjusted or mended: its series of deviations breaks here", "adjust k2-07 --what 'spring renewed' --by petra", "the adjustment of %s is recorded",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			return events.ToolAdjustAsked{Ask: a, Tool: tool, What: flag(c, "what")}, nil
		}, func(c *cobra.Command) {
			c.Flags().String("what", "", "what was done")
			needs(c, "what")
		})
}

func newToolCalibrate() *cobra.Command {
	return toolVerb("calibrate TOOL", "Begin a calibration of a tool against a bench reference; the bench page leads through it",
		"calibrate k2-07 --with b1-01 --bench axle --phase found --by petra\ncalibrate d3-01 --with gb-01 --bench axle --phase found --points '0 mm,2.5 mm,5 mm,10 mm' --by petra", "the calibration of %s is open",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			d := events.CalibrationAsked{Ask: a, Tool: tool, Reference: flag(c, "with"), Phase: events.Phase(flag(c, "phase")), Rule: flag(c, "rule")}
			d.Readings, _ = c.Flags().GetInt("readings")
			d.WithinS, _ = c.Flags().GetInt("within")
			d.Directions, _ = c.Flags().GetStringSlice("direction")
			points, _ := c.Flags().GetStringSlice("points")
			for _, p := range points {
				v, _, err := quantity.Parse(p)
				if err != nil {
					return nil, usageError("--points: %v", err)
				}
				d.Points = append(d.Points, v)
			}
			return d, nil
		}, func(c *cobra.Command) {
			c.Flags().String("with", "", "the reference, a tool of the register with a certificate")
			c.Flags().String("bench", "", "at which bench")
			c.Flags().String("phase", "", "found (as it came from work) or left (after it was adjusted)")
			c.Flags().String("rule", "guard", "decision rule: guard (w = U), simple, or p=0.98 (least probability of conformity)")
			c.Flags().StringSlice("points", nil, "points with their unit; default: those of the tool's class by ISO 6789-1, tenths of an indicator's range")
			c.Flags().Int("readings", 0, "readings at each point; default: those of the tool's class, 2 for an indicator")
			c.Flags().StringSlice("direction", nil, "cw, ccw or both, for a torque tool; default: cw")
			c.Flags().Int("within", 60, "seconds within which the two readings of a pair come")
			needs(c, "with", "bench", "phase")
		})
}

func newToolPair() *cobra.Command {
	return toolVerb("pair", "Type the readings of a pair, or the one that comes over no line", "pair --bench axle --tool-reads '120.4 N·m' --reference-reads '120.0 N·m' --by petra", "the reading is taken",
		func(c *cobra.Command, a events.Ask, _ string) (events.Asker, error) {
			d := events.CalibrationPairAsked{Ask: a}
			for _, half := range []struct {
				flag string
				v    *quantity.Value
				unit *string
			}{{"tool-reads", &d.Tool, &d.ToolUnit}, {"reference-reads", &d.Reference, &d.ReferenceUnit}} {
				s := flag(c, half.flag)
				if s == "" {
					continue
				}
				v, u, err := quantity.Parse(s)
				if err != nil {
					return nil, usageError("--%s: %v", half.flag, err)
				}
				*half.v, *half.unit = v, u.Code()
			}
			return d, nil
		}, func(c *cobra.Command) {
			c.Flags().String("bench", "", "the bench where the calibration or check is open")
			c.Flags().String("tool-reads", "", "what the tool says, with its unit")
			c.Flags().String("reference-reads", "", "what the reference says, with its unit")
			needs(c, "bench")
		})
}

func newToolUndo() *cobra.Command {
	return toolVerb("undo", "Take the last pair of the open calibration back", "undo --bench axle --reason 'it slipped' --by petra", "the last one is taken back",
		func(c *cobra.Command, a events.Ask, _ string) (events.Asker, error) {
			return events.CalibrationUndoAsked{Ask: a, Reason: flag(c, "reason")}, nil
		}, func(c *cobra.Command) {
			c.Flags().String("bench", "", "the bench where the calibration is open")
			c.Flags().String("reason", "", "why")
			needs(c, "bench")
		})
}

func newToolJudge() *cobra.Command {
	return toolVerb("judge", "Close the open calibration: a verdict for each point, and until when the tool may be used", "judge --bench axle --interface 0.2 --by petra", "the calibration is judged",
		func(c *cobra.Command, a events.Ask, _ string) (events.Asker, error) {
			d := events.CalibrationCloseAsked{Ask: a, Note: flag(c, "note")}
			d.Reproducibility, _ = c.Flags().GetFloat64("reproducibility")
			d.Interface, _ = c.Flags().GetFloat64("interface")
			d.OutputDrive, _ = c.Flags().GetFloat64("output-drive")
			d.LeverLength, _ = c.Flags().GetFloat64("lever-length")
			return d, nil
		}, func(c *cobra.Command) {
			c.Flags().String("bench", "", "the bench where the calibration is open")
			c.Flags().String("note", "", "remark for the record")
			for name, what := range map[string]string{"reproducibility": "taken off and put on again", "interface": "adapter turned", "output-drive": "output drive turned", "lever-length": "loading point moved"} {
				c.Flags().Float64(name, 0, "span of the means in % of the reading, "+what+" (ISO 6789-2); 0 where it does not apply")
			}
			needs(c, "bench")
		})
}

func newToolDrop() *cobra.Command {
	return toolVerb("drop", "End the open calibration or check without a result", "drop --bench axle --reason 'the bench is needed' --by petra\ndrop --check --bench axle --reason 'called away' --by ines", "it is dropped",
		func(c *cobra.Command, a events.Ask, _ string) (events.Asker, error) {
			if check, _ := c.Flags().GetBool("check"); check {
				return events.CheckDropAsked{Ask: a, Reason: flag(c, "reason")}, nil
			}
			return events.CalibrationDropAsked{Ask: a, Reason: flag(c, "reason")}, nil
		}, func(c *cobra.Command) {
			c.Flags().String("bench", "", "the bench where it is open")
			c.Flags().String("reason", "", "why")
			c.Flags().Bool("check", false, "it is a quick check")
			needs(c, "bench", "reason")
		})
}

func newToolCheck() *cobra.Command {
	return toolVerb("check TOOL", "Begin a quick check of a torque tool: three pulls on the bench tester", "check k2-07 --with b1-01 --bench axle --by ines", "the check of %s is open",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			d := events.CheckAsked{Ask: a, Tool: tool, Reference: flag(c, "with")}
			d.Pulls, _ = c.Flags().GetInt("pulls")
			d.WithinS, _ = c.Flags().GetInt("within")
			if p := flag(c, "point"); p != "" {
				v, _, err := quantity.Parse(p)
				if err != nil {
					return nil, usageError("--point: %v", err)
				}
				d.Point = v
			}
			return d, nil
		}, func(c *cobra.Command) {
			c.Flags().String("with", "", "the bench tester, a reference of the register")
			c.Flags().String("bench", "", "at which bench")
			c.Flags().String("point", "", "at which torque, with its unit; default: as last time, or 60 % of its capacity")
			c.Flags().Int("pulls", 3, "how many")
			c.Flags().Int("within", 60, "seconds within which the two readings of a pull come")
			needs(c, "with", "bench")
		})
}

func newToolOverride() *cobra.Command {
	return toolVerb("override TOOL", "Let a refused tool be used for one job: a deviation, by a lead", "override k2-07 --job j-1042 --reason 'no other wrench has the range' --by maren", "tool %s may be used for that job",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			return events.OverrideAsked{Ask: a, Tool: tool, Job: flag(c, "job"), Reason: flag(c, "reason")}, nil
		}, func(c *cobra.Command) {
			c.Flags().String("job", "", "job id")
			c.Flags().String("reason", "", "why")
			needs(c, "job", "reason")
		})
}

func newToolAssign() *cobra.Command {
	return toolVerb("assign TOOL", "Say that a tool took a reading of one that nobody had registered", "assign k2-07 --reading 8124 --reason 'its cable was on another box' --by petra", "the reading is one of tool %s",
		func(c *cobra.Command, a events.Ask, tool string) (events.Asker, error) {
			n, _ := c.Flags().GetUint64("reading")
			return events.ReadingAssignAsked{Ask: a, Reading: n, Tool: tool, Reason: flag(c, "reason")}, nil
		}, func(c *cobra.Command) {
			c.Flags().Uint64("reading", 0, "journal sequence of the reading")
			c.Flags().String("reason", "", "why")
			needs(c, "reading", "reason")
		})
}

// toolVerbs are the commands that look after tools.
func toolVerbs() []*cobra.Command {
	return []*cobra.Command{newToolList(), newToolShow(), newToolMove(), newToolAdjust(), newToolCalibrate(), newToolPair(), newToolUndo(), newToolJudge(), newToolDrop(),
		newToolCheck(), newToolCertificate(), newToolPaper(), newToolPDF(), newToolOverride(), newToolAssign()}
}

// stateWords writes the name of a tool's state in words.
func stateWords(s events.ToolState) string { return strings.ReplaceAll(string(s), "_", " ") }

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func cyclesWords(cycles int64, left *int64) string {
	if left == nil {
		return fmt.Sprint(cycles)
	}
	return fmt.Sprintf("%d (%d left)", cycles, *left)
}
