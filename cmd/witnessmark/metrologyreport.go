package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"
)

// num is a figure: infinite and undefined ones are null in JSON.
type num float64

// MarshalJSON implements json.Marshaler.
func (n num) MarshalJSON() ([]byte, error) {
	if v := float64(n); math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(n), 'g', -1, 64), nil
}

// String is the figure with six digits.
func (n num) String() string {
	switch v := float64(n); {
	case math.IsNaN(v):
		return "-"
	case math.IsInf(v, 1):
		return "never"
	case math.IsInf(v, -1):
		return "no limit"
	case v == math.Trunc(v) && math.Abs(v) < 1e12:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case math.Abs(v) >= 1e-4 && math.Abs(v) < 1e6:
		return trimZeros(strconv.FormatFloat(v, 'f', max(0, 5-int(math.Floor(math.Log10(math.Abs(v))))), 64))
	default:
		return strconv.FormatFloat(v, 'g', 6, 64)
	}
}

func trimZeros(s string) string {
	if strings.Contains(s, ".") {
		return strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// answer is one answer with its unit; a share has the unit 1, shown as none.
type answer struct {
	Name  string `json:"name"`
	Value any    `json:"value"`
	Unit  string `json:"unit"`
	Note  string `json:"note,omitempty"`
}

// grid is a table; a column's unit stands in its heading.
type grid struct {
	Title   string   `json:"title"`
	Columns []string `json:"columns"`
	Rows    [][]any  `json:"rows"`
}

// report is what a study prints.
type report struct {
	Title   string   `json:"title"`
	Method  string   `json:"method"`  // formula in words
	Source  string   `json:"source"`  // where it is from
	Verdict string   `json:"verdict"` // empty where there is none
	Figures []answer `json:"figures"`
	Tables  []grid   `json:"tables"`
	Notes   []string `json:"notes"`
}

func (r *report) add(name string, value float64, unit string, note ...string) {
	r.Figures = append(r.Figures, answer{name, num(value), unit, strings.Join(note, "; ")})
}

func (r *report) say(name, value string) {
	r.Figures = append(r.Figures, answer{Name: name, Value: value})
}

func (r *report) note(format string, a ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, a...))
}

// print writes the report as the flag --json says.
func (r *report) print(c *cobra.Command) error {
	out := c.OutOrStdout()
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		r.emptyLists()
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(r)
	}
	fmt.Fprintln(out, r.Title)
	fmt.Fprintf(out, "  method  %s\n  source  %s\n", r.Method, r.Source)
	if len(r.Figures) > 0 {
		fmt.Fprintln(out)
		r.figures(out)
	}
	for _, g := range r.Tables {
		fmt.Fprintf(out, "\n%s\n", g.Title)
		g.print(out)
	}
	if len(r.Notes) > 0 {
		fmt.Fprintln(out)
	}
	for _, n := range r.Notes {
		fmt.Fprintf(out, "note: %s\n", n)
	}
	if r.Verdict != "" {
		fmt.Fprintf(out, "\n%s\n", r.Verdict)
	}
	return nil
}

func (r *report) emptyLists() {
	if r.Figures == nil {
		r.Figures = []answer{}
	}
	if r.Tables == nil {
		r.Tables = []grid{}
	}
	if r.Notes == nil {
		r.Notes = []string{}
	}
}

func (r *report) figures(out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, f := range r.Figures {
		unit := f.Unit
		switch unit {
		case "1":
			unit = ""
		case noUnit:
			unit = "(" + noUnit + ")"
		}
		line := fmt.Sprintf("  %s\t%v %s\t%s", f.Name, f.Value, unit, f.Note)
		fmt.Fprintln(w, strings.TrimRight(line, "\t "))
	}
	w.Flush()
}

func (g grid) print(out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "  %s\n", strings.Join(g.Columns, "\t"))
	for _, row := range g.Rows {
		cells := make([]string, len(row))
		for i, v := range row {
			cells[i] = fmt.Sprint(v)
		}
		fmt.Fprintf(w, "  %s\n", strings.TrimRight(strings.Join(cells, "\t"), "\t "))
	}
	w.Flush()
}
