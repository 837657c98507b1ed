package procedure

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// numbers writes an order as people do, counted from 1: "1-3-5-2-4".
func numbers(order []int) string {
	s := make([]string, len(order))
	for i, k := range order {
		s[i] = fmt.Sprint(k + 1)
	}
	return strings.Join(s, "-")
}

func TestStar(t *testing.T) {
	// Worked by hand: drawn on a clock face and walked through with a pencil.
	// 5 is the five-pointed star; 4, 6 and 8 go across and then a quarter turn
	// on; 12 is the pattern usually printed for flanges (common practice, from
	// memory, no source).
	for n, want := range map[int]string{
		0:  "",
		1:  "1",
		2:  "1-2",
		3:  "1-2-3",
		4:  "1-3-2-4",
		5:  "1-3-5-2-4",
		6:  "1-4-2-5-3-6",
		7:  "1-4-7-3-6-2-5",
		8:  "1-5-3-7-2-6-4-8",
		9:  "1-4-7-2-5-8-3-6-9",
		10: "1-6-3-8-5-10-7-2-9-4",
		12: "1-7-4-10-2-8-5-11-3-9-6-12",
	} {
		if got := numbers(Star(n)); got != want {
			t.Errorf("Star(%d) = %s, want %s", n, got, want)
		}
	}
}

// Any count from 1 to 40: every place once, wide jumps, and the load balanced.
func TestStarProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "n")
		order := Star(n)
		sorted := slices.Sorted(slices.Values(order))
		for i, k := range sorted {
			if i != k || len(sorted) != n {
				t.Fatalf("Star(%d) = %v is no permutation", n, order)
			}
		}
		for i := 1; n >= 4 && i < n; i++ {
			if d := apart(order[i], order[i-1], n); d < (n+3)/4 {
				t.Fatalf("Star(%d): pull %d is %d places from the one before, want a quarter turn", n, i+1, d)
			}
		}
		// The sum of the directions pulled so far says how lopsided the load is:
		// at most 1.12 bolts to one side at any time (measured, the worst is 17
		// with 1.11; pulled clockwise, 40 bolts come to 12.7), and 0 after each set.
		set := smallestPrime(n)
		for i := range order {
			x, y := resultant(order[:i+1], n)
			r := math.Hypot(x, y)
			if r > 1.12 {
				t.Fatalf("Star(%d): %.2f bolts to one side after %d pulls", n, r, i+1)
			}
			if n > 1 && (i+1)%set == 0 && r > 1e-9 {
				t.Fatalf("Star(%d): not balanced after %d pulls of sets of %d: %.2f", n, i+1, set, r)
			}
		}
	})
}

func resultant(order []int, n int) (x, y float64) {
	for _, k := range order {
		s, c := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		x, y = x+s, y+c
	}
	return x, y
}

func TestOrders(t *testing.T) {
	ring8 := onRing(8, 100)
	two := []point{{-60, 30}, {-20, 30}, {20, 30}, {60, 30}, {60, -30}, {20, -30}, {-20, -30}, {-60, -30}}
	row := []point{{0, 0}, {10, 0}, {20, 0}, {30, 0}, {40, 0}}
	head := []point{ // a cylinder head: two rows of five, numbered row by row
		{-80, 40}, {-40, 40}, {0, 40}, {40, 40}, {80, 40},
		{-80, -40}, {-40, -40}, {0, -40}, {40, -40}, {80, -40},
	}
	for _, c := range []struct {
		name string
		rule func([]point) []int
		pts  []point
		want string
	}{
		// All by hand, from a sketch of the places.
		{"ring cross", cross, ring8, "1-5-3-7-2-6-4-8"},
		{"ring clockwise", clockwise, ring8, "1-2-3-4-5-6-7-8"},
		{"ring counter-clockwise", counterClockwise, ring8, "1-8-7-6-5-4-3-2"},
		{"ring numbered the other way", clockwise, reversed(ring8), "1-8-7-6-5-4-3-2"},
		{"two rows cross", cross, two, "1-5-3-7-2-6-4-8"},
		{"two rows clockwise", clockwise, two, "1-2-3-4-5-6-7-8"},
		{"two rows spiral", spiral, two, "3-6-7-2-4-5-8-1"},
		{"head spiral: middle pair, then outwards by pairs", spiral, head, "3-8-7-2-4-9-6-1-5-10"},
		{"line cross is from the middle", cross, row, "3-4-2-5-1"},
		{"line spiral", spiral, row, "3-4-2-5-1"},
		{"ring and middle", cross, append([]point{{0, 0}}, onRing(4, 10)...), "1-2-4-3-5"},
		{"two", cross, []point{{0, 0}, {5, 0}}, "1-2"},
		{"one", cross, []point{{3, 3}}, "1"},
		{"one spiral", spiral, []point{{3, 3}}, "1"},
		{"none", cross, nil, ""},
		{"all at one place", cross, []point{{1, 1}, {1, 1}, {1, 1}}, "1-2-3"},
	} {
		if got := numbers(c.rule(c.pts)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// On every rectangle with an even number of fasteners, the cross order of a
// pair lies point to point through the middle.
func TestCrossOnRectangle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var pts []point
		across, down := rapid.IntRange(2, 9).Draw(t, "across"), rapid.IntRange(2, 9).Draw(t, "down")
		w, h := rapid.Float64Range(50, 400).Draw(t, "w"), rapid.Float64Range(50, 400).Draw(t, "h")
		rect(across, down, w, h, func(x, y float64) { pts = append(pts, point{x, y}) })
		order := cross(pts)
		if n := 2*(across+down) - 4; len(pts) != n || len(order) != n {
			t.Fatalf("%d places and %d in the order, want %d", len(pts), len(order), n)
		}
		for i := 0; i < len(order); i += 2 {
			a, b := pts[order[i]], pts[order[i+1]]
			if math.Hypot(a.x+b.x, a.y+b.y) > 1e-6 {
				t.Fatalf("pull %d at %v and pull %d at %v do not lie opposite", i+1, a, i+2, b)
			}
		}
	})
}

// Whatever the places, every order takes each fastener once.
func TestOrdersTakeAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		coordinate := rapid.OneOf(rapid.Float64Range(-500, 500), rapid.Map(rapid.IntRange(-3, 3), func(i int) float64 { return float64(i) * 20 }))
		pts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) point {
			return point{coordinate.Draw(t, "x"), coordinate.Draw(t, "y")}
		}), 0, 30).Draw(t, "pts")
		for name, rule := range map[string]func([]point) []int{
			"cross": cross, "clockwise": clockwise, "counter-clockwise": counterClockwise, "spiral": spiral,
		} {
			got := slices.Sorted(slices.Values(rule(pts)))
			for i, k := range got {
				if i != k || len(got) != len(pts) {
					t.Fatalf("%s of %v: %v", name, pts, got)
				}
			}
		}
	})
}

func onRing(n int, d float64) []point {
	var out []point
	for i := range n {
		s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		out = append(out, point{d / 2 * s, d / 2 * c})
	}
	return out
}

func reversed(pts []point) []point {
	out := slices.Clone(pts)
	slices.Reverse(out[1:])
	return out
}

// rect walks the places of a rectangle around the origin in its own way, so
// that it shares nothing with the code under test.
func rect(across, down int, w, h float64, put func(x, y float64)) {
	for i := range across {
		for j := range down {
			if i == 0 || j == 0 || i == across-1 || j == down-1 {
				put(-w/2+w*float64(i)/float64(across-1), -h/2+h*float64(j)/float64(down-1))
			}
		}
	}
}

func TestApart(t *testing.T) {
	got := []int{apart(0, 7, 8), apart(7, 0, 8), apart(1, 5, 8), apart(3, 3, 8)}
	if d := cmp.Diff([]int{1, 1, 4, 0}, got); d != "" { // by hand
		t.Error(d)
	}
}
