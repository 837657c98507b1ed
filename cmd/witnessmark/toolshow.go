package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"witnessmark/dashboards"
	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
)

// toolsNow asks the running service where its tools stand.
func toolsNow(c *cobra.Command) ([]dashboards.ToolNow, error) {
	cfg, err := loadConfig(c)
	if err != nil {
		return nil, err
	}
	server := serverOf(c, cfg)
	client, err := clientOf(cfg, server)
	if err != nil {
		return nil, err
	}
	req, err := http.NewRequestWithContext(c.Context(), http.MethodGet, server+"/api/tools", nil)
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", server, err)
	}
	resp, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w; start it with 'witnessmark serve', or name another with --server", server, err)
	}
	defer resp.Body.Close()
	if err := turnedAway(resp); err != nil {
		return nil, err
	}
	var got struct{ Tools []dashboards.ToolNow }
	if err := json.NewDecoder(io.LimitReader(resp.Body, 16<<20)).Decode(&got); err != nil || resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("ask %s: it answered %s, which cannot be read: %v", server, resp.Status, err)
	}
	return got.Tools, nil
}

func newToolList() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "List the tools: state, when they are due, cycles, and which may not be used",
		Example: "  witnessmark tool list\n  witnessmark tool list --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			tools, err := toolsNow(c)
			if err != nil {
				return err
			}
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(tools)
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 4, 2, ' ', 0)
			fmt.Fprintln(w, "tool\tstate\tat\tcalibrated\tdue\tcycles\tlast\trefused")
			for _, t := range tools {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", t.ID, stateWords(t.State), orDash(t.At), t.Since, strings.Replace(t.Until, rules.NeverDue, "by no date", 1), cyclesWords(t.Cycles, t.CyclesLeft), t.Standing, orDash(t.Refused))
			}
			return w.Flush()
		},
	}
	toolReadFlags(cmd)
	return cmd
}

func toolReadFlags(cmd *cobra.Command) {
	cmd.Flags().String("server", "", "address of the running service; default: http:// and the setting listen")
	cmd.Flags().Bool("json", false, "print JSON")
	addConfigFlags(cmd, "listen")
}

// toolHistory is what the ledger knows of a tool.
type toolHistory struct {
	Calibrations []ledger.Calibration `json:"calibrations"`
	Certificates []ledger.Certificate `json:"certificates"`
	Checks       []ledger.Checked     `json:"checks"`
	Adjustments  []ledger.Adjusted    `json:"adjustments"`
	Moves        []ledger.Moved       `json:"moves"`
	Overrides    []ledger.Override    `json:"overrides"`
	Overloads    []ledger.Overloaded  `json:"overloads"`
	Assigned     []ledger.Assigned    `json:"assigned"`
}

func newToolShow() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show TOOL",
		Short: "Show the history of one tool, from the ledger: calibrations, certificates, checks, adjustments, moves",
		Long: `Shows what the ledger knows of one tool. Calibrations are printed with both
decision limits and the uncertainty of each point; --budget adds the tables.`,
		Example: "  witnessmark tool show k2-07\n  witnessmark tool show k2-07 --budget\n  witnessmark tool show k2-07 --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := openLedger(c)
			if err != nil {
				return err
			}
			defer l.Close()
			var h toolHistory
			err = l.AtOnce(c.Context(), func(q *ledger.Queries) error { return h.read(c, q, args[0]) })
			if err != nil {
				return err
			}
			if asJSON, _ := c.Flags().GetBool("json"); asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(h)
			}
			budget, _ := c.Flags().GetBool("budget")
			return h.write(c.OutOrStdout(), args[0], budget)
		},
	}
	cmd.Flags().Bool("json", false, "print JSON")
	cmd.Flags().Bool("budget", false, "print the uncertainty budget of each point")
	addConfigFlags(cmd, "data")
	return cmd
}

func (h *toolHistory) read(c *cobra.Command, q *ledger.Queries, tool string) error {
	shop, err := q.ShopNow(c.Context())
	if err != nil {
		return err
	}
	known := false
	for i := range shop.Tools {
		known = known || shop.Tools[i].ID == tool
	}
	if !known {
		return fmt.Errorf("this shop has no tool %q: 'witnessmark tool list' lists them", tool)
	}
	for _, part := range []func() error{
		func() (err error) { h.Calibrations, err = q.CalibrationsOf(c.Context(), tool); return err },
		func() (err error) { h.Certificates, err = q.CertificatesOf(c.Context(), tool); return err },
		func() (err error) { h.Checks, err = q.ChecksOf(c.Context(), tool); return err },
		func() (err error) { h.Adjustments, err = q.AdjustmentsOf(c.Context(), tool); return err },
		func() (err error) { h.Moves, err = q.MovesOf(c.Context(), tool); return err },
		func() (err error) { h.Overrides, err = q.OverridesOf(c.Context(), tool); return err },
		func() (err error) { h.Overloads, err = q.OverloadsOf(c.Context(), tool); return err },
		func() (err error) { h.Assigned, err = q.AssignedTo(c.Context(), tool); return err },
	} {
		if err := part(); err != nil {
			return err
		}
	}
	return nil
}

func (h *toolHistory) write(out io.Writer, tool string, budget bool) error {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintf(w, "Tool %s\n", tool)
	for i := range h.Calibrations {
		x := &h.Calibrations[i]
		fmt.Fprintf(w, "\nCalibration %s of %s, as %s, against %s, rule %s: %s%s, by %s, at %d cycles\n", x.Calibration, x.Date, x.Phase, x.Reference, x.Rule, x.Standing, dueWords(x.Due), x.By, x.Cycles)
		if cv := x.Curve; cv != nil {
			fmt.Fprintf(w, "span %.4f mm, permitted %.4f mm, acceptance limit %.4f mm, U %.4f mm (k = 2), hysteresis %.4f mm, repeatability %.4f mm\n", cv.Span.Base(), cv.Permitted.Base(), cv.Accept.Base(), cv.U.Base(), cv.Hysteresis.Base(), cv.Repeatability.Base())
		}
		writePoints(w, x.Results, budget)
		writeNotes(w, x.Note)
	}
	for i := range h.Certificates {
		x := &h.Certificates[i]
		fmt.Fprintf(w, "\nCertificate %s of %s, %s, as %s: %s%s, entered by %s\n", x.Certificate, x.Laboratory, x.Date, x.Phase, x.Standing, dueWords(x.Due), x.By)
		if x.File != "" {
			fmt.Fprintf(w, "file %s, %d bytes, SHA-256 %s\n", x.File, x.FileSize, x.FileHash)
		}
		writePoints(w, x.Results, budget)
		writeNotes(w, x.Note)
	}
	for i := range h.Checks {
		x := &h.Checks[i]
		fmt.Fprintf(w, "\nCheck %s at %s: %s. %s\n", x.Check, shownPoint(x.Point), x.Standing, x.Why)
	}
	line := func(format string, a ...any) { fmt.Fprintf(w, format+"\n", a...) }
	for _, x := range h.Adjustments {
		line("%s adjusted by %s at %d cycles: %s", when(x.AtUs), x.By, x.Cycles, x.What)
	}
	for _, x := range h.Moves {
		line("%s %s, %s, by %s: %s", when(x.AtUs), stateWords(x.State), orDash(x.Place), x.By, x.Reason)
	}
	for _, x := range h.Overrides {
		line("%s used for job %s although %s, by %s: %s", when(x.AtUs), x.Job, x.Was, x.By, x.Reason)
	}
	for _, x := range h.Overloads {
		line("%s overloaded: reading %d, %s %s", when(x.AtUs), x.Reading, shownPoint(x.Value), x.Status)
	}
	for _, x := range h.Assigned {
		line("%s reading %d assigned by %s: %s", when(x.AtUs), x.Reading, x.By, x.Reason)
	}
	return w.Flush()
}

func writePoints(w io.Writer, points []events.CalibrationResult, budget bool) {
	if len(points) == 0 {
		return
	}
	fmt.Fprintln(w, "  point\tdirection\tn\tdeviation\tfrom\tto\tU (k = 2)\tpermitted\taccepted up to\tP conforming\tverdict")
	for _, p := range points {
		fmt.Fprintf(w, "  %s\t%s\t%d\t%+.4g %s\t%+.4g\t%+.4g\t%.4g\t±%.4g\t±%.4g\t%.4f\t%s\n", shownPoint(p.Point), orDash(p.Direction), p.N, p.Deviation, p.Unit, p.Least, p.Most, p.U, p.Permitted, p.Accept, p.P, p.Standing)
	}
	for _, p := range points {
		if !budget || len(p.Budget) == 0 {
			continue
		}
		fmt.Fprintf(w, "  budget at %s\n", strings.TrimSuffix(shownPoint(p.Point)+", "+p.Direction, ", ")) // no cell: the columns before end here
		fmt.Fprintln(w, "    component\tfrom\ttype\tdistribution\tstated\tu\tshare")
		for _, b := range p.Budget {
			fmt.Fprintf(w, "    %s\t%s\t%s\t%s\t%.4g %s\t%.4g %s\t%.0f %%\n", b.Name, b.Source, b.Type, b.Shape, b.Stated, p.Unit, b.U, p.Unit, 100*b.Share)
		}
	}
}

func writeNotes(w io.Writer, notes []string) {
	for _, n := range notes {
		fmt.Fprintf(w, "  note: %s\n", n)
	}
}

func dueWords(due string) string {
	switch due {
	case "":
		return ""
	case rules.NeverDue:
		return ", due by no date"
	}
	return ", due " + due
}

// shownPoint writes a value in the base unit of its kind.
func shownPoint(v quantity.Value) string {
	switch v.Dimension() {
	case quantity.DimTorque:
		return quantity.Format(v, quantity.NewtonMetre, 2)
	case quantity.DimLength:
		return quantity.Format(v, quantity.Millimetre, 4)
	}
	return "-"
}

func when(at events.Instant) string { return at.Time().Format("2006-01-02 15:04") }
