package rules

import (
	"fmt"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/rules/procedure"
)

// SerialUse says which job a part with a serial went into.
type SerialUse struct {
	Job, Step, Part string
}

// serialKey is the key of a part in State.Serials.
func serialKey(number, serial string) string { return number + " " + serial }

// mostScan is the greatest length of a scanned line that is looked at.
const mostScan = 200

// kitStep looks up an open parts step with a kit, or refuses.
func (t *tx) kitStep(r *request, job, step string) (int, bool) {
	if !t.mayWork(r) || !t.activeJob(r, job) {
		return 0, false
	}
	i, ok := t.step(r, step)
	switch {
	case !ok:
	case len(t.job.Proc.Steps[i].Kit) == 0:
		t.refuse(r, "no_kit", fmt.Sprintf("%s has no kit", t.job.title(i)), "Scan parts at the step that lists them.")
	case t.job.Steps[i].Accepted || t.job.Steps[i].Done:
		t.refuse(r, "already_done", fmt.Sprintf("%s is done", t.job.title(i)), "If a part was recorded wrongly, take its line back with a reason; then scan again.")
	default:
		return i, true
	}
	return 0, false
}

// scanned takes one line of a scanner.
func (t *tx) scanned(r *request, d events.PartScanned) {
	i, ok := t.kitStep(r, d.Job, d.Step)
	if !ok {
		return
	}
	text := strings.TrimSpace(d.Text)
	if text == "" || len(text) > mostScan {
		t.refuse(r, "unreadable_scan", fmt.Sprintf("the scanned line has %d characters", len(text)), fmt.Sprintf("Scan the label again: a part number, or a lot or serial, %d characters at most.", mostScan))
		return
	}
	number, trace := splitScan(text)
	p := t.job.lineOf(i, number)
	picked := t.job.Picked
	switch {
	case p != nil:
		t.tellPart(r, i, p, events.PartPicked{Job: d.Job, Step: d.Step, Part: p.ID, Scanned: true, Trace: trace})
	case picked != nil && picked.Step == d.Step && picked.Trace == "" && t.job.wantsTrace(i, picked.Part):
		p, _ := t.job.Proc.Part(picked.Part)
		next := *picked
		next.Trace = text
		t.tellPart(r, i, p, next)
	default:
		t.unknownPart(r, i, text, number)
	}
}

// splitScan parts a scanned line into a part number and what stands behind it.
func splitScan(text string) (number, trace string) {
	k := strings.IndexAny(text, " \t;|")
	if k < 0 {
		return text, ""
	}
	return text[:k], strings.Trim(text[k:], " \t;|")
}

// lineOf returns the line of a kit that a part number is for: the first that
// wants more, else the first with the number; nil if none has it.
func (j *Job) lineOf(i int, number string) *procedure.Part {
	var found *procedure.Part
	kit := j.Proc.Steps[i].Kit
	for k := range kit {
		if !strings.EqualFold(kit[k].Number, number) {
			continue
		}
		if j.recorded(i, kit[k].ID) < kit[k].Count {
			return &kit[k]
		}
		if found == nil {
			found = &kit[k]
		}
	}
	return found
}

func (j *Job) wantsTrace(i int, part string) bool {
	for _, p := range j.Proc.Steps[i].Kit {
		if p.ID == part {
			return p.Serial || p.Lot
		}
	}
	return false
}

// unknownPart refuses a scanned line that is no part of the kit.
func (t *tx) unknownPart(r *request, i int, text, number string) {
	for _, p := range t.s.Shop.People {
		if p.Badge != "" && p.Badge == text {
			t.refuse(r, "badge", fmt.Sprintf("this is the badge of %s, not a part", t.s.personName(p.ID)), "Press Esc in the scan field, then scan the badge.")
			return
		}
	}
	for k := range t.job.Proc.Steps {
		if k != i && t.job.lineOf(k, number) != nil {
			t.refuse(r, "other_kit", fmt.Sprintf("%s belongs to %s, not to %s", number, t.job.title(k), t.job.title(i)), "Lay it aside and scan it at its own step.")
			return
		}
	}
	var known []string
	for _, p := range t.job.Proc.Steps[i].Kit {
		known = append(known, p.Number+" "+p.Name)
	}
	what := fmt.Sprintf("%q is no part number of this kit", text)
	if p := t.job.Picked; p != nil && p.Trace != "" {
		what += ", and the part before has its lot or serial already"
	}
	t.refuse(r, "unknown_part", what, "Do not fit it. Compare the label with the kit; scan the part number first, then the lot or serial. A part that replaces another takes a new revision of the procedure.", known...)
}

// partAnswered answers a line by hand, or adds to the part scanned last.
func (t *tx) partAnswered(r *request, d events.PartAnswered) {
	i, ok := t.kitStep(r, d.Job, d.Step)
	if !ok {
		return
	}
	p := t.job.line(i, d.Part)
	if p == nil {
		t.refuse(r, "unknown_part", fmt.Sprintf("%s has no line %q", t.job.title(i), d.Part), "Look for the line in the kit.")
		return
	}
	next := events.PartPicked{Job: d.Job, Step: d.Step, Part: d.Part}
	if k := t.job.Picked; k != nil && k.Step == d.Step && k.Part == d.Part {
		next = *k
	}
	if d.Trace != "" {
		next.Trace = strings.TrimSpace(d.Trace)
	}
	if d.Count != 0 {
		next.Count = d.Count
	}
	if d.Condition != "" {
		next.Condition = d.Condition
	}
	next.Attributes = mergeAttributes(next.Attributes, d.Attributes)
	t.tellPart(r, i, p, next)
}

// line returns a line of the kit of step i, or nil.
func (j *Job) line(i int, id string) *procedure.Part {
	kit := j.Proc.Steps[i].Kit
	for k := range kit {
		if kit[k].ID == id {
			return &kit[k]
		}
	}
	return nil
}

// mergeAttributes returns old with what is new in more put in its place or
// behind it.
func mergeAttributes(old, more []events.Attribute) []events.Attribute {
	out := slices.Clone(old)
	for _, a := range more {
		if k := slices.IndexFunc(out, func(b events.Attribute) bool { return b.Key == a.Key }); k >= 0 {
			out[k] = a
		} else {
			out = append(out, a)
		}
	}
	return out
}

func attribute(as []events.Attribute, key string) string {
	for _, a := range as {
		if a.Key == key {
			return a.Value
		}
	}
	return ""
}

// tellPart records a part once all is known of it, or says what is missing. It
// refuses what cannot be.
func (t *tx) tellPart(r *request, i int, p *procedure.Part, next events.PartPicked) {
	left := p.Count - t.job.recorded(i, p.ID)
	switch {
	case left <= 0:
		t.refuse(r, "line_full", fmt.Sprintf("all %d of %s are recorded", p.Count, partName(p)), "Lay this one aside. If another one was recorded by mistake, take the line back and scan it anew.")
	case next.Count < 0 || next.Count > left:
		t.refuse(r, "wrong_count", fmt.Sprintf("%d of %s, and %d of %d are still to be told", next.Count, partName(p), left, p.Count), fmt.Sprintf("Tell 1 to %d.", left))
	case p.Serial && next.Count > 1:
		t.refuse(r, "wrong_count", fmt.Sprintf("each %s has its own serial", p.Name), "Scan them one by one.")
	case p.Scan && !next.Scanned:
		t.refuse(r, "scan_needed", fmt.Sprintf("the number of %s must come from a scanner", partName(p)), "Scan its label. If the label cannot be read, a lead decides about the step.")
	case t.goodTrace(r, i, p, &next) && t.goodCondition(r, p, &next) && t.goodAttributes(r, p, &next) && t.goodPairs(r, p, next.Attributes):
		t.recordPart(r, i, p, next, left)
	}
}

func partName(p *procedure.Part) string { return p.Name + " (" + p.Number + ")" }

// goodTrace checks lot or serial: its form, and that the part is not used
// already.
func (t *tx) goodTrace(r *request, i int, p *procedure.Part, next *events.PartPicked) bool {
	if next.Trace == "" || !p.Serial && !p.Lot {
		return true
	}
	what := "lot"
	if p.Serial {
		what = "serial"
	}
	if p.Form != nil && !p.Form.MatchString(next.Trace) {
		t.refuse(r, "wrong_"+what, fmt.Sprintf("%q is no %s of %s: that has the form %s", next.Trace, what, partName(p), p.FormText),
			fmt.Sprintf("Scan the code of the %s itself: labels often have several. If the label is right, have the procedure's form put right.", what))
		return false
	}
	if !p.Serial {
		return true
	}
	use, used := t.s.Serials[serialKey(p.Number, next.Trace)]
	switch {
	case !used:
		return true
	case use.Job == t.job.ID:
		t.refuse(r, "serial_twice", fmt.Sprintf("serial %s of %s is recorded in this job already", next.Trace, partName(p)), "Scan the other part: two parts cannot have one serial.")
	case !t.s.Ended[use.Job]:
		t.refuse(r, "serial_elsewhere", fmt.Sprintf("serial %s of %s is recorded in job %q, which is open", next.Trace, partName(p), use.Job),
			"One of the two labels was scanned at the wrong unit. Look at both parts; take the wrong line back there, then scan here.")
	case !p.Reused:
		t.refuse(r, "used_before", fmt.Sprintf("serial %s of %s went into job %q, and a used one must not go in again", next.Trace, partName(p), use.Job), "Take a new part.")
	case next.Condition == events.PartNew:
		t.refuse(r, "used_before", fmt.Sprintf("serial %s of %s went into job %q, so it is not new", next.Trace, partName(p), use.Job), "Say that it is re-used, or take another part.")
	default:
		next.Condition = events.PartReused
		return true
	}
	return false
}

// goodCondition checks that a re-used part is allowed, and fills in what the
// kit leaves no choice about.
func (t *tx) goodCondition(r *request, p *procedure.Part, next *events.PartPicked) bool {
	switch {
	case next.Condition == "" && !p.Reused:
		next.Condition = events.PartNew
	case next.Condition == "" && !p.New:
		next.Condition = events.PartReused
	case next.Condition == events.PartReused && !p.Reused:
		t.refuse(r, "must_replace", fmt.Sprintf("%s must be replaced: a used one must not go in again", partName(p)), "Take a new part, and scrap the old one so that it cannot come back.")
		return false
	case next.Condition == events.PartNew && !p.New:
		t.refuse(r, "must_reuse", fmt.Sprintf("%s is the unit's own and is used again", partName(p)), "Fit the one that came out of this unit, or have a lead decide.")
		return false
	case next.Condition != "" && next.Condition != events.PartNew && next.Condition != events.PartReused:
		t.refuse(r, "bad_condition", fmt.Sprintf("%q is no condition of a part", next.Condition), `Say "new" or "re-used".`)
		return false
	}
	return true
}

func (t *tx) goodAttributes(r *request, p *procedure.Part, next *events.PartPicked) bool {
	for _, a := range next.Attributes {
		spec := p.Attribute(a.Key)
		if spec == nil {
			t.refuse(r, "unknown_attribute", fmt.Sprintf("nothing is asked about %q of %s", a.Key, partName(p)), "Answer what the kit asks.")
			return false
		}
		if !slices.Contains(spec.Values, a.Value) {
			t.refuse(r, "unknown_value", fmt.Sprintf("%s of %s cannot be %q", a.Key, partName(p), a.Value), "It is one of: "+strings.Join(spec.Values, ", ")+". A part that is none of them does not belong here.")
			return false
		}
	}
	return true
}

// goodPairs refuses a part that does not match one that is recorded.
func (t *tx) goodPairs(r *request, p *procedure.Part, as []events.Attribute) bool {
	for m := range t.job.Proc.Mates {
		mate := &t.job.Proc.Mates[m]
		mine, other, swapped := mate.A, mate.B, false
		if mine.Part != p.ID {
			mine, other, swapped = mate.B, mate.A, true
		}
		value := attribute(as, mine.Key)
		if mine.Part != p.ID || value == "" {
			continue
		}
		for _, rec := range t.job.recordsOf(other.Part) {
			theirs := attribute(rec.Attributes, other.Key)
			a, b := value, theirs
			if swapped {
				a, b = theirs, value
			}
			if theirs != "" && !mate.Fits(a, b) {
				t.refusePair(r, mate, p.Name, mine.Key, value, rec.Name, other.Key, theirs)
				return false
			}
		}
	}
	return true
}

func (t *tx) refusePair(r *request, m *procedure.Mate, name, key, value, otherName, otherKey, theirs string) {
	t.refuse(r, "wrong_pair", fmt.Sprintf("%s and %s do not go together: %s is %s, %s is %s. %s", name, otherName, key, value, otherKey, theirs, m.Why),
		"Do not put them together. Look at both parts again; take one that matches, or take the other line back if it was told wrongly.", m.MustMatch())
}

// recordsOf returns what is recorded of a line, whichever step's it is.
func (j *Job) recordsOf(part string) []events.PartRecorded {
	var out []events.PartRecorded
	for i := range j.Steps {
		for _, rec := range j.Steps[i].Parts {
			if rec.Part == part {
				out = append(out, rec)
			}
		}
	}
	return out
}

// recorded counts the parts of a line that are recorded.
func (j *Job) recorded(i int, part string) int {
	n := 0
	for _, rec := range j.Steps[i].Parts {
		if rec.Part == part {
			n += rec.Count
		}
	}
	return n
}

// recordPart records a part, or notes what is known of it so far.
func (t *tx) recordPart(r *request, i int, p *procedure.Part, next events.PartPicked, left int) {
	if p.Serial || left == 1 {
		next.Count = 1
	}
	next.Missing = missingOf(p, &next, left)
	next.By, next.AtUs = r.By, t.at
	if len(next.Missing) > 0 {
		if old := t.job.Picked; old == nil || !samePick(old, &next) {
			t.add(next)
		}
		return
	}
	t.add(events.PartRecorded{
		Job: next.Job, Step: next.Step, Part: p.ID, Number: p.Number, Name: p.Name, Count: next.Count, Trace: next.Trace, Serial: p.Serial,
		Condition: next.Condition, Scanned: next.Scanned, Attributes: next.Attributes, By: r.By, AtUs: t.at,
	})
	t.why = "a part was recorded"
	t.by = r.By
	t.follow()
}

func samePick(a, b *events.PartPicked) bool {
	return a.Step == b.Step && a.Part == b.Part && a.Scanned == b.Scanned && a.Trace == b.Trace && a.Count == b.Count && a.Condition == b.Condition && slices.Equal(a.Attributes, b.Attributes)
}

// missingOf says in words what is still to be told of a part.
func missingOf(p *procedure.Part, next *events.PartPicked, left int) []string {
	var out []string
	switch {
	case p.Serial && next.Trace == "":
		out = append(out, "its serial")
	case p.Lot && next.Trace == "":
		out = append(out, "its lot")
	}
	if next.Count == 0 {
		out = append(out, fmt.Sprintf("how many: 1 to %d", left))
	}
	if next.Condition == "" {
		out = append(out, "new or re-used")
	}
	for _, a := range p.Attributes {
		if attribute(next.Attributes, a.Key) == "" {
			out = append(out, a.Key+": "+strings.Join(a.Values, " or "))
		}
	}
	return out
}

// KitMissing says what a parts step still wants, a line each, in the order of
// the kit; nil if every line is answered.
func (j *Job) KitMissing(i int) []string {
	var out []string
	for k := range j.Proc.Steps[i].Kit {
		p := &j.Proc.Steps[i].Kit[k]
		if n := j.recorded(i, p.ID); n == 0 {
			out = append(out, fmt.Sprintf("%s: not answered", partName(p)))
		} else if n < p.Count {
			out = append(out, fmt.Sprintf("%s: %d of %d", partName(p), n, p.Count))
		}
	}
	return out
}

// partUndoAsked takes back what was recorded for a line. Once the parts are under a
// cover, or pressed, only a lead may: the unit must come apart.
func (t *tx) partUndoAsked(r *request, d events.PartUndoAsked) {
	if !t.mayWork(r) || !t.activeJob(r, d.Job) || !t.reasoned(r, d.Reason) {
		return
	}
	i, ok := t.step(r, d.Step)
	if !ok {
		return
	}
	p := t.job.line(i, d.Part)
	picked := t.job.Picked != nil && t.job.Picked.Step == d.Step && t.job.Picked.Part == d.Part
	switch {
	case p == nil:
		t.refuse(r, "unknown_part", fmt.Sprintf("%s has no line %q", t.job.title(i), d.Part), "Look for the line in the kit.")
		return
	case t.job.recorded(i, d.Part) == 0 && !picked:
		t.refuse(r, "nothing_recorded", fmt.Sprintf("nothing is recorded for %s", partName(p)), "Scan the part.")
		return
	case (t.job.coveredBy(i) >= 0 || t.job.pressedWith(d.Part)) && !t.mayDecide(r, "take back a part that is covered or pressed in"):
		return
	}
	t.why = "a part was taken back: " + d.Reason
	t.add(events.PartUndone{Job: d.Job, Step: d.Step, Part: d.Part, By: r.By, Reason: d.Reason, AtUs: t.at})
	t.follow()
}

func (j *Job) applyPicked(o events.PartPicked) { j.Picked = &o }

func (j *Job) applyRecorded(o events.PartRecorded) {
	if j.Picked != nil && j.Picked.Step == o.Step && j.Picked.Part == o.Part {
		j.Picked = nil
	}
	if _, i := j.Proc.Step(o.Step); i >= 0 {
		j.Steps[i].Parts = append(slices.Clip(j.Steps[i].Parts), o)
	}
}

func (j *Job) applyUndone(o events.PartUndone) {
	if j.Picked != nil && j.Picked.Step == o.Step && j.Picked.Part == o.Part {
		j.Picked = nil
	}
	if _, i := j.Proc.Step(o.Step); i >= 0 {
		j.Steps[i].Parts = slices.DeleteFunc(slices.Clone(j.Steps[i].Parts), func(r events.PartRecorded) bool { return r.Part == o.Part })
	}
}

// foldSerials keeps State.Serials in step with what is recorded. It grows with
// the parts that have a serial, also of ended jobs: that is what it is for.
func (s *State) foldSerials(o events.OutcomeData) {
	switch o := o.(type) {
	case events.PartRecorded:
		if o.Serial {
			s.Serials[serialKey(o.Number, o.Trace)] = SerialUse{o.Job, o.Step, o.Part}
		}
	case events.PartUndone:
		s.freeSerials(func(u SerialUse) bool { return u == SerialUse{o.Job, o.Step, o.Part} })
	case events.JobAbandoned: // its parts may go elsewhere
		s.freeSerials(func(u SerialUse) bool { return u.Job == o.Job })
	}
}

func (s *State) freeSerials(of func(SerialUse) bool) {
	for key, u := range s.Serials { // each by itself
		if of(u) {
			delete(s.Serials, key)
		}
	}
}

// photoTaken keeps a photo with its job.
func (t *tx) photoTaken(r *request, d events.PhotoTaken) {
	if !t.mayWork(r) || !t.openJob(r, d.Job) {
		return
	}
	if d.Step != "" {
		if _, ok := t.step(r, d.Step); !ok {
			return
		}
	}
	switch {
	case !goodHash(d.Hash) || d.Size <= 0 || !slices.Contains(photoTypes, d.Type):
		t.refuse(r, "bad_photo", fmt.Sprintf("this is no photo: type %q, %d bytes, hash %q", d.Type, d.Size, d.Hash), "Take it again from the bench page.")
	case len(t.job.Photos) >= mostPhotos:
		t.refuse(r, "too_many_photos", fmt.Sprintf("job %q has %d photos", d.Job, len(t.job.Photos)), "Keep the best ones; more are not taken.")
	default:
		t.add(events.PhotoKept{Photo: fmt.Sprintf("P%d", t.seq), Job: d.Job, Step: d.Step, Hash: d.Hash, Size: d.Size, Type: d.Type,
			Width: d.Width, Height: d.Height, Note: d.Note, By: r.By, AtUs: t.at})
	}
}

// mostPhotos is how many photos one job may have. Our choice.
const mostPhotos = 500

var photoTypes = []string{"image/jpeg", "image/png", "image/gif"}

func goodHash(s string) bool {
	return len(s) == 64 && !strings.ContainsFunc(s, func(c rune) bool { return !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f') })
}

// partsWanted refuses to confirm a step whose kit or places are not whole, and
// names what is missing.
func (t *tx) partsWanted(r *request, i int) bool {
	p := &t.job.Proc.Steps[i]
	switch {
	case len(p.Kit) > 0 && len(t.job.KitMissing(i)) > 0:
		t.refuse(r, "parts_missing", fmt.Sprintf("the kit of %s is not whole", t.job.title(i)), "Scan or answer what is listed. What cannot be had, a lead decides about.", t.job.KitMissing(i)...)
	case p.Press != nil && !t.job.pressDone(i):
		t.refuse(r, "press_open", fmt.Sprintf("%s is not pressed", t.job.title(i)), "Press what is listed.", t.job.openPress(i)...)
	default:
		return false
	}
	return true
}
