package match

import (
	"math"
	"math/rand/v2"
	"testing"
)

// NIST StRD, one-way analysis of variance, SiRstv: resistivity of silicon by five
// instruments, five times each. Certified: within mean square 1.08318280E-02 of 20 degrees
// of freedom, between 1.27865654E-02 of 4 (www.itl.nist.gov/div898/strd). Here the instruments are jobs, and the values less 192 the logarithms of rotations.
func TestTurnedIsAnalysisOfVariance(t *testing.T) {
	rows := [][]float64{
		{196.3052, 196.1240, 196.1890, 196.2569, 196.3403},
		{196.3042, 196.3825, 196.1669, 196.3257, 196.0422},
		{196.1303, 196.2005, 196.2889, 196.0343, 196.1811},
		{196.2795, 196.1748, 196.1494, 196.1485, 195.9885},
		{196.2119, 196.1051, 196.1850, 196.0052, 196.2090},
	}
	const within, between = 1.08318280e-2, 1.27865654e-2
	var v Values
	var ss, all, bs float64
	var means []float64
	for job, row := range rows {
		mean := 0.0
		for _, y := range row {
			v.X, v.Job = append(v.X, degreesOf(y-192)), append(v.Job, int32(job+1))
			mean += y / 5
		}
		for _, y := range row {
			ss += (y - mean) * (y - mean)
		}
		means, all = append(means, mean), all+mean/5
	}
	for _, m := range means {
		bs += 5 * (m - all) * (m - all)
	}
	if math.Abs(ss/20/within-1) > 1e-6 || math.Abs(bs/4/between-1) > 1e-6 {
		t.Fatalf("mean squares %.8g and %.8g, certified %.8g and %.8g", ss/20, bs/4, within, between)
	}
	k := KnownFrom(v.X, nil, nil, nil, nil)
	Turned([]*Known{&k}, []Values{v})
	got := k.FreshAngle
	// Values that count as no further than 2.5 standard deviations are held to be of a
	// variance that is 2 % more; a day's own degrees of freedom weigh the jobs.
	if math.Abs(got.Var/within-1) > 0.08 || math.Abs(got.Between-(between-within)/5) > 0.08*within/5 || got.Days != 5 {
		t.Errorf("within %.5g, between %.5g of %d days, certified %.5g and %.5g", got.Var, got.Between, got.Days, within, (between-within)/5)
	}
}

// How much the spread differs from one job to the next is found again: of variances
// that are scaled inverse χ² distributed, drawn as the sum of squares of normal values.
func TestTurnedFindsHowDaysDiffer(t *testing.T) {
	made := func(df int, seed uint64) (Known, Known) {
		r := rand.New(rand.NewPCG(seed, 77))
		var ks []*Known
		var fresh []Values
		for pass := range 6 {
			var v Values
			for job := range 25 {
				times := 1.0
				if df > 0 {
					sum := 0.0
					for range df {
						x := r.NormFloat64()
						sum += x * x
					}
					times = math.Sqrt(float64(df) / sum)
				}
				middle := math.Log(40) + 0.1*r.NormFloat64()
				for range 10 {
					v.X = append(v.X, degreesOf(middle+0.1*float64(1+pass%2)*times*r.NormFloat64()))
					v.Job = append(v.Job, int32(job+1))
				}
			}
			k := KnownFrom(v.X, nil, nil, nil, nil)
			ks, fresh = append(ks, &k), append(fresh, v)
		}
		Turned(ks, fresh)
		return *ks[0], *ks[1]
	}
	for _, c := range []struct {
		df          int
		least, most float64
	}{{12, 9, 18}, {40, 20, 80}, {0, 50, 112}} {
		narrow, wide := made(c.df, 7)
		a, b := narrow.FreshAngle, wide.FreshAngle
		t.Logf("drawn with %d: %.3g degrees of freedom; within %.3f and %.3f, between %.3f", c.df, a.DayDF, math.Sqrt(a.Var), math.Sqrt(b.Var), math.Sqrt(a.Between))
		if a.DayDF != b.DayDF || a.DayDF < c.least || a.DayDF > c.most {
			t.Errorf("drawn with %d degrees of freedom, found %g and %g", c.df, a.DayDF, b.DayDF)
		}
		if s := math.Sqrt(a.Var); s < 0.085 || s > 0.115 {
			t.Errorf("drawn with a spread of 0.1, found %.3f", s)
		}
		if s := math.Sqrt(b.Var); s < 0.17 || s > 0.23 {
			t.Errorf("drawn with a spread of 0.2, found %.3f", s)
		}
		if s := math.Sqrt(a.Between); s < 0.06 || s > 0.14 {
			t.Errorf("jobs drawn with a spread of 0.1, found %.3f", s)
		}
	}
}

// Of what shape the spread is, is told by all passes together: the power that makes it
// normal is 0 of a lognormal distribution, 1 of a normal one, and a third of one whose cube root is.
func TestTurnedFindsTheShape(t *testing.T) {
	for _, power := range []float64{0, 1.0 / 3, 1} {
		r := rand.New(rand.NewPCG(11, 5))
		var ks []*Known
		var fresh []Values
		for pass := range 8 {
			var v Values
			for job := range 25 {
				middle := float64(30 * (1 + pass%3))
				for range 12 {
					x := middle * math.Exp(0.2*r.NormFloat64())
					if power > 0 {
						x = middle * math.Pow(max(1+0.2*power*r.NormFloat64(), 0.05), 1/power)
					}
					v.X, v.Job = append(v.X, x), append(v.Job, int32(job+1))
				}
			}
			k := KnownFrom(v.X, nil, nil, nil, nil)
			ks, fresh = append(ks, &k), append(fresh, v)
		}
		Turned(ks, fresh)
		got := ks[0].FreshAngle
		if math.Abs(got.Skew-power) > 0.2 || got.Skew != ks[7].FreshAngle.Skew || !(got.SkewWorth > 8*250*0.03) {
			t.Errorf("drawn with power %.2f, found %.2f, worth %.3g", power, got.Skew, got.SkewWorth)
		}
	}
}

func TestClippedSquare(t *testing.T) {
	const f = farOff
	phi, q := math.Exp(-f*f/2)/math.Sqrt(2*math.Pi), math.Erfc(f/math.Sqrt2)/2
	if want := 1 - 2*(f*phi+q) + 2*f*f*q; math.Abs(clippedSquare-want) > 1e-4 {
		t.Errorf("clippedSquare is %g, should be %g", clippedSquare, want)
	}
}

// What tells nothing of days leaves all as it was.
func TestTurnedOfTooLittle(t *testing.T) {
	for _, v := range []Values{
		{}, {X: []float64{40, 41, 42}}, {X: []float64{40, 41, 42}, Job: []int32{1, 1}},
		{X: []float64{40, 41, 42, math.NaN(), math.Inf(1), -1}, Job: []int32{1, 1, 1, 2, 2, 2}},
		{X: []float64{40, 40, 40, 40, 40, 40}, Job: []int32{1, 1, 1, 2, 2, 2}},
	} {
		k := KnownFrom(v.X, nil, nil, nil, nil)
		was := k
		if Turned([]*Known{&k}, []Values{v}); k != was {
			t.Errorf("%v taught %+v", v, k.FreshAngle)
		}
	}
}

// On a day on which the passes before spread far, a rotation far off is less of a surprise.
func TestDayOfPassesBefore(t *testing.T) {
	var xs []float64
	for i := range 100 {
		xs = append(xs, 40*math.Exp(0.1*normalQuantile((float64(i*37%100)+0.5)/100)))
	}
	j := four(KnownFrom(xs, nil, nil, nil, nil))
	j.Known.FreshAngle.Days, j.Known.FreshAngle.DayDF = 20, 40
	odds := func(o Spread) float64 {
		j.Mood.Turns = o
		return run(New(nil, j), 40, 41, 20, 39).Missed().Odds
	}
	usual, wide, even := odds(Spread{}), odds(Spread{Sum: 40, N: 10}), odds(Spread{Sum: 3, N: 10})
	if !(wide < usual/2 && even > usual) {
		t.Errorf("odds %.3g, after passes that spread twice as far %.3g, half as far %.3g", usual, wide, even)
	}
}

// What is thought of a joint of which nothing was taught says nothing of the day.
func TestUntaughtTellsNoDay(t *testing.T) {
	j := four(Known{})
	if o := run(New(nil, j), 40, 41, 42, 39).Mood().Turns; o.N != 0 {
		t.Errorf("untaught: %+v", o)
	}
	j.Known.FreshAngle = Moments{N: 100, Mean: math.Log(40), Var: 0.01, Days: 20, DayDF: 40}
	if o := run(New(nil, j), 40, 41, 42, 39).Mood().Turns; !(o.N > 3.5 && o.Sum < o.N) {
		t.Errorf("taught, four that lie close together: %+v", o)
	}
}

// A tight fastener turns no further than a loose one, whatever second pulls on another
// joint taught.
func TestRepeatTurnsNoFurther(t *testing.T) {
	var xs []float64
	for i := range 100 {
		xs = append(xs, 100*math.Exp(0.2*normalQuantile((float64(i*37%100)+0.5)/100)))
	}
	k := KnownFrom(xs, nil, nil, nil, nil)
	k.Tight = Tight{Worth: 0.06, Mean: turnLog(59), Var: 0.7}
	if odds := run(New(nil, four(k)), 95, 100, 240, 105).Missed().Odds; odds > 0.01 {
		t.Errorf("a pull of 240° where others turn 100°: odds %.3g of a repeat", odds)
	}
}

// Where released jobs came to high odds, a miss is said from higher ones; how high is
// bounded, and where traces tell, or nothing was taught, they count for nothing.
func TestDoubtRaisesThreshold(t *testing.T) {
	p := Default()
	var xs []float64
	for i := range 100 {
		xs = append(xs, 40*math.Exp(0.1*normalQuantile((float64(i*37%100)+0.5)/100)))
	}
	for _, c := range []struct {
		doubt, want float64
		known       Known
	}{
		{0, p.Odds, KnownFrom(xs, nil, nil, nil, nil)},
		{0.02, p.DoubtTimesTurned * 0.02, KnownFrom(xs, nil, nil, nil, nil)},
		{9, p.DoubtMost, KnownFrom(xs, nil, nil, nil, nil)},
		{9, p.OddsUntaught, Known{}},
	} {
		j := four(c.known)
		j.Known.Doubt = c.doubt
		f := run(New(nil, j), 40, 41, 38)
		if got := f.threshold(); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("doubt %g: said from odds %g, want %g", c.doubt, got, c.want)
		}
		if _, ok := f.Doubt(); ok != (c.known.FreshAngle.N > 0) {
			t.Errorf("doubt %g: tells of released jobs: %t", c.doubt, ok)
		}
	}
	still := four(KnownFrom(xs, nil, nil, nil, nil))
	still.Known.Doubt = 9
	f := New(nil, still).Pull(traced(0, 100, 40, 0.6, false))
	if got := f.threshold(); got != p.OddsTrace {
		t.Errorf("traced: said from odds %g, want %g", got, p.OddsTrace)
	}
	if _, ok := f.Doubt(); ok {
		t.Error("a traced job tells of released ones")
	}
}
