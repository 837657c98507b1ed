package trace

import (
	"witnessmark/events"
	"witnessmark/events/quantity"
)

// Spec says what is known of a pull before its trace is looked at.
type Spec struct {
	Target    quantity.Torque // of the step; zero: not known
	Threshold quantity.Torque // from which the tool reports; zero: a tenth of the peak
	Loosen    bool            // torque counts in the other direction, e.g. an audit by loosening
}

// Evaluate gives what events carry about a trace.
func Evaluate(tr *events.Trace, spec Spec) events.TraceFound {
	f := Measure(tr, spec)
	return f.Found()
}

// Features is what a trace tells. A figure that is not known is NaN.
type Features struct {
	Samples    int
	RateHz     float64
	Codes      Codes
	PeakNm     float64 // greatest torque
	PeakAt     int     // its sample, counted in the cleaned trace
	PeakLoss   float64 // see PeakLoss
	TurnDeg    float64 // rotation from the start of the trace to the peak
	Swings     int     // pulls in the trace, released in between
	Swing      [MostSwings]Swing
	LevelNm    float64 // half the peak, where NetDeg is taken
	NetDeg     float64 // rotation that stays: between rising and falling through LevelNm, over all swings
	SpringDeg  float64 // spring-back after the peak
	SnugNm     float64 // torque at the change of slope
	SnugShare  float64 // as a share of the peak
	SnugDeg    float64 // rotation from there to the peak
	RateNmDeg  float64 // torque rate after snug; without one, from half the peak
	BreakNm    float64 // torque at which a tight fastener began to move: its peak of static friction, or else MoveNm
	MoveNm     float64 // first movement: where the slopes before and after it meet
	StillNm    float64 // torque up to which nothing but tool and joint wound up, as the spring-back tells; the peak if that is all there was
	QuarterNm  float64 // torque at which a quarter of the rotation that stays, up to the peak, was made; NaN where that is less than a degree
	BreakDrop  float64 // share of it that is lost at once when it moves: static friction
	RiseUs     int64   // from a tenth to nine tenths of the peak
	DurationUs int64   // with torque, first swing to last
	RunInNm    float64 // mean torque of the run-in: prevailing torque
	ZeroStart  float64 // first sample, N·m
	ZeroEnd    float64 // last sample, N·m
	Dips       int     // torque down to half and back without a release
	Teeth      int     // drops on the way up, or slips
	LaterShare float64 // highest torque after it once was gone, as a share of the peak
	PastDeg    float64 // rotation beyond the peak under torque above half of it
	FlatDeg    float64 // rotation beyond the straight line of the torque up to its peak
	LastShare  float64 // torque rate just before the peak over the greatest one
}

// MostSwings is how many swings are told apart.
const MostSwings = 8

// Swing is one pull of a trace.
type Swing struct {
	From, To int     // samples: first with torque, last
	PeakAt   int     // sample of its peak
	PeakNm   float64 // its peak
	NetDeg   float64 // as in Features; NaN where it stays below LevelNm
}

// Found converts to what events carry.
func (f *Features) Found() events.TraceFound {
	nm := func(x float64) quantity.Value { return valueOf(x, quantity.NewtonMetres(x).Value()) }
	deg := func(x float64) quantity.Value { return valueOf(x, quantity.Degrees(x).Value()) }
	r := events.TraceFound{
		Samples: f.Samples, RateHz: f.RateHz, Peak: nm(f.PeakNm), PeakLoss: f.PeakLoss,
		Snug: nm(f.SnugNm), SnugToPeak: deg(f.SnugDeg), NetAngle: deg(f.NetDeg), SpringBack: deg(f.SpringDeg),
		Breakaway: nm(f.BreakNm), Quarter: nm(f.QuarterNm), DurationUs: f.DurationUs, Findings: f.Codes.Strings(),
	}
	if f.RateNmDeg == f.RateNmDeg {
		r.RateNmDeg = f.RateNmDeg
	}
	return r
}

func valueOf(x float64, v quantity.Value) quantity.Value {
	if x != x {
		return quantity.Value{}
	}
	return v
}
