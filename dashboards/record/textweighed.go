package record

import (
	"fmt"
	"math"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// indent lines up what follows a line that begins with a time.
const indent = "                       "

// likely writes a probability so that certainty is never claimed.
func likely(p float64) string {
	switch {
	case p > 0.999:
		return ">0.999"
	case p < 0.001:
		return "<0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

// graded writes a grade and, if it was weighed, how sure it is.
func graded(g events.Grade, p float64) string {
	if g == "" || p == 0 {
		return string(g)
	}
	return string(g) + ", " + likely(p)
}

func (e Explanation) String() string { return e.Text + " (" + likely(e.P) + ")" }

// reread tells how a pull was read at first, and how later; "" if that never
// changed.
func (a *ReadAs) reread() string {
	if a == nil || len(a.Changes) == 0 {
		return ""
	}
	s := "first read as " + a.Changes[0].Was.String()
	for _, c := range a.Changes {
		s += fmt.Sprintf(", later as %s at J%d", c.Is, c.Seq)
	}
	return s
}

// doubt tells what else a pull may have been, where that is worth a word.
func (a *ReadAs) doubt() string {
	const worth = 0.05 // our choice: one in twenty
	if a == nil {
		return ""
	}
	var out []string
	for _, e := range a.Others {
		if e.P >= worth {
			out = append(out, e.String())
		}
	}
	if len(out) == 0 {
		return ""
	}
	return "may also have been " + strings.Join(out, " or ")
}

func (p *page) setAside(r *Record) {
	if !r.Weighed && len(r.SetAside) == 0 {
		return
	}
	p.title("Pulls set aside: they count for no fastener")
	if len(r.SetAside) == 0 {
		p.line("  none")
	}
	for i := range r.SetAside {
		x := &r.SetAside[i]
		turned := ""
		if !x.Angle.IsZero() {
			turned = ", angle " + p.value(x.Angle)
		}
		p.wrap("  "+clock(x.AtUs)+"  ", fmt.Sprintf("%s%s, tool %s, %s: probably %s, %s (J%d/J%d)",
			sent(x.SentText, x.SentUnit), turned, x.Tool, x.Step, x.Text, likely(x.P), x.ReadingSeq, x.DecidedSeq))
		if x.Why != "" && !strings.Contains(x.Why, x.Text) {
			p.wrap(indent, x.Why)
		}
		if s := x.ReadAs.reread(); s != "" {
			p.wrap(indent, s)
		}
		if s := x.outcome(); s != "" {
			p.wrap(indent, s)
		}
	}
}

// outcome tells what became of a set-aside pull; "" while it is aside.
func (x *SetAside) outcome() string {
	if x.Fate == "aside" {
		return ""
	}
	if x.FateBy == nil {
		return x.Fate + " after all " + clock(x.FateAtUs)
	}
	return join(": ", fmt.Sprintf("%s by %s %s", x.Fate, x.FateBy, clock(x.FateAtUs)), x.FateReason)
}

func (p *page) questions(r *Record) {
	if !r.Weighed && len(r.Questions) == 0 {
		return
	}
	p.title("Questions to the technician")
	if len(r.Questions) == 0 {
		p.line("  none")
	}
	for i := range r.Questions {
		q := &r.Questions[i]
		p.wrap("  "+clock(q.AtUs)+"  ", fmt.Sprintf("%s: %s (%s) about reading J%d (J%d)", q.Step, q.Text, strings.Join(q.Choices, " / "), q.ReadingSeq, q.Seq))
		p.wrap(indent, q.outcome())
	}
}

func (q *Question) outcome() string {
	switch {
	case !q.Settled:
		return "NOT ANSWERED"
	case q.AnsweredBy == nil:
		return join(": ", "no answer needed any more "+clock(q.SettledUs), q.How)
	}
	answer := q.Answer
	if answer == "" {
		answer = q.How
	}
	return join(": ", fmt.Sprintf("answered by %s %s", q.AnsweredBy, clock(q.SettledUs)), answer)
}

func (p *page) lost(r *Record) {
	if len(r.Lost) == 0 {
		return
	}
	p.title("Pulls that did not arrive, by the tool's own counter")
	for _, x := range r.Lost {
		p.wrap("  "+clock(x.AtUs)+"  ", join(", ", fmt.Sprintf("%d lost", x.Cycles), "tool "+x.Tool, named("step", x.Step))+fmt.Sprintf(" (J%d)", x.Seq))
	}
}

func (p *page) audits(r *Record) {
	if len(r.Audits) == 0 {
		return
	}
	p.title("Residual-torque audits: never a witness")
	for i := range r.Audits {
		p.audit(&r.Audits[i])
	}
}

func (p *page) audit(a *Audit) {
	x := a.Result
	if x == nil {
		p.wrap("  "+clock(a.Opened.AtUs)+"  ", fmt.Sprintf("%s, fastener %s, %s: asked for by %s, NOT TAKEN (J%d)", a.Step, a.Fastener, method(a.Method), a.Opened.By, a.Seq))
		return
	}
	verdict := "AGREES with the installation"
	if !x.Agrees {
		verdict = "DOES NOT AGREE with the installation"
	}
	p.wrap("  "+clock(x.AtUs)+"  ", fmt.Sprintf("%s, fastener %s, %s: %s", a.Step, a.Fastener, method(a.Method), verdict))
	p.wrap(indent, join(", ", "residual "+p.uncertain(x.Residual, x.U),
		word(!x.Installed.IsZero(), "installed at "+p.value(x.Installed)), word(!x.Low.IsZero() || !x.High.IsZero(), "agrees from "+p.span(x.Low, x.High)),
		"by "+x.By.String(), fmt.Sprintf("J%d/J%d", x.ReadingSeq, x.Seq)))
	if x.Text != "" {
		p.wrap(indent, x.Text)
	}
}

// uncertain writes a value with its expanded uncertainty, which has two digits
// that count, as JCGM 100, 7.2.6, says is enough (from memory). Without one it is value.
func (p *page) uncertain(v, u quantity.Value) string {
	unit := p.units.For(v.Dimension())
	n := u.In(unit)
	if u.IsZero() || n <= 0 {
		return p.value(v)
	}
	digits := min(max(1-int(math.Floor(math.Log10(n))), 0), 6)
	return quantity.FormatNumber(v, unit, digits) + " ± " + quantity.Format(u, unit, digits) + " (k = 2)"
}

// method names a residual-torque method in words.
func method(m events.ResidualMethod) string {
	switch m {
	case events.ResidualFirstMovement:
		return "torque at first movement, from the trace"
	case events.ResidualTighten:
		return "torque at which it just moves on, tightening"
	case events.ResidualLoosen:
		return "torque at which it just breaks loose"
	case events.ResidualMark:
		return "marked, slackened and tightened again to the mark"
	}
	return string(m)
}

// suspects writes which fasteners an alert may be about; "" if it names none
// as probable.
func (a *Alert) suspects() string {
	var out []string
	for _, c := range a.Likely {
		out = append(out, fmt.Sprintf("fastener %s %s", c.Fastener, likely(c.P)))
	}
	return join("; ", word(a.P > 0, "said with probability "+likely(a.P)),
		word(len(out) > 0, "probability of having been left out: "+strings.Join(out, ", ")))
}
