package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/shims"
)

// shimShop gives the invented shop two drawers.
func shimShop(shop events.Shop) events.Shop {
	mm := func(v float64) quantity.Value { return quantity.Millimetres(v).Value() }
	shop.Shims = []events.ShimDrawer{
		{ID: "carrier", Name: "Carrier shims", Low: 2, Pieces: []events.ShimPiece{
			{Thickness: mm(0.10), Count: 4}, {Thickness: mm(0.50), Count: 6}, {Thickness: mm(0.55), Real: mm(0.553), U: mm(0.002), Count: 3},
			{Thickness: mm(0.60), Count: 2}, {Thickness: mm(0.90), Count: 3}, {Thickness: mm(1.00), Count: 3}, {Thickness: mm(1.10), Count: 3}}},
		{ID: "empty"},
	}
	shop.Tools = append(shop.Tools, events.Tool{ID: "pg", Name: "PG", Kind: events.ToolPressGauge, Serial: "pg",
		Least: quantity.Newtons(100).Value(), Most: quantity.Newtons(20000).Value(), URel: 0.02, Calibrated: "2026-06-01", Due: "2027-06-01"})
	return shop
}

// shimFact makes the request that a line about shims stands for, nil if it is
// about something else.
func (c *scene) shimFact(f []string, w map[string]string, a events.Ask, job string) events.Data {
	c.t.Helper()
	stacks := func() (left, right []events.ShimPiece) {
		l, r, two := strings.Cut(strings.Join(until(f[2:], "because", "by"), ""), "/")
		left = c.pieces(l)
		if two {
			right = c.pieces(r)
		}
		return left, right
	}
	switch f[0] {
	case "stock": // stock received carrier 0.55 3
		n, err := strconv.Atoi(f[4])
		p := c.pieces(f[3])
		if err != nil || len(p) != 1 {
			c.t.Fatalf("cannot read the line %q", strings.Join(f, " "))
		}
		p[0].Count = n
		reason := w["because"]
		return events.ShimStockAsked{Ask: a, Drawer: f[2], Change: f[1], Piece: p[0], Reason: reason}
	case "found":
		l, r := stacks()
		return events.ShimFoundAsked{Ask: a, Job: job, Step: f[1], Left: l, Right: r}
	case "fit":
		l, r := stacks()
		return events.ShimFitAsked{Ask: a, Job: job, Step: f[1], Left: l, Right: r, Reason: w["because"]}
	}
	return nil
}

func until(f []string, words ...string) []string {
	if i := slices.IndexFunc(f, func(s string) bool { return slices.Contains(words, s) }); i >= 0 {
		return f[:i]
	}
	return f
}

// pieces reads "0.50+0.10", "0.55=0.553" (measured) or "none".
func (c *scene) pieces(text string) []events.ShimPiece {
	c.t.Helper()
	if text == "none" || text == "" {
		return nil
	}
	var leaves []shims.Leaf
	for _, part := range strings.Split(text, "+") {
		mark, real, _ := strings.Cut(part, "=")
		x, err := strconv.ParseFloat(mark, 64)
		y, err2 := 0.0, error(nil)
		if real != "" {
			y, err2 = strconv.ParseFloat(real, 64)
		}
		if err != nil || err2 != nil {
			c.t.Fatalf("cannot read the pieces %q", text)
		}
		leaves = append(leaves, shims.Leaf{Thickness: quantity.Millimetres(x), Real: quantity.Millimetres(y)})
	}
	return piecesOf(leaves)
}

func marks(left, right []events.ShimPiece) string {
	side := func(list []events.ShimPiece) string {
		var parts []string
		for _, p := range list {
			for range p.Count {
				parts = append(parts, strconv.FormatFloat(p.Thickness.Base(), 'f', 2, 64))
			}
		}
		if len(parts) == 0 {
			return "none"
		}
		return strings.Join(parts, "+")
	}
	if len(right) > 0 {
		return side(left) + "/" + side(right)
	}
	return side(left)
}

// tellShims writes an outcome about shims, "" for others.
func (c *scene) tellShims(o events.OutcomeData) string {
	switch o := o.(type) {
	case events.ShimStockChanged:
		return fmt.Sprintf("stock %s %s %.2f: %d", o.Drawer, o.Change, o.Piece.Thickness.Base(), o.Piece.Count)
	case events.ShimFound:
		return "found " + o.Step + " " + marks(o.Left, o.Right)
	case events.ShimProposed:
		c.texts = append(c.texts, "proposed: "+o.Text+" "+o.Todo)
		if !o.Fits {
			return "proposed " + o.Step + " nothing"
		}
		return "proposed " + o.Step + " " + marks(o.Left, o.Right)
	case events.ShimFitted:
		c.texts = append(c.texts, "fitted: "+o.Text)
		if !o.AsProposed {
			return "fitted " + o.Step + " " + marks(o.Left, o.Right) + " otherwise"
		}
		return "fitted " + o.Step + " " + marks(o.Left, o.Right)
	case events.ShimChecked:
		c.texts = append(c.texts, "checked: "+o.Text+" "+strings.Join(o.Likely, " "))
		if o.Agrees {
			return "agrees " + o.Step
		}
		return "differs " + o.Step
	}
	return ""
}
