package record

import (
	"context"
	"fmt"
	"strings"

	"witnessmark/events"
	"witnessmark/events/ledger"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// Kit is what a parts step asked for and what went into the unit.
type Kit struct {
	Lines   []KitLine `json:"lines"`
	Missing []string  `json:"missing"` // what is not answered, in words
}

// KitLine is one line of a kit.
type KitLine struct {
	ID          string `json:"id"`
	Number      string `json:"number"`
	Name        string `json:"name"`
	Count       int    `json:"count"`
	MustReplace bool   `json:"must_replace"` // a used one must not go in again
	Parts       []Part `json:"parts"`        // in journal order, also what was taken back
}

// Part is parts that were recorded.
type Part struct {
	Count      int                `json:"count"`
	Trace      string             `json:"trace,omitempty"` // lot or serial
	Serial     bool               `json:"serial,omitempty"`
	Condition  events.Condition   `json:"condition"`
	Scanned    bool               `json:"scanned"` // its number came from a scanner
	Attributes []events.Attribute `json:"attributes,omitempty"`
	By         Person             `json:"by"`
	AtUs       events.Instant     `json:"at_us"`
	Seq        uint64             `json:"seq"`
	Counts     bool               `json:"counts"`
	UndoneBy   *Person            `json:"undone_by,omitempty"`
	UndoneWhy  string             `json:"undone_why,omitempty"`
}

// Press is what a press step asked for and what its places got.
type Press struct {
	LSL     quantity.Value `json:"lsl,omitzero"`
	USL     quantity.Value `json:"usl"`  // the force limit
	Unit    string         `json:"unit"` // code of the unit that the procedure states them in
	Seat    bool           `json:"seat_wanted"`
	Recheck string         `json:"recheck,omitempty"` // the question, or the step, that follows each pressing
	Places  []Place        `json:"places"`

	unit quantity.Unit
}

// Place is one place of a press step.
type Place struct {
	ID         string      `json:"id"`
	Title      string      `json:"title"`
	State      string      `json:"state"` // Witnessed, Accepted, Held, Partly, Missing
	Pressings  []Pressing  `json:"pressings"`
	Pairs      []Pair      `json:"pairs,omitempty"` // checked right before it was pressed
	Rechecks   []Recheck   `json:"rechecks,omitempty"`
	Deviations []Deviation `json:"deviations,omitempty"`
}

// Pressing is one pressing: its greatest force, and what its course told.
type Pressing struct {
	Pull
	Seat    events.SeatFound `json:"seat"`
	SeatAt  quantity.Value   `json:"seat_force,omitzero"`
	Jump    quantity.Value   `json:"seat_jump,omitzero"`
	Travel  quantity.Value   `json:"seat_travel,omitzero"`
	Samples int              `json:"stroke_samples"`
	Text    string           `json:"text"`
}

// Pair is parts in hand that were found right.
type Pair struct {
	Parts []events.PartInHand `json:"parts"`
	By    Person              `json:"by"`
	AtUs  events.Instant      `json:"at_us"`
}

// Recheck is the answer after a pressing.
type Recheck struct {
	Good   bool           `json:"good"`
	Answer string         `json:"answer,omitempty"`
	By     Person         `json:"by"`
	AtUs   events.Instant `json:"at_us"`
}

// Photo is a photo of the job. Its file is in the object store under its hash;
// whether it is there and unaltered is for whoever shows it to find out.
type Photo struct {
	ID     string         `json:"id"`
	Step   string         `json:"step,omitempty"`
	Hash   string         `json:"sha256"`
	Size   int64          `json:"size"`
	Type   string         `json:"type"`
	Width  int            `json:"width_px"`
	Height int            `json:"height_px"`
	Note   string         `json:"note,omitempty"`
	By     Person         `json:"by"`
	AtUs   events.Instant `json:"at_us"`
	Seq    uint64         `json:"seq"`
}

// partsFacts is what the ledger says of parts, presses and photos of a job.
type partsFacts struct {
	parts      []ledger.Part
	pressings  []ledger.Pressing
	clearances []ledger.Clearance
	rechecks   []ledger.Recheck
	photos     []ledger.Photo
}

func (f *facts) gatherParts(ctx context.Context, q *ledger.Queries, job string) (err error) {
	if f.parts, err = q.PartsOf(ctx, job); err != nil {
		return err
	}
	if f.pressings, err = q.PressingsOf(ctx, job); err != nil {
		return err
	}
	if f.clearances, err = q.ClearancesOf(ctx, job); err != nil {
		return err
	}
	if f.rechecks, err = q.RechecksOf(ctx, job); err != nil {
		return err
	}
	f.photos, err = q.PhotosOf(ctx, job)
	return err
}

// partsOutcomes gives what was decided on parts, presses and photos.
func (f *facts) partsOutcomes(add func(seq uint64, index int, o events.OutcomeData)) {
	for _, p := range f.parts {
		add(p.Seq, p.Index, p.PartRecorded)
		if p.UndoneSeq != 0 {
			add(p.UndoneSeq, p.UndoneIndex, events.PartUndone{Job: p.Job, Step: p.Step, Part: p.Part, By: p.UndoneBy, Reason: p.UndoneReason, AtUs: p.UndoneAtUs})
		}
	}
	for _, p := range f.pressings {
		add(p.Seq, p.Index, p.PressJudged)
	}
	for _, c := range f.clearances {
		add(c.Seq, c.Index, c.PressCleared)
	}
	for _, c := range f.rechecks {
		add(c.Seq, c.Index, c.PressRecheckNoted)
	}
	for _, p := range f.photos {
		add(p.Seq, p.Index, p.PhotoKept)
	}
}

// stepParts fills in a step's kit, press and photos.
func (f *facts) stepParts(s *Step, p *procedure.Step, i int, placed map[int]bool) {
	s.Photos = f.photosOf(p.ID)
	if len(p.Kit) > 0 {
		s.Kit = f.kit(p, i)
	}
	if p.Press != nil {
		s.Press = f.press(p, i, placed)
	}
}

func (f *facts) photosOf(step string) []Photo {
	var out []Photo
	for _, p := range f.photos {
		if p.Step == step {
			out = append(out, Photo{ID: p.Photo, Step: p.Step, Hash: p.Hash, Size: p.Size, Type: p.Type, Width: p.Width, Height: p.Height, Note: p.Note,
				By: f.person(p.By, p.Seq), AtUs: p.AtUs, Seq: p.Seq})
		}
	}
	return out
}

func (f *facts) kit(p *procedure.Step, i int) *Kit {
	out := &Kit{Missing: f.state.KitMissing(i)}
	for _, l := range p.Kit {
		line := KitLine{ID: l.ID, Number: l.Number, Name: l.Name, Count: l.Count, MustReplace: l.MustReplace(), Parts: []Part{}}
		for _, r := range f.parts {
			if r.Step != p.ID || r.Part != l.ID {
				continue
			}
			line.Parts = append(line.Parts, Part{Count: r.Count, Trace: r.Trace, Serial: r.Serial, Condition: r.Condition, Scanned: r.Scanned, Attributes: r.Attributes,
				By: f.person(r.By, r.Seq), AtUs: r.AtUs, Seq: r.Seq, Counts: r.UndoneSeq == 0, UndoneBy: f.somebody(r.UndoneBy, r.UndoneSeq), UndoneWhy: r.UndoneReason})
		}
		out.Lines = append(out.Lines, line)
	}
	return out
}

func (f *facts) press(p *procedure.Step, i int, placed map[int]bool) *Press {
	spec := p.Press
	out := &Press{LSL: spec.LSL, USL: spec.USL, Unit: spec.Unit.Code(), Seat: spec.Seat != nil, unit: spec.Unit}
	if spec.Recheck != nil {
		out.Recheck = spec.Recheck.Ask
		if s, _ := f.proc.Step(spec.Recheck.Step); s != nil {
			out.Recheck = "step " + s.ID + ", " + s.Title
		}
	}
	for k, q := range spec.Places {
		st := &f.state.Steps[i].Presses[k]
		x := Place{ID: q.ID, Title: q.Title, State: placeState(f.state, i, k), Pressings: []Pressing{}, Deviations: f.deviationsAt(p.ID, q.ID)}
		for _, pull := range f.pullsIn(p.ID, q.ID, -1, &st.Mark, placed) {
			one := Pressing{Pull: pull, Seat: events.SeatUnasked}
			for _, j := range f.pressings {
				if j.Reading == pull.ReadingSeq && j.Step == p.ID && j.Place == q.ID {
					one.Seat, one.SeatAt, one.Jump, one.Travel, one.Samples, one.Text = j.Seat, j.Force, j.Jump, j.Travel, j.Samples, j.Text
				}
			}
			x.Pressings = append(x.Pressings, one)
		}
		for _, c := range f.clearances {
			if c.Step == p.ID && c.Place == q.ID {
				x.Pairs = append(x.Pairs, Pair{Parts: c.Parts, By: f.person(c.By, c.Seq), AtUs: c.AtUs})
			}
		}
		for _, c := range f.rechecks {
			if c.Step == p.ID && c.Place == q.ID {
				x.Rechecks = append(x.Rechecks, Recheck{Good: c.Good, Answer: c.Answer, By: f.person(c.By, c.Seq), AtUs: c.AtUs})
			}
		}
		out.Places = append(out.Places, x)
	}
	return out
}

func placeState(j *rules.Job, i, k int) string {
	st := &j.Steps[i].Presses[k]
	switch {
	case st.Accepted || j.Steps[i].Accepted:
		return Accepted
	case st.Held:
		return Held
	case j.PressWants(i, k) == rules.PressNothing:
		return Witnessed
	case st.Mark.Reading != 0:
		return Partly
	}
	return Missing
}

// text of a kit: what was asked for, what went in, what is missing.
func (p *page) kit(k *Kit) {
	for _, l := range k.Lines {
		must := ""
		if l.MustReplace {
			must = ", must be new"
		}
		p.line("  %s %s, %d wanted%s", l.Number, l.Name, l.Count, must)
		for _, x := range l.Parts {
			p.wrap("    ", x.String())
		}
	}
	for _, m := range k.Missing {
		p.wrap("  MISSING: ", m)
	}
}

func (x Part) String() string {
	parts := []string{fmt.Sprintf("%d %s", x.Count, x.Condition)}
	switch {
	case x.Serial:
		parts = append(parts, "serial "+x.Trace)
	case x.Trace != "":
		parts = append(parts, "lot "+x.Trace)
	}
	for _, a := range x.Attributes {
		parts = append(parts, a.Key+" "+a.Value)
	}
	how := "answered by hand"
	if x.Scanned {
		how = "scanned"
	}
	s := strings.Join(parts, ", ") + "; " + how + " by " + x.By.String() + ", " + clock(x.AtUs)
	if !x.Counts {
		s += "; does not count: taken back"
		if x.UndoneBy != nil {
			s += " by " + x.UndoneBy.String()
		}
		s = join(": ", s, x.UndoneWhy)
	}
	return s
}

func (p *page) press(x *Press) {
	if x.LSL.IsZero() {
		p.line("  force limit %s", quantity.Format(x.USL, x.unit, -1))
	} else {
		p.line("  force %s", p.spanIn(x.LSL, x.USL, x.unit))
	}
	if x.Recheck != "" {
		p.wrap("  re-check after each: ", x.Recheck)
	}
	for _, q := range x.Places {
		p.line("  %s %s: %s", q.ID, q.Title, q.State)
		for _, c := range q.Pairs {
			p.wrap("    ", "pair checked by "+c.By.String()+", "+clock(c.AtUs)+": "+Hands(c.Parts))
		}
		for i := range q.Pressings {
			p.pull("", &q.Pressings[i].Pull)
			if t := q.Pressings[i].Text; t != "" && q.Pressings[i].Seat != events.SeatUnasked {
				p.wrap("      ", "seat "+strings.ReplaceAll(string(q.Pressings[i].Seat), "_", " ")+": "+t)
			}
		}
		for _, c := range q.Rechecks {
			word := "re-checked, good"
			if !c.Good {
				word = "re-checked, BAD"
			}
			p.wrap("    ", join(": ", word+", "+c.By.String()+", "+clock(c.AtUs), c.Answer))
		}
		for _, d := range q.Deviations {
			p.wrap("    ", d.String())
		}
	}
}

// Hands says in words which parts were in hand.
func Hands(parts []events.PartInHand) string {
	var out []string
	for _, h := range parts {
		s := h.Part
		if h.Trace != "" {
			s += " " + h.Trace
		}
		for _, a := range h.Attributes {
			s += ", " + a.Key + " " + a.Value
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func (p *page) photos(list []Photo) {
	for _, x := range list {
		p.wrap("  photo ", join(": ", fmt.Sprintf("%s, %s, %d by %d pixels, %d bytes, by %s, %s", x.ID, x.Type, x.Width, x.Height, x.Size, x.By, clock(x.AtUs)), x.Note))
		p.line("    SHA-256 %s", x.Hash)
	}
}
