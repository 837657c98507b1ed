package procedure

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// ItemKind is what a step asks a person about.
type ItemKind string

// The kinds of item.
const (
	ItemMark    ItemKind = "mark"    // a mark made at tear-down: its clock position is recorded
	ItemMatch   ItemKind = "match"   // the same mark at assembly: it must stand as it was recorded
	ItemFacing  ItemKind = "facing"  // which way a part faces
	ItemStop    ItemKind = "stop"    // turned one way and the other, it stops both ways
	ItemSealant ItemKind = "sealant" // has an open time
	ItemGrease  ItemKind = "grease"
)

// Item is one thing that a step asks a person: an attestation that is a choice
// or a figure, not a reflex.
type Item struct {
	ID   string // unique in the step; of a match, the id of the mark
	Kind ItemKind
	What string // for people: "paint mark on the 3-4 hub", "ring of third gear"
	Todo string // what to do when the answer is wrong, "" for the usual words

	MarkStep string   // of a match: the step that recorded the mark
	Choices  []Choice // of a facing item: the right one first

	Where, Never []string      // of sealant and grease: where it goes, and where never
	Open, Warn   time.Duration // of sealant: its open time, and how long before the end to warn
	Until        string        // of sealant: the torque step whose last bolt ends it

	Travel quantity.Dimension // of a stop check whose free travel is measured, else NoDimension
	Unit   quantity.Unit      // in which the procedure states it
	Spread quantity.Value     // the free travel may differ between the rings by no more; zero: any
	Most   quantity.Value     // the greatest free travel; zero: any
}

// Choice is one way that a part can face.
type Choice struct {
	Text string
	Face string // id of a face that shows it, "" for none
}

// LooseEnd is something that a step leaves open for a later one to close.
type LooseEnd struct {
	ID    string // unique in the procedure
	What  string // "plug D2 slackened until the case is on"
	After int    // index of the pass that opens it, -1: the step when it is done
	// What closes it: readings of a torque step, or a word.
	Step      string // of the readings, "" for a word
	Fasteners []int  // of that step
	Pass      int    // of that step; -1: the last pass of each fastener
	Attest    string // what has to be attested
	Who       string // by whom: events.ByAnyone, BySecond or ByLead
}

// Item returns the step's item with an id, or nil.
func (s *Step) Item(id string) *Item {
	for i := range s.Items {
		if s.Items[i].ID == id {
			return &s.Items[i]
		}
	}
	return nil
}

// LooseEnd returns the loose end with an id and the step that opens it, or nil
// and -1.
func (p *Procedure) LooseEnd(id string) (*LooseEnd, int) {
	for i := range p.Steps {
		for k := range p.Steps[i].Opens {
			if p.Steps[i].Opens[k].ID == id {
				return &p.Steps[i].Opens[k], i
			}
		}
	}
	return nil, -1
}

// Final returns the last pass that fastener f is pulled in, the closing round
// apart, or -1.
func (j *Joint) Final(f int) int {
	for p := len(j.Passes) - 1; p >= 0; p-- {
		if !j.Passes[p].Closing && slices.Contains(j.Passes[p].Order, f) {
			return p
		}
	}
	return -1
}

// attested reads, for all steps, what they ask, open, need and hold.
func (r *reader) attested(root at, p *Procedure) {
	items := root.get("steps").items()
	marks, ends := map[string]marked{}, map[string]int{} // by id: where it was recorded, and opened
	seenMarks, seenEnds := ids{}, ids{}
	for i, s := range items {
		if i >= len(p.Steps) {
			break
		}
		step := &p.Steps[i]
		step.Hold = s.get("hold").text()
		step.Needs = r.earlier(s, "needs", "step", stepIDs(p), i)
		seen := ids{}
		r.marks(s, step, seen, seenMarks, marks)
		r.facing(s, step, p, seen)
		r.stops(s, step, seen)
		r.apply(s, step, p, i, seen)
		r.hardens(s, step, ends)
		for _, o := range s.get("opens").items() {
			r.once(seenEnds, o.get("id"), "loose end")
			step.Opens = append(step.Opens, r.looseEnd(o, p, i))
			ends[o.get("id").text()] = i
		}
	}
	r.neverHardened(items, p)
}

// marked is where a mark was recorded, and what it is.
type marked struct{ step, what string }

func stepIDs(p *Procedure) []string {
	all := make([]string, len(p.Steps))
	for i := range p.Steps {
		all[i] = p.Steps[i].ID
	}
	return all
}

// earlier reads a list of earlier steps.
func (r *reader) earlier(s at, key, what string, all []string, i int) []string {
	seen := ids{}
	for _, c := range s.get(key).items() {
		id := c.text()
		if id == "" {
			continue
		}
		r.once(seen, c, what)
		switch j := slices.Index(all, id); {
		case j < 0:
			r.err(c, fmt.Sprintf("unknown %s %q", what, id), oneOf(id, all[:i]))
		case j >= i:
			r.err(c, fmt.Sprintf("%s %q is not before this one, so it cannot be done first", what, id), "an earlier step, or list the steps in another order")
		}
	}
	return s.get(key).texts()
}

func (r *reader) marks(s at, step *Step, seen, seenMarks ids, marks map[string]marked) {
	for _, m := range s.get("matches").items() {
		id := m.text()
		if id == "" {
			continue
		}
		r.once(seen, m, "item")
		was, known := marks[id]
		if !known {
			r.err(m, fmt.Sprintf("no earlier step records a mark %q", id), "the id of a mark under marks: of an earlier step")
			continue
		}
		step.Items = append(step.Items, Item{ID: id, Kind: ItemMatch, MarkStep: was.step, What: was.what})
	}
	for _, m := range s.get("marks").items() {
		id := m.get("id").text()
		if id == "" {
			continue
		}
		r.once(seen, m.get("id"), "item")
		r.once(seenMarks, m.get("id"), "mark")
		marks[id] = marked{step.ID, m.get("what").text()}
		step.Items = append(step.Items, Item{ID: id, Kind: ItemMark, What: m.get("what").text()})
	}
}

func (r *reader) facing(s at, step *Step, p *Procedure, seen ids) {
	for _, f := range s.get("facing").items() {
		r.once(seen, f.get("id"), "item")
		it := Item{ID: f.get("id").text(), Kind: ItemFacing, What: f.get("what").text(), Todo: f.get("todo").text()}
		texts := ids{}
		for _, c := range append([]at{f.get("right")}, f.get("wrong").items()...) {
			if !c.ok() {
				continue
			}
			ch := Choice{Text: c.text()}
			words := c
			if c.isMap() {
				words = c.get("text")
				ch = Choice{Text: words.text(), Face: c.get("face").text()}
				r.faceOf(c, p)
			}
			if key := strings.ToLower(ch.Text); key != "" {
				if _, twice := texts[key]; twice {
					r.err(words, fmt.Sprintf("the answer %q is offered twice", short(ch.Text)), "answers that differ: the right way, and the ways it can be put in wrongly")
				}
				texts[key] = words
			}
			it.Choices = append(it.Choices, ch)
		}
		step.Items = append(step.Items, it)
	}
}

func (r *reader) stops(s at, step *Step, seen ids) {
	p := s.get("stops")
	if !p.isMap() {
		return
	}
	base := Item{Kind: ItemStop, Todo: p.get("todo").text()}
	if t := p.get("travel"); t.isMap() {
		base.Travel = quantity.DimAngle
		for _, x := range []struct {
			p  at
			to *quantity.Value
		}{{t.get("spread"), &base.Spread}, {t.get("most"), &base.Most}} {
			a, ok := r.amount(x.p, quantity.NoDimension)
			if !ok || a.IsZero() {
				continue
			}
			if d := a.Dimension(); d != quantity.DimAngle && d != quantity.DimLength || a.Base() <= 0 {
				r.err(x.p, fmt.Sprintf("%q is no free travel", a.text), "an angle or a length above 0, such as \"2°\" or \"0.3 mm\"")
				continue
			}
			if !base.Unit.IsZero() && base.Travel != a.Dimension() {
				r.err(x.p, fmt.Sprintf("%q is %s, the other limit is %s", a.text, withArticle(a.Dimension()), withArticle(base.Travel)), "both in the same kind of unit")
			}
			base.Travel, base.Unit, *x.to = a.Dimension(), a.unit, a.Value
		}
		if base.Unit.IsZero() && !r.broken(t) {
			base.Unit = quantity.Degree
		}
	}
	rings := p.get("rings").items()
	if !base.Spread.IsZero() && len(rings) < 2 {
		r.err(p.get("travel"), "a spread needs two rings to compare", "a second ring, or most: in place of spread:")
	}
	for _, ring := range rings {
		it := base
		it.ID = ring.text()
		if it.ID == "" {
			continue
		}
		r.once(seen, ring, "item")
		it.What = strings.TrimSpace(p.get("what").text() + " " + it.ID)
		step.Items = append(step.Items, it)
	}
}

func (r *reader) apply(s at, step *Step, p *Procedure, i int, seen ids) {
	for _, c := range s.get("apply").items() {
		r.once(seen, c.get("id"), "item")
		it := Item{
			ID: c.get("id").text(), Kind: ItemKind(c.get("kind").text()), What: c.get("what").text(), Todo: c.get("todo").text(),
			Where: c.get("where").texts(), Never: c.get("never").texts(), Until: c.get("until").text(),
		}
		if o := c.get("open"); o.ok() {
			it.Open = r.span(o, "open")
		}
		r.openTime(c, &it, p, i)
		step.Items = append(step.Items, it)
	}
}

// openTime checks what ends a sealant's open time.
func (r *reader) openTime(c at, it *Item, p *Procedure, i int) {
	if it.Kind == ItemGrease {
		for _, key := range []string{"open", "warn", "until"} {
			if c.get(key).ok() {
				r.err(c.key(key), fmt.Sprintf("grease has no %s", key), "kind: sealant, or leave it out")
			}
		}
		return
	}
	if it.Open == 0 {
		if !r.broken(c) {
			r.err(c, "a sealant without an open time", "open: the time from application to the last bolt, as its maker states it, such as 10 min")
		}
		return
	}
	it.Warn = it.Open / 4 // our choice
	if w := c.get("warn"); w.ok() {
		if it.Warn = r.span(w, "warn"); it.Warn >= it.Open {
			r.err(w, fmt.Sprintf("warn %s is not shorter than the open time", show(w)), "how long before the end to warn, such as 2 min")
		}
	}
	switch t, k := p.Step(it.Until); {
	case it.Until == "" && p.Steps[i].Kind == Torque:
		it.Until = p.Steps[i].ID
	case it.Until == "":
		r.err(c, "nothing says which joint ends the open time", "until: the torque step whose last bolt closes the joint")
	case t == nil:
		r.err(c.get("until"), fmt.Sprintf("unknown step %q", it.Until), oneOf(it.Until, stepIDs(p)))
	case t.Kind != Torque || k < i:
		r.err(c.get("until"), fmt.Sprintf("step %q does not close a joint after this", it.Until), "this or a later step of kind torque")
	}
}

func (r *reader) hardens(s at, step *Step, ends map[string]int) {
	seen := ids{}
	for _, h := range s.get("hardens").items() {
		id := h.text()
		if id == "" {
			continue
		}
		r.once(seen, h, "loose end")
		if _, known := ends[id]; !known {
			r.err(h, fmt.Sprintf("no earlier step opens a loose end %q", id), "the id of a loose end under opens: of an earlier step")
		}
	}
	step.Hardens = s.get("hardens").texts()
}

func (r *reader) looseEnd(o at, p *Procedure, i int) LooseEnd {
	e := LooseEnd{ID: o.get("id").text(), What: o.get("what").text(), After: -1, Pass: -1}
	if a := o.get("after"); a.ok() {
		if j := p.Steps[i].Joint; j == nil {
			r.err(a, "only a torque step has passes to come after", "leave it out: the loose end opens when the step is done")
		} else if e.After = passIndex(j, a.text()); e.After < 0 {
			r.err(a, fmt.Sprintf("step %q has no pass %q", p.Steps[i].ID, a.text()), oneOf(a.text(), passNames(j)))
		}
	}
	c := o.get("closes")
	e.Attest, e.Who = c.get("attest").text(), c.get("by").text()
	if e.Who == "anyone" {
		e.Who = events.ByAnyone
	}
	t := c.get("torque")
	switch {
	case t.ok() == (e.Attest != "") && c.isMap():
		r.err(c, fmt.Sprintf("loose end %q is to be closed by readings and by a word, or by neither", e.ID), "exactly one of torque: and attest:")
	case t.ok() && c.get("by").ok():
		r.err(c.key("by"), "readings close it, whoever takes them", "leave by: out, or attest: what has to be attested")
	case t.isMap():
		r.closingPulls(t, p, i, &e)
	}
	return e
}

// closingPulls reads which readings close a loose end.
func (r *reader) closingPulls(t at, p *Procedure, i int, e *LooseEnd) {
	e.Step = t.get("step").text()
	step, k := p.Step(e.Step)
	switch {
	case e.Step == "":
		return
	case step == nil:
		r.err(t.get("step"), fmt.Sprintf("unknown step %q", e.Step), oneOf(e.Step, stepIDs(p)))
		return
	case step.Joint == nil:
		r.err(t.get("step"), fmt.Sprintf("step %q takes no torque readings", e.Step), "a step of kind torque, or attest: what has to be attested")
		return
	case k == i && e.After < 0:
		r.err(t.get("step"), fmt.Sprintf("loose end %q is closed by the step that opens it", e.ID), "after: the pass that leaves it loose, or a later step")
		return
	}
	if pass := t.get("pass"); pass.ok() {
		if e.Pass = passIndex(step.Joint, pass.text()); e.Pass < 0 {
			r.err(pass, fmt.Sprintf("step %q has no pass %q", e.Step, pass.text()), oneOf(pass.text(), passNames(step.Joint)))
		} else if k == i && e.Pass <= e.After {
			r.err(pass, fmt.Sprintf("pass %q is not after the one that opens loose end %q", pass.text(), e.ID), "a later pass")
		}
	}
	for _, f := range t.get("fasteners").items() {
		n := step.Joint.Fastener(f.text())
		if n < 0 && f.text() != "" {
			var known []string
			for _, x := range step.Joint.Fasteners {
				known = append(known, x.ID)
			}
			r.err(f, fmt.Sprintf("step %q has no fastener %q", e.Step, f.text()), oneOf(f.text(), known))
			continue
		}
		if n >= 0 {
			e.Fasteners = append(e.Fasteners, n)
		}
	}
	if !t.get("fasteners").ok() {
		for n := range step.Joint.Fasteners {
			if e.Pass < 0 || slices.Contains(step.Joint.Passes[e.Pass].Order, n) {
				e.Fasteners = append(e.Fasteners, n)
			}
		}
	}
	for _, n := range e.Fasteners {
		if e.Pass >= 0 && !slices.Contains(step.Joint.Passes[e.Pass].Order, n) {
			r.err(t, fmt.Sprintf("fastener %s is not in pass %q", step.Joint.Fasteners[n].ID, step.Joint.Passes[e.Pass].Name), "a pass that pulls each of the fasteners")
		}
	}
}

// neverHardened warns of loose ends that nobody would hear of before release.
func (r *reader) neverHardened(items []at, p *Procedure) {
	if r.probs.Err() != nil {
		return // the first things first
	}
	for i := range p.Steps {
		for k, o := range items[i].get("opens").items() {
			if e := &p.Steps[i].Opens[k]; e.ID != "" && !p.hardened(e, i) {
				r.warn(o, fmt.Sprintf("no later step says that it makes loose end %q harder to close, so it is told at release at the earliest", e.ID),
					fmt.Sprintf("hardens: [%s] on the step after which it is hard to reach", e.ID))
			}
		}
	}
}

func (p *Procedure) hardened(e *LooseEnd, opener int) bool {
	for k := opener + 1; k < len(p.Steps); k++ {
		if p.Steps[k].Harder(e, p.Steps[opener].ID) {
			return true
		}
	}
	return false
}

// Harder reports whether the step makes a loose end harder to close: it says
// so, or it covers what closes it. opener is the id of the step that opens it.
func (s *Step) Harder(e *LooseEnd, opener string) bool {
	if slices.Contains(s.Hardens, e.ID) {
		return true
	}
	at := e.Step
	if at == "" {
		at = opener
	}
	return slices.Contains(s.Covers, at)
}

func passIndex(j *Joint, name string) int {
	return slices.IndexFunc(j.Passes, func(p Pass) bool { return p.Name == name && !p.Closing })
}

func passNames(j *Joint) []string {
	var names []string
	for _, p := range j.Passes {
		if !p.Closing {
			names = append(names, p.Name)
		}
	}
	return names
}
