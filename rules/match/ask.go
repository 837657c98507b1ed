package match

import (
	"cmp"
	"math"
	"slices"
)

// Question returns the pull of which a question would tell most, with the
// answers to choose from; not ok where no answer would change the outcome.
func (f *Filter) Question() (k int, choices []Explanation, ok bool) {
	if f.pulls == 0 || f.over > 0 {
		return 0, nil, false
	}
	// While some are still to come, all hypotheses leave somebody untouched; only
	// that one was passed over matters, and the number of pulls mostly settles it.
	m, ahead := f.Missed(), f.m.all&^f.hyps[heaviest(f.hyps)].passed != 0
	share := f.m.j.Ask
	if share == 0 {
		share = 1
	}
	if ahead && m.Behind < askBehind || !ahead && m.P < share*f.m.p.AskP {
		return 0, nil, false
	}
	best := 0.0
	for i, p := range f.repeatsWithMiss() {
		if p > best {
			best, k = p, i
		}
	}
	if ahead && f.pulls < len(f.m.order) && f.pulls-1-k < askAfter {
		return 0, nil, false
	}
	for _, e := range f.Explain(k) {
		if e.P >= share*f.m.p.AskMin && len(choices) < 4 {
			choices = append(choices, e)
		}
	}
	return k, choices, len(choices) > 1
}

// askBehind is how likely it must be, while some are still to come, that one was
// passed over, and askAfter how many pulls must have come since and not settled
// it, unless there are as many pulls as fasteners, before a question pays. Our choice.
const (
	askBehind = 0.15
	askAfter  = 3
)

// repeatsWithMiss is, for each pull, the weight of all hypotheses in which a
// fastener was left out and the pull was a repeat, or no pull in order.
func (f *Filter) repeatsWithMiss() []float64 {
	paths, ws := f.paths(func(h *hyp) float64 {
		if f.m.left(h) == 0 {
			return 0
		}
		return math.Exp(h.weight()) * f.m.stop(h)
	})
	return f.sumWhere(paths, ws, func(n *node) bool { return n.kind == kRepeat || n.kind == kLost || n.kind == kOther })
}

// reweigh returns the filter with each hypothesis's weight taken times what
// factor gives.
func (f *Filter) reweigh(factor func(h *hyp) float64) *Filter {
	return f.change(func(h *hyp) { h.lw += math.Log(factor(h)) })
}

// change returns the filter with every hypothesis changed.
func (f *Filter) change(do func(h *hyp)) *Filter {
	g := *f
	g.forget()
	g.hyps = slices.Clone(f.hyps)
	for i := range g.hyps {
		do(&g.hyps[i])
	}
	normalise(g.hyps)
	slices.SortStableFunc(g.hyps, func(a, b hyp) int { return cmp.Compare(b.weight(), a.weight()) })
	return &g
}

// Answer returns the filter after somebody said what pull k (from 0) was. An
// answer with no fastener speaks of the kind alone. It is evidence, not
// certainty: see AnswerWrong.
func (f *Filter) Answer(k int, a Explanation) *Filter {
	if k < 0 || k >= f.pulls {
		return f
	}
	return f.reweigh(func(h *hyp) float64 {
		n := h.node(f.pulls - 1 - k)
		if n.kind.event() == a.Kind && (a.Fastener < 0 || int(n.fastener) == a.Fastener) {
			return 1
		}
		return f.m.p.AnswerWrong
	})
}

// Reset returns the filter after a fastener was made undone, to be pulled
// anew.
func (f *Filter) Reset(fastener int) *Filter {
	bit, ok := f.bit(fastener)
	if !ok {
		return f
	}
	return f.change(func(h *hyp) {
		h.done &^= bit
		h.passed &^= bit
		h.low &^= bit
		h.unseen &^= bit
		if int(h.partial) == fastener {
			h.partial = -1
		}
	})
}

// Accept returns the filter after a person vouched that a fastener is tight.
func (f *Filter) Accept(fastener int) *Filter {
	bit, ok := f.bit(fastener)
	if !ok {
		return f
	}
	return f.change(func(h *hyp) {
		h.done |= bit
		h.passed |= bit
		h.low &^= bit
		if int(h.partial) == fastener {
			h.partial = -1
		}
	})
}

// Void returns the filter after a reading was declared void: what it had
// tightened is to be pulled anew. The filter itself if it knows no such
// reading.
func (f *Filter) Void(reading uint64) *Filter {
	k := slices.Index(f.reading, reading)
	if k < 0 || k >= f.pulls {
		return f
	}
	return f.change(func(h *hyp) {
		n := h.node(f.pulls - 1 - k)
		switch n.kind {
		case kNext, kOther, kFinish, kRetight, kSwing:
			bit := uint64(1) << n.fastener
			h.done &^= bit
			h.passed &^= bit
			h.low &^= bit
		}
	})
}

func (f *Filter) bit(fastener int) (uint64, bool) {
	return 1 << max(fastener, 0), fastener >= 0 && fastener < len(f.m.order)
}
