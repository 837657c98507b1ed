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

// Once a job, or earlier ones, have shown swings, an unfinished pull is nothing odd.
func TestSwingsAreLearned(t *testing.T) {
	chance := func(j Joint, parts, wholes float64) float64 {
		m := newModel(Default(), j)
		return m.swings.chance(parts, wholes)
	}
	first := chance(Joint{N: 8}, 0, 0)
	if first > 0.05 {
		t.Errorf("before any was seen %.3f", first)
	}
	if p := chance(Joint{N: 8}, 6, 3); p < 0.4 {
		t.Errorf("after six in nine pulls %.3f", p)
	}
	if p := chance(Joint{N: 8}, 0, 20); p > first/2 {
		t.Errorf("after none in twenty %.3f", p)
	}
	if p := chance(Joint{N: 8, Mood: Mood{Pulls: 20, Swings: 6}}, 0, 0); p < 0.2 {
		t.Errorf("after a pass in swings %.3f", p)
	}
	if p := chance(Joint{N: 8, Known: Known{Wholes: 60, Swings: 120}}, 0, 0); p < 0.5 {
		t.Errorf("taught two in three: %.3f", p)
	}
	if p := chance(Joint{N: 8}, 200, 512); math.IsNaN(p) || p < 0.2 || p > 0.4 {
		t.Errorf("many: %.3f", p)
	}
}
