package fastening

import (
	"fmt"
	"math"

	"witnessmark/events/quantity"
)

// Formulas that this package computes, for people.
const (
	NutFactorForm = "F = T/(K·d)"
	NutTorqueForm = "T = K·F·d"
	FrictionForm  = "T = F·(P/(2π) + 0.577·µ_thread·d2 + 0.5·µ_head·D_b)"
	AssemblyForm  = "F = A_0·ν·R_p0.2 / √(1 + 3·(1.5·d2/d_0·(P/(π·d2) + 1.155·µ_thread))²), d_0 = (d2+d3)/2"
)

// Sources of the formulas.
const (
	NutFactorSource = "Shigley, Mechanical Engineering Design, 9th ed., eq. 8-27"
	FrictionSource  = "ISO 16047:2005, clause 9 (from memory, text not retrieved)"
	AssemblySource  = "VDI 2230:2001, guide values of assembly preload; checked against the printed tables"
)

// PreloadByNutFactor returns F = T/(K·d).
func PreloadByNutFactor(torque quantity.Torque, t Thread, k float64) (quantity.Force, error) {
	if err := positive(torque.NewtonMetres(), "the torque"); err != nil {
		return quantity.Force{}, err
	}
	if err := nutFactor(k); err != nil {
		return quantity.Force{}, err
	}
	return quantity.Newtons(torque.NewtonMetres() * 1000 / (k * t.d)), nil
}

// TorqueByNutFactor returns T = K·F·d.
func TorqueByNutFactor(preload quantity.Force, t Thread, k float64) (quantity.Torque, error) {
	if err := positive(preload.Newtons(), "the preload"); err != nil {
		return quantity.Torque{}, err
	}
	if err := nutFactor(k); err != nil {
		return quantity.Torque{}, err
	}
	return quantity.NewtonMetres(k * preload.Newtons() * t.d / 1000), nil
}

// NutFactor returns K = T/(F·d).
func NutFactor(torque quantity.Torque, preload quantity.Force, t Thread) (float64, error) {
	if err := positive(torque.NewtonMetres(), "the torque"); err != nil {
		return 0, err
	}
	if err := positive(preload.Newtons(), "the preload"); err != nil {
		return 0, err
	}
	return torque.NewtonMetres() * 1000 / (preload.Newtons() * t.d), nil
}

func positive(x float64, what string) error {
	if !(x > 0) || math.IsInf(x, 0) {
		return fmt.Errorf("%s is not above zero: check its sign and its unit", what)
	}
	return nil
}

func nutFactor(k float64) error {
	if !(k >= 0.03 && k <= 1) {
		return fmt.Errorf("nut factor %g is out of reason: want 0.03 to 1, such as 0.18 for an oiled thread", k)
	}
	return nil
}

// arm returns T/F in mm: P/(2π) + 0.577·µ_thread·d2 + 0.5·µ_head·D_b, where
// 0.577 is 1/(2·cos 30°) as ISO 16047 rounds it.
func arm(t Thread, f Friction, bearing quantity.Length) (float64, error) {
	if err := f.check(); err != nil {
		return 0, err
	}
	if err := positive(bearing.Millimetres(), "the bearing diameter"); err != nil {
		return 0, err
	}
	return t.p/(2*math.Pi) + 0.577*f.Thread*t.PitchDiameter().Millimetres() + 0.5*f.Head*bearing.Millimetres(), nil
}

// TorqueByFriction returns the torque that gives a preload, with the mean
// bearing diameter under the head: FrictionForm, ISO 16047.
func TorqueByFriction(preload quantity.Force, t Thread, f Friction, bearing quantity.Length) (quantity.Torque, error) {
	a, err := arm(t, f, bearing)
	if err == nil {
		err = positive(preload.Newtons(), "the preload")
	}
	return quantity.NewtonMetres(preload.Newtons() * a / 1000), err
}

// PreloadByFriction is the inverse of TorqueByFriction.
func PreloadByFriction(torque quantity.Torque, t Thread, f Friction, bearing quantity.Length) (quantity.Force, error) {
	a, err := arm(t, f, bearing)
	if err == nil {
		err = positive(torque.NewtonMetres(), "the torque")
	}
	if err != nil {
		return quantity.Force{}, err
	}
	return quantity.Newtons(torque.NewtonMetres() * 1000 / a), nil
}

// TotalFriction returns the one coefficient that, in thread and under the head
// alike, explains torque and preload: µ_tot = (T/F − P/(2π))/(0.577·d2 +
// 0.5·D_b), ISO 16047.
func TotalFriction(torque quantity.Torque, preload quantity.Force, t Thread, bearing quantity.Length) (float64, error) {
	if err := positive(preload.Newtons(), "the preload"); err != nil {
		return 0, err
	}
	if err := positive(bearing.Millimetres(), "the bearing diameter"); err != nil {
		return 0, err
	}
	mu := (torque.NewtonMetres()*1000/preload.Newtons() - t.p/(2*math.Pi)) / (0.577*t.PitchDiameter().Millimetres() + 0.5*bearing.Millimetres())
	if !(mu >= 0) {
		return mu, fmt.Errorf("torque and preload do not go together: the pitch alone needs more torque than that; check the units")
	}
	return mu, nil
}

// AssemblyPreload returns the preload at which the tightened bolt, which is
// pulled and twisted, is used to the share of its yield strength (0.9 in VDI
// 2230): AssemblyForm.
func AssemblyPreload(t Thread, s Strength, muThread, share float64) (quantity.Force, error) {
	_, yield, _, ok := s.Minima(t)
	switch {
	case !ok:
		return quantity.Force{}, fmt.Errorf("assembly preload of %s in class %s: the standard has no figure for this size", t, s)
	case !(muThread >= 0 && muThread <= 1):
		return quantity.Force{}, fmt.Errorf("friction %g in the thread: want a share from 0 to 1, such as 0.12", muThread)
	case !(share > 0 && share <= 1):
		return quantity.Force{}, fmt.Errorf("use %g of the yield strength: want a share above 0, 1 at most", share)
	}
	d2 := t.PitchDiameter().Millimetres()
	d0 := (d2 + t.MinorDiameter().Millimetres()) / 2
	twist := 1.5 * d2 / d0 * (t.p/(math.Pi*d2) + 1.155*muThread)
	pull := quantity.Megapascals(share * yield.Megapascals() / math.Sqrt(1+3*twist*twist))
	return pull.Over(quantity.SquareMillimetres(math.Pi / 4 * d0 * d0)), nil
}

// Share is how far a torque takes a fastener towards its proof load, at the
// nominal nut factor and at both ends of its range. Shares of 1: 0.9 is 90 %.
type Share struct {
	Thread           Thread
	Strength         Strength
	Condition        Condition
	Preload, Proof   quantity.Force
	Nominal          float64
	Least, Most      float64 // at the ends of the condition's range
	LeastF, MostF    quantity.Force
	LeastK, MostK    float64
	StressArea       quantity.Area
	ProofStress      quantity.Stress
	Overdone, Little bool // Nominal above MostShare, below LeastShare
}

// The shares of proof load between which a torque is taken for sensible:
// above, there is no room for scatter; below, the joint may slip or work
// loose. The first is the upper end of what handbooks advise for a permanent
// joint; both are this program's choice.
const (
	MostShare  = 0.90
	LeastShare = 0.40
)

// ShareOfProof computes how far a torque takes a fastener.
func ShareOfProof(torque quantity.Torque, t Thread, s Strength, c Condition) (Share, error) {
	proof, err := ProofLoad(t, s)
	if err != nil {
		return Share{}, err
	}
	f, err := PreloadByNutFactor(torque, t, c.K)
	if err != nil {
		return Share{}, err
	}
	sh := Share{Thread: t, Strength: s, Condition: c, Preload: f, Proof: proof, StressArea: t.StressArea()}
	sh.ProofStress, _, _, _ = s.Minima(t)
	sh.LeastK, sh.MostK = c.Range()
	sh.LeastF = quantity.Newtons(f.Newtons() * (1 - c.Scatter))
	sh.MostF = quantity.Newtons(f.Newtons() * (1 + c.Scatter))
	of := func(x quantity.Force) float64 { return x.Newtons() / proof.Newtons() }
	sh.Nominal, sh.Least, sh.Most = of(f), of(sh.LeastF), of(sh.MostF)
	sh.Overdone, sh.Little = sh.Nominal > MostShare, sh.Nominal < LeastShare
	return sh, nil
}
