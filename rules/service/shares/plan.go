package shares

import "slices"

// plan returns who is to have each share: those that live, each the same
// number of shares but for one. A share moves only where its owner does not
// live any more, or has two more than another. live is sorted and not empty.
func plan(owners, live []string) []string {
	next := slices.Clone(owners)
	has := map[string]int{}
	for _, o := range next {
		has[o]++
	}
	least := func() string {
		return slices.MinFunc(live, func(a, b string) int { return has[a] - has[b] })
	}
	most := func() string {
		return slices.MaxFunc(live, func(a, b string) int { return has[a] - has[b] })
	}
	for i, o := range next {
		if !slices.Contains(live, o) {
			next[i] = least()
			has[next[i]]++
		}
	}
	for has[most()]-has[least()] > 1 {
		from, to := most(), least()
		for i := len(next) - 1; i >= 0; i-- {
			if next[i] == from {
				next[i] = to
				break
			}
		}
		has[from]--
		has[to]++
	}
	return next
}
