package drift

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestChartParameters holds the written parameters to the run lengths that they
// are said to have.
func TestChartParameters(t *testing.T) {
	e, err := DesignEWMA(chartARL0, chartShift)
	if err != nil || e.Lambda != ewmaLambda || math.Abs(e.L-ewmaL) > 0.0001 {
		t.Errorf("EWMA: %+v, %v", e, err)
	}
	c, err := DesignCUSUM(chartARL0, chartShift)
	if err != nil || c.K != cusumK || math.Abs(c.H-cusumH) > 0.0001 {
		t.Errorf("CUSUM: %+v, %v", c, err)
	}
	if got := ARLShewhart(chartL, 0); math.Abs(got-chartARL0) > 1 {
		t.Errorf("single values: run length %v", got)
	}
}

// checksOf makes n daily checks of a tool in order, with quick scatter of 0.4 %
// and, if slow is set, a slow part of 0.3 % that is remembered for ten days.
func checksOf(r *rand.Rand, n int, slow bool) (at, x []float64) {
	s, phi := 0.0, math.Exp(-0.1)
	for i := range n {
		at = append(at, float64(i))
		v := 0.5 + 0.4*r.NormFloat64()
		if slow {
			s = phi*s + 0.3*math.Sqrt(1-phi*phi)*r.NormFloat64()
			v += s
		}
		x = append(x, v)
	}
	return at, x
}

// firstSignal is at which check a signal is first shown, -1 for none.
func firstSignal(t *testing.T, at, x []float64, every int) int {
	t.Helper()
	for n := LeastCharted; n <= len(x); n += every {
		c, err := ChartsOf(at[:n], x[:n])
		if err != nil {
			t.Fatal(err)
		}
		if len(c.New()) > 0 {
			return n - 1
		}
	}
	return -1
}

// TestHealthyToolsAreSilentAndShiftsAreSeen simulates tools that are checked
// daily, looked at after each check from the 32nd on. In order: three in ten at most
// may signal within 60 checks, white and slow alike (seen: two to six of twenty). After a change by two standard deviations it is soon seen.
func TestHealthyToolsAreSilentAndShiftsAreSeen(t *testing.T) {
	const tools = 20
	for _, slow := range []bool{false, true} {
		r := rand.New(rand.NewPCG(11, 12))
		falsely, seen, delay := 0, 0, 0
		for range tools {
			at, x := checksOf(r, 60, slow)
			if firstSignal(t, at, x, 1) >= 0 {
				falsely++
				continue
			}
			_, more := checksOf(r, 20, slow)
			shift := 2 * 0.4
			if slow {
				shift = 2 * 0.5
			}
			for _, v := range more {
				at, x = append(at, float64(len(at))), append(x, v+shift)
			}
			for n := 61; n <= len(x); n++ {
				c, err := ChartsOf(at[:n], x[:n])
				if err != nil {
					t.Fatal(err)
				}
				if s := c.New(); len(s) > 0 {
					seen, delay = seen+1, delay+n-60
					break
				}
			}
		}
		t.Logf("slow variation %v: %d of %d in order signalled within 60 checks; a change of two standard deviations was seen in %d of %d, after %.1f checks",
			slow, falsely, tools, seen, tools-falsely, float64(delay)/float64(max(1, seen)))
		if falsely > 3*tools/10 {
			t.Errorf("slow variation %v: %d of %d tools in order signalled", slow, falsely, tools)
		}
		least := 9 * (tools - falsely) / 10
		if slow {
			least = (tools - falsely) / 2
		}
		if seen < least {
			t.Errorf("slow variation %v: %d of %d changes seen", slow, seen, tools-falsely)
		}
	}
}

func TestChartsWantEnough(t *testing.T) {
	at, x := checksOf(rand.New(rand.NewPCG(1, 1)), LeastCharted-1, false)
	if _, err := ChartsOf(at, x); err == nil {
		t.Error("too few are charted")
	}
	same := make([]float64, 40)
	at, _ = checksOf(rand.New(rand.NewPCG(1, 1)), 40, false)
	if c, err := ChartsOf(at, same); err == nil {
		t.Errorf("checks that do not vary are charted: %+v", c.Process)
	}
	at, x = checksOf(rand.New(rand.NewPCG(1, 1)), 300, false)
	if c, err := ChartsOf(at, x); err != nil || len(c.X) != MostCharted || c.X[0] != x[200] {
		t.Errorf("%d charted, %v", len(c.X), err)
	}
}

// TestRealStandardsCheckByCheck takes real check standards, in control by their
// dataset's README (check-standard-history), weighing by weighing as the rules do
// with a tool's checks: what is usual is estimated anew each time, and no chart
// signals.
func TestRealStandardsCheckByCheck(t *testing.T) {
	at, x := mass(t)
	for n := LeastCharted; n <= len(x); n++ {
		c, err := ChartsOf(at[:n], x[:n])
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range c.New() {
			t.Errorf("mass %.4f: %s signals, %+v", at[n-1], s.Name, s.Signal)
		}
	}
	// The same standard, were it to lose three standard deviations after 1982.
	shifted := append([]float64(nil), x...)
	from := 0
	for i := range shifted {
		if at[i] >= 82 {
			shifted[i] -= 3 * 0.0307
			if from == 0 {
				from = i
			}
		}
	}
	for n := from + 1; n <= len(x); n++ {
		c, err := ChartsOf(at[:n], shifted[:n])
		if err != nil {
			t.Fatal(err)
		}
		if s := c.New(); len(s) > 0 {
			if s[0].High || n-from > 10 {
				t.Errorf("seen after %d weighings: %+v", n-from, s[0].Signal)
			}
			t.Logf("a loss of three standard deviations shows after %d weighings, by the %s", n-from, s[0].Name)
			return
		}
	}
	t.Error("a loss of three standard deviations is not seen")
}
