package capability

import (
	"fmt"
	"testing"

	read "witnessmark/rules/internal/published"
)

// Exact tolerance factors against R: one-sided by its noncentral Student
// distribution, two-sided by its own integration over the mean with its normal
// and chi-squared distributions.
func TestToleranceFactorsAgainstR(t *testing.T) {
	for _, c := range []Tolerance{{5, 0.9, 0.95}, {10, 0.99, 0.95}, {30, 0.95, 0.99}, {43, 0.9, 0.99}, {200, 0.99, 0.9}} {
		got := read.R(t, fmt.Sprintf(`n <- %d; p <- %g; g <- %g
one <- qt(g, n - 1, qnorm(p) * sqrt(n)) / sqrt(n)
r <- function(x) uniroot(function(r) pnorm(x + r) - pnorm(x - r) - p, c(0, 40), tol = 1e-13)$root
f <- function(k) integrate(Vectorize(function(x) 2 * sqrt(n) * dnorm(x * sqrt(n)) * pchisq((n - 1) * (r(x) / k)^2, n - 1, lower.tail = FALSE)), 0, 9 / sqrt(n), rel.tol = 1e-10)$value - g
cat(one, uniroot(f, c(0.1, 60), tol = 1e-11)$root)`, c.N, c.Share, c.Confidence))
		one, err1 := c.OneSided()
		two, err2 := c.TwoSided()
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		read.Near(t, fmt.Sprintf("one-sided factor of %+v", c), one, got[0], 1e-6*got[0])
		read.Near(t, fmt.Sprintf("two-sided factor of %+v", c), two, got[1], 1e-6*got[1])
	}
}
