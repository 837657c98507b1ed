package rules

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/shims"
)

// sameThickness reports whether two lengths are the same to a nanometre.
func sameThickness(a, b quantity.Value) bool {
	return a.IsZero() == b.IsZero() && math.Abs(a.Base()-b.Base()) < 1e-6
}

// sameLeaf reports whether two pieces lie together in a drawer: of one nominal
// thickness and one measured one.
func sameLeaf(a, b *events.ShimPiece) bool {
	return sameThickness(a.Thickness, b.Thickness) && sameThickness(a.Real, b.Real)
}

// leafOf turns pieces into what package shims reckons with.
func leafOf(p *events.ShimPiece) shims.Leaf {
	t, _ := p.Thickness.Length()
	r, _ := p.Real.Length()
	u, _ := p.U.Length()
	return shims.Leaf{Thickness: t, Real: r, U: u, Count: p.Count}
}

func leavesOf(pieces []events.ShimPiece) []shims.Leaf {
	var out []shims.Leaf
	for i := range pieces {
		l := leafOf(&pieces[i])
		l.Count = 1
		for range pieces[i].Count {
			out = append(out, l)
		}
	}
	return out
}

// piecesOf is the inverse of leavesOf: like ones are put together.
func piecesOf(leaves []shims.Leaf) []events.ShimPiece {
	out := []events.ShimPiece{}
	for _, l := range leaves {
		p := events.ShimPiece{Thickness: l.Thickness.Value(), Count: 1}
		if l.Real.Millimetres() > 0 {
			p.Real = l.Real.Value()
		}
		if l.U.Millimetres() > 0 {
			p.U = l.U.Value()
		}
		if i := slices.IndexFunc(out, func(o events.ShimPiece) bool { return sameLeaf(&o, &p) }); i >= 0 {
			out[i].Count++
			continue
		}
		out = append(out, p)
	}
	return out
}

func countOf(pieces []events.ShimPiece, like *events.ShimPiece) (n int) {
	for i := range pieces {
		if sameLeaf(&pieces[i], like) {
			n += pieces[i].Count
		}
	}
	return n
}

// stockShims takes the drawers of a new shop description into the stock. What
// is known of a drawer stays: from the day that a thickness was first named,
// the events say how many there are.
func (s *State) stockShims() {
	for _, d := range s.Shop.Shims {
		list := slices.Clone(s.Shims[d.ID])
		for i := range d.Pieces {
			if p := d.Pieces[i]; !slices.ContainsFunc(list, func(o events.ShimPiece) bool { return sameLeaf(&o, &p) }) {
				list = append(list, p)
			}
		}
		s.Shims[d.ID] = sortedPieces(list)
	}
}

func sortedPieces(list []events.ShimPiece) []events.ShimPiece {
	slices.SortStableFunc(list, func(a, b events.ShimPiece) int {
		return cmp.Or(cmp.Compare(a.Thickness.Base(), b.Thickness.Base()), cmp.Compare(a.Real.Base(), b.Real.Base()))
	})
	return list
}

// withPiece returns a copy of a drawer in which a thickness has another count.
func withPiece(list []events.ShimPiece, p events.ShimPiece) []events.ShimPiece {
	out := slices.Clone(list)
	if i := slices.IndexFunc(out, func(o events.ShimPiece) bool { return sameLeaf(&o, &p) }); i >= 0 {
		out[i] = p
		return out
	}
	return sortedPieces(append(out, p))
}

// ShimDrawer returns a drawer as the shop file names it, with what it holds
// now; ok is false if the shop has none.
func (s *State) ShimDrawer(id string) (d events.ShimDrawer, ok bool) {
	i := slices.IndexFunc(s.Shop.Shims, func(d events.ShimDrawer) bool { return d.ID == id })
	if i < 0 {
		return events.ShimDrawer{}, false
	}
	d = s.Shop.Shims[i]
	d.Pieces = s.Shims[id]
	return d, true
}

// ShimDrawers returns all drawers, in the order of the shop file, with what
// they hold now.
func (s *State) ShimDrawers() []events.ShimDrawer {
	var out []events.ShimDrawer
	for _, d := range s.Shop.Shims {
		d.Pieces = s.Shims[d.ID]
		out = append(out, d)
	}
	return out
}

// wrongDrawer checks a drawer of a shop description.
func wrongDrawer(d *events.ShimDrawer, bad func(string, ...any)) {
	if d.Low < 0 {
		bad("shim drawer %q: low is %d: want 0 or more", d.ID, d.Low)
	}
	for i := range d.Pieces {
		if why := wrongPiece(&d.Pieces[i], 0); why != "" {
			bad("shim drawer %q: %s", d.ID, why)
		}
		if countOf(d.Pieces[:i], &d.Pieces[i]) > 0 {
			bad("shim drawer %q: %s is there twice: put the pieces together", d.ID, leafOf(&d.Pieces[i]))
		}
	}
}

// mostStock is the greatest number of pieces of one thickness that is taken
// for real. Our choice.
const mostStock = 100_000

// wrongPiece says what is wrong with pieces of one thickness, "" if nothing.
func wrongPiece(p *events.ShimPiece, least int) string {
	length := func(v quantity.Value) bool {
		return v.Dimension() == quantity.DimLength && v.Finite() && v.Base() > 0 && v.Base() <= 100
	}
	said := quantity.Format(p.Thickness, quantity.Millimetre, 3)
	switch {
	case !length(p.Thickness):
		return fmt.Sprintf("a shim of %s: want a length above 0, 100 mm at most", said)
	case !p.Real.IsZero() && (!length(p.Real) || math.Abs(p.Real.Base()-p.Thickness.Base()) > 0.2*p.Thickness.Base()+0.02):
		return fmt.Sprintf("a shim of %s that measures %s: check the unit, or its nominal thickness", said, quantity.Format(p.Real, quantity.Millimetre, 4))
	case !p.U.IsZero() && (p.Real.IsZero() || p.U.Dimension() != quantity.DimLength || !(p.U.Base() >= 0) || p.U.Base() > 0.1):
		return fmt.Sprintf("a shim of %s with an uncertainty of %s: it goes with a measured thickness, such as 0.002 mm", said, quantity.Format(p.U, quantity.Millimetre, 4))
	case p.Count < least || p.Count > mostStock:
		return fmt.Sprintf("%d pieces of %s: want a number from %d to %d", p.Count, said, least, mostStock)
	}
	return ""
}

// stockAsked books what came into a drawer, went out of it, or was counted.
func (t *tx) stockAsked(r *request, d events.ShimStockAsked) {
	if !t.mayWork(r) {
		return
	}
	drawer, ok := t.s.ShimDrawer(d.Drawer)
	if !ok {
		t.refuse(r, "unknown_drawer", fmt.Sprintf("this shop has no shim drawer %q", d.Drawer), "Name a drawer of the shop file, or add it there.")
		return
	}
	least := 1
	if d.Change == events.ShimCounted {
		least = 0
	}
	if why := wrongPiece(&d.Piece, least); why != "" {
		t.refuse(r, "bad_piece", why, "Put it right and ask again.")
		return
	}
	was := countOf(drawer.Pieces, &d.Piece)
	now := d.Piece
	switch d.Change {
	case events.ShimReceived:
		now.Count += was
	case events.ShimCounted:
	case events.ShimTaken:
		if now.Count = was - d.Piece.Count; now.Count < 0 {
			t.refuse(r, "stock_below_zero", fmt.Sprintf("drawer %q has %d of %s, not %d", d.Drawer, was, leafOf(&d.Piece), d.Piece.Count),
				"Count the drawer and correct the stock first.")
			return
		}
		if !t.reasoned(r, d.Reason) {
			return
		}
	default:
		t.refuse(r, "bad_change", fmt.Sprintf("%q is no change of stock", d.Change), `Say "received", "counted" or "taken".`)
		return
	}
	if now.Count > mostStock {
		t.refuse(r, "bad_piece", fmt.Sprintf("drawer %q would hold %d of %s", d.Drawer, now.Count, leafOf(&d.Piece)), "Check the number.")
		return
	}
	if now.Count == was && d.Change == events.ShimCounted && slices.ContainsFunc(drawer.Pieces, func(p events.ShimPiece) bool { return sameLeaf(&p, &now) }) {
		return // it is so already
	}
	t.stock(events.ShimStockChanged{Drawer: d.Drawer, Piece: now, Was: was, Change: d.Change, By: r.By, Reason: d.Reason, AtUs: t.at})
	t.lowStock(d.Drawer)
	t.proposeAnew(d.Drawer)
}

// stock books one change, and remembers it for what follows in this decision.
func (t *tx) stock(o events.ShimStockChanged) {
	if t.drawers == nil {
		t.drawers = map[string][]events.ShimPiece{}
	}
	t.drawers[o.Drawer] = withPiece(t.drawer(o.Drawer), o.Piece)
	t.add(o)
}

// drawer returns what a drawer holds after what was decided so far.
func (t *tx) drawer(id string) []events.ShimPiece {
	if list, ok := t.drawers[id]; ok {
		return list
	}
	return t.s.Shims[id]
}

// lowStock raises an alert for a drawer in which a thickness runs out, and
// settles it once there are enough again. It blocks nothing, and belongs to no
// bench: whoever fits the last piece but one is not to be disturbed.
func (t *tx) lowStock(id string) {
	d, ok := t.s.ShimDrawer(id)
	if !ok || d.Low == 0 {
		return
	}
	var few []string
	list := t.drawer(id)
	for i := range list {
		if list[i].Count < d.Low {
			few = append(few, fmt.Sprintf("%d of %s", list[i].Count, leafOf(&list[i])))
		}
	}
	for a := range t.openAlerts("") {
		if a.Kind == events.AlertShimStock && slices.Equal(a.Items, []string{id}) {
			if len(few) > 0 {
				return // said
			}
			t.settle(a.Alert, t.who, "there are enough again")
			return
		}
	}
	if len(few) == 0 {
		return
	}
	a := events.AlertRaised{
		Kind: events.AlertShimStock, Items: []string{id},
		Text: fmt.Sprintf("Drawer %q runs low: %s left.", drawerName(&d), andList(few)),
		Todo: fmt.Sprintf("Order more: fewer than %d of a thickness are too few here. If there are more, count the drawer and correct the stock.", d.Low),
	}
	a.Alert, a.AtUs = t.nextAlert(), t.at
	t.alerts++
	t.raised = append(t.raised, a)
	t.add(a)
}

func drawerName(d *events.ShimDrawer) string {
	if d.Name != "" {
		return d.Name
	}
	return d.ID
}

func andList(words []string) string {
	const most = 6
	if len(words) > most {
		words = append(slices.Clone(words[:most]), fmt.Sprintf("%d thicknesses more", len(words)-most))
	}
	s := ""
	for i, w := range words {
		switch {
		case i > 0 && i == len(words)-1:
			s += " and "
		case i > 0:
			s += ", "
		}
		s += w
	}
	return s
}

// proposeAnew makes the proposals anew that rest on a drawer which has
// changed, in the order of the jobs' ids.
func (t *tx) proposeAnew(drawer string) {
	for _, id := range slices.Sorted(maps.Keys(t.s.Jobs)) {
		if t.s.Jobs[id].Status != JobActive || !t.s.Jobs[id].waitsForShims(drawer) {
			continue
		}
		t.open(id)
		t.proposeShims(t.job.current(), true)
	}
}

// waitsForShims reports whether the job's current step waits for pieces of a
// drawer.
func (j *Job) waitsForShims(drawer string) bool {
	i := j.current()
	if i == len(j.Steps) || j.Proc.Steps[i].Shim == nil || j.Proc.Steps[i].Shim.Drawer != drawer {
		return false
	}
	sh := j.Steps[i].Shim
	return sh != nil && sh.Proposed != nil && sh.Fitted == nil
}
