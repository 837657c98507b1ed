package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/dashboards/api"
	"witnessmark/dashboards/recalls"
	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

func newToolRecall() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "recall TOOL",
		Short: "What is in doubt after a tool was found out of tolerance; open a recall, close its lines",
		Long: `Judges again every reading that the tool took since it was last known good: with
its deviation interpolated by time, by cycles, and at its worst all the while, each
with its probability of having been outside the limits. Sorted by consequence
class, then by probability; grouped by customer and job; shipped units are marked.
It reads the ledger and changes nothing.

When and by how much comes from the tool's calibrations, checks and certificates:
from the newest that found it out of tolerance back to the last that found it
good. --found names another; --deviation and --until enter it by hand, --since
says when it was last known good.

--open makes a recall of it in the running service: a list to work off. No verdict
in the journal is changed; each line cites its reading. A job that is still open
is not released until its lines are closed ('witnessmark tool recall close').

` + caution,
		Example: `  witnessmark tool recall k2
  witnessmark tool recall k2 --deviation 5.2 --until 2026-11-20 --since 2026-06-01 --json
  witnessmark tool recall k2 --open --by quim --reason "found 5 % high, calibration K2-0007"`,
		Args: cobra.ExactArgs(1),
		RunE: runToolRecall,
	}
	f := cmd.Flags()
	f.String("found", "", "the calibration, check or certificate that found it out of tolerance; default: the newest")
	f.Float64("deviation", 0, "by hand: what it deviates, %: 100·(tool − true)/true")
	f.Float64("u", 1, "by hand: expanded uncertainty of the deviations, % (k = 2)")
	f.String("until", "", "by hand: when it was found so, 2026-11-25; default: now")
	f.String("since", "", "when it was last known good, 2026-06-01; default: from its history")
	f.Float64("good-deviation", 0, "by hand, with --since: what it deviated then, %")
	f.Float64("least", recalls.Least, "list readings that were outside with this probability at the worst")
	f.Int("most", 100, "list so many at most; 0: all. A recall is always opened with all")
	f.Bool("json", false, "print JSON")
	f.Bool("open", false, "open a recall in the running service")
	f.String("id", "", "with --open: id of the recall; default: made of the tool and the time")
	f.String("reason", "", "with --open: what happened to the tool")
	addAskFlags(cmd)
	addConfigFlags(cmd, "data", "listen")
	cmd.AddCommand(newToolRecallClose())
	return cmd
}

func runToolRecall(c *cobra.Command, args []string) error {
	l, err := openLedger(c)
	if err != nil {
		return err
	}
	defer l.Close()
	lag, err := ledgerLag(c, l)
	if err != nil {
		return err
	}
	unknown, err := unknownTool(c, l, args[0])
	if err != nil {
		return err
	}
	in, err := inquiry(c, l, args[0])
	if err != nil && unknown != "" {
		return fmt.Errorf("%w; %s", err, unknown)
	}
	if err != nil {
		return err
	}
	opening, _ := c.Flags().GetBool("open")
	if opening {
		in.Most = 0
		if flag(c, "reason") == "" {
			return usageError("say with --reason what happened to the tool: it stays in the record")
		}
	}
	list, err := recalls.Make(c.Context(), l, in)
	if err != nil {
		return err
	}
	if lag != "" {
		fmt.Fprintln(c.ErrOrStderr(), lag)
	}
	if unknown != "" && list.InSpan == 0 {
		return errors.New(unknown)
	}
	if opening {
		return openRecall(c, &list)
	}
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		return printJSON(c, recallJSON(&list))
	}
	return writeRecall(c.OutOrStdout(), &list)
}

// unknownTool says that the shop file does not have a tool. That alone is no
// error: a tool that has left the shop may have to be recalled too.
func unknownTool(c *cobra.Command, l *ledger.Ledger, tool string) (text string, err error) {
	shop, err := l.ShopNow(c.Context())
	if err != nil || slices.ContainsFunc(shop.Tools, func(t events.Tool) bool { return t.ID == tool }) {
		return "", err
	}
	return fmt.Sprintf("this shop has no tool %q: 'witnessmark tool list' lists them", tool), nil
}

// inquiry makes an inquiry of the flags and the tool's history.
func inquiry(c *cobra.Command, l *ledger.Ledger, tool string) (in recalls.Inquiry, err error) {
	in = recalls.Inquiry{Tool: tool, Least: float(c, "least")}
	in.Most, _ = c.Flags().GetInt("most")
	since, err := dateFlag(c, "since")
	if err != nil {
		return in, err
	}
	until, err := dateFlag(c, "until")
	if err != nil {
		return in, err
	}
	byHand := func(at events.Instant, deviation float64) events.RecallStanding {
		return events.RecallStanding{What: "entered", AtUs: at, Levels: []events.RecallLevel{{Deviation: deviation, U: float(c, "u")}}}
	}
	err = l.AtOnce(c.Context(), func(q *ledger.Queries) error {
		var err error
		if !c.Flags().Changed("deviation") {
			in.Good, in.Bad, err = recalls.SpanFor(c.Context(), q, tool, flag(c, "found"))
			if err != nil && !since.IsZero() && len(in.Bad.Levels) > 0 {
				err = nil // when it was good is given
			}
			return err
		}
		at := events.InstantOf(time.Now())
		if !until.IsZero() {
			at = events.InstantOf(until)
		}
		in.Bad = byHand(at, float(c, "deviation"))
		if since.IsZero() {
			in.Good, err = recalls.LastGood(c.Context(), q, tool, at)
		}
		return err
	})
	if !since.IsZero() {
		in.Good = byHand(events.InstantOf(since), float(c, "good-deviation"))
	}
	return in, err
}

func openRecall(c *cobra.Command, list *recalls.List) error {
	by, err := asker(c)
	if err != nil {
		return err
	}
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	server := serverOf(c, cfg)
	hc, err := clientOf(cfg, server)
	if err != nil {
		return err
	}
	id := flag(c, "id")
	if id == "" {
		id = recalls.NewID(list.Inquiry.Tool, time.Now())
	}
	client := api.Client{Server: server, HTTP: hc}
	for _, r := range list.Requests(events.Ask{By: by}, id, flag(c, "reason")) {
		a, err := client.Ask(c.Context(), r)
		if err != nil {
			return err
		}
		if a.Refused != nil {
			return refusal(*a.Refused)
		}
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "recall %s is open: %d lines; 'witnessmark tool recalls %s' lists them\n", id, len(list.Lines), id)
	return err
}

// recallJSON is the list as programs read it.
func recallJSON(l *recalls.List) map[string]any {
	type group struct {
		Job        string              `json:"job"`
		UnitSerial string              `json:"unit_serial"`
		Customer   string              `json:"customer"`
		Status     string              `json:"status"`
		Shipped    bool                `json:"shipped"`
		Lines      []events.RecallLine `json:"lines"`
	}
	groups := []group{}
	for _, g := range recalls.Groups(l.Lines) {
		groups = append(groups, group{g.Job, g.UnitSerial, g.Customer, g.Status, g.Shipped(), g.Lines})
	}
	return map[string]any{
		"tool": l.Inquiry.Tool, "good": l.Inquiry.Good, "bad": l.Inquiry.Bad, "least": l.Inquiry.Least, "position": l.Position,
		"in_span": l.InSpan, "in_doubt": l.InDoubt, "replaced": l.Replaced, "more": l.More, "jobs": groups,
	}
}

func printJSON(c *cobra.Command, v any) error {
	enc := json.NewEncoder(c.OutOrStdout())
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

func writeRecall(w io.Writer, l *recalls.List) error {
	in := &l.Inquiry
	fmt.Fprintf(w, "Tool %s, in doubt from %s to %s\n", in.Tool, standingWords(&in.Good), standingWords(&in.Bad))
	fmt.Fprintf(w, "Ledger up to journal number %d: %d readings judged in that time, %d could have been outside with %s or more at the worst",
		l.Position, l.InSpan, l.InDoubt, percent(in.Least))
	if l.Replaced > 0 {
		fmt.Fprintf(w, "; %d looked at count no longer", l.Replaced)
	}
	fmt.Fprintln(w)
	if len(l.Lines) == 0 {
		_, err := fmt.Fprintln(w, "Nothing is in doubt at this probability.")
		return err
	}
	for _, g := range recalls.Groups(l.Lines) {
		fmt.Fprintf(w, "\n%s, unit %s, %s%s\n", g.Job, g.UnitSerial, statusOf(g.Status), prefixed(", customer ", g.Customer))
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "  line\tclass\tplace\tread\tlimits\tP by time\tby cycles\tworst\tmost likely\t")
		for _, x := range g.Lines {
			writeRecallLine(t, &x, "")
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	if l.More {
		fmt.Fprintln(w, "\nThere are more; --most 0 lists all.")
	}
	_, err := fmt.Fprintln(w, "\nClose each line by re-torque, acceptance with a reason, or call-back; class A first. --open makes a recall of it.")
	return err
}

func writeRecallLine(w io.Writer, x *events.RecallLine, fate string) {
	unit := baseUnit(x.Value)
	likely := x.ByTime
	if x.ByCycles.P > x.ByTime.P {
		likely = x.ByCycles
	}
	fmt.Fprintf(w, "  %d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.Line, dash(x.Class), placeOf(x), num(round(x.Value.Base(), 3)).String()+" "+unit, limitsOf(x, unit),
		percent(round(x.ByTime.P, 4)), percent(round(x.ByCycles.P, 4)), percent(round(x.Worst.P, 4)), num(round(likely.True, 2)).String()+" "+unit, fate)
}

// baseUnit is the unit of a value's Base.
func baseUnit(v quantity.Value) string {
	switch v.Dimension() {
	case quantity.DimTorque:
		return "N·m"
	case quantity.DimLength:
		return "mm"
	case quantity.DimAngle:
		return "°"
	case quantity.DimForce:
		return "N"
	}
	return ""
}

func limitsOf(x *events.RecallLine, unit string) string {
	low, high := "", ""
	if !x.LSL.IsZero() {
		low = num(round(x.LSL.Base(), 3)).String()
	}
	if !x.USL.IsZero() {
		high = num(round(x.USL.Base(), 3)).String()
	}
	switch {
	case low == "":
		return "to " + high + " " + unit
	case high == "":
		return "from " + low + " " + unit
	}
	return low + " to " + high + " " + unit
}

func placeOf(x *events.RecallLine) string {
	return strings.TrimSuffix(x.Step+"/"+x.Fastener, "/")
}

func statusOf(status string) string {
	switch status {
	case ledger.Released:
		return "SHIPPED"
	case ledger.Abandoned:
		return "ended without release"
	}
	return "still here (" + status + ")"
}

func standingWords(s *events.RecallStanding) string {
	var levels []string
	for _, l := range s.Levels {
		text := fmt.Sprintf("%+.2f %% ± %.2g", l.Deviation, l.U)
		if !l.At.IsZero() {
			text += " at " + num(round(l.At.Base(), 3)).String() + " " + baseUnit(l.At)
		}
		levels = append(levels, text)
	}
	return fmt.Sprintf("%s (%s%s: %s)", s.AtUs.Time().Format("2006-01-02 15:04"), s.What, prefixed(" ", s.ID), strings.Join(levels, ", "))
}

func newToolRecalls() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "recalls [RECALL]",
		Short: "List recalls and how far they have come, or the lines of one",
		Example: `  witnessmark tool recalls
  witnessmark tool recalls R-k2-20261125-0914 --json`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			asJSON, _ := c.Flags().GetBool("json")
			if len(args) == 1 {
				return showRecall(c, l, args[0], asJSON)
			}
			rs, err := l.Recalls(c.Context(), "")
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(c, rs)
			}
			if len(rs) == 0 {
				fmt.Fprintln(c.ErrOrStderr(), "there is no recall; 'witnessmark tool recall TOOL' says what is in doubt")
				return nil
			}
			t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(t, "recall\ttool\topened\tlines\topen\tshipped\tstate")
			for _, r := range rs {
				state := "open"
				if r.Done() {
					state = "closed " + r.ClosedAtUs.Time().Format(time.DateOnly)
				}
				fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%d\t%d\t%s\n", r.Recall, r.Tool, r.AtUs.Time().Format(time.DateOnly), r.Total, r.Open, r.Shipped, state)
			}
			return t.Flush()
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	addConfigFlags(cmd, "data")
	return cmd
}

func showRecall(c *cobra.Command, l *ledger.Ledger, id string, asJSON bool) error {
	r, err := l.RecallNamed(c.Context(), id)
	if err != nil {
		return fmt.Errorf("%w; 'witnessmark tool recalls' lists them", err)
	}
	lines, err := l.RecallLines(c.Context(), id)
	if err != nil {
		return err
	}
	if asJSON {
		return printJSON(c, map[string]any{"recall": r, "lines": lines})
	}
	w := c.OutOrStdout()
	fmt.Fprintf(w, "Recall %s of tool %s, %d of %d lines open: %s\nin doubt from %s to %s\n\n", r.Recall, r.Tool, r.Open, r.Total, r.Reason, standingWords(&r.Good), standingWords(&r.Bad))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  line\tclass\tplace\tread\tlimits\tP by time\tby cycles\tworst\tmost likely\tjob and what became of it")
	for i := range lines {
		x := &lines[i]
		fate := fmt.Sprintf("%s, unit %s, %s%s", x.Job, x.UnitSerial, statusOf(x.Status), prefixed(", customer ", x.Customer))
		if !x.Open() {
			fate += fmt.Sprintf(": %s by %s%s", strings.ReplaceAll(string(x.How), "_", " "), x.ClosedBy, prefixed(", ", x.Reason))
		}
		writeRecallLine(t, &x.RecallLine, fate)
	}
	return t.Flush()
}

func newToolRecallClose() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "close RECALL LINE...",
		Short: "Close lines of a recall: done again, accepted, or called back",
		Long: `Closes lines of a recall, each as an event with who and why:

  retorqued    the fastener was done again with a tool in order; of a job that is
               still open the journal must show it
  accepted     a lead leaves it as it is, with the reason
  called_back  the customer was told to bring the unit

Lines are numbers, or runs such as 3-17. The recall is closed with its last line.`,
		Example: `  witnessmark tool recall close R-k2-20261125-0914 1 2 5-9 --how accepted --reason "checked with s5" --by maren`,
		Args:    cobra.MinimumNArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			lines, err := lineNumbers(args[1:])
			if err != nil {
				return err
			}
			reading, _ := c.Flags().GetUint64("reading")
			return ask(c, func(a events.Ask) events.Asker {
				return events.RecallLineAsked{Ask: a, Recall: args[0], Lines: lines, How: events.RecallHow(flag(c, "how")), Reason: flag(c, "reason"), Reading: reading}
			}, fmt.Sprintf("%d lines of %s are closed", len(lines), args[0]))
		},
	}
	cmd.Flags().String("how", "", "retorqued, accepted or called_back")
	cmd.Flags().String("reason", "", "why, or where it is recorded")
	cmd.Flags().Uint64("reading", 0, "journal number of the reading that proves a re-torque")
	mustRequire(cmd, "how")
	addAskFlags(cmd)
	addConfigFlags(cmd, "listen")
	return cmd
}

// lineNumbers reads numbers and runs of numbers.
func lineNumbers(words []string) ([]int, error) {
	var out []int
	for _, w := range words {
		from, to, run := strings.Cut(w, "-")
		a, err := strconv.Atoi(from)
		b := a
		if err == nil && run {
			b, err = strconv.Atoi(to)
		}
		if err != nil || a < 1 || b < a || b-a > 100_000 {
			return nil, usageError("line %q: want a number, or a run such as 3-17", w)
		}
		for ; a <= b; a++ {
			out = append(out, a)
		}
	}
	return out, nil
}
