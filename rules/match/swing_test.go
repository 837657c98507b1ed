package match

import (
	"math"
	"testing"
)

// swings3 gives a filter pulls with a rotation: seconds, N·m, degrees.
func swings3(f *Filter, list ...[3]float64) *Filter {
	for _, p := range list {
		f = f.Pull(made(f.Pulls(), p[0], p[1], p[2]))
	}
	return f
}

// A soft joint takes three swings each, of 130° or so (common practice, no source):
// together they are what a fastener turns, so one short pull is none.
func TestSwingsTurnTogether(t *testing.T) {
	var list [][3]float64
	at := 0.0
	for i := range 4 {
		d := float64(i) * 4
		list = append(list, [3]float64{at, 40, 128 + d}, [3]float64{at + 2.5, 72, 135 - d}, [3]float64{at + 5, 101, 110 + d})
		at += 12
	}
	f := swings3(New(nil, Joint{N: 6, Strict: true, Target: 100, LSL: 90, USL: 110}), list...)
	for k, from := range f.Parts() {
		if from != k/3*3 {
			t.Fatalf("pull %d is a part of what began with pull %d", k, from)
		}
	}
	g := swings3(f, [3]float64{at, 101, 7.6})
	if e := most(g, 12); madeOne(e) {
		t.Errorf("one pull of 7.6° where the others took three and 370° was %+v", g.Explain(12))
	}
	g = swings3(f, [3]float64{at, 101.2, 360})
	if e := most(g, 12); !madeOne(e) {
		t.Errorf("one pull of 360° was %+v", g.Explain(12))
	}
}

func madeOne(e Explanation) bool { return e.Kind == kNext.event() }

// With an angle too, a swing may reach the limits before the last one ends it.
func TestRestWithAnAngle(t *testing.T) {
	f := swings3(New(nil, Joint{N: 6, Target: 100, LSL: 85, USL: 115, Known: taughtShop()}),
		[3]float64{0, 101, 41}, [3]float64{6, 70, 24}, [3]float64{8, 101.5, 20}, [3]float64{14, 101, 38}, [3]float64{20, 88, 27}, [3]float64{21.3, 101.5, 14}, [3]float64{27, 101, 39})
	if rest := f.Rest(); rest[5] < 0.8 || rest[4] > 0.1 || rest[6] > 0.1 {
		t.Errorf("chances of a rest %.3f", rest)
	}
	if e := most(f, 6); e.Fastener != 4 {
		t.Errorf("the pull after it was %+v", f.Explain(6))
	}
}

// A pull that ended short, set on anew, winds the tool up before the fastener moves on
// (common practice, no source): what both turned together is more than the others did,
// and nobody was left out for it, however many pulled one twice.
func TestWindUpIsNoTurn(t *testing.T) {
	again := make([]float64, 30)
	fresh := make([]float64, 200)
	for i := range again {
		again[i] = 5 * math.Exp(0.3*normalQuantile((float64(i)+0.5)/30))
	}
	for i := range fresh {
		fresh[i] = 20 + 2*normalQuantile((float64(i*77%200)+0.5)/200) // as they come in a job
	}
	j := Joint{N: 8, Strict: true, Target: 100, LSL: 92, USL: 108, Known: KnownFrom(fresh, again, nil, nil, nil)}
	list := [][3]float64{{0, 101, 21}, {1.3, 103, 4.5}, {5, 101, 19}, {9, 100, 22}, {10.4, 102, 6}, {14, 101, 20}, {18, 88, 21}, {19.2, 101, 9.5}, {23, 102, 19}, {24.2, 103, 3.5}, {28, 100, 18}, {32, 101, 20}}
	if m := swings3(New(nil, j), list...).Missed(); m.Odds > 0.04 {
		t.Errorf("21° and then 9.5° on one fastener, 20° on all others: odds %.3g of %+v", m.Odds, m.Candidates)
	}
	list[7][2] = 0.8 // less than the tool's own wind-up: the fastener did not move on
	list[6][2] = 12
	if m := swings3(New(nil, j), list...).Missed(); m.Odds < 0.04 {
		t.Errorf("12° and then 0.8° on one fastener, 20° on all others: odds %.3g", m.Odds)
	}
}

// Once a job, or earlier ones, have shown swings, an unfinished pull is nothing odd.
func TestSwingsAreLearned(t *testing.T) {
	chance := func(j Joint, swung, inOne float64) float64 {
		m := newModel(Default(), j)
		return m.swings.begins(swung, inOne)
	}
	first := chance(Joint{N: 8}, 0, 0)
	if first > 0.05 {
		t.Errorf("before any was seen %.3f", first)
	}
	if p := chance(Joint{N: 8}, 3, 3); p < 0.4 || p > 0.6 {
		t.Errorf("after three in six %.3f", p)
	}
	if p := chance(Joint{N: 8}, 0, 20); p > first/2 {
		t.Errorf("after none in twenty %.3f", p)
	}
	if p := chance(Joint{N: 8, Mood: Mood{Pulls: 20, Swings: 12, Swung: 6, InOne: 14}}, 0, 0); p < 0.2 {
		t.Errorf("after a pass in swings %.3f", p)
	}
	if p := chance(Joint{N: 8, Known: Known{Wholes: 60, Swings: 80, Swung: 40}}, 0, 0); p < 0.5 {
		t.Errorf("taught two in three: %.3f", p)
	}
	if p := chance(Joint{N: 8}, 100, 200); math.IsNaN(p) || p < 0.2 || p > 0.4 {
		t.Errorf("many: %.3f", p)
	}
}

// Where all tightenings had swings, one that has none is odd, the odder the more of
// them were seen, and never beyond doubt. Half with swings make none odd.
func TestNoSwingAmongSwings(t *testing.T) {
	none := func(j Joint, swung, inOne float64) float64 {
		m := newModel(Default(), j)
		return 1 - m.swings.begins(swung, inOne)
	}
	all := Known{Wholes: 160, Swings: 320, Swung: 160}
	for _, c := range []struct {
		what         string
		j            Joint
		swung, inOne float64
		least, most  float64
	}{
		{"untaught, six of six", Joint{N: 12}, 6, 0, 0.01, 0.04},
		{"untaught, twenty of twenty", Joint{N: 24}, 20, 0, 0.002, 0.008},
		{"untaught, ten and ten", Joint{N: 24}, 10, 10, 0.4, 0.6},
		{"untaught, after one without among ten", Joint{N: 24}, 10, 1, 0.03, 0.2},
		{"taught, the first", Joint{N: 12, Known: all}, 0, 0, 0.02, 0.2},
		{"taught, five of five", Joint{N: 12, Known: all}, 5, 0, 0.001, 0.006},
		{"taught, another tool today", Joint{N: 12, Known: all}, 0, 3, 0.9, 1},
		{"taught none, and none", Joint{N: 12, Known: Known{Wholes: 160}}, 0, 4, 0.99, 1},
	} {
		if p := none(c.j, c.swung, c.inOne); p < c.least || p > c.most {
			t.Errorf("%s: %.4f", c.what, p)
		}
	}
}

// With torque alone: nine of ten tightenings rise in two or three pulls, one pull does
// not (common practice, no source: whoever has no room to swing needs several on each).
func TestOnePullAmongSwingsIsARepeat(t *testing.T) {
	nan := math.NaN()
	j := Joint{N: 10, Strict: true, Target: 50, LSL: 45, USL: 55}
	pulls := func(without int) *Filter {
		f := New(nil, j)
		at := 0.0
		for i := range 10 {
			list := []float64{22 + float64(i%3), 37 - float64(i%4), 50.2}
			if i == without {
				list = list[2:]
			} else if i%2 == 1 {
				list = list[1:]
			}
			for _, x := range list {
				f = f.Pull(Pull{Reading: uint64(f.Pulls() + 1), Tool: Tool{Name: "t"}, AtS: at, Torque: x, Angle: nan, Duration: nan, Placed: -1})
				at += 1.4
			}
			at += 4
		}
		return f
	}
	if m := pulls(-1).Missed(); m.Odds > 0.002 {
		t.Errorf("all in swings: odds of a miss %.4f", m.Odds)
	}
	if m := pulls(6).Missed(); m.Odds < 0.005 || m.Odds > 0.5 {
		t.Errorf("one without: odds of a miss %.4f", m.Odds)
	}
	j.Known = Known{Wholes: 160, Swings: 240, Swung: 160}
	if m := pulls(6).Missed(); m.Odds < 0.03 || m.Odds > 2 {
		t.Errorf("one without, taught: odds of a miss %.4f", m.Odds)
	}
	j.Known = Known{Wholes: 160, Swings: 180, Swung: 120} // a quarter of the fasteners are easy to reach
	if m := pulls(6).Missed(); m.Odds > 0.03 {
		t.Errorf("one without where a quarter is: odds of a miss %.4f", m.Odds)
	}
}

// A cycle that was lost may have been the swing that is missing.
func TestLostCycleMayHaveBeenASwing(t *testing.T) {
	x := features{gap: true}
	if p := x.inOne(0.99); p < 0.4 {
		t.Errorf("after a lost cycle %.3f", p)
	}
	x.gap = false
	if p := x.inOne(0.99); math.Abs(p-0.01) > 1e-12 {
		t.Errorf("without one %.3f", p)
	}
}
