package drift

import "fmt"

// The charts that a tool's checks are kept on. Each has a run length of 1,000
// checks while the tool is in order, and is made for a shift of one standard
// deviation; the three together give less than three false alarms in 1,000
// checks. The parameters follow from that (DesignEWMA, DesignCUSUM; a test holds
// them to it), and are written down so that every machine decides alike.
const (
	chartARL0  = 1000
	chartShift = 1
	chartL     = 3.2905 // of single points: Φ(−L) = 1/2,000
	ewmaLambda = 0.1
	ewmaL      = 3.0586
	cusumK     = 0.5
	cusumH     = 5.7574
)

const (
	// LeastCharted is how many checks in a row, without an adjustment, the charts
	// want: what is usual is taken from all but the latest twelve of them.
	LeastCharted = 32
	// MostCharted is how many checks the charts look back.
	MostCharted = 100
	latest      = 12
	// A CUSUM waits longer: it takes slow variation that does not show yet for a
	// change.
	leastCUSUM = 40
)

// A Rule is a control chart with what it was designed for.
type Rule struct {
	Name  string // with its parameters
	ARL0  float64
	ARL1  float64 // checks until a shift of Shift standard deviations is seen, in the mean
	Shift float64
	Chart Chart
}

// Charts are a tool's checks at one point on the charts that apply.
type Charts struct {
	At, X   []float64 // that were charted
	Base    int       // how many of the first ones tell what is usual
	Process Process   // what is usual, widened for being an estimate
	Rules   []Rule
}

// ChartsOf puts checks on charts: times in days, deviations in %, oldest first,
// since the last adjustment. What is usual is estimated from all but the latest,
// with slow variation allowed for, so that a change that has just begun does not
// count as usual; the standard deviation is widened by 4/n for being estimated
// from n (our own choice). An error
// if there are fewer than LeastCharted, or if they do not vary at all.
func ChartsOf(at, x []float64) (Charts, error) {
	if n := len(x); n < LeastCharted {
		return Charts{}, fmt.Errorf("%w: %d checks since the last adjustment; charts want %d", ErrHistory, n, LeastCharted)
	}
	if n := len(x); n > MostCharted {
		at, x = at[n-MostCharted:], x[n-MostCharted:]
	}
	c := Charts{At: at, X: x, Base: len(x) - latest}
	p, err := BySlow(at[:c.Base], x[:c.Base])
	if err != nil {
		return Charts{}, err
	}
	if !(p.SD > 0) {
		return Charts{}, fmt.Errorf("%w: the checks do not vary: is the resolution of the reference enough?", ErrHistory)
	}
	c.Process = p.widened(1 + 4/float64(c.Base))
	c.Rules = []Rule{
		{Name: fmt.Sprintf("single value, Shewhart chart, %g s", chartL), ARL0: ARLShewhart(chartL, 0), ARL1: ARLShewhart(chartL, chartShift), Shift: chartShift,
			Chart: Shewhart(x, c.Process, chartL, 0)},
		{Name: fmt.Sprintf("EWMA chart, λ = %g, L = %g", ewmaLambda, ewmaL), ARL0: chartARL0, ARL1: ARLEWMA(ewmaLambda, ewmaL, chartShift), Shift: chartShift,
			Chart: EWMA(at, x, c.Process, ewmaLambda, ewmaL, false)},
	}
	if c.Base >= leastCUSUM && (p.Slow == nil || p.Slow.Drift == 0) {
		c.Rules = append(c.Rules, Rule{Name: fmt.Sprintf("CUSUM chart, k = %g s, h = %g s", cusumK, cusumH), ARL0: chartARL0,
			ARL1: ARLCUSUM(cusumK, cusumH, chartShift), Shift: chartShift, Chart: CUSUM(at, x, c.Process, cusumK, cusumH)})
	}
	return c, nil
}

func (p Process) widened(f float64) Process {
	p.SD *= f
	if p.Slow != nil {
		s := *p.Slow
		s.Quick, s.Drift, s.UMean = s.Quick*f, s.Drift*f, s.UMean*f
		p.Slow = &s
	}
	return p
}

// A Shown is a signal that the last check shows first.
type Shown struct {
	Rule
	Signal
}

// New gives the signals that begin at the last check.
func (c *Charts) New() []Shown {
	var out []Shown
	for _, r := range c.Rules {
		for _, s := range r.Chart.Signals {
			if s.At == len(c.X)-1 {
				out = append(out, Shown{r, s})
			}
		}
	}
	return out
}
