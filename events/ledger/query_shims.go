package ledger

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

// StockChange is one change of a drawer.
type StockChange struct {
	Seq uint64 // of the decision
	events.ShimStockChanged
}

// ShimStockChanges returns what happened in a drawer, newest first, limit at
// most; all drawers for "", all changes for 0.
func (q *Queries) ShimStockChanges(ctx context.Context, drawer string, limit int) ([]StockChange, error) {
	if limit <= 0 {
		limit = -1
	}
	return all(ctx, q, "changes of the shim stock", `SELECT id, drawer, piece, count, was, change, job, step, by_person, reason, at_us FROM shim_stock
		WHERE ?1 IN ('', drawer) ORDER BY id DESC LIMIT ?2`,
		func(r scanner, x *StockChange) error {
			var id int64
			var piece string
			if err := r.Scan(&id, &x.Drawer, &piece, &x.Piece.Count, &x.Was, &x.Change, &x.Job, &x.Step, &x.By, &x.Reason, &x.AtUs); err != nil {
				return err
			}
			x.Seq, _ = place(id)
			return fromJSON(piece, &x.Piece)
		}, drawer, limit)
}

func fromJSON(text string, into any) error {
	if err := json.Unmarshal([]byte(text), into); err != nil {
		return fmt.Errorf("%w: shims %q: %v", ErrBroken, text, err)
	}
	return nil
}

// ShimStep is one thing that happened at a shim step. One of the pointers is
// set.
type ShimStep struct {
	Seq      uint64 // of the decision
	Index    int    // in it
	Found    *events.ShimFound
	Proposed *events.ShimProposed
	Fitted   *events.ShimFitted
	Checked  *events.ShimChecked
}

// ShimStepsOf returns what happened at the shim steps of a job, oldest first.
func (q *Queries) ShimStepsOf(ctx context.Context, job string) ([]ShimStep, error) {
	return all(ctx, q, "shims of job "+job, "SELECT id, kind, body FROM shim_steps WHERE job = ? ORDER BY id",
		func(r scanner, x *ShimStep) error {
			var id int64
			var kind, body string
			if err := r.Scan(&id, &kind, &body); err != nil {
				return err
			}
			x.Seq, x.Index = place(id)
			switch kind {
			case "found":
				x.Found = new(events.ShimFound)
				return fromJSON(body, x.Found)
			case "proposed":
				x.Proposed = new(events.ShimProposed)
				return fromJSON(body, x.Proposed)
			case "fitted":
				x.Fitted = new(events.ShimFitted)
				return fromJSON(body, x.Fitted)
			case "checked":
				x.Checked = new(events.ShimChecked)
				return fromJSON(body, x.Checked)
			}
			return fmt.Errorf("%w: shim step of kind %q", ErrBroken, kind)
		}, job)
}

// fillDrawers reads the shim drawers of a shop description.
func (q *Queries) fillDrawers(ctx context.Context, id int64, s *events.Shop) (err error) {
	s.Shims, err = all(ctx, q, "shim drawers", "SELECT drawer, name, low, pieces FROM shim_drawers WHERE adopted = ? ORDER BY place",
		func(r scanner, d *events.ShimDrawer) error {
			var pieces string
			if err := r.Scan(&d.ID, &d.Name, &d.Low, &pieces); err != nil {
				return err
			}
			return fromJSON(pieces, &d.Pieces)
		}, id)
	return err
}

// ShimDrawersNow returns the drawers of the shop description in force, each
// with what it holds now, thinnest first: what the shop file first named, and
// since then what the events say.
func (q *Queries) ShimDrawersNow(ctx context.Context) ([]events.ShimDrawer, error) {
	shop, err := q.ShopNow(ctx)
	if err != nil {
		return nil, err
	}
	type named struct {
		drawer string
		pieces []events.ShimPiece
	}
	first, err := all(ctx, q, "shim drawers", "SELECT drawer, pieces FROM shim_drawers ORDER BY adopted, place", func(r scanner, x *named) error {
		var text string
		if err := r.Scan(&x.drawer, &text); err != nil {
			return err
		}
		return fromJSON(text, &x.pieces)
	})
	if err != nil {
		return nil, err
	}
	changes, err := q.ShimStockChanges(ctx, "", 0) // newest first
	if err != nil {
		return nil, err
	}
	for i := range shop.Shims {
		d := &shop.Shims[i]
		d.Pieces = nil
		add := func(p events.ShimPiece) {
			if !slices.ContainsFunc(d.Pieces, func(o events.ShimPiece) bool { return samePiece(&o, &p) }) {
				d.Pieces = append(d.Pieces, p)
			}
		}
		for _, c := range changes {
			if c.Drawer == d.ID {
				add(c.Piece)
			}
		}
		for _, n := range first {
			if n.drawer == d.ID {
				for _, p := range n.pieces {
					add(p)
				}
			}
		}
		slices.SortFunc(d.Pieces, func(a, b events.ShimPiece) int {
			return cmp.Or(cmp.Compare(a.Thickness.Base(), b.Thickness.Base()), cmp.Compare(a.Real.Base(), b.Real.Base()))
		})
	}
	return shop.Shims, nil
}

// samePiece reports whether two pieces lie together, as the rules see it: of
// one nominal and one measured thickness, to a nanometre.
func samePiece(a, b *events.ShimPiece) bool {
	same := func(x, y quantity.Value) bool { return x.IsZero() == y.IsZero() && math.Abs(x.Base()-y.Base()) < 1e-6 }
	return same(a.Thickness, b.Thickness) && same(a.Real, b.Real)
}
