package labelled

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// Shop is a procedure, the joints of its unit and one tool. It does not change.
type Shop struct {
	seed      uint64
	w         *world
	tier      Tier
	procedure []byte
	tool      tool
	steps     []step
}

// tool is the shop's torque tool.
type tool struct {
	id        string
	capacity  float64 // N·m
	res       float64 // N·m
	threshold float64 // N·m
	counter   string  // "cycles", "sent" or ""
	unit      bool    // tells its unit
	angleRes  float64 // degrees
	angleSD   float64 // degrees
	windUp    float64 // degrees from the threshold to its capacity
	rate      float64 // Hz
	zero      float64 // N·m
}

// windUpAt returns how far the tool itself turns between its threshold and a
// torque, in degrees.
func (t *tool) windUpAt(nm float64) float64 {
	return t.windUp * max(0, nm-t.threshold) / (t.capacity - t.threshold)
}

// step is one torque step with its joint.
type step struct {
	id, title    string
	n            int
	ring         bool
	across, down int // of a rectangle
	size         float64
	at           [][2]float64 // mm, by fastener
	order        []int
	orderText    string
	strict       bool
	class        string
	limits       float64 // of target, either way
	passes       []pass
	joint        joint
	closing      bool // a closing round is done
}

// pass is one round.
type pass struct {
	name   string
	target float64 // N·m
	limits float64
	loose  bool
}

// joint is how a step's fasteners turn.
type joint struct {
	turn   float64 // degrees from 10 % of the final target to all of it, mean
	knee   float64 // of the final target
	gasket float64 // share of the last pass's turn that a repeat turns; 0: none
	cv     float64 // of turns
	w      *world
	runIn  float64 // of the final target
}

// share returns how much of the joint's angle is behind it at a torque, as a
// share of the final target: two straight lines that meet at the knee.
func (j *joint) share(u float64) float64 {
	switch {
	case u <= startShare:
		return 0
	case u < j.knee:
		return j.kneeShare() * (u - startShare) / (j.knee - startShare)
	default:
		return j.kneeShare() + (1-j.kneeShare())*(u-j.knee)/(1-j.knee)
	}
}

// kneeShare returns how much of the joint's angle lies before the knee.
func (j *joint) kneeShare() float64 {
	before := j.w.kneeSteeper * (j.knee - startShare)
	return before / (before + 1 - j.knee)
}

// passTurn returns the mean angle of a whole pull in pass p, in degrees.
func (s *step) passTurn(p int) float64 {
	final := s.passes[len(s.passes)-1].target
	from := 0.0
	if p > 0 {
		from = s.joint.share(s.passes[p-1].target / final)
	}
	return s.joint.turn * (s.joint.share(s.passes[p].target/final) - from)
}

// repeatTurn returns the mean turn of a repeat in pass p, in degrees.
func (s *step) repeatTurn(p int) float64 {
	if s.joint.gasket > 0 {
		return s.joint.gasket * s.passTurn(p)
	}
	return s.joint.w.stillMean(s.joint.turn)
}

func (s *step) distance(a, b int) float64 {
	return math.Hypot(s.at[a][0]-s.at[b][0], s.at[a][1]-s.at[b][1])
}

// NewShop draws a shop of the steady world. Of one seed the tiers differ in the
// tool alone.
func NewShop(seed uint64, tier Tier) *Shop { return NewShopIn(Steady, seed, tier) }

// NewShopIn draws a shop of a world, which must be one of Worlds.
func NewShopIn(in World, seed uint64, tier Tier) *Shop {
	w := worlds[in]
	rng := rand.New(rand.NewPCG(seed, 0x5eed^w.salt))
	s := &Shop{seed: seed, tier: tier, w: w}
	n := 1 + rng.IntN(3)
	if rng.Float64() < 0.2 {
		n = 1
	}
	targets := map[int]bool{}
	for i := range n + 1 - rng.IntN(2) {
		s.steps = append(s.steps, newStep(rng, w, i, targets))
	}
	greatest := 0.0
	least := math.Inf(1)
	for i := range s.steps {
		for _, p := range s.steps[i].passes {
			greatest, least = max(greatest, p.target), min(least, p.target)
		}
	}
	s.tool = newTool(rng, w, tier, least, greatest)
	for i := range s.steps {
		s.steps[i].closing = tier == Torque && s.steps[i].class == "A"
	}
	s.procedure = s.write()
	return s
}

func newTool(rng *rand.Rand, w *world, tier Tier, least, greatest float64) tool {
	pick := func(v ...float64) float64 { return v[rng.IntN(len(v))] }
	t := tool{id: "K2", unit: rng.Float64() < 0.85}
	for _, c := range []float64{20, 50, 100, 200, 400} {
		t.capacity = c
		if c >= 1.6*greatest {
			break
		}
	}
	t.res = map[float64]float64{20: 0.01, 50: 0.02, 100: 0.05, 200: 0.1, 400: 0.1}[t.capacity]
	t.threshold = math.Round(min(0.05*t.capacity, 0.3*least)/t.res) * t.res
	t.counter = []string{"cycles", "cycles", "sent", ""}[rng.IntN(4)]
	t.angleRes, t.angleSD = pick(0.25, 0.5, 1), pick(0.4, 0.8, 1.6)
	t.windUp = w.windUpLow + w.windUpRange*rng.Float64()
	t.rate = pick(100, 200, 400, 833)
	t.zero = 0.002 * least * rng.NormFloat64()
	if tier == Trace {
		t.angleRes, t.angleSD = min(t.angleRes, 0.5), min(t.angleSD, 0.8)
	}
	return t
}

func newStep(rng *rand.Rand, w *world, i int, taken map[int]bool) step {
	st := step{id: fmt.Sprintf("joint%d", i+1), title: fmt.Sprintf("Joint %d of the invented unit", i+1)}
	st.class = []string{"A", "B", "B", "C"}[rng.IntN(4)]
	st.strict = rng.Float64() < 0.3
	if rng.Float64() < 0.65 {
		st.ring, st.n = true, 4+rng.IntN(21)
		st.size = 60 + 14*float64(st.n)
	} else {
		st.across, st.down = 2+rng.IntN(6), 2+rng.IntN(4)
		st.n = 2*st.across + 2*(st.down-2)
		st.size = 60
	}
	st.place()
	st.arrange(rng)
	level := 0
	for level = rng.IntN(12); taken[level]; level = rng.IntN(12) {
	}
	taken[level] = true
	target := math.Round(9 * math.Pow(1.33, float64(level)))
	st.limits = []float64{0.08, 0.10, 0.12}[rng.IntN(3)]
	switch rng.IntN(3) {
	case 0:
		st.passes = []pass{{"final", target, st.limits, false}}
	case 1:
		st.passes = []pass{{"snug", math.Round(target * 0.4), 0.30, true}, {"final", target, st.limits, false}}
	default:
		st.passes = []pass{{"snug", math.Round(target * 0.3), 0.30, true}, {"second", math.Round(target * 0.65), 0.12, false}, {"final", target, st.limits, false}}
	}
	st.joint = joint{w: w, turn: w.hardestDeg * math.Pow(w.softestDeg/w.hardestDeg, rng.Float64()), knee: w.kneeLow + (w.kneeHigh-w.kneeLow)*rng.Float64(),
		runIn: runInLow + (runInHigh-runInLow)*rng.Float64()}
	if st.joint.turn > w.gasketLeast && rng.Float64() < w.gasketChance {
		st.joint.gasket = w.gasketLow + w.gasketRange*rng.Float64()
	}
	st.joint.cv = w.cv(rng)
	return st
}

// place sets where the fasteners are: on a ring from twelve o'clock,
// clockwise, or along a rectangle from its top left corner, clockwise.
func (s *step) place() {
	if s.ring {
		for k := range s.n {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(s.n))
			s.at = append(s.at, [2]float64{s.size / 2 * sin, s.size / 2 * cos})
		}
		return
	}
	w, h := float64(s.across-1), float64(s.down-1)
	add := func(x, y float64) { s.at = append(s.at, [2]float64{s.size * (x - w/2), s.size * (h/2 - y)}) }
	for x := range s.across {
		add(float64(x), 0)
	}
	for y := 1; y < s.down-1; y++ {
		add(w, float64(y))
	}
	for x := s.across - 1; x >= 0; x-- {
		add(float64(x), h)
	}
	for y := s.down - 2; y > 0; y-- {
		add(0, float64(y))
	}
}

// reach returns how far the farthest fastener is from the middle, in mm.
func (s *step) reach() float64 {
	r := 0.0
	for _, p := range s.at {
		r = max(r, math.Hypot(p[0], p[1]))
	}
	return r
}

// arrange draws the order: around, or our own star, given as a list.
func (s *step) arrange(rng *rand.Rand) {
	if rng.Float64() < 0.35 {
		s.orderText = "clockwise"
		for k := range s.n {
			s.order = append(s.order, k)
		}
		return
	}
	// Star: the far side each time, then the middle of the widest gap left.
	half := (s.n + 1) / 2
	var first []int
	for gap, seen := half, map[int]bool{}; len(first) < half; gap = max(1, gap/2) {
		for k := 0; k < half; k += gap {
			if !seen[k] {
				seen[k] = true
				first = append(first, k)
			}
		}
	}
	for _, k := range first {
		s.order = append(s.order, k)
		if k+half < s.n {
			s.order = append(s.order, k+half)
		}
	}
	var names []string
	for _, k := range s.order {
		names = append(names, fmt.Sprint(k+1))
	}
	s.orderText = "[" + strings.Join(names, ", ") + "]"
}

// write writes the procedure file.
func (s *Shop) write() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "# Invented, for scoring: seed %d.\nprocedure: LB-%d\nrevision: A\ntitle: \"Invented unit LB-%d\"\nunit: Unit LB-%d\n", s.seed, s.seed, s.seed, s.seed)
	b.WriteString("cautions:\n  - Invented figures. Never use them on a real unit; its maker's service information comes first.\nfaces:\n")
	for i := range s.steps {
		fmt.Fprintf(&b, "  - id: face%d\n    title: Face %d\n    outlines:\n      - {shape: circle, r: %.0f, style: body}\n", i+1, i+1, s.steps[i].reach()+20)
	}
	b.WriteString("steps:\n")
	for i := range s.steps {
		st := &s.steps[i]
		fmt.Fprintf(&b, "  - id: %s\n    title: %s\n    kind: torque\n    face: face%d\n    class: %s\n    fasteners:\n", st.id, st.title, i+1, st.class)
		if st.ring {
			fmt.Fprintf(&b, "      - {ring: {count: %d, diameter: %g}, head: 16}\n", st.n, st.size)
		} else {
			fmt.Fprintf(&b, "      - {rectangle: {width: %g, height: %g, across: %d, down: %d}, head: 16}\n", st.size*float64(st.across-1), st.size*float64(st.down-1), st.across, st.down)
		}
		fmt.Fprintf(&b, "    order: %s\n", st.orderText)
		if st.strict {
			b.WriteString("    strict: true\n")
		}
		b.WriteString("    tools: [torque_wrench]\n    passes:\n")
		for _, p := range st.passes {
			loose := ""
			if p.loose {
				loose = ", loose: true"
			}
			fmt.Fprintf(&b, "      - {name: %s, target: %g N·m, limits: ± %g %%%s}\n", p.name, p.target, p.limits*100, loose)
		}
	}
	return []byte(b.String())
}

// Procedure returns the procedure file.
func (s *Shop) Procedure() []byte { return s.procedure }

// Tier returns the tool's tier.
func (s *Shop) Tier() Tier { return s.tier }
