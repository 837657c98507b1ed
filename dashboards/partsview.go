package dashboards

import (
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// benchParts is what a bench page shows of a kit, a press and photos.
type benchParts struct {
	Kit    *kitView    // of a parts step
	Press  *pressView  // of a press step
	Photos []photoView // of the shown step
	// PhotoForm is for a photo of the shown step; its Job is "" where none are
	// taken.
	PhotoForm partForm
}

// kitView is a kit on the bench page.
type kitView struct {
	Step  string
	Lines []kitLine
	Pick  *pickView
	Open  int // lines that are not whole
}

// kitLine is one line of a kit. State is its shape: "open", "part", "picked" or
// "full".
type kitLine struct {
	ID, Number, Name, State string
	Count                   string // "2 of 3"
	Wants                   []string
	Got                     []string
	ByHand                  bool // it can be answered without a scanner
	Undo                    bool
}

// pickView is the part that is being told.
type pickView struct {
	ID, Name, Number string
	Trace            string // what the scanner is to give next: "serial" or "lot"; "" for nothing
	TraceForm        string
	Told             []string
	Counts           []int // buttons; empty where it is told
	Condition        bool
	Attributes       []procedure.AttributeSpec
}

// pressView is a press step on the bench page.
type pressView struct {
	Step   string
	Places []placeView
	Ask    *recheckView // the question that waits
	Force  string       // the limits in words
	Seat   string       // what shows the seat
}

// placeView is one place; Look is how it is drawn, as a bolt head is.
type placeView struct {
	ID, Title, Word, Figure string
	Icon                    icon
	Next                    bool
	Pair                    bool // its pair is to be checked now
	Must                    []string
}

type recheckView struct {
	Place, Title, Question string
}

func (v viewer) kit(job *rules.Job, i int) *kitView {
	spec, st := &job.Proc.Steps[i], &job.Steps[i]
	if len(spec.Kit) == 0 {
		return nil
	}
	k := &kitView{Step: spec.ID}
	for n := range spec.Kit {
		p := &spec.Kit[n]
		have := 0
		l := kitLine{ID: p.ID, Number: p.Number, Name: p.Name, State: "open", Wants: wantsOf(p), ByHand: !p.Scan && !st.Done}
		for _, r := range st.Parts {
			if r.Part == p.ID {
				have += r.Count
				l.Got = append(l.Got, gotWords(&r))
			}
		}
		picked := job.Picked != nil && job.Picked.Step == spec.ID && job.Picked.Part == p.ID
		switch {
		case have >= p.Count:
			l.State = "full"
		case picked:
			l.State = "picked"
		case have > 0:
			l.State = "part"
		}
		if have < p.Count {
			k.Open++
		}
		l.Undo = have > 0
		l.Count = fmt.Sprintf("%d of %d", have, p.Count)
		k.Lines = append(k.Lines, l)
		if picked {
			k.Pick = pick(p, job.Picked, p.Count-have)
		}
	}
	return k
}

func wantsOf(p *procedure.Part) []string {
	var out []string
	switch {
	case p.MustReplace():
		out = append(out, "new: the old one must be replaced")
	case !p.New:
		out = append(out, "re-used: the unit's own")
	default:
		out = append(out, "new or re-used")
	}
	switch {
	case p.Serial:
		out = append(out, "serial")
	case p.Lot:
		out = append(out, "lot")
	}
	for _, a := range p.Attributes {
		out = append(out, a.Key)
	}
	if p.Scan {
		out = append(out, "by scanner")
	}
	return out
}

func gotWords(r *events.PartRecorded) string {
	parts := []string{fmt.Sprintf("%d %s", r.Count, r.Condition)}
	switch {
	case r.Serial:
		parts = append(parts, "serial "+r.Trace)
	case r.Trace != "":
		parts = append(parts, "lot "+r.Trace)
	}
	for _, a := range r.Attributes {
		parts = append(parts, a.Key+" "+a.Value)
	}
	return strings.Join(parts, ", ")
}

func pick(p *procedure.Part, told *events.PartPicked, left int) *pickView {
	out := &pickView{ID: p.ID, Name: p.Name, Number: p.Number, TraceForm: p.FormText}
	has := func(s string) { out.Told = append(out.Told, s) }
	switch {
	case told.Trace != "":
		what := "lot "
		if p.Serial {
			what = "serial "
		}
		has(what + told.Trace)
	case p.Serial:
		out.Trace = "serial"
	case p.Lot:
		out.Trace = "lot"
	}
	if told.Count > 0 {
		has(fmt.Sprintf("count %d", told.Count))
	} else if !p.Serial && left > 1 {
		for n := 1; n <= min(left, 8); n++ {
			out.Counts = append(out.Counts, n)
		}
		if left > 8 {
			out.Counts[7] = left
		}
	}
	if told.Condition != "" {
		has(string(told.Condition))
	} else {
		out.Condition = p.New && p.Reused
	}
	for _, a := range p.Attributes {
		told := attributeOf(told.Attributes, a.Key)
		if told == "" {
			out.Attributes = append(out.Attributes, a)
		} else {
			has(a.Key + " " + told)
		}
	}
	return out
}

func attributeOf(as []events.Attribute, key string) string {
	for _, a := range as {
		if a.Key == key {
			return a.Value
		}
	}
	return ""
}

func (v viewer) press(job *rules.Job, i int, current bool) *pressView {
	spec, st := &job.Proc.Steps[i], &job.Steps[i]
	if spec.Press == nil {
		return nil
	}
	out := &pressView{Step: spec.ID, Force: "Force " + limitWords(spec.Press.LSL, spec.Press.USL, spec.Press.Unit)}
	if s := spec.Press.Seat; s != nil {
		var ways []string
		if !s.Jump.IsZero() {
			ways = append(ways, "the force rises by "+withUnit(s.Jump, spec.Press.Unit)+" once the part is home")
		}
		if !s.TravelHi.IsZero() {
			ways = append(ways, "after "+limitWords(s.TravelLo, s.TravelHi, unitFor(v.st.Shop, s.TravelHi, quantity.Unit{}))+" of travel")
		}
		out.Seat = "Seat: " + strings.Join(ways, ", ")
	}
	next, wants, ok := job.NextPress(i)
	for k, q := range spec.Press.Places {
		p := &st.Presses[k]
		x := placeView{ID: q.ID, Title: q.Title, Next: ok && k == next && current}
		if p.Mark.Reading != 0 {
			x.Figure = withUnit(p.Mark.Judged.Value, spec.Press.Unit)
		}
		for _, id := range q.Mates {
			x.Must = append(x.Must, job.Proc.Mate(id).MustMatch())
		}
		x.Icon, x.Word = placeLook(p, job.PressWants(i, k), x.Next)
		x.Pair = current && job.PressWants(i, k) == rules.PressPair
		out.Places = append(out.Places, x)
	}
	if ok && wants == rules.PressRecheck && current {
		out.Ask = &recheckView{spec.Press.Places[next].ID, spec.Press.Places[next].Title, job.PressQuestion(i, next)}
	}
	return out
}

// placeLook draws a place as a bolt head is drawn: what is known of it is its
// shape.
func placeLook(p *rules.PressState, w rules.PressWants, next bool) (icon, string) {
	switch {
	case p.Accepted:
		return icon{Look: rules.LookWitnessed, Grade: events.Placed, Accepted: true}, "accepted"
	case w == rules.PressLead:
		return icon{Look: rules.LookHigh}, "held for a lead"
	case w == rules.PressNothing:
		return icon{Look: rules.LookWitnessed, Grade: events.Placed}, "pressed"
	case w == rules.PressRecheck:
		return icon{Look: rules.LookPart, Next: next, Part: true}, "to be re-checked"
	case p.Mark.Reading != 0 && p.Mark.Verdict == events.Low:
		return icon{Look: rules.LookLow, Next: next}, "too little force: press again"
	case p.Mark.Reading != 0:
		return icon{Look: rules.LookDoubtful, Next: next}, "no seat: look, press again"
	case p.Redo:
		return icon{Look: rules.LookDisturbed, Next: next}, "to be done again"
	case w == rules.PressPair && next:
		return icon{Look: rules.LookNext, Next: true}, "check the pair first"
	case next:
		return icon{Look: rules.LookNext, Next: true}, "next"
	}
	return icon{Look: rules.LookWaiting}, ""
}

// nextParts says what is next in a parts or press step; ok is false for others.
func (v viewer) nextParts(job *rules.Job, i int) (n nextView, ok bool) {
	spec := &job.Proc.Steps[i]
	switch {
	case len(spec.Kit) > 0:
		missing := job.KitMissing(i)
		if k := job.Picked; k != nil && k.Step == spec.ID {
			p, _ := job.Proc.Part(k.Part)
			return nextView{Kind: "parts", Where: p.Name, How: "Still to be told: " + strings.Join(k.Missing, "; ")}, true
		}
		if len(missing) == 0 {
			return nextView{Kind: "confirm", Where: spec.Title, How: "The kit is whole. Confirm the statement."}, true
		}
		return nextView{Kind: "parts", Where: "Scan the kit", How: plural(len(missing), "line") + " open. First: " + missing[0]}, true
	case spec.Press != nil:
		return v.nextPress(job, i), true
	}
	return nextView{}, false
}

func (v viewer) nextPress(job *rules.Job, i int) nextView {
	spec := &job.Proc.Steps[i]
	k, wants, ok := job.NextPress(i)
	if !ok {
		for k := range job.Steps[i].Presses {
			if job.Steps[i].Presses[k].Held {
				return nextView{Kind: "held", Where: "A lead must decide", How: "Held: " + spec.Press.Places[k].Title}
			}
		}
		return nextView{Kind: "confirm", Where: spec.Title, How: "All is pressed. Confirm the statement."}
	}
	q := &spec.Press.Places[k]
	switch wants {
	case rules.PressPair:
		return nextView{Kind: "press", Where: q.Title, How: "Check the pair before you press", Note: "The parts become one: this is the last moment to see whether they match."}
	case rules.PressRecheck:
		return nextView{Kind: "press", Where: q.Title, How: job.PressQuestion(i, k), Note: "Answer before the next one is pressed."}
	}
	return nextView{Kind: "press", Where: "Press " + q.Title, How: limitWords(spec.Press.LSL, spec.Press.USL, spec.Press.Unit), Note: "Guard closed, face out of line: presses throw parts."}
}

// heldPlaces lists the places that wait for a lead's decision.
func heldPlaces(job *rules.Job) []string {
	var out []string
	for i := range job.Steps {
		for k := range job.Steps[i].Presses {
			if job.Steps[i].Presses[k].Held {
				out = append(out, fmt.Sprintf("%s of step %d", job.Proc.Steps[i].Press.Places[k].Title, i+1))
			}
		}
	}
	return out
}

// confirmable reports whether a parts or press step only waits for its
// statement to be confirmed; others are left as they are.
func confirmable(job *rules.Job, i int) bool {
	spec := &job.Proc.Steps[i]
	switch {
	case len(spec.Kit) > 0:
		return spec.Statement != "" && len(job.KitMissing(i)) == 0
	case spec.Press != nil:
		if spec.Statement == "" {
			return false
		}
		for k := range job.Steps[i].Presses {
			if job.PressWants(i, k) != rules.PressNothing {
				return false
			}
		}
	}
	return true
}

// partForm is the hidden part of a form about a line of a kit, or a photo.
type partForm struct{ Bench, Job, Step, Part string }

// pressWords says where a pressing was and what its force is worth.
func pressWords(spec *procedure.Step, j *events.ReadingJudged) (where, word string) {
	where, word = spec.Title, verdictWords(j.Verdict)
	if k := spec.Press.Place(j.Fastener); k >= 0 {
		where += ": " + spec.Press.Places[k].Title
	}
	switch j.Verdict {
	case events.Low:
		word = "Too little force: press again"
	case events.High:
		word = "Above the force limit: held for a lead"
	}
	if j.Held && j.Verdict != events.High {
		word = "Held for a lead"
	}
	return where, word
}
