package dashboards

import (
	"fmt"
	"net/http"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules"
	"witnessmark/rules/procedure"
)

// shimView is a shim step on the bench page.
type shimView struct {
	Step   string
	State  string // "ask", "propose", "nothing", "measure", "differs", "done"
	Found  []sideView
	Want   []sideView // proposed
	In     []sideView // fitted
	Gives  string     // "0.05 mm ± 0.007 mm"
	Limits string
	Text   string
	Todo   string
	Say    string   // of the comparison
	Likely []string // what is likely wrong
	Left   string   // the proposed stack, as it is posted
	Right  string
	Other  []string // further stacks that would do, with what they give
	Two    bool
	Drawer string // id of the drawer, "" for none
	Reason bool   // a reason is asked for even for the proposed shims
	Open   bool   // the work of this step can be done now
}

// sideView is one stack, drawn from the side.
type sideView struct {
	Name   string // "" where there is one
	Text   string
	Sum    string
	Height string // of the drawing
	Leaves []leafView
}

// leafView is one piece in the drawing: thicker ones are drawn thicker.
type leafView struct {
	Y, H, MidY, Text string
}

const (
	leafScale = 120.0 // drawing units for 1 mm
	leafLeast = 28.0  // so that its name has room
	leafMost  = 200.0
)

func drawStack(name string, pieces []events.ShimPiece) sideView {
	s := sideView{Name: name, Text: events.ShimStackText(pieces)}
	y, sum := 0.0, 0.0
	for _, p := range pieces {
		th := p.Thickness.Base()
		if !p.Real.IsZero() {
			th = p.Real.Base()
		}
		for range p.Count {
			h := min(leafMost, max(leafLeast, th*leafScale))
			one := p
			one.U = quantity.Value{}
			s.Leaves = append(s.Leaves, leafView{num(y), num(h), num(y + h/2), one.Text()})
			y += h + 4
			sum += th
		}
	}
	s.Height = num(max(y, leafLeast) + 12)
	s.Sum = quantity.Format(quantity.Millimetres(sum).Value(), quantity.Millimetre, 3)
	return s
}

func drawSides(spec *procedure.ShimSpec, left, right []events.ShimPiece) []sideView {
	if spec.Sides == nil {
		return []sideView{drawStack("", left)}
	}
	return []sideView{drawStack(spec.Sides.Left, left), drawStack(spec.Sides.Right, right)}
}

func gives(v, u quantity.Value, unit quantity.Unit) string {
	return withUnit(v, unit) + " ± " + withUnit(u, unit)
}

// shims builds what the page shows of a shim step; nil for another step.
func (v viewer) shims(job *rules.Job, i int, current bool) *shimView {
	spec, st := &job.Proc.Steps[i], &job.Steps[i]
	if spec.Shim == nil {
		return nil
	}
	m := spec.Measure
	unit := v.measureUnit(m)
	s := &shimView{Step: spec.ID, Two: spec.Shim.Sides != nil, Drawer: spec.Shim.Drawer, Open: current && !st.Done, State: "nothing",
		Limits: m.What + ", limits " + limitWords(m.LSL, m.USL, unit)}
	if _, ok := v.st.ShimDrawer(s.Drawer); !ok {
		s.Drawer = ""
	}
	if job.ShimsAsked(i) {
		s.State = "ask"
		return s
	}
	sh := st.Shim
	if sh == nil {
		s.Text, s.Todo = "Nothing is proposed yet.", fmt.Sprintf("Do the steps before this one: step %q gives the measured value.", spec.Shim.From)
		return s
	}
	if f := sh.Found; f != nil && sh.Fitted == nil {
		s.Found = drawSides(spec.Shim, f.Left, f.Right)
	}
	if f := sh.Fitted; f != nil {
		s.State, s.In, s.Gives = "measure", drawSides(spec.Shim, f.Left, f.Right), gives(f.Predicted, f.U, unit)
	}
	if c := sh.Checked; c != nil && !c.Agrees {
		s.State, s.Say, s.Likely, s.Reason = "differs", c.Text, c.Likely, true
	} else if c != nil {
		s.Say = c.Text
	}
	if st.Done {
		s.State = "done"
		return s
	}
	v.proposal(s, spec, sh, unit)
	return s
}

func (v viewer) proposal(s *shimView, spec *procedure.Step, sh *rules.ShimState, unit quantity.Unit) {
	p := sh.Proposed
	if p == nil || sh.Fitted != nil && (sh.Checked == nil || p.Reading != sh.Checked.Reading) {
		return // made before the fit
	}
	s.Text, s.Todo = p.Text, p.Todo
	if !p.Fits {
		return
	}
	if s.State == "nothing" {
		s.State = "propose"
		s.Gives = gives(p.Predicted, p.U, unit)
	}
	s.Want = drawSides(spec.Shim, p.Left, p.Right)
	s.Left, s.Right = events.ShimStackText(p.Left), events.ShimStackText(p.Right)
	for _, o := range p.Options {
		s.Other = append(s.Other, events.ShimStackText(o.Left)+" gives "+gives(o.Predicted, o.U, unit))
	}
}

// shimNext says what is to be done next at a shim step.
func (v viewer) shimNext(job *rules.Job, i int) (nextView, bool) {
	s := v.shims(job, i, true)
	if s == nil {
		return nextView{}, false
	}
	switch s.State {
	case "ask":
		return nextView{Kind: "shim", Where: "Tell the shims in place", How: "Take them out, measure each, and tell them."}, true
	case "propose":
		return nextView{Kind: "shim", Where: "Fit " + sidesText(s.Want), How: "Gives " + s.Gives + "."}, true
	case "nothing":
		return nextView{Kind: "shim", Where: "No shims can be proposed", How: s.Text}, true
	case "differs":
		return nextView{Kind: "measure", Where: "Not as predicted", How: "Find out why, then measure " + job.Proc.Steps[i].Measure.What + " again."}, true
	}
	return nextView{Kind: "measure", Where: "Measure " + job.Proc.Steps[i].Measure.What, How: "Predicted " + s.Gives + "."}, true
}

func sidesText(sides []sideView) string {
	var parts []string
	for _, s := range sides {
		t := s.Text
		if s.Name != "" {
			t = s.Name + ": " + t
		}
		parts = append(parts, t)
	}
	return strings.Join(parts, "; ")
}

// shimsDiffer reports whether step i is measured again and waits because it
// is not as predicted.
func shimsDiffer(job *rules.Job, i int) bool {
	sh := job.Steps[i].Shim
	return !job.Steps[i].Done && sh != nil && sh.Checked != nil && !sh.Checked.Agrees
}

// drawerView is a drawer on the page of the stock.
type drawerView struct {
	ID, Name string
	Low      int
	Lines    []stockLine
}

type stockLine struct {
	Text  string // as it is posted
	Count int
	Low   bool
}

type stockView struct {
	Drawers []drawerView
	People  []personView
	History []stockChange
}

type stockChange struct {
	At, Drawer, Piece, What, By, Why string
}

var stockWords = map[string]string{
	events.ShimReceived: "came in", events.ShimCounted: "counted", events.ShimTaken: "taken out", events.ShimFitting: "fitted", events.ShimReturned: "came back",
}

// stock answers GET /shims.
func (p *Pages) stock(w http.ResponseWriter, r *http.Request) error {
	changes, err := p.cfg.Ledger.ShimStockChanges(r.Context(), "", 60)
	if err != nil {
		return err
	}
	var s stockView
	p.cfg.Service.View(func(st *rules.State) {
		v := viewer{st, p.now()}
		s.People = v.people(person(r))
		for _, d := range st.ShimDrawers() {
			x := drawerView{ID: d.ID, Name: d.Name, Low: d.Low}
			for _, c := range d.Pieces {
				x.Lines = append(x.Lines, stockLine{c.Text(), c.Count, c.Count < d.Low})
			}
			s.Drawers = append(s.Drawers, x)
		}
		for _, c := range changes {
			s.History = append(s.History, stockChange{clockTime(c.AtUs, v.now), c.Drawer, c.Piece.Text(), fmt.Sprintf("%s: %d, now %d", stockWords[c.Change], c.Was, c.Piece.Count), v.personName(c.By),
				joined("; ", joined(", step ", c.Job, c.Step), c.Reason)})
		}
	})
	return p.livePage(w, r, "stock", "Shims", s)
}

// joined joins the texts that are not empty.
func joined(sep string, texts ...string) string {
	return strings.Join(slices.DeleteFunc(texts, func(s string) bool { return s == "" }), sep)
}
