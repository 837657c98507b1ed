package drift

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"witnessmark/rules/fit"
)

// By hand: means 1 to 5, usual 3, s 1.5811; for a false rate of 4 % the quantile
// is 0.99 of Student's t with 4 degrees of freedom, 3.7469; half width
// 3.7469 · 1.5811 · √1.2 = 6.4898.
func TestQuickCheckByHand(t *testing.T) {
	h := [][]float64{{0.9, 1.1}, {1.9, 2.1}, {2.9, 3.1}, {3.9, 4.1}, {4.9, 5.1}}
	q, err := QuickCheck(h, []float64{9.3, 9.5, 9.4}, 0.04)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "upper", q.Upper, 3+6.4898, 0.0002)
	near(t, "pooled", q.Pooled, math.Sqrt(0.02), 1e-12)
	if q.Off || q.Wild {
		t.Errorf("%+v", q)
	}
	if q, _ = QuickCheck(h, []float64{9.5, 9.6, 9.4}, 0.04); !q.Off {
		t.Errorf("%+v", q)
	}
	if q, _ = QuickCheck(h, []float64{2, 3, 4}, 0.04); q.Off || !q.Wild {
		t.Errorf("%+v", q)
	}
	for _, bad := range [][][]float64{h[:4], {{1}, {2}, {}, {4}, {5}}} {
		if _, err := QuickCheck(bad, []float64{1, 2, 3}, 0.04); !errors.Is(err, ErrHistory) {
			t.Errorf("%v: %v", bad, err)
		}
	}
	if _, err := QuickCheck(h, []float64{1}, 0.04); !errors.Is(err, ErrHistory) {
		t.Error("one pull")
	}
}

// Invented checks of three pulls, with variation between days: the false rate is
// kept, and 4 % with a scatter of 1 % is seen at once.
func TestQuickCheckKeepsItsFalseRate(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	check := func(mean float64) []float64 {
		m := mean + 0.3*r.NormFloat64()
		return []float64{m + r.NormFloat64(), m + r.NormFloat64(), m + r.NormFloat64()}
	}
	const runs = 1500
	falsely, seen := 0, 0
	for range runs {
		var h [][]float64
		for range 20 {
			h = append(h, check(0))
		}
		q, err := QuickCheck(h, check(0), 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if q.Off || q.Wild {
			falsely++
		}
		if q, _ = QuickCheck(h, check(4), 0.01); q.Off {
			seen++
		}
	}
	t.Logf("false %d, seen %d of %d", falsely, seen, runs)
	if falsely > runs*2/100 || falsely < runs*3/1000 || seen < runs*95/100 {
		t.Errorf("false %d, seen %d of %d", falsely, seen, runs)
	}
}

func TestIdle(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	var at, x, steady []float64
	for i := range 500 {
		at = append(at, float64(i)/10)
		x = append(x, 0.014+0.001*float64(i)/10+0.0034*r.NormFloat64())
		steady = append(steady, 0.014+0.0034*r.NormFloat64())
	}
	i, err := IdleOf(at, x)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "zero", i.Zero, 0.014+0.0499, 0.001)
	near(t, "noise", i.Noise, 0.0034, 0.0003)
	near(t, "drift", i.Drift, 0.001, 0.00005)
	if !i.Sure {
		t.Error("the drift was not seen")
	}
	if i, _ = IdleOf(at, steady); i.Sure {
		t.Errorf("a steady zero drifts: %+v", i)
	}
	if _, err := IdleOf(at[:3], x[:3]); !errors.Is(err, ErrHistory) {
		t.Error(err)
	}
}

// NIST line widths: the calibration line of the artifacts, and the six days of
// control readings read back through it. The dataset's README: measured = 0.2358
// + 0.9870 reference, sd 0.062; day 4 is off by -0.229, +0.270 and +0.293, all
// other days by at most 0.136. A chart with the line's sd must name day 4 alone.
func TestLineWidthControl(t *testing.T) {
	const dir = "../datasets/"
	ref, got := column(t, dir+"calibration-lines/linewidth-artifacts.csv", 0), column(t, dir+"calibration-lines/linewidth-artifacts.csv", 1)
	f, err := fit.Poly(ref, got, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "constant", f.Coef[0], 0.2358, 0.00005)
	near(t, "slope", f.Coef[1], 0.9870, 0.00005)
	near(t, "sd", f.S, 0.062, 0.0005)
	day, want, read := column(t, dir+"check-standard-history/linewidth-control.csv", 0), column(t, dir+"check-standard-history/linewidth-control.csv", 2), column(t, dir+"check-standard-history/linewidth-control.csv", 3)
	var off []float64
	for i := range read {
		off = append(off, (read[i]-f.Coef[0])/f.Coef[1]-want[i])
	}
	for i, d := range []float64{-0.229, 0.270, 0.293} {
		near(t, "day 4", off[9+i], d, 0.0006)
	}
	for i, l := range Shewhart(off, Process{SD: f.S / f.Coef[1]}, 3, 0).Lines {
		if l.out() != (day[i] == 4) {
			t.Errorf("day %v: %+v", day[i], l)
		}
	}
}

// NIST check standard 137: 25 readings in control; none of the charts alarms.
func TestHealthyResistivityDoesNotAlarm(t *testing.T) {
	x := column(t, "../datasets/check-standard-history/resistivity-check-standard.csv", 10)
	at := make([]float64, len(x))
	for i := range at {
		at[i] = float64(i)
	}
	p, err := BySlow(at, x)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []Chart{Shewhart(x, p, 3, 0), EWMA(at, x, p, 0.2, 3, false), CUSUM(at, x, p, 0.5, 5)} {
		if len(c.Signals) > 0 {
			t.Errorf("%s: %+v", c.Name, c.Signals)
		}
	}
}

// NIST StRD SiRstv as visits of one tool to five joints: the joint variance is
// (MS between − MS within)/5 and the fastener variance MS within, of the certified
// sums of squares.
func TestPeersScatterAgainstCertifiedSums(t *testing.T) {
	inst, v := text(t, "data_strd_sirstv.csv", 0), column(t, "data_strd_sirstv.csv", 1)
	p := NewPeers()
	for i := range v {
		p.Add(Pull{Kind: "K", Joint: inst[i], Tool: "T", Rate: math.Exp(v[i] - 196)})
	}
	_, scatter, err := p.Estimate(Watch{False: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	within := row(t, "spc.csv", "Q125") / 20
	near(t, "fastener", scatter[0].Fastener, math.Sqrt(within), 1e-9)
	near(t, "joint", scatter[0].Joint, math.Sqrt((row(t, "spc.csv", "Q124")/4-within)/5), 1e-9)
}
