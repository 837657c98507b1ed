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

// hermite5 are the five nodes and weights of the mean of a function of a
// standard normal variable (Gauss-Hermite; computed from the roots of He5).
var hermite5 = [5][2]float64{
	{-2.856970013872806, 0.011257411327720689}, {-1.355626179974266, 0.22207592200561266}, {0, 0.5333333333333333},
	{1.355626179974266, 0.22207592200561266}, {2.856970013872806, 0.011257411327720689},
}
