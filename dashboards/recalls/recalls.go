// Package recalls makes the list of what is in doubt after a tool was found out
// of tolerance, from the ledger: every reading of the tool since it was last
// known good, judged again. The list goes into the journal as a request; the
// rules open the recall. No verdict in the journal is changed by it.
package recalls

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/rules/recall"
)

// Least is the probability, at the worst, from which a reading is listed where
// nothing else is asked for. Our own choice.
const Least = 0.05

// MostLines is how many lines a recall may have. Our own choice: more than
// anybody works off by hand.
const MostLines = 100_000

// An Inquiry says what is looked for.
type Inquiry struct {
	Tool  string
	Good  events.RecallStanding // last known good
	Bad   events.RecallStanding // found bad
	Least float64               // 0: Least
	Most  int                   // lines given; 0: all
}

// A List is what is in doubt.
type List struct {
	Inquiry  Inquiry
	Position uint64 // journal sequence up to which the ledger had come
	InSpan   int    // readings judged in that time
	InDoubt  int    // of these, could have been outside limits; those that count no longer too
	Replaced int    // looked at and left out: voided, pulled again since, or sent back
	Lines    []events.RecallLine
	More     bool // there are more lines than Most
}

// ErrInquiry says that an inquiry cannot be answered as it is.
var ErrInquiry = errors.New("recall cannot be made")

// Make asks the ledger at one instant.
func Make(ctx context.Context, l *ledger.Ledger, in Inquiry) (List, error) {
	if in.Least == 0 {
		in.Least = Least
	}
	if !(in.Least > 0 && in.Least <= 1) {
		return List{}, fmt.Errorf("%w: least probability %v; want above 0 and at most 1", ErrInquiry, in.Least)
	}
	out := List{Inquiry: in}
	err := l.AtOnce(ctx, func(q *ledger.Queries) error {
		m := &maker{q: q, in: in, list: &out}
		return m.run(ctx)
	})
	return out, err
}

type maker struct {
	q    *ledger.Queries
	in   Inquiry
	list *List
	span recall.Span
}

func (m *maker) run(ctx context.Context) error {
	in, q := m.in, m.q
	var err error
	if m.list.Position, err = q.PositionNow(ctx); err != nil {
		return err
	}
	from, to := in.Good.AtUs, in.Bad.AtUs
	count, err := q.CountToolPulls(ctx, in.Tool, from, to)
	if err != nil {
		return err
	}
	m.span = SpanOf(in.Good, in.Bad, count)
	scan, err := recall.NewScan(m.span, count, in.Least, 0)
	if err != nil {
		return fmt.Errorf("%w: %v", ErrInquiry, err)
	}
	if in.Most > 0 { // as many again, for those that count no longer
		if scan, err = recall.NewScan(m.span, count, in.Least, 2*in.Most+100); err != nil {
			return err
		}
	}
	if err := q.EachToolPulls(ctx, in.Tool, from, to, func(p *ledger.ToolPulls) error { return take(ctx, scan, p) }); err != nil {
		return err
	}
	m.list.InSpan, m.list.InDoubt = scan.InSpan, scan.InDoubt
	return m.resolve(ctx, scan.Found(), scan.InDoubt, count)
}

// take judges a run of readings again.
func take(ctx context.Context, scan *recall.Scan, p *ledger.ToolPulls) error {
	var row ledger.ToolPull
	var pull recall.Pull
	for i := range p.Len() {
		if !scan.Holds(p.AtUs(i)) {
			continue
		}
		p.Read(i, &row)
		pull = recall.Pull{ID: row.ID, AtUs: row.AtUs, Value: row.Value, Lower: row.LSL, Upper: row.USL, U: row.U, Class: row.Class, Broken: row.Dim == 0}
		scan.Take(&pull)
	}
	return ctx.Err()
}

// resolved is how many judgements are read in full at once.
const resolved = 2000

// resolve reads in full what was found, and leaves out what counts no longer.
func (m *maker) resolve(ctx context.Context, found []recall.Found, inDoubt, count int) error {
	for rest := found; len(rest) > 0 && !m.full(); {
		n := min(len(rest), resolved)
		if m.in.Most > 0 {
			n = min(n, m.in.Most+20)
		}
		ids := make([]int64, n)
		for i := range ids {
			ids[i] = rest[i].ID
		}
		rows, err := m.q.DoubtRows(ctx, ids)
		if err != nil {
			return err
		}
		if len(rows) != n {
			return fmt.Errorf("%w: %d of %d judgements came back", ledger.ErrBroken, len(rows), n)
		}
		for i := range rows {
			if err := m.line(&rows[i], rest[i].Order, count); err != nil {
				return err
			}
		}
		rest = rest[n:]
	}
	m.list.More = inDoubt > len(m.list.Lines)+m.list.Replaced || m.in.Most > 0 && len(m.list.Lines) > m.in.Most
	slices.SortStableFunc(m.list.Lines, byUrgency)
	if m.in.Most > 0 && len(m.list.Lines) > m.in.Most {
		m.list.Lines = m.list.Lines[:m.in.Most]
	}
	for i := range m.list.Lines {
		m.list.Lines[i].Line = i + 1
	}
	return nil
}

func (m *maker) full() bool { return m.in.Most > 0 && len(m.list.Lines) >= m.in.Most }

func (m *maker) line(row *ledger.DoubtRow, order, count int) error {
	if !row.Counts {
		m.list.Replaced++
		return nil
	}
	r := recall.Reading{
		At: row.AtUs.Time(), Cycles: m.span.Good.Cycles + int(float64(m.span.Bad.Cycles-m.span.Good.Cycles)*float64(order)/float64(max(1, count))),
		Class: row.Class, Value: row.Value, Lower: row.LSL, Upper: row.USL,
	}
	if v := row.Value.Base(); v != 0 && !row.U.IsZero() {
		r.U = max(50*row.U.Base()/v, -50*row.U.Base()/v)
	}
	d, err := m.span.Again(r)
	if err != nil {
		return err
	}
	m.list.Lines = append(m.list.Lines, events.RecallLine{
		Reading: row.Reading, Job: row.Job, UnitSerial: row.UnitSerial, Customer: row.Customer, Procedure: row.Procedure, Revision: row.Revision,
		Step: row.Step, Pass: row.Pass, Fastener: row.Fastener, Class: row.Class, Status: row.Status, Verdict: row.Verdict,
		Value: row.Value, LSL: row.LSL, USL: row.USL, AtUs: row.AtUs,
		ByTime: worth(d.ByTime), ByCycles: worth(d.ByCycles), Worst: worth(d.Worst),
	})
	return nil
}

func worth(j recall.Judgement) events.RecallWorth {
	return events.RecallWorth{Deviation: j.Deviation, True: j.True.Base(), P: j.POutside}
}

// byUrgency sorts by consequence class, one without a class last, then the most
// probable first, then by time.
func byUrgency(a, b events.RecallLine) int {
	if a.Class != b.Class && (a.Class == "" || b.Class == "") {
		return cmp.Compare(b.Class, a.Class)
	}
	return cmp.Or(cmp.Compare(a.Class, b.Class), cmp.Compare(b.P(), a.P()), cmp.Compare(a.AtUs, b.AtUs), cmp.Compare(a.Reading, b.Reading))
}

// SpanOf is the time in doubt as the computation takes it. Where the count of
// the tool's cycles did not move, the count of its readings stands in for it.
func SpanOf(good, bad events.RecallStanding, count int) recall.Span {
	s := recall.Span{Good: standing(good), Bad: standing(bad)}
	if s.Bad.Cycles <= s.Good.Cycles {
		s.Bad.Cycles = s.Good.Cycles + count
	}
	return s
}

// standing takes expanded uncertainties (k = 2) as standard ones.
func standing(e events.RecallStanding) recall.Standing {
	s := recall.Standing{At: e.AtUs.Time(), Cycles: int(e.Cycles)}
	if len(e.Levels) == 1 {
		s.Deviation, s.U = e.Levels[0].Deviation, e.Levels[0].U/2
		return s
	}
	for _, l := range e.Levels {
		s.Levels = append(s.Levels, recall.Level{At: l.At.Base(), Deviation: l.Deviation, U: l.U / 2})
	}
	slices.SortFunc(s.Levels, func(a, b recall.Level) int { return cmp.Compare(a.At, b.At) })
	return s
}

// A Group is the lines on one job.
type Group struct {
	Job, UnitSerial, Customer, Status string
	Lines                             []events.RecallLine
}

// Shipped reports whether the unit has left.
func (g *Group) Shipped() bool { return g.Status == ledger.Released }

// Groups gathers lines by customer and job; the customer and the job with the
// most urgent line come first.
func Groups(lines []events.RecallLine) []Group {
	var out []Group
	at := map[string]int{}
	customer := map[string]int{} // by its first line
	for i, l := range lines {
		if _, ok := customer[l.Customer]; !ok {
			customer[l.Customer] = i
		}
		k, ok := at[l.Job]
		if !ok {
			k, at[l.Job] = len(out), len(out)
			out = append(out, Group{Job: l.Job, UnitSerial: l.UnitSerial, Customer: l.Customer, Status: l.Status})
		}
		out[k].Lines = append(out[k].Lines, l)
	}
	slices.SortStableFunc(out, func(a, b Group) int { return cmp.Compare(customer[a.Customer], customer[b.Customer]) })
	return out
}

// partLines is how many lines one event takes: well below what the journal
// stores in one.
const partLines = 500

// Requests makes the requests that open a recall: the first opens it, the
// others bring further lines.
func (l *List) Requests(a events.Ask, id, reason string) []events.Asker {
	lines := l.Lines
	n := min(len(lines), partLines)
	out := []events.Asker{events.RecallAsked{
		Ask: a, Recall: id, Tool: l.Inquiry.Tool, Good: l.Inquiry.Good, Bad: l.Inquiry.Bad, Position: l.Position, Least: l.Inquiry.Least,
		InSpan: l.InSpan, InDoubt: l.InDoubt, Total: len(lines), Lines: lines[:n], Reason: reason,
	}}
	for lines = lines[n:]; len(lines) > 0; lines = lines[n:] {
		n = min(len(lines), partLines)
		out = append(out, events.RecallPartAsked{Ask: a, Recall: id, Lines: lines[:n]})
	}
	return out
}

// NewID makes an id for a recall of a tool at a time.
func NewID(tool string, at time.Time) string {
	word := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			return r
		}
		return '-'
	}, tool)
	return "R-" + word + "-" + at.UTC().Format("20060102-1504")
}
