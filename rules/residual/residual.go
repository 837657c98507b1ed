// Package residual judges residual-torque audits: what torque a finished
// fastener still holds, by four methods, each with its uncertainty, and whether
// it agrees with the torque it was installed with. An audit is never a witness.
//
// No recognised test standard gives figures (joint.csv J39: direction and
// method found, "no numeric ratio, no recognised test standard"). So the ratios
// below are assumed or remembered, and say which. The maker's instructions come
// first: some joints must not be tightened again or loosened for a check.
package residual

import (
	"fmt"
	"math"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/trace"
)

// Audit is one audit pull and what is known of its fastener.
type Audit struct {
	Method     events.ResidualMethod
	Peak       quantity.Torque // as the tool reported, size only
	Resolution quantity.Torque // of the reading
	Trace      *trace.Features // nil: none. First movement needs one
	ToolU      float64         // relative expanded uncertainty of the auditing tool, k = 2
	Installed  quantity.Torque // torque of the fastener's witness; zero: not known
	InstalledU float64         // relative expanded uncertainty of that, k = 2
	Prevailing quantity.Torque // part of Installed that a self-locking nut takes; zero: none
}

// Result is what an audit gives. All torques but Prevailing are as measured by
// the method: those of loosening lie below the installation torque.
type Result struct {
	Residual  quantity.Torque // torque that the method gives
	U         quantity.Torque // its expanded uncertainty, k = 2
	Low, High quantity.Torque // residuals that agree with the installation; zero where it is not known
	Agrees    bool
	Text      string // for people
	Source    string // where the ratio comes from
}

// Ratio is how a method's torque compares with the torque of installation,
// prevailing torque apart.
type Ratio struct {
	Low, High float64
	Reading   float64 // standard uncertainty of finding the moment of movement, relative
	Source    string
}

// ratios of the methods.
var ratios = map[events.ResidualMethod]Ratio{
	events.ResidualFirstMovement: {0.90, 1.15, 0.018,
		"first movement lies slightly above the installation torque (joint.csv J39, found); 0.90 to 1.15 allows for settling and static friction (assumed); slopes meet to 1.8 % (straightness of real traces after snug, found)"},
	events.ResidualTighten: {0.90, 1.30, 0.05,
		"the peak includes static friction and what is pulled too far (joint.csv J39: above, found); 0.90 to 1.30 and 5 % for the hand (assumed)"},
	events.ResidualLoosen: {0.70, 0.90, 0.03,
		"break-loose torque is 0.7 to 0.9 of the installation torque (joint.csv J38, remembered; J33, J35 and J37 compute 0.71 to 0.76 without static friction); 3 % for reading the peak (assumed)"},
	events.ResidualMark: {0.90, 1.10, 0.04,
		"back at the mark the torque is that of installation, if friction is as it was: 0.90 to 1.10, and 4 % for meeting the mark (assumed)"},
}

// RatioOf gives a method's ratio; ok is false for one that is not known.
func RatioOf(m events.ResidualMethod) (r Ratio, ok bool) {
	r, ok = ratios[m]
	return r, ok
}

// LoosenRatio is the torque that loosens over the torque that tightens, from
// T/F = ±P/2π + µ·d2/(2·cos 30°) + µ·Db/2 with the pitch term reversed
// (joint.csv J32 to J37, computed); static friction and settling are not in
// it. Pitch, pitch diameter d2 and mean bearing diameter Db of any one unit;
// both coefficients of friction as numbers.
func LoosenRatio(pitch, d2, db quantity.Length, thread, head float64) float64 {
	p := pitch.Millimetres() / (2 * math.Pi)
	rest := float64(thread*d2.Millimetres()/math.Sqrt(3)) + float64(head*db.Millimetres()/2)
	return (rest - p) / (rest + p)
}

// Judge works out an audit. It errs where the pull cannot give the method's
// torque; the error says what to do.
func Judge(a Audit) (Result, error) {
	ratio, ok := ratios[a.Method]
	if !ok {
		return Result{}, fmt.Errorf("method %q is not known: choose first_movement, tighten, loosen or loosen_retorque", a.Method)
	}
	nm, err := a.measured()
	if err != nil {
		return Result{}, err
	}
	u := a.uncertainty(nm, ratio)
	r := Result{Residual: quantity.NewtonMetres(nm), U: quantity.NewtonMetres(2 * u), Source: ratio.Source}
	a.compare(&r, nm, u, ratio)
	return r, nil
}

// measured is the torque that the method reads.
func (a *Audit) measured() (float64, error) {
	if a.Method == events.ResidualFirstMovement {
		switch {
		case a.Trace == nil:
			return 0, fmt.Errorf("first movement needs the trace of the pull, and the tool gave none: audit with a tool that records traces, or choose another method")
		case !(a.Trace.MoveNm > 0):
			return 0, fmt.Errorf("no first movement can be seen in the trace: pull once more, slowly, until the fastener just moves, or choose another method")
		}
		return a.Trace.MoveNm, nil
	}
	nm := math.Abs(a.Peak.NewtonMetres())
	if !(nm > 0 && nm < 1e6) {
		return 0, fmt.Errorf("the pull gave no torque: pull once more")
	}
	return nm, nil
}

// uncertainty is the standard uncertainty of a torque by a method: tool,
// resolution (rectangular, half a digit), finding the moment, and what slow
// sampling may have missed (rectangular).
func (a *Audit) uncertainty(nm float64, r Ratio) float64 {
	u := math.Hypot(nm*nonNegative(a.ToolU)/2, nonNegative(a.Resolution.NewtonMetres())/(2*math.Sqrt(3)))
	u = math.Hypot(u, nm*r.Reading)
	if a.Trace != nil && a.Method != events.ResidualFirstMovement {
		u = math.Hypot(u, nm*nonNegative(a.Trace.PeakLoss)/(2*math.Sqrt(3)))
	}
	return u
}

func nonNegative(x float64) float64 {
	if x > 0 && x < 1e6 {
		return x
	}
	return 0
}

// compare sets the interval that agrees with the installation: the ratio's
// ends times the clamping part of the installation torque, the prevailing
// torque added on (it acts in both directions and does not relax), widened by
// the expanded uncertainty of both torques.
func (a *Audit) compare(r *Result, nm, u float64, ratio Ratio) {
	installed := a.Installed.NewtonMetres()
	if !(installed > 0 && installed < 1e6) {
		r.Text = fmt.Sprintf("%s %.4g N·m ± %.2g N·m (k = 2). No installation torque is on record to compare it with.", verb(a.Method), nm, 2*u)
		return
	}
	nut := min(nonNegative(a.Prevailing.NewtonMetres()), installed)
	clamp := installed - nut
	end := func(q, sign float64) float64 {
		ui := q * installed * nonNegative(a.InstalledU) / 2
		return max(0, float64(q*clamp)+nut+float64(sign*2*math.Hypot(u, ui)))
	}
	low, high := end(ratio.Low, -1), end(ratio.High, 1)
	r.Low, r.High = quantity.NewtonMetres(low), quantity.NewtonMetres(high)
	r.Agrees = low <= nm && nm <= high
	r.Text = fmt.Sprintf("%s %.4g N·m ± %.2g N·m (k = 2). After installation at %.4g N·m, %.4g to %.4g N·m agree: ", verb(a.Method), nm, 2*u, installed, low, high)
	switch {
	case r.Agrees:
		r.Text += "it does."
	case nm < low:
		r.Text += "it is lower. Look for settling, a gasket that creeps, or a fastener left loose, and follow the maker's instructions before anything is tightened again."
	default:
		r.Text += "it is higher. Look for a fastener pulled twice, dry or damaged threads or corrosion, and follow the maker's instructions."
	}
}

func verb(m events.ResidualMethod) string {
	switch m {
	case events.ResidualFirstMovement:
		return "First movement at"
	case events.ResidualTighten:
		return "It moved on at"
	case events.ResidualLoosen:
		return "It broke loose at"
	}
	return "It was back at its mark at"
}
