package rules

import (
	"fmt"
	"strings"

	"witnessmark/events"
)

// Badge returns who has a badge or a short code, and which of the two it was;
// ok is false if nobody has. Letter case does not count in a short code.
func (s *State) Badge(line string) (p events.Person, how string, ok bool) {
	line = strings.TrimSpace(line)
	if line == "" {
		return events.Person{}, "", false
	}
	for _, p := range s.Shop.People {
		if p.Badge == line {
			return p, "badge", true
		}
	}
	for _, p := range s.Shop.People {
		if p.Code != "" && strings.EqualFold(p.Code, line) {
			return p, "code", true
		}
	}
	return events.Person{}, "", false
}

// badge says who works at a bench from now on: what is pulled at the job that
// is there is that person's. A badge proves nothing, it names.
func (t *tx) badge(d events.BadgeScanned) {
	r := &request{Ask: d.Ask, name: requestName(d)}
	line := strings.TrimSpace(d.Badge)
	p, how, ok := t.s.Badge(line)
	switch {
	case !t.s.index.benches[d.Bench]:
		t.refuse(r, "unknown_bench", fmt.Sprintf("this shop has no bench %q", d.Bench), "Name a bench of the shop file.")
		return
	case line == "":
		t.refuse(r, "no_answer", "the scan is empty", "Scan the badge again, or type the short code.")
		return
	case !ok:
		t.refuse(r, "unknown_badge", fmt.Sprintf("nobody in this shop has the badge or code %q", line), "Scan the badge again, or choose your name. Whoever keeps the shop file puts a new badge into it.")
		return
	}
	t.by, t.who = p.ID, p.ID
	o := events.BenchTaken{Bench: d.Bench, Person: p.ID, How: how, AtUs: t.at}
	if id := t.s.BenchJob[d.Bench]; id != "" && t.s.works(p.ID) {
		if t.open(id); t.job.Technician == p.ID {
			return // so it is
		}
		o.Job, o.Was = id, t.job.Technician
	}
	t.add(o)
}

// attested gives an outcome of what people attest to the job.
func (j *Job) applyAttested(o events.OutcomeData) {
	switch d := o.(type) {
	case events.LooseEndOpened, events.LooseEndClosed, events.LooseEndReopened:
		j.applyLooseEnd(o)
	case events.ItemAnswered, events.ItemDecided, events.SealantClosed:
		j.applyItem(o)
	case events.HoldOpened, events.HoldReleased, events.HoldWithdrawn:
		j.applyHold(o)
	case events.BenchTaken:
		j.Technician = d.Person
	}
}
