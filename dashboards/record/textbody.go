package record

import (
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

func (p *page) steps(r *Record) {
	for i := range r.Steps {
		p.step(i+1, &r.Steps[i])
	}
	if len(r.Elsewhere) > 0 {
		p.title("Readings for places that the procedure does not name")
	}
	for i := range r.Elsewhere {
		x := &r.Elsewhere[i]
		p.line("  step %s, fastener %s, pass %d", x.Step, orDash(x.Fastener), x.Pass+1)
		p.pull("", x)
	}
}

func (p *page) step(n int, s *Step) {
	p.title(fmt.Sprintf("%d. %s (%s, %s): %s", n, s.Title, s.ID, s.Kind, stepState(s)))
	switch {
	case s.Joint != nil:
		p.joint(s.Joint)
	case s.Measure != nil:
		p.measure(s.Measure)
	case s.Kit == nil && s.Press == nil || s.Statement != "":
		p.attest(s)
	}
	p.attested(s)
	if s.Kit != nil {
		p.kit(s.Kit)
	}
	if s.Press != nil {
		p.press(s.Press)
	}
	if s.Shims != nil {
		p.shims(s.Shims)
	}
	p.photos(s.Photos)
	for i, e := range s.Events {
		if i == len(s.Events)-1 && e.Kind == "finished" && s.Attested != nil {
			continue // said above
		}
		p.wrap("  "+clock(e.AtUs)+"  ", join(": ", join(" by ", e.Kind, e.By.String()), e.Note))
	}
}

func stepState(s *Step) string {
	switch {
	case s.Accepted:
		return "accepted as a deviation"
	case s.Done:
		return "done"
	}
	return "OPEN"
}

func (p *page) attest(s *Step) {
	if s.Statement != "" {
		p.wrap("  ", "“"+s.Statement+"”")
	}
	if s.Attested == nil {
		p.line("  not attested")
		return
	}
	p.wrap("  ", join(": ", "attested "+moment(*s.Attested), s.Answer))
}

func (p *page) joint(j *Joint) {
	p.wrap("  ", join(", ", fmt.Sprintf("%d fasteners", len(j.Fasteners)), named("class", string(j.Class)), word(j.Evidence != "" && j.Evidence != events.Counted, "evidence asked for: "+string(j.Evidence)), j.Thread, j.Strength, j.Lubrication,
		named("face", join(": ", j.Face, j.FaceTitle))))
	for _, x := range j.Passes {
		p.line("  %s", join(", ", pad(x.Name, 14)+"target "+quantity.Format(x.Target, x.unit, -1), "limits "+p.spanIn(x.LSL, x.USL, x.unit), angles(x)))
	}
	for i := range j.Fasteners {
		p.fastener(&j.Fasteners[i])
	}
}

// spanIn writes limits in the unit that the procedure states them in.
func (p *page) spanIn(lo, hi quantity.Value, u quantity.Unit) string {
	q := page{units: quantity.PreferredUnits{Torque: u, Length: u, Angle: u, Force: u}}
	return q.span(lo, hi)
}

func angles(x Pass) string {
	if x.AngleLo.IsZero() && x.AngleHi.IsZero() {
		return ""
	}
	return "angle " + new(page).span(x.AngleLo, x.AngleHi)
}

func (p *page) fastener(x *Fastener) {
	state := x.State
	if x.State == Missing {
		state = "MISSING"
	}
	p.line("")
	p.wrap("  ", join(", ", fmt.Sprintf("%s at x %s mm, y %s mm", x.ID, mm(x.Xmm), mm(x.Ymm)), x.Note)+": "+
		join(", ", state, graded(x.Grade, x.P), word(x.Closed, "closing round done"), word(x.Short, "less evidence than asked for"), word(x.Doubtful, "doubtful"), word(x.Disturbed, "to be done again")))
	for _, r := range x.Passes {
		if r.NotNeeded {
			p.line("    %s  not needed: the final pull is evidence enough", pad(r.Pass, 13))
		} else if len(r.Pulls) == 0 {
			p.line("    %s  nothing recorded", pad(r.Pass, 13))
		}
		for i := range r.Pulls {
			p.pull(r.Pass, &r.Pulls[i])
		}
	}
	for _, d := range x.Deviations {
		p.wrap("    deviation      ", d.String())
	}
}

func mm(v float64) string {
	return quantity.FormatNumber(quantity.Of(v, quantity.Millimetre), quantity.Millimetre, 1)
}

func word(b bool, s string) string {
	if b {
		return s
	}
	return ""
}

func (p *page) measure(m *Measure) {
	p.wrap("  ", join(", ", m.What, word(!m.Target.IsZero(), "target "+quantity.Format(m.Target, m.unit, -1)), "limits "+p.spanIn(m.LSL, m.USL, m.unit)))
	if len(m.Values) == 0 {
		p.line("    MISSING: nothing recorded")
	}
	for i := range m.Values {
		p.pull("value", &m.Values[i])
	}
	p.guided(m.Guided, m.unit)
	for _, d := range m.Deviations {
		p.wrap("    deviation      ", d.String())
	}
}

// pull writes one reading on three lines: what, against what and its verdict;
// with what tool, by whom, where and when; and why it does not count.
func (p *page) pull(pass string, x *Pull) {
	value := sent(x.SentText, x.SentUnit)
	if u := p.units.For(x.Value.Dimension()); u.Code() != x.SentUnit {
		value += " (" + p.value(x.Value) + ")"
	}
	verdict := join(", ", string(x.Verdict), graded(x.Grade, x.P))
	if !x.Counts {
		verdict = string(x.Verdict) + ", does not count"
	}
	p.line("    %s", join("  ", pad(pass, 13), pad(value, 28), pad(p.span(x.LSL, x.USL), 22), verdict))
	p.wrap("      ", join(", ", tool(x.Tool), join(" ", x.By.ID, named("at", x.Bench)), when(x), fmt.Sprintf("J%d/J%d", x.ReadingSeq, x.DecidedSeq)))
	if more := p.remarks(x); more != "" {
		p.wrap("      ", more)
	}
}

// when tells when the reading was taken, or, if that is lost, judged.
func when(x *Pull) string {
	if x.TakenAtUs != 0 {
		return clock(x.TakenAtUs)
	}
	return "judged " + clock(x.AtUs)
}

// tool names a tool and its calibration; its serial number stands above.
func tool(t Tool) string {
	return join(" ", t.ID, named("cal.", t.Calibrated), named("due", t.Due))
}

// remarks writes what is out of the ordinary about a reading.
func (p *page) remarks(x *Pull) string {
	return join("; ",
		fate(x),
		word(!x.Angle.IsZero(), "angle "+p.value(x.Angle)),
		word(!x.U.IsZero() && x.Verdict == events.Doubtful, "expanded uncertainty "+p.value(x.U)+" (k = 2)"),
		word(x.Trace > 0, fmt.Sprintf("trace of %d samples", x.Trace)),
		word(x.Fate != fateAside, x.ReadAs.reread()), // said with the pulls set aside
		word(x.Counts, x.ReadAs.doubt()),
		word(x.Claimed != "", "assigned by hand: "+x.Claimed),
		word(x.Mode == events.ModeTyped, "typed by hand"),
		word(x.UnitAssumed, "unit as the profile says, the tool sent none"),
		word(x.Stale, "waited in the line before the port was opened: its time is not known"),
		word(x.CameLateUs != 0, fmt.Sprintf("came late, at %s: bench box %s had kept it", clock(x.CameLateUs), x.Box)),
		word(x.ToolStatus != "" && x.ToolStatus != "ok", "tool says "+x.ToolStatus),
	)
}

// fate tells in words why a reading does not count.
func fate(x *Pull) string {
	if x.Counts || x.Fate == string(x.Verdict) || x.Fate == "" {
		return ""
	}
	s := x.Fate
	if x.FateBy != nil {
		s += " by " + x.FateBy.String()
	}
	if x.FateAtUs != 0 {
		s += " " + clock(x.FateAtUs)
	}
	return join(": ", s, x.FateWhy)
}

// String tells a deviation in words.
func (d Deviation) String() string {
	if d.Tool != "" {
		return fmt.Sprintf("used for this job although %s; let be used by %s %s: %s (J%d)", d.Was, d.By, clock(d.AtUs), d.Reason, d.Seq)
	}
	return fmt.Sprintf("was %s, left as it is by %s %s: %s (J%d)", d.Was, d.By, clock(d.AtUs), d.Reason, d.Seq)
}

func (p *page) deviations(r *Record) {
	p.title("Deviations")
	if len(r.Deviations) == 0 {
		p.line("  none")
	}
	for _, d := range r.Deviations {
		p.wrap("  ", join(", ", d.Step, named("fastener", d.Fastener), named("tool", d.Tool))+": "+d.String())
	}
}

func (p *page) alerts(r *Record) {
	p.title("Alerts")
	if len(r.Alerts) == 0 {
		p.line("  none")
	}
	for _, a := range r.Alerts {
		p.wrap("  "+clock(a.AtUs)+"  ", join(", ", alertName(a.Kind), a.Step, named("fastener", strings.Join(a.Fasteners, ", ")))+": "+
			a.Text+fmt.Sprintf(" (J%d)", a.Seq))
		if s := a.suspects(); s != "" {
			p.wrap(indent, s)
		}
		p.wrap(indent, a.outcome())
	}
}

// alertName says in words what an alert is about.
func alertName(k events.AlertKind) string {
	switch k {
	case events.AlertLow:
		return "left low"
	case events.AlertSeized:
		return "too little rotation"
	case events.AlertYield:
		return "rotation without torque"
	case events.AlertZeroShift:
		return "zero shifted"
	case events.AlertSameCycle:
		return "same cycle twice"
	}
	return strings.ReplaceAll(string(k), "_", " ")
}

// outcome tells what became of an alert.
func (a *Alert) outcome() string {
	seen := "not acknowledged"
	if a.SeenBy != nil {
		seen = "acknowledged by " + a.SeenBy.String() + " " + clock(a.SeenAtUs)
	}
	if !a.Settled {
		return seen + "; OPEN"
	}
	by := ""
	if a.SettledBy != nil {
		by = " by " + a.SettledBy.String()
	}
	return join(": ", seen+"; settled"+by+" "+clock(a.SettledAtUs), a.SettledHow)
}

func (p *page) unplaced(r *Record) {
	p.title("Unplaced readings")
	if len(r.Unplaced) == 0 {
		p.line("  none")
	}
	for _, u := range r.Unplaced {
		p.wrap("  "+clock(u.AtUs)+"  ", fmt.Sprintf("%s, tool %s, bench %s: %s (J%d)", sent(u.SentText, u.SentUnit), u.Tool, u.Bench, u.Why, u.ReadingSeq))
		p.wrap(indent, u.outcome())
	}
}

func (u *Unplaced) outcome() string {
	if u.FateBy == nil {
		return strings.ToUpper(u.Fate)
	}
	return join(": ", fmt.Sprintf("%s by %s %s", u.Fate, u.FateBy, clock(u.FateAtUs)), u.FateReason)
}

func (p *page) refusals(r *Record) {
	p.title("Refused requests")
	if len(r.Refusals) == 0 {
		p.line("  none")
	}
	for i := range r.Refusals {
		x := &r.Refusals[i]
		p.wrap("  "+clock(x.AtUs)+"  ", fmt.Sprintf("%s by %s: %s (J%d)", x.What(), x.By, x.Text, x.Seq))
		for _, item := range x.Items {
			p.wrap("                         - ", item)
		}
	}
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
