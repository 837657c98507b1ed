package shims

import (
	"fmt"
	"strings"

	"witnessmark/events/quantity"
)

// Named writes pieces for people: "0.50 mm + 2 × 0.10 mm"; "no shim" if none.
func Named(pieces []Leaf) string {
	var parts []string
	for i := 0; i < len(pieces); {
		n := i + 1
		for n < len(pieces) && pieces[n].String() == pieces[i].String() {
			n++
		}
		if n-i > 1 {
			parts = append(parts, fmt.Sprintf("%d × %s", n-i, pieces[i]))
		} else {
			parts = append(parts, pieces[i].String())
		}
		i = n
	}
	if len(parts) == 0 {
		return "no shim"
	}
	return strings.Join(parts, " + ")
}

func length(l quantity.Length) string { return quantity.Format(l.Value(), quantity.Millimetre, 3) }

// limitsText writes the limits of the result.
func (t *Task) limitsText() string {
	switch {
	case t.Low.IsZero() && t.High.IsZero():
		return "no limits"
	case t.Low.IsZero():
		return "at most " + t.Say(t.High)
	case t.High.IsZero():
		return "at least " + t.Say(t.Low)
	}
	return t.Say(t.Low) + " to " + t.Say(t.High)
}

// say writes Text and Todo.
func (t *Task) say(c *Choice, leaves []Leaf) {
	if c.Best != nil {
		c.Text = fmt.Sprintf("%s: %s together. Wanted %s; this gives %s ± %s, within %s.",
			Named(c.Best.Pieces), length(c.Best.Sum), length(c.Need), t.Say(c.Best.Result), t.SayU(c.Best.U), t.limitsText())
		c.Todo = "Measure each piece before it goes in, fit it clean, and measure again."
		if len(c.Best.Pieces) == 0 {
			c.Text = fmt.Sprintf("No shim is needed: as it is, %s ± %s is within %s.", t.Say(c.Best.Result), t.SayU(c.Best.U), t.limitsText())
			c.Todo = "Leave the stack empty and measure again."
		}
		return
	}
	c.Text, c.Todo = t.sayNothing(c, leaves)
}

// sayNothing says why nothing fits, and what to do.
func (t *Task) sayNothing(c *Choice, leaves []Leaf) (text, todo string) {
	switch {
	case c.NeedHigh.Millimetres() < 0, c.Need.Millimetres() < 0 && c.NeedHigh.Millimetres() == 0:
		return fmt.Sprintf("The play is too small already: even without a shim it would be outside %s (a stack of %s would be needed).", t.limitsText(), length(c.Need)),
			"Measure again with the parts pushed home. If it stays so, a part is of the wrong size or not seated: call a lead. No shim can help."
	case len(leaves) == 0:
		return fmt.Sprintf("The drawer is empty; a stack of %s is wanted.", length(c.Need)),
			fmt.Sprintf("Get %s, or count the drawer and correct the stock.", t.single(c))
	}
	text = fmt.Sprintf("No stack of %d pieces at most gives %s; %s is wanted.", t.Most, t.limitsText(), length(c.Need))
	if t.Most == 1 {
		text = fmt.Sprintf("No single piece gives %s; %s is wanted.", t.limitsText(), length(c.Need))
	}
	for _, s := range []struct {
		stack *Stack
		side  string
	}{{c.Below, "thinner"}, {c.Above, "thicker"}} {
		if s.stack != nil {
			text += fmt.Sprintf(" Next %s: %s, %s, gives %s.", s.side, Named(s.stack.Pieces), length(s.stack.Sum), t.Say(s.stack.Result))
		}
	}
	todo = fmt.Sprintf("Measure once more. Then get %s, lap a thicker one down to size if the maker allows it, or ask a lead.", t.single(c))
	if c.Above == nil {
		todo = fmt.Sprintf("The thickest there are do not reach: check the unit and the measurement. Then get %s or ask a lead.", t.single(c))
	}
	return text, todo
}

// single says which one piece would do.
func (t *Task) single(c *Choice) string {
	switch {
	case c.NeedLow.Millimetres() > 0 && c.NeedHigh.Millimetres() > 0:
		return fmt.Sprintf("a piece from %s to %s", length(c.NeedLow), length(c.NeedHigh))
	case c.NeedHigh.Millimetres() > 0:
		return fmt.Sprintf("a piece of %s at most, %s at best", length(c.NeedHigh), length(c.Need))
	}
	return fmt.Sprintf("a piece of %s", length(c.Need))
}
