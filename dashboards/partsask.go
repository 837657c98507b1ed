package dashboards

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// handView is a part in hand, as it is asked about before a pressing.
type handView struct {
	Part, Name, Number string
	Trace              string // "serial" or "lot"; "" if none is asked
	Attributes         []procedure.AttributeSpec
}

func scanRequest(f form, a events.Ask) events.Data {
	return events.PartScanned{Ask: a, Job: f.job(), Step: f.step(), Text: f.need("text", "Scan a label, or type its number.")}
}

// partRequest makes the answer to one line of a kit: whatever the form holds of
// it. An attribute is posted as attribute=key=value.
func partRequest(f form, a events.Ask) events.Data {
	d := events.PartAnswered{Ask: a, Job: f.job(), Step: f.step(), Part: f.need("part", "The line of the kit is missing: go back to the bench."),
		Trace: f.get("trace"), Condition: events.Condition(f.get("condition"))}
	if n := f.get("count"); n != "" {
		var err error
		if d.Count, err = strconv.Atoi(n); err != nil || d.Count < 1 {
			*f.missing = append(*f.missing, "Write how many as a whole number from 1.")
		}
	}
	d.Attributes = attributesOf(f.values["attribute"])
	for n := 0; ; n++ { // one radio group each, on the form that asks for all at once
		vs := f.values["attribute."+strconv.Itoa(n)]
		if len(vs) == 0 {
			break
		}
		d.Attributes = append(d.Attributes, attributesOf(vs)...)
	}
	return d
}

func attributesOf(list []string) []events.Attribute {
	var out []events.Attribute
	for _, s := range list {
		if k, v, ok := strings.Cut(s, "="); ok && k != "" && v != "" {
			out = append(out, events.Attribute{Key: k, Value: v})
		}
	}
	return out
}

func undoRequest(f form, a events.Ask) events.Data {
	return events.PartUndoAsked{Ask: a, Job: f.job(), Step: f.step(), Part: f.need("place", "Choose the line that is taken back."), Reason: f.reason()}
}

// pairRequest makes the parts in hand of fields named trace.PART and
// attribute.PART.
func pairRequest(f form, a events.Ask) events.Data {
	d := events.PressReadyAsked{Ask: a, Job: f.job(), Step: f.step(), Place: f.need("place", "The place is missing: go back to the bench.")}
	for _, id := range f.values["hand"] {
		h := events.PartInHand{Part: id, Trace: f.get("trace." + id)}
		for name, vs := range f.values {
			if strings.HasPrefix(name, "attribute."+id+".") {
				h.Attributes = append(h.Attributes, attributesOf(vs)...)
			}
		}
		slices.SortFunc(h.Attributes, func(a, b events.Attribute) int { return strings.Compare(a.Key, b.Key) })
		d.Parts = append(d.Parts, h)
	}
	return d
}

func recheckRequest(f form, a events.Ask) events.Data {
	answer := f.need("good", "Say whether it is right.")
	return events.PressRechecked{Ask: a, Job: f.job(), Step: f.step(), Place: f.need("place", "The place is missing: go back to the bench."), Good: answer == "yes", Answer: f.get("answer")}
}

// askPart is the form that answers a line of the kit by hand.
func askPart(_ *Pages, r *http.Request, _ viewer, job *rules.Job, a *askView) error {
	p, i := job.Proc.Part(r.FormValue("part"))
	if p == nil {
		return &pageProblem{Status: http.StatusNotFound, Text: "The kit has no line " + r.FormValue("part") + ".", Todo: "Choose a line of the kit.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Step, a.Title, a.Button = job.Proc.Steps[i].ID, p.Name+", "+p.Number, "Record it"
	a.Lead = "Answered by hand: the record says that it was not scanned. Look at the part, not at the list."
	a.Line = &lineView{Part: p.ID, Count: p.Count, Serial: p.Serial, Lot: p.Lot, Form: p.FormText, Either: p.New && p.Reused, Attributes: p.Attributes}
	for _, rec := range job.Steps[i].Parts {
		if rec.Part == p.ID {
			a.Line.Count -= rec.Count
		}
	}
	return nil
}

// lineView is what is asked about a line of the kit.
type lineView struct {
	Part        string
	Count       int // still open
	Serial, Lot bool
	Form        string
	Either      bool // new or re-used is asked
	Attributes  []procedure.AttributeSpec
}

func askUndo(_ *Pages, r *http.Request, _ viewer, job *rules.Job, a *askView) error {
	step, i := job.Proc.Step(a.Step)
	if i < 0 || len(step.Kit) == 0 {
		return &pageProblem{Status: http.StatusNotFound, Text: "This step has no kit.", Todo: "Go back and choose the parts step.", Back: a.Back, Name: "Back to the bench"}
	}
	a.Title, a.Button, a.Grave = "Take a line of the kit back", "It counts no longer", true
	a.Lead = "What was recorded stays in the record; the line is open again."
	a.Reasons = []string{"The wrong part was scanned", "The part is damaged", "Another part fits better"}
	a.Words = "Other words"
	for _, p := range step.Kit {
		if job.Picked != nil && job.Picked.Part == p.ID || slices.ContainsFunc(job.Steps[i].Parts, func(x events.PartRecorded) bool { return x.Part == p.ID }) {
			a.Places = append(a.Places, choice{Value: p.ID, Text: p.Name + ", " + p.Number, Set: p.ID == r.FormValue("part")})
		}
	}
	if len(a.Places) == 0 {
		return &pageProblem{Status: http.StatusConflict, Text: "Nothing is recorded yet.", Todo: "Scan the kit.", Back: a.Back, Name: "Back to the bench"}
	}
	return nil
}

func askMates(_ *Pages, r *http.Request, _ viewer, job *rules.Job, a *askView) error {
	step, i := job.Proc.Step(a.Step)
	if i < 0 || step.Press == nil || step.Press.Place(r.FormValue("place")) < 0 {
		return &pageProblem{Status: http.StatusNotFound, Text: "There is no such place to press.", Todo: "Go back to the bench.", Back: a.Back, Name: "Back to the bench"}
	}
	q := step.Press.Places[step.Press.Place(r.FormValue("place"))]
	a.Place, a.Title, a.Button, a.Items = q.ID, "Check the pair: "+q.Title, "These are in my hands", step.Cautions
	a.Lead = "Look at the two parts that you are going to press together, and tell what you see. Do not copy it from the list."
	for _, id := range q.Mates {
		m := job.Proc.Mate(id)
		a.hand(job, m.A)
		a.hand(job, m.B)
	}
	return nil
}

// hand adds a part, or an attribute to one that is there.
func (a *askView) hand(job *rules.Job, side procedure.PartAttribute) {
	p, _ := job.Proc.Part(side.Part)
	k := slices.IndexFunc(a.Hands, func(h handView) bool { return h.Part == p.ID })
	if k < 0 {
		h := handView{Part: p.ID, Name: p.Name, Number: p.Number}
		switch {
		case p.Serial:
			h.Trace = "serial"
		case p.Lot:
			h.Trace = "lot"
		}
		a.Hands = append(a.Hands, h)
		k = len(a.Hands) - 1
	}
	if !slices.ContainsFunc(a.Hands[k].Attributes, func(s procedure.AttributeSpec) bool { return s.Key == side.Key }) {
		a.Hands[k].Attributes = append(a.Hands[k].Attributes, *p.Attribute(side.Key))
	}
}
