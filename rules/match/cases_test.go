package match

import (
	"math"
	"testing"

	"witnessmark/events"
)

// made makes a pull with a rotation, seconds after the last.
func made(i int, at, torque, angle float64) Pull {
	return Pull{Reading: uint64(100 + i), Tool: Tool{Name: "K2", Angle: true, Counter: CountsCycles}, AtS: at, Torque: torque, Angle: angle, Duration: math.NaN(), Placed: -1}
}

func four(k Known) Joint {
	return Joint{N: 4, Strict: true, Target: 100, LSL: 94, USL: 106, Known: k}
}

func run(f *Filter, angles ...float64) *Filter {
	for _, a := range angles {
		i := f.Pulls()
		f = f.Pull(made(i, float64(i)*6, 101, a))
	}
	return f
}

func taughtShop() Known {
	var fa []float64
	for i := range 80 {
		fa = append(fa, 40*math.Exp(0.2*normalQuantile((float64(i)+0.5)/80)))
	}
	return KnownFrom(fa, nil, nil, nil, nil)
}

func most(f *Filter, k int) Explanation { return f.Explain(k)[0] }

func TestCleanJob(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, 38, 45, 36)
	if p := f.AllTight(); p < 0.98 {
		t.Errorf("all tight %.4f", p)
	}
	if m := f.Missed(); m.Say || m.Odds > 0.02 {
		t.Errorf("missed %+v", m)
	}
	if _, _, ok := f.Question(); ok {
		t.Error("nothing is to be asked in a clean job")
	}
}

func TestMaskedMiss(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, 38, 2.5, 36)
	m := f.Missed()
	if !m.Say || m.Lost > 0.01 {
		t.Fatalf("missed %+v", m)
	}
	if c := m.Candidates; c[0].Fastener != 2 && c[1].Fastener != 2 {
		t.Errorf("candidates %+v", c)
	}
	if e := most(f, 2); e.Kind != events.ExplainedRepeat {
		t.Errorf("pull 2 was %+v", f.Explain(2))
	}
	k, choices, ok := f.Question()
	if !ok || k != 2 || len(choices) < 2 {
		t.Errorf("question about %d: %+v %v", k, choices, ok)
	}
	if g := f.Answer(2, Explanation{Kind: events.ExplainedNext, Fastener: 2}); g.Missed().Odds >= m.Odds {
		t.Error("an answer that it was a fresh one must count")
	}
}

// A later pull changes how an earlier one is read: the third alone may have
// been low because the joint is.
func TestLaterPullChangesEarlier(t *testing.T) {
	f := run(New(nil, four(Known{})), 30)
	f = run(f, 3)
	before := f.Explain(1)[0]
	f = run(f, 31, 29, 33)
	if e := f.Explain(1)[0]; e.Kind != events.ExplainedRepeat || e.P < before.P && before.Kind == e.Kind {
		t.Errorf("before %+v, after %+v", before, f.Explain(1))
	}
}

func TestHabitualSecondPull(t *testing.T) {
	f := New(nil, four(taughtShop()))
	for i, at := range []float64{0, 6, 7.5, 13, 19} {
		f = f.Pull(made(i, at, 101, []float64{41, 38, 2.5, 36, 40}[i]))
	}
	if f.AllTight() < 0.97 || f.Missed().Say {
		t.Errorf("all tight %.4f, %+v", f.AllTight(), f.Missed())
	}
}

// A reading lost and pulled again looks like a masked miss. Where the counter
// shows the gap, no miss is claimed.
func TestLostReading(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, 38)
	q := made(2, 15, 101, 2.5)
	q.Gap = 1
	f = f.Pull(q)
	f = f.Pull(made(3, 21, 101, 38))
	m := f.Missed()
	if m.Say || m.Lost < 0.5 {
		t.Errorf("missed %+v", m)
	}
}

func TestNoCounterLeavesRoomForLoss(t *testing.T) {
	f := New(nil, four(taughtShop()))
	for i, a := range []float64{41, 38, 2.5, 36} {
		q := made(i, float64(6*i), 101, a)
		q.Tool.Counter = NoCounter
		f = f.Pull(q)
	}
	g := run(New(nil, four(taughtShop())), 41, 38, 2.5, 36)
	if a, b := f.Missed(), g.Missed(); a.Lost < 10*b.Lost || a.Odds >= b.Odds {
		t.Errorf("without a counter %+v, with one %+v", a, b)
	}
}

func TestUnfinishedSwings(t *testing.T) {
	f := New(nil, four(taughtShop()))
	f = f.Pull(made(0, 0, 101, 41)).Pull(made(1, 6, 60, 14)).Pull(made(2, 7, 80, 10)).Pull(made(3, 8, 101, 12))
	if p := f.Tight()[1]; p < 0.95 {
		t.Errorf("fastener 1 tight %.3f", p)
	}
	f = f.Pull(made(4, 14, 101, 38)).Pull(made(5, 20, 101, 43))
	if f.AllTight() < 0.9 || f.Missed().Say {
		t.Errorf("all tight %.3f, %+v", f.AllTight(), f.Missed())
	}
	if e := most(f, 1); e.Kind != events.ExplainedSwing || e.Fastener != 1 {
		t.Errorf("pull 1 was %+v", e)
	}
}

func TestConfirmedPlace(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, 38)
	q := made(2, 15, 101, 44)
	q.Placed = 3
	f = f.Pull(q)
	p := 0.0
	for _, e := range f.Explain(2) {
		if e.Fastener == 3 {
			p += e.P
		}
	}
	if p < 0.99 {
		t.Errorf("explained %+v", f.Explain(2))
	}
	if f.AllTight() > 1e-3 {
		t.Error("three pulls do not make four tight")
	}
}

func TestSameCycle(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41)
	q := made(1, 6, 101, 38)
	f = f.Pull(q)
	q.SameCounter = true
	f = f.Pull(q)
	if e := most(f, 2); e.Kind != events.ExplainedSameCycle || e.P < 0.99 {
		t.Errorf("explained %+v", e)
	}
	if e := most(f.Pull(made(2, 6.01, 101, 38)), 3); e.Kind != events.ExplainedSameCycle {
		t.Errorf("explained %+v", e)
	}
}

func TestLoosenedAndTightenedAgain(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, 38)
	q := made(2, 14, 70, -40)
	q.Loosening = true
	f = f.Pull(q)
	if f.Tight()[1] > 0.4 {
		t.Errorf("tight %v", f.Tight())
	}
	f = f.Pull(made(3, 18, 101, 39))
	if e := most(f, 3); e.Kind != events.ExplainedRetighten || e.Fastener != 1 {
		t.Errorf("explained %+v", f.Explain(3))
	}
}

// In a closing round every fastener is expected to turn hardly at all: the one
// that turns was the missed one.
func TestClosingRound(t *testing.T) {
	j := four(taughtShop())
	j.Closing, j.Before = true, []float64{0.99, 0.99, 0.9, 0.9}
	f := run(New(nil, j), 3, 2.5)
	if p := f.Tight()[2]; p > 0.95 {
		t.Errorf("fastener 2 tight %.3f before its turn", p)
	}
	f = run(f, 37)
	if e := most(f, 2); e.Kind != events.ExplainedNext || e.Fastener != 2 || e.P < 0.9 {
		t.Errorf("explained %+v", f.Explain(2))
	}
	f = run(f, 3)
	if f.AllTight() < 0.98 || f.Missed().Say {
		t.Errorf("all tight %.4f", f.AllTight())
	}
	if e := most(f, 3); e.Kind != events.ExplainedRepeat || e.Fastener != 3 {
		t.Errorf("explained %+v", f.Explain(3))
	}
}

func TestEditedFasteners(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, 38, 36)
	if p := f.Void(102).Tight()[2]; p > 0.1 {
		t.Errorf("after its reading was void: tight %.3f", p)
	}
	if p := f.Reset(0).Tight()[0]; p > 1e-9 {
		t.Errorf("after a reset: tight %.3f", p)
	}
	if p := f.Accept(3).AllTight(); p < 0.97 {
		t.Errorf("after the last was vouched for: all tight %.3f", p)
	}
	if f.Void(7) != f || f.Reset(9) != f || f.Answer(40, Explanation{}) != f {
		t.Error("what there is not changes nothing")
	}
}

// Bad input: a clear state, never a sure witness.
func TestHundredPullsOnFour(t *testing.T) {
	f := New(nil, four(Known{}))
	for i := range 100 {
		f = f.Pull(made(i, float64(5*i), 101, 2))
	}
	if f.Pulls() != 100 || f.Overrun() || len(f.hyps) > Default().Keep+keepTidy {
		t.Errorf("%d pulls, %d hypotheses", f.Pulls(), len(f.hyps))
	}
	for range 500 {
		f = f.Pull(made(f.Pulls(), 0, 101, 2))
	}
	if !f.Overrun() || f.Pulls() != 600 || f.Explain(599) != nil || f.Assign()[599] != -1 {
		t.Error("what is only counted must say so")
	}
}

func TestAllPullsIdentical(t *testing.T) {
	f := New(nil, four(Known{}))
	for i := range 4 {
		f = f.Pull(made(i, 3, 101, 20))
	}
	if f.AllTight() > 0.01 {
		t.Errorf("four readings of one instant made all tight: %.3f", f.AllTight())
	}
}

func TestAngleAnnouncedNeverReported(t *testing.T) {
	f := run(New(nil, four(taughtShop())), math.NaN(), math.NaN(), math.NaN(), math.NaN())
	if p := f.AllTight(); p < 0.9 || p > 0.9999 {
		t.Errorf("all tight %.5f", p)
	}
}

func TestNegativeAngles(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41, -3, 40, 38)
	if e := most(f, 1); e.Kind != events.ExplainedRepeat {
		t.Errorf("explained %+v", f.Explain(1))
	}
}

func TestGreatGapAndRestart(t *testing.T) {
	f := run(New(nil, four(taughtShop())), 41)
	q := made(1, 9, 101, 38)
	q.Gap = 60000
	if p := f.Pull(q).AllTight(); p > 0.95 {
		t.Errorf("all tight %.3f by pulls that nobody saw", p)
	}
	q.Gap = -1
	if p := f.Pull(q).Tight()[1]; p < 0.9 {
		t.Errorf("tight %.3f after a restart of the counter", p)
	}
}

// Late deliveries: the order of receipt is kept, a wait backwards is none.
func TestLateDelivery(t *testing.T) {
	f := New(nil, four(taughtShop()))
	for i, at := range []float64{0, 12, 6, 18} {
		f = f.Pull(made(i, at, 101, 40))
	}
	if f.AllTight() < 0.97 {
		t.Errorf("all tight %.3f", f.AllTight())
	}
}

func TestTooManyFasteners(t *testing.T) {
	f := run(New(nil, Joint{N: 70, Target: 100, LSL: 94}), 20, 22)
	if f.AllTight() != 0 || len(f.Tight()) != 70 || f.Tight()[69] != 0 {
		t.Error("a joint that cannot be weighed must not be called tight")
	}
}

func TestKnownFrom(t *testing.T) {
	k := KnownFrom([]float64{20, 20, 20, math.NaN(), math.Inf(1)}, nil, []float64{-1, 0, 1}, nil, nil)
	if k.FreshAngle.N != 3 || math.Abs(k.FreshAngle.Mean-turnLog(20)) > 1e-12 || k.FreshAngle.Var != 0 || k.FreshDuration.N != 1 {
		t.Errorf("%+v", k)
	}
	sk := func(f func(z float64) float64) float64 {
		var xs []float64
		for i := range 2000 {
			xs = append(xs, f(normalQuantile((float64(i)+0.5)/2000)))
		}
		return KnownFrom(xs, nil, nil, nil, nil).FreshAngle.Skew
	}
	if s := sk(func(z float64) float64 { return 100 * math.Exp(0.2*z) }); math.Abs(s) > 0.1 {
		t.Errorf("lognormal: power %.2f, want 0", s)
	}
	if s := sk(func(z float64) float64 { return 100 * (1 + 0.2*z) }); math.Abs(s-1) > 0.2 {
		t.Errorf("normal: power %.2f, want 1", s)
	}
}

// A coarse angle on a hard joint: 160 values that all read the same teach no
// spread at all. That must not make a clean job with readings one step off look
// as if fasteners were left out.
func TestCoarseAnglesAreNoMiss(t *testing.T) {
	j := Joint{N: 12, Strict: true, Target: 100, LSL: 92, USL: 108}
	j.Known.FreshAngle = Moments{N: 160, Mean: math.Log(2.4), Skew: 1.5}
	f := New(nil, j)
	for i, deg := range []float64{2, 2, 1, 2, 2, 1, 2, 1, 2, 2, 2, 2} {
		f = f.Pull(Pull{Reading: uint64(i + 1), AtS: 5 * float64(i+1), Torque: 100, Angle: deg, Duration: math.NaN(), Placed: -1})
	}
	if m := f.Missed(); m.Say || m.Odds > 0.01 {
		t.Errorf("odds of a miss %.3g", m.Odds)
	}
}

// One left low is not tight, even if a later pull made the number agree.
func TestLeftLowCountsAsMissed(t *testing.T) {
	f := New(nil, Joint{N: 4, Strict: true, Target: 100, LSL: 92, USL: 108})
	for i, nm := range []float64{100, 100, 70, 101} {
		f = f.Pull(Pull{Reading: uint64(i + 1), AtS: 5 * float64(i+1), Torque: nm, Angle: 60, Duration: math.NaN(), Placed: -1})
	}
	m, all := f.Missed(), f.AllTight()
	if all > 0.01 || m.P < 0.99 {
		t.Errorf("chance of all tight %.3g, of a miss %.3g", all, m.P)
	}
}

// A swing that reached the limits, below what is aimed at, and its rest at once.
func TestRestOfASwingWithinTheLimits(t *testing.T) {
	f := New(nil, Joint{N: 6, Target: 100, LSL: 85, USL: 115, Known: taughtShop()})
	for i, p := range [][3]float64{{0, 101, 41}, {6, 70, 24}, {8, 101.5, 20}, {14, 101, 38}, {20, 88, 27}, {21.3, 101.5, 14}, {27, 101, 39}} {
		q := made(i, p[0], p[1], p[2])
		q.Tool.Trace = true
		q.Trace = &Trace{NetDeg: p[2], RateNmDeg: math.NaN(), Quarter: math.NaN()}
		f = f.Pull(q)
	}
	rest := f.Rest()
	if rest[5] < 0.8 || rest[4] > 0.1 || rest[6] > 0.1 {
		t.Errorf("chances of a rest %.3f; pull 5 was %+v", rest, f.Explain(5))
	}
	if e := most(f, 6); e.Fastener != 4 {
		t.Errorf("the pull after it was %+v", f.Explain(6))
	}
}
