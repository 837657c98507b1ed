package dashboards

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// questionView is a short question about a pull.
type questionView struct {
	ID, Text string
	Choices  []choice
}

// asideView tells of a pull that counts for no fastener, without alarm.
type asideView struct {
	Reading           uint64
	Text, Value, Rest string
	Claimable         bool
}

// auditView is a residual-torque audit that was judged.
type auditView struct {
	Where, Value string
	Agrees       bool
}

// percent writes a probability so that 100 is said of certainty only.
func percent(p float64) string {
	switch {
	case p >= 0.9995 && p < 1:
		return "over 99.9 %"
	case p >= 0.99 && p < 1:
		return fmt.Sprintf("%.1f %%", 100*p)
	case p > 0 && p < 0.005:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// evidenceWords says a grade in plain words: "reasoned, 99.7 %".
func evidenceWords(g events.Grade, p float64) string {
	switch {
	case g == "":
		return ""
	case g == events.Reasoned && p > 0:
		return "reasoned, " + percent(p)
	case g == events.Placed:
		return "placed: its position was confirmed"
	case g == events.Counted:
		return "counted: only the number of pulls agrees"
	}
	return string(g)
}

// evidence says on what a judged pull rests, as it is weighed now.
func (v viewer) evidence(j events.ReadingJudged) string {
	g, p := j.Grade, j.P
	if job := v.st.Jobs[j.Job]; job != nil {
		if f := fastenerOf(job, j.Step, j.Fastener); f != nil && j.Pass < len(f.Marks) && f.Marks[j.Pass].Reading == j.Reading {
			g = f.Marks[j.Pass].Grade
			if f.P > 0 {
				p = f.P
			}
		}
	}
	if w := evidenceWords(g, p); w != "" {
		return "Evidence " + w
	}
	return ""
}

func fastenerOf(job *rules.Job, step, fastener string) *rules.FastenerState {
	spec, i := job.Proc.Step(step)
	if i < 0 || spec.Joint == nil {
		return nil
	}
	for k, f := range spec.Joint.Fasteners {
		if f.ID == fastener && k < len(job.Steps[i].Fasteners) {
			return &job.Steps[i].Fasteners[k]
		}
	}
	return nil
}

// Limits of how a fastener is drawn that may have been left out.
const (
	surelyMissed = 0.9  // from here on it is drawn as missed
	maybeMissed  = 0.02 // below this it is not drawn as a possible miss
)

// maybe tells how probable it is that a fastener is the one that was left
// out, where an alert names several of which it may be any; 0 if none does.
func (v viewer) maybe(job *rules.Job, step, fastener string) float64 {
	best := 0.0
	for _, id := range job.Alerts {
		a := v.st.Alerts[id]
		if a == nil || a.Kind != events.AlertMissed || a.Step != step || len(a.Likely) < 2 {
			continue
		}
		if len(a.Fasteners) < len(a.Likely) && slices.Contains(a.Fasteners, fastener) {
			return 0 // open by the count, whichever it truly is: missed, and to be pulled
		}
		for _, w := range a.Likely {
			if w.Fastener == fastener && w.P >= maybeMissed && w.P < surelyMissed {
				best = max(best, w.P)
			}
		}
	}
	return best
}

// likelyWords names the candidates of a miss: "probably 7 (62 %), else 8 (20 %)
// or 2 (9 %)".
func likelyWords(ws []events.FastenerWeight) string {
	if len(ws) == 0 {
		return ""
	}
	named := make([]string, len(ws))
	for i, w := range ws {
		named[i] = fmt.Sprintf("%s (%s)", w.Fastener, percent(w.P))
	}
	s := "probably " + named[0]
	switch n := len(named); {
	case n == 2:
		s += ", else " + named[1]
	case n > 2:
		s += ", else " + strings.Join(named[1:n-1], ", ") + " or " + named[n-1]
	}
	return s
}

// isAside returns the set-aside pull of a reading, nil if it is none.
func (v viewer) isAside(u events.ReadingUnplaced) *events.PullSetAside {
	job := v.st.Jobs[u.Job]
	if job == nil {
		return nil
	}
	for i := range job.Aside {
		if job.Aside[i].Reading == u.Reading {
			return &job.Aside[i]
		}
	}
	return nil
}

// asideWords says calmly what a set-aside pull was.
func asideWords(a *events.PullSetAside) string {
	on := ""
	if a.Fastener != "" {
		on = " on " + a.Fastener
	}
	switch a.Kind {
	case events.ExplainedRepeat:
		return "Second pull" + on + ", set aside"
	case events.ExplainedSwing:
		return "Unfinished swing" + on + ", set aside"
	case events.ExplainedSameCycle:
		return "The same pull sent twice, set aside"
	case events.ExplainedNowhere:
		return "A pull on no fastener of the joint, set aside"
	case events.ExplainedElsewhere:
		return "A pull on another step, set aside"
	}
	return "A pull" + on + ", set aside"
}

// asides lists the pulls set aside in a step, latest first.
func (v viewer) asides(job *rules.Job, step string) []asideView {
	var out []asideView
	for _, a := range slices.Backward(job.Aside) {
		if a.Step != step {
			continue
		}
		_, open := v.st.Unplaced[a.Reading]
		rest := clockTime(a.AtUs, v.now)
		if a.P > 0 {
			rest = percent(a.P) + " sure, " + rest
		}
		out = append(out, asideView{a.Reading, asideWords(&a), asSent(a.Text, a.Unit), rest, open})
	}
	return out
}

func (v viewer) question(job *rules.Job) *questionView {
	q := job.Question
	if q == nil {
		return nil
	}
	qv := &questionView{ID: q.Question, Text: q.Text}
	for _, c := range q.Choices {
		qv.Choices = append(qv.Choices, choice{Value: c.Key, Text: c.Text})
	}
	return qv
}

// residualWords says how a residual torque is measured.
var residualWords = map[events.ResidualMethod]choice{
	events.ResidualFirstMovement: {Text: "First movement, from the trace", Hint: "tighten slowly until it just moves; the tool must send a trace"},
	events.ResidualTighten:       {Text: "Tighten until it just moves on", Hint: "the peak is taken; static friction makes it read high"},
	events.ResidualLoosen:        {Text: "Loosen until it just breaks loose", Hint: "the fastener must be tightened again afterwards"},
	events.ResidualMark:          {Text: "Mark, slacken, tighten to the mark", Hint: "the fastener ends tight at its mark"},
}

var residualMethods = []events.ResidualMethod{
	events.ResidualFirstMovement, events.ResidualTighten, events.ResidualLoosen, events.ResidualMark,
}

// auditNext says that the next pull is an audit.
func (v viewer) auditNext(job *rules.Job) nextView {
	a := job.Audit
	where := "Audit of fastener " + a.Fastener
	if spec, i := job.Proc.Step(a.Step); i >= 0 {
		where += ", " + spec.Title
	}
	return nextView{"audit", where, "The next pull is the audit of fastener " + a.Fastener + ". It counts for nothing.", residualWords[a.Method].Text + ". Opened by " + v.personName(a.By) + "."}
}

// mostAudits is how many audits of a step the bench page shows.
const mostAudits = 3

func (v viewer) audits(job *rules.Job, step string) []auditView {
	var out []auditView
	for _, r := range slices.Backward(job.Residuals) {
		if r.Step != step || len(out) == mostAudits {
			continue
		}
		u := unitFor(v.st.Shop, r.Residual, v.statedUnit(job.Proc, r.Step))
		a := auditView{Where: "Audit of fastener " + r.Fastener, Value: withUnit(r.Residual, u), Agrees: r.Agrees}
		if un := figure(r.U, u); un != "" {
			a.Value = figure(r.Residual, u) + " ± " + un + " " + u.Symbol()
		}
		if r.Residual.IsZero() {
			out = append(out, auditView{Where: "Audit of fastener " + r.Fastener + " gave no value", Value: r.Text})
			continue
		}
		word := "differs from"
		if r.Agrees {
			word = "agrees with"
		}
		a.Where += " " + word + " its installation"
		if in := withUnit(r.Installed, u); in != "" {
			a.Where += " at " + in
		}
		if lim := limitWords(r.Low, r.High, u); lim != "" {
			a.Value += ", would agree: " + lim
		}
		out = append(out, a)
	}
	return out
}

// closingWords says what a closing round asks for.
func closingWords(figure string) string {
	return "Closing round: pull every bolt that has the collar once more at " + figure +
		". It must not turn. If one turns, it was not tight: say so with \"It turned\"."
}

func (v viewer) statedUnit(p *procedure.Procedure, step string) (u quantity.Unit) {
	if spec, i := p.Step(step); i >= 0 && spec.Joint != nil && len(spec.Joint.Passes) > 0 {
		u = spec.Joint.Passes[0].Unit
	}
	return u
}
