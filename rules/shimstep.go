package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/rules/shims"
)

// ShimState is how far a shim step has come.
type ShimState struct {
	Found    *events.ShimFound    `json:",omitempty"` // what was in place
	Proposed *events.ShimProposed `json:",omitempty"`
	Fitted   *events.ShimFitted   `json:",omitempty"`
	Checked  *events.ShimChecked  `json:",omitempty"` // of the value that counts
}

// shimBasis is the measured value that a proposal rests on, and what was in
// place while it was measured.
type shimBasis struct {
	reading     uint64
	value, u    quantity.Value
	left, right []shims.Leaf
	plain       quantity.Length // in place, where the procedure states one thickness
	again       bool            // measured after fitting
}

// ShimsAsked reports whether a shim step waits for the pieces that are in
// place now, before it can propose any.
func (j *Job) ShimsAsked(i int) bool {
	p, st := &j.Proc.Steps[i], &j.Steps[i]
	return p.Shim != nil && p.Shim.Asked && !st.Done && (st.Shim == nil || st.Shim.Found == nil && st.Shim.Fitted == nil)
}

// ShimsIn returns the pieces in place: those fitted, else those found.
func (st *StepState) ShimsIn() (left, right []events.ShimPiece) {
	switch sh := st.Shim; {
	case sh == nil:
	case sh.Fitted != nil:
		return sh.Fitted.Left, sh.Fitted.Right
	case sh.Found != nil:
		return sh.Found.Left, sh.Found.Right
	}
	return nil, nil
}

// shimClosed reports whether the value measured after fitting counts and
// agrees with the prediction.
func (st *StepState) shimClosed() bool {
	v := st.Value
	return v != nil && v.counts() && st.Shim != nil && st.Shim.Checked != nil && st.Shim.Checked.Agrees && st.Shim.Checked.Reading == v.Reading
}

// basisBefore is the value of the step that the procedure names.
func (j *Job) basisBefore(i int) (b shimBasis, ok bool) {
	spec := j.Proc.Steps[i].Shim
	_, from := j.Proc.Step(spec.From)
	if from < 0 || j.Steps[from].Value == nil {
		return shimBasis{}, false
	}
	v := j.Steps[from].Value.Judged
	b = shimBasis{reading: v.Reading, value: v.Value, u: v.U}
	b.plain, _ = spec.Fitted.Length()
	if sh := j.Steps[i].Shim; sh != nil && sh.Found != nil {
		b.left, b.right = leavesOf(sh.Found.Left), leavesOf(sh.Found.Right)
	}
	return b, true
}

// basisAgain is the value measured with the fitted pieces in place.
func (j *Job) basisAgain(i int) (b shimBasis, ok bool) {
	st := &j.Steps[i]
	if st.Value == nil || st.Shim == nil || st.Shim.Fitted == nil {
		return shimBasis{}, false
	}
	v := st.Value.Judged
	return shimBasis{
		reading: v.Reading, value: v.Value, u: v.U, again: true,
		left: leavesOf(st.Shim.Fitted.Left), right: leavesOf(st.Shim.Fitted.Right),
	}, true
}

func tolerance(spec *procedure.ShimSpec) quantity.Length {
	l, _ := spec.Tolerance.Length()
	return l
}

// shimsFirst reports whether step i measures nothing before its shims are in.
func (j *Job) shimsFirst(i int) bool {
	sh := j.Steps[i].Shim
	return j.Proc.Steps[i].Shim != nil && (sh == nil || sh.Fitted == nil)
}

// measuresForce reports whether the current step closes by a measured force: a
// preload.
func (j *Job) measuresForce() bool {
	i := j.current()
	return i < len(j.Steps) && j.Proc.Steps[i].Shim != nil && j.Proc.Steps[i].Shim.Does == procedure.MorePreload
}

// shimTask is the task of one stack.
func shimTask(p *procedure.Step, b *shimBasis) shims.Task {
	spec, m := p.Shim, p.Measure
	t := shims.Task{Target: m.Target, Low: m.LSL, High: m.USL, Most: spec.Most, Tolerance: tolerance(spec), Unit: m.Unit,
		Stiffness: spec.Stiffness, StiffnessU: spec.StiffnessU}
	in := shims.Sum(b.left)
	inU := shims.Spread(b.left, t.Tolerance)
	if len(b.left) == 0 {
		in, inU = b.plain, quantity.Length{}
	}
	switch spec.Does {
	case procedure.MorePlay:
		t.Sense = shims.GivesPlay
	case procedure.MorePreload:
		t.Sense = shims.Preloads
	}
	if force, isForce := b.value.Force(); isForce {
		// A measured preload: the gap that the stack in place closes and more.
		k := spec.Stiffness.NewtonsPerMillimetre()
		u, _ := b.u.Force()
		t.Measured = quantity.Millimetres(in.Millimetres() - force.Newtons()/k)
		t.U = quantity.Millimetres(math.Hypot(u.Newtons()/k, inU.Millimetres()))
		return t
	}
	t.Measured, _ = b.value.Length()
	t.U, _ = b.u.Length()
	t.Fitted, t.FittedU = in, inU
	return t
}

// shimSides is the task of two stacks.
func shimSides(p *procedure.Step, b *shimBasis) shims.Sides {
	spec, m, x := p.Shim, p.Measure, p.Shim.Sides
	s := shims.Sides{Ratio: x.Ratio, RatioU: x.RatioU, Left: b.left, Right: b.right, Target: m.Target, Low: m.LSL, High: m.USL,
		Most: spec.Most, Tolerance: tolerance(spec), Unit: m.Unit}
	s.Measured, _ = b.value.Length()
	s.U, _ = b.u.Length()
	s.Total, _ = x.Total.Length()
	return s
}

// shimDrawer returns the pieces that may be chosen from, and why there are
// none.
func (t *tx) shimDrawer(spec *procedure.ShimSpec) (drawer []shims.Leaf, why string) {
	if spec.Drawer == "" {
		for _, v := range spec.Series {
			l, _ := v.Length()
			drawer = append(drawer, shims.Leaf{Thickness: l, Count: 2 * shims.MostPieces})
		}
		return drawer, ""
	}
	if _, ok := t.s.ShimDrawer(spec.Drawer); !ok {
		return nil, fmt.Sprintf("this shop has no shim drawer %q: add it to the shop file, or fit by hand with a reason", spec.Drawer)
	}
	list := t.drawer(spec.Drawer)
	for i := range list {
		if len(spec.Series) == 0 || slices.ContainsFunc(spec.Series, func(v quantity.Value) bool { return sameThickness(v, list[i].Thickness) }) {
			drawer = append(drawer, leafOf(&list[i]))
		}
	}
	return drawer, ""
}

// followShims proposes where the current step is a shim step that has what it
// needs, and holds a newly measured value against the prediction.
func (t *tx) followShims() {
	j := t.job
	for i := range j.Steps {
		st := &j.Steps[i]
		if j.Proc.Steps[i].Shim == nil || st.Value == nil || st.Shim == nil || st.Shim.Fitted == nil {
			continue
		}
		if c := st.Shim.Checked; c == nil || c.Reading != st.Value.Reading {
			t.checkShims(i)
		}
	}
}

// proposeWhereDue proposes at the current step, once.
func (t *tx) proposeWhereDue() {
	j := t.job
	i := j.current()
	if i == len(j.Steps) || j.Status != JobActive || j.Proc.Steps[i].Shim == nil || j.ShimsAsked(i) {
		return
	}
	st := &j.Steps[i]
	if st.Accepted || st.Shim != nil && st.Shim.Fitted != nil {
		return
	}
	b, ok := j.basisBefore(i)
	if st.Shim != nil && st.Shim.Proposed != nil && (!ok || st.Shim.Proposed.Reading == b.reading) {
		return
	}
	t.proposeShims(i, false)
}

// proposeShims proposes a stack for step i. With changed set, only one that
// differs from the last.
func (t *tx) proposeShims(i int, changed bool) {
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	b, ok := t.job.basisAgain(i)
	if !ok {
		b, ok = t.job.basisBefore(i)
	}
	o := events.ShimProposed{Job: t.job.ID, Step: p.ID, Reading: b.reading, Measured: b.value, MeasuredU: b.u, Left: []events.ShimPiece{}, Right: []events.ShimPiece{}, AtUs: t.at}
	drawer, why := t.shimDrawer(p.Shim)
	switch {
	case !ok:
		o.Text = fmt.Sprintf("Step %q was left without a measured value: nothing can be chosen.", p.Shim.From)
		o.Todo = "Have a lead send that step back to be measured, or decide about this one."
	case why != "":
		o.Text, o.Todo = cutTodo(why)
	case p.Shim.Sides != nil:
		proposeSides(p, &b, drawer, &o)
	default:
		proposeStack(p, &b, drawer, &o)
	}
	if b.again && o.Fits {
		st.cautionAgain(&o)
	}
	if last := st.Shim; changed && last != nil && last.Proposed != nil && last.Proposed.Text == o.Text && last.Proposed.Todo == o.Todo {
		return
	}
	t.add(o)
}

// cautionAgain says what a proposal means that rests on the value measured
// with shims in place.
func (st *StepState) cautionAgain(o *events.ShimProposed) {
	in, c := st.Shim.Fitted, st.Shim.Checked
	same := samePieces(o.Left, in.Left) && samePieces(o.Right, in.Right)
	switch differs := c != nil && !c.Agrees; {
	case differs && same:
		o.Text = "By the new value the same shims are right: " + o.Text
		o.Todo = "Find out why the value differs, then measure again. If the first play was measured wrongly, tell these shims as fitted once more, with that reason, and measure again."
	case differs:
		o.Todo = "First find out why the value differs and measure again. Only if it stays so, fit these instead."
	}
}

func proposeStack(p *procedure.Step, b *shimBasis, drawer []shims.Leaf, o *events.ShimProposed) {
	task := shimTask(p, b)
	// What is in place comes out and can go in again.
	c, err := shims.Choose(together(drawer, b.left), task)
	if err != nil {
		o.Text, o.Todo = cutTodo(taskText(err))
		return
	}
	o.Need, o.Text, o.Todo = c.Need.Value(), c.Text, c.Todo
	if c.Best == nil {
		return
	}
	o.Fits, o.Left, o.Predicted, o.U = true, piecesOf(c.Best.Pieces), c.Best.Result, c.Best.U
	for _, s := range c.Others {
		o.Options = append(o.Options, events.ShimOption{Left: piecesOf(s.Pieces), Predicted: s.Result, U: s.U})
	}
}

func proposeSides(p *procedure.Step, b *shimBasis, drawer []shims.Leaf, o *events.ShimProposed) {
	m, err := shims.Move(drawer, shimSides(p, b))
	if err != nil {
		o.Text, o.Todo = cutTodo(taskText(err))
		return
	}
	o.Need, o.Text, o.Todo = m.Move.Value(), namedSides(p, m.Text), m.Todo
	if m.Found {
		o.Fits, o.Left, o.Right, o.Predicted, o.U = true, piecesOf(m.Left), piecesOf(m.Right), m.Result, m.U
	}
}

// namedSides puts the procedure's names of the sides into a text.
func namedSides(p *procedure.Step, text string) string {
	return strings.Replace(strings.Replace(text, "Left:", upper(p.Shim.Sides.Left)+":", 1), "Right:", upper(p.Shim.Sides.Right)+":", 1)
}

func upper(s string) string {
	for i, c := range s {
		return strings.ToUpper(string(c)) + s[i+len(string(c)):]
	}
	return s
}

// together is a drawer with loose pieces put to their like.
func together(drawer, loose []shims.Leaf) []shims.Leaf {
	out := slices.Clone(drawer)
	for _, l := range loose {
		if i := slices.IndexFunc(out, func(o shims.Leaf) bool {
			return sameThickness(o.Thickness.Value(), l.Thickness.Value()) && sameThickness(o.Real.Value(), l.Real.Value())
		}); i >= 0 {
			out[i].Count++
			continue
		}
		l.Count = 1
		out = append(out, l)
	}
	return out
}

// taskText is what an error of package shims says, without its sentinel.
func taskText(err error) string {
	return strings.TrimPrefix(err.Error(), shims.ErrTask.Error()+": ")
}

// cutTodo splits "what is wrong: what to do" into two sentences.
func cutTodo(text string) (what, todo string) {
	what, todo, ok := strings.Cut(text, ": ")
	if !ok {
		todo = "Put it right and measure again"
	}
	return upper(what) + ".", upper(todo) + "."
}

// checkShims holds the value that counts at step i against the prediction, and
// proposes anew where it does not do.
func (t *tx) checkShims(i int) {
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	v, in := st.Value.Judged, st.Shim.Fitted
	o := events.ShimChecked{Job: t.job.ID, Step: p.ID, Reading: v.Reading, Measured: v.Value, Predicted: in.Predicted, AtUs: t.at}
	c, err := t.compareShims(i)
	if err != nil {
		o.Text = upper(taskText(err)) + "."
		t.add(o)
		return
	}
	o.Difference, o.Allowed, o.En, o.Agrees, o.Text, o.Likely = c.Difference, c.Allowed, c.En, c.Agrees, c.Text, c.Likely
	if math.IsInf(o.En, 0) {
		o.En = -1
	}
	t.add(o)
	if verdict := v.Verdict; !c.Agrees || verdict == events.Low || verdict == events.High {
		t.proposeShims(i, false)
	}
}

func (t *tx) compareShims(i int) (shims.Comparison, error) {
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	v, in := st.Value.Judged, st.Shim.Fitted
	before, _ := t.job.basisBefore(i)
	if p.Shim.Sides != nil {
		s := shimSides(p, &before)
		m, err := s.Predict(leavesOf(in.Left), leavesOf(in.Right))
		if err != nil {
			return shims.Comparison{}, err
		}
		m.Result, m.U = in.Predicted, in.U
		return s.Compare(m, v.Value, v.U)
	}
	task := shimTask(p, &before)
	stack := task.Stack(leavesOf(in.Left))
	stack.Result, stack.U = in.Predicted, in.U
	drawer, _ := t.shimDrawer(p.Shim)
	return task.Compare(stack, v.Value, v.U, drawer)
}

// shimLines says what is open in a shim step.
func (j *Job) shimLines(i int) string {
	st := &j.Steps[i]
	switch sh := st.Shim; {
	case j.ShimsAsked(i):
		return "the pieces in place are not told"
	case sh == nil || sh.Fitted == nil:
		return "no shims are fitted"
	case st.Value == nil:
		return "not measured again"
	case sh.Checked != nil && !sh.Checked.Agrees:
		return "measured again, and not as predicted"
	}
	return "measured again: " + string(st.Value.Verdict)
}

// wasShims says how a shim step stands, for a decision about it.
func (st *StepState) wasShims() string {
	switch sh := st.Shim; {
	case sh == nil || sh.Fitted == nil:
		return "open"
	case st.Value == nil:
		return "not measured again"
	case sh.Checked != nil && !sh.Checked.Agrees:
		return "not as predicted"
	}
	return string(st.Value.Verdict)
}

// leaveShims raises a shim step that work goes on past.
func (t *tx) leaveShims(i int, why string) {
	st := &t.job.Steps[i]
	if st.Value != nil && st.Shim != nil && st.Shim.Checked != nil && !st.Shim.Checked.Agrees {
		t.raiseStep(i, events.AlertShims,
			fmt.Sprintf("%s: %s Work went on: %s.", t.job.title(i), st.Shim.Checked.Text, why),
			"Stop. Find what is wrong with the stack, put it right and measure again, or ask a lead to decide.")
		return
	}
	t.raiseStep(i, events.AlertStepSkipped,
		fmt.Sprintf("%s was left open (%s), and work went on: %s.", t.job.title(i), t.job.shimLines(i), why),
		"Go back and do this step, or ask a lead to decide.")
}

// uncheckShims forgets the comparison of a value that counts no longer.
func (st *StepState) uncheckShims() {
	if st.Shim != nil && st.Shim.Checked != nil {
		sh := *st.Shim
		sh.Checked = nil
		st.Shim = &sh
	}
}

// applyShims folds what happened at a shim step into a cloned job.
func (j *Job) applyShims(o events.OutcomeData) {
	at := func(step string) *ShimState {
		_, i := j.Proc.Step(step)
		if i < 0 {
			return nil
		}
		sh := ShimState{}
		if old := j.Steps[i].Shim; old != nil {
			sh = *old
		}
		j.Steps[i].Shim = &sh
		return &sh
	}
	switch o := o.(type) {
	case events.ShimFound:
		if sh := at(o.Step); sh != nil {
			sh.Found, sh.Proposed = &o, nil
		}
	case events.ShimProposed:
		if sh := at(o.Step); sh != nil {
			sh.Proposed = &o
		}
	case events.ShimFitted:
		if sh := at(o.Step); sh != nil {
			sh.Fitted, sh.Checked = &o, nil
			_, i := j.Proc.Step(o.Step)
			j.Steps[i].Value = nil
		}
	case events.ShimChecked:
		if sh := at(o.Step); sh != nil {
			sh.Checked = &o
		}
	}
}
