package shims

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"witnessmark/events/quantity"
)

func leaf(mm float64, count int) Leaf {
	return Leaf{Thickness: quantity.Millimetres(mm), Count: count}
}

func length1(mm float64) quantity.Value { return quantity.Millimetres(mm).Value() }

func names(s *Stack) string {
	if s == nil {
		return "nothing"
	}
	return Named(s.Pieces)
}

// By hand: play 0.62, wanted 0.05 (0.02 to 0.08): a stack of 0.57, 0.54 to 0.60.
func TestChoose(t *testing.T) {
	task := Task{Measured: quantity.Millimetres(0.62), U: quantity.Millimetres(0.006), Target: length1(0.05), Low: length1(0.02), High: length1(0.08), Most: 3}
	for _, c := range []struct {
		name   string
		drawer []Leaf
		change func(*Task)
		want   string
	}{
		{"one piece inside the limits comes before two that hit the target", []Leaf{leaf(0.55, 2), leaf(0.27, 2), leaf(0.30, 2)}, nil, "0.55 mm"},
		{"of single pieces the closest", []Leaf{leaf(0.55, 2), leaf(0.58, 2), leaf(0.60, 1)}, nil, "0.58 mm"},
		{"two where one does not do", []Leaf{leaf(0.27, 2), leaf(0.30, 1), leaf(0.10, 4)}, nil, "0.30 mm + 0.27 mm"},
		{"counts are kept", []Leaf{leaf(0.285, 1), leaf(0.20, 2), leaf(0.17, 1)}, nil, "2 × 0.20 mm + 0.17 mm"},
		{"real thickness counts, not the mark", []Leaf{{Thickness: quantity.Millimetres(0.57), Real: quantity.Millimetres(0.61), Count: 1}, leaf(0.56, 1)}, nil, "0.56 mm"},
		{"at most two", []Leaf{leaf(0.20, 2), leaf(0.17, 1)}, func(t *Task) { t.Most = 2 }, "nothing"},
		{"stack in place counts", []Leaf{leaf(1.57, 1), leaf(0.57, 1)}, func(t *Task) { t.Fitted = quantity.Millimetres(1) }, "1.57 mm"},
		{"more shims, more play", []Leaf{leaf(0.40, 1), leaf(0.43, 2)}, func(t *Task) {
			t.Sense, t.Fitted = GivesPlay, quantity.Millimetres(1)
		}, "0.43 mm"},
		{"nothing needed", []Leaf{leaf(0.10, 5)}, func(t *Task) { t.Measured = quantity.Millimetres(0.06) }, "no shim"},
		{"preload: 0.62 + 12 kN / 120 kN/mm = 0.72", []Leaf{leaf(0.70, 1), leaf(0.72, 1), leaf(0.75, 1)}, func(t *Task) {
			t.Sense, t.Stiffness = Preloads, quantity.NewtonsPerMillimetre(120000)
			t.Target, t.Low, t.High = quantity.Newtons(12000).Value(), quantity.Newtons(9000).Value(), quantity.Newtons(15000).Value()
		}, "0.72 mm"},
		{"without limits the closest of all", []Leaf{leaf(0.55, 2), leaf(0.27, 2), leaf(0.30, 2)}, func(t *Task) { t.Low, t.High = quantity.Value{}, quantity.Value{} }, "0.30 mm + 0.27 mm"},
		{"empty drawer without limits", nil, func(t *Task) { t.Low, t.High = quantity.Value{}, quantity.Value{} }, "nothing"},
		{"empty drawer", nil, nil, "nothing"},
		{"only empty places", []Leaf{leaf(0.57, 0)}, nil, "nothing"},
	} {
		task := task
		if c.change != nil {
			c.change(&task)
		}
		if c.name == "more shims, more play" { // play 0.62 with 1.00 in; wanted 0.05: 0.43
			task.Low, task.High = length1(0.02), length1(0.08)
		}
		got, err := Choose(c.drawer, task)
		if err != nil || names(got.Best) != c.want {
			t.Errorf("%s: got %s, %v; want %s", c.name, names(got.Best), err, c.want)
		}
		if got.Best == nil && (got.Text == "" || got.Todo == "") {
			t.Errorf("%s: no word, or no advice", c.name)
		}
	}
}

func TestChooseSaysWhatToDo(t *testing.T) {
	task := Task{Measured: quantity.Millimetres(0.62), Target: length1(0.05), Low: length1(0.04), High: length1(0.06), Most: 2}
	c, err := Choose([]Leaf{leaf(0.20, 3), leaf(0.50, 1)}, task)
	if err != nil || c.Best != nil {
		t.Fatalf("%v, %v", names(c.Best), err)
	}
	if names(c.Below) != "0.50 mm" || names(c.Above) != "0.50 mm + 0.20 mm" {
		t.Errorf("below %s, above %s", names(c.Below), names(c.Above))
	}
	for _, want := range []string{"0.570 mm is wanted", "0.560 mm to 0.580 mm", "Measure once more"} {
		if !strings.Contains(c.Text+c.Todo, want) {
			t.Errorf("%q is not said in %q %q", want, c.Text, c.Todo)
		}
	}
	task.Measured = quantity.Millimetres(0.01)
	if c, err = Choose([]Leaf{leaf(0.20, 3)}, task); err != nil || !strings.Contains(c.Text, "too small already") {
		t.Errorf("%q, %v", c.Text, err)
	}
}

func TestChooseRefusesNonsense(t *testing.T) {
	good := Task{Measured: quantity.Millimetres(0.62), Target: length1(0.05), Low: length1(0.04), High: length1(0.06)}
	for name, change := range map[string]func(*Task){
		"below zero": func(t *Task) { t.Measured = quantity.Millimetres(-0.1) },
		"no number":  func(t *Task) { t.Measured = quantity.Millimetres(math.NaN()) },
		"unit":       func(t *Task) { t.Measured = quantity.Millimetres(620) },
		"check":      func(t *Task) { t.Target = quantity.Newtons(5).Value() },
		"inside":     func(t *Task) { t.Target = length1(0.5) },
		"target":     func(t *Task) { t.Target, t.Low = quantity.Value{}, quantity.Value{} },
		"1 to 5":     func(t *Task) { t.Most = 9 },
		"stiffness":  func(t *Task) { t.Sense = Preloads },
	} {
		task := good
		change(&task)
		if _, err := Choose([]Leaf{leaf(0.5, 1)}, task); !errors.Is(err, ErrTask) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Choose([]Leaf{leaf(0.5, -1)}, good); !errors.Is(err, ErrTask) {
		t.Errorf("negative stock: %v", err)
	}
	if _, err := Choose([]Leaf{leaf(0, 1)}, good); !errors.Is(err, ErrTask) {
		t.Errorf("no thickness: %v", err)
	}
}

// By hand (JCGM 100): three measured pieces of ±1 µm: √3 µm; two unmeasured
// ones of one thickness with ±10 µm: 2·20/√3 = 23.09 µm.
func TestUncertainty(t *testing.T) {
	task := Task{Measured: quantity.Millimetres(1), U: quantity.Millimetres(0.003), Target: length1(0.1), Tolerance: quantity.Millimetres(0.01)}
	one := Leaf{Thickness: quantity.Millimetres(0.3), Real: quantity.Millimetres(0.3), U: quantity.Millimetres(0.001)}
	if got, want := task.Stack([]Leaf{one, one, one}).U.Base(), math.Sqrt(9+3)*1e-3; math.Abs(got-want) > 1e-12 {
		t.Errorf("measured: %.6f, want %.6f", got, want)
	}
	if got, want := task.Stack([]Leaf{leaf(0.4, 1), leaf(0.4, 1)}).U.Base(), math.Hypot(0.003, 2*0.02/math.Sqrt(3)); math.Abs(got-want) > 1e-12 {
		t.Errorf("unmeasured: %.6f, want %.6f", got, want)
	}
}

func TestCompareSaysWhatIsLikelyWrong(t *testing.T) {
	task := Task{Measured: quantity.Millimetres(0.62), U: quantity.Millimetres(0.004), Target: length1(0.05), Low: length1(0.02), High: length1(0.08), Most: 3, Tolerance: quantity.Millimetres(0.003)}
	if err := task.ready(); err != nil {
		t.Fatal(err)
	}
	drawer := []Leaf{leaf(0.30, 2), leaf(0.27, 2), leaf(0.37, 3)}
	stack := task.Stack([]Leaf{leaf(0.30, 1), leaf(0.27, 1)}) // predicted 0.05
	for _, c := range []struct {
		measured float64
		agrees   bool
		say      string
	}{
		{0.052, true, ""},
		{0.32, false, "0.27 mm may be missing"},
		{0.62, false, "what was there before"},
		{-0.05, false, "below zero"},
		{1.27, false, "mm and inch"},
		{-0.02, false, "0.37 mm may be in where 0.30 mm"},
		{0.085, false, "acts thinner"},
		{0.02, false, "acts thicker"},
	} {
		got, err := task.Compare(stack, length1(c.measured), length1(0.004), drawer)
		if err != nil || got.Agrees != c.agrees {
			t.Errorf("%g: agrees %v (E_n %.2f), %v", c.measured, got.Agrees, got.En, err)
			continue
		}
		if all := strings.Join(got.Likely, " "); !strings.Contains(all, c.say) || got.Agrees != (all == "") {
			t.Errorf("%g: %q does not say %q", c.measured, all, c.say)
		}
	}
	if _, err := task.Compare(stack, quantity.Newtons(1).Value(), length1(0.01), nil); !errors.Is(err, ErrTask) {
		t.Errorf("a force: %v", err)
	}
}

// every calls f with each stack of exactly k pieces.
func every(leaves []Leaf, k int, f func(pick []int, sum int64)) {
	used := make([]int, len(leaves))
	var grow func(pick []int, from int, sum int64)
	grow = func(pick []int, from int, sum int64) {
		if len(pick) == k {
			f(pick, sum)
			return
		}
		for i := from; i < len(leaves); i++ {
			if used[i] < leaves[i].Count {
				used[i]++
				grow(append(pick, i), i, sum+nm(leaves[i].Takes()))
				used[i]--
			}
		}
	}
	grow(nil, 0, 0)
}

func drawDrawer(t *rapid.T, most int) []Leaf {
	var drawer []Leaf
	for range rapid.IntRange(0, most).Draw(t, "leaves") {
		l := Leaf{Thickness: quantity.Millimetres(float64(rapid.IntRange(1, 300).Draw(t, "thickness")) / 100), Count: rapid.IntRange(0, 5).Draw(t, "count")}
		if rapid.IntRange(0, 3).Draw(t, "measured") == 0 {
			l.Real = quantity.Millimetres(l.Thickness.Millimetres() + float64(rapid.IntRange(-5, 5).Draw(t, "µm"))/1000)
		}
		drawer = append(drawer, l)
	}
	return drawer
}

// Choose is optimal: brute force over all stacks finds none with fewer pieces
// inside the limits, and none of as many pieces closer to the target.
func TestChooseIsOptimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		drawer := drawDrawer(t, 14)
		target := float64(rapid.IntRange(0, 400).Draw(t, "target")) / 1000
		task := Task{
			Measured: quantity.Millimetres(float64(rapid.IntRange(0, 6000).Draw(t, "measured")) / 1000),
			Target:   length1(target),
			Low:      length1(target - float64(rapid.IntRange(0, 60).Draw(t, "below"))/1000),
			High:     length1(target + float64(rapid.IntRange(0, 60).Draw(t, "above"))/1000),
			Most:     rapid.IntRange(1, 4).Draw(t, "most"),
		}
		if rapid.Bool().Draw(t, "gives") {
			task.Sense = GivesPlay
			task.Fitted = quantity.Millimetres(float64(rapid.IntRange(0, 9000).Draw(t, "fitted")) / 1000)
		}
		got, err := Choose(drawer, task)
		if err != nil {
			t.Fatal(err)
		}
		leaves, _ := usable(drawer)
		lo, want, hi := task.window()
		bestK, bestD := -1, far
		closest := far // within the limits or not
		for k := 0; k <= task.Most && bestK < 0; k++ {
			every(leaves, k, func(_ []int, sum int64) {
				d := abs(sum - want)
				closest = min(closest, d)
				if lo <= sum && sum <= hi && d < bestD {
					bestK, bestD = k, d
				}
			})
		}
		if bestK < 0 {
			if got.Best != nil {
				t.Fatalf("chose %s, brute force finds nothing", names(got.Best))
			}
			near := far
			for _, s := range []*Stack{got.Below, got.Above} {
				if s != nil {
					near = min(near, distance(s, want))
				}
			}
			if near != closest {
				t.Fatalf("nearest is %d nm off, brute force finds %d nm", near, closest)
			}
			return
		}
		if got.Best == nil || len(got.Best.Pieces) != bestK || distance(got.Best, want) != bestD || !got.Best.Fits {
			t.Fatalf("chose %s, brute force finds %d pieces %d nm off", names(got.Best), bestK, bestD)
		}
		for i, o := range got.Others {
			k, d := len(o.Pieces), far
			every(leaves, k, func(_ []int, sum int64) {
				if lo <= sum && sum <= hi {
					d = min(d, abs(sum-want))
				}
			})
			if distance(&o, want) != d || k <= bestK || i > 0 && d >= distance(&got.Others[i-1], want) {
				t.Fatalf("other %s is %d nm off, brute force finds %d nm", Named(o.Pieces), distance(&o, want), d)
			}
		}
		taken := map[string]int{}
		for _, p := range got.Best.Pieces {
			taken[p.String()]++
		}
		have := map[string]int{}
		for _, l := range drawer {
			have[l.String()] += l.Count
		}
		for name, n := range taken {
			if n > have[name] {
				t.Fatalf("%d of %s taken, %d there", n, name, have[name])
			}
		}
	})
}

// Move is optimal: brute force over all pairs of stacks finds none better.
func TestMoveIsOptimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		drawer := drawDrawer(t, 6)
		side := func(name string) []Leaf {
			var out []Leaf
			for range rapid.IntRange(1, 2).Draw(t, name) {
				out = append(out, leaf(float64(rapid.IntRange(20, 200).Draw(t, name+" mm"))/100, 1))
			}
			return out
		}
		s := Sides{
			Measured: quantity.Millimetres(float64(rapid.IntRange(0, 400).Draw(t, "backlash")) / 1000),
			Ratio:    rapid.SampledFrom([]float64{0.5, 0.75, 1, -0.75}).Draw(t, "ratio"),
			Left:     side("left"), Right: side("right"),
			Target: length1(0.15), Low: length1(0.10), High: length1(0.20),
			Total: quantity.Millimetres(float64(rapid.IntRange(0, 40).Draw(t, "total")) / 1000), Most: rapid.IntRange(1, 3).Draw(t, "most"),
		}
		got, err := Move(drawer, s)
		if err != nil {
			t.Fatal(err)
		}
		pool, _ := usable(append(append([]Leaf(nil), drawer...), pieces(s.Left, s.Right)...))
		pool = merged(pool)
		b := &balance{Sides: s, task: s.task(), pool: pool, left: sum(s.Left), right: sum(s.Right)}
		if err := b.task.ready(); err != nil {
			t.Fatal(err)
		}
		var best *found
		for kl := 0; kl <= s.Most; kl++ {
			every(pool, kl, func(l []int, ls int64) {
				left := pile{ls, append([]int(nil), l...)}
				rest := append([]Leaf(nil), pool...)
				for _, i := range l {
					rest[i].Count--
				}
				for kr := 0; kr <= s.Most; kr++ {
					every(rest, kr, func(r []int, rs int64) {
						if abs(ls+rs-b.left-b.right) > nm(s.Total) {
							return
						}
						right := pile{rs, append([]int(nil), r...)}
						if f := b.judge(&left, &right); f != nil && f.better(best) {
							best = f
						}
					})
				}
			})
		}
		if (best != nil) != got.Found {
			t.Fatalf("found %v, brute force %v", got.Found, best != nil)
		}
		if best == nil {
			return
		}
		off := math.Abs(got.Result.Base() - 0.15)
		change := math.Abs(got.TotalChange.Millimetres())
		if len(got.Left)+len(got.Right) != best.pieces || math.Abs(off-best.off) > 2e-7 || math.Abs(change-best.change) > 2e-7 {
			t.Fatalf("%s: brute force has %d pieces, %.6f mm off, %.6f mm of change", got.Text, best.pieces, best.off, best.change)
		}
	})
}

// By hand: backlash 0.10, wanted 0.20, ratio 1: the part moves 0.10 to the
// left; 1.00 and 1.00 become 1.10 and 0.90, the total stays 2.00.
func TestMove(t *testing.T) {
	got, err := Move([]Leaf{leaf(1.10, 1), leaf(0.90, 1), leaf(1.05, 2), leaf(0.95, 2)}, Sides{
		Measured: quantity.Millimetres(0.10), U: quantity.Millimetres(0.005), Ratio: 1,
		Left: []Leaf{leaf(1, 1)}, Right: []Leaf{leaf(1, 1)},
		Target: length1(0.20), Low: length1(0.16), High: length1(0.24), Total: quantity.Millimetres(0.01),
	})
	if err != nil || Named(got.Left) != "1.10 mm" || Named(got.Right) != "0.90 mm" || math.Abs(got.Result.Base()-0.20) > 1e-9 || got.TotalChange.Millimetres() != 0 {
		t.Errorf("%+v, %v", got, err)
	}
	for name, s := range map[string]Sides{
		"not known": {Measured: quantity.Millimetres(0.1), Ratio: 1, Target: length1(0.2)},
		"ratio":     {Measured: quantity.Millimetres(0.1), Ratio: 0, Left: []Leaf{leaf(1, 1)}, Target: length1(0.2)},
		"below":     {Measured: quantity.Millimetres(-0.1), Ratio: 1, Left: []Leaf{leaf(1, 1)}, Target: length1(0.2)},
	} {
		if _, err := Move(nil, s); !errors.Is(err, ErrTask) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSidesPredictAndCompare(t *testing.T) {
	s := Sides{
		Measured: quantity.Millimetres(0.10), U: quantity.Millimetres(0.005), Ratio: 0.8,
		Left: []Leaf{leaf(1, 1)}, Right: []Leaf{leaf(1, 1)},
		Target: length1(0.18), Low: length1(0.14), High: length1(0.22), Total: quantity.Millimetres(0.01), Tolerance: quantity.Millimetres(0.005),
	}
	m, err := s.Predict([]Leaf{leaf(1.10, 1)}, []Leaf{leaf(0.90, 1)}) // by hand: 0.10 + 0.8·0.10
	if err != nil || math.Abs(m.Result.Base()-0.18) > 1e-9 || math.Abs(m.Shift.Millimetres()-0.10) > 1e-9 || m.TotalChange.Millimetres() != 0 {
		t.Fatalf("%+v, %v", m, err)
	}
	for _, c := range []struct {
		measured float64
		agrees   bool
		say      string
	}{{0.181, true, ""}, {0.10, false, "may not have been changed"}, {0.02, false, "interchanged"}, {0.14, false, "half or by twice"}, {0.30, false, "seated"}, {-0.18, false, "below zero"}} {
		got, err := s.Compare(m, length1(c.measured), length1(0.005))
		if all := strings.Join(got.Likely, " "); err != nil || got.Agrees != c.agrees || !strings.Contains(all, c.say) || got.Agrees != (all == "") {
			t.Errorf("%g: agrees %v, %q, %v; want %q", c.measured, got.Agrees, all, err, c.say)
		}
	}
}
