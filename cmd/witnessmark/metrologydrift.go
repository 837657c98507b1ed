package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/rules/drift"
)

func newDriftTrend() *cobra.Command {
	c := &cobra.Command{
		Use:   "drift FILE",
		Short: "When a tool will leave its tolerance, from its checks over time or cycles",
		Long: `A line through the checks since the last adjustment, with the band for one further
check. "Early" is when a check could first be outside with the confidence asked
for, "best" is when the line itself reaches a limit, "late" when even the far side
of the band has.

Columns: at, a date or a number such as cycles; deviation, with a unit; adjusted
(optional): yes where the tool was adjusted just before the check, which begins a
new series.

  at,deviation_%,adjusted
  2026-01-12,0.4,
  2026-04-09,0.9,
  2026-06-30,0.1,yes`,
		Example: "  witnessmark metrology drift k2.csv --lower -4 --upper 4",
		Args:    cobra.ExactArgs(1),
		RunE:    runDriftTrend,
	}
	addLimitFlags(c)
	c.Flags().Float64("confidence", 0.95, "one-sided confidence of the band")
	return c
}

func runDriftTrend(c *cobra.Command, args []string) error {
	l, err := limitsFrom(c)
	if err != nil {
		return err
	}
	checks, dated, unit, per, err := readChecks(c, args[0])
	if err != nil {
		return err
	}
	t, err := drift.TrendOf(checks, l, float(c, "confidence"))
	if err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	when := func(x float64) any {
		if dated && !math.IsInf(x, 0) {
			if x > 4e6 { // beyond the year 12000
				return "never"
			}
			return time.Unix(int64(x*86400), 0).UTC().Format(time.DateOnly)
		}
		return num(x)
	}
	r := report{Title: fmt.Sprintf("Drift, %d checks since the last adjustment", t.Fit.N), Method: "least squares line; band = Student's factor × √(u²(line) + s²)",
		Source: "NIST/SEMATECH e-Handbook of Statistical Methods 4.5.1; widening by the residuals' correlation is our own choice"}
	r.add("drift", t.Slope, unit+" per "+per, fmt.Sprintf("± %s at %g %%", num(t.SlopeHalf), 100*t.Confidence))
	r.say("the drift differs from zero", yes(t.Sure))
	r.add("scatter of a check", t.Fit.S, unit, fmt.Sprintf("%d degrees of freedom", t.Fit.DF))
	if t.Widened > 1 {
		r.add("widened by", t.Widened, "1", "neighbouring residuals follow each other")
	}
	line, half := t.Band(t.Last)
	r.add("now", line, unit, "± "+num(half).String())
	r.Tables = []grid{{"Leaves its tolerance", []string{"limit (" + unit + ")", "early", "best", "late"},
		[][]any{{num(t.Crossing.Limit), when(t.Crossing.Early), when(t.Crossing.Best), when(t.Crossing.Late)}}}}
	if math.IsInf(t.Crossing.Early, 1) {
		r.Tables[0].Rows[0][0] = "-"
	}
	r.Verdict = fmt.Sprintf("Check it before %v.", when(t.Crossing.Early))
	if math.IsInf(t.Crossing.Early, 1) {
		r.Verdict = "No limit is reached; keep the shop's own interval."
	}
	if t.Crossing.Early <= t.Last {
		r.Verdict = "A check may be outside already: calibrate it before it is used again."
	}
	return r.print(c)
}

func readChecks(c *cobra.Command, file string) (checks []drift.Check, dated bool, unit, per string, err error) {
	f, err := openCSV(file, c.InOrStdin(), "at", "deviation")
	if err != nil {
		return nil, false, "", "", err
	}
	defer f.close()
	for {
		more, err := f.next()
		if err != nil {
			return nil, false, "", "", err
		}
		if !more {
			break
		}
		at, label, err := moment(f, "at")
		if err != nil {
			return nil, false, "", "", err
		}
		isDate := len(label) == len(time.DateOnly) && label[4] == '-'
		if len(checks) > 0 && isDate != dated {
			return nil, false, "", "", f.fail("at", "dates and numbers are mixed: write all as dates or all as numbers")
		}
		dated = isDate
		if n := len(checks); n > 0 && at < checks[n-1].At {
			return nil, false, "", "", f.fail("at", "%s is before the row above: sort the checks by time", label)
		}
		d, err := f.number("deviation")
		if err != nil {
			return nil, false, "", "", err
		}
		adjusted, err := yesNo(f, "adjusted")
		if err != nil {
			return nil, false, "", "", err
		}
		checks = append(checks, drift.Check{At: at, Deviation: d, Adjusted: adjusted})
	}
	if per = f.unit("at"); per == "" {
		per = map[bool]string{true: "day", false: "cycle or unit of at"}[dated]
	}
	return checks, dated, unitOr(f.unit("deviation")), per, nil
}

func yesNo(f *csvFile, col string) (bool, error) {
	switch s := f.text(col); s {
	case "", "no", "0", "false":
		return false, nil
	case "yes", "1", "true":
		return true, nil
	default:
		return false, f.fail(col, "%q: write yes, or leave it empty", s)
	}
}

func newPeersRates() *cobra.Command {
	c := &cobra.Command{
		Use:   "peers FILE",
		Short: "Each tool's factor against its peers, from the torque rates of production",
		Long: `Two wrenches on like joints must see the same torque rate (N·m per degree). A
tool whose rates are off reads off by that factor, or works differently: a reason
to check it, never a verdict. Joints and fasteners scatter at random; the file may
be of any length, only sums are kept.

Columns: kind (of joint: alike in thread, parts and procedure), joint (which one),
tool, rate, with a unit. Rows in the order of the pulls.

  kind,joint,tool,rate_Nm/deg
  carrier,RA-1041/carrier,K2-7,2.41`,
		Example: "  witnessmark metrology peers rates.csv --false 0.01 --anytime",
		Args:    cobra.ExactArgs(1),
		RunE:    runPeersRates,
	}
	c.Flags().Float64("false", 0.01, "probability of any false suspicion")
	c.Flags().Bool("anytime", false, "hold it however often one looks, not for one look")
	c.Flags().Float64("honest", 0, "standard deviation of factors among tools in order, such as 0.01")
	return c
}

func runPeersRates(c *cobra.Command, args []string) error {
	f, err := openCSV(args[0], c.InOrStdin(), "kind", "joint", "tool", "rate")
	if err != nil {
		return err
	}
	defer f.close()
	p := drift.NewPeers()
	pulls := 0
	for {
		more, err := f.next()
		if err != nil {
			return err
		}
		if !more {
			break
		}
		var pull drift.Pull
		if pull.Kind, err = f.label("kind"); err != nil {
			return err
		}
		if pull.Joint, err = f.label("joint"); err != nil {
			return err
		}
		if pull.Tool, err = f.label("tool"); err != nil {
			return err
		}
		if pull.Rate, err = f.number("rate"); err != nil {
			return err
		}
		pulls++
		p.Add(pull)
	}
	w := drift.Watch{False: float(c, "false"), Honest: float(c, "honest")}
	w.Anytime, _ = c.Flags().GetBool("anytime")
	fs, scatter, err := p.Estimate(w)
	if err != nil {
		return usageError("%v", err)
	}
	r := report{Title: fmt.Sprintf("Tools against their peers, %d pulls", pulls), Method: "log rate = kind + tool + joint + fastener, the last two random; weighted least squares; each tool against the mean of the others",
		Source: "mixed model by the method of moments (Searle, Casella and McCulloch 1992) and, with --anytime, a normal mixture bound (Robbins 1970), both from memory"}
	t := grid{Title: "Factors", Columns: []string{"tool", "pulls", "visits", "factor", "95 % interval", "|Z|", "bound", "sees from (%)", "peers", ""}}
	suspects := []string{}
	for _, x := range fs {
		mark := x.Question
		if x.Suspect {
			suspects, mark = append(suspects, x.Tool), strings.TrimSuffix("suspect: "+mark, ": ")
		}
		t.Rows = append(t.Rows, []any{x.Tool, x.Pulls, x.Visits, num(round(x.Factor, 4)), fmt.Sprintf("%s to %s", num(round(x.Lower, 4)), num(round(x.Upper, 4))), num(round(math.Abs(x.Z), 2)), num(round(x.Bound, 2)), num(round(100*x.Sees, 2)), x.Peers, mark})
	}
	k := grid{Title: "Scatter of the rate", Columns: []string{"kind", "joints (%)", "fasteners (%)"}}
	for _, x := range scatter {
		k.Rows = append(k.Rows, []any{x.Kind, num(round(100*x.Joint, 2)), num(round(100*x.Fastener, 2))})
	}
	r.Tables = []grid{t, k}
	if p.Refused > 0 {
		r.note("%d pulls with a rate not above zero were left out", p.Refused)
	}
	r.Verdict = "No tool is suspect."
	if len(suspects) > 0 {
		r.Verdict = fmt.Sprintf("Suspect: %s. Check against the bench reference; this is not a verdict.", joined(suspects))
	}
	return r.print(c)
}

func round(x float64, decimals int) float64 {
	if math.IsInf(x, 0) {
		return x
	}
	p := math.Pow10(decimals)
	return math.Round(x*p) / p
}
