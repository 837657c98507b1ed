package rules

import (
	"fmt"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/rules/shims"
)

// mostInPlace is how many pieces one stack may have that somebody tells.
const mostInPlace = 12

// shimStep looks up an open shim step that pieces can be told of, or refuses.
func (t *tx) shimStep(r *request, job, step string) (i int, ok bool) {
	if !t.mayWork(r) || !t.activeJob(r, job) {
		return 0, false
	}
	if i, ok = t.step(r, step); !ok {
		return 0, false
	}
	switch p := &t.job.Proc.Steps[i]; {
	case p.Shim == nil:
		t.refuse(r, "no_shims", fmt.Sprintf("%s chooses no shims", t.job.title(i)), "Name a shim step.")
		return 0, false
	case t.job.Steps[i].Done:
		t.refuse(r, "already_done", fmt.Sprintf("%s is done", t.job.title(i)), "Have a lead send it back if the stack must be changed.")
		return 0, false
	}
	if open := t.openBefore(i); len(open) > 0 {
		t.refuse(r, "open_work", fmt.Sprintf("%s cannot be done: steps before it are open", t.job.title(i)), "Do what is listed first, or have a lead decide.", open...)
		return 0, false
	}
	return i, true
}

// goodPieces refuses pieces that cannot be.
func (t *tx) goodPieces(r *request, spec *procedure.ShimSpec, left, right []events.ShimPiece) bool {
	if spec.Sides == nil && len(right) > 0 {
		t.refuse(r, "bad_piece", "this step has one stack, and pieces of two were told", "Tell one stack.")
		return false
	}
	for _, list := range [][]events.ShimPiece{left, right} {
		n := 0
		for k := range list {
			if why := wrongPiece(&list[k], 1); why != "" {
				t.refuse(r, "bad_piece", why, "Put it right and ask again.")
				return false
			}
			n += list[k].Count
		}
		if n > mostInPlace {
			t.refuse(r, "bad_piece", fmt.Sprintf("a stack of %d pieces", n), fmt.Sprintf("Check the numbers: %d pieces at most.", mostInPlace))
			return false
		}
	}
	return true
}

// shimFoundAsked notes which pieces are in place.
func (t *tx) shimFoundAsked(r *request, d events.ShimFoundAsked) {
	i, ok := t.shimStep(r, d.Job, d.Step)
	if !ok {
		return
	}
	spec := t.job.Proc.Steps[i].Shim
	switch {
	case !spec.Asked:
		t.refuse(r, "not_asked", fmt.Sprintf("%s does not ask what is in place", t.job.title(i)), "Go on with the proposed shims.")
		return
	case t.job.Steps[i].Shim != nil && t.job.Steps[i].Shim.Fitted != nil:
		t.refuse(r, "already_fitted", "the stack has been changed since", "Go on from what was fitted: tell what is in now as fitted.")
		return
	case len(d.Left)+len(d.Right) == 0 && spec.Sides != nil:
		t.refuse(r, "bad_piece", "no piece was told", "Take both stacks out, measure each piece and tell them.")
		return
	case !t.goodPieces(r, spec, d.Left, d.Right):
		return
	}
	t.add(events.ShimFound{Job: d.Job, Step: d.Step, Left: orEmpty(d.Left), Right: d.Right, By: r.By, AtUs: t.at})
	t.follow()
}

func orEmpty(list []events.ShimPiece) []events.ShimPiece {
	if list == nil {
		return []events.ShimPiece{}
	}
	return list
}

// shimFitAsked notes which pieces went in, books them out of the drawer, and
// says what they will give.
func (t *tx) shimFitAsked(r *request, d events.ShimFitAsked) {
	i, ok := t.shimStep(r, d.Job, d.Step)
	if !ok || !t.goodPieces(r, t.job.Proc.Steps[i].Shim, d.Left, d.Right) {
		return
	}
	p, st := &t.job.Proc.Steps[i], &t.job.Steps[i]
	if t.job.ShimsAsked(i) {
		t.refuse(r, "pieces_not_told", "the pieces that are in place now have not been told", "Take them out, measure them and tell them first.")
		return
	}
	b, measured := t.job.basisAgain(i)
	if !measured {
		b, measured = t.job.basisBefore(i)
	}
	if !measured {
		t.refuse(r, "not_measured", fmt.Sprintf("step %q has no measured value: what the shims will give cannot be told", p.Shim.From), "Measure it first, or have a lead decide about this step.")
		return
	}
	left, right := t.knownPieces(p.Shim.Drawer, d.Left), t.knownPieces(p.Shim.Drawer, d.Right)
	o := events.ShimFitted{Job: d.Job, Step: d.Step, Left: left, Right: right, By: r.By, Reason: d.Reason, AtUs: t.at}
	prop := (*events.ShimProposed)(nil)
	if st.Shim != nil {
		prop = st.Shim.Proposed
	}
	o.AsProposed = prop != nil && prop.Fits && samePieces(left, prop.Left) && samePieces(right, prop.Right)
	if st.Shim != nil && st.Shim.Checked != nil && !st.Shim.Checked.Agrees && d.Reason == "" {
		t.refuse(r, "no_reason", "the value measured last did not agree, and no reason is given", "Say what was wrong: it stays in the record.", st.Shim.Checked.Text)
		return
	}
	if !o.AsProposed && d.Reason == "" {
		t.refuse(r, "no_reason", "these are not the shims that were proposed, and no reason is given", "Fit the proposed ones, or say why others.", proposedLines(prop)...)
		return
	}
	if !t.predictFit(r, p, &b, &o) || !t.bookFit(r, p, st, &o) {
		return
	}
	t.add(o)
	if p.Shim.Drawer != "" {
		t.lowStock(p.Shim.Drawer)
	}
	t.why = "other shims were fitted"
	t.follow()
}

func proposedLines(p *events.ShimProposed) []string {
	if p == nil {
		return nil
	}
	return []string{p.Text}
}

// samePieces reports whether two stacks are of the same pieces; one that was
// measured before it went in is the same piece still.
func samePieces(a, b []events.ShimPiece) bool {
	nominal := func(list []events.ShimPiece, th quantity.Value) (n int) {
		for i := range list {
			if sameThickness(list[i].Thickness, th) {
				n += list[i].Count
			}
		}
		return n
	}
	for _, list := range [][]events.ShimPiece{a, b} {
		for i := range list {
			if nominal(a, list[i].Thickness) != nominal(b, list[i].Thickness) {
				return false
			}
		}
	}
	return true
}

// predictFit fills in what the pieces will give, or refuses.
func (t *tx) predictFit(r *request, p *procedure.Step, b *shimBasis, o *events.ShimFitted) bool {
	if p.Shim.Sides != nil {
		s := shimSides(p, b)
		m, err := s.Predict(leavesOf(o.Left), leavesOf(o.Right))
		if err != nil {
			what, todo := cutTodo(taskText(err))
			t.refuse(r, "not_measured", what, todo)
			return false
		}
		o.Predicted, o.U = m.Result, m.U
		o.Text = fmt.Sprintf("%s: %s; %s: %s. Predicted: %s ± %s.", p.Shim.Sides.Left, shims.Named(leavesOf(o.Left)), p.Shim.Sides.Right, shims.Named(leavesOf(o.Right)), show(m.Result, p.Measure.Unit), show(m.U, p.Measure.Unit))
		return true
	}
	task := shimTask(p, b)
	if _, err := shims.Choose(nil, task); err != nil { // is the measured value of any use
		what, todo := cutTodo(taskText(err))
		t.refuse(r, "not_measured", what, todo)
		return false
	}
	s := task.Stack(leavesOf(o.Left))
	o.Predicted, o.U = s.Result, s.U
	o.Text = fmt.Sprintf("%s, %s together. Predicted: %s ± %s.", shims.Named(s.Pieces), show(s.Sum.Value(), quantity.Millimetre), task.Say(s.Result), task.SayU(s.U))
	return true
}

// knownPieces finds the pieces that somebody names in the drawer: named by their
// mark alone, a piece whose real thickness is known there is that one.
func (t *tx) knownPieces(drawer string, pieces []events.ShimPiece) []events.ShimPiece {
	out := slices.Clone(orEmpty(pieces))
	stock := t.drawer(drawer)
	for i := range out {
		if !out[i].Real.IsZero() || countOf(stock, &out[i]) > 0 {
			continue
		}
		var like []int
		for k := range stock {
			if sameThickness(stock[k].Thickness, out[i].Thickness) && stock[k].Count > 0 {
				like = append(like, k)
			}
		}
		if len(like) == 1 {
			out[i].Real, out[i].U = stock[like[0]].Real, stock[like[0]].U
		}
	}
	return out
}

// bookFit books the pieces of a fit out of the drawer, and those of the fit
// before that are not in any more back into it. Pieces that were found in the
// unit never came from the drawer.
func (t *tx) bookFit(r *request, p *procedure.Step, st *StepState, o *events.ShimFitted) bool {
	drawer := p.Shim.Drawer
	if drawer == "" {
		return true
	}
	var found, before []events.ShimPiece
	if st.Shim != nil && st.Shim.Found != nil {
		found = t.inDrawer(drawer, append(slices.Clone(st.Shim.Found.Left), st.Shim.Found.Right...))
	}
	if st.Shim != nil && st.Shim.Fitted != nil {
		before = t.inDrawer(drawer, append(slices.Clone(st.Shim.Fitted.Left), st.Shim.Fitted.Right...))
	}
	now := t.inDrawer(drawer, append(slices.Clone(o.Left), o.Right...))
	out := func(list []events.ShimPiece, like *events.ShimPiece) int {
		return max(0, countOf(list, like)-countOf(found, like))
	}
	var changes []events.ShimStockChanged
	for _, like := range pieceKinds(before, now) {
		delta := out(now, &like) - out(before, &like)
		if delta == 0 {
			continue
		}
		was := countOf(t.drawer(drawer), &like)
		piece := like
		if piece.Count = was - delta; piece.Count < 0 {
			t.refuse(r, "stock_below_zero", fmt.Sprintf("drawer %q has %d of %s left, not %d", drawer, was, leafOf(&like), delta),
				"If the pieces are there, count the drawer and correct the stock; then tell the fit again. Else fit others.")
			return false
		}
		change := events.ShimFitting
		if delta < 0 {
			change = events.ShimReturned
		}
		changes = append(changes, events.ShimStockChanged{Drawer: drawer, Piece: piece, Was: was, Change: change, Job: o.Job, Step: o.Step, By: r.By, AtUs: t.at})
	}
	for _, c := range changes {
		t.stock(c)
	}
	return true
}

// inDrawer names pieces as the drawer knows them: one that was measured only
// before it went in lies there by its mark.
func (t *tx) inDrawer(drawer string, pieces []events.ShimPiece) []events.ShimPiece {
	stock := t.drawer(drawer)
	for i := range pieces {
		if !slices.ContainsFunc(stock, func(s events.ShimPiece) bool { return sameLeaf(&s, &pieces[i]) }) {
			pieces[i].Real, pieces[i].U = quantity.Value{}, quantity.Value{}
		}
	}
	return pieces
}

// pieceKinds returns one piece of each kind, thinnest first.
func pieceKinds(lists ...[]events.ShimPiece) []events.ShimPiece {
	var out []events.ShimPiece
	for _, list := range lists {
		for i := range list {
			if countOf(out, &list[i]) == 0 {
				out = append(out, list[i])
			}
		}
	}
	return sortedPieces(out)
}
