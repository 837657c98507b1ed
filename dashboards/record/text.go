package record

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// width is how many columns the text keeps to.
const width = 100

// WriteText writes the record as plain text for people, at most 100 columns
// wide where words allow it.
func (r *Record) WriteText(w io.Writer) error {
	p := &page{w: bufio.NewWriter(w), units: r.units}
	p.head(r)
	p.summary(r)
	p.steps(r)
	p.looseEnds(r)
	p.photos(r.Photos)
	p.deviations(r)
	p.alerts(r)
	p.setAside(r)
	p.questions(r)
	p.lost(r)
	p.unplaced(r)
	p.audits(r)
	p.refusals(r)
	p.line("")
	for _, s := range r.Standing {
		p.wrap("", s)
	}
	return p.w.Flush()
}

// page writes text. Its writer keeps the first error until Flush.
type page struct {
	w     *bufio.Writer
	units quantity.PreferredUnits
}

func (p *page) line(format string, args ...any) {
	s := format
	if len(args) > 0 {
		s = fmt.Sprintf(format, args...)
	}
	_, _ = p.w.WriteString(strings.TrimRight(s, " ") + "\n") // Flush tells
}

// wrap writes words after a lead, and what does not fit below them.
func (p *page) wrap(lead, text string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(lead))
	line := lead
	for _, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(line) + 1 + utf8.RuneCountInString(word)
		switch {
		case line == lead || line == indent:
			line += word
		case n > width:
			p.line("%s", line)
			line = indent + word
		default:
			line += " " + word
		}
	}
	p.line("%s", line)
}

func (p *page) title(s string) {
	p.line("")
	p.line("%s", s)
	p.line("%s", strings.Repeat("-", utf8.RuneCountInString(s)))
}

// field writes a named line of the head.
func (p *page) field(name, text string) {
	if text != "" {
		p.wrap(pad(name, 12), text)
	}
}

// pad makes s n columns wide, counting letters, not bytes.
func pad(s string, n int) string {
	return s + strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s)))
}

// people writes a person's name and id.
func (x Person) String() string {
	if x.Name == "" {
		return x.ID
	}
	return x.Name + " (" + x.ID + ")"
}

func (p *page) head(r *Record) {
	p.line("RECORD OF JOB %s: %s", r.Job, strings.ToUpper(r.Status))
	p.line("%s", strings.Repeat("=", width))
	p.field("Shop", r.Shop.Name)
	p.field("Unit", join(", ", r.UnitModel, "serial "+r.UnitSerial))
	p.field("Customer", r.Customer)
	p.field("Procedure", join(": ", r.Procedure.ID+" revision "+r.Procedure.Revision, r.Procedure.Title))
	p.field("", "SHA-256 "+r.Procedure.Hash)
	if r.Procedure.Released.AtUs != 0 {
		p.field("", "released "+moment(r.Procedure.Released))
	}
	p.field("Opened", moment(r.Opened))
	if r.Ended != nil {
		p.field(capital(r.Status), join(": ", moment(*r.Ended), r.Ended.Reason))
	}
	p.field("Times", fmt.Sprintf("are UTC. J12/J13: journal numbers of a reading and of its decision. Read up to J%d.", r.JournalSeq))
	p.field("Evidence", "placed: the position was confirmed; reasoned: inferred from order, time and rotation, with the probability "+
		"that the fastener is tight; counted: only the number of pulls agrees.")
	for _, w := range r.Warnings {
		p.field("WARNING", w)
	}
	for _, x := range r.Removed {
		p.field("Removed", x.String())
	}
	if len(r.History) > 0 {
		p.title("History")
	}
	for _, e := range r.History {
		p.wrap("  "+clock(e.AtUs)+"  ", e.String())
	}
}

// String tells what happened in words.
func (e JobEvent) String() string {
	s := strings.ReplaceAll(e.Kind, "_", " ")
	if e.By.ID != "" {
		s += " by " + e.By.String()
	}
	if e.To != nil {
		s += " to " + e.To.String()
	}
	if e.Bench != "" {
		s += " at bench " + e.Bench
	}
	return join(": ", s, e.Note)
}

func moment(m Moment) string {
	s := clock(m.AtUs)
	if m.By.ID != "" {
		s += " by " + m.By.String()
	}
	if m.Bench != "" {
		s += " at bench " + m.Bench
	}
	return s
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// join joins what is not empty.
func join(sep string, parts ...string) string {
	var out []string
	for _, s := range parts {
		if s != "" {
			out = append(out, s)
		}
	}
	return strings.Join(out, sep)
}

func (p *page) summary(r *Record) {
	s := r.Summary
	p.title("Summary")
	p.line("  fasteners   %3d of %d witnessed (%s)", s.Witnessed, s.Fasteners, grades(s.WitnessedBy))
	for _, c := range []struct {
		n    int
		what string
	}{
		{s.Missing, "MISSING: nothing counts"}, {s.Partly, "partly done"}, {s.Held, "held for a lead's decision"},
		{s.Accepted, "accepted as a deviation"}, {s.Doubtful, "witnessed, but doubtful"},
		{s.Closed, "witnessed with a closing round"}, {s.Short, "witnessed on less evidence than the procedure asks for"},
	} {
		if c.n > 0 {
			p.line("              %3d %s", c.n, c.what)
		}
	}
	if s.LeastSure != nil {
		p.line("              least sure: fastener %s of %s, %s", s.LeastSure.Fastener, s.LeastSure.Step, likely(s.LeastSure.P))
	}
	p.line("  measured    %3d of %d", s.Measured, s.MeasuredOf)
	p.line("  attested    %3d of %d", s.Attested, s.AttestedOf)
	p.line("  readings    %3d judged, %d voided, %d unplaced and open", s.Readings, s.Voided, s.UnplacedOpen)
	if r.Weighed || s.SetAside+s.Questions+s.LostCycles+s.ReadOtherwise > 0 {
		p.line("  weighed     %3d pulls set aside, %d read differently later, %d lost on the way", s.SetAside, s.ReadOtherwise, s.LostCycles)
		p.line("  questions   %3d, %d not answered", s.Questions, s.QuestionsOpen)
	}
	if s.Audits > 0 {
		p.line("  audits      %3d of residual torque, %d not in agreement", s.Audits, s.AuditsDiffer)
	}
	p.line("  deviations  %3d", s.Deviations)
	p.line("  alerts      %3d, %d open", s.Alerts, s.AlertsOpen)
	p.line("  refused     %3d requests", s.RefusedRequests)
	p.used(r)
}

// used lists people and tools, whose ids stand below.
func (p *page) used(r *Record) {
	if len(r.People) > 0 {
		p.title("People")
	}
	for _, x := range r.People {
		p.line("  %s %s", pad(x.ID, 10), x.Name)
	}
	if len(r.Tools) > 0 {
		p.title("Tools")
	}
	for _, t := range r.Tools {
		p.wrap("  "+pad(t.ID, 10)+" ", join(", ", t.Name, named("serial", t.Serial), named("calibrated", t.Calibrated), named("due", t.Due)))
	}
}

func named(name, v string) string {
	if v == "" {
		return ""
	}
	return name + " " + v
}

func grades(by map[string]int) string {
	var out []string
	for _, g := range []events.Grade{events.Placed, events.Reasoned, events.Counted} {
		if n := by[string(g)]; n > 0 || g != events.Reasoned {
			out = append(out, fmt.Sprintf("%d %s", n, g))
		}
	}
	return strings.Join(out, ", ")
}

// value writes a quantity in the shop's unit.
func (p *page) value(v quantity.Value) string {
	return quantity.Format(v, p.units.For(v.Dimension()), -1)
}

// span writes limits in the shop's unit: "34 to 46 N·m".
func (p *page) span(lo, hi quantity.Value) string {
	switch {
	case lo.IsZero() && hi.IsZero():
		return "no limits"
	case lo.IsZero():
		return "at most " + p.value(hi)
	case hi.IsZero():
		return "at least " + p.value(lo)
	}
	return quantity.FormatNumber(lo, p.units.For(lo.Dimension()), -1) + " to " + p.value(hi)
}

// sent writes a value as the tool sent it, with the sign of its unit.
func sent(text, code string) string {
	u, ok := quantity.UnitByCode(code)
	if !ok {
		return join(" ", text, code)
	}
	if u == quantity.Degree {
		return text + u.Symbol()
	}
	return text + " " + u.Symbol()
}
