package shims

import (
	"sort"
)

// search looks for stacks in a drawer sorted thinnest first. It is exact: it
// leaves out only what cannot be better than what it has.
type search struct {
	leaves []Leaf
	t      []int64 // thickness, nm, ascending
	used   []int   // pieces of each leaf in the stack being built

	target, lo, hi int64
	pick, best     []int
	bestD          int64
}

func newSearch(leaves []Leaf) *search {
	s := &search{leaves: leaves, t: make([]int64, len(leaves)), used: make([]int, len(leaves))}
	for i := range leaves {
		s.t[i] = nm(leaves[i].Takes())
	}
	return s
}

// closest returns the leaves of the stack of exactly k pieces whose sum is
// closest to target among those from lo to hi; ok is false if there is none.
func (s *search) closest(k int, target, lo, hi int64) (pick []int, ok bool) {
	if k == 0 {
		return nil, lo <= 0 && 0 <= hi
	}
	if len(s.t) == 0 {
		return nil, false
	}
	s.target, s.lo, s.hi = target, lo, hi
	s.pick, s.best, s.bestD = make([]int, k), nil, far
	s.grow(0, 0, k, 0)
	return s.best, s.best != nil
}

// grow adds left more pieces to a stack of sum, none thinner than leaf from.
func (s *search) grow(depth, from, left int, sum int64) {
	if left == 1 {
		s.finish(depth, from, sum)
		return
	}
	thickest := s.t[len(s.t)-1]
	for i := from; i < len(s.t); i++ {
		least := sum + int64(left)*s.t[i]
		if least > s.hi || least-s.target >= s.bestD {
			return // all that follow are thicker still
		}
		most := sum + s.t[i] + int64(left-1)*thickest
		if most < s.lo || s.target-most >= s.bestD || s.used[i] == s.leaves[i].Count {
			continue
		}
		s.used[i]++
		s.pick[depth] = i
		s.grow(depth+1, i, left-1, sum+s.t[i])
		s.used[i]--
	}
}

// finish finds the last piece, the one that brings sum closest to the target.
// Leaves are used up at most where the stack already has them, so that it
// looks a few places to either side only.
func (s *search) finish(depth, from int, sum int64) {
	want := s.target - sum
	at := from + sort.Search(len(s.t)-from, func(i int) bool { return s.t[from+i] >= want })
	for i := at - 1; i >= from; i-- { // just thinner than wanted
		if d := want - s.t[i]; d >= s.bestD || sum+s.t[i] < s.lo {
			break
		}
		if s.take(depth, i, sum) {
			break
		}
	}
	for i := at; i < len(s.t); i++ { // as wanted or just thicker
		if d := s.t[i] - want; d >= s.bestD || sum+s.t[i] > s.hi {
			break
		}
		if s.take(depth, i, sum) {
			break
		}
	}
}

// take keeps a whole stack if it is inside the limits and the drawer has its
// last piece.
func (s *search) take(depth, i int, sum int64) bool {
	total := sum + s.t[i]
	if s.used[i] == s.leaves[i].Count || total < s.lo || total > s.hi {
		return false
	}
	s.pick[depth] = i
	s.best = append(s.best[:0], s.pick...)
	s.bestD = abs(total - s.target)
	return true
}

func (s *search) leavesOf(pick []int) []Leaf {
	out := make([]Leaf, len(pick))
	for i, p := range pick {
		out[i] = s.leaves[p]
	}
	return out
}
