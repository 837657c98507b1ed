package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

func (j *judgement) writeJSON(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(j)
}

// writeText writes the judgement for people.
func (j *judgement) writeText(to io.Writer) error {
	w := bufio.NewWriter(to)
	j.writeHead(w)
	j.writeEarlier(w)
	j.writeFasteners(w)
	j.writeAlerts(w)
	j.writePulls(w)
	j.writeQuestions(w)
	j.writeRelease(w)
	for _, n := range j.Warnings {
		fmt.Fprintf(w, "warning: %s\n", n.where())
	}
	for _, n := range j.Problems {
		fmt.Fprintf(w, "NOT JUDGED: %s\n", n.where())
	}
	return w.Flush()
}

// where says the note with its file, or with the word for a line of the stream.
func (n lineNote) where() string {
	if n.File != "" {
		return n.File + ":" + n.String()
	}
	return "line " + n.String()
}

func (j *judgement) writeHead(w io.Writer) {
	fmt.Fprintf(w, "Job %s, unit %s: %s (%s revision %s)\n", j.Job.ID, j.Job.UnitSerial, j.Procedure.Title, j.Procedure.ID, j.Procedure.Revision)
	for _, t := range j.Tools {
		tells := []string{"torque"}
		for _, x := range []struct {
			is   bool
			what string
		}{{t.Angle, "angle"}, {t.Duration, "duration"}, {t.Trace, "trace"}} {
			if x.is {
				tells = append(tells, x.what)
			}
		}
		counter := "no counter"
		if t.Counter != "" {
			counter = "its counter counts " + map[string]string{"cycles": "cycles", "sent": "sent readings"}[t.Counter]
		}
		unit := t.Unit
		if !t.UnitTold {
			unit += ", not told"
		}
		fmt.Fprintf(w, "  %s tells %s in %s; %s; U = %.3g %% of the reading\n", t.Tool, strings.Join(tells, ", "), unit, counter, 100*t.URel)
	}
	if len(j.Procedure.LeftOut) > 0 {
		fmt.Fprintf(w, "  left out, the stream does not speak of them: %s\n", strings.Join(j.Procedure.LeftOut, ", "))
	}
}

// table writes rows in columns.
func table(w io.Writer, head string, rows func(add func(cells ...any))) {
	fmt.Fprintf(w, "\n%s\n", head)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	rows(func(cells ...any) {
		line := "  " + strings.Repeat("%v\t", len(cells)-1) + "%v\n"
		fmt.Fprintf(t, line, cells...)
	})
	t.Flush()
}

func (j *judgement) writeFasteners(w io.Writer) {
	by := map[string]int{}
	for i := range j.Fasteners {
		by[j.Fasteners[i].Claim]++
	}
	head := fmt.Sprintf("Fasteners: %d", len(j.Fasteners))
	for _, c := range []string{claimWitnessed, claimMissed, claimLow, claimHigh, claimDoubtful} {
		if by[c] > 0 {
			head += fmt.Sprintf(", %d %s", by[c], c)
		}
	}
	table(w, head, func(add func(...any)) {
		add("step", "fastener", "claim", "grade", "p", "pull", "value", "pass", "target", "why")
		for i := range j.Fasteners {
			f := &j.Fasteners[i]
			add(f.Step, f.Fastener, f.Claim, dash(f.Grade), shownP(f.P), shownPull(f.Pull), dash(strings.TrimSpace(f.Value+" "+f.Unit)), dash(f.Pass), shownNm(f.TargetNm), f.Why)
		}
	})
}

func shownP(p *float64) string {
	if p == nil {
		return "-"
	}
	return fmt.Sprintf("%.3f", *p)
}

func shownNm(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.4g N.m", *v)
}

func shownPull(n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n)
}

func (j *judgement) writeAlerts(w io.Writer) {
	fmt.Fprintf(w, "\nAlerts: %d\n", len(j.Alerts))
	for i := range j.Alerts {
		a := &j.Alerts[i]
		at := "at " + a.Trigger
		if a.Trigger == triggerPull {
			at = fmt.Sprintf("at pull %d", a.Pull)
		} else if a.After > 0 {
			at += fmt.Sprintf(", after pull %d", a.After)
		}
		state := "open at the end"
		if !a.Open {
			state = fmt.Sprintf("settled after pull %d: %s", a.SettledAt, a.Settled)
		}
		fmt.Fprintf(w, "  %s %s, %s, %s\n    %s\n    %s\n", a.Alert, strings.ReplaceAll(a.Kind, "_", " "), at, state, a.Text, a.Todo)
		if len(a.Candidates) > 0 {
			fmt.Fprintf(w, "    candidates:")
			for _, c := range a.Candidates {
				fmt.Fprintf(w, " %s (%.3f)", c.Fastener, c.P)
			}
			fmt.Fprintln(w)
		}
	}
}

func (j *judgement) writePulls(w io.Writer) {
	table(w, fmt.Sprintf("Pulls: %d", len(j.Pulls)), func(add func(...any)) {
		add("pull", "line", "t/s", "tool", "value", "became", "step", "pass", "fastener", "verdict", "probably", "why")
		for i := range j.Pulls {
			p := &j.Pulls[i]
			why := p.Why
			if p.Of > 0 {
				why = fmt.Sprintf("pull %d once more", p.Of)
			}
			if p.Lost > 0 {
				why = strings.TrimSpace(fmt.Sprintf("%d lost before it. %s", p.Lost, why))
			}
			add(p.Pull, p.Line, fmt.Sprintf("%.3f", p.At), dash(p.Tool), dash(strings.TrimSpace(p.Value+" "+p.Unit)), dash(p.Became), dash(p.Step), dash(p.Pass),
				dash(p.Fastener), dash(p.Verdict), dash(p.probably()), why)
		}
	})
}

// probably lists what a pull may have been: what is above one in a hundred.
func (p *judgedPull) probably() string {
	var list []string
	for _, x := range p.Explanations {
		if x.P >= 0.01 || len(list) == 0 {
			list = append(list, fmt.Sprintf("%s %.2f", strings.TrimSpace(strings.ReplaceAll(x.Kind, "_", " ")+" "+x.Fastener), x.P))
		}
	}
	return strings.Join(list, ", ")
}

func (j *judgement) writeQuestions(w io.Writer) {
	fmt.Fprintf(w, "\nQuestions: %d\n", len(j.Questions))
	for _, q := range j.Questions {
		state := "not answered"
		if !q.Open {
			state = q.Settled
		}
		fmt.Fprintf(w, "  %s after pull %d, about pull %d: %s (%s): %s\n", q.Question, q.After, q.Pull, q.Text, strings.Join(q.Choices, " / "), state)
	}
	for _, r := range j.Refusals {
		fmt.Fprintf(w, "  refused, line %d (%s): %s. %s\n", r.Line, r.Asked, r.Text, r.Todo)
	}
}

func (j *judgement) writeRelease(w io.Writer) {
	r := &j.Release
	switch {
	case r.Granted:
		fmt.Fprintf(w, "\nRelease: granted, nothing is open\n")
	case r.Asked:
		fmt.Fprintf(w, "\nRelease: refused: %s\n", r.Text)
	default:
		fmt.Fprintf(w, "\nRelease: %s\n", r.Text)
	}
	for _, line := range r.Open {
		fmt.Fprintf(w, "  open: %s\n", line)
	}
}
