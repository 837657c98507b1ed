package match

import (
	"math"
	"slices"
)

// Tight is how far a pull on a tight fastener seems to turn, as second pulls taught.
type Tight struct {
	Worth     float64 // how many values of this very pass would tell as much
	Mean, Var float64 // of turnLog, the next value's
}

// Turns are the rotations of pulls on tight fasteners in one pass, in degrees, and the
// torque that it wants, N·m.
type Turns struct {
	X      []float64
	Target float64
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
// passes tell of each.
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
