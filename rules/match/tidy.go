package match

import (
	"math"
	"math/bits"
)

// Of the hypotheses that leave nothing behind, some stay in any case: so many of
// the heaviest, and as many of the heaviest of those in which most are tight.
// Without them, nobody could say how unlikely it is that all is well. Our choice.
const (
	keepEach = 2
	keepTidy = 2 * keepEach
)

// tidyShort is how much sooner a way on from such a one is let go of for its
// being less likely than the best of them, as a logarithm: one in ten thousand of
// them will do. Our choice.
var tidyShort = math.Log(1e3)

// tidy reports whether the technician is through with none that is not tight, but
// for the one in progress.
func (h *hyp) tidy() bool {
	left := h.passed &^ h.done
	if h.partial >= 0 {
		left &^= 1 << h.partial
	}
	return left == 0
}

// seenTight is how many fasteners were made tight by pulls that arrived.
func (h *hyp) seenTight() int { return bits.OnesCount64(h.done &^ h.unseen) }

// tightens is 1 for the kinds that make one more fastener tight.
var tightens = [kSame + 1]uint8{kNext: 1, kOther: 1, kFinish: 1}

// leavesNone reports whether a way on from a hypothesis that leaves nothing
// behind leaves nothing behind either.
func (e *expander) leavesNone(c *candidate) bool {
	if c.flags&passNext != 0 {
		return false
	}
	switch c.kind {
	case kNext, kOther, kRetight, kFinish:
		return !e.x.low && (e.h.partial < 0 || e.h.partial == c.fastener)
	case kSwing:
		return e.h.partial < 0 || e.h.partial == c.fastener
	}
	return true
}

// tidies are candidates that leave nothing behind, best first; those that there
// are not have no weight.
type tidies struct {
	heavy, far [keepEach]candidate // the heaviest; those with most tight
	tight      [keepEach]int       // of far
}

func newTidies() (t tidies) {
	for i := range keepEach {
		t.heavy[i].w, t.far[i].w, t.tight[i] = math.Inf(-1), math.Inf(-1), -1
	}
	return t
}

// add takes in a candidate in which so many are tight.
func (t *tidies) add(c *candidate, tight int) {
	for i := range t.heavy {
		if c.w > t.heavy[i].w {
			copy(t.heavy[i+1:], t.heavy[i:])
			t.heavy[i] = *c
			break
		}
	}
	for i := range t.far {
		if tight > t.tight[i] || tight == t.tight[i] && c.w > t.far[i].w {
			copy(t.far[i+1:], t.far[i:])
			copy(t.tight[i+1:], t.tight[i:])
			t.far[i], t.tight[i] = *c, tight
			break
		}
	}
}

// farthest is the weight of the best of those in which most are tight, if at least
// so many are.
func (t *tidies) farthest(tight int) float64 {
	if t.tight[0] < tight {
		return math.Inf(-1)
	}
	return t.far[0].w
}

// with returns the chosen candidates and those of t that are not among them.
func (t *tidies) with(chosen []candidate) []candidate {
	for i := range keepEach {
		chosen = joined(joined(chosen, &t.heavy[i]), &t.far[i])
	}
	return chosen
}

func joined(list []candidate, c *candidate) []candidate {
	if math.IsInf(c.w, -1) {
		return list
	}
	for i := range list {
		if list[i] == *c {
			return list
		}
	}
	return append(list, *c)
}
