package drift

import (
	"fmt"
	"testing"

	read "witnessmark/rules/internal/published"
)

// Average run lengths against another method in another program: the Markov
// chain of Brook and Evans (1972), solved by R with 201 and 401 states and
// carried to infinitely many (its error falls with the square of their number).
// Here they come from the integral equation. Agreement to 0.1 %.
func TestRunLengthsAgainstR(t *testing.T) {
	const chain = `ewma <- function(lambda, l, d, m) {
  h <- l * sqrt(lambda / (2 - lambda)); w <- 2 * h / m; c <- -h + w * (1:m - 0.5)
  q <- outer(c, c, function(from, to) pnorm((to + w / 2 - (1 - lambda) * from) / lambda - d) - pnorm((to - w / 2 - (1 - lambda) * from) / lambda - d))
  solve(diag(m) - q, rep(1, m))[(m + 1) / 2]
}
cusum <- function(k, h, d, m) {
  w <- 2 * h / (2 * m - 1); c <- w * (0:(m - 1))
  q <- outer(c, c, function(from, to) pnorm(to + w / 2 - from + k - d) - ifelse(to == 0, 0, pnorm(to - w / 2 - from + k - d)))
  solve(diag(m) - q, rep(1, m))[1]
}
far <- function(f) { a <- f(201); b <- f(401); b + (b - a) / ((401 / 201)^2 - 1) }
`
	for _, c := range []struct{ lambda, l, shift float64 }{{0.2, 2.86, 0}, {0.2, 2.86, 1}, {0.1, 2.7, 0.5}, {0.4, 3.05, 0}} {
		got := read.R(t, chain+fmt.Sprintf("cat(far(function(m) ewma(%g, %g, %g, m)))", c.lambda, c.l, c.shift))
		read.Near(t, fmt.Sprintf("run length of EWMA %+v", c), ARLEWMA(c.lambda, c.l, c.shift), got[0], 0.001*got[0])
	}
	for _, c := range []struct{ k, h, shift float64 }{{0.5, 4, 0}, {0.5, 4, 1}, {0.5, 5, 0}, {0.25, 8, 0.5}} {
		got := read.R(t, chain+fmt.Sprintf("both <- function(d) far(function(m) cusum(%g, %g, d, m)); cat(1 / (1 / both(%g) + 1 / both(%g)))", c.k, c.h, c.shift, -c.shift))
		read.Near(t, fmt.Sprintf("run length of CUSUM %+v", c), ARLCUSUM(c.k, c.h, c.shift), got[0], 0.001*got[0])
	}
}
