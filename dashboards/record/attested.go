package record

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
)

// LooseEnd is something that was opened, and what became of it.
type LooseEnd struct {
	ID     string         `json:"id"`
	Step   string         `json:"step,omitempty"` // that opened it
	What   string         `json:"what"`
	Closes string         `json:"closes"`          // the evidence that closes it
	Adhoc  bool           `json:"adhoc,omitempty"` // not of the procedure
	Closed bool           `json:"closed"`          // at last
	Opened Moment         `json:"opened"`
	Seq    uint64         `json:"seq"`
	Fates  []LooseEndFate `json:"fates,omitempty"` // in journal order
}

// LooseEndFate says that a loose end was closed, or is open again.
type LooseEndFate struct {
	Kind     string         `json:"kind"` // closed, reopened
	How      string         `json:"how"`
	Answer   string         `json:"answer,omitempty"`
	Readings []uint64       `json:"reading_seqs,omitempty"` // that are the evidence
	By       *Person        `json:"by,omitempty"`
	AtUs     events.Instant `json:"at_us"`
	Seq      uint64         `json:"seq"`
}

// Item is an answer to something that a step asked.
type Item struct {
	ID       string         `json:"id"`
	Kind     string         `json:"kind"` // mark, match, facing, stop, sealant, grease
	What     string         `json:"what"`
	Answer   string         `json:"answer"`
	Other    string         `json:"other,omitempty"` // the other way of a stop check
	Wanted   string         `json:"wanted,omitempty"`
	Good     bool           `json:"good"`
	Counts   bool           `json:"counts"` // no later answer took its place
	Text     string         `json:"text"`
	Remark   string         `json:"remark,omitempty"`
	Photo    string         `json:"photo,omitempty"`
	Readings []uint64       `json:"reading_seqs,omitempty"`
	Travel   quantity.Value `json:"travel,omitzero"`
	FromUs   events.Instant `json:"from_us,omitempty"`   // when sealant was applied
	UntilUs  events.Instant `json:"until_us,omitempty"`  // end of its open time
	ClosedUs events.Instant `json:"closed_us,omitempty"` // when the last bolt on it was tight
	Late     bool           `json:"late,omitempty"`      // after its open time
	By       Person         `json:"by"`
	AtUs     events.Instant `json:"at_us"`
	Seq      uint64         `json:"seq"`
	Decided  []ItemDecision `json:"decided,omitempty"` // by leads, on this answer
}

// ItemDecision is a lead's decision on an answer.
type ItemDecision struct {
	Choice string         `json:"choice"` // accept: a deviation; redo: asked again
	By     Person         `json:"by"`
	Reason string         `json:"reason"`
	AtUs   events.Instant `json:"at_us"`
	Seq    uint64         `json:"seq"`
}

// HoldEvent is something that happened at a step's hold point.
type HoldEvent struct {
	Kind string         `json:"kind"`           // opened, released, withdrawn
	Hold string         `json:"hold,omitempty"` // who may release it, of an opened one
	Note string         `json:"note,omitempty"`
	By   *Person        `json:"by,omitempty"`
	AtUs events.Instant `json:"at_us"`
	Seq  uint64         `json:"seq"`
}

// attestedFacts is what the ledger says of what people attested.
type attestedFacts struct {
	ends      []ledger.LooseEnd
	fates     []ledger.LooseEndFate
	items     []ledger.Item
	decisions []ledger.ItemDecision
	sealed    []ledger.SealantEnd
	holds     []ledger.HoldEvent
	takings   []ledger.BenchTaking
}

func (f *facts) gatherAttested(ctx context.Context, q *ledger.Queries, job string) (err error) {
	a := &f.attested
	if a.ends, err = q.LooseEnds(ctx, job); err != nil {
		return err
	}
	if a.fates, err = q.LooseEndFates(ctx, job); err != nil {
		return err
	}
	if a.items, err = q.ItemsOf(ctx, job); err != nil {
		return err
	}
	if a.decisions, err = q.ItemDecisions(ctx, job); err != nil {
		return err
	}
	if a.sealed, err = q.SealantsClosed(ctx, job); err != nil {
		return err
	}
	if a.holds, err = q.Holds(ctx, job); err != nil {
		return err
	}
	a.takings, err = q.BenchTakings(ctx, job)
	return err
}

// attestedInto adds loose ends, who took the bench, and the deviations that
// leads accepted on answers.
func (f *facts) attestedInto(r *Record) {
	for i, e := range f.attested.ends {
		end := LooseEnd{ID: e.LooseEnd, Step: e.Step, What: e.What, Closes: e.Closes, Adhoc: e.Adhoc,
			Opened: Moment{By: f.person(e.By, e.Seq), AtUs: e.AtUs}, Seq: e.Seq}
		until := f.nextOpening(i)
		for _, x := range f.attested.fates {
			if x.LooseEnd != e.LooseEnd || x.Seq < e.Seq || x.Seq >= until {
				continue
			}
			end.Closed = x.Kind == "closed"
			end.Fates = append(end.Fates, LooseEndFate{Kind: x.Kind, How: x.How, Answer: x.Answer, Readings: x.Readings, By: f.somebody(x.By, x.Seq), AtUs: x.AtUs, Seq: x.Seq})
		}
		r.LooseEnds = append(r.LooseEnds, end)
		r.Summary.LooseEnds++
		if !end.Closed {
			r.Summary.LooseEndsOpen++
		}
	}
	for _, t := range f.attested.takings {
		r.History = append(r.History, JobEvent{Kind: "bench taken", By: f.person(t.Person, t.Seq), Bench: t.Bench, Note: "by " + t.How, AtUs: t.AtUs, Seq: t.Seq})
	}
	slices.SortStableFunc(r.History, func(a, b JobEvent) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, d := range f.attested.decisions {
		if d.Choice == events.ChoiceAccept {
			r.Deviations = append(r.Deviations, Deviation{Step: d.Step, Was: d.Was, By: f.person(d.By, d.Seq), Reason: d.Reason, AtUs: d.AtUs, Seq: d.Seq})
		}
	}
	slices.SortStableFunc(r.Deviations, func(a, b Deviation) int { return cmp.Compare(a.Seq, b.Seq) })
}

// nextOpening returns the sequence at which the loose end of row i was opened
// again, beyond all if it was not.
func (f *facts) nextOpening(i int) uint64 {
	for _, e := range f.attested.ends[i+1:] {
		if e.LooseEnd == f.attested.ends[i].LooseEnd {
			return e.Seq
		}
	}
	return f.position + 1
}

// itemsOf returns the answers at a step, with what leads decided on each.
func (f *facts) itemsOf(step string) []Item {
	var out []Item
	for i, x := range f.attested.items {
		if x.Step != step {
			continue
		}
		it := Item{ID: x.Item, Kind: x.Kind, What: x.What, Answer: x.Answer, Other: x.Other, Wanted: x.Wanted, Good: x.Good, Text: x.Text, Remark: x.Remark,
			Photo: x.Photo, Readings: x.Readings, Travel: x.Travel, FromUs: x.FromUs, UntilUs: x.UntilUs, By: f.person(x.By, x.Seq), AtUs: x.AtUs, Seq: x.Seq, Counts: true}
		until := f.position + 1
		for _, y := range f.attested.items[i+1:] {
			if y.Step == step && y.Item == x.Item {
				it.Counts, until = false, y.Seq
				break
			}
		}
		for _, d := range f.attested.decisions {
			if d.Step == step && d.Item == x.Item && x.Seq < d.Seq && d.Seq < until {
				it.Decided = append(it.Decided, ItemDecision{Choice: d.Choice, By: f.person(d.By, d.Seq), Reason: d.Reason, AtUs: d.AtUs, Seq: d.Seq})
				it.Counts = it.Counts && d.Choice == events.ChoiceAccept
			}
		}
		for _, s := range f.attested.sealed {
			if s.Step == step && s.Item == x.Item && x.Seq <= s.Seq && s.Seq < until {
				it.ClosedUs, it.Late = s.AtUs, !s.InTime
			}
		}
		out = append(out, it)
	}
	return out
}

func (f *facts) holdsOf(step string) []HoldEvent {
	var out []HoldEvent
	for _, h := range f.attested.holds {
		if h.Step == step {
			out = append(out, HoldEvent{Kind: h.Kind, Hold: h.Hold, Note: h.Note, By: f.somebody(h.By, h.Seq), AtUs: h.AtUs, Seq: h.Seq})
		}
	}
	return out
}

// by calls say with who did what was attested, and when.
func (a *attestedFacts) by(say func(person string, seq uint64)) {
	for _, x := range a.ends {
		say(x.By, x.Seq)
	}
	for _, x := range a.fates {
		say(x.By, x.Seq)
	}
	for _, x := range a.items {
		say(x.By, x.Seq)
	}
	for _, x := range a.decisions {
		say(x.By, x.Seq)
	}
	for _, x := range a.holds {
		say(x.By, x.Seq)
	}
	for _, x := range a.takings {
		say(x.Person, x.Seq)
	}
}

// String tells an answer in words.
func (x *Item) String() string {
	return join("; ", x.Text, named("remark:", x.Remark), named("photo", x.Photo), x.sealed(), word(!x.Good, "WRONG"), word(!x.Counts, "does not count: answered again or asked again"))
}

func (x *Item) sealed() string {
	switch {
	case x.UntilUs == 0:
		return ""
	case x.ClosedUs == 0:
		return "open until " + clock(x.UntilUs) + ", the joint is not closed"
	case x.Late:
		return "open until " + clock(x.UntilUs) + ", the joint was closed TOO LATE, " + clock(x.ClosedUs)
	}
	return "open until " + clock(x.UntilUs) + ", the joint was closed " + clock(x.ClosedUs)
}

func (p *page) attested(s *Step) {
	for i := range s.Items {
		x := &s.Items[i]
		p.wrap("  "+clock(x.AtUs)+"  ", "asked: "+x.String()+"; by "+x.By.String()+fmt.Sprintf(" (J%d)", x.Seq))
		for _, d := range x.Decided {
			what := "left as it is"
			if d.Choice != events.ChoiceAccept {
				what = "to be put right"
			}
			p.wrap(indent, fmt.Sprintf("%s by %s %s: %s (J%d)", what, d.By, clock(d.AtUs), d.Reason, d.Seq))
		}
	}
	for _, h := range s.Holds {
		what := map[string]string{"opened": "hold point: done, to be released by " + holdWords(h.Hold), "released": "hold point released", "withdrawn": "hold point withdrawn"}[h.Kind]
		if h.By != nil {
			what += ", " + h.By.String()
		}
		p.wrap("  "+clock(h.AtUs)+"  ", join(": ", what, h.Note)+fmt.Sprintf(" (J%d)", h.Seq))
	}
}

func holdWords(who string) string {
	if who == events.ByLead {
		return "a lead"
	}
	return "a second person"
}

func (p *page) looseEnds(r *Record) {
	if len(r.LooseEnds) == 0 {
		return
	}
	p.title("Loose ends")
	for _, e := range r.LooseEnds {
		state := "OPEN"
		if e.Closed {
			state = "closed"
		}
		p.wrap("  "+clock(e.Opened.AtUs)+"  ", fmt.Sprintf("%s: %s, left open by %s; closed by: %s (J%d): %s", e.ID, e.What, e.Opened.By, e.Closes, e.Seq, state))
		for _, x := range e.Fates {
			by := ""
			if x.By != nil {
				by = " by " + x.By.String()
			}
			p.wrap(indent, join(": ", x.Kind+by+" "+clock(x.AtUs), x.How, x.Answer)+fmt.Sprintf(" (J%d)", x.Seq))
		}
	}
}
