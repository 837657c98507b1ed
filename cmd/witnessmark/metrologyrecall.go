package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"witnessmark/events/quantity"
	"witnessmark/rules/recall"
)

func newRecallFile() *cobra.Command {
	c := &cobra.Command{
		Use:   "recall FILE",
		Short: "Which readings are in doubt after a tool was found out of tolerance",
		Long: `Every reading since the tool was last known good is judged again: with the tool's
deviation interpolated by time, by cycles, and at its worst all the while, each
with its probability of having been outside limits. Sorted by consequence class,
then by probability. No verdict in the journal is changed by it.

Columns: id, at, value and lower or upper or both, with a unit; class, cycles, job,
place (optional).

  id,job,place,class,at,cycles,value_Nm,lower_Nm,upper_Nm
  e-1041,RA-1041,ring-gear/7,A,2026-09-14T10:02:11Z,3120,101.2,96,104`,
		Example: `  witnessmark metrology recall pulls.csv --good 2026-03-01 --good-deviation 0.4 --good-cycles 200 \
      --bad 2026-11-02 --bad-deviation 5.1 --bad-cycles 4310 --u-tool 0.5 --u 0.5`,
		Args: cobra.ExactArgs(1),
		RunE: runRecallFile,
	}
	c.Flags().String("good", "", "date when last known good")
	c.Flags().String("bad", "", "date when found bad")
	c.Flags().Float64("good-deviation", 0, "deviation then, %: 100·(tool − reference)/reference")
	c.Flags().Float64("bad-deviation", 0, "deviation when found bad, %")
	c.Flags().Int("good-cycles", 0, "cycles of the tool then")
	c.Flags().Int("bad-cycles", 0, "cycles when found bad")
	c.Flags().Float64("u-tool", 0.5, "standard uncertainty of both deviations, %")
	c.Flags().Float64("u", 0.5, "standard uncertainty of a reading besides, %")
	c.Flags().Float64("least", 0.05, "list readings that were outside with this probability at the worst")
	c.Flags().Int("most", 0, "list so many at most; 0: all")
	mustRequire(c, "good", "bad", "bad-deviation")
	return c
}

func runRecallFile(c *cobra.Command, args []string) error {
	s, err := spanFrom(c)
	if err != nil {
		return err
	}
	rs, unit, err := readPulls(c, args[0])
	if err != nil {
		return err
	}
	most, _ := c.Flags().GetInt("most")
	res, err := s.Judge(rs, float(c, "least"), most)
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	r := report{Title: "Recall", Method: "true = indicated/(1 + deviation), deviation interpolated by time, by cycles, and at its worst; P of lying outside the limits by the normal model",
		Source: "ISO 9001:2015, 7.1.5.2 (why); JCGM 106:2012 (probability); the interpolations are our own choice"}
	r.add("readings", float64(len(rs)), "1")
	r.add("in the time in doubt", float64(res.InSpan), "1")
	r.add("in doubt", float64(res.InDoubt), "1", fmt.Sprintf("outside with %s or more at the worst", percent(float(c, "least"))))
	u := unit.Symbol()
	t := grid{Title: "To work off", Columns: []string{"class", "id", "job", "place", "read (" + u + ")", "true by time", "P", "by cycles", "P", "worst", "P"}}
	for _, d := range res.Doubts {
		p := func(j recall.Judgement) num { return num(round(j.POutside, 4)) }
		v := func(x quantity.Value) num { return num(round(x.In(unit), 3)) }
		t.Rows = append(t.Rows, []any{dash(d.Reading.Class), d.Reading.ID, dash(d.Reading.Job), dash(d.Reading.Place), v(d.Reading.Value),
			v(d.ByTime.True), p(d.ByTime), v(d.ByCycles.True), p(d.ByCycles), v(d.Worst.True), p(d.Worst)})
	}
	r.Tables = []grid{t}
	r.Verdict = "Close each line by re-torque, acceptance with a reason, or call-back. Class A first."
	if res.InDoubt == 0 {
		r.Verdict = "Nothing is in doubt at this probability."
	}
	return r.print(c)
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func spanFrom(c *cobra.Command) (s recall.Span, err error) {
	if s.Good.At, err = dateFlag(c, "good"); err != nil {
		return s, err
	}
	if s.Bad.At, err = dateFlag(c, "bad"); err != nil {
		return s, err
	}
	s.Good.Deviation, s.Bad.Deviation = float(c, "good-deviation"), float(c, "bad-deviation")
	s.Good.Cycles, _ = c.Flags().GetInt("good-cycles")
	s.Bad.Cycles, _ = c.Flags().GetInt("bad-cycles")
	s.Good.U, s.Bad.U = float(c, "u-tool"), float(c, "u-tool")
	if err := s.Check(); err != nil {
		return s, usageError("%v", err)
	}
	return s, nil
}

func readPulls(c *cobra.Command, file string) (rs []recall.Reading, unit quantity.Unit, err error) {
	f, err := openCSV(file, c.InOrStdin(), "id", "at", "value")
	if err != nil {
		return nil, unit, err
	}
	defer f.close()
	if !f.has("lower") && !f.has("upper") {
		return nil, unit, f.failAt(0, "no column lower or upper: without limits nothing can be judged")
	}
	for {
		more, err := f.next()
		if err != nil || !more {
			return rs, unit, err
		}
		r, u, err := readPull(f, float(c, "u"))
		if err != nil {
			return nil, unit, err
		}
		if len(rs) == 0 {
			unit = u
		}
		rs = append(rs, r)
	}
}

func readPull(f *csvFile, u float64) (r recall.Reading, unit quantity.Unit, err error) {
	r.U = u
	if r.ID, err = f.label("id"); err != nil {
		return r, unit, err
	}
	r.Job, r.Place, r.Class = strings.Clone(f.text("job")), strings.Clone(f.text("place")), strings.Clone(f.text("class"))
	if r.At, err = f.when("at"); err != nil {
		return r, unit, err
	}
	if f.has("cycles") {
		n, err := f.number("cycles")
		if err != nil {
			return r, unit, err
		}
		if n < 0 || n != math.Trunc(n) || n > 1e12 {
			return r, unit, f.fail("cycles", "%v: want a whole number of cycles", n)
		}
		r.Cycles = int(n)
	}
	if r.Value, unit, err = f.value("value", quantity.NoDimension); err != nil {
		return r, unit, err
	}
	if f.text("lower") != "" {
		if r.Lower, _, err = f.value("lower", r.Value.Dimension()); err != nil {
			return r, unit, err
		}
	}
	if f.text("upper") != "" {
		if r.Upper, _, err = f.value("upper", r.Value.Dimension()); err != nil {
			return r, unit, err
		}
	}
	return r, unit, nil
}
