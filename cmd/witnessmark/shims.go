package main

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"

	"witnessmark/events"
)

// shimDrawerFile is a drawer in the shop file.
type shimDrawerFile struct {
	ID     string    `yaml:"id"`
	Name   string    `yaml:"name"`
	Low    int       `yaml:"low"`
	Pieces yaml.Node `yaml:"pieces"`
}

// shimDrawers reads the drawers of the shop file. Pieces are a list of
// "0.50 mm x 10" and "0.55 mm = 0.553 mm ± 0.002 mm x 3".
func shimDrawers(drawers []shimDrawerFile, checkID func(kind, id string), bad func(string, ...any)) []events.ShimDrawer {
	var out []events.ShimDrawer
	for _, d := range drawers {
		checkID("shim drawer", d.ID)
		if d.Low < 0 {
			bad("shim drawer %q: low is %d: want 0 or more", d.ID, d.Low)
		}
		x := events.ShimDrawer{ID: d.ID, Name: d.Name, Low: d.Low}
		for _, n := range d.Pieces.Content {
			p, err := events.ParseShims(n.Value)
			if err != nil {
				bad("line %d: shim drawer %q: %v", n.Line, d.ID, err)
				continue
			}
			x.Pieces = append(x.Pieces, p)
		}
		out = append(out, x)
	}
	return out
}

func newShims() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "shims",
		Short: "The stock of shims: list it, receive, count and take; tell which shims are in a unit",
		Long: `The shop file names the drawers and what lay in them at first. From then on each
piece is booked by an event: received, counted, taken, or fitted in a job. To
choose shims without a job, see 'witnessmark calc shims'.`,
		Example: `  witnessmark shims list
  witnessmark shims receive carrier-50 "0.55 mm" 10 --by maren
  witnessmark shims count carrier-50 "0.60 mm" 4 --by ines
  witnessmark shims fit j-1042 carrier-shims "0.50 mm + 0.10 mm" --reason "the 0.60 is scratched" --by ines`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newShimsList(), newShimsHistory(),
		shimStockVerb("receive DRAWER THICKNESS COUNT", "Book pieces that came in", events.ShimReceived, `receive carrier-50 "0.55 mm = 0.553 mm" 3 --by maren`),
		shimStockVerb("count DRAWER THICKNESS COUNT", "Say how many there are: corrects the stock", events.ShimCounted, `count carrier-50 "0.60 mm" 4 --by ines`),
		shimStockVerb("take DRAWER THICKNESS COUNT", "Book pieces that went out for something else, or were spoilt", events.ShimTaken, `take carrier-50 "0.60 mm" 1 --reason bent --by ines`),
		newShimsPlace("found JOB STEP PIECES", "Tell which pieces are in place, before anything is changed", `found j-1042 backlash-shims "1.00 mm" --right "1.00 mm" --by ines`, false),
		newShimsPlace("fit JOB STEP PIECES", "Tell which pieces went in; other ones than proposed need a reason", `fit j-1042 carrier-shims "0.60 mm" --by ines`, true))
	return cmd
}

func shimStockVerb(use, short, change, example string) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Example: "  witnessmark shims " + example,
		Args: cobra.ExactArgs(3),
		RunE: func(c *cobra.Command, args []string) error {
			p, err := events.ParseShim(args[1])
			if err != nil {
				return usageError("%v", err)
			}
			if p.Count, err = strconv.Atoi(args[2]); err != nil {
				return usageError("%q is no number of pieces", args[2])
			}
			return ask(c, func(a events.Ask) events.Asker {
				return events.ShimStockAsked{Ask: a, Drawer: args[0], Change: change, Piece: p, Reason: flag(c, "reason")}
			}, fmt.Sprintf("%s: %d of %s in drawer %s", change, p.Count, strings.TrimSpace(args[1]), args[0]))
		},
	}
	addAskFlags(c)
	addConfigFlags(c, "listen")
	c.Flags().String("reason", "", "why")
	return c
}

// parseStack reads "0.50 mm + 0.10 mm"; "none" is an empty stack.
func parseStack(text string) ([]events.ShimPiece, error) {
	out, err := events.ParseShimStack(text)
	if err != nil {
		return nil, usageError("%v", err)
	}
	return out, nil
}

func newShimsPlace(use, short, example string, fit bool) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Example: "  witnessmark shims " + example,
		Args: cobra.ExactArgs(3),
		RunE: func(c *cobra.Command, args []string) error {
			left, err := parseStack(args[2])
			if err != nil {
				return err
			}
			var right []events.ShimPiece
			if s := flag(c, "right"); s != "" {
				if right, err = parseStack(s); err != nil {
					return err
				}
			}
			return ask(c, func(a events.Ask) events.Asker {
				if fit {
					return events.ShimFitAsked{Ask: a, Job: args[0], Step: args[1], Left: left, Right: right, Reason: flag(c, "reason")}
				}
				return events.ShimFoundAsked{Ask: a, Job: args[0], Step: args[1], Left: left, Right: right}
			}, fmt.Sprintf("told for step %s of job %s", args[1], args[0]))
		},
	}
	addAskFlags(c)
	addConfigFlags(c, "listen")
	c.Flags().String("right", "", "pieces on the second side, where the step has two")
	if fit {
		c.Flags().String("reason", "", "why other ones than were proposed")
	}
	return c
}

func newShimsList() *cobra.Command {
	c := &cobra.Command{
		Use:     "list",
		Short:   "List what the drawers hold, from the ledger",
		Example: "  witnessmark shims list\n  witnessmark shims list --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			drawers, err := l.ShimDrawersNow(c.Context())
			if err != nil {
				return err
			}
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(drawers)
			}
			if len(drawers) == 0 {
				fmt.Fprintln(c.ErrOrStderr(), "the shop file names no shim drawers; see 'witnessmark shop example'")
			}
			t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, d := range drawers {
				fmt.Fprintf(t, "%s\t%s\n", d.ID, d.Name)
				for _, p := range d.Pieces {
					low := ""
					if p.Count < d.Low {
						low = fmt.Sprintf("low: fewer than %d", d.Low)
					}
					fmt.Fprintf(t, "  %s\t%d\t%s\n", p.Text(), p.Count, low)
				}
			}
			return t.Flush()
		},
	}
	c.Flags().Bool("json", false, "print JSON")
	addConfigFlags(c, "data")
	return c
}

func newShimsHistory() *cobra.Command {
	c := &cobra.Command{
		Use:     "history [DRAWER]",
		Short:   "List what came into a drawer and went out of it, newest first",
		Example: "  witnessmark shims history carrier-50",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			drawer := strings.Join(args, "")
			most, _ := c.Flags().GetInt("most")
			changes, err := l.ShimStockChanges(c.Context(), drawer, most)
			if err != nil {
				return err
			}
			t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, x := range changes {
				fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%d → %d\t%s\t%s\n", x.AtUs.Time().Format("2006-01-02 15:04"), x.Drawer, x.Piece.Text(), x.Change, x.Was, x.Piece.Count, x.By, strings.TrimSpace(strings.Trim(x.Job+" "+x.Step, " ")+" "+x.Reason))
			}
			return t.Flush()
		},
	}
	c.Flags().Int("most", 50, "print so many at most")
	addConfigFlags(c, "data")
	return c
}
