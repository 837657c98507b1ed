package match

import (
	"math"
	"sync"
)

// prior is a normal-inverse-gamma prior of a normal quantity of unknown mean
// and variance, the conjugate form; the next value is then distributed as
// Student's t (Gelman et al., Bayesian Data Analysis, 3rd ed., 3.3; from
// memory).
type prior struct {
	mean, k, a, b float64
	usual         float64                  // variance that was taught, where b is of today's
	lognorm       *[maxCounted + 1]float64 // of the density after n values
}

// maxCounted is how many values a normal takes in; more teach nothing new and
// are weighed only.
const maxCounted = 127

// normal is what n values did to a prior.
type normal struct {
	mean, b float64
	n       int32
}

// newPrior gives the prior of values around a mean that is believed to within
// off, spreading by about sd, which df values would support.
func newPrior(mean, off, sd, df float64) *prior {
	r := sd / math.Max(off, 1e-3)
	p := &prior{mean: mean, k: r * r, a: df / 2, b: df / 2 * sd * sd, usual: sd * sd}
	p.lognorm = normsOf(2 * p.a)
	return p
}

// norms keeps what normsOf has worked out: it follows from the degrees of freedom
// alone, and there are few of them.
var norms sync.Map

// normsOf is the logarithm of Student's density at zero from df degrees of freedom
// on, one more each.
func normsOf(df float64) *[maxCounted + 1]float64 {
	if t, ok := norms.Load(df); ok {
		return t.(*[maxCounted + 1]float64)
	}
	t := new([maxCounted + 1]float64)
	for n := range t {
		t[n] = studentNorm(df + float64(n))
	}
	norms.Store(df, t)
	return t
}

func (p *prior) start() normal { return normal{mean: p.mean, b: p.b} }

// farOff is how many scales a value may teach to be off, at most. Our choice:
// half a per cent of normal values lie beyond, and one that lies far beyond must
// not widen all that is expected of the others.
const farOff = 2.5

// with returns n after one more value, which counts as no further off than
// farOff.
func (p *prior) with(n normal, x float64) normal {
	if n.n >= maxCounted {
		return n
	}
	k, d, s := p.k+float64(n.n), x-n.mean, farOff*math.Sqrt(p.scale2(n))
	d = max(min(d, s), -s)
	return normal{mean: n.mean + d/(k+1), b: n.b + float64(k*d*d)/(2*(k+1)), n: n.n + 1}
}

// without returns n as it was before a value that it took in as it is.
func (p *prior) without(n normal, x float64) normal {
	k := p.k + float64(n.n)
	d := (x - n.mean) * k / (k - 1)
	return normal{mean: n.mean - d/k, b: max(n.b-float64(d*d)*(k-1)/(2*k), n.b/10), n: n.n - 1}
}

// scale2 is the square of the scale of the predictive distribution.
func (p *prior) scale2(n normal) float64 {
	k, a := p.k+float64(n.n), p.a+float64(n.n)/2
	return n.b * (k + 1) / (a * k)
}

// off2 is the square of how uncertain the mean is.
func (p *prior) off2(n normal) float64 {
	k, a := p.k+float64(n.n), p.a+float64(n.n)/2
	return n.b / (a * k)
}

// today gives the prior of a day of whose spread something was seen before.
func (p prior) today(seen Spread) *prior {
	df := 2*p.a + seen.N
	times := (2*p.a + seen.Sum) / df
	p.k *= times // as near the mean as it was believed to be
	p.a = math.Round(df) / 2
	p.b = p.a * p.usual * times
	p.lognorm = normsOf(2 * p.a)
	return &p
}

// Spread is how far values of a day lie from what was expected: how many, and the sum of
// their squares over the usual variance.
type Spread struct{ Sum, N float64 }

// seen is what n values told of the spread of the day.
func (p *prior) seen(n normal) Spread {
	return Spread{2 * (n.b - p.b) / p.usual, float64(n.n)}
}

// and adds a share of what another told.
func (s Spread) and(o Spread, share float64) Spread {
	return Spread{s.Sum + float64(share*o.Sum), s.N + float64(share*o.N)}
}

// times is how many times as great as usual the variance is, by its values and what
// was seen besides.
func (p *prior) times(n normal, besides Spread) float64 {
	return (2*n.b/p.usual + besides.Sum) / (2*p.a + float64(n.n) + besides.N)
}

// log returns the logarithm of the predictive density at x.
func (p *prior) log(n normal, x float64) float64 {
	s2, df := p.scale2(n), 2*p.a+float64(n.n)
	d := x - n.mean
	return p.lognorm[n.n] - 0.5*math.Log(s2) - (df+1)/2*math.Log1p(d*d/(s2*df))
}

// studentNorm is the logarithm of Student's density at zero, scale 1.
func studentNorm(df float64) float64 {
	a, _ := math.Lgamma((df + 1) / 2)
	b, _ := math.Lgamma(df / 2)
	return a - b - 0.5*math.Log(math.Pi*df)
}

// student5 is the logarithm of Student's density with five degrees of freedom:
// heavy tails where nothing is learned.
func student5(x, loc, scale float64) float64 {
	z := (x - loc) / scale
	return student5Norm - math.Log(scale) - 3*math.Log1p(z*z/5)
}

// little falls as a normal density above loc, with heavy tails below, which may
// be wider: a tight fastener may turn less than thought, down to nothing, but
// not as much as a loose one.
func little(x, loc, below, above float64) float64 {
	l := student5Norm - math.Log((below+above)/2)
	if x <= loc {
		z := (x - loc) / below
		return l - 3*math.Log1p(z*z/5)
	}
	z := (x - loc) / above
	return l - z*z/2
}

var (
	student5Norm = studentNorm(5)
	student5Top  = math.Exp(student5Norm)
)

// logAdd returns ln(eᵃ + eᵇ).
func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// HeavyLog is the logarithm of Student's density with five degrees of freedom,
// for those who weigh pulls beside a Filter.
func HeavyLog(x, loc, scale float64) float64 { return student5(x, loc, scale) }
