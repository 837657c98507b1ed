package labelled

import (
	"math"
	"testing"
)

// A likelihood ratio has mean 1 in clean jobs, and its inverse mean 1 in the
// others, if it belongs to what made the streams: a property of every true
// likelihood ratio. Torque alone shows it best, its ratios being moderate.
func TestRatioBelongsToTheGenerator(t *testing.T) {
	for _, w := range Worlds() {
		t.Run(string(w), func(t *testing.T) { ratioBelongs(t, w) })
	}
}

func ratioBelongs(t *testing.T, w World) {
	const n = 240
	clean, masked := 0.0, 0.0
	for seed := range uint64(n) {
		shop := NewShopIn(w, seed, Torque)
		s, err := shop.Job(1)
		if err != nil {
			t.Fatal(err)
		}
		clean += s.Best(true).Ratio / n
		s, err = shop.Job(2, []Fault{MaskedTwice, MaskedLost, MaskedCounted}[seed%3])
		if err != nil {
			t.Fatal(err)
		}
		masked += 1 / s.Best(true).Ratio / n
	}
	if math.Abs(clean-1) > 0.4 || math.Abs(masked-1) > 0.25 {
		t.Errorf("mean ratio %.3f in clean jobs, mean inverse %.3f in the others; want 1 and 1", clean, masked)
	}
}

// The more a tool tells, the more jobs are told apart; and what it names is in
// most cases right.
func TestBestGrowsWithTheTier(t *testing.T) {
	for _, w := range Worlds() {
		t.Run(string(w), func(t *testing.T) { bestGrows(t, w) })
	}
}

func bestGrows(t *testing.T, w World) {
	const n = 120
	var found, three [3]int
	for i, tier := range Tiers() {
		for seed := range uint64(n) {
			s, err := NewShopIn(w, seed, tier).Job(2, []Fault{MaskedTwice, MaskedLost, MaskedCounted}[seed%3])
			if err != nil {
				t.Fatal(err)
			}
			b := s.Best(true)
			if b.Ratio < 1000 {
				continue
			}
			found[i]++
			f := s.Truth.Faults[0]
			for _, c := range b.Missed[:3] {
				if c.Step == f.Step && c.Fastener == f.Fastener {
					three[i]++
				}
			}
		}
	}
	t.Logf("ratio above 1000 in %v of %d jobs, right one within three in %v", found, n, three)
	if found[0] >= found[1] || found[1] > found[2] || found[2] < n*95/100 {
		t.Errorf("found %v of %d", found, n)
	}
	for i := range three {
		if three[i] < found[i]*9/10 {
			t.Errorf("%s: right one within three in %d of %d", Tiers()[i], three[i], found[i])
		}
	}
}
