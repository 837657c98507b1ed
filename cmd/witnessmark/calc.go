package main

import (
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
)

func newCalc() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "calc",
		Short: "Work out preload, torque, stress area, proof load, adapters, shims, conversions",
		Long: `The computations of the trade, each with its formula and source. Every figure
carries its unit, given and printed; --json gives the answer to programs.

  preload      what a torque does to a thread
  torque       the torque for a preload, or for a share of proof or yield
  stress-area  diameters and tensile stress area of threads
  proof        proof load of a thread in a strength class
  extension    the setting of a wrench with a crowfoot or an extension
  runout       movement, eccentricity and form error from a file of readings
  shims        which shims to take, also on two sides
  pinion       by how much a pinion's shims change with its depth mark
  convert      one quantity in other units

Examples:
  witnessmark calc preload --thread M10x1.5 --torque "45 N·m" --lubrication oiled --strength 8.8
  witnessmark calc extension --torque "45 N·m" --wrench "400 mm" --adapter "60 mm"
  witnessmark calc shims --play "0.62 mm" --target "0.05 mm" --low "0.02 mm" --high "0.08 mm" --stock "0.50 x6, 0.55=0.553 x3"

` + caution,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newCalcPreload(), newCalcTorque(), newCalcStressArea(), newCalcProof(), newCalcExtension(), newCalcRunOut(), newCalcShims(), newCalcPinion(), newCalcConvert())
	for _, c := range cmd.Commands() {
		c.Flags().Bool("json", false, "print the answer as JSON")
	}
	return cmd
}

// calcFigure is one figure with its unit.
type calcFigure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`           // "1" for a pure number
	Text  string  `json:"text"`           // as printed
	Note  string  `json:"note,omitempty"` // what it rests on
}

// calcAnswer is what a computation gives.
type calcAnswer struct {
	What    string       `json:"what"`
	Given   []calcFigure `json:"given"`
	Formula string       `json:"formula"`
	Source  string       `json:"source"`
	Results []calcFigure `json:"results"`
	Say     []string     `json:"say,omitempty"` // sentences that belong to the result
	Caution string       `json:"caution,omitempty"`
}

// figureOf writes a quantity in a unit, and beside it in others.
func figureOf(name string, v quantity.Value, u quantity.Unit, note string, also ...quantity.Unit) calcFigure {
	f := calcFigure{Name: name, Value: v.In(u), Unit: u.Symbol(), Text: quantity.Format(v, u, -1), Note: note}
	for _, o := range also {
		f.Text += fmt.Sprintf(" (%s)", quantity.Format(v, o, -1))
	}
	return f
}

// pureFigure writes a number without a unit.
func pureFigure(name string, x float64, note string) calcFigure {
	return calcFigure{Name: name, Value: x, Unit: "1", Text: fmt.Sprint(num(x)), Note: note}
}

// share writes a share as a percentage.
func shareFigure(name string, x float64, note string) calcFigure {
	return calcFigure{Name: name, Value: 100 * x, Unit: "%", Text: fmt.Sprintf("%.1f %%", 100*x), Note: note}
}

func (a *calcAnswer) give(f ...calcFigure)   { a.Given = append(a.Given, f...) }
func (a *calcAnswer) result(f ...calcFigure) { a.Results = append(a.Results, f...) }

// print writes the answer as asked for.
func (a *calcAnswer) print(c *cobra.Command) error {
	out := c.OutOrStdout()
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(a)
	}
	fmt.Fprintf(out, "%s\n\n", a.What)
	if err := figures(out, a.Given); err != nil {
		return err
	}
	fmt.Fprintf(out, "\n  formula: %s\n  source:  %s\n\n", a.Formula, a.Source)
	if err := figures(out, a.Results); err != nil {
		return err
	}
	for _, s := range a.Say {
		fmt.Fprintf(out, "\n%s\n", s)
	}
	if a.Caution != "" {
		fmt.Fprintf(out, "\n%s\n", a.Caution)
	}
	return nil
}

func figures(out io.Writer, fs []calcFigure) error {
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, f := range fs {
		fmt.Fprintf(t, "  %s\t%s", f.Name, f.Text)
		if f.Note != "" {
			fmt.Fprintf(t, "\t%s", f.Note)
		}
		fmt.Fprintln(t)
	}
	return t.Flush()
}

// quantityFlag reads a flag as a quantity of a dimension; given is false where
// it was left out.
func quantityFlag(c *cobra.Command, name string, want quantity.Dimension) (v quantity.Value, u quantity.Unit, given bool, err error) {
	s := flag(c, name)
	if s == "" {
		return v, u, false, nil
	}
	if v, u, err = quantity.Parse(s); err != nil {
		return v, u, false, usageError("--%s: %v", name, err)
	}
	if want != quantity.NoDimension && v.Dimension() != want {
		return v, u, false, usageError("--%s %q is a %s: a %s is wanted", name, s, v.Dimension(), want)
	}
	return v, u, true, nil
}

// needed is quantityFlag for a flag that may not be left out.
func needed(c *cobra.Command, name string, want quantity.Dimension) (v quantity.Value, u quantity.Unit, err error) {
	v, u, given, err := quantityFlag(c, name, want)
	if err == nil && !given {
		err = usageError("--%s is missing: a %s with its unit\nsee '%s --help'", name, want, c.CommandPath())
	}
	return v, u, err
}
