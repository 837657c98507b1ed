package match

import (
	"math"
	"slices"
)

// Tight is how far a pull on a tight fastener seems to turn, as second pulls taught, and
// in a hard joint the first ones of two passes.
type Tight struct {
	Worth     float64 // how many values of this very pass would tell as much
	Mean, Var float64 // of turnLog, the next value's
}

// Turns are the rotations of pulls on tight fasteners in one pass of a joint, in degrees,
// and the torques that it and the pass before it want, N·m; Before is 0 for the first.
type Turns struct {
	X              []float64
	Joint          int
	Target, Before float64
}

// What second pulls in other passes tell. A tight fastener turns by what the tool winds
// up, which goes with the torque, and by noise, which does not: so a value counts as if it
// went with the torque's root, uncertain by tightPower of the torques' ratio in logarithms,
// and by tightBetween. All assumed.
const (
	tightPower   = 0.5
	tightBetween = 0.25
	tightSpread  = 0.2 // of values in one pass, before any was seen
	tightDF      = 4.0 // values that this is worth
	tightLeast   = 0.15
	tightTaught  = 1 // values that are believed where one figure is wanted. Our choice
)

// TightTurns fits how far tight fasteners turn in passes that are pulled with the same
// tools. Second pulls are rare, and what a tool winds up is the tool's: so those of all
// passes tell of each, and so do the first pulls that ks hold of a joint's passes.
func TightTurns(ks []*Known, turns []Turns) {
	all := make([][]float64, len(turns))
	squares, n := tightDF*tightSpread*tightSpread, tightDF
	for i, t := range turns {
		for _, a := range t.X {
			if y := turnLog(a); known(y) {
				all[i] = append(all[i], y)
			}
		}
		slices.Sort(all[i])
		if k := float64(len(all[i])); k > 1 {
			sd := (quantile(all[i], 0.75) - quantile(all[i], 0.25)) / 1.349
			squares, n = squares+float64((k-1)*sd*sd), n+k-1
		}
	}
	within := max(squares/n, tightLeast*tightLeast)
	for i, k := range ks {
		var precision, sum float64
		if w, off := windUpBy(ks, turns, i); known(w) {
			precision = 1 / (within + float64(off*off))
			sum = precision * turnLog(w)
		}
		for j, ys := range all {
			if len(ys) == 0 {
				continue
			}
			off, shift := 0.0, 0.0
			if i != j {
				off = float64(tightBetween * tightBetween)
				if a, b := turns[i].Target, turns[j].Target; a > 0 && b > 0 {
					shift = tightPower * math.Log(a/b)
					off += float64(shift * shift)
				}
			}
			p := 1 / (within/float64(len(ys)) + off)
			precision += p
			sum += float64(p * (quantile(ys, 0.5) + shift))
		}
		k.Tight = Tight{}
		if precision > 0 {
			k.Tight = Tight{Worth: within * precision, Mean: sum / precision, Var: within + 1/precision}
		}
	}
}

// What first pulls in two passes tell of the wind-up: how far it may be off, in logarithms,
// and besides for each rotation being so far off its line; the least that is believed, in
// degrees; the most, as a share of the rotation; the most that a joint may turn, in degrees;
// the values that its rotation must rest on. All assumed.
const (
	windBetween = 0.3
	windLine    = 0.03
	windLeast   = 1.5
	windMost    = 0.9
	windHard    = 45
	windFrom    = 10
)

// windUpBy is how far, in degrees, the tool winds up in pass i by how far first pulls turn
// there and in the pass before or after: from snug on a joint turns by the torque that a
// pass adds, and the tool winds up by all of it. Both are taken for straight lines: common
// practice, no source. While a joint is drawn together it turns further, so that its first
// pass makes the wind-up too small, and is taken only where there is no other. NaN where
// the two tell nothing: of a soft joint, of which wind-up is a small part. off is how far
// its logarithm may be off: much where the torques rise by about the same factor.
func windUpBy(ks []*Known, turns []Turns, i int) (wind, off float64) {
	a, x := turns[i], math.Exp(ks[i].FreshAngle.Mean)
	if !(a.Before > 0) || ks[i].FreshAngle.N < windFrom || x > windHard {
		return math.NaN(), 0
	}
	other := -1
	for j, b := range turns {
		beside := b.Target == a.Before || b.Before == a.Target
		if j != i && b.Joint == a.Joint && beside && ks[j].FreshAngle.N >= windFrom && (other < 0 || b.Before > 0) {
			other = j
		}
	}
	if other < 0 {
		return math.NaN(), 0
	}
	b, y := turns[other], math.Exp(ks[other].FreshAngle.Mean)
	da, db := a.Target-a.Before, b.Target-b.Before
	by := a.Target / (float64(da*b.Target) - float64(db*a.Target))
	wind = by * (float64(da*y) - float64(db*x))
	if !(wind >= windLeast && wind <= windMost*x) {
		return math.NaN(), 0
	}
	return wind, math.Hypot(windBetween, windLine*by*math.Hypot(da*y, db*x)/wind)
}
