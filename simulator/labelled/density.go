package labelled

import "math"

// normal returns the density of a normal variable at x.
func normal(x, mean, sd float64) float64 {
	z := (x - mean) / sd
	return math.Exp(-z*z/2) / (sd * math.Sqrt(2*math.Pi))
}

// below returns the probability that a standard normal variable is less than z.
func below(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// logNormal returns the density at x of a variable whose logarithm has sd and
// whose median is given.
func logNormal(x, median, sd float64) float64 {
	if x <= 0 {
		return 0
	}
	z := math.Log(x/median) / sd
	return math.Exp(-z*z/2) / (x * sd * math.Sqrt(2*math.Pi))
}

// delayed returns the density of an exponential variable of mean m plus a
// normal one of mean 0 (the exponentially modified Gaussian), written so that
// it does not overflow.
func delayed(x, m, sd float64) float64 {
	z := sd/m - x/sd
	if z > 25 { // erfc's asymptote: the product of a huge and a tiny factor
		return normal(x, 0, sd) * sd / (m * z)
	}
	return math.Exp(sd*sd/(2*m*m)-x/m) * below(-z) / m
}

// student returns the density of Student's t with df degrees of freedom.
func student(x, df float64) float64 {
	a, _ := math.Lgamma((df + 1) / 2)
	b, _ := math.Lgamma(df / 2)
	return math.Exp(a-b) / math.Sqrt(df*math.Pi) * math.Pow(1+x*x/df, -(df+1)/2)
}

// halfNormal returns the density of the absolute value of a normal variable of
// standard deviation s, plus a normal one of mean 0.
func halfNormal(x, s, sd float64) float64 {
	all := math.Hypot(s, sd)
	return 2 * normal(x, 0, all) * below(x*s/(sd*all))
}

// weibull returns the density of a Weibull variable of a median and shape.
func weibull(x, median, shape float64) float64 {
	if x <= 0 {
		return 0
	}
	u := math.Ln2 * math.Pow(x/median, shape)
	return shape / x * u * math.Exp(-u)
}

// hermite5 are the five nodes and weights of the mean of a function of a
// standard normal variable (Gauss-Hermite; computed from the roots of He5).
var hermite5 = [5][2]float64{
	{-2.856970013872806, 0.011257411327720689}, {-1.355626179974266, 0.22207592200561266}, {0, 0.5333333333333333},
	{1.355626179974266, 0.22207592200561266}, {2.856970013872806, 0.011257411327720689},
}
